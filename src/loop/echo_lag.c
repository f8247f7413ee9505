/* SPDX-License-Identifier: MIT
 * Lag between two recordings by generalised cross-correlation (Knapp and Carter, IEEE Trans. ASSP 24, 1976; the SCOT
 * weighting), block by block. The blocks' correlations are squared and added along straight lines of lag against time,
 * so that neither clock drift nor a loud talker at the other end hides the peak. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

enum { BLOCKS_MAX = 16, WELCH = 1024, SLOPES = 33 };
static const double work_rate_hz = 8000.0;
static const double block_s = 4.0;
static const double level_window_s = 0.2; /* in which levels are made even */
static const double level_floor = 0.05;   /* re the whole recording's RMS */
static const double low_hz = 200.0;
static const double slope_step_ppm = 20.0;
static const double apart_before_s = 0.15; /* lags about the peak that chance is not judged by */
static const double apart_after_s = 0.9;

typedef struct {
    lt_signal *sent, *returned; /* at work_rate_hz or less, levels made even */
    double *weight;             /* [WELCH / 2 + 1] SCOT */
    size_t block, range;        /* frames; lags */
    ptrdiff_t first;
    size_t n, bins;
    lt_rfft *fft;
    lt_complex *a, *b;
    double *x;
    double *square;           /* [blocks][range] correlation squared, over its mean */
    double start[BLOCKS_MAX]; /* frames, middle of each block */
    size_t blocks;
} search;

static void search_clear(search *s)
{
    lt_signal_free(s->sent);
    lt_signal_free(s->returned);
    ltp_free(s->weight);
    lt_rfft_free(s->fft);
    ltp_free(s->a);
    ltp_free(s->b);
    ltp_free(s->x);
    ltp_free(s->square);
}

/* Divide by the local RMS. */
static lt_status even_levels(lt_signal *s, lt_error *err)
{
    const size_t half = (size_t)(0.5 * level_window_s * s->rate_hz);
    const double least = level_floor * level_floor * lt_signal_rms(s) * lt_signal_rms(s) + 1e-30;
    double *sum = ltp_alloc(s->count + 1, sizeof *sum);
    if (sum == NULL)
        return ltp_fail_nomem(err, "the lag of an echo");
    for (size_t i = 0; i < s->count; i++)
        sum[i + 1] = sum[i] + s->samples[i] * s->samples[i];
    for (size_t i = 0; i < s->count; i++) {
        const size_t from = i > half ? i - half : 0;
        const size_t to = i + half < s->count ? i + half : s->count;
        s->samples[i] /= sqrt(fmax((sum[to] - sum[from]) / (double)(to - from), 0.0) + least);
    }
    ltp_free(sum);
    return LT_OK;
}

static lt_status make_signal(const lt_signal *in, lt_signal **out, lt_error *err)
{
    const lt_status st = in->rate_hz > 1.01 * work_rate_hz ? lt_resample(in, work_rate_hz, out, err)
                                                           : lt_signal_copy(in, 0, in->count, out, err);
    return st == LT_OK ? even_levels(*out, err) : st;
}

static lt_status welch(const lt_signal *s, double *psd, lt_error *err)
{
    double window[WELCH], x[WELCH];
    lt_complex spectrum[WELCH / 2 + 1];
    lt_rfft *fft = NULL;
    const lt_status st = lt_rfft_create(WELCH, &fft, err);
    if (st != LT_OK)
        return st;
    lt_window_hann(window, WELCH);
    memset(psd, 0, (WELCH / 2 + 1) * sizeof *psd);
    for (size_t at = 0; at + WELCH <= s->count; at += WELCH / 2) {
        for (size_t i = 0; i < WELCH; i++)
            x[i] = s->samples[at + i] * window[i];
        lt_rfft_forward(fft, x, spectrum);
        for (size_t i = 0; i <= WELCH / 2; i++)
            psd[i] += lt_complex_power(spectrum[i]);
    }
    lt_rfft_free(fft);
    return LT_OK;
}

