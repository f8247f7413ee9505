/* SPDX-License-Identifier: MIT
 * Level finding by short bursts, and the sweeps that the noise demands. Levels in dBFS peak of what is played. */
#include "response/burst.h"

#include "base/alloc.h"

#include <math.h>

/* Ours: quiet enough for ears in front of any speaker; steps that twice the power of the noise cannot hide. */
static const double first_dbfs = -50.0, step_db = 6.0, least_step_db = 1.0, capture_dbfs = -3.0;
static const double seen_ratio = 3.0, reserve_db = 5.0;
/* How far below its true value the energy of a band may have been found: standard deviations. */
static const double doubt = 1.5;
/* An amplifier that clips gives less than it should: what a band may lose of 0.2 dB, the accuracy that is wanted; what
 * repeats by itself from burst to burst; what only a compressor does, without distortion. */
static const double loss_most_db = 0.15, loss_repeats_db = 0.03, loss_large_db = 1.0;
/* ... and it distorts: 0.15 dB of soft clipping come with 0.8 % of the third harmonic. Power ratios. */
static const double distortion_some = 0.004 * 0.004, distortion_much = 0.03 * 0.03;
static const double distortion_rises = 1.5;
/* Soft clipping loses four times as much 6 dB louder, at least: with less certainty than this about the loss at the
 * level before, it is taken from the loss at the next one. */
static const double loss_known_db = 0.05, loss_grows = 4.0, lowest_dbfs = -60.0;
/* y = x - a x^3: 3/4 a A^2 of the fundamental is lost, 1/4 a A^2 is third harmonic: 20 lg e times 3. */
static const double loss_of_third_db = 26.1;
#define WINDOW_S 0.65 /* of lt_response_default_options(): the noise in it counts against the response */
#define LONG_S 10.0
#define SHORT_S 5.0
#define AROUND_S 3.5 /* lead, markers, gaps and tail */

const char *lt_level_end_name(lt_level_end e)
{
    static const char *const names[LT_LEVEL_END_COUNT] = {"go-on", "enough", "capture", "amplifier", "spl", "highest"};
    return (unsigned)e < LT_LEVEL_END_COUNT ? names[e] : "";
}

lt_status lt_level_finder_start(lt_level_finder *f, const lt_signal *silence, lt_error *err)
{
    const double seconds = (double)silence->count / silence->rate_hz;
    if (!(seconds >= 0.5))
        return ltp_fail(err, LT_E_ARG, "%.2f s of silence; level finding needs 0.5 s", seconds);
    f->end = LT_LEVEL_GO_ON;
    f->bursts = 0;
    f->accepted_sigma_db = f->least_distortion = HUGE_VAL;
    f->level_dbfs = fmin(first_dbfs, f->highest_dbfs);
    const lt_status st = ltp_band_energies(silence, f->noise, err);
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->noise[i] = fmax(f->noise[i] / seconds, 1e-20); /* a digital silence is still no division by zero */
    return st;
}

/* ---- what a burst tells ---- */

enum { LTP_CHECK_NONE, LTP_CHECK_QUIET, LTP_CHECK_LOUD };

/* Standard deviation of a band's energy re that energy: noise of n degrees of freedom under a signal r times as strong,
 * and the product of both. */
static double deviation(const lt_level_finder *f, int i)
{
    const double noise = f->noise[i] * f->burst_s, r = f->signal[i] / noise;
    const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
    return sqrt((1.0 + 2.0 * r) / ((b.upper_hz - b.lower_hz) * f->burst_s)) / r;
}

/* SNR that the response of one burst would surely have in a band. */
static double burst_snr_db(const lt_level_finder *f, int i)
{
    const double sure = fmax(1.0 - doubt * deviation(f, i), 0.05);
    return lt_db_from_power(sure * f->signal[i] / (f->noise[i] * WINDOW_S));
}

/* Energy that a sweep of so many seconds puts into a band, re a burst: it stays longer, but crosses more octaves. */
static double sweep_gain(double seconds)
{
    const lt_sweep_options o = lt_sweep_default_options();
    return seconds / LTP_BURST_S * log(LTP_BURST_TO_HZ / LTP_BURST_FROM_HZ) / log(o.to_hz / o.from_hz);
}

static double worst_snr_db(const lt_level_finder *f, int *band)
{
    double worst = HUGE_VAL;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        if (burst_snr_db(f, i) < worst) {
            worst = burst_snr_db(f, i);
            *band = i;
        }
    return worst;
}

