/* SPDX-License-Identifier: MIT
 * Clock drift from a noise-like stimulus: each block of about a second gives an impulse response of its own; their
 * delays against each other, over time, are a line whose slope is the drift. */
#include "base/alloc.h"
#include "response/bands.h"
#include "response/drift.h"
#include "response/shift.h"

#include <math.h>

static const double block_s = 1.0;
static const double block_least_s = 0.3;
static const double search_s = 0.03;       /* first block about the play's start, the others about the one before */
static const double keep_before_s = 0.005; /* of each block's impulse response about its peak */
static const double keep_after_s = 0.02;
static const double coherence_least = 0.3;
static const double energy_least = 0.01;   /* of the mean block: a pause of speech tells nothing */
static const double regularisation = 0.05; /* re the smooth spectrum of a block */
static const double sigma_most = 5e-6;     /* a worse line is none */
static const double slope_most = 1e-3;
static const double outlier = 4.0; /* median deviations */
enum { BLOCKS_LEAST = 4, BLOCKS_MAX = 64 };

typedef struct {
    double at;     /* middle of the block, frames of the stimulus */
    double delay;  /* frames */
    lt_complex *h; /* spectrum of its impulse response, cut about its own whole-frame delay */
    double whole;  /* that delay */
    bool good;
} block;

typedef struct {
    const lt_signal *piece, *sweep;
    size_t before, length, margin, count;
    size_t n, short_n; /* FFT sizes: block, impulse response */
    lt_rfft *fft, *short_fft;
    lt_complex *s, *r;
    double *x, *y;
    block items[BLOCKS_MAX];
} blocks;

static void blocks_clear(blocks *b)
{
    lt_rfft_free(b->fft);
    lt_rfft_free(b->short_fft);
    ltp_free(b->s);
    ltp_free(b->r);
    ltp_free(b->x);
    ltp_free(b->y);
    for (size_t i = 0; i < BLOCKS_MAX; i++)
        ltp_free(b->items[i].h);
}

static lt_status blocks_make(blocks *b, lt_error *err)
{
    const double rate_hz = b->sweep->rate_hz;
    b->length = b->sweep->count / b->count;
    b->margin = (size_t)(search_s * rate_hz);
    b->n = lt_rfft_good_size(b->length + 2 * b->margin);
    b->short_n = lt_rfft_good_size((size_t)(1.5 * (keep_before_s + keep_after_s) * rate_hz));
    lt_status st = lt_rfft_create(b->n, &b->fft, err);
    if (st == LT_OK)
        st = lt_rfft_create(b->short_n, &b->short_fft, err);
    if (st != LT_OK)
        return st;
    b->s = ltp_alloc(b->n / 2 + 1, sizeof *b->s);
    b->r = ltp_alloc(b->n / 2 + 1, sizeof *b->r);
    b->x = ltp_alloc(b->n, sizeof *b->x);
    b->y = ltp_alloc(b->short_n, sizeof *b->y);
    bool ok = b->s != NULL && b->r != NULL && b->x != NULL && b->y != NULL;
    for (size_t i = 0; i < b->count; i++) {
        b->items[i].h = ltp_alloc(b->short_n / 2 + 1, sizeof *b->items[i].h);
        ok = ok && b->items[i].h != NULL;
    }
    return ok ? LT_OK : ltp_fail_nomem(err, "the clock drift");
}

