/* SPDX-License-Identifier: MIT
 * Level finding by short bursts, and the sweeps that the noise demands. Levels in dBFS peak of what is played. */
#include <lanetune/response.h>

#include "base/alloc.h"

#include <math.h>

/* Ours: quiet enough for ears in front of any speaker; steps that twice the power of the noise cannot hide. */
static const double first_dbfs = -50.0, step_db = 6.0, least_step_db = 1.0, capture_dbfs = -3.0;
static const double grows_part = 0.7, seen_ratio = 3.0, growth_snr_db = 10.0, reserve_db = 5.0;
#define BURST_S 0.3
#define BURST_FROM_HZ 100.0
#define BURST_TO_HZ 10000.0
#define WINDOW_S 0.65 /* of lt_response_default_options(): the noise in it counts against the response */
#define LONG_S 10.0
#define SHORT_S 5.0
#define AROUND_S 3.5 /* lead, markers, gaps and tail */

const char *lt_level_end_name(lt_level_end e)
{
    static const char *const names[LT_LEVEL_END_COUNT] = {"go-on", "enough", "capture", "amplifier", "spl", "highest"};
    return (unsigned)e < LT_LEVEL_END_COUNT ? names[e] : "";
}

/* Energy per speech band, mean square x seconds. */
static lt_status band_energies(const lt_signal *s, double energy[LT_SPEECH_BANDS], lt_error *err)
{
    const size_t n = lt_rfft_good_size(s->count);
    lt_rfft *fft = NULL;
    lt_complex *x = ltp_alloc(n / 2 + 1, sizeof *x);
    lt_status st = x == NULL ? ltp_fail_nomem(err, "level finding") : lt_rfft_create(n, &fft, err);
    if (st == LT_OK) {
        lt_rfft_forward_padded(fft, s->samples, s->count, x);
        for (int i = 0; i < LT_SPEECH_BANDS; i++) {
            const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
            double sum = 0.0;
            const size_t last = (size_t)fmin(ceil(b.upper_hz * (double)n / s->rate_hz), (double)(n / 2));
            for (size_t k = (size_t)ceil(b.lower_hz * (double)n / s->rate_hz); k < last; k++)
                sum += lt_complex_power(x[k]);
            energy[i] = 2.0 * sum / ((double)n * s->rate_hz); /* Parseval, both sides of the spectrum */
        }
    }
    ltp_free(x);
    lt_rfft_free(fft);
    return st;
}

lt_status lt_level_finder_start(lt_level_finder *f, const lt_signal *silence, lt_error *err)
{
    const double seconds = (double)silence->count / silence->rate_hz;
    if (!(seconds >= 0.5))
        return ltp_fail(err, LT_E_ARG, "%.2f s of silence; level finding needs 0.5 s", seconds);
    f->end = LT_LEVEL_GO_ON;
    f->bursts = 0;
    f->level_dbfs = fmin(first_dbfs, f->highest_dbfs);
    const lt_status st = band_energies(silence, f->noise, err);
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->noise[i] = fmax(f->noise[i] / seconds, 1e-20); /* a digital silence is still no division by zero */
    return st;
}

lt_status lt_level_burst(double rate_hz, double peak_dbfs, lt_signal **out, lt_error *err)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.rate_hz = rate_hz;
    o.from_hz = BURST_FROM_HZ;
    o.to_hz = fmin(BURST_TO_HZ, floor(0.45 * rate_hz));
    o.seconds = BURST_S;
    o.peak_dbfs = peak_dbfs;
    o.lead_s = 0.05;
    o.tail_s = 0.0;
    o.gap_s = 0.1;
    o.markers = false;
    return lt_sweep_create(&o, out, err);
}

/* ---- what a burst tells ---- */

/* SNR that the response of one burst would have in a band. */
static double burst_snr_db(const lt_level_finder *f, int i)
{
    return lt_db_from_power(f->signal[i] / (f->noise[i] * WINDOW_S));
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

/* By how much the return grew since the burst before, over the bands that stand well above the noise in both, dB. */
static double growth_db(const lt_level_finder *f)
{
    double now = 0.0, before = 0.0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        if (lt_db_from_power(f->before[i] / (f->noise[i] * WINDOW_S)) > growth_snr_db) {
            now += f->signal[i];
            before += f->before[i];
        }
    return before > 0.0 ? lt_db_from_power(now / before) : (double)NAN;
}

/* A slow sweep stays in a band long enough to show the band's full level: energy / time that the burst spent there. */
static double loudest_spl_db(const lt_level_finder *f)
{
    const double time_s = BURST_S * log(pow(10.0, 0.1)) / log(BURST_TO_HZ / BURST_FROM_HZ);
    double most = 0.0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        most = fmax(most, f->signal[i]);
    return lt_dbfs_from_mean_square(most / time_s) + f->cal_db;
}

static void step_back(lt_level_finder *f, lt_level_end end)
{
    f->end = end;
    if (f->bursts < 2)
        return;
    f->level_dbfs = f->before_dbfs;
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        f->signal[i] = f->before[i];
}

static void go_on(lt_level_finder *f, double peak_db)
{
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
    lt_status st = band_energies(back, f->signal, err);
    if (st != LT_OK)
        return st;
    f->bursts++;
    f->heard_bands = 0;
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const double noise = f->noise[i] * seconds;
        f->heard_bands += f->signal[i] > seen_ratio * noise;
        /* What does not stand above the noise may be nothing at all: no promise of a signal. */
        f->signal[i] = f->signal[i] > seen_ratio * noise ? f->signal[i] - noise : 0.01 * noise;
    }
    const double peak_db = lt_db_from_amplitude(lt_signal_peak(back));
    int band = 0;
    const double asked_db = f->level_dbfs - f->before_dbfs;
    if (peak_db > capture_dbfs + 0.5)
        step_back(f, LT_LEVEL_CAPTURE);
    else if (f->bursts > 1 && growth_db(f) < grows_part * asked_db) /* false for NaN */
        step_back(f, LT_LEVEL_AMPLIFIER);
    else if (worst_snr_db(f, &band) + lt_db_from_power(LONG_S / BURST_S) >= LT_PLAN_SNR_DB + reserve_db)
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
    const double needed_s = BURST_S * lt_power_from_db(LT_PLAN_SNR_DB + 1.0 - burst_db);
    *out = (lt_plan){.seconds = needed_s <= SHORT_S ? SHORT_S : LONG_S, .sweeps = 1, .enough = true};
    if (needed_s > LONG_S) {
        out->enough = needed_s <= LONG_S * LT_PLAN_SWEEPS_MAX;
        out->sweeps = out->enough ? (unsigned)ceil(needed_s / LONG_S) : LT_PLAN_SWEEPS_MAX;
    }
    out->hz = lt_third_octave(LT_THIRD_SPEECH_FIRST + band).nominal_hz;
    out->snr_db = burst_db + lt_db_from_power(out->seconds * out->sweeps / BURST_S);
    out->total_s = out->sweeps * (out->seconds + 1.0) + AROUND_S;
}
