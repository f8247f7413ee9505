/* SPDX-License-Identifier: MIT
 * Where a clean reference lies in a recording: blocks of it are correlated with all of the recording, both whitened
 * (Knapp and Carter, IEEE Trans. ASSP 24, 1976; the SCOT weighting, from spectra smoothed over cells). The squared
 * correlations of the blocks add up along straight lines of lag against time, so that clock drift hides nothing. */
#include "base/alloc.h"
#include "dsp/even.h"
#include "speech/stoi.h"

#include <math.h>
#include <string.h>

enum {
    BLOCKS_MAX = 16,
    BLOCK = 40000, /* frames, 4 s */
    CHUNK = 262144,
    CELL = 50,    /* lags of which the largest counts */
    REACH = 150,  /* about the best cell */
    TAPER = 1000, /* of blocks and chunks at both ends: whitened, a hard end is a click that matches others */
    WIDTHS = 96,  /* of the smoothed spectra */
    SLOPES = 41
};
static const double low_hz = 150.0, high_hz = 4300.0;
static const double quiet = 0.02; /* blocks of less power re the mean are not looked for */
static const double widest_drift = 400e-6;
static const double least_contrast = 16.0; /* squared correlation over what one in a hundred far lags exceeds */
static const double apart_s = 0.5;
static const double longest_s = 3600.0;
static const double widest_fit = 500e-6, widest_spread = 15.0; /* frames; beyond, lags tell no drift */
static const double drift_span_s = 6.0;                        /* from here on a drift can be told */

typedef struct {
    lt_signal *reference, *recording; /* levels made even; the recording with `pad` zeros ahead of it */
    size_t pad, base;                 /* base: lag of index 0, negated */
    size_t block, blocks, start[BLOCKS_MAX];
    lt_rfft *fft;
    size_t n;
    lt_complex *spectrum[BLOCKS_MAX]; /* weighted */
    lt_complex *chunk, *product;
    double *x;
    double weight[WIDTHS];
    size_t cells;
    float *square;         /* [blocks][cells] */
    double *sum, *scratch; /* [cells] */
} search;

static void clear(search *s)
{
    lt_signal_free(s->reference);
    lt_signal_free(s->recording);
    lt_rfft_free(s->fft);
    for (size_t b = 0; b < BLOCKS_MAX; b++)
        ltp_free(s->spectrum[b]);
    ltp_free(s->chunk);
    ltp_free(s->product);
    ltp_free(s->x);
    ltp_free(s->square);
    ltp_free(s->sum);
    ltp_free(s->scratch);
}

/* A copy with even levels, behind `pad` zeros. */
static lt_status make_even(const lt_signal *in, size_t pad, lt_signal **out, lt_error *err)
{
    const lt_status status = lt_signal_create(pad + in->count, in->rate_hz, out, err);
    if (status != LT_OK)
        return status;
    memcpy((*out)->samples + pad, in->samples, in->count * sizeof *in->samples);
    return ltp_even_levels((*out)->samples + pad, in->count, in->rate_hz, "STOI", err);
}

/* Blocks spread over the reference, without those that are pauses. */
static void choose_blocks(search *s, const lt_signal *reference)
{
    s->block = reference->count < BLOCK ? reference->count : BLOCK;
    const size_t whole = (reference->count + s->block - 1) / s->block;
    const size_t wanted = whole < BLOCKS_MAX ? whole : BLOCKS_MAX;
    const double rms = lt_signal_rms(reference);
    for (size_t k = 0; k < wanted; k++) {
        const size_t at = wanted > 1 ? (reference->count - s->block) * k / (wanted - 1) : 0;
        double power = 0.0;
        for (size_t i = 0; i < s->block; i++)
            power += reference->samples[at + i] * reference->samples[at + i];
        if (power > quiet * rms * rms * (double)s->block)
            s->start[s->blocks++] = at;
    }
}

static size_t width_of(const search *s, size_t bin)
{
    const size_t w = bin * WIDTHS / (s->n / 2);
    return w < WIDTHS ? w : WIDTHS - 1;
}

