/* SPDX-License-Identifier: MIT
 * Differences of noise and talk tests between two visits. dB. */
#include "tune/compare.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Doubts, ours: traffic of another hour; a quiet counter; another talker or another distance to the microphone. */
static const double traffic_doubt_db = 4.0, counter_doubt_db = 3.0, talker_doubt_db = 4.0;
static const double short_s = 20.0; /* a shorter recording of noise says less */

static const lt_path kinds[LT_COMPARE_NOISE_COUNT] = {LT_PATH_NOISE_EAR, LT_PATH_NOISE_MIC, LT_PATH_NOISE_COUNTER};

const char *lt_compare_noise_kind_name(lt_compare_noise_kind kind)
{
    return (unsigned)kind < LT_COMPARE_NOISE_COUNT ? lt_path_name(kinds[kind]) : "unknown";
}

static const lt_levels *levels_of(const lt_tune_recordings *r, int kind)
{
    return kind == LT_COMPARE_NOISE_EAR ? r->noise_ear : kind == LT_COMPARE_NOISE_MIC ? r->noise_mic : r->noise_counter;
}

static bool is_own_noise(const lt_tune_lane *l, const lt_tune_recordings *r, int kind)
{
    for (const lt_tune_recordings *first = l->recordings; first != r; first++)
        if (levels_of(first, kind) == levels_of(r, kind))
            return false;
    return levels_of(r, kind) != NULL;
}

static bool is_own_talk(const lt_tune_lane *l, const lt_tune_recordings *r)
{
    for (const lt_tune_recordings *first = l->recordings; first != r; first++)
        if (first->talk_test == r->talk_test)
            return false;
    return r->talk_test != NULL;
}

/* ---- noise ---- */

static void compare_noise(ltp_compare *c, int kind, const lt_tune_recordings *rb, const lt_tune_recordings *ra)
{
    const lt_levels *b = levels_of(rb, kind), *a = levels_of(ra, kind);
    if (c->out->noise_count >= LT_COMPARE_NOISES_MAX)
        return;
    lt_compare_noise *n = &c->out->noises[c->out->noise_count++];
    const bool line = kind == LT_COMPARE_NOISE_MIC;
    *n = (lt_compare_noise){.kind = (lt_compare_noise_kind)kind, .calibrated = true};
    (void)snprintf(n->condition, sizeof n->condition, "%s", rb->name);
    double offset_b = 0.0, offset_a = 0.0;
    if (line) { /* line levels: what the interface adds, and the inbound setting, are no change of the noise */
        offset_b = -c->before->lane->loopback_db;
        offset_a = -c->after->lane->loopback_db - ltp_compare_inbound_change_db(c);
    } else {
        n->calibrated = lt_is_known(c->before->lane->mic_cal_db) && lt_is_known(c->after->lane->mic_cal_db);
    }
    n->laeq_db = (lt_before_after){b->laeq_db + offset_b, a->laeq_db + offset_a};
    n->la10_db = (lt_before_after){b->la10_db + offset_b, a->la10_db + offset_a};
    n->hum_db = (lt_before_after){b->hum ? b->hum_level_db + offset_b : -(double)INFINITY,
                                  a->hum ? a->hum_level_db + offset_a : -(double)INFINITY};
    n->mains_hz = a->hum ? a->mains_hz : b->hum ? b->mains_hz : (double)NAN;
    n->seconds_before = b->seconds;
    n->seconds_after = a->seconds;
    n->difference_db = n->laeq_db.after - n->laeq_db.before;
    n->doubt_db = kind == LT_COMPARE_NOISE_COUNTER ? counter_doubt_db : traffic_doubt_db;
    if (b->seconds < short_s || a->seconds < short_s)
        n->doubt_db += 2.0;
    for (size_t i = 0; i < b->band_count; i++) {
        const lt_level_band *other = lt_levels_band(a, b->bands[i].band.index);
        if (other == NULL || n->band_count == LT_LEVEL_BANDS_MAX)
            continue;
        lt_compare_noise_band *o = &n->bands[n->band_count++];
        o->hz = b->bands[i].band.nominal_hz;
        o->leq_db = (lt_before_after){b->bands[i].leq_db + offset_b, other->leq_db + offset_a};
        o->difference_db = o->leq_db.after - o->leq_db.before;
    }
}

void ltp_compare_noises(ltp_compare *c)
{
    const lt_tune_lane *lb = c->before->lane, *la = c->after->lane;
    for (int k = 0; k < LT_COMPARE_NOISE_COUNT; k++)
        for (size_t i = 0; i < lb->condition_count; i++) {
            const lt_tune_recordings *b = &lb->recordings[i], *a = ltp_compare_condition(la, b->name);
            const bool has_b = is_own_noise(lb, b, k), has_a = a != NULL && is_own_noise(la, a, k);
            if (has_b && has_a)
                compare_noise(c, k, b, a);
            else
                ltp_compare_one_sided(c, lt_path_name(kinds[k]), b->name, has_b, has_a);
        }
}

/* ---- talk tests ---- */

/* Near the noise an active level is that of both (talk.c): half of what is missing to 15 dB adds to the doubt. */
static double noisy_doubt(const lt_talk_test *t)
{
    const double snr = t->level.active_level_db - t->noise_level_db;
    return lt_is_known(snr) ? fmax(0.0, (15.0 - snr) / 2.0) : 3.0;
}

static void compare_talk(ltp_compare *c, const lt_tune_recordings *rb, const lt_tune_recordings *ra)
{
    const lt_talk_test *b = rb->talk_test, *a = ra->talk_test;
    if (c->out->talk_count >= LT_COMPARE_TALKS_MAX)
        return;
    lt_compare_talk *t = &c->out->talks[c->out->talk_count++];
    const double offset_b = -c->before->lane->loopback_db;
    const double offset_a = -c->after->lane->loopback_db - ltp_compare_inbound_change_db(c);
    *t = (lt_compare_talk){
        .active_level_db = {b->level.active_level_db + offset_b, a->level.active_level_db + offset_a},
        .noise_level_db = {b->noise_level_db + offset_b, a->noise_level_db + offset_a},
        .doubt_db = talker_doubt_db + fmax(noisy_doubt(b), noisy_doubt(a)),
    };
    (void)snprintf(t->condition, sizeof t->condition, "%s", rb->name);
    t->difference_db = t->active_level_db.after - t->active_level_db.before;
    for (size_t i = 0; i < b->band_count; i++)
        for (size_t k = 0; k < a->band_count; k++) {
            if (a->bands[k].band.index != b->bands[i].band.index || t->band_count == LT_TALK_BANDS_MAX)
                continue;
            lt_compare_noise_band *o = &t->bands[t->band_count++];
            o->hz = b->bands[i].band.nominal_hz;
            o->leq_db = (lt_before_after){b->bands[i].speech_db + offset_b, a->bands[k].speech_db + offset_a};
            o->difference_db = o->leq_db.after - o->leq_db.before;
        }
}

void ltp_compare_talks(ltp_compare *c)
{
    const lt_tune_lane *lb = c->before->lane, *la = c->after->lane;
    for (size_t i = 0; i < lb->condition_count; i++) {
        const lt_tune_recordings *b = &lb->recordings[i], *a = ltp_compare_condition(la, b->name);
        const bool has_b = is_own_talk(lb, b), has_a = a != NULL && is_own_talk(la, a);
        if (has_b && has_a)
            compare_talk(c, b, a);
        else
            ltp_compare_one_sided(c, lt_path_name(LT_PATH_TALK_TEST), b->name, has_b, has_a);
    }
}
