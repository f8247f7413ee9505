/* SPDX-License-Identifier: MIT
 * Howl: a tone that stays where it is and grows by the same number of decibels every moment, for a loop that is just
 * unstable grows exponentially at one frequency. Short spectra, their levels and phases over the last quarter second.
 * The limits are ours, set on simulated loops, sweeps, speech, traffic and hum. Levels in dBFS. */
#include "base/alloc.h"
#include <lanetune/level.h>

#include <math.h>
#include <string.h>

enum { DEPTH = 21, OVERLAP = 4, PEAKS = 8, STEADY = 11, NEAR = 5, FAR = 20, MEMORY = 90, SPREAD = 2 };
static const double frame_s = 0.0427;
static const double lowest_hz = 90.0, highest_hz = 10000.0, highest_of_rate = 0.45;
static const double hold_s = 0.2;         /* a sweep comes back as late as this */
static const double tonal = 100.0;        /* played: power over the median of its spectrum */
static const double tonal_of_peak = 1e-5; /* ... and of its highest */
static const double prominence_db = 17.0; /* over what lies beside it */
static const double valley = 10.0;
static const double mate_db = 25.0;      /* a harmonic that is weaker than this says nothing */
static const double rise_least_db = 3.2; /* over the last quarter second */
static const double slope_most_db_s = 270.0;
static const double third_least = 0.18; /* share of the rise in each third of the time */
static const double scatter_of_rise = 0.19, scatter_least_db = 0.35, scatter_most_db = 1.6;
static const double moving = 0.003, moving_hz = 1.0; /* of a tone that stays, over all */
static const double jitter = 0.006, jitter_hz = 7.0; /* ... and from moment to moment */
static const double falling_db_s = -6.0;             /* a howl that was seen to rise and has reached its limit */
static const double quiet_dbfs = -60.0;              /* what is quieter harms nobody, and a howl does not stay there */

struct lt_howl {
    double rate_hz;
    size_t n, hop, bins, first, last; /* bins that are looked at */
    size_t hold_hops;
    lt_rfft *fft;
    double *window, *x, *played, *work;
    lt_complex *spectrum;   /* [DEPTH x bins], ring */
    double *power;          /* [bins] of the newest */
    double *reference;      /* [bins] of what was played */
    double *sorted;         /* [bins] */
    uint32_t *masked_until; /* [bins] hop number */
    uint32_t *rose_until;   /* [bins] a rise that was seen while the bin was masked counts until then */
    size_t filled;          /* samples in x that are new */
    uint32_t hops;
    uint64_t pushed;
    double scale; /* |X|^2 of the three bins of a tone to its mean square */
    bool found;
    lt_howl_event event;
};

void lt_howl_free(lt_howl *h)
{
    if (h == NULL)
        return;
    lt_rfft_free(h->fft);
    ltp_free(h->window);
    ltp_free(h->x);
    ltp_free(h->played);
    ltp_free(h->work);
    ltp_free(h->spectrum);
    ltp_free(h->power);
    ltp_free(h->reference);
    ltp_free(h->sorted);
    ltp_free(h->masked_until);
    ltp_free(h->rose_until);
    ltp_free(h);
}

static bool allocate(lt_howl *h)
{
    h->window = ltp_alloc(h->n, sizeof *h->window);
    h->x = ltp_alloc(h->n, sizeof *h->x);
    h->played = ltp_alloc(h->n, sizeof *h->played);
    h->work = ltp_alloc(h->n, sizeof *h->work);
    h->spectrum = ltp_alloc(DEPTH * h->bins, sizeof *h->spectrum);
    h->power = ltp_alloc(h->bins, sizeof *h->power);
    h->reference = ltp_alloc(h->bins, sizeof *h->reference);
    h->sorted = ltp_alloc(h->bins, sizeof *h->sorted);
    h->masked_until = ltp_alloc(h->bins, sizeof *h->masked_until);
    h->rose_until = ltp_alloc(h->bins, sizeof *h->rose_until);
    return h->window && h->x && h->played && h->work && h->spectrum && h->power && h->reference && h->sorted &&
           h->masked_until && h->rose_until;
}

