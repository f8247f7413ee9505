/* SPDX-License-Identifier: MIT
 * Where in a long recording whine or burst buzz may be.
 *
 * Whine stays for three seconds at least, so one spectrum every 2.5 s meets it; a peak there is looked for again
 * in the spectrum right after it. Burst buzz repeats every 60/13 ms: correlated with itself 60 ms ago (13 periods), a
 * signal with its comb stands out of noise, and 40 ms ago (8.67 periods) tells it from mains hum, which repeats then as
 * well. Both say "maybe" sooner than the detectors say "yes"; what they name is heard by those (faults_whine.c,
 * faults_burst.c). */
#include "level/screen.h"
#include "base/alloc.h"
#include "base/vector.h"
#include "level/faults.h"
#include "level/frames.h"
#include "level/rank.h"

#include <math.h>
#include <string.h>

static const char subject[] = "the search for interference";

/* ---- whine ---- */

enum { SEGMENT = 48, PEAKS = 32, SIDE = 4 };
static const double frame_s = 0.1707, every_s = 2.5; /* frames half as long as the detector's: 3 dB less stands out */
static const double whine_from_hz = 900.0, highest_of_rate = 0.49;
static const double stands_out = 14.1;    /* 11.5 dB over the median of a segment */
static const double worth_a_median = 6.0; /* times the mean of a segment, which a tone of that height exceeds */
static const double over_side = 5.0;      /* and over what lies four bins away */
static const double faintest = 1e-14;     /* mean square of a bin: -137 dBFS */
static const double whine_margin_s = 6.0;

typedef struct {
    ltp_frames frames;
    size_t every; /* samples from one look to the next */
    size_t pause; /* samples until the next frame begins */
    bool again;   /* this frame follows one with peaks */
    size_t peaks[PEAKS], peak_count;
    size_t first_bin, last_bin;
    double *power;
    double scale, rate_hz;
    uint64_t pushed;
} whine_look;

static bool is_peak(const whine_look *w, size_t k)
{
    const double *p = w->power;
    return p[k] > p[k - 1] && p[k] >= p[k + 1] && p[k] > over_side * p[k - SIDE] && p[k] > over_side * p[k + SIDE];
}

/* Peaks of the bins [from, from + SEGMENT) that stand out of their median. */
static size_t peaks_of_segment(const whine_look *w, size_t from, size_t *peaks, size_t count)
{
    double sorted[SEGMENT + LTP_RANK_PADDING], sum = 0.0, most = 0.0;
    for (size_t k = from; k < from + SEGMENT; k++) {
        sum += w->power[k];
        most = w->power[k] > most ? w->power[k] : most;
    }
    if (!(most * SEGMENT > worth_a_median * sum) || !(most > faintest))
        return count;
    memcpy(sorted, w->power + from, SEGMENT * sizeof *sorted);
    const double least = fmax(faintest, stands_out * ltp_median_by_rank(sorted, SEGMENT));
    for (size_t k = from; k < from + SEGMENT && count < PEAKS; k++)
        if (w->power[k] > least && is_peak(w, k))
            peaks[count++] = k;
    return count;
}

/* true: a peak of the frame before is there again. */
static bool end_frame(whine_look *w)
{
    size_t peaks[PEAKS], count = 0;
    bool found = false;
    ltp_frames_transform(&w->frames);
    for (size_t k = w->first_bin - SIDE; k < w->last_bin + SIDE; k++)
        w->power[k] = w->scale * lt_complex_power(w->frames.spectrum[k]);
    for (size_t from = w->first_bin; from < w->last_bin; from += SEGMENT) /* the last one overlaps */
        count = peaks_of_segment(w, from + SEGMENT < w->last_bin ? from : w->last_bin - SEGMENT, peaks, count);
    for (size_t i = 0; i < count && w->again; i++)
        for (size_t j = 0; j < w->peak_count; j++)
            found = found || (peaks[i] + 1 >= w->peaks[j] && peaks[i] <= w->peaks[j] + 1);
    const bool look_again = !w->again && count > 0;
    const size_t heard = w->again ? 2 * w->frames.n : w->frames.n;
    w->pause = look_again ? 0 : w->every - heard;
    w->again = look_again;
    memcpy(w->peaks, peaks, count * sizeof *peaks);
    w->peak_count = count;
    return found;
}

/* ---- burst buzz ---- */

enum { BLOCKS = 4, LAG = 3, HUM_LAG = 2, PAST = 64, LOOKS = 3, HALVINGS = 5, CHUNK = 512 };
static const double block_s = 0.02; /* a third of 13 periods of the phone */
static const double low_rate_hz =
    23000.0;                           /* halved until it is below that: 22.05 kHz stays, its lags are whole samples */
static const double upper_hz = 6000.0; /* the signal minus itself that long ago passes half of that best */
/* So many blocks together correlate by so much. Noise of 4 kHz width reaches a fifth of it (standard deviation). */
static const struct {
    size_t blocks;
    double correlation;
} looks[LOOKS] = {{6, 0.2}, {24, 0.1}, {48, 0.07}};
static const double burst_margin_s = 1.5;

