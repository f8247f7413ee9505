/* SPDX-License-Identifier: MIT
 * Decimation to about 8 kHz, then Hann-windowed periodograms of 4 s (Welch), overlapping by half in the first two
 * minutes, one of eight after ten. Each block is also related to its own noise floor, so that one passing truck does
 * not drown what the quiet rest shows. */
#include "level/line_spectrum.h"
#include "base/alloc.h"
#include "base/vector.h"
#include "level/rank.h"

#include <math.h>
#include <string.h>

static const double highest_hz = 2450.0;  /* of the lines */
static const double low_rate_hz = 7000.0; /* the decimated rate is at least this */
static const double block_s = 4.0;
static const double shortest_s = 1.0;
static const double segment_hz = 16.0;      /* the noise floor is the median over so much ... */
static const double faintest_floor = 1e-12; /* ... but not below this part of the block's power: the FFT is float */
enum {
    SHORTEST_SEGMENT = 24,
    LONGEST_SEGMENT = 128,
    CHUNK = 512,
    OVERLAPPING_BLOCKS = 60,
    CLOSE_BLOCKS = 180,
    SPARSE = 8
};

struct ltp_line_spectrum {
    double rate_hz; /* decimated */
    size_t factor;
    size_t taps; /* of the decimator; 1 = none */
    double *fir;
    double *recent; /* [taps - 1 + CHUNK] */
    size_t phase;   /* input frames until the next output */
    size_t pause;   /* input frames until the next block begins */

    size_t block; /* frames of one block */
    lt_rfft *fft;
    double *window, *input, *windowed; /* [block] */
    size_t filled;
    lt_complex *spectrum; /* [block / 2 + 1] */

    size_t blocks, bins;
    double bin_hz;
    double shares, squares;         /* half blocks that the blocks stand for, and their squares: sums */
    double *ratio, *weight, *power; /* [bins] sums */
    double *now, *floor;            /* [bins] this block */
    double *segment;                /* [LONGEST_SEGMENT + LTP_RANK_PADDING] scratch */
};

/* ---- creation ---- */

static double bessel_i0(double x)
{
    double term = 1.0;
    double sum = 1.0;
    for (int k = 1; k < 60; k++) {
        term *= (x / (2.0 * k)) * (x / (2.0 * k));
        sum += term;
    }
    return sum;
}

/* Kaiser's window: what folds onto the lines is 70 dB down. J. F. Kaiser, Proc. IEEE ISCAS 1974. */
static const double stop_db = 70.0;

static size_t decimator_taps(double rate_hz, size_t factor)
{
    if (factor == 1)
        return 1;
    const double transition = 2.0 * LT_PI * (rate_hz / (double)factor - 2.0 * highest_hz) / rate_hz;
    return (size_t)ceil((stop_db - 7.95) / (2.285 * transition)) | 1U;
}

static void design_decimator(double *fir, size_t taps, size_t factor)
{
    const double beta = 0.1102 * (stop_db - 8.7);
    const double middle = (double)(taps - 1) / 2.0;
    double sum = 0.0;
    for (size_t i = 0; i < taps; i++) {
        const double t = (double)i - middle;
        const double angle = LT_PI * t / (double)factor;
        const double inside = 1.0 - (t / (middle + 1.0)) * (t / (middle + 1.0));
        fir[i] = (fabs(t) < 0.25 ? 1.0 : sin(angle) / angle) * bessel_i0(beta * sqrt(inside));
        sum += fir[i];
    }
    for (size_t i = 0; i < taps; i++)
        fir[i] /= sum;
}

/* |H|^2 of the decimator, by which the line levels are corrected. cos(k w) by its recurrence. */
static double decimator_power(const ltp_line_spectrum *s, double hz)
{
    const double turn = cos(2.0 * LT_PI * hz / (s->rate_hz * (double)s->factor));
    const size_t middle = s->taps / 2;
    double h = s->fir[middle];
    double last = 1.0;
    double here = turn;
    for (size_t k = 1; k <= middle; k++) {
        h += 2.0 * s->fir[middle + k] * here;
        const double next = 2.0 * turn * here - last;
        last = here;
        here = next;
    }
    return h * h;
}

static size_t bins_of(size_t block, double rate_hz)
{
    const size_t wanted = (size_t)(highest_hz * (double)block / rate_hz) + 1;
    return wanted < block / 2 ? wanted : block / 2;
}