lt_status lt_howl_create(double rate_hz, lt_howl **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz >= 8000.0 && rate_hz <= 200000.0))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz; the howl detector takes 8000 to 200000 Hz", rate_hz);
    lt_howl *h = ltp_alloc(1, sizeof *h);
    if (h == NULL)
        return ltp_fail_nomem(err, "the howl detector");
    h->rate_hz = rate_hz;
    h->hop = (size_t)ceil(frame_s * rate_hz / OVERLAP / 32.0) * 32;
    h->n = h->hop * OVERLAP;
    h->bins = h->n / 2 + 1;
    h->first = (size_t)ceil(lowest_hz * (double)h->n / rate_hz);
    h->last = (size_t)(fmin(highest_hz, highest_of_rate * rate_hz) * (double)h->n / rate_hz);
    h->hold_hops = (size_t)ceil(hold_s * rate_hz / (double)h->hop);
    const lt_status st = lt_rfft_create(h->n, &h->fft, err);
    if (st != LT_OK || !allocate(h)) {
        lt_howl_free(h);
        return st != LT_OK ? st : ltp_fail_nomem(err, "the howl detector");
    }
    lt_window_hann(h->window, h->n);
    /* A sine of amplitude 1 gives |X| = n/4 at its bin, n/8 at both neighbours: together 3/32 n^2, mean square 1/2. */
    h->scale = 0.5 * 32.0 / (3.0 * (double)h->n * (double)h->n);
    *out = h;
    return LT_OK;
}

void lt_howl_reset(lt_howl *h)
{
    memset(h->x, 0, h->n * sizeof *h->x);
    memset(h->played, 0, h->n * sizeof *h->played);
    memset(h->spectrum, 0, DEPTH * h->bins * sizeof *h->spectrum);
    memset(h->masked_until, 0, h->bins * sizeof *h->masked_until);
    memset(h->rose_until, 0, h->bins * sizeof *h->rose_until);
    h->filled = 0;
    h->hops = 0;
    h->pushed = 0;
    h->found = false;
    h->event = (lt_howl_event){0};
}

static const lt_complex *spectrum_at(const lt_howl *h, size_t hops_ago)
{
    return h->spectrum + (h->hops + DEPTH - 1 - hops_ago) % DEPTH * h->bins;
}

static double tone_power(const lt_complex *x, size_t k)
{
    return lt_complex_power(x[k - 1]) + lt_complex_power(x[k]) + lt_complex_power(x[k + 1]);
}

static void transform(lt_howl *h, const double *x, lt_complex *spectrum)
{
    for (size_t i = 0; i < h->n; i++)
        h->work[i] = x[i] * h->window[i];
    lt_rfft_forward(h->fft, h->work, spectrum);
}

static void mask_about(lt_howl *h, double bin)
{
    const double half = SPREAD + 0.02 * bin;
    const size_t from = bin > half ? (size_t)(bin - half) : 0;
    for (size_t k = from; k < h->bins && (double)k <= bin + half; k++)
        h->masked_until[k] = h->hops + (uint32_t)h->hold_hops;
}

/* Tones in what is played, and where their distortion would lie. */
static void mask_played(lt_howl *h)
{
    lt_complex *x = h->spectrum + h->hops % DEPTH * h->bins; /* the oldest: its place is free now */
    bool silent = true;
    for (size_t i = 0; i < h->n && silent; i++)
        silent = !(fabs(h->played[i]) > 0.0);
    if (silent)
        return;
    transform(h, h->played, x);
    double top = 0.0;
    for (size_t k = 0; k < h->bins; k++) {
        h->reference[k] = lt_complex_power(x[k]);
        top = fmax(top, h->reference[k]);
    }
    memcpy(h->sorted, h->reference, h->bins * sizeof *h->sorted);
    const double least = fmax(tonal * lt_median(h->sorted, h->bins), tonal_of_peak * top);
    for (size_t k = 1; k + 1 < h->bins; k++) {
        const bool peak = h->reference[k] >= h->reference[k - 1] && h->reference[k] > h->reference[k + 1];
        if (!peak || !(h->reference[k] > least) || !(h->reference[k] > 0.0))
            continue;
        for (double m = 1.0; m <= 5.0 && m * (double)k < (double)h->bins; m += 1.0)
            mask_about(h, m * (double)k);
    }
}