/* What the return lacks of what quieter bursts promised, dB, mean over the bands that are seen, each as certain as it
 * is; *sigma_db is how certain that is, infinite if nothing is known. */
static double loss_db(const lt_level_finder *f, double *sigma_db)
{
    double sum = 0.0, weight = 0.0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        if (!(f->gain_weight[i] > 0.0) || !(f->signal[i] > seen_ratio * f->noise[i] * f->burst_s))
            continue;
        const double now_db = lt_db_from_power(f->signal[i]) - f->level_dbfs, dev_db = 4.343 * deviation(f, i);
        const double w = 1.0 / (dev_db * dev_db + loss_repeats_db * loss_repeats_db + 1.0 / f->gain_weight[i]);
        sum += w * (f->gain_db[i] - now_db);
        weight += w;
    }
    *sigma_db = weight > 0.0 ? 1.0 / sqrt(weight) : HUGE_VAL;
    return weight > 0.0 ? sum / weight : 0.0;
}

/* What this burst says about the gain joins what quieter ones said; anew: takes its place. */
static void learn_gain(lt_level_finder *f, bool anew)
{
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const double before = anew ? 0.0 : f->gain_weight[i];
        f->gain_weight[i] = before;
        if (!(f->signal[i] > seen_ratio * f->noise[i] * f->burst_s))
            continue;
        const double now_db = lt_db_from_power(f->signal[i]) - f->level_dbfs, dev_db = 4.343 * deviation(f, i);
        const double w = 1.0 / (dev_db * dev_db + loss_repeats_db * loss_repeats_db);
        f->gain_db[i] = before > 0.0 ? (before * f->gain_db[i] + w * now_db) / (before + w) : now_db;
        f->gain_weight[i] = before + w;
    }
}

/* Both witnesses: gain that is lost, and harmonics that rise. One alone may be a passing truck or a small speaker. */
static lt_status look_at_amplifier(lt_level_finder *f, const lt_signal *back, bool *clips, lt_error *err)
{
    double noise = 0.0, now = 0.0;
    f->loss_db = loss_db(f, &f->loss_sigma_db);
    const lt_status st = ltp_burst_distortion(back, f->level_dbfs, &now, &noise, err);
    if (st != LT_OK)
        return st;
    const bool is_lost = f->loss_db > loss_most_db + 2.0 * f->loss_sigma_db;
    const bool is_heard = noise < distortion_some;
    const bool distorts = now > distortion_some && now > noise;
    f->distortion_noise = noise;
    const bool rises = now > distortion_much && now > 2.0 * noise &&
                       (f->bursts < 2 || now > distortion_rises * distortion_rises * f->least_distortion);
    *clips =
        f->check != LTP_CHECK_QUIET && (rises || (is_lost && (distorts || !is_heard || f->loss_db > loss_large_db)));
    if (*clips)
        return LT_OK;
    f->distortion = now;
    f->least_distortion = isfinite(noise) ? fmin(f->least_distortion, fmax(now, noise)) : f->least_distortion;
    f->accepted_sigma_db = f->check == LTP_CHECK_QUIET ? f->accepted_sigma_db : f->loss_sigma_db;
    learn_gain(f, f->check == LTP_CHECK_QUIET || is_lost); /* lost without a trace: the quieter bursts were disturbed */
    return LT_OK;
}

/* A slow sweep stays in a band long enough to show the band's full level: energy / time that the burst spent there. */
static double loudest_spl_db(const lt_level_finder *f)
{
    const double time_s = LTP_BURST_S * log(pow(10.0, 0.1)) / log(LTP_BURST_TO_HZ / LTP_BURST_FROM_HZ);
    double most = 0.0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        most = fmax(most, f->signal[i]);
    return lt_dbfs_from_mean_square(most / time_s) + f->cal_db;
}

static void lower(lt_level_finder *f, double by_db)
{
    const double down_db = fmin(by_db, fmax(f->level_dbfs - lowest_dbfs, 0.0));
    f->level_dbfs -= down_db;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->signal[i] *= lt_power_from_db(-down_db);
}

static void step_back(lt_level_finder *f, lt_level_end end)
{
    f->end = end;
    if (f->bursts < 2) {
        lower(f, end == LT_LEVEL_AMPLIFIER ? 2.0 * step_db : 0.0);
        return;
    }
    f->level_dbfs = f->before_dbfs;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->signal[i] = f->before[i];
    if (end != LT_LEVEL_AMPLIFIER || f->accepted_sigma_db < loss_known_db)
        return;
    const double at_before_db =
        f->loss_sigma_db < loss_large_db ? f->loss_db / (loss_grows - 1.0) : loss_of_third_db * sqrt(f->distortion);
    for (double loss = at_before_db; loss > loss_most_db; loss /= loss_grows)
        lower(f, step_db);
}