/* r becomes r conj(s) / (|s|^2 + regularisation), the latter re the mean of |s|^2 nearby. */
static void divide(blocks *b)
{
    enum { HALF = 200 };
    const size_t bins = b->n / 2 + 1;
    double sum = 0.0;
    for (size_t k = 0; k < HALF && k < bins; k++)
        sum += lt_complex_power(b->s[k]);
    double top = 0.0;
    for (size_t k = 0; k < bins; k++)
        top += lt_complex_power(b->s[k]) / (double)bins;
    for (size_t k = 0; k < bins; k++) {
        if (k + HALF < bins)
            sum += lt_complex_power(b->s[k + HALF]);
        if (k > HALF)
            sum -= lt_complex_power(b->s[k - HALF - 1]);
        const double den =
            lt_complex_power(b->s[k]) + regularisation * fmax(sum / (2 * HALF + 1), 0.0) + 1e-4 * top + 1e-300;
        const lt_complex z = ltp_product(b->r[k], (lt_complex){b->s[k].re, -b->s[k].im});
        b->r[k] = (lt_complex){z.re / den, z.im / den};
    }
}

/* Impulse response of block i, searched about `expected` whole frames of delay; kept about its peak. */
static void respond(blocks *b, size_t i, ptrdiff_t expected)
{
    block *item = &b->items[i];
    const size_t start = i * b->length;
    lt_rfft_forward_padded(b->fft, b->sweep->samples + start, b->length, b->s);
    const ptrdiff_t first = (ptrdiff_t)(b->before + start) + expected - (ptrdiff_t)b->margin;
    for (size_t k = 0; k < b->n; k++) {
        const ptrdiff_t at = first + (ptrdiff_t)k;
        const bool inside = k < b->length + 2 * b->margin && at >= 0 && at < (ptrdiff_t)b->piece->count;
        b->x[k] = inside ? b->piece->samples[at] : 0.0;
    }
    lt_rfft_forward(b->fft, b->x, b->r);
    divide(b);
    lt_rfft_inverse(b->fft, b->r, b->x);
    size_t top = 0;
    for (size_t k = 0; k < 2 * b->margin; k++)
        if (fabs(b->x[k]) > fabs(b->x[top]))
            top = k;
    const double before = keep_before_s * b->sweep->rate_hz;
    const double after = keep_after_s * b->sweep->rate_hz;
    const ptrdiff_t from = (ptrdiff_t)top - (ptrdiff_t)before;
    for (size_t k = 0; k < b->short_n; k++) {
        const double t = (double)k - floor(before);
        const ptrdiff_t at = from + (ptrdiff_t)k;
        const double gain = lt_fade(2.0 * (1.0 + t / before)) * lt_fade(2.0 * (1.0 - t / after));
        b->y[k] = at >= 0 && at < (ptrdiff_t)b->n ? gain * b->x[at] : 0.0;
    }
    lt_rfft_forward(b->short_fft, b->y, item->h);
    item->whole = (double)(expected + (ptrdiff_t)top - (ptrdiff_t)b->margin);
    item->at = ((double)i + 0.5) * (double)b->length;
    item->delay = item->whole;
    item->good = true;
}

/* Blocks one after the other; each is searched where the one before was found, and compared with it. */
static lt_status chain(blocks *b, double mean_energy, lt_error *err)
{
    ptrdiff_t expected = 0;
    const block *last = NULL;
    for (size_t i = 0; i < b->count; i++) {
        double energy = 0.0;
        for (size_t k = 0; k < b->length; k++)
            energy += b->sweep->samples[i * b->length + k] * b->sweep->samples[i * b->length + k];
        if (energy < energy_least * mean_energy)
            continue;
        respond(b, i, expected);
        block *item = &b->items[i];
        if (last != NULL) {
            ltp_shift shift;
            const lt_status st = ltp_shift_find(b->short_fft, last->h, item->h, NULL, b->short_n / 3, &shift, err);
            if (st != LT_OK)
                return st;
            item->delay = last->delay + (item->whole - last->whole) + shift.frames;
            item->good = shift.coherence >= coherence_least;
        }
        if (item->good) {
            expected = (ptrdiff_t)item->whole;
            last = item;
        }
    }
    return LT_OK;
}

typedef struct {
    double slope, offset, sigma;
    size_t n;
} line;

