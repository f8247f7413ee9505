/* SPDX-License-Identifier: MIT
 * Later arrivals: reflections of the direct sound.
 * The loudspeaker's own response is taken out first: its smoothed magnitude as a minimum-phase response is divided
 * away, and what is left is limited to a band with soft edges, so that each arrival is a short pulse. A peak of the
 * envelope counts if it stands out of the noise, of the side lobes of the pulses before it and of a ringing that
 * decays: the envelope must rise to it. */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

static const double least_db = -30.0; /* re the direct arrival */
static const double apart_s = 0.0005;
static const double band_low_hz = 500.0; /* where reflections are told apart; the room below is slow */
static const double band_high_hz = 12000.0;
static const double usable_db = -24.0; /* of the smoothed response re its top */
static const double over_noise = 4.0;  /* amplitude, envelope re the noise's RMS */
static const double over_side_lobe = 2.0;
static const double rise = 1.5;    /* amplitude re the lowest point since the arrival before */
static const double smooth = 1.26; /* half width of the smoothing: 2/3 octave in all */

typedef struct {
    lt_complex *spectrum; /* [bins] */
    double *re, *im;      /* [n] analytic signal, whitened */
    double *lobe;         /* [n] envelope of the pulse itself, falling bound, re its peak */
    double low_hz, high_hz;
    double noise_gain; /* RMS of white noise of RMS 1 in h after whitening */
} whitened;

static void whitened_clear(whitened *w)
{
    ltp_free(w->spectrum);
    ltp_free(w->re);
    ltp_free(w->im);
    ltp_free(w->lobe);
}

/* Smoothed log magnitude on the grid, and the part of it that is strong enough. */
static bool smooth_magnitude(const ltp_view *v, const double *power, double *log_magnitude, whitened *w)
{
    const double bin_hz = v->rate_hz / (double)v->n;
    const size_t grid_count = ltp_grid_count(v->rate_hz);
    const double from = fmax(v->from_hz, band_low_hz);
    const double to = fmin(v->to_hz, band_high_hz);
    double top = 0.0;
    for (size_t i = 0; i < grid_count; i++) {
        const double hz = ltp_grid_band(i).exact_hz;
        const double p = ltp_band_mean(power, v->bins, bin_hz, hz / smooth, hz * smooth);
        log_magnitude[i] = 0.5 * log(p + 1e-300);
        if (hz >= from && hz <= to)
            top = fmax(top, p);
    }
    w->low_hz = to;
    w->high_hz = from;
    for (size_t i = 0; i < grid_count; i++) {
        const double hz = ltp_grid_band(i).exact_hz;
        const bool strong = 2.0 * log_magnitude[i] > log(top + 1e-300) + usable_db / 10.0 * log(10.0);
        if (hz < from || hz > to || !strong)
            continue;
        w->low_hz = fmin(w->low_hz, hz);
        w->high_hz = fmax(w->high_hz, hz);
    }
    return w->high_hz > 2.0 * w->low_hz;
}

/* Minimum phase of a log magnitude: its cepstrum folded to positive times. c[n] scratch. out[bins] = log H. */
static void minimum_phase(const ltp_view *v, const double *log_magnitude, size_t grid_count, double *c, lt_complex *out)
{
    ltp_grid_walk walk = {.count = grid_count};
    for (size_t i = 0; i < v->bins; i++)
        out[i] = (lt_complex){log_magnitude[ltp_grid_step(&walk, (double)i * v->rate_hz / (double)v->n)], 0.0};
    lt_rfft_inverse(v->fft, out, c);
    for (size_t i = 1; i < v->n / 2; i++)
        c[i] *= 2.0;
    for (size_t i = v->n / 2 + 1; i < v->n; i++)
        c[i] = 0.0;
    lt_rfft_forward(v->fft, c, out);
}

/* Soft band on a logarithmic axis, 1 in the middle, 0 at both ends. */
static double pulse_gain(const whitened *w, double hz)
{
    if (hz <= w->low_hz || hz >= w->high_hz)
        return 0.0;
    const double x = log(hz / w->low_hz) / log(w->high_hz / w->low_hz);
    return lt_fade(2.5 * x) * lt_fade(2.5 * (1.0 - x));
}

/* Analytic signal of a one-sided spectrum: real and imaginary part by two inverse transforms. */
static void to_time(const ltp_view *v, lt_complex *x, double *re, double *im)
{
    lt_rfft_inverse(v->fft, x, re);
    for (size_t i = 0; i < v->bins; i++)
        x[i] = (lt_complex){x[i].im, -x[i].re};
    lt_rfft_inverse(v->fft, x, im);
}

static void bound_lobe(const ltp_view *v, whitened *w)
{
    for (size_t i = 0; i < v->bins; i++)
        w->spectrum[i] = (lt_complex){pulse_gain(w, (double)i * v->rate_hz / (double)v->n), 0.0};
    to_time(v, w->spectrum, w->lobe, w->im);
    double top = 0.0;
    for (size_t i = 0; i < v->n; i++)
        w->lobe[i] = hypot(w->lobe[i], w->im[i]);
    top = w->lobe[0] > 0.0 ? w->lobe[0] : 1.0;
    double most = 0.0;
    for (size_t i = v->n / 2 + 1; i-- > 0;) {
        most = fmax(most, w->lobe[i] / top);
        w->lobe[i] = most;
    }
}

