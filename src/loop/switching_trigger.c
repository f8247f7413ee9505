/* SPDX-License-Identifier: MIT
 * Voice switching: the detector behind it. A switch triggers when the smoothed amplitude of sent passes a threshold and
 * holds for a fixed time after the last pass; the pair of smoothing and threshold for which that time is the same at
 * every release is taken for the switch's own. Ours. */
#include "loop/switching.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double smoothings_s[] = {0.0005, 0.001, 0.002, 0.0035, 0.005, 0.008, 0.012, 0.02};
static const double speech_from_hz = 300.0;
static const double step_db = 0.5, range_db = 70.0;
static const double furthest_ms = 60.0; /* a miss counts no more than this */
static const double early_ms = 3.0;     /* an attack may be dated this much before its trigger */
static const double slow_cost = 0.3;    /* ms of spread per ms of smoothing */
static const double short_hold_ms = 40.0, short_cost = 0.2;
static const double longest_ms = 1500.0;
enum { reaction_blocks = 40 };

typedef struct {
    double *envelope; /* [blocks] */
    size_t *last;     /* [blocks] latest block up to here that triggers, + 1; 0 = none */
    double *hold_ms, *reaction_ms, *scratch;
} work;

static void smooth(const ltp_track *t, double smoothing_s, bool high_pass, double *envelope)
{
    const double g = exp(-1.0 / (smoothing_s * t->rate_hz));
    const lt_biquad hp = lt_biquad_highpass(speech_from_hz, 0.707, t->rate_hz);
    lt_biquad_state state = {0};
    double e = 0.0;
    for (size_t k = 0; k < t->count; k++) {
        double highest = 0.0;
        for (size_t i = k * t->block; i < (k + 1) * t->block; i++) {
            double x = t->sent[i];
            if (high_pass)
                lt_biquad_run(&hp, &state, &x, &x, 1);
            e = g * e + (1.0 - g) * fabs(x);
            highest = fmax(highest, e);
        }
        envelope[k] = highest;
    }
}

/* Median deviation, and a fifth of the mean one: a few events that were misread must not choose the detector. */
static double spread(const double *x, size_t count, double centre, double *scratch)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++) {
        scratch[i] = fabs(x[i] - centre);
        sum += fmin(scratch[i], furthest_ms);
    }
    return count > 0 ? lt_median(scratch, count) + 0.2 * sum / (double)count : 0.0;
}

typedef struct {
    double cost, hold_ms, hold_spread_ms, reaction_ms;
    size_t holds, reactions;
} verdict;

static size_t block_of(double s)
{
    return (size_t)lround(s / LTP_BLOCK_S);
}

static double median_of(work *w, const double *x, size_t count)
{
    memcpy(w->scratch, x, count * sizeof *x);
    return lt_median(w->scratch, count);
}

/* Share of the time between a release and the next attack in which the detector says that somebody talks. */
static double share_wrong(const ltp_track *t, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases,
                          double threshold, const work *w)
{
    size_t wrong = 0, all = 0;
    for (size_t r = 0; r < releases->count; r++) {
        const size_t from = block_of(releases->start_s[r]) + (size_t)early_ms;
        size_t to = t->count;
        for (size_t i = 0; i < attacks->count; i++) {
            const size_t a = block_of(attacks->start_s[i]);
            if (a > from && a < to)
                to = a;
        }
        for (size_t r2 = 0; r2 < releases->count; r2++) { /* an attack between them was not fitted */
            const size_t again = block_of(releases->start_s[r2]);
            if (again > from && again < to)
                to = from;
        }
        for (size_t k = from; k + reaction_blocks < to; k++) {
            wrong += w->envelope[k] >= threshold ? 1 : 0;
            all++;
        }
    }
    return all > 0 ? (double)wrong / (double)all : 0.0;
}

/* Longest time without a trigger while the switch is held: no hold can be shorter. */
static double longest_gap_ms(const ltp_track *t, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases,
                             const work *w)
{
    double longest = 0.0;
    for (size_t i = 0; i < releases->count; i++) {
        const size_t end = block_of(releases->start_s[i]);
        size_t start = 0;
        for (size_t a = 0; a < attacks->count; a++) {
            const size_t k = block_of(attacks->start_s[a]);
            if (k < end && k > start)
                start = k;
        }
        for (size_t r = 0; r < releases->count; r++) {
            const size_t k = block_of(releases->start_s[r]);
            if (k < end && k > start)
                start = end; /* its attack was not fitted */
        }
        for (size_t k = start; k + 1 < end && k + 1 < t->count; k++)
            if (w->last[k] > start && w->last[k + 1] != w->last[k])
                longest = fmax(longest, (double)(k + 1 - w->last[k]));
    }
    return longest;
}

