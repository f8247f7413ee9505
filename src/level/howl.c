/* SPDX-License-Identifier: MIT
 * Howl: a tone that stays where it is and grows by the same number of decibels every moment, for a loop that is just
 * unstable grows exponentially at one frequency. Short spectra, their levels and phases over the last quarter second,
 * and over seconds for what grows slowly. A note swells, too, but flattens as it does: a howl never does before the
 * limiter. Where a sweep passes, what it wakes is told by not falling as the lane's own return does; tones that come
 * together take longer to be believed.
 * The limits are ours, set on simulated loops, sweeps, speech, traffic and hum. Levels in dBFS. */
#include "level/howl.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { HARMONICS = 3, OVERLAP = 4, PEAKS = 8, STEADY = 11, NEAR = LTP_HOWL_NEAR, FAR = LTP_HOWL_FAR, MEMORY = 90 };
enum {
    AFTER = LTP_HOWL_AFTER,
    SPREAD = 2,
    PACE_FROM = 8,
    COARSE = LTP_HOWL_MEAN,
    STEEP = 12,
    WOKEN = 17,
    GONE = 2
}; /* hops, bins; hops in a mean, of a steep rise */
static const size_t spans[] = {7, 10, 15, 21, 30, 42, 60, LTP_HOWL_MEANS}; /* means looked at: 0.3 s to 4.3 s */
enum {
    HIT = 2,
    FAST = 4,
    SLOW = 6,
    CROWDED = 10
}; /* points: a hop with a rise earns HIT, each costs 1; what an alarm takes */
static const double frame_s = 0.0427;
static const double lowest_hz = 90.0, highest_hz = 10000.0, highest_of_rate = 0.45;
static const double hold_s = 0.08;        /* a sweep comes back, and rings on, as late as this */
static const double still_s = 0.5;        /* a played tone that stays: its distortion stays, too */
static const double tonal = 100.0;        /* played: power over the median of its spectrum */
static const double tonal_of_peak = 1e-5; /* ... and of its highest */
static const double prominence_db = LTP_HOWL_PROMINENCE_DB;
static const double rise_least_db = 11.0, long_least_db = 9.0; /* within a quarter second; within a longer span */
static const double woken_least_db = 3.2;  /* ... after a sweep has just passed: what a lane rings on falls */
static const double steep_least_db = 14.0; /* ... within the shortest one */
static const double fast_db_s = 35.0, fast_hz = 190.0; /* from here on fewer points are enough */
static const double slope_least_db_s = 2.8, slope_most_db_s = LTP_HOWL_STEEPEST_DB_S;
static const double third_least = 0.18; /* share of the rise in each third of the time */
static const double bend_most_db = 1.0; /* second half of the rise under the first: a note's attack flattens */
static const double valid_least = 0.7;  /* share of a span without anything played */
static const double scatter_of_rise = 0.19, long_scatter = 0.12, scatter_least_db = 0.35, scatter_most_db = 1.6;
static const double moving = 0.003, moving_hz = 1.0; /* of a tone that stays, over all */
static const double jitter = 0.006, jitter_hz = 7.0; /* ... and from moment to moment */
static const double woken_short_db = 2.6;            /* ... within WOKEN hops */
static const double dead_straight_db = 0.03,
                    dead_straight_least_db = 2.0; /* ... of scatter: no note swells like that */
static const double straight_db = 0.6; /* what scatters less may be told beside a sweep that has not gone yet */
static const double outlasts_prominence_db = 12.0, loose = 1.5; /* with others beside it; see stays */
static const double falling_db_s = -6.0; /* a howl that was seen to rise and has reached its limit */
static const double quiet_dbfs = -60.0;  /* what is quieter harms nobody, and a howl does not stay there */

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
    ltp_free(h->sum);
    ltp_free(h->mean);
    ltp_free(h->reference);
    ltp_free(h->sorted);
    ltp_free(h->struck);
    ltp_free(h->most);
    ltp_free(h->passed);
    ltp_free(h->crowded_until);
    ltp_free(h->chirped);
    ltp_free(h->masked_until);
    ltp_free(h->flank_until);
    ltp_free(h->swept_until);
    ltp_free(h->peak_since);
    ltp_free(h->peak_last);
    ltp_free(h->points);
    ltp_free(h->company);
    ltp_free(h->rose_until);
    ltp_free(h);
}

