/* SPDX-License-Identifier: MIT
 * What a lane must bring before anything is computed: one clear line for what is missing or out of range. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>

static lt_status check_adjuster(const lt_tune_lane *l, const lt_adjuster *a, const char *which, lt_error *err)
{
    if (a->step_count < 1 || a->step_count > LT_STEPS_MAX)
        return ltp_fail(err, LT_E_ARG,
                        "lane %u: the %s adjuster offers %zu settings; 1 to %d can be searched: use a "
                        "wider step_db",
                        l->lane, which, a->step_count, (int)LT_STEPS_MAX);
    if (!lt_is_known(a->now_db) || !lt_is_known(a->recorded_db))
        return ltp_fail(err, LT_E_ARG, "lane %u: the %s adjuster's present setting (now_db) is not known", l->lane,
                        which);
    for (size_t i = 0; i < a->step_count; i++)
        if (!lt_is_known(a->steps_db[i]) || (i > 0 && !(a->steps_db[i] > a->steps_db[i - 1])))
            return ltp_fail(err, LT_E_ARG, "lane %u: the %s adjuster's settings must rise from step to step (step %zu)",
                            l->lane, which, i);
    return LT_OK;
}

static lt_status check_numbers(const lt_tune_lane *l, lt_error *err)
{
    if ((unsigned)l->duplex >= LT_DUPLEX_COUNT || (unsigned)l->listening >= LT_LISTEN_COUNT ||
        (unsigned)l->vocal_effort >= LT_EFFORT_COUNT || (unsigned)l->echo_limit >= LT_ECHO_LIMIT_COUNT ||
        (unsigned)l->noise_case >= LT_NOISE_CASE_COUNT)
        return ltp_fail(err, LT_E_ARG,
                        "lane %u: a choice (duplex, listening, vocal_effort, talker_echo, noise) is none "
                        "of its words",
                        l->lane);
    if (!(l->target_sii > 0.0 && l->target_sii <= 1.0))
        return ltp_fail(err, LT_E_ARG, "lane %u: target_sii must be above 0 and at most 1", l->lane);
    if (!lt_is_known(l->line_speech_dbov) || !lt_is_known(l->loopback_db) || !lt_is_known(l->temperature_c))
        return ltp_fail(err, LT_E_ARG, "lane %u: line_speech_dbov, loopback_db and temperature_c must be numbers",
                        l->lane);
    if (l->duplex == LT_DUPLEX_VOICE_SWITCHED &&
        !(l->switching_attenuation_db >= 0.0 && l->switching_attenuation_db < 1e3))
        return ltp_fail(err, LT_E_ARG, "lane %u: switching_attenuation_db must be 0 dB or more", l->lane);
    return LT_OK;
}

static lt_status check_responses(const lt_tune_lane *l, const lt_tune_recordings *r, lt_error *err)
{
    const struct {
        lt_path path;
        const lt_response *response;
    } rows[] = {{LT_PATH_LANE_COUPLING, r->lane_coupling},
                {LT_PATH_COUNTER_COUPLING, r->counter_coupling},
                {LT_PATH_LOOP, r->loop}};
    for (size_t i = 0; i < LTP_COUNT(rows); i++)
        if (rows[i].response != NULL && rows[i].response->ir == NULL)
            return ltp_fail(err, LT_E_ARG, "lane %u: %s has no impulse response: record it again", l->lane,
                            lt_path_name(rows[i].path));
    return LT_OK;
}

lt_status ltp_lane_check(const lt_tune_lane *l, lt_error *err)
{
    bool outbound = false;
    if (l->condition_count < 1 || l->condition_count > LT_CONDITIONS_MAX)
        return ltp_fail(err, LT_E_ARG, "lane %u: %zu conditions; 1 to %d can be compared", l->lane, l->condition_count,
                        (int)LT_CONDITIONS_MAX);
    if (!lt_is_known(l->mic_cal_db))
        return ltp_fail(err, LT_E_ARG,
                        "lane %u: mic_cal_db in visit.yaml is missing: calibrate the measurement microphone "
                        "(94 or 114 dB at 1 kHz) and enter the SPL that reads 0 dBFS",
                        l->lane);
    lt_status st = check_adjuster(l, &l->outbound, "outbound", err);
    if (st == LT_OK)
        st = check_adjuster(l, &l->inbound, "inbound", err);
    if (st == LT_OK)
        st = check_numbers(l, err);
    for (size_t c = 0; c < l->condition_count && st == LT_OK; c++) {
        outbound = outbound || l->recordings[c].outbound != NULL;
        st = check_responses(l, &l->recordings[c], err);
    }
    if (st == LT_OK && !outbound)
        return ltp_fail(err, LT_E_ARG,
                        "lane %u: outbound.wav is missing: play the stimulus on the outbound line and record "
                        "it with the measurement microphone at the listening position",
                        l->lane);
    return st;
}