static void add_power(const search *s, const lt_complex *spectrum, double power[WIDTHS])
{
    for (size_t k = 0; k <= s->n / 2; k++)
        power[width_of(s, k)] += lt_complex_power(spectrum[k]);
}

/* out: spectrum of x[count <= n] with soft ends. */
static void transform(search *s, const double *x, size_t count, lt_complex *out)
{
    const size_t soft = 2 * TAPER <= count ? TAPER : count / 2;
    memcpy(s->x, x, count * sizeof *x);
    for (size_t i = 0; i < soft; i++) {
        const double gain = lt_fade(((double)i + 0.5) / (double)soft);
        s->x[i] *= gain;
        s->x[count - 1 - i] *= gain;
    }
    lt_rfft_forward_padded(s->fft, s->x, count, out);
}

static void load_chunk(search *s, size_t at)
{
    const size_t left = s->recording->count - at;
    transform(s, s->recording->samples + at, left < s->n ? left : s->n, s->chunk);
}

/* SCOT: over the geometric mean of both power spectra. Nothing below the speech, nothing where one has nothing. */
static void make_weights(search *s)
{
    double a[WIDTHS] = {0}, b[WIDTHS] = {0};
    double most_a = 0.0, most_b = 0.0;
    for (size_t k = 0; k < s->blocks; k++)
        add_power(s, s->spectrum[k], a);
    for (size_t at = 0; at < s->recording->count; at += s->n) {
        load_chunk(s, at);
        add_power(s, s->chunk, b);
    }
    for (size_t w = 0; w < WIDTHS; w++) {
        most_a = fmax(most_a, a[w]);
        most_b = fmax(most_b, b[w]);
    }
    for (size_t w = 0; w < WIDTHS; w++) {
        const double hz = 0.5 * LTP_STOI_RATE_HZ * (double)w / WIDTHS;
        const bool used = hz >= low_hz && hz <= high_hz && a[w] > 1e-7 * most_a && b[w] > 1e-7 * most_b;
        s->weight[w] = used ? sqrt(most_a / a[w]) * sqrt(most_b / b[w]) : 0.0;
    }
    for (size_t k = 0; k < s->blocks; k++)
        for (size_t i = 0; i <= s->n / 2; i++) {
            s->spectrum[k][i].re *= s->weight[width_of(s, i)];
            s->spectrum[k][i].im *= -s->weight[width_of(s, i)];
        }
}

static lt_status prepare(search *s, const lt_signal *reference, const lt_signal *recording, lt_error *err)
{
    choose_blocks(s, reference);
    s->pad = s->block + REACH + TAPER;
    s->base = reference->count + REACH;
    lt_status status = make_even(reference, 0, &s->reference, err);
    if (status == LT_OK)
        status = make_even(recording, s->pad, &s->recording, err);
    if (status != LT_OK)
        return status;
    const size_t whole = s->recording->count + s->block + 2 * TAPER;
    s->n = lt_rfft_good_size(whole < CHUNK ? whole : CHUNK);
    s->cells = (s->base + recording->count) / CELL + 1;
    status = lt_rfft_create(s->n, &s->fft, err);
    bool ok = status == LT_OK;
    for (size_t b = 0; ok && b < s->blocks; b++) {
        s->spectrum[b] = ltp_alloc(s->n / 2 + 1, sizeof *s->spectrum[b]);
        ok = s->spectrum[b] != NULL;
    }
    if (ok) {
        s->chunk = ltp_alloc(s->n / 2 + 1, sizeof *s->chunk);
        s->product = ltp_alloc(s->n / 2 + 1, sizeof *s->product);
        s->x = ltp_alloc(s->n, sizeof *s->x);
        s->square = ltp_alloc(s->blocks * s->cells + 1, sizeof *s->square);
        s->sum = ltp_alloc(s->cells, sizeof *s->sum);
        s->scratch = ltp_alloc(s->cells, sizeof *s->scratch);
        ok = s->chunk != NULL && s->product != NULL && s->x != NULL && s->square != NULL && s->sum != NULL &&
             s->scratch != NULL;
    }
    if (!ok)
        return status != LT_OK ? status : ltp_fail_nomem(err, "STOI");
    for (size_t b = 0; b < s->blocks; b++)
        transform(s, s->reference->samples + s->start[b], s->block, s->spectrum[b]);
    make_weights(s);
    return LT_OK;
}