static bool allocate(lt_howl *h)
{
    h->window = ltp_alloc(h->n, sizeof *h->window);
    h->x = ltp_alloc(h->n, sizeof *h->x);
    h->played = ltp_alloc(h->n, sizeof *h->played);
    h->work = ltp_alloc(h->n, sizeof *h->work);
    h->spectrum = ltp_alloc(LTP_HOWL_DEPTH * h->bins, sizeof *h->spectrum);
    h->power = ltp_alloc(h->bins, sizeof *h->power);
    h->sum = ltp_alloc(h->bins, sizeof *h->sum);
    h->mean = ltp_alloc(LTP_HOWL_MEANS * h->bins, sizeof *h->mean);
    h->reference = ltp_alloc(h->bins, sizeof *h->reference);
    h->sorted = ltp_alloc(h->bins, sizeof *h->sorted);
    h->struck = ltp_alloc(h->bins, sizeof *h->struck);
    h->most = ltp_alloc(h->bins, sizeof *h->most);
    h->crowded_until = ltp_alloc(h->bins, sizeof *h->crowded_until);
    h->passed = ltp_alloc(h->bins, sizeof *h->passed);
    h->chirped = ltp_alloc(h->bins, sizeof *h->chirped);
    h->masked_until = ltp_alloc(h->bins, sizeof *h->masked_until);
    h->flank_until = ltp_alloc(h->bins, sizeof *h->flank_until);
    h->swept_until = ltp_alloc(h->bins, sizeof *h->swept_until);
    h->peak_since = ltp_alloc(h->bins, sizeof *h->peak_since);
    h->peak_last = ltp_alloc(h->bins, sizeof *h->peak_last);
    h->company = ltp_alloc(h->bins, sizeof *h->company);
    h->points = ltp_alloc(h->bins, sizeof *h->points);
    h->rose_until = ltp_alloc(h->bins, sizeof *h->rose_until);
    return h->window && h->x && h->played && h->work && h->spectrum && h->power && h->sum && h->mean && h->reference &&
           h->sorted && h->struck && h->most && h->passed && h->crowded_until && h->chirped && h->masked_until &&
           h->flank_until && h->swept_until && h->peak_since && h->peak_last && h->points && h->company &&
           h->rose_until;
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
    memset(h->spectrum, 0, LTP_HOWL_DEPTH * h->bins * sizeof *h->spectrum);
    memset(h->masked_until, 0, h->bins * sizeof *h->masked_until);
    memset(h->flank_until, 0, h->bins * sizeof *h->flank_until);
    memset(h->swept_until, 0, h->bins * sizeof *h->swept_until);
    memset(h->peak_since, 0, h->bins * sizeof *h->peak_since);
    memset(h->peak_last, 0, h->bins * sizeof *h->peak_last);
    memset(h->company, 0, h->bins * sizeof *h->company);
    memset(h->points, 0, h->bins * sizeof *h->points);
    memset(h->rose_until, 0, h->bins * sizeof *h->rose_until);
    memset(h->sum, 0, h->bins * sizeof *h->sum);
    memset(h->struck, 0, h->bins * sizeof *h->struck);
    memset(h->most, 0, h->bins * sizeof *h->most);
    memset(h->crowded_until, 0, h->bins * sizeof *h->crowded_until);
    memset(h->passed, 0, h->bins * sizeof *h->passed);
    memset(h->chirped, 0, h->bins * sizeof *h->chirped);
    memset(h->pace, 0, sizeof h->pace);
    memset(h->loudest, 0, sizeof h->loudest);
    h->means = 0;
    h->filled = 0;
    h->hops = 0;
    h->pushed = 0;
    h->found = false;
    h->event = (lt_howl_event){0};
}