static lt_status whiten(const ltp_view *v, whitened *w, bool *ok, lt_error *err)
{
    *ok = false;
    w->spectrum = ltp_alloc(v->bins, sizeof *w->spectrum);
    w->re = ltp_alloc(v->n, sizeof *w->re);
    w->im = ltp_alloc(v->n, sizeof *w->im);
    w->lobe = ltp_alloc(v->n, sizeof *w->lobe);
    if (w->spectrum == NULL || w->re == NULL || w->im == NULL || w->lobe == NULL)
        return ltp_fail_nomem(err, "the arrivals");
    for (size_t i = 0; i < v->bins; i++)
        w->re[i] = lt_complex_power(v->spectrum[i]);
    double log_magnitude[LTP_GRID_MAX];
    if (!smooth_magnitude(v, w->re, log_magnitude, w))
        return LT_OK;
    bound_lobe(v, w);
    const size_t grid_count = ltp_grid_count(v->rate_hz);
    const double deepest = log_magnitude[ltp_grid_index(w->low_hz, grid_count)] - 12.0;
    for (size_t i = 0; i < grid_count; i++)
        log_magnitude[i] = fmax(log_magnitude[i], deepest);
    minimum_phase(v, log_magnitude, grid_count, w->re, w->spectrum);
    double energy = 0.0;
    for (size_t i = 0; i < v->bins; i++) {
        const double gain = pulse_gain(w, (double)i * v->rate_hz / (double)v->n) * exp(-w->spectrum[i].re);
        const double phase = -w->spectrum[i].im;
        energy += gain * gain;
        w->spectrum[i] = ltp_product(v->spectrum[i], (lt_complex){gain * cos(phase), gain * sin(phase)});
    }
    w->noise_gain = sqrt(energy / (double)(v->bins - 1));
    to_time(v, w->spectrum, w->re, w->im);
    for (size_t i = 0; i < v->n; i++)
        w->re[i] = hypot(w->re[i], w->im[i]);
    *ok = true;
    return LT_OK;
}

/* Side lobes of all arrivals so far, at sample i. */
static double side_lobes(const whitened *w, size_t direct, double direct_level, const lt_arrival *a, size_t count,
                         double rate_hz, size_t i)
{
    double sum = direct_level * w->lobe[i - direct];
    for (size_t k = 0; k < count; k++) {
        const size_t at = direct + (size_t)(a[k].delay_ms * 1e-3 * rate_hz);
        if (i > at)
            sum = fmax(sum, direct_level * lt_amplitude_from_db(a[k].level_db) * w->lobe[i - at]);
    }
    return sum;
}

static void add_arrival(lt_arrival *out, size_t *count, lt_arrival a)
{
    if (*count < LT_ARRIVALS_MAX) {
        out[(*count)++] = a;
        return;
    }
    size_t weakest = 0;
    for (size_t i = 1; i < *count; i++)
        if (out[i].level_db < out[weakest].level_db)
            weakest = i;
    if (a.level_db <= out[weakest].level_db)
        return;
    for (size_t i = weakest; i + 1 < *count; i++)
        out[i] = out[i + 1];
    out[*count - 1] = a;
}

static void pick(const ltp_view *v, const whitened *w, const ltp_direct *d, lt_arrival *out, size_t *count)
{
    const double *e = w->re;
    const size_t near = (size_t)(0.0003 * v->rate_hz);
    const size_t guess = (size_t)fmax(d->at + 0.5, 0.0);
    size_t direct = guess;
    for (size_t i = guess > near ? guess - near : 0; i < guess + near && i < v->count; i++)
        if (e[i] > e[direct])
            direct = i;
    const double level = e[direct];
    const double least = fmax(level * lt_amplitude_from_db(least_db), over_noise * v->quiet_rms * w->noise_gain);
    const size_t apart = (size_t)(apart_s * v->rate_hz);
    double valley = level;
    size_t last = direct;
    for (size_t i = direct + 1; i + 1 < v->count && level > 0.0; i++) {
        valley = fmin(valley, e[i]);
        if (!(e[i] > e[i - 1] && e[i] >= e[i + 1]) || i - last < apart || e[i] < least || e[i] < rise * valley)
            continue;
        if (e[i] < over_side_lobe * side_lobes(w, direct, level, out, *count, v->rate_hz, i))
            continue;
        const double bend = e[i - 1] - 2.0 * e[i] + e[i + 1];
        const double at = (double)i + (bend < 0.0 ? 0.5 * (e[i - 1] - e[i + 1]) / bend : 0.0);
        const lt_arrival a = {.delay_ms = (at - (double)direct) / v->rate_hz * 1e3,
                              .level_db = lt_db_from_amplitude(e[i] / level)};
        add_arrival(out, count, a);
        last = i;
        valley = e[i];
    }
}

lt_status ltp_arrivals_find(const ltp_view *v, const ltp_direct *d, lt_arrival *out, size_t *count, lt_error *err)
{
    *count = 0;
    whitened w = {0};
    bool ok = false;
    const lt_status st = whiten(v, &w, &ok, err);
    if (st == LT_OK && ok)
        pick(v, &w, d, out, count);
    whitened_clear(&w);
    return st;
}