static lt_status make_weight(search *s, lt_error *err)
{
    double a[WELCH / 2 + 1], b[WELCH / 2 + 1];
    lt_status st = welch(s->sent, a, err);
    if (st == LT_OK)
        st = welch(s->returned, b, err);
    if (st != LT_OK)
        return st;
    double top = 0.0;
    for (size_t i = 0; i <= WELCH / 2; i++)
        top = fmax(top, a[i] * b[i]);
    const double bin_hz = s->sent->rate_hz / WELCH;
    const double high_hz = 0.46 * s->sent->rate_hz;
    for (size_t i = 0; i <= WELCH / 2; i++) {
        const double hz = (double)i * bin_hz;
        const double edge = lt_fade((hz - low_hz) / 150.0) * lt_fade((high_hz - hz) / 300.0);
        s->weight[i] = edge / sqrt(a[i] * b[i] + 1e-6 * top + 1e-300);
    }
    return LT_OK;
}

static lt_status search_make(const ltp_echo_pair *p, double first, double last, search *s, lt_error *err)
{
    lt_status st = make_signal(p->sent, &s->sent, err);
    if (st == LT_OK)
        st = make_signal(p->returned, &s->returned, err);
    if (st != LT_OK)
        return st;
    const double ratio = s->sent->rate_hz / p->rate_hz;
    s->block = (size_t)(block_s * s->sent->rate_hz);
    if (s->block > s->sent->count)
        s->block = s->sent->count;
    s->first = (ptrdiff_t)floor(first * ratio);
    s->range = (size_t)((ptrdiff_t)ceil(last * ratio) - s->first + 1);
    s->n = lt_rfft_good_size(s->block + s->range);
    s->bins = s->n / 2 + 1;
    s->weight = ltp_alloc(WELCH / 2 + 1, sizeof *s->weight);
    s->a = ltp_alloc(s->bins, sizeof *s->a);
    s->b = ltp_alloc(s->bins, sizeof *s->b);
    s->x = ltp_alloc(s->n, sizeof *s->x);
    s->square = ltp_alloc((size_t)BLOCKS_MAX * s->range, sizeof *s->square);
    if (s->weight == NULL || s->a == NULL || s->b == NULL || s->x == NULL || s->square == NULL)
        return ltp_fail_nomem(err, "the lag of an echo");
    st = lt_rfft_create(s->n, &s->fft, err);
    return st == LT_OK ? make_weight(s, err) : st;
}

static void load(search *s, const lt_signal *x, ptrdiff_t from, size_t count, lt_complex *out)
{
    memset(s->x, 0, s->n * sizeof *s->x);
    for (size_t i = 0; i < count; i++) {
        const ptrdiff_t at = from + (ptrdiff_t)i;
        if (at >= 0 && (size_t)at < x->count)
            s->x[i] = x->samples[at];
    }
    lt_rfft_forward(s->fft, s->x, out);
}

static double weight_at(const search *s, size_t bin)
{
    const double x = (double)bin * (WELCH / 2) / (double)(s->bins - 1);
    const size_t k = (size_t)x < WELCH / 2 ? (size_t)x : WELCH / 2 - 1;
    const double t = x - (double)k;
    return s->weight[k] * (1.0 - t) + s->weight[k + 1] * t;
}

/* Correlation of the block of sent sound at `at`: x[i] belongs to lag first + i. */
static void correlate(search *s, size_t at)
{
    load(s, s->sent, (ptrdiff_t)at, s->block, s->a);
    load(s, s->returned, (ptrdiff_t)at + s->first, s->block + s->range, s->b);
    for (size_t i = 0; i < s->bins; i++) {
        const lt_complex u = s->a[i];
        const lt_complex v = s->b[i];
        const double w = weight_at(s, i);
        s->b[i] = (lt_complex){w * (u.re * v.re + u.im * v.im), w * (u.re * v.im - u.im * v.re)};
    }
    lt_rfft_inverse(s->fft, s->b, s->x);
}

static bool is_quiet(const search *s, size_t at)
{
    double sum = 0.0;
    for (size_t i = 0; i < s->block; i++)
        sum += s->sent->samples[at + i] * s->sent->samples[at + i];
    return sum < 0.02 * (double)s->block; /* levels are even: 1 while somebody speaks */
}