const lt_complex *ltp_howl_spectrum(const lt_howl *h, size_t hops_ago)
{
    return h->spectrum + (h->hops + LTP_HOWL_DEPTH - 1 - hops_ago) % LTP_HOWL_DEPTH * h->bins;
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

static void mask_about(const lt_howl *h, uint32_t *until, double bin, double below, double above)
{
    const size_t from = bin > below ? (size_t)(bin - below) : 0;
    for (size_t k = from; k < h->bins && (double)k <= bin + above; k++)
        until[k] = h->hops + (uint32_t)h->hold_hops;
}

static uint32_t later(uint32_t a, uint32_t b)
{
    return a > b ? a : b;
}

/* The played tone at bin k came from below. */
static bool moves_up(const lt_howl *h, size_t k)
{
    const uint32_t below = k > 1 ? later(h->peak_last[k - 1], h->peak_last[k - 2]) : 0;
    const uint32_t above = k + 2 < h->bins ? later(h->peak_last[k + 1], h->peak_last[k + 2]) : 0;
    return below > above;
}

/* A marker passes within a tenth of a second: too fast to tell what it woke from what came meanwhile. So is the first
 * moment of any tone. */
static void mark_chirp(lt_howl *h, size_t k)
{
    const size_t then = h->pace[(h->hops + LTP_HOWL_DEPTH - LTP_HOWL_PACE) % LTP_HOWL_DEPTH];
    const double bin = (double)k, half = SPREAD + 0.02 * bin;
    for (size_t j = bin > half ? (size_t)(bin - half) : 0; j < h->bins && (double)j <= bin + half; j++)
        h->chirped[j] = k >= PACE_FROM && (then == 0 || k > 2 * then);
}

static bool is_still(const lt_howl *h, size_t k)
{
    return (double)((h->hops - h->peak_since[k]) * h->hop) > still_s * h->rate_hz;
}

/* A tone is played at bin k. The distortion of a sweep moves faster than the sweep and is no howl by itself. */
static void mask_tone(lt_howl *h, size_t k)
{
    const double bin = (double)k;
    if (h->hops > h->peak_last[k] + 2)
        h->peak_since[k] = h->hops;
    h->peak_last[k] = h->hops;
    const bool still = is_still(h, k);
    mask_about(h, h->flank_until, bin, 8.0 + 0.06 * bin, 8.0 + 0.06 * bin);
    for (int m = 1; m <= (still ? HARMONICS : 1) && m * bin < (double)h->bins; m++) {
        const double half = SPREAD + 0.02 * m * bin;
        mask_about(h, h->masked_until, m * bin, half, half);
        mask_about(h, h->swept_until, m * bin + 0.99, (moves_up(h, k) ? half / 2.0 : half) + (m > 1 ? 0.99 : 0.0),
                   half - 0.99);
    }
    mark_chirp(h, k);
}

/* Tones in what is played. */
static void mask_played(lt_howl *h)
{
    lt_complex *x = h->spectrum + h->hops % LTP_HOWL_DEPTH * h->bins; /* the oldest: its place is free now */
    bool silent = true;
    for (size_t i = 0; i < h->n && silent; i++)
        silent = !(fabs(h->played[i]) > 0.0);
    h->tone_bin = 0;
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
        mask_tone(h, k);
        if (h->tone_bin == 0 || h->reference[k] > h->reference[h->tone_bin])
            h->tone_bin = k;
    }
}

