/* SPDX-License-Identifier: MIT
 * Finds the stimulus in a recording: correlation of the whole recording with one sweep at a low rate, both whitened,
 * then the pattern of the repeats. */
#include "response/find.h"
#include "base/alloc.h"
#include "response/bands.h"
#include "response/decimate.h"
#include "response/drift.h"

#include <math.h>

static const double smooth_hz = 40.0;    /* width of the spectral smoothing that whitens */
static const double blur_s = 0.001;      /* a correlation peak is smeared by drift and by the room */
static const double peak_least = 5.0;    /* one sweep of a play, amplitude re the usual */
static const double score_least = 12.0;  /* a whole play; noise and speech reach 8.5, and what passes is checked */
static const double score_of_best = 0.2; /* another play of the same recording */
static const double apart = 0.7;         /* peaks of two sweeps are this share of a sweep apart */

enum { PEAKS_MAX = 512, SAMPLED = 20000 };

typedef struct {
    double at, score; /* frames at the low rate; amplitude */
} peak;

typedef struct {
    lt_signal *recording, *sweep;
    double *c; /* [recording + sweep]: squared correlation; c[i] belongs to a start at i - sweep count */
    size_t count;
} search;

/* |X| smoothed over a few ten hertz divides X: all frequencies count alike, whatever noise or tone is there. */
static void whiten(lt_complex *x, double *scratch, size_t bins, size_t half)
{
    double sum = 0.0;
    for (size_t k = 0; k < bins; k++)
        scratch[k] = sqrt(lt_complex_power(x[k]));
    for (size_t k = 0; k < half && k < bins; k++)
        sum += scratch[k];
    double total = 0.0;
    for (size_t k = 0; k < bins; k++)
        total += scratch[k];
    const double floor_value = 1e-6 * total / (double)bins;
    for (size_t k = 0; k < bins; k++) {
        if (k + half < bins)
            sum += scratch[k + half];
        if (k > half)
            sum -= scratch[k - half - 1];
        const double scale = 1.0 / (sum / (double)(2 * half + 1) + floor_value + 1e-300);
        x[k].re *= scale;
        x[k].im *= scale;
    }
}

static lt_status correlate(search *s, lt_error *err)
{
    s->count = s->recording->count + s->sweep->count;
    const size_t n = lt_rfft_good_size(s->count);
    const size_t bins = n / 2 + 1;
    const size_t half = (size_t)fmax(0.5 * smooth_hz * (double)n / s->recording->rate_hz, 1.0);
    lt_rfft *fft = NULL;
    lt_status st = lt_rfft_create(n, &fft, err);
    if (st != LT_OK)
        return st;
    lt_complex *r = ltp_alloc(bins, sizeof *r);
    lt_complex *t = ltp_alloc(bins, sizeof *t);
    double *work = ltp_alloc(n, sizeof *work);
    s->c = ltp_alloc(s->count, sizeof *s->c);
    if (r != NULL && t != NULL && work != NULL && s->c != NULL) {
        lt_rfft_forward_padded(fft, s->recording->samples, s->recording->count, r);
        lt_rfft_forward_padded(fft, s->sweep->samples, s->sweep->count, t);
        whiten(r, work, bins, half);
        whiten(t, work, bins, half);
        for (size_t k = 0; k < bins; k++)
            r[k] = ltp_product(r[k], (lt_complex){t[k].re, -t[k].im});
        lt_rfft_inverse(fft, r, work);
        for (size_t i = 0; i < s->count; i++) { /* starts before the recording come first */
            const double c = work[i < s->sweep->count ? n - s->sweep->count + i : i - s->sweep->count];
            s->c[i] = c * c;
        }
    } else {
        st = ltp_fail_nomem(err, "the search for the stimulus");
    }
    lt_rfft_free(fft);
    ltp_free(r);
    ltp_free(t);
    ltp_free(work);
    return st;
}

/* Moving mean over width values, in place, centred. */
static void blur(double *c, size_t count, size_t width)
{
    if (width < 2 || count < width)
        return;
    double ring[64] = {0};
    width = width < LTP_COUNT(ring) ? width : LTP_COUNT(ring);
    double sum = 0.0;
    for (size_t i = 0; i < count; i++) {
        sum += c[i] - ring[i % width];
        ring[i % width] = c[i];
        if (i + 1 >= width / 2)
            c[i + 1 - width / 2] = fmax(sum, 0.0) / (double)width;
    }
}

/* Mean of c away from peaks: from the median, which is 0.455 of the mean of a squared normal variable; where most of
 * the recording is digital silence the median says nothing, and a share of the mean stands in. */
static double usual_power(const double *c, size_t count, double *scratch)
{
    static const double mean_share = 0.15;
    const size_t step = count / SAMPLED + 1;
    size_t n = 0;
    for (size_t i = 0; i < count; i += step)
        scratch[n++] = c[i];
    const double mean = lt_sum(c, count) / (double)count;
    return fmax(lt_median(scratch, n) / 0.455, mean_share * mean) + 1e-300;
}

/* Highest first; each keeps others at a distance. */
static size_t pick_peaks(const double *c, size_t count, double least, size_t distance, peak *peaks)
{
    size_t n = 0;
    for (size_t start = 0; start < count; start += distance) { /* the best of each stretch */
        const size_t end = start + distance < count ? start + distance : count;
        size_t best = start;
        for (size_t i = start; i < end; i++)
            if (c[i] > c[best])
                best = i;
        if (c[best] < least || n == PEAKS_MAX)
            continue;
        const bool close = n > 0 && (double)best - peaks[n - 1].at < (double)distance;
        if (!close)
            peaks[n++] = (peak){(double)best, c[best]};
        else if (c[best] > peaks[n - 1].score)
            peaks[n - 1] = (peak){(double)best, c[best]};
    }
    return n;
}