static void run_blocks(search *s)
{
    const size_t fit = s->sent->count >= s->block ? (s->sent->count - s->block) / s->block + 1 : 1;
    const size_t used = fit < BLOCKS_MAX ? fit : BLOCKS_MAX;
    for (size_t k = 0; k < used; k++) {
        const size_t at = used > 1 ? (s->sent->count - s->block) / (used - 1) * k : 0;
        if (is_quiet(s, at))
            continue;
        correlate(s, at);
        double mean = 0.0;
        for (size_t i = 0; i < s->range; i++)
            mean += s->x[i] * s->x[i];
        double *out = s->square + s->blocks * s->range;
        if (!(mean > 0.0))
            continue;
        for (size_t i = 0; i < s->range; i++)
            out[i] = s->x[i] * s->x[i] * (double)s->range / mean;
        s->start[s->blocks++] = (double)at + 0.5 * (double)s->block;
    }
}

/* Sum along a line of slope `drift`; the line's lag is that at the recording's start. */
static void add_up(const search *s, double drift, double *sum)
{
    memset(sum, 0, s->range * sizeof *sum);
    for (size_t b = 0; b < s->blocks; b++) {
        const ptrdiff_t shift = (ptrdiff_t)llround(drift * s->start[b]);
        const double *in = s->square + b * s->range;
        for (size_t i = 0; i < s->range; i++) {
            const ptrdiff_t at = (ptrdiff_t)i + shift;
            if (at >= 0 && (size_t)at < s->range)
                sum[i] += in[at];
        }
    }
}

/* Peak and its amplitude over what one in a thousand of the far lags exceeds. */
static double judge(const search *s, const double *sum, double *scratch, size_t *peak)
{
    size_t top = 0;
    for (size_t i = 0; i < s->range; i++)
        if (sum[i] > sum[top])
            top = i;
    const double rate = s->sent->rate_hz;
    size_t n = 0;
    for (size_t i = 0; i < s->range; i++)
        if ((double)i < (double)top - apart_before_s * rate || (double)i > (double)top + apart_after_s * rate)
            scratch[n++] = sum[i];
    *peak = top;
    const double chance = n > 100 ? lt_quantile(scratch, n, 0.999) : (double)NAN;
    return chance > 0.0 ? sqrt(sum[top] / chance) : (double)NAN;
}

static lt_status pick(const search *s, bool drifts, double *lag, double *contrast, double *slope, lt_error *err)
{
    double *sum = ltp_alloc(s->range, sizeof *sum);
    double *scratch = ltp_alloc(s->range, sizeof *scratch);
    *contrast = 0.0;
    const bool ok = sum != NULL && scratch != NULL;
    for (int k = 0; ok && k < (drifts ? SLOPES : 1); k++) {
        const double drift = drifts ? (k - SLOPES / 2) * slope_step_ppm * 1e-6 : 0.0;
        size_t at = 0;
        add_up(s, drift, sum);
        const double c = judge(s, sum, scratch, &at);
        if (c > *contrast * (fabs(drift) < 1e-9 ? 0.97 : 1.0)) {
            *contrast = c;
            *lag = (double)at + (double)s->first;
            *slope = drift;
        }
    }
    ltp_free(sum);
    ltp_free(scratch);
    return ok ? LT_OK : ltp_fail_nomem(err, "the lag of an echo");
}

lt_status ltp_echo_lag_find(const ltp_echo_pair *p, double first, double last, ltp_echo_lag *out, lt_error *err)
{
    search s = {0};
    const bool drifts = out->drifts;
    *out = (ltp_echo_lag){.drifts = drifts};
    lt_status st = search_make(p, first, last, &s, err);
    if (st == LT_OK) {
        run_blocks(&s);
        double slope = 0.0;
        if (s.blocks > 0)
            st = pick(&s, drifts && s.blocks > 2, &out->lag, &out->contrast, &slope, err);
        out->lag *= p->rate_hz / s.sent->rate_hz;
        out->drift_ppm = slope * 1e6;
    }
    search_clear(&s);
    return st;
}