/* A truck that passed during one of the two bursts looks like an amplifier that clips: both once more. */
static void check_again(lt_level_finder *f)
{
    f->check = LTP_CHECK_QUIET;
    f->suspect_dbfs = f->level_dbfs;
    f->level_dbfs = f->before_dbfs;
}

/* The quieter one is heard again; now the louder one. */
static void back_to_suspect(lt_level_finder *f)
{
    f->check = LTP_CHECK_LOUD;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->before[i] = f->signal[i];
    f->level_dbfs = f->suspect_dbfs;
}

static void go_on(lt_level_finder *f, double peak_db)
{
    f->check = LTP_CHECK_NONE;
    const double to_capture = capture_dbfs - peak_db, to_highest = f->highest_dbfs - f->level_dbfs;
    const double to_spl = lt_is_known(f->cal_db) ? f->max_spl_db - loudest_spl_db(f) : HUGE_VAL;
    const double step = fmin(fmin(step_db, to_highest), fmin(to_capture, to_spl));
    if (step < least_step_db) {
        f->end = to_highest <= step ? LT_LEVEL_HIGHEST : to_spl <= step ? LT_LEVEL_SPL : LT_LEVEL_CAPTURE;
        return;
    }
    f->before_dbfs = f->level_dbfs;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->before[i] = f->signal[i];
    f->level_dbfs += step;
}

lt_status lt_level_finder_push(lt_level_finder *f, const lt_signal *back, lt_error *err)
{
    const double seconds = (double)back->count / back->rate_hz;
    if (f->end != LT_LEVEL_GO_ON)
        return ltp_fail(err, LT_E_STATE, "level finding has ended already");
    lt_status st = ltp_band_energies(back, f->signal, err);
    if (st != LT_OK)
        return st;
    f->bursts++;
    f->burst_s = seconds;
    f->heard_bands = 0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const double noise = f->noise[i] * seconds;
        f->heard_bands += f->signal[i] > seen_ratio * noise;
        /* What does not stand above the noise may be nothing at all: no promise of a signal. */
        f->signal[i] = f->signal[i] > seen_ratio * noise ? f->signal[i] - noise : 0.01 * noise;
    }
    const double peak_db = lt_db_from_amplitude(lt_signal_peak(back));
    int band = 0;
    bool clips = false;
    if (peak_db <= capture_dbfs + 0.5)
        st = look_at_amplifier(f, back, &clips, err);
    if (st != LT_OK)
        return st;
    if (peak_db > capture_dbfs + 0.5)
        step_back(f, LT_LEVEL_CAPTURE);
    else if (f->check == LTP_CHECK_QUIET)
        back_to_suspect(f);
    else if (clips && f->check == LTP_CHECK_NONE && f->bursts > 1)
        check_again(f);
    else if (clips)
        step_back(f, LT_LEVEL_AMPLIFIER);
    else if (worst_snr_db(f, &band) + lt_db_from_power(sweep_gain(LONG_S)) >= LT_PLAN_SNR_DB + reserve_db)
        f->end = LT_LEVEL_ENOUGH;
    else
        go_on(f, peak_db);
    return LT_OK;
}

/* ---- the plan ---- */

void lt_plan_make(const lt_level_finder *f, lt_plan *out)
{
    int band = 0;
    const double burst_db = worst_snr_db(f, &band);
    /* 1 dB more than wanted, for the noise is never the same twice. */
    const double needed_s = lt_power_from_db(LT_PLAN_SNR_DB + 1.0 - burst_db) / sweep_gain(1.0);
    *out = (lt_plan){.seconds = needed_s <= SHORT_S ? SHORT_S : LONG_S, .sweeps = 1, .enough = true};
    if (needed_s > LONG_S) {
        out->enough = needed_s <= LONG_S * LT_PLAN_SWEEPS_MAX;
        out->sweeps = out->enough ? (unsigned)ceil(needed_s / LONG_S) : LT_PLAN_SWEEPS_MAX;
    }
    out->hz = lt_third_octave(LT_THIRD_SPEECH_FIRST + band).nominal_hz;
    out->snr_db = burst_db + lt_db_from_power(sweep_gain(out->seconds * out->sweeps));
    out->total_s = out->sweeps * (out->seconds + 1.0) + AROUND_S;
}