/* x[i]: correlation of block b with the loaded chunk from its frame i on. */
static void correlate(search *s, size_t b)
{
    for (size_t k = 0; k <= s->n / 2; k++)
        s->product[k] = lt_complex_multiply(s->chunk[k], s->spectrum[b][k]);
    lt_rfft_inverse(s->fft, s->product, s->x);
}

static void correlate_all(search *s)
{
    double mean[BLOCKS_MAX] = {0};
    const size_t step = s->n - s->block - 2 * TAPER; /* what lies in the soft ends is another chunk's */
    for (size_t at = 0; at + TAPER < s->recording->count; at += step) {
        const size_t left = s->recording->count - at;
        load_chunk(s, at);
        for (size_t b = 0; b < s->blocks; b++) {
            correlate(s, b);
            float *square = s->square + b * s->cells;
            /* Of the chunk's first frame; -TAPER at least, as a block ends within the reference: i makes it >= 0. */
            const ptrdiff_t first = (ptrdiff_t)(s->base + at) - (ptrdiff_t)(s->start[b] + s->pad);
            for (size_t i = TAPER; i < TAPER + step && i < left; i++) {
                const double power = s->x[i] * s->x[i];
                float *cell = &square[(size_t)(first + (ptrdiff_t)i) / CELL];
                mean[b] += power;
                *cell = power > (double)*cell ? (float)power : *cell;
            }
        }
    }
    for (size_t b = 0; b < s->blocks; b++) {
        const double scale = mean[b] > 0.0 ? (double)s->recording->count / mean[b] : 0.0;
        for (size_t c = 0; c < s->cells; c++)
            s->square[b * s->cells + c] = (float)(scale * (double)s->square[b * s->cells + c]);
    }
}

static void add_up(search *s, double drift)
{
    memset(s->sum, 0, s->cells * sizeof *s->sum);
    for (size_t b = 0; b < s->blocks; b++) {
        const ptrdiff_t shift = (ptrdiff_t)llround(drift * (double)s->start[b] / CELL);
        for (size_t c = 0; c < s->cells; c++) {
            const ptrdiff_t from = (ptrdiff_t)c + shift;
            if (from >= 0 && (size_t)from < s->cells)
                s->sum[c] += (double)s->square[b * s->cells + (size_t)from];
        }
    }
}

/* Contrast of the best lag; *cell is its place. */
static double judge(search *s, size_t *cell)
{
    const size_t apart = (size_t)(apart_s * LTP_STOI_RATE_HZ / CELL);
    size_t top = 0, n = 0;
    for (size_t c = 1; c < s->cells; c++)
        top = s->sum[c] > s->sum[top] ? c : top;
    for (size_t c = 0; c < s->cells; c++)
        if ((c + apart < top || c > top + apart) && s->sum[c] > 0.0)
            s->scratch[n++] = s->sum[c];
    *cell = top;
    const double chance = n > 20 ? lt_quantile(s->scratch, n, 0.99) : (double)NAN;
    return chance > 0.0 ? s->sum[top] / chance : 0.0;
}

