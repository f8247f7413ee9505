/* SPDX-License-Identifier: MIT
 * The direct arrival: the first one, which need not be the strongest, its place between samples and its polarity. */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

static const double early_least = 0.1;  /* an earlier arrival has at least this share of the strongest (-20 dB) */
static const double over_ringing = 2.5; /* ... and this much over what the strongest one's own ringing can be */
static const double over_noise = 6.0;   /* ... and over the noise's RMS */
static const double swing_least = 0.5;  /* of the peak: the first swing that counts for the polarity */
static const double smooth = 1.122462;  /* 2^(1/6) */
static const double rise_s = 1.5e-4; /* an arrival takes at most this, or 3/4 of a swing, from its start to its peak */
enum { TAPS = 24, STEPS = 16 };

/* Zero-phase response with the same smoothed magnitude, as a falling bound on its own ringing: bound[d] >= |g| at d
 * frames and more from the peak, re the peak. Whatever precedes a single arrival is below it. */
static lt_status ringing_bound(const ltp_view *v, double *bound, lt_error *err)
{
    lt_complex *g = ltp_alloc(v->bins, sizeof *g);
    double *power = ltp_alloc(v->bins, sizeof *power);
    if (g == NULL || power == NULL) {
        ltp_free(g);
        ltp_free(power);
        return ltp_fail_nomem(err, "the direct arrival");
    }
    const double bin_hz = v->rate_hz / (double)v->n;
    for (size_t i = 0; i < v->bins; i++)
        power[i] = lt_complex_power(v->spectrum[i]);
    const size_t grid_count = ltp_grid_count(v->rate_hz);
    double magnitude[LTP_GRID_MAX];
    for (size_t i = 0; i < grid_count; i++) {
        const double hz = ltp_grid_band(i).exact_hz;
        magnitude[i] = sqrt(ltp_band_mean(power, v->bins, bin_hz, hz / smooth, hz * smooth));
    }
    ltp_grid_walk walk = {.count = grid_count};
    for (size_t i = 0; i < v->bins; i++)
        g[i].re = magnitude[ltp_grid_step(&walk, (double)i * bin_hz)] *
                  ltp_band_limit(v->from_hz, v->to_hz, v->rate_hz, (double)i * bin_hz);
    lt_rfft_inverse(v->fft, g, bound);
    const double top = fabs(bound[0]) > 0.0 ? fabs(bound[0]) : 1.0;
    double most = 0.0;
    for (size_t d = v->n / 2 + 1; d-- > 0;) {
        most = fmax(most, fabs(bound[d]) / top);
        bound[d] = most;
    }
    ltp_free(g);
    ltp_free(power);
    return LT_OK;
}

/* Root of the power-weighted mean of f^2: one over it is about the time of one swing. */
static double effective_hz(const ltp_view *v)
{
    double num = 0.0;
    double den = 0.0;
    for (size_t i = 0; i < v->bins; i++) {
        const double p = lt_complex_power(v->spectrum[i]);
        num += p * (double)i * (double)i;
        den += p;
    }
    const double hz = den > 0.0 ? sqrt(num / den) * v->rate_hz / (double)v->n : 0.0;
    return fmax(hz, 20.0);
}

static size_t strongest(const double *h, size_t from, size_t to)
{
    size_t best = from;
    for (size_t i = from; i < to; i++)
        if (fabs(h[i]) > fabs(h[best]))
            best = i;
    return best;
}

/* h between samples by a windowed sinc. */
static double value_at(const ltp_view *v, double at)
{
    const ptrdiff_t middle = (ptrdiff_t)floor(at);
    double sum = 0.0;
    for (ptrdiff_t i = middle - TAPS + 1; i <= middle + TAPS; i++) {
        if (i < 0 || i >= (ptrdiff_t)v->count)
            continue;
        const double t = at - (double)i;
        const double sinc = fabs(t) < 1e-9 ? 1.0 : sin(LT_PI * t) / (LT_PI * t);
        sum += v->h[i] * sinc * lt_fade(1.0 - fabs(t) / (TAPS + 1.0));
    }
    return sum;
}

/* Peak of |h| about sample i: the best of STEPS points a sample, then a parabola. */
static double refine(const ltp_view *v, size_t i, double *peak)
{
    const double sign = v->h[i] < 0.0 ? -1.0 : 1.0;
    double best = (double)i;
    double top = sign * v->h[i];
    for (int k = -STEPS; k <= STEPS; k++) {
        const double at = (double)i + (double)k / STEPS;
        const double y = sign * value_at(v, at);
        if (y > top) {
            top = y;
            best = at;
        }
    }
    const double left = sign * value_at(v, best - 1.0 / STEPS);
    const double right = sign * value_at(v, best + 1.0 / STEPS);
    const double bend = left - 2.0 * top + right;
    *peak = top;
    return bend < 0.0 ? best + 0.5 * (left - right) / bend / STEPS : best;
}

/* Sign of the first swing of at least half the peak, within one period before it. */
static int first_swing(const ltp_view *v, size_t at, double period)
{
    const size_t reach = (size_t)ceil(period);
    const double least = swing_least * fabs(v->h[at]);
    for (size_t i = at > reach ? at - reach : 1; i < at; i++) {
        const double a = fabs(v->h[i]);
        if (i > 0 && a >= least && a >= fabs(v->h[i - 1]) && a > fabs(v->h[i + 1]))
            return v->h[i] > 0.0 ? 1 : -1;
    }
    return v->h[at] > 0.0 ? 1 : -1;
}

lt_status ltp_direct_find(const ltp_view *v, ltp_direct *out, bool *found, lt_error *err)
{
    *found = false;
    *out = (ltp_direct){0};
    double *bound = ltp_alloc(v->n, sizeof *bound);
    if (bound == NULL)
        return ltp_fail_nomem(err, "the direct arrival");
    const lt_status st = ringing_bound(v, bound, err);
    if (st == LT_OK && v->count > 2) {
        const double period = v->rate_hz / effective_hz(v);
        const size_t top = strongest(v->h, 0, v->count);
        const double peak = fabs(v->h[top]);
        const double least = fmax(early_least * peak, over_noise * v->quiet_rms);
        size_t first = top;
        /* The bound is known at whole frames from the peak, which lies between two: one frame nearer is on its safe
         * side. */
        for (size_t i = 0; i < top && first == top; i++)
            if (fabs(v->h[i]) >= least && top - i <= v->n / 2 &&
                fabs(v->h[i]) >= over_ringing * bound[top - i - 1] * peak)
                first = i;
        const size_t end = first + 1 + (size_t)fmax(0.75 * period, rise_s * v->rate_hz);
        const size_t at = strongest(v->h, first, end < v->count ? end : v->count);
        out->at = refine(v, at, &out->peak);
        out->polarity = peak > over_noise * v->quiet_rms ? first_swing(v, at, period) : 0;
        *found = peak > 0.0;
    }
    ltp_free(bound);
    return st;
}
