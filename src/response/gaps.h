/* SPDX-License-Identifier: MIT
 * Disturbances inside a recorded sweep: what was recorded against what the response measured from it predicts. */
#ifndef LTP_RESPONSE_GAPS_H
#define LTP_RESPONSE_GAPS_H

#include "response/drift.h"
#include "response/shift.h"
#include "response/take.h"

typedef struct ltp_gap_search ltp_gap_search;

typedef struct {
    bool gap;            /* the sweep is missing for a moment, or is disturbed where the device said so */
    double from_s, to_s; /* recorder's time */
    bool burst;          /* one sudden disturbance in the whole sweep, whatever its cause */
    double burst_from_s, burst_to_s;
    bool late_known;
    double late_frames; /* of this sweep against the first one, at the stimulus' rate, drift taken off */
} ltp_gap_result;

/** room: frames of a piece before and after the sweep, at most what lies free there. LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_gap_search_create(const lt_signal *stimulus, const ltp_structure *s, size_t room, ltp_gap_search **out,
                                lt_error *err);
void ltp_gap_search_free(ltp_gap_search *g);
/** One sweep of the recording, which begins at zero_s without the lane's delay. */
lt_status ltp_gap_search_sweep(ltp_gap_search *g, const lt_signal *recording, double zero_s, double drift,
                               const uint64_t *suspects, size_t suspect_count, ltp_gap_result *out, lt_error *err);

#endif