/* Mean power beside a peak, dB below it; what is played does not count. */
static double prominence(const lt_howl *h, size_t k)
{
    const size_t low = k > FAR ? k - FAR : 1, high = k + FAR < h->bins ? k + FAR : h->bins - 1;
    double sum = 0.0, count = 0.0;
    for (size_t j = low; j <= high; j++)
        if ((j + NEAR < k || j > k + NEAR) && h->hops >= h->masked_until[j]) {
            sum += h->power[j];
            count += 1.0;
        }
    return count > 0.0 ? lt_db_from_power(h->power[k] / (sum / count + 1e-30)) : 0.0;
}

/* Hz of bin k between two hops. */
static double between_hops(const lt_howl *h, const lt_complex *now, const lt_complex *before, size_t k, lt_complex *sum)
{
    const lt_complex turn = lt_complex_multiply(now[k], (lt_complex){before[k].re, -before[k].im});
    const double expected = 2.0 * LT_PI * (double)h->hop * (double)k / (double)h->n;
    /* turned back by what the bin's own frequency turns, the rest is small */
    const lt_complex rest = lt_complex_multiply(turn, (lt_complex){cos(expected), -sin(expected)});
    sum->re += rest.re;
    sum->im += rest.im;
    return ((double)k + atan2(rest.im, rest.re) * (double)h->n / (2.0 * LT_PI * (double)h->hop)) * h->rate_hz /
           (double)h->n;
}

/* One frequency for the last moments. */
static bool stays(const lt_howl *h, size_t k, double *hz)
{
    lt_complex older = {0}, newer = {0};
    const size_t half = STEADY / 2;
    double f[STEADY], first_hz = 0.0, last_hz = 0.0, apart_hz = 0.0;
    for (size_t i = 0; i < STEADY; i++) {
        f[i] = between_hops(h, spectrum_at(h, i), spectrum_at(h, i + 1), k, i < half ? &newer : &older);
        if (i < half)
            last_hz += f[i] / (double)half;
        else
            first_hz += f[i] / (double)(STEADY - half);
    }
    const double sum_re = older.re + newer.re, sum_im = older.im + newer.im;
    const double turn = atan2(sum_im, sum_re) * (double)h->n / (2.0 * LT_PI * (double)h->hop);
    *hz = ((double)k + turn) * h->rate_hz / (double)h->n;
    for (size_t i = 0; i < STEADY; i++)
        apart_hz = fmax(apart_hz, fabs(f[i] - *hz));
    return fabs(turn) < 1.5 && fabs(last_hz - first_hz) < fmax(moving * *hz, moving_hz) &&
           apart_hz < fmax(jitter * *hz, jitter_hz);
}

/* The level of the last quarter second is a straight line upwards. */
static bool rises(const lt_howl *h, size_t k, double *slope_db_s, double *level_db)
{
    double y[DEPTH], sum = 0.0, moment = 0.0, third[3] = {0};
    const double centre = 0.5 * (DEPTH - 1);
    for (size_t i = 0; i < DEPTH; i++) {
        y[i] = lt_db_from_power(h->scale * tone_power(spectrum_at(h, DEPTH - 1 - i), k) + 1e-20);
        sum += y[i];
        moment += ((double)i - centre) * y[i];
    }
    const double per_hop = moment / ((double)DEPTH * ((double)DEPTH * (double)DEPTH - 1.0) / 12.0);
    const double mean = sum / DEPTH, rise = per_hop * (DEPTH - 1);
    double square = 0.0;
    for (size_t i = 0; i < DEPTH; i++) {
        const double off = y[i] - mean - per_hop * ((double)i - centre);
        square += off * off;
        third[i * 3 / DEPTH] += y[i] / ((double)DEPTH / 3.0);
    }
    const double scatter = sqrt(square / (DEPTH - 2));
    *slope_db_s = per_hop * h->rate_hz / (double)h->hop;
    *level_db = y[DEPTH - 1] + 3.0103; /* mean square to dBFS */
    const double share = third_least * rise;
    return rise >= rise_least_db && *slope_db_s < slope_most_db_s && third[1] - third[0] > share &&
           third[2] - third[1] > share && y[DEPTH - 1] > third[2] - 0.5 &&
           scatter < fmin(fmax(scatter_of_rise * rise, scatter_least_db), scatter_most_db);
}

