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

/** Parts of the search, for a piece that ltp_piece_cut() made. */
const ltp_kernel *ltp_gap_search_kernel(const ltp_gap_search *g);
/** What the response, cut to what a lane can do, predicts for the piece: [kernel n], the search's own until its next
 * use. */
const double *ltp_gap_search_predict(ltp_gap_search *g, const lt_signal *piece);
/** The moments, seconds after the sweep's start, at which the sweep is most suddenly not what the response predicts,
 * the clearest first: at_s[most]. frames: the sweep's second part may be so much early or late. Returns how many. */
size_t ltp_gap_search_jumps(ltp_gap_search *g, const lt_signal *piece, double frames, double from_s, double to_s,
                            double *at_s, size_t most);

#endif