/* Sum of the peaks that lie where a play from `start` would have its sweeps; they are marked used when take is set. */
static double match(const ltp_structure *s, double frames_per_frame, peak *peaks, size_t count, double start, bool take)
{
    double sum = 0.0;
    for (size_t j = 0; j < s->sweep_count; j++) {
        const double offset = (double)(s->sweeps[j].first - s->sweeps[0].first) * frames_per_frame;
        const double tolerance = 20.0 + LTP_DRIFT_MOST * offset;
        for (size_t i = 0; i < count; i++)
            if (peaks[i].score > 0.0 && fabs(peaks[i].at - start - offset) <= tolerance) {
                sum += peaks[i].score;
                if (take)
                    peaks[i].score = 0.0;
                break;
            }
    }
    return sum;
}

static void sort_by_time(ltp_play *plays, size_t count)
{
    for (size_t i = 1; i < count; i++)
        for (size_t k = i; k > 0 && plays[k].start_s < plays[k - 1].start_s; k--) {
            const ltp_play swap = plays[k];
            plays[k] = plays[k - 1];
            plays[k - 1] = swap;
        }
}

/* True if a play from start_s would overlap one that is already listed. */
static bool overlaps(const ltp_play *plays, size_t count, double start_s, double length_s)
{
    for (size_t i = 0; i < count; i++)
        if (fabs(plays[i].start_s - start_s) < length_s)
            return true;
    return false;
}

/* From peaks of single sweeps to plays of the whole stimulus, the best first. */
static void group_peaks(const search *s, const lt_signal *stimulus, const ltp_structure *st, double usual, peak *peaks,
                        size_t count, ltp_play *plays, size_t *play_count)
{
    const double per_frame = s->recording->rate_hz / stimulus->rate_hz;
    /* Plays do not overlap: neither their sweeps nor their markers, which look a little like a short sweep. */
    const ltp_span *head = st->markers ? &st->marker[0] : &st->sweeps[0];
    const ltp_span *last = st->markers ? &st->marker[1] : &st->sweeps[st->sweep_count - 1];
    const double length_s = apart * (double)(last->first + last->count - head->first) / stimulus->rate_hz;
    double best_ever = 0.0;
    while (*play_count < LTP_PLAYS_MAX) {
        double best = 0.0;
        double best_start = 0.0;
        for (size_t i = 0; i < count; i++)
            for (size_t j = 0; j < st->sweep_count && peaks[i].score > 0.0; j++) {
                const double start = peaks[i].at - (double)(st->sweeps[j].first - st->sweeps[0].first) * per_frame;
                const double sum = match(st, per_frame, peaks, count, start, false);
                if (sum > best * (1.0 + 1e-9)) {
                    best = sum;
                    best_start = start;
                }
            }
        const double share = score_of_best * score_of_best * best_ever;
        if (!(best > fmax(share, score_least * score_least * usual)))
            return;
        best_ever = fmax(best, best_ever);
        (void)match(st, per_frame, peaks, count, best_start, true);
        const double start_s = (best_start - (double)s->sweep->count) / s->recording->rate_hz -
                               (double)st->sweeps[0].first / stimulus->rate_hz;
        if (!overlaps(plays, *play_count, start_s, length_s))
            plays[(*play_count)++] = (ltp_play){start_s, sqrt(best / usual)};
    }
}

static lt_status search_recording(search *s, const lt_signal *stimulus, const ltp_structure *st, ltp_play *plays,
                                  size_t *count, lt_error *err)
{
    const lt_status status = correlate(s, err);
    if (status != LT_OK)
        return status;
    double *scratch = ltp_alloc(SAMPLED + 1, sizeof *scratch);
    peak *peaks = ltp_alloc(PEAKS_MAX, sizeof *peaks);
    if (scratch != NULL && peaks != NULL) {
        const double usual = usual_power(s->c, s->count, scratch);
        blur(s->c, s->count, (size_t)(blur_s * s->recording->rate_hz));
        const size_t distance = (size_t)(apart * (double)s->sweep->count);
        const double least = peak_least * peak_least * usual;
        const size_t n = pick_peaks(s->c, s->count, least, distance, peaks);
        group_peaks(s, stimulus, st, usual, peaks, n, plays, count);
        sort_by_time(plays, *count);
    }
    const bool ok = scratch != NULL && peaks != NULL;
    ltp_free(scratch);
    ltp_free(peaks);
    return ok ? LT_OK : ltp_fail_nomem(err, "the search for the stimulus");
}

lt_status ltp_find(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, ltp_play *plays,
                   size_t *count, lt_error *err)
{
    *count = 0;
    search sr = {0};
    const lt_signal sweep = {stimulus->samples + s->sweeps[0].first, s->sweeps[0].count, stimulus->rate_hz};
    lt_status st = ltp_decimate_pair(&sweep, recording, &sr.sweep, &sr.recording, err);
    if (st == LT_OK)
        st = search_recording(&sr, stimulus, s, plays, count, err);
    lt_signal_free(sr.recording);
    lt_signal_free(sr.sweep);
    ltp_free(sr.c);
    return st;
}
