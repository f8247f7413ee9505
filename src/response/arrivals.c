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
static const double rise = 1.5; /* amplitude re the lowest point shortly before */
static const double rise_within_s = 0.002;
static const double ringing_at_0_db = -20.0; /* what a loudspeaker's ringing may hold after an arrival (ours) */
static const double ringing_db_per_ms = 1.25;
enum { CANDIDATES_MAX = 512 };
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

typedef struct {
    double at, height; /* frames, envelope */
} candidate;

/* A parabola through three points about the local peak i. */
static candidate peak_at(const double *e, size_t i)
{
    const double bend = e[i - 1] - 2.0 * e[i] + e[i + 1];
    const double shift = bend < 0.0 ? 0.5 * (e[i - 1] - e[i + 1]) / bend : 0.0;
    return (candidate){(double)i + shift, e[i] - 0.25 * (e[i - 1] - e[i + 1]) * shift};
}

/* Local peaks of the envelope after the direct one that rise out of what lies shortly before them: a decaying ringing
 * does not. */
static size_t find_candidates(const ltp_view *v, const double *e, size_t direct, double least, candidate *out)
{
    const size_t reach = (size_t)(rise_within_s * v->rate_hz);
    size_t n = 0;
    for (size_t i = direct + 1; i + 1 < v->count && n < CANDIDATES_MAX; i++) {
        if (!(e[i] > e[i - 1] && e[i] >= e[i + 1]) || e[i] < least)
            continue;
        double valley = e[i];
        for (size_t k = i > direct + reach ? i - reach : direct; k < i; k++)
            valley = fmin(valley, e[k]);
        if (e[i] < rise * valley)
            continue;
        out[n++] = peak_at(e, i);
    }
    return n;
}

/* True if c stands clear of an arrival that is already accepted, and of its side lobes. */
static bool is_clear_of(const ltp_view *v, const whitened *w, candidate c, candidate accepted)
{
    const double frames = fabs(c.at - accepted.at);
    const size_t away = (size_t)frames;
    const double ringing_db =
        c.at > accepted.at ? ringing_at_0_db - ringing_db_per_ms * 1e3 * frames / v->rate_hz : -200.0;
    return frames >= apart_s * v->rate_hz && away <= v->n / 2 &&
           c.height >= over_side_lobe * accepted.height * w->lobe[away] &&
           c.height >= accepted.height * lt_amplitude_from_db(ringing_db);
}

/* The strongest first, as long as each is clear of all stronger ones. */
static size_t accept_candidates(const ltp_view *v, const whitened *w, candidate direct, candidate *c, size_t count,
                                candidate *accepted)
{
    accepted[0] = direct;
    size_t n = 1;
    while (n <= LT_ARRIVALS_MAX) {
        size_t best = 0;
        for (size_t i = 1; i < count; i++)
            if (c[i].height > c[best].height)
                best = i;
        if (count == 0 || !(c[best].height > 0.0))
            break;
        bool clear = true;
        for (size_t k = 0; k < n && clear; k++)
            clear = is_clear_of(v, w, c[best], accepted[k]);
        if (clear)
            accepted[n++] = c[best];
        c[best].height = 0.0;
    }
    return n - 1;
}

static lt_status pick(const ltp_view *v, const whitened *w, const ltp_direct *d, lt_arrival *out, size_t *count,
                      lt_error *err)
{
    const double *e = w->re;
    const size_t near = (size_t)(0.0003 * v->rate_hz);
    const size_t guess = (size_t)fmax(d->at + 0.5, 0.0);
    size_t top = guess;
    for (size_t i = guess > near ? guess - near : 0; i < guess + near && i < v->count; i++)
        if (e[i] > e[top])
            top = i;
    candidate *c = ltp_alloc(CANDIDATES_MAX, sizeof *c);
    candidate *accepted = ltp_alloc(LT_ARRIVALS_MAX + 1, sizeof *accepted);
    const bool ok = c != NULL && accepted != NULL;
    if (ok && top > 0 && top + 1 < v->count) {
        const candidate direct = peak_at(e, top);
        const double least =
            fmax(direct.height * lt_amplitude_from_db(least_db), over_noise * v->quiet_rms * w->noise_gain);
        const size_t found = find_candidates(v, e, top, least, c);
        *count = accept_candidates(v, w, direct, c, found, accepted);
        for (size_t i = 0; i < *count; i++) {
            const lt_arrival a = {.delay_ms = (accepted[i + 1].at - direct.at) / v->rate_hz * 1e3,
                                  .level_db = lt_db_from_amplitude(accepted[i + 1].height / direct.height)};
            size_t k = i;
            for (; k > 0 && out[k - 1].delay_ms > a.delay_ms; k--) /* by delay */
                out[k] = out[k - 1];
            out[k] = a;
        }
    }
    ltp_free(c);
    ltp_free(accepted);
    return ok ? LT_OK : ltp_fail_nomem(err, "the arrivals");
}

lt_status ltp_arrivals_find(const ltp_view *v, const ltp_direct *d, lt_arrival *out, size_t *count, lt_error *err)
{
    *count = 0;
    whitened w = {0};
    bool ok = false;
    lt_status st = whiten(v, &w, &ok, err);
    if (st == LT_OK && ok)
        st = pick(v, &w, d, out, count, err);
    whitened_clear(&w);
    return st;
}