static line fit(const blocks *b)
{
    double n = 0.0;
    double t = 0.0;
    double y = 0.0;
    double tt = 0.0;
    double ty = 0.0;
    for (size_t i = 0; i < b->count; i++) {
        if (!b->items[i].good)
            continue;
        n += 1.0;
        t += b->items[i].at;
        y += b->items[i].delay;
        tt += b->items[i].at * b->items[i].at;
        ty += b->items[i].at * b->items[i].delay;
    }
    const double det = n * tt - t * t;
    line l = {.sigma = INFINITY, .n = (size_t)n};
    if (n < BLOCKS_LEAST || !(det > 0.0))
        return l;
    l.slope = (n * ty - t * y) / det;
    l.offset = (y - l.slope * t) / n;
    double rest = 0.0;
    for (size_t i = 0; i < b->count; i++) {
        const double d = b->items[i].delay - l.offset - l.slope * b->items[i].at;
        rest += b->items[i].good ? d * d : 0.0;
    }
    l.sigma = sqrt(rest / (n - 2.0) / (tt - t * t / n));
    return l;
}

/* Once more against the mean of all blocks, which has far less noise than the block before. */
static lt_status against_mean(blocks *b, line l, lt_complex *mean, lt_error *err)
{
    const size_t bins = b->short_n / 2 + 1;
    for (size_t i = 0; i < b->count; i++) {
        block *item = &b->items[i];
        if (!item->good)
            continue;
        ltp_shift_apply(item->h, b->short_n, item->whole - l.offset - l.slope * item->at);
        for (size_t k = 0; k < bins; k++) {
            mean[k].re += item->h[k].re;
            mean[k].im += item->h[k].im;
        }
    }
    double deviation[BLOCKS_MAX];
    size_t n = 0;
    for (size_t i = 0; i < b->count; i++) {
        block *item = &b->items[i];
        if (!item->good)
            continue;
        ltp_shift shift;
        const lt_status st = ltp_shift_find(b->short_fft, mean, item->h, NULL, b->short_n / 8, &shift, err);
        if (st != LT_OK)
            return st;
        item->good = shift.coherence >= coherence_least;
        item->delay = l.offset + l.slope * item->at + shift.frames;
        deviation[n++] = fabs(shift.frames);
    }
    const double most = outlier * fmax(lt_median(deviation, n), 0.01);
    for (size_t i = 0; i < b->count; i++) {
        block *item = &b->items[i];
        item->good = item->good && fabs(item->delay - l.offset - l.slope * item->at) <= most;
    }
    return LT_OK;
}

lt_status ltp_drift_from_blocks(const lt_signal *piece, const lt_signal *sweep, size_t before, double used,
                                ltp_drift *out, lt_error *err)
{
    *out = (ltp_drift){.drift = used, .sigma = INFINITY};
    const double seconds = (double)sweep->count / sweep->rate_hz;
    blocks b = {.piece = piece, .sweep = sweep, .before = before};
    b.count = (size_t)fmin(fmax(seconds / block_s, 2.0 * BLOCKS_LEAST), BLOCKS_MAX);
    if (seconds / (double)b.count < block_least_s)
        return LT_OK;
    lt_status st = blocks_make(&b, err);
    lt_complex *mean = ltp_alloc(b.short_n / 2 + 1, sizeof *mean);
    if (st == LT_OK && mean == NULL)
        st = ltp_fail_nomem(err, "the clock drift");
    if (st == LT_OK) {
        const double rms = lt_signal_rms(sweep);
        st = chain(&b, rms * rms * (double)b.length, err);
    }
    if (st == LT_OK) {
        line l = fit(&b);
        if (isfinite(l.sigma))
            st = against_mean(&b, l, mean, err);
        if (st == LT_OK && isfinite(l.sigma))
            l = fit(&b);
        if (l.sigma <= sigma_most && fabs(l.slope) <= slope_most)
            *out = (ltp_drift){.drift = used + l.slope * (1.0 + used), .sigma = l.sigma};
    }
    ltp_free(mean);
    blocks_clear(&b);
    return st;
}