static bool allocate(ltp_line_spectrum *s)
{
    s->fir = ltp_alloc(s->taps, sizeof *s->fir);
    s->recent = ltp_alloc(s->taps - 1 + CHUNK, sizeof *s->recent);
    s->window = ltp_alloc(s->block, sizeof *s->window);
    s->input = ltp_alloc(s->block, sizeof *s->input);
    s->windowed = ltp_alloc(s->block, sizeof *s->windowed);
    s->spectrum = ltp_alloc(s->block / 2 + 1, sizeof *s->spectrum);
    s->ratio = ltp_alloc(s->bins, sizeof *s->ratio);
    s->weight = ltp_alloc(s->bins, sizeof *s->weight);
    s->power = ltp_alloc(s->bins, sizeof *s->power);
    s->now = ltp_alloc(s->bins, sizeof *s->now);
    s->floor = ltp_alloc(s->bins, sizeof *s->floor);
    s->segment = ltp_alloc(LONGEST_SEGMENT + LTP_RANK_PADDING, sizeof *s->segment);
    return s->fir != NULL && s->recent != NULL && s->window != NULL && s->input != NULL && s->windowed != NULL &&
           s->spectrum != NULL && s->ratio != NULL && s->weight != NULL && s->power != NULL && s->now != NULL &&
           s->floor != NULL && s->segment != NULL;
}

lt_status ltp_line_spectrum_create(double rate_hz, ltp_line_spectrum **out, lt_error *err)
{
    *out = NULL;
    ltp_line_spectrum *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the search for mains hum");
    s->factor = rate_hz < 2.0 * low_rate_hz ? 1 : (size_t)(rate_hz / low_rate_hz);
    s->rate_hz = rate_hz / (double)s->factor;
    s->taps = decimator_taps(rate_hz, s->factor);
    s->block = lt_rfft_good_size((size_t)(block_s * s->rate_hz));
    s->bins = bins_of(s->block, s->rate_hz);
    s->bin_hz = s->rate_hz / (double)s->block;
    lt_status status = LT_OK;
    if (!allocate(s))
        status = ltp_fail_nomem(err, "the search for mains hum");
    if (status == LT_OK)
        status = lt_rfft_create(s->block, &s->fft, err);
    if (status != LT_OK) {
        ltp_line_spectrum_free(s);
        return status;
    }
    design_decimator(s->fir, s->taps, s->factor);
    lt_window_hann(s->window, s->block);
    *out = s;
    return LT_OK;
}

void ltp_line_spectrum_free(ltp_line_spectrum *s)
{
    if (s == NULL)
        return;
    lt_rfft_free(s->fft);
    double *const arrays[] = {s->fir,    s->recent, s->window, s->input, s->windowed, s->ratio,
                              s->weight, s->power,  s->now,    s->floor, s->segment};
    for (size_t i = 0; i < LTP_COUNT(arrays); i++)
        ltp_free(arrays[i]);
    ltp_free(s->spectrum);
    ltp_free(s);
}

static void start_sums(ltp_line_spectrum *s)
{
    s->blocks = 0;
    s->shares = s->squares = 0.0;
    memset(s->ratio, 0, s->bins * sizeof *s->ratio);
    memset(s->weight, 0, s->bins * sizeof *s->weight);
    memset(s->power, 0, s->bins * sizeof *s->power);
}

void ltp_line_spectrum_reset(ltp_line_spectrum *s)
{
    memset(s->recent, 0, (s->taps - 1 + CHUNK) * sizeof *s->recent);
    s->phase = s->pause = s->filled = 0;
    s->bins = bins_of(s->block, s->rate_hz);
    s->bin_hz = s->rate_hz / (double)s->block;
    start_sums(s);
}

/* ---- one block ---- */

/* Noise floor of each bin: medians over segments, linear between their middles. */
static void find_floor(ltp_line_spectrum *s, double faintest)
{
    size_t width = (size_t)(segment_hz / s->bin_hz);
    width = width < SHORTEST_SEGMENT ? SHORTEST_SEGMENT : width > LONGEST_SEGMENT ? LONGEST_SEGMENT : width;
    double before = -1.0;
    for (size_t from = 0; from < s->bins; from += width) {
        const size_t first = from + width <= s->bins || s->bins < width ? from : s->bins - width;
        const size_t count = s->bins - first < width ? s->bins - first : width;
        memcpy(s->segment, s->now + first, count * sizeof *s->segment);
        const double here = fmax(faintest, ltp_median_by_rank(s->segment, count));
        const double last = before < 0.0 ? here : before;
        const size_t half = width / 2; /* from the middle of the last segment to the middle of this one */
        const size_t start = from < half ? 0 : from - half;
        for (size_t i = start; i < from + width && i < s->bins; i++) {
            const double share = (double)(i + half - from) / (double)width;
            s->floor[i] = i >= from + half ? here : last + (here - last) * share;
        }
        before = here;
    }
}

/* The time that the next block stands for, in half blocks: a second counts the same wherever it is. */
static double share_of_next(const ltp_line_spectrum *s)
{
    return s->blocks < OVERLAPPING_BLOCKS ? 1.0 : s->blocks < CLOSE_BLOCKS ? 2.0 : 2.0 * SPARSE;
}

