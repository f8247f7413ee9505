/* SPDX-License-Identifier: MIT
 * From an impulse response to levels, signal-to-noise ratios, delay, polarity, decay and arrivals. */
#include "response/evaluate.h"
#include "base/alloc.h"
#include "response/ir.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double band_tolerance = 1.005; /* a band may reach out of the stimulus by this */
static const double low_snr_db = 10.0;
static const double arrival_s = 0.005;
static const double clear_of_noise = 10.0; /* peak re the noise's RMS */
static const double certain = 2.5;         /* of the noise: a band that is no louder may hold nothing else */
static const double smooth = 1.122462;     /* 2^(1/6) */
/* A band of few independent values (bandwidth x length of the response) has a level that scatters more. The ratio is
 * lowered where they are fewer than this, so that 20 dB means the same everywhere: 2.5 standard deviations of the
 * level, 10.9 sqrt(10^(-snr/10) / values) dB, are then 0.2 dB. */
static const double values_wanted = 185.0;

static double snr_of(double power, double noise, double bandwidth_hz, double seconds)
{
    const double signal = fmax(power - noise, 1e-3 * noise);
    const double values = fmax(bandwidth_hz * seconds, 1.0);
    return lt_db_from_power(signal / noise) - fmax(lt_db_from_power(values_wanted / values), 0.0);
}

/* The noise adds its power to the level; it is taken off as far as it is known. */
static double level_of(double power, double noise)
{
    return lt_db_from_power(fmax(power - noise, 0.1 * power));
}

static double grid_mean(const double *noise, size_t grid_count, double lower_hz, double upper_hz)
{
    double sum = 0.0;
    double width = 0.0;
    for (size_t i = ltp_grid_index(lower_hz, grid_count); i <= ltp_grid_index(upper_hz, grid_count); i++) {
        const lt_band b = ltp_grid_band(i);
        const double share_hz = fmax(fmin(b.upper_hz, upper_hz) - fmax(b.lower_hz, lower_hz), 0.0);
        sum += noise[i] * share_hz;
        width += share_hz;
    }
    return width > 0.0 ? sum / width : noise[ltp_grid_index(upper_hz, grid_count)];
}

static void fill_bands(lt_response *r, const double *power, size_t bins, const double *noise)
{
    const double bin_hz = 0.5 * r->rate_hz / (double)(bins - 1);
    const double seconds = (double)r->ir->count / r->rate_hz;
    const size_t grid_count = ltp_grid_count(r->rate_hz);
    for (int i = LT_THIRD_50_HZ; i <= LT_THIRD_16_KHZ; i++) {
        const lt_band b = lt_third_octave(i);
        if (b.lower_hz * band_tolerance < r->from_hz || b.upper_hz > r->to_hz * band_tolerance ||
            b.upper_hz >= 0.5 * r->rate_hz)
            continue;
        const double p = ltp_band_mean(power, bins, bin_hz, b.lower_hz, b.upper_hz);
        const double n = noise == NULL ? 0.0 : grid_mean(noise, grid_count, b.lower_hz, b.upper_hz);
        r->bands[r->band_count++] =
            (lt_response_band){.band = b,
                               .level_db = level_of(p, n),
                               .snr_db = noise == NULL ? (double)NAN : snr_of(p, n, b.upper_hz - b.lower_hz, seconds),
                               .thd_percent = NAN};
    }
    double signal_sum = 0.0;
    double noise_sum = 0.0;
    for (size_t i = 0; i < grid_count && r->point_count < LT_RESPONSE_POINTS_MAX; i++) {
        const lt_band b = ltp_grid_band(i);
        if (b.lower_hz * band_tolerance < r->from_hz || b.upper_hz > r->to_hz * band_tolerance)
            continue;
        const double p = ltp_band_mean(power, bins, bin_hz, b.lower_hz, b.upper_hz);
        const double n = noise == NULL ? 0.0 : noise[i];
        const double snr_db = noise == NULL ? (double)NAN : snr_of(p, n, b.upper_hz - b.lower_hz, seconds);
        r->points[r->point_count++] = (lt_response_point){b.exact_hz, level_of(p, n), snr_db};
        signal_sum += fmax(p - n, 0.0);
        noise_sum += n;
    }
    r->snr_db = noise == NULL ? (double)NAN : lt_db_from_power(signal_sum / noise_sum);
}