/* ---- drift ---- */

/* Place of the largest |x| near `guess`, between samples. Contrast to the RMS of the searched part in *clear. */
static double local_peak(const search *s, double guess, double reach, double *clear)
{
    const ptrdiff_t from = (ptrdiff_t)fmax(guess - reach, 1.0);
    const ptrdiff_t to = (ptrdiff_t)fmin(guess + reach, (double)s->range - 2.0);
    ptrdiff_t top = from;
    double sum = 0.0;
    for (ptrdiff_t i = from; i <= to; i++) {
        if (fabs(s->x[i]) > fabs(s->x[top]))
            top = i;
        sum += s->x[i] * s->x[i];
    }
    if (to <= from)
        return NAN;
    *clear = fabs(s->x[top]) / sqrt(sum / (double)(to - from + 1) + 1e-300);
    const double a = fabs(s->x[top - 1]);
    const double b = fabs(s->x[top]);
    const double c = fabs(s->x[top + 1]);
    const double bend = a - 2.0 * b + c;
    return (double)top + (bend < 0.0 ? 0.5 * (a - c) / bend : 0.0);
}

/* Median of the slopes between all pairs (Theil and Sen), then the median intercept. */
static void line_through(const double *t, const double *y, size_t n, double *slope, double *at_zero, double *spread)
{
    double list[BLOCKS_MAX * 4 * BLOCKS_MAX * 2];
    size_t k = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++)
            list[k++] = (y[j] - y[i]) / (t[j] - t[i]);
    *slope = lt_median(list, k);
    for (size_t i = 0; i < n; i++)
        list[i] = y[i] - *slope * t[i];
    *at_zero = lt_median(list, n);
    for (size_t i = 0; i < n; i++)
        list[i] = fabs(y[i] - *slope * t[i] - *at_zero);
    *spread = 1.4826 * lt_median(list, n);
}

lt_status ltp_echo_drift_find(const ltp_echo_pair *p, ltp_echo_lag *out, lt_error *err)
{
    enum { POINTS_MAX = 4 * BLOCKS_MAX };
    search s = {0};
    const double around = 0.08 * p->rate_hz;
    lt_status st = search_make(p, out->lag - around, out->lag + around, &s, err);
    double t[POINTS_MAX], lag[POINTS_MAX];
    size_t n = 0;
    if (st == LT_OK) {
        const double ratio = p->rate_hz / s.sent->rate_hz;
        const size_t step = s.block / 2;
        const size_t fit = s.sent->count > s.block ? (s.sent->count - s.block) / step + 1 : 1;
        const size_t used = fit < POINTS_MAX ? fit : POINTS_MAX;
        for (size_t k = 0; k < used; k++) {
            const size_t at =
                used > 1 ? (size_t)((double)(s.sent->count - s.block) * (double)k / (double)(used - 1)) : 0;
            if (is_quiet(&s, at))
                continue;
            correlate(&s, at);
            const double middle = (double)at + 0.5 * (double)s.block;
            double clear = 0.0;
            const double guess = out->lag / ratio - (double)s.first + out->drift_ppm * 1e-6 * middle;
            const double found = local_peak(&s, guess, 0.0012 * s.sent->rate_hz + 25e-6 * middle, &clear);
            if (clear > 2.5) {
                t[n] = middle * ratio;
                lag[n++] = (found + (double)s.first) * ratio;
            }
        }
    }
    double slope = 0.0, at_zero = 0.0, spread = 0.0;
    if (st == LT_OK && n >= 4) {
        line_through(t, lag, n, &slope, &at_zero, &spread);
        const double length = t[n - 1] - t[0];
        out->drift_error = 3.5e6 * spread / (length * sqrt((double)n));
        out->drift_ppm = slope * 1e6;
        out->drifts = fabs(out->drift_ppm) > 3.0 * out->drift_error && fabs(out->drift_ppm) < 1000.0;
        if (out->drifts)
            out->lag = at_zero;
    } else {
        out->drifts = false;
    }
    search_clear(&s);
    return st;
}