static void add_block(ltp_line_spectrum *s, lt_rfft *fft, const double *window, size_t count)
{
    const double share = share_of_next(s);
    double window_power = 0.0;
    for (size_t i = 0; i < count; i++) {
        s->windowed[i] = window[i] * s->input[i];
        window_power += window[i] * window[i];
    }
    lt_rfft_forward(fft, s->windowed, s->spectrum);
    /* The bins of a line of amplitude A hold A^2 N sum(w^2) / 4 together (Parseval). */
    const double scale = 2.0 / ((double)count * window_power);
    double total = 0.0;
    for (size_t i = 0; i < s->bins; i++) {
        s->now[i] = scale * lt_complex_power(s->spectrum[i]);
        total += s->now[i];
    }
    if (!(total > 0.0))
        return; /* digital silence says nothing about lines */
    find_floor(s, faintest_floor * total);
    for (size_t i = 0; i < s->bins; i++) {
        const double weight = 1.0 / s->floor[i];
        s->ratio[i] += share * s->now[i] * weight;
        s->weight[i] += share * weight;
        s->power[i] += share * s->now[i];
    }
    s->shares += share;
    s->squares += share * share;
    s->blocks++;
}

/* ---- stream ---- */

static void add_sample(ltp_line_spectrum *s, double x)
{
    s->input[s->filled++] = x;
    if (s->filled < s->block)
        return;
    add_block(s, s->fft, s->window, s->block);
    /* Overlapping blocks say a little more about a short recording, and cost twice as much on a long one. */
    const size_t kept = s->blocks < OVERLAPPING_BLOCKS ? s->block - s->block / 2 : 0;
    s->pause = s->blocks < CLOSE_BLOCKS ? 0 : (SPARSE - 1) * s->block * s->factor;
    memmove(s->input, s->input + s->block - kept, kept * sizeof *s->input);
    s->filled = kept;
}

/* Frames at the beginning of x[count] that are left out: the last ones of a pause fill the decimator. */
static size_t leave_out(ltp_line_spectrum *s, size_t count)
{
    const size_t past = s->taps - 1;
    const size_t out = s->pause <= past ? 0 : count < s->pause - past ? count : s->pause - past;
    s->pause -= out;
    return out;
}

LTP_WIDE void ltp_line_spectrum_push(ltp_line_spectrum *s, const double *x, size_t count)
{
    const size_t past = s->taps - 1;
    while (count > 0) {
        const size_t out = leave_out(s, count);
        x += out;
        count -= out;
        const size_t most = s->pause > 0 && s->pause < CHUNK ? s->pause : CHUNK;
        const size_t part = count < most ? count : most;
        memcpy(s->recent + past, x, part * sizeof *x);
        size_t i = s->phase;
        for (; i < part && s->pause == 0; i += s->factor)
            add_sample(s, ltp_dot(s->fir, s->recent + i, s->taps));
        s->phase = s->pause == 0 ? i - part : 0;
        s->pause -= part > i ? part - i : 0; /* none of it unless there is a pause */
        memmove(s->recent, s->recent + part, past * sizeof *s->recent);
        x += part;
        count -= part;
    }
}

static size_t good_size_below(size_t count)
{
    for (size_t less = 0; less + 16 < count; less += count / 64 + 1) {
        const size_t size = lt_rfft_good_size(count - less);
        if (size <= count)
            return size;
    }
    return 0;
}

/* Less than one block came in: what there is, as one block of its own length. */
static lt_status add_short_block(ltp_line_spectrum *s, lt_error *err)
{
    const size_t count = good_size_below(s->filled);
    if ((double)count < shortest_s * 0.98 * s->rate_hz)
        return LT_OK;
    lt_rfft *fft = NULL;
    double *window = ltp_alloc(count, sizeof *window);
    lt_status status = window == NULL ? ltp_fail_nomem(err, "the search for mains hum") : LT_OK;
    if (status == LT_OK)
        status = lt_rfft_create(count, &fft, err);
    if (status == LT_OK) {
        lt_window_hann(window, count);
        s->bins = bins_of(count, s->rate_hz);
        s->bin_hz = s->rate_hz / (double)count;
        add_block(s, fft, window, count);
    }
    lt_rfft_free(fft);
    ltp_free(window);
    return status;
}

lt_status ltp_line_spectrum_finish(ltp_line_spectrum *s, ltp_line_view *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    if (s->blocks == 0) {
        const lt_status status = add_short_block(s, err);
        if (status != LT_OK)
            return status;
    }
    const double shares = s->blocks == 0 ? 1.0 : s->shares;
    for (size_t i = 0; i < s->bins; i++) {
        const double gain = decimator_power(s, (double)i * s->bin_hz);
        s->ratio[i] /= shares;
        s->weight[i] *= gain / shares; /* power / gain = ratio / weight at the input */
        s->power[i] /= shares * gain;
    }
    const double equal = s->blocks == 0 ? 0.0 : s->shares * s->shares / s->squares;
    *out = (ltp_line_view){s->blocks, equal, s->bins, s->bin_hz, s->ratio, s->weight, s->power};
    return LT_OK;
}