static void note_low_snr(lt_response *r)
{
    char list[200] = "";
    size_t used = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        if (!(r->bands[i].snr_db < low_snr_db))
            continue;
        const int n =
            snprintf(list + used, sizeof list - used, "%s%g", used > 0 ? ", " : "", r->bands[i].band.nominal_hz);
        if (n < 0 || (size_t)n >= sizeof list - used)
            break;
        used += (size_t)n;
    }
    if (used > 0)
        lt_notes_add(&r->notes, "low-snr", "noise is less than 10 dB below the response at %s Hz", list);
}

/* Moving mean over two thirds of an octave: a gap with steep edges would ring. */
static void soften(double *gain, size_t count)
{
    enum { REACH = LTP_GRID_FRACTION / 3 };
    double sharp[LTP_GRID_MAX];
    memcpy(sharp, gain, count * sizeof *sharp);
    for (size_t g = 0; g < count; g++) {
        const size_t first = g > REACH ? g - REACH : 0;
        const size_t end = g + REACH < count ? g + REACH + 1 : count;
        double sum = 0.0;
        for (size_t o = first; o < end; o++)
            sum += sharp[o];
        gain[g] = fmin(sum / (double)(end - first), sharp[g]);
    }
}

/* Takes out what is mostly noise: zero-phase gain S / (S + N) with the noise that a few milliseconds of h hold, since
 * an arrival is no longer than that. Where the response stands out nothing changes. */
static void subdue_noise(const lt_ir *ir, const double *noise, double share, ltp_view *v, lt_complex *spectrum,
                         double *h)
{
    const size_t grid_count = ltp_grid_count(ir->rate_hz);
    const double bin_hz = ir->rate_hz / (double)v->n;
    for (size_t i = 0; i < v->bins; i++)
        h[i] = lt_complex_power(spectrum[i]);
    double gain[LTP_GRID_MAX];
    double sum = 0.0;
    for (size_t g = 0; g < grid_count; g++) {
        const lt_band b = ltp_grid_band(g);
        const double p = ltp_band_mean(h, v->bins, bin_hz, b.exact_hz / smooth, b.exact_hz * smooth);
        const double signal = fmax(p - certain * noise[g], 0.0);
        gain[g] = signal > 0.0 ? signal / (signal + share * noise[g]) : 0.0;
    }
    soften(gain, grid_count);
    for (size_t g = 0; g < grid_count; g++) {
        const lt_band b = ltp_grid_band(g);
        if (b.exact_hz >= ir->from_hz && b.exact_hz <= ir->to_hz)
            sum += gain[g] * gain[g] * noise[g] * (b.upper_hz - b.lower_hz);
    }
    ltp_grid_walk walk = {.count = grid_count};
    for (size_t i = 0; i < v->bins; i++) {
        const double a = gain[ltp_grid_step(&walk, (double)i * bin_hz)];
        spectrum[i] = (lt_complex){a * spectrum[i].re, a * spectrum[i].im};
    }
    lt_rfft_inverse(v->fft, spectrum, h);
    v->quiet_rms = sqrt(2.0 * sum / ir->rate_hz / (double)ir->count); /* Parseval */
}

static bool stands_out(const ltp_view *v)
{
    double top = 0.0;
    for (size_t i = 0; i < v->count; i++)
        top = fmax(top, fabs(v->h[i]));
    return top > clear_of_noise * v->quiet_rms;
}