/* Mean power beside a peak, dB below it; what is played does not count. */
static double prominence(const lt_howl *h, size_t k)
{
    const size_t low = k > FAR ? k - FAR : 1, high = k + FAR < h->bins ? k + FAR : h->bins - 1;
    double sum = 0.0, count = 0.0;
    for (size_t j = low; j <= high; j++)
        if ((j + NEAR < k || j > k + NEAR) && h->hops >= h->flank_until[j]) {
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
bool ltp_howl_stays(const lt_howl *h, size_t k, size_t n, double limits, double *hz)
{
    lt_complex older = {0}, newer = {0};
    const size_t half = n / 2;
    double f[LTP_HOWL_DEPTH - 1], first_hz = 0.0, last_hz = 0.0, apart_hz = 0.0;
    for (size_t i = 0; i < n; i++) {
        f[i] = between_hops(h, ltp_howl_spectrum(h, i), ltp_howl_spectrum(h, i + 1), k, i < half ? &newer : &older);
        if (i < half)
            last_hz += f[i] / (double)half;
        else
            first_hz += f[i] / (double)(n - half);
    }
    const double sum_re = older.re + newer.re, sum_im = older.im + newer.im;
    const double turn = atan2(sum_im, sum_re) * (double)h->n / (2.0 * LT_PI * (double)h->hop);
    *hz = ((double)k + turn) * h->rate_hz / (double)h->n;
    for (size_t i = 0; i < n; i++)
        apart_hz = fmax(apart_hz, fabs(f[i] - *hz));
    return fabs(turn) < 1.5 && fabs(last_hz - first_hz) < limits * fmax(moving * *hz, moving_hz) &&
           apart_hz < limits * fmax(jitter * *hz, jitter_hz);
}

static bool stays(const lt_howl *h, size_t k, size_t n, double *hz)
{
    return ltp_howl_stays(h, k, n, 1.0, hz);
}

/* A straight line through y[n], without those that are NaN. False: too few. */
bool ltp_howl_fit(const double *y, size_t n, ltp_howl_line *out)
{
    double count = 0.0, sx = 0.0, sy = 0.0, sxx = 0.0, sxy = 0.0, square = 0.0, in_third[3] = {0};
    *out = (ltp_howl_line){.last_db = y[n - 1]};
    for (size_t i = 0; i < n; i++) {
        if (isnan(y[i]))
            continue;
        count += 1.0;
        sx += (double)i;
        sy += y[i];
        sxx += (double)i * (double)i;
        sxy += (double)i * y[i];
        out->third[i * 3 / n] += y[i];
        in_third[i * 3 / n] += 1.0;
    }
    for (size_t i = 0; i < 3; i++)
        out->third[i] = in_third[i] > 0.0 ? out->third[i] / in_third[i] : (double)NAN; /* none there */
    if (count < valid_least * (double)n || isnan(out->third[0] + out->third[1] + out->third[2] + out->last_db))
        return false;
    const double slope = (sxy - sx * sy / count) / (sxx - sx * sx / count);
    for (size_t i = 0; i < n; i++) {
        const double off = y[i] - sy / count - slope * ((double)i - sx / count);
        square += isnan(off) ? 0.0 : off * off;
    }
    out->rise_db = slope * (double)(n - 1);
    out->scatter_db = sqrt(square / (count - 2.0));
    return true;
}

/* Upwards all the way, and not ever slower. */
static bool is_growth(const ltp_howl_line *l, double least_db, double scatter)
{
    const double first = l->third[1] - l->third[0], second = l->third[2] - l->third[1];
    const double share = third_least * l->rise_db;
    return l->rise_db >= least_db && first > share && second > share && second > first - bend_most_db &&
           l->last_db > l->third[2] - 0.5 &&
           l->scatter_db < fmin(fmax(scatter * l->rise_db, scatter_least_db), scatter_most_db);
}

double ltp_howl_level(const lt_howl *h, double power)
{
    return lt_db_from_power(h->scale * power + 1e-20);
}

/* The last `n` means of bin k. */
void ltp_howl_history(const lt_howl *h, size_t k, size_t n, double *y)
{
    for (size_t i = 0; i < n; i++) {
        const float *m = h->mean + (h->means - n + i) % LTP_HOWL_MEANS * h->bins + k;
        y[i] = ltp_howl_level(h, (double)m[-1] + (double)m[0] + (double)m[1]);
    }
}

typedef struct {
    double hz, slope_db_s, level_db;
    bool straight;
} tone;

/* ... over the last n of y[LTP_HOWL_DEPTH] */
static bool rises_shortly(const lt_howl *h, const double *y, size_t n, double least_db, tone *t)
{
    ltp_howl_line l;
    if (!ltp_howl_fit(y + LTP_HOWL_DEPTH - n, n, &l) || !is_growth(&l, least_db, scatter_of_rise))
        return false;
    t->slope_db_s = l.rise_db * h->rate_hz / ((double)h->hop * (double)(n - 1));
    return true;
}

/* ... over seconds */
static bool rises_slowly(const lt_howl *h, size_t k, tone *t)
{
    double y[LTP_HOWL_MEANS];
    ltp_howl_line l;
    const size_t n = h->means < LTP_HOWL_MEANS ? h->means : LTP_HOWL_MEANS;
    ltp_howl_history(h, k, n, y);
    for (size_t s = 0; s < LTP_COUNT(spans) && n >= spans[s]; s++) {
        if (!ltp_howl_fit(y + n - spans[s], spans[s], &l) || !is_growth(&l, long_least_db, long_scatter))
            continue;
        t->slope_db_s = l.rise_db * h->rate_hz / ((double)h->hop * COARSE * (double)(spans[s] - 1));
        return t->slope_db_s >= slope_least_db_s;
    }
    return false;
}

/* The level of bin k is a straight line upwards: over the last quarter second, or over as many seconds as slow growth
 * needs to be told from chance. A lone tone where a sweep has just passed needs less: what a lane rings on falls. */
static bool rises(const lt_howl *h, size_t k, bool alone, tone *t)
{
    double y[LTP_HOWL_DEPTH];
    ltp_howl_line l;
    for (size_t i = 0; i < LTP_HOWL_DEPTH; i++)
        y[i] = ltp_howl_level(h, tone_power(ltp_howl_spectrum(h, LTP_HOWL_DEPTH - 1 - i), k));
    t->level_db = y[LTP_HOWL_DEPTH - 1] + 3.0103; /* mean square to dBFS */
    (void)ltp_howl_fit(y, LTP_HOWL_DEPTH, &l);
    t->slope_db_s = l.rise_db * h->rate_hz / ((double)h->hop * (LTP_HOWL_DEPTH - 1));
    if (t->slope_db_s >= slope_most_db_s)
        return false;
    const bool woken = alone && h->masked_until[k] > 0 && !h->chirped[k] && h->hops < h->masked_until[k] + AFTER;
    const double least_db = l.scatter_db < dead_straight_db ? dead_straight_least_db : woken_least_db;
    const bool fast = is_growth(&l, rise_least_db, scatter_of_rise);
    const bool on = woken && is_growth(&l, least_db, scatter_of_rise);
    t->straight = l.scatter_db < straight_db && (fast || (on && h->hops >= h->swept_until[k]));
    if (fast || on)
        return true;
    if ((woken && rises_shortly(h, y, WOKEN, woken_short_db, t)) || rises_shortly(h, y, STEEP, steep_least_db, t))
        return t->slope_db_s < slope_most_db_s;
    return rises_slowly(h, k, t);
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

/* One rise may be chance. Several tones that come together are more likely music than modes of one loop. */
static bool earns(lt_howl *h, size_t k, double hz, double slope_db_s, bool alone)
{
    uint8_t p = h->points[k];
    for (size_t j = k - 1; j <= k + 1; j++)
        p = h->points[j] > p ? h->points[j] : p;
    h->points[k] = p < 2 * SLOW ? (uint8_t)(p + HIT) : p;
    if (!alone)
        return h->points[k] >= CROWDED;
    return h->points[k] >= (slope_db_s >= fast_db_s && hz >= fast_hz ? FAST : SLOW);
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

/* A sweep that is still near: its frequency moves, that of a howl does not. */
static bool is_told_apart(const lt_howl *h, size_t k, const tone *t)
{
    const size_t then = h->pace[h->hops % LTP_HOWL_DEPTH]; /* the oldest */
    double hz;
    bool near = false;
    for (size_t j = k - 1; j <= k + 1; j++)
        near = near || (h->peak_last[j] > 0 && h->hops < h->peak_last[j] + GONE);
    if ((near && !(then > 0 && then < h->tone_bin)) || (h->tone_bin > 0 && is_still(h, h->tone_bin)))
        return false;
    return t->straight && stays(h, k, LTP_HOWL_DEPTH - 1, &hz);
}

/* A steady rise that was seen for some hops, now or while the bin was masked. */
static bool grows(lt_howl *h, size_t k, bool alone, tone *t)
{
    if (prominence(h, k) < prominence_db || !stays(h, k, STEADY, &t->hz))
        return false;
    const bool rising = rises(h, k, alone, t) && earns(h, k, t->hz, t->slope_db_s, alone);
    const bool rose = rose_unseen(h, k, rising);
    return (rising || rose) && (h->hops >= h->masked_until[k] || (rising && is_told_apart(h, k, t))) &&
           t->slope_db_s >= falling_db_s && t->level_db >= quiet_dbfs && !ltp_howl_has_mates(h, k, t->hz, false);
}

/* What a sweep left behind where it has just passed. */
static bool is_left_behind(const lt_howl *h, size_t k, tone *t)
{
    return h->hops >= h->swept_until[k] && ltp_howl_stands_out_db(h, k) >= prominence_db &&
           stays(h, k, LTP_HOWL_LINGER, &t->hz) && ltp_howl_lingers(h, k, &t->slope_db_s, &t->level_db) &&
           t->level_db >= quiet_dbfs && !ltp_howl_has_mates(h, k, t->hz, t->slope_db_s < LTP_HOWL_RISE_DB_S);
}

/* ... also where its level wavers, as other modes of the loop beat with it */
static bool outlasts_the_lane(const lt_howl *h, size_t k, tone *t)
{
    return h->hops >= h->swept_until[k] && ltp_howl_stands_out_db(h, k) >= outlasts_prominence_db &&
           ltp_howl_stays(h, k, LTP_HOWL_LONGER, loose, &t->hz) &&
           ltp_howl_outlasts(h, k, &t->slope_db_s, &t->level_db) && t->level_db >= quiet_dbfs &&
           !ltp_howl_has_mates(h, k, t->hz, false);
}

static bool is_at_its_limit(const lt_howl *h, size_t k, tone *t)
{
    t->slope_db_s = 0.0;
    return h->hops >= h->masked_until[k] && !h->struck[k] && !h->chirped[k] && ltp_howl_drowns(h, k, &t->level_db) &&
           t->level_db >= quiet_dbfs && stays(h, k, STEADY, &t->hz) && !ltp_howl_has_mates(h, k, t->hz, true);
}

static void look(lt_howl *h)
{
    size_t peaks[PEAKS];
    for (size_t k = 0; k < h->bins; k++)
        h->points[k] = h->points[k] > 0 ? (uint8_t)(h->points[k] - 1) : 0;
    ltp_howl_forget_company(h);
    const size_t count = find_peaks(h, peaks);
    for (size_t i = 0; i < count && !h->found; i++) {
        const size_t k = peaks[i];
        tone t = {0};
        ltp_howl_keep_loudest(h, k);
        const bool alone = !ltp_howl_watch_company(h, k, peaks, count);
        h->found = grows(h, k, alone, &t) || (alone && (is_left_behind(h, k, &t) || outlasts_the_lane(h, k, &t))) ||
                   (i == 0 && is_at_its_limit(h, k, &t) && !ltp_howl_has_company(h, k, peaks, count, false));
        if (h->found)
            h->event = (lt_howl_event){.hz = t.hz,
                                       .at_s = (double)h->pushed / h->rate_hz,
                                       .rise_db_per_s = t.slope_db_s,
                                       .level_dbfs = t.level_db};
    }
}

/* Means of a few hops for the slow ones; a bin that something played may be in does not count. */
static void add_mean(lt_howl *h)
{
    for (size_t k = 0; k < h->bins; k++)
        h->sum[k] += h->hops < h->masked_until[k] ? (double)NAN : h->power[k];
    if ((h->hops + 1) % COARSE != 0)
        return;
    float *m = h->mean + h->means++ % LTP_HOWL_MEANS * h->bins;
    for (size_t k = 0; k < h->bins; k++)
        m[k] = (float)(h->sum[k] / COARSE);
    memset(h->sum, 0, h->bins * sizeof *h->sum);
}

static void hop(lt_howl *h)
{
    mask_played(h);
    h->pace[h->hops % LTP_HOWL_DEPTH] = h->tone_bin;
    lt_complex *x = h->spectrum + h->hops % LTP_HOWL_DEPTH * h->bins;
    transform(h, h->x, x);
    for (size_t k = 0; k < h->bins; k++)
        h->power[k] = lt_complex_power(x[k]);
    add_mean(h);
    h->hops++;
    if (h->hops >= LTP_HOWL_DEPTH) {
        ltp_howl_watch_attacks(h);
        if (h->hops % LTP_HOWL_BLOCK == 0)
            ltp_howl_next_block(h);
        look(h);
    }
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
