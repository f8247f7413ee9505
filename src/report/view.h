/* SPDX-License-Identifier: MIT
 * What the page and the charts need to know about one lane, gathered once. Gain changes are re the settings that stood
 * while the recordings were made, as in tune. */
#ifndef LTP_REPORT_VIEW_H
#define LTP_REPORT_VIEW_H

#include <lanetune/report.h>

typedef struct {
    const lt_survey *survey;
    const lt_survey_lane *lane;
    const lt_tune_lane *tune; /* = &lane->tune */
    const lt_tune_result *result;
    size_t index; /* of the lane in the survey */
    double outbound_before_db, outbound_after_db, inbound_before_db, inbound_after_db;
} ltp_lane_view;

static inline ltp_lane_view ltp_lane_view_of(const lt_survey *s, const lt_tune_result *results, size_t index)
{
    const lt_survey_lane *lane = &s->lanes[index];
    const lt_tune_lane *t = &lane->tune;
    const lt_tune_result *r = &results[index];
    return (ltp_lane_view){
        .survey = s,
        .lane = lane,
        .tune = t,
        .result = r,
        .index = index,
        .outbound_before_db = t->outbound.now_db - t->outbound.recorded_db,
        .outbound_after_db = r->outbound_recommended_db - t->outbound.recorded_db,
        .inbound_before_db = t->inbound.now_db - t->inbound.recorded_db,
        .inbound_after_db = r->inbound_recommended_db - t->inbound.recorded_db,
    };
}

#endif