/* A peak with valleys on both sides. */
static bool stands(const lt_howl *h, size_t j)
{
    double left = h->power[j], right = h->power[j];
    if (h->power[j] < h->power[j - 1] || h->power[j] < h->power[j + 1])
        return false;
    for (size_t i = 2; i <= 4; i++) {
        left = fmin(left, h->power[j - i]);
        right = fmin(right, h->power[j + i]);
    }
    return h->power[j] > valley * fmax(left, right);
}

/* A voice or an engine has partials; a young howl stands alone. */
static bool has_mates(const lt_howl *h, size_t k, double hz)
{
    static const double ratios[] = {0.5, 2.0, 1.5, 2.0 / 3.0, 3.0, 1.0 / 3.0};
    for (size_t i = 0; i < LTP_COUNT(ratios); i++) {
        const double bin = ratios[i] * hz * (double)h->n / h->rate_hz;
        for (size_t j = (size_t)bin - 1; j <= (size_t)bin + 2; j++) {
            if (bin < 6.0 || j + 5 >= h->bins || h->hops < h->masked_until[j])
                continue;
            if (stands(h, j) && h->power[j] > h->power[k] * lt_power_from_db(-mate_db))
                return true;
        }
    }
    return false;
}

/* The strongest peaks, in falling order. */
static size_t find_peaks(const lt_howl *h, size_t *peaks)
{
    size_t count = 0;
    for (size_t k = h->first; k <= h->last && k + 2 < h->bins; k++) {
        if (h->power[k] < h->power[k - 1] || h->power[k] <= h->power[k + 1])
            continue;
        size_t at = count < PEAKS ? count++ : PEAKS;
        for (; at > 0 && h->power[k] > h->power[peaks[at - 1]]; at--)
            if (at < PEAKS)
                peaks[at] = peaks[at - 1];
        if (at < PEAKS)
            peaks[at] = k;
    }
    return count;
}

/* A howl may start while a sweep passes its frequency and reach the limiter before that has gone by. */
static bool rose_unseen(lt_howl *h, size_t k, bool rising)
{
    const bool rose = h->hops <= h->rose_until[k];
    if (rising && h->hops < h->masked_until[k])
        for (size_t j = k - 1; j <= k + 1; j++)
            h->rose_until[j] = h->hops + MEMORY;
    return rose;
}

static void look(lt_howl *h)
{
    size_t peaks[PEAKS];
    const size_t count = find_peaks(h, peaks);
    for (size_t i = 0; i < count && !h->found; i++) {
        double hz, slope_db_s, level_db;
        const size_t k = peaks[i];
        const bool prominent = prominence(h, k) >= prominence_db && stays(h, k, &hz);
        const bool rising = prominent && rises(h, k, &slope_db_s, &level_db);
        const bool rose = prominent && rose_unseen(h, k, rising);
        if ((!rising && !rose) || h->hops < h->masked_until[k] || has_mates(h, k, hz))
            continue;
        if (!rising)
            (void)rises(h, k, &slope_db_s, &level_db);
        if (level_db < quiet_dbfs || slope_db_s < falling_db_s)
            continue;
        h->found = true;
        h->event = (lt_howl_event){
            .hz = hz, .at_s = (double)h->pushed / h->rate_hz, .rise_db_per_s = slope_db_s, .level_dbfs = level_db};
    }
}

static void hop(lt_howl *h)
{
    mask_played(h);
    lt_complex *x = h->spectrum + h->hops % DEPTH * h->bins;
    transform(h, h->x, x);
    for (size_t k = 0; k < h->bins; k++)
        h->power[k] = lt_complex_power(x[k]);
    h->hops++;
    if (h->hops >= DEPTH)
        look(h);
    memmove(h->x, h->x + h->hop, (h->n - h->hop) * sizeof *h->x);
    memmove(h->played, h->played + h->hop, (h->n - h->hop) * sizeof *h->played);
    h->filled = 0;
}

bool lt_howl_push(lt_howl *h, const double *x, const double *played, size_t count, lt_howl_event *event)
{
    for (size_t i = 0; i < count && !h->found; i++) {
        const size_t at = h->n - h->hop + h->filled;
        h->x[at] = isfinite(x[i]) ? x[i] : 0.0;
        h->played[at] = played != NULL && isfinite(played[i]) ? played[i] : 0.0;
        h->pushed++;
        if (++h->filled == h->hop)
            hop(h);
    }
    if (event != NULL)
        *event = h->event;
    return h->found;
}