typedef struct {
    size_t block;  /* samples */
    size_t filled; /* of the last block of y */
    double *y;     /* [BLOCKS x block] */
    double energy[BLOCKS];
    double lag[PAST], hum[PAST]; /* correlation of each of the last blocks */
    size_t delay;
    double before[8]; /* the last samples in */
    uint64_t blocks;
} burst_look;

/* One halving of the rate: the two samples before, and whether a result stands on the next one. */
typedef struct {
    double last[2];
    bool odd;
} halving;

struct ltp_screen {
    double low_rate_hz;
    bool half;
    size_t halvings;
    halving stages[HALVINGS];
    double low[2][CHUNK];
    whine_look whine;
    burst_look burst;
    ltp_wind *wind;
    lt_screened found;
};

/* ---- creation ---- */

void ltp_screen_free(ltp_screen *s)
{
    if (s == NULL)
        return;
    ltp_frames_close(&s->whine.frames);
    ltp_free(s->whine.power);
    ltp_free(s->burst.y);
    ltp_wind_free(s->wind);
    ltp_free(s);
}

static lt_status open_whine(whine_look *w, double rate_hz, lt_error *err)
{
    const size_t n = lt_rfft_good_size((size_t)(frame_s * rate_hz));
    const lt_status st = ltp_frames_open_spectra(&w->frames, n, n, lt_window_hann, subject, err);
    if (st != LT_OK)
        return st;
    w->rate_hz = rate_hz;
    w->every = (size_t)(every_s * rate_hz);
    w->first_bin = (size_t)(whine_from_hz * (double)n / rate_hz);
    w->last_bin = (size_t)(highest_of_rate * (double)n);
    w->scale = 2.0 / ((double)n * (0.375 * (double)n)); /* the bins of a line sum up to its mean square */
    w->power = ltp_alloc(w->frames.bins, sizeof *w->power);
    return w->power != NULL ? LT_OK : ltp_fail_nomem(err, subject);
}

static lt_status open_burst(burst_look *b, double rate_hz, lt_error *err)
{
    const double samples = block_s * rate_hz;
    const size_t longer = fabs(samples - round(samples)) < 0.01 ? 1 : 2; /* 11.025 kHz: lags of whole samples */
    b->block = (size_t)round(samples * (double)longer);
    b->delay = (size_t)fmax(1.0, fmin((double)LTP_COUNT(b->before), round(rate_hz / upper_hz)));
    b->y = ltp_alloc(BLOCKS * b->block, sizeof *b->y);
    return b->y != NULL ? LT_OK : ltp_fail_nomem(err, subject);
}

lt_status ltp_screen_create(double rate_hz, bool half, ltp_screen **out, lt_error *err)
{
    *out = NULL;
    ltp_screen *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, subject);
    s->half = half;
    s->low_rate_hz = half ? 0.5 * rate_hz : rate_hz;
    for (; s->low_rate_hz > low_rate_hz; s->low_rate_hz *= 0.5)
        s->halvings++;
    lt_status st = open_whine(&s->whine, rate_hz, err);
    st = st != LT_OK ? st : open_burst(&s->burst, s->low_rate_hz, err);
    st = st != LT_OK ? st : ltp_wind_create(s->low_rate_hz, &s->wind, err);
    if (st != LT_OK) {
        ltp_screen_free(s);
        return st;
    }
    *out = s;
    return LT_OK;
}

/* ---- what was found ---- */

/* The two neighbours with the shortest pause between them become one. */
static void join_nearest(lt_suspects *list)
{
    size_t at = 1;
    for (size_t i = 2; i < list->count; i++)
        if (list->items[i].from_s - list->items[i - 1].to_s < list->items[at].from_s - list->items[at - 1].to_s)
            at = i;
    list->items[at - 1].to_s = list->items[at].to_s;
    memmove(list->items + at, list->items + at + 1, (list->count - at - 1) * sizeof *list->items);
    list->count--;
}

static void suspect(lt_suspects *list, double from_s, double to_s)
{
    lt_suspect *last = list->count > 0 ? &list->items[list->count - 1] : NULL;
    if (last != NULL && from_s <= last->to_s) {
        last->to_s = fmax(last->to_s, to_s);
        return;
    }
    if (list->count == LT_SUSPECTS_MAX)
        join_nearest(list);
    list->items[list->count++] = (lt_suspect){fmax(0.0, from_s), to_s};
}

/* ---- stream ---- */

static void push_whine(ltp_screen *s, const double *x, size_t count)
{
    whine_look *w = &s->whine;
    while (count > 0) {
        const size_t skip = count < w->pause ? count : w->pause;
        w->pause -= skip;
        w->pushed += skip;
        x += skip;
        count -= skip;
        const size_t before = count;
        const bool full = ltp_frames_take(&w->frames, &x, &count);
        w->pushed += before - count;
        if (!full || !end_frame(w))
            continue;
        const double now_s = (double)w->pushed / w->rate_hz;
        suspect(&s->found.whine, now_s - whine_margin_s, now_s + whine_margin_s);
    }
}