static verdict judge(const ltp_track *t, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases, double threshold,
                     work *w)
{
    verdict v = {.cost = (double)INFINITY, .hold_ms = NAN, .reaction_ms = NAN};
    size_t misses = 0, latest = 0;
    for (size_t k = 0; k < t->count; k++) {
        if (w->envelope[k] >= threshold)
            latest = k + 1;
        w->last[k] = latest;
    }
    for (size_t i = 0; i < releases->count; i++) {
        if (!releases->is_roomy[i])
            continue;
        const size_t k = block_of(releases->start_s[i]);
        const size_t at = k < t->count ? w->last[k] : 0;
        const double ms = at > 0 ? (double)(k + 1 - at) : longest_ms;
        if (ms < longest_ms)
            w->hold_ms[v.holds++] = ms;
        else
            misses++;
    }
    for (size_t i = 0; i < attacks->count; i++) {
        if (!attacks->is_roomy[i])
            continue;
        const size_t k = block_of(attacks->start_s[i]), ahead = k + (size_t)early_ms;
        size_t first = ahead < t->count ? ahead : t->count - 1, from = 0;
        for (size_t r = 0; r < releases->count; r++) { /* not before the release that came before it */
            const size_t released = block_of(releases->start_s[r]);
            if (released < k && released > from)
                from = released;
        }
        if (w->last[first] <= from || w->last[first] == 0) {
            misses++;
            continue;
        }
        size_t onset = w->last[first] - 1;
        for (size_t b = onset + 1; b-- > from && (double)(k + (size_t)early_ms - b) < 400.0;)
            if (w->envelope[b] >= threshold)
                onset = b;
        w->reaction_ms[v.reactions++] = (double)k - (double)onset;
    }
    if (v.holds + v.reactions == 0)
        return v;
    const double wrong = share_wrong(t, attacks, releases, threshold, w);
    v.hold_ms = v.holds > 0 ? median_of(w, w->hold_ms, v.holds) : (double)NAN;
    v.reaction_ms = v.reactions > 0 ? median_of(w, w->reaction_ms, v.reactions) : (double)NAN;
    v.hold_spread_ms = spread(w->hold_ms, v.holds, v.hold_ms, w->scratch);
    const double reaction_spread = spread(w->reaction_ms, v.reactions, v.reaction_ms, w->scratch);
    const double all = (double)(attacks->roomy + releases->roomy);
    const double gap = longest_gap_ms(t, attacks, releases, w) - v.hold_ms;
    v.cost = v.hold_spread_ms + (gap > 2.0 ? 0.15 * fmin(gap, furthest_ms) : 0.0) + 0.5 * reaction_spread +
             furthest_ms * (double)misses / all + 3.0 * furthest_ms * wrong;
    return v;
}

lt_status ltp_trigger_find(const ltp_track *t, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases,
                           lt_switching *out, lt_error *err)
{
    work w = {.envelope = ltp_alloc(t->count, sizeof(double)),
              .last = ltp_alloc(t->count, sizeof(size_t)),
              .hold_ms = ltp_alloc(LT_SWITCHING_EVENTS_MAX, sizeof(double)),
              .reaction_ms = ltp_alloc(LT_SWITCHING_EVENTS_MAX, sizeof(double)),
              .scratch = ltp_alloc(LT_SWITCHING_EVENTS_MAX, sizeof(double))};
    lt_status st = LT_OK;
    double best = (double)INFINITY, spread_ms = (double)INFINITY;
    if (w.envelope == NULL || w.last == NULL || w.hold_ms == NULL || w.reaction_ms == NULL || w.scratch == NULL) {
        st = ltp_fail_nomem(err, "the detector of a voice switch");
        goto done;
    }
    for (size_t i = 0; i < 2 * LTP_COUNT(smoothings_s); i++) { /* with and without a filter against wind and hum */
        const size_t s = i / 2;
        smooth(t, smoothings_s[s], i % 2 == 1, w.envelope);
        double loudest = 0.0;
        for (size_t k = 0; k < t->count; k++)
            loudest = fmax(loudest, w.envelope[k]);
        for (double db = -3.0; db > -range_db && loudest > 0.0; db -= step_db) {
            const double threshold = loudest * lt_amplitude_from_db(db);
            const verdict v = judge(t, attacks, releases, threshold, &w);
            /* A slow detector and a short hold look like a quick one with a longer hold; the quick one is preferred. */
            const double cost = v.cost + slow_cost * 1000.0 * smoothings_s[s] +
                                (lt_is_known(v.hold_ms) ? short_cost * fmax(0.0, short_hold_ms - v.hold_ms) : 0.0) +
                                (lt_is_known(v.reaction_ms) ? slow_cost * fabs(v.reaction_ms) : 0.0);
            if (cost < best) {
                best = cost;
                out->threshold_dbfs = lt_db_from_amplitude(threshold);
                out->smoothing_ms = 1000.0 * smoothings_s[s];
                out->hold_ms = v.hold_ms;
                out->reaction_ms = v.reaction_ms;
                spread_ms = v.hold_spread_ms;
                out->hold_doubt_ms = v.holds > 0 ? 2.0 * v.hold_spread_ms / sqrt((double)v.holds) + 1.0 : (double)NAN;
            }
        }
    }
    if (!(best < furthest_ms && spread_ms < furthest_ms / 3.0))
        lt_notes_add(
            &out->notes, "not-explained",
            "What is sent does not explain when the gain changes: another signal may hold the switch, or the two "
            "channels do not belong together.");
done:
    ltp_free(w.envelope);
    ltp_free(w.last);
    ltp_free(w.hold_ms);
    ltp_free(w.reaction_ms);
    ltp_free(w.scratch);
    return st;
}
