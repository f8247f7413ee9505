/* SPDX-License-Identifier: MIT
 * Whine of switching supplies and displays: narrow tones from 900 Hz up that stay at one frequency and level.
 *
 * Spectra of a third of a second, overlapping by half. A peak that stands 15 dB over the median of its neighbourhood
 * and is as narrow as the window allows is followed from frame to frame. It is a whine if it stays for three seconds,
 * or most of a short file, within a bin and a half; sweeps move, voices and instruments change sooner. Where something
 * louder hides it, it is waited for. Multiples of the mains frequency are hum. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"
#include "level/peak.h"
#include "level/rank.h"

#include <string.h>

enum { TRACKS = 64, PEAKS = 48, KEPT = 64, SEGMENT = 48, CORE = 2 };
static const double frame_s = 0.3413;
static const double lowest_hz = 900.0, highest_of_rate = 0.49;
static const double stands_out = 31.6; /* 15 dB */
static const double narrow = 30.0;     /* peak over the power four bins away */
static const double same_bins = 1.2, drift_bins = 1.5;
enum { MISSES = 2, MASKED_MISSES = 12 };
static const double keep_s = 0.3, again_s = 2.0, heard_part = 0.5, long_s = 3.0, most_of = 0.7;
static const double spread_db = 2.5;
static const double faintest_dbfs = -95.0;
static const double on_mains = 4e-4; /* of the frequency */

enum { PAST = 30, SURE = 6, GONE = 2 };
enum { FEW = 6 }; /* more make a buzzer, or beeps at regular times with the lines of their rhythm */
static const double gone_db = 4.5, beside = 3.0;

typedef struct {
    bool live;
    double bin, first_bin;
    size_t first, last, hits, missed;
    double sum_db, square_db, power;
    double first_db;
    size_t begun; /* `first`, or the frame before it to which it was traced back; 0 before that */
} track;

static const char subject[] = "the search for whine";

struct ltp_whine {
    double rate_hz;
    ltp_frames frames;
    size_t first_bin, last_bin;
    double *power, *floor; /* [bins] mean squares */
    double *segment;       /* [SEGMENT + LTP_RANK_PADDING] scratch */
    float *past;           /* [PAST x bins] powers of the last frames, ring: frame number mod PAST */
    double scale;
    size_t count; /* frames so far */
    track tracks[TRACKS];
    lt_whine kept[KEPT];
    double heard_s[KEPT];
    size_t kept_count;
    bool closed;
    double total; /* mean square over all frames */
};

void ltp_whine_free(ltp_whine *d)
{
    if (d == NULL)
        return;
    ltp_frames_close(&d->frames);
    ltp_free(d->power);
    ltp_free(d->floor);
    ltp_free(d->segment);
    ltp_free(d->past);
    ltp_free(d);
}

lt_status ltp_whine_create(double rate_hz, ltp_whine **out, lt_error *err)
{
    *out = NULL;
    ltp_whine *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->rate_hz = rate_hz;
    const size_t n = lt_rfft_good_size((size_t)(frame_s * rate_hz)), bins = n / 2 + 1;
    d->first_bin = (size_t)(lowest_hz * (double)n / rate_hz);
    d->last_bin = (size_t)(highest_of_rate * (double)n);
    d->power = ltp_alloc(bins, sizeof *d->power);
    d->floor = ltp_alloc(bins, sizeof *d->floor);
    d->segment = ltp_alloc(SEGMENT + LTP_RANK_PADDING, sizeof *d->segment);
    d->past = ltp_alloc(PAST * bins, sizeof *d->past);
    const lt_status st = d->power && d->floor && d->segment && d->past
                             ? ltp_frames_open_spectra(&d->frames, n, n / 2, lt_window_hann, subject, err)
                             : ltp_fail_nomem(err, subject);
    if (st != LT_OK) {
        ltp_whine_free(d);
        return st;
    }
    d->scale = 2.0 / ((double)n * (0.375 * (double)n)); /* the bins of a line sum up to its mean square */
    *out = d;
    return LT_OK;
}

/* Middle of a frame; the first one is number 1. */
static double frame_time(const ltp_whine *d, size_t frame)
{
    return ((double)(frame - 1) * (double)d->frames.hop + 0.5 * (double)d->frames.n) / d->rate_hz;
}