/* noise NULL = not known. */
static lt_status view_of(const lt_ir *ir, const double *noise, ltp_view *v, lt_complex **spectrum, double **h,
                         lt_error *err)
{
    /* Twice the length: filters that ring may not run round into the start. */
    const size_t n = lt_rfft_good_size(2 * ir->count + 64);
    *v = (ltp_view){.n = n,
                    .bins = n / 2 + 1,
                    .rate_hz = ir->rate_hz,
                    .from_hz = ir->from_hz,
                    .to_hz = ir->to_hz,
                    .count = ir->count};
    const lt_status st = lt_rfft_create(n, &v->fft, err);
    if (st != LT_OK)
        return st;
    *spectrum = ltp_alloc(v->bins, sizeof **spectrum);
    *h = ltp_alloc(n, sizeof **h);
    if (*spectrum == NULL || *h == NULL)
        return ltp_fail_nomem(err, "a response");
    memcpy(*h, ir->samples, ir->count * sizeof **h);
    lt_rfft_forward_padded(v->fft, ir->samples, ir->count, *spectrum);
    v->spectrum = *spectrum;
    v->h = *h;
    /* An arrival lasts a few milliseconds and competes with the noise in those only; where that does not bring it out,
     * more and more of the noisy frequencies have to go. */
    double share = fmin(arrival_s * ir->rate_hz / (double)ir->count, 1.0);
    for (int round = 0; noise != NULL && round < 3; round++, share = fmin(12.0 * share, 1.0)) {
        subdue_noise(ir, noise, share, v, *spectrum, *h);
        if (stands_out(v))
            break;
    }
    return LT_OK;
}

static lt_status evaluate_view(lt_response *r, const ltp_view *v, lt_error *err)
{
    ltp_direct d;
    bool found = false;
    bool together = true;
    double apart_ms = 0.0;
    lt_status st = ltp_bands_agree(v, r->bands, r->band_count, &together, &apart_ms, err);
    if (st == LT_OK)
        st = ltp_direct_find(v, &d, &found, err);
    if (st != LT_OK)
        return st;
    if (!together)
        return ltp_fail(err, LT_E_SNR,
                        "this is a recording of another stimulus: low and high frequencies lie %.0f ms apart; give the "
                        "file that was played",
                        apart_ms);
    if (!found)
        return ltp_fail(err, LT_E_SNR, "the impulse response is silent; nothing can be read from it");
    r->delay_ms = (d.at - (double)r->ir->origin_frames) / r->rate_hz * 1e3;
    r->polarity = d.polarity;
    st = ltp_arrivals_find(v, &d, r->arrivals, &r->arrival_count, err);
    if (st == LT_OK)
        st = ltp_decay_measure(v, &d, &r->edt_s, &r->t20_s, &r->c50_db, err);
    return st;
}

lt_status ltp_evaluate(lt_response *r, const double *noise, lt_error *err)
{
    double *power = NULL;
    size_t bins = 0;
    lt_status st = ltp_power_spectrum(r->ir->samples, r->ir->count, r->rate_hz, &power, &bins, err);
    if (st != LT_OK)
        return st;
    fill_bands(r, power, bins, noise);
    note_low_snr(r);
    ltp_free(power);
    ltp_view v = {0};
    lt_complex *spectrum = NULL;
    double *h = NULL;
    st = view_of(r->ir, noise, &v, &spectrum, &h, err);
    if (st == LT_OK)
        st = evaluate_view(r, &v, err);
    lt_rfft_free(v.fft);
    ltp_free(spectrum);
    ltp_free(h);
    return st;
}

lt_status lt_response_from_ir(const lt_ir *ir, lt_response **out, lt_error *err)
{
    *out = NULL;
    lt_response *r = ltp_alloc(1, sizeof *r);
    if (r == NULL)
        return ltp_fail_nomem(err, "a response");
    const lt_signal s = {ir->samples, ir->count, ir->rate_hz};
    lt_status st = LT_OK;
    if (!isfinite(lt_signal_peak(&s)))
        st = ltp_fail(err, LT_E_ARG, "the impulse response holds samples that are no numbers");
    if (st == LT_OK)
        st = lt_ir_from_signal(&s, &r->ir, err);
    if (st == LT_OK) {
        r->ir->origin_frames = ir->origin_frames;
        r->ir->from_hz = r->from_hz = ir->from_hz;
        r->ir->to_hz = r->to_hz = ir->to_hz;
        r->rate_hz = ir->rate_hz;
        r->drift_ppm = NAN;
        r->repeats = 1;
        st = ltp_evaluate(r, NULL, err);
    }
    if (st == LT_OK)
        *out = r;
    else
        lt_response_free(r);
    return st;
}

void lt_response_free(lt_response *r)
{
    if (r == NULL)
        return;
    lt_ir_free(r->ir);
    ltp_free(r);
}

double lt_response_band_level(const lt_response *r, int index)
{
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.index == index)
            return r->bands[i].level_db;
    return NAN;
}