/* The strongest lag near a guess, by a parabola; NaN where the recording does not hold most of the block. */
static double peak_near(search *s, size_t b, double guess)
{
    const double place = guess + (double)s->start[b] + (double)s->pad; /* of the block, in the padded recording */
    const double half = 0.5 * (double)s->block;
    if (place + half < (double)s->pad || place + half > (double)s->recording->count)
        return NAN;
    const size_t at = (size_t)(place - REACH) - TAPER;
    size_t top = TAPER;
    load_chunk(s, at);
    correlate(s, b);
    for (size_t i = TAPER; i < TAPER + 2 * REACH; i++)
        top = fabs(s->x[i]) > fabs(s->x[top]) ? i : top;
    const double left = fabs(s->x[top - 1]), mid = fabs(s->x[top]), right = fabs(s->x[top + 1]);
    const double bend = left - 2.0 * mid + right;
    const double found = (double)(at + top) + (bend < 0.0 ? 0.5 * (left - right) / bend : 0.0);
    return found - (double)s->start[b] - (double)s->pad;
}

/* Median of the slopes between all pairs (Theil and Sen), then the median intercept. */
static void fit_line(const double *t, double *lag, size_t n, ltp_stoi_place *out)
{
    double list[BLOCKS_MAX * BLOCKS_MAX];
    size_t k = 0;
    for (size_t i = 0; i < n; i++)
        for (size_t j = i + 1; j < n; j++)
            list[k++] = (lag[j] - lag[i]) / (t[j] - t[i]);
    const double slope = lt_median(list, k);
    for (size_t i = 0; i < n; i++)
        list[i] = lag[i] - slope * t[i];
    const double start = lt_median(list, n);
    for (size_t i = 0; i < n; i++)
        list[i] = fabs(lag[i] - slope * t[i] - start);
    if (fabs(slope) > widest_fit || lt_median(list, n) > widest_spread) {
        out->lag = lt_median(lag, n);
        return;
    }
    out->lag = start;
    out->drift = slope;
    out->drift_known = true;
}

static void refine(search *s, double drift, ltp_stoi_place *out)
{
    double t[BLOCKS_MAX], lag[BLOCKS_MAX];
    size_t n = 0;
    for (size_t b = 0; b < s->blocks; b++) {
        const double guess = out->lag + drift * (double)s->start[b];
        const double found = peak_near(s, b, guess);
        if (!isnan(found)) {
            t[n] = (double)s->start[b] + 0.5 * (double)s->block;
            lag[n++] = found;
        }
    }
    if (n >= 3 && t[n - 1] - t[0] >= drift_span_s * LTP_STOI_RATE_HZ)
        fit_line(t, lag, n, out);
    else if (n > 0)
        out->lag = lt_median(lag, n);
}

lt_status ltp_stoi_find(const lt_signal *reference, const lt_signal *recording, ltp_stoi_place *out, lt_error *err)
{
    search s = {0};
    *out = (ltp_stoi_place){0};
    if ((double)recording->count > longest_s * recording->rate_hz)
        return ltp_fail(err, LT_E_ARG,
                        "a recording of %.0f s is too long to look for the reference in; cut out the part",
                        (double)recording->count / recording->rate_hz);
    double best = 0.0, best_drift = 0.0;
    size_t best_cell = 0;
    lt_status status = prepare(&s, reference, recording, err);
    if (status == LT_OK) {
        correlate_all(&s);
        const double length = s.blocks > 0 ? (double)(s.start[s.blocks - 1] - s.start[0]) : 0.0;
        const int slopes = widest_drift * length > 0.5 * CELL ? SLOPES : 1;
        for (int k = 0; k < slopes; k++) {
            const double drift = slopes > 1 ? widest_drift * (2.0 * k / (slopes - 1) - 1.0) : 0.0;
            size_t cell = 0;
            add_up(&s, drift);
            const double contrast = judge(&s, &cell);
            if (contrast > best) {
                best = contrast;
                best_cell = cell;
                best_drift = drift;
            }
        }
        if (best < least_contrast)
            status = ltp_fail(err, LT_E_SNR,
                              "the reference is not in the recording, or buried in noise (correlation %.1f times that "
                              "of chance, %.1f needed); check that it is what was played, and at the right speed",
                              sqrt(best), sqrt(least_contrast));
    }
    if (status == LT_OK) {
        out->lag = ((double)best_cell + 0.5) * CELL - (double)s.base;
        refine(&s, best_drift, out);
    }
    clear(&s);
    return status;
}