LTP_WIDE static double product(const double *a, const double *b, size_t count)
{
    return ltp_dot(a, b, count);
}

static double correlation(const burst_look *b, size_t lag)
{
    const double *now = b->y + LAG * b->block;
    const double square = b->energy[LAG] * b->energy[LAG - lag];
    return square > 0.0 ? product(now, now - lag * b->block, b->block) / sqrt(square) : 0.0;
}

/* Seconds up to now in which the comb may sound; 0: none. */
static double combed(const burst_look *b, double rate_hz)
{
    double lag = 0.0, hum = 0.0, longest = 0.0;
    size_t blocks = 0;
    for (size_t k = 0; k < LOOKS && looks[k].blocks <= b->blocks; k++) {
        for (; blocks < looks[k].blocks; blocks++) {
            lag += b->lag[(b->blocks - 1 - blocks) % PAST];
            hum += b->hum[(b->blocks - 1 - blocks) % PAST];
        }
        if (lag - fmax(0.0, hum) > looks[k].correlation * (double)blocks)
            longest = (double)(blocks * b->block) / rate_hz;
    }
    return longest;
}

static void end_block(ltp_screen *s)
{
    burst_look *b = &s->burst;
    const double *now = b->y + LAG * b->block;
    b->energy[LAG] = product(now, now, b->block);
    b->lag[b->blocks % PAST] = correlation(b, LAG);
    b->hum[b->blocks % PAST] = correlation(b, HUM_LAG);
    b->blocks++;
    const double long_s = combed(b, s->low_rate_hz), now_s = (double)(b->blocks * b->block) / s->low_rate_hz;
    if (long_s > 0.0)
        suspect(&s->found.burst, now_s - long_s - burst_margin_s, now_s + burst_margin_s);
    memmove(b->y, b->y + b->block, LAG * b->block * sizeof *b->y);
    memmove(b->energy, b->energy + 1, LAG * sizeof *b->energy);
    b->filled = 0;
}

/* y = x less itself `delay` samples ago. */
static void push_burst(ltp_screen *s, const double *x, size_t count)
{
    burst_look *b = &s->burst;
    const size_t d = b->delay;
    for (size_t at = 0, part = 0; at < count; at += part) {
        const double *earlier = at < d ? b->before + at : x + at - d;
        part = b->block - b->filled;
        part = part < count - at ? part : count - at;
        part = at < d && part > d - at ? d - at : part;
        double *y = b->y + LAG * b->block + b->filled;
        for (size_t i = 0; i < part; i++)
            y[i] = x[at + i] - earlier[i];
        b->filled += part;
        if (b->filled == b->block)
            end_block(s);
    }
    const size_t kept = count < d ? d - count : 0;
    memmove(b->before, b->before + d - kept, kept * sizeof *b->before);
    memcpy(b->before + kept, x + count - (d - kept), (d - kept) * sizeof *b->before);
}

/* Half the rate: quarters 1, 2, 1. What folds on 3 kHz and less, from 9 kHz at 24 kHz, is 17 dB down or more. Frames
 * that come out. */
static size_t halve(halving *h, const double *x, size_t count, double *out)
{
    size_t kept = 0, i = h->odd ? 0 : 1;
    for (; i < 2 && i < count; i += 2) /* reach back before x */
        out[kept++] = 0.25 * (h->last[i] + x[i]) + 0.5 * (i == 0 ? h->last[1] : x[0]);
    for (; i < count; i += 2)
        out[kept++] = 0.25 * (x[i - 2] + x[i]) + 0.5 * x[i - 1];
    h->odd = h->odd != (count % 2 == 1);
    h->last[0] = count > 1 ? x[count - 2] : h->last[1];
    h->last[1] = x[count - 1];
    return kept;
}

void ltp_screen_push(ltp_screen *s, const double *x, size_t count, const double *half)
{
    push_whine(s, x, count);
    const double *from = s->half ? half : x;
    const size_t all = s->half ? count / 2 : count;
    for (size_t at = 0; at < all; at += CHUNK) {
        size_t part = all - at < CHUNK ? all - at : CHUNK;
        const double *in = from + at;
        for (size_t k = 0; k < s->halvings; k++) {
            part = halve(&s->stages[k], in, part, s->low[k % 2]);
            in = s->low[k % 2];
        }
        ltp_wind_push(s->wind, in, part);
        push_burst(s, in, part);
    }
}

static void end_with(lt_suspects *list, double seconds)
{
    if (list->count > 0)
        list->items[list->count - 1].to_s = fmin(list->items[list->count - 1].to_s, seconds);
}

void ltp_screen_result(ltp_screen *s, lt_screened *out)
{
    ltp_wind_result wind;
    ltp_wind_result_of(s->wind, &wind);
    *out = s->found;
    end_with(&out->whine, (double)s->whine.pushed / s->whine.rate_hz);
    end_with(&out->burst, (double)s->whine.pushed / s->whine.rate_hz);
    out->wind_s = wind.seconds;
    out->wind_from_s = wind.from_s;
    out->wind_below_hz = wind.below_hz;
}