static void keep(ltp_whine *d, const lt_whine *w)
{
    const double near_hz = 1.2 * d->rate_hz / (double)d->frames.n;
    for (size_t i = 0; i < d->kept_count; i++)
        if (fabs(d->kept[i].hz - w->hz) < near_hz && w->from_s - d->kept[i].to_s < again_s) { /* heard again */
            if (w->to_s - w->from_s > d->kept[i].to_s - d->kept[i].from_s)
                d->kept[i].level_db = w->level_db;
            d->kept[i].from_s = fmin(d->kept[i].from_s, w->from_s); /* traced back beyond the first time */
            d->kept[i].to_s = w->to_s;
            d->heard_s[i] += w->to_s - w->from_s;
            return;
        }
    size_t at = d->kept_count;
    if (at == KEPT) {
        at = 0;
        for (size_t i = 1; i < KEPT; i++)
            if (d->kept[i].to_s - d->kept[i].from_s < d->kept[at].to_s - d->kept[at].from_s)
                at = i;
        if (w->to_s - w->from_s <= d->kept[at].to_s - d->kept[at].from_s)
            return;
    } else {
        d->kept_count++;
    }
    d->kept[at] = *w;
    d->heard_s[at] = w->to_s - w->from_s;
}

/* A tone that begins after the part u of a Hann window shows with the part 1 - u + sin(2 pi u) / (2 pi) of its
 * amplitude; u from the level in dB re the usual one. */
static double uncovered(double level_db)
{
    const double amplitude = fmin(lt_amplitude_from_db(level_db), 0.97);
    double low = 0.0, high = 1.0;
    for (int i = 0; i < 30; i++) {
        const double u = 0.5 * (low + high);
        if (1.0 - u + sin(2.0 * LT_PI * u) / (2.0 * LT_PI) > amplitude)
            low = u;
        else
            high = u;
    }
    return 0.5 * (low + high);
}

static void end_track(ltp_whine *d, track *t)
{
    t->live = false;
    const double hits = (double)t->hits;
    const double from_s = frame_time(d, t->first), to_s = frame_time(d, t->last);
    if (to_s - from_s < keep_s || hits < 0.3 * (double)(t->last - t->first + 1))
        return;
    const double mean_db = t->sum_db / hits;
    if (sqrt(fmax(0.0, t->square_db / hits - mean_db * mean_db)) > spread_db)
        return;
    const size_t begun = t->begun > 0 ? t->begun : t->first;
    const double begun_s =
        frame_time(d, begun) - (0.5 - uncovered(t->first_db - mean_db)) * (double)d->frames.n / d->rate_hz;
    const lt_whine w = {.hz = t->bin * d->rate_hz / (double)d->frames.n,
                        .level_db = lt_dbfs_from_mean_square(t->power / hits),
                        .from_s = begun <= 1 ? 0.0 : begun_s,
                        .to_s = to_s};
    keep(d, &w);
}

static void find_floor(ltp_whine *d)
{
    for (size_t from = 0; from < d->frames.bins; from += SEGMENT) {
        const size_t first = from + SEGMENT <= d->frames.bins ? from : d->frames.bins - SEGMENT;
        memcpy(d->segment, d->power + first, SEGMENT * sizeof *d->segment);
        const double floor_power = ltp_median_by_rank(d->segment, SEGMENT);
        for (size_t i = from; i < from + SEGMENT && i < d->frames.bins; i++)
            d->floor[i] = floor_power;
    }
}

static double line_power(const ltp_whine *d, size_t k)
{
    double sum = 0.0;
    for (size_t i = k - CORE; i <= k + CORE; i++)
        sum += d->power[i];
    return sum;
}

static bool is_peak(const ltp_whine *d, size_t k)
{
    const double *p = d->power;
    return p[k] > p[k - 1] && p[k] >= p[k + 1] && p[k] > stands_out * d->floor[k] && p[k] > narrow * p[k - 4] &&
           p[k] > narrow * p[k + 4];
}

