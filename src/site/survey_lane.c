/* SPDX-License-Identifier: MIT
 * What a lane's search for settings gets: site.yaml, visit.yaml and the usable recordings, condition by condition. */
#include "site/survey.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

bool ltp_delay_is_known(const lt_response *r, double recorded_s, double stimulus_s)
{
    /* The delay is read in the recorder's time, so it is the line's delay only if the recorder began with the playback.
     * No measured delay tells that by itself; these rules (ours) decide:
     * - before the playback, or later than any telephone line: another start;
     * - up to 50 ms: the same start; two hands do not press two buttons that closely;
     * - up to 400 ms (digital hubs, telephone lines): the same start if all else speaks for one device that played and
     *   recorded: no clock drift that two devices would show, and no long wait at the end. */
    static const double earliest_ms = -1.0, surely_ms = 50.0, latest_ms = 400.0, same_clock_ppm = 5.0, wait_s = 3.0;
    const double d = r->delay_ms;
    if (!lt_is_known(d) || d < earliest_ms || d > latest_ms)
        return false;
    const bool one_clock = !lt_is_known(r->drift_ppm) || fabs(r->drift_ppm) <= same_clock_ppm;
    return d <= surely_ms || (one_clock && recorded_s <= stimulus_s + wait_s);
}

/* ---- conditions ---- */

static bool is_listed(const lt_tune_lane *t, const char *condition)
{
    for (size_t i = 0; i < t->condition_count; i++)
        if (strcmp(t->recordings[i].name, condition) == 0)
            return true;
    return false;
}

static void add_condition(lt_survey_lane *lane, const char *condition)
{
    lt_tune_lane *t = &lane->tune;
    if (is_listed(t, condition))
        return;
    if (t->condition_count == LT_CONDITIONS_MAX) {
        lt_notes_add(&lane->notes, "too-many-conditions", "The condition '%s' is left out: at most %d are compared.",
                     condition, (int)LT_CONDITIONS_MAX);
        return;
    }
    /* Plain first, the others in the order of the alphabet. */
    size_t i = t->condition_count++;
    for (; i > 0 && strcmp(t->recordings[i - 1].name, condition) > 0; i--)
        t->recordings[i] = t->recordings[i - 1];
    t->recordings[i] = (lt_tune_recordings){0};
    (void)snprintf(t->recordings[i].name, sizeof t->recordings[i].name, "%s", condition);
}

/* Where the empty lane was never recorded, it is no case of its own: its figures would be those of another condition.
 */
static void list_conditions(lt_survey_lane *lane)
{
    bool plain = false;
    lane->tune.condition_count = 0;
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        if (!r->usable || r->path == LT_PATH_CROSS_COUPLING)
            continue;
        if (r->condition[0] != '\0')
            add_condition(lane, r->condition);
        else if (r->path != LT_PATH_BYSTANDER && r->path != LT_PATH_NOISE_BYSTANDER)
            plain |= !r->shared;
    }
    if (plain || lane->tune.condition_count == 0)
        add_condition(lane, "");
}

/* The lane's own file of the condition, then the counter's, then the plain ones in the same order. */
static const lt_recording *pick(const lt_survey_lane *lane, lt_path path, const char *condition)
{
    for (int attempt = 0; attempt < 4; attempt++)
        for (size_t i = 0; i < lane->recording_count; i++) {
            const lt_recording *r = &lane->recordings[i];
            if (r->usable && r->path == path && r->shared == (attempt % 2 == 1) &&
                strcmp(r->condition, attempt < 2 ? condition : "") == 0)
                return r;
        }
    return NULL;
}

static const lt_response *response(const lt_survey_lane *lane, lt_path path, const char *condition)
{
    const lt_recording *r = pick(lane, path, condition);
    return r != NULL ? r->response : NULL;
}

static const lt_levels *levels(const lt_survey_lane *lane, lt_path path, const char *condition)
{
    const lt_recording *r = pick(lane, path, condition);
    return r != NULL ? r->levels : NULL;
}

static void fill_condition(const lt_survey_lane *lane, lt_tune_recordings *t)
{
    const lt_recording *coupling = pick(lane, LT_PATH_LANE_COUPLING, t->name);
    const lt_recording *talk = pick(lane, LT_PATH_TALK_TEST, t->name);
    t->outbound = response(lane, LT_PATH_OUTBOUND, t->name);
    t->inbound = response(lane, LT_PATH_INBOUND, t->name);
    t->lane_coupling = coupling != NULL ? coupling->response : NULL;
    t->counter_coupling = response(lane, LT_PATH_COUNTER_COUPLING, t->name);
    t->loop = response(lane, LT_PATH_LOOP, t->name);
    t->noise_ear = levels(lane, LT_PATH_NOISE_EAR, t->name);
    t->noise_mic = levels(lane, LT_PATH_NOISE_MIC, t->name);
    t->noise_counter = levels(lane, LT_PATH_NOISE_COUNTER, t->name);
    t->talk_test = talk != NULL ? talk->talk_test : NULL;
    t->bystander = response(lane, LT_PATH_BYSTANDER, t->name);
    t->noise_bystander = levels(lane, LT_PATH_NOISE_BYSTANDER, t->name);
    t->delay_known = coupling != NULL && coupling->delay_known;
}

void ltp_assemble(const lt_visit *visit, lt_survey_lane *lane)
{
    lt_tune_lane *t = &lane->tune;
    *t = lane->lane->tune;
    t->mic_cal_db = visit->mic_cal_db;
    t->loopback_db = visit->loopback_db;
    t->lane_mic_cal_db = visit->lane_mic_cal_db;
    for (size_t i = 0; i < visit->setting_count; i++) {
        if (visit->settings[i].lane != t->lane)
            continue;
        if (lt_is_known(visit->settings[i].outbound_db))
            t->outbound.recorded_db = visit->settings[i].outbound_db;
        if (lt_is_known(visit->settings[i].inbound_db))
            t->inbound.recorded_db = visit->settings[i].inbound_db;
    }
    list_conditions(lane);
    for (size_t i = 0; i < t->condition_count; i++)
        fill_condition(lane, &t->recordings[i]);
}
