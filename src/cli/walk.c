/* SPDX-License-Identifier: MIT
 * The recordings of a lane that the recommendation rests on. */
#include "walk.h"

const lt_path cli_walk[CLI_WALK] = {
    LT_PATH_OUTBOUND, LT_PATH_NOISE_EAR,     LT_PATH_INBOUND,   LT_PATH_NOISE_COUNTER, LT_PATH_COUNTER_COUPLING,
    LT_PATH_LOOP,     LT_PATH_LANE_COUPLING, LT_PATH_NOISE_MIC, LT_PATH_TALK_TEST,
};

bool cli_lane_needs(const lt_tune_lane *t, bool has_loop, lt_path path)
{
    const bool loops = t->duplex != LT_DUPLEX_PUSH_TO_TALK;
    switch (path) {
    case LT_PATH_LANE_COUPLING: /* also for the talker's echo, where the loop was measured as a whole */
        return loops;
    case LT_PATH_COUNTER_COUPLING:
        return loops && !has_loop && !lt_is_known(t->coupling_db);
    case LT_PATH_TALK_TEST:
        return !lt_is_known(t->lane_mic_cal_db);
    case LT_PATH_OUTBOUND:
    case LT_PATH_INBOUND:
    case LT_PATH_NOISE_EAR:
    case LT_PATH_NOISE_MIC:
    case LT_PATH_NOISE_COUNTER:
        return true;
    case LT_PATH_LOOP:
    case LT_PATH_BYSTANDER:
    case LT_PATH_NOISE_BYSTANDER:
    case LT_PATH_CROSS_COUPLING:
    case LT_PATH_COUNT:
        break;
    }
    return false;
}