static size_t find_peaks(const ltp_whine *d, size_t *peaks)
{
    size_t count = 0;
    for (size_t k = d->first_bin < 4 ? 4 : d->first_bin; k <= d->last_bin && k + 4 < d->frames.bins; k++) {
        if (!is_peak(d, k) || !(d->power[k] > 1e-14))
            continue;
        size_t at = count < PEAKS ? count++ : PEAKS;
        for (; at > 0 && d->power[k] > d->power[peaks[at - 1]]; at--)
            if (at < PEAKS)
                peaks[at] = peaks[at - 1];
        if (at < PEAKS)
            peaks[at] = k;
    }
    return count;
}

/* Back from the first frame in which the tone was told: where something louder stood beside it, it may have been there
 * before. Noise or a partial in its bins may cancel it in one frame; in GONE together, which overlap by half, it is not
 * there yet. */
static void trace_back(const ltp_whine *d, track *t)
{
    const double mean_db = t->sum_db / (double)t->hits;
    const size_t k = (size_t)(t->bin + 0.5), last = t->first;
    size_t gone = 0;
    t->begun = t->first;
    for (size_t f = last - 1; f >= 1 && f + PAST > d->count && gone < GONE; f--) {
        const float *p = d->past + f % PAST * d->frames.bins;
        double power = 0.0;
        for (size_t i = k - CORE; i <= k + CORE; i++)
            power += (double)p[i];
        const double off_db = lt_db_from_power(power + 1e-30) - mean_db;
        const bool line = p[k] > (float)beside * p[k - 3] && p[k] > (float)beside * p[k + 3];
        gone = off_db < -gone_db ? gone + 1 : 0;
        if (gone > 0 || !line || off_db > gone_db)
            continue;
        t->begun = f;
        t->first_db = fmin(mean_db, mean_db + off_db);
    }
}

static void extend(ltp_whine *d, track *t, double bin, double power)
{
    const double level_db = lt_db_from_power(power);
    if (t->hits == 0)
        t->first_db = level_db;
    t->bin += (bin - t->bin) / (double)(t->hits + 1);
    t->hits++;
    t->last = d->count;
    t->missed = 0;
    t->sum_db += level_db;
    t->square_db += level_db * level_db;
    t->power += power;
    if (t->begun == 0 && t->hits == SURE)
        trace_back(d, t);
}

static track *free_track(ltp_whine *d)
{
    track *worst = NULL;
    for (size_t i = 0; i < TRACKS; i++) {
        track *t = &d->tracks[i];
        if (!t->live)
            return t;
        if (t->last != d->count && (worst == NULL || t->hits < worst->hits))
            worst = t;
    }
    if (worst != NULL)
        end_track(d, worst);
    return worst;
}

static void match(ltp_whine *d, size_t k)
{
    const double bin = (double)k + ltp_peak_offset(d->power[k - 1], d->power[k], d->power[k + 1]);
    const double power = line_power(d, k);
    track *best = NULL;
    for (size_t i = 0; i < TRACKS; i++) {
        track *t = &d->tracks[i];
        if (t->live && t->last != d->count && fabs(bin - t->bin) < same_bins && fabs(bin - t->first_bin) < drift_bins &&
            (best == NULL || fabs(bin - t->bin) < fabs(bin - best->bin)))
            best = t;
    }
    if (best == NULL) {
        best = free_track(d);
        if (best == NULL)
            return;
        *best = (track){.live = true, .bin = bin, .first_bin = bin, .first = d->count};
    }
    extend(d, best, bin, power);
}

static void end_frame(ltp_whine *d)
{
    ltp_frames_transform(&d->frames);
    for (size_t k = 0; k < d->frames.bins; k++) {
        d->power[k] = d->scale * lt_complex_power(d->frames.spectrum[k]);
        d->total += d->power[k];
    }
    float *past = d->past + (d->count + 1) % PAST * d->frames.bins;
    for (size_t k = 0; k < d->frames.bins; k++)
        past[k] = (float)d->power[k];
    find_floor(d);
    size_t peaks[PEAKS];
    const size_t count = find_peaks(d, peaks);
    d->count++; /* the first frame is 1, so that `last` of an empty track never matches */
    for (size_t i = 0; i < count; i++)
        match(d, peaks[i]);
    for (size_t i = 0; i < TRACKS; i++) {
        track *t = &d->tracks[i];
        if (!t->live || t->last == d->count)
            continue;
        t->missed++;
        const size_t k = (size_t)(t->bin + 0.5);
        const bool masked = stands_out * d->floor[k] > 0.3 * t->power / (double)t->hits;
        if (t->missed > (masked ? (size_t)MASKED_MISSES : (size_t)MISSES))
            end_track(d, t);
    }
}

void ltp_whine_push(ltp_whine *d, const double *x, size_t count)
{
    while (ltp_frames_take(&d->frames, &x, &count))
        end_frame(d);
}

static bool is_mains(double hz, double mains_hz)
{
    const double h = round(hz / mains_hz);
    return lt_is_known(mains_hz) && hz < 2500.0 && fabs(hz - h * mains_hz) < fmax(0.7, on_mains * hz);
}

void ltp_whine_insert(lt_whine list[LT_WHINES_MAX], size_t *count, const lt_whine *w)
{
    size_t at = *count < LT_WHINES_MAX ? (*count)++ : LT_WHINES_MAX;
    for (; at > 0 && w->level_db > list[at - 1].level_db; at--)
        if (at < LT_WHINES_MAX)
            list[at] = list[at - 1];
    if (at < LT_WHINES_MAX)
        list[at] = *w;
}

size_t ltp_whine_list(ltp_whine *d, double mains_hz, double burst_s, lt_whine list[LT_WHINES_MAX])
{
    for (size_t i = 0; i < TRACKS && !d->closed; i++)
        if (d->tracks[i].live)
            end_track(d, &d->tracks[i]);
    d->closed = true;
    const double seconds = (double)d->frames.pushed / d->rate_hz;
    size_t count = 0;
    for (size_t i = 0; i < d->kept_count; i++) {
        lt_whine w = d->kept[i];
        const double length_s = w.to_s - w.from_s + 0.5 * frame_s;
        if (w.level_db < faintest_dbfs || d->heard_s[i] < heard_part * (w.to_s - w.from_s))
            continue;
        if (is_mains(w.hz, mains_hz) || ltp_burst_has_line(w.hz, length_s, burst_s) ||
            (length_s < long_s && length_s < most_of * seconds))
            continue;
        w.to_s = seconds - w.to_s < 2.0 * frame_s ? seconds : w.to_s;
        ltp_whine_insert(list, &count, &w);
    }
    return count;
}

void ltp_whine_finish(ltp_whine *d, const ltp_scan_end *end)
{
    lt_whine list[LT_WHINES_MAX] = {{0}};
    const size_t count = ltp_whine_list(d, end->mains_hz, end->burst_s, list);
    if (count == 0)
        return;
    double from_s = INFINITY, to_s = 0.0;
    for (size_t i = 0; i < count; i++) {
        from_s = fmin(from_s, list[i].from_s);
        to_s = fmax(to_s, list[i].to_s);
    }
    const lt_whine *w = &list[0];
    const double total_dbfs = lt_dbfs_from_mean_square(d->total / (double)(d->count > 0 ? d->count : 1));
    const bool test_tone = w->level_db > total_dbfs - 3.0 && w->hz < 3400.0;
    const bool all = from_s < 0.5 && to_s > end->seconds - again_s;
    const bool grave = all && to_s > end->seconds - 0.5 && !test_tone && count <= FEW && end->seconds >= 5.0 &&
                       w->hz > 2000.0 && w->level_db > -45.0;
    lt_faults_add(
        end->out, LT_FAULT_WHINE,
        test_tone ? LT_SEVERITY_NOTE
        : grave   ? LT_SEVERITY_ERROR
                  : LT_SEVERITY_WARNING,
        end->channel, all ? (double)NAN : from_s, "%zu steady tone%s, the strongest at %.0f Hz with %.1f dBFS: %s",
        count, count == 1 ? "" : "s", w->hz, w->level_db,
        test_tone ? "nearly all that is there; if it was not played on purpose, likely a howl at its limit or an "
                    "oscillating amplifier"
                  : "likely a switching power supply, a display or an LED driver; try a linear supply or a "
                    "ferrite, and keep its wires off the audio pair");
}
