/* SPDX-License-Identifier: MIT
 * Frames lost or repeated once between the markers, told from the drift between two clocks. */
#ifndef LTP_RESPONSE_STEP_H
#define LTP_RESPONSE_STEP_H

#include "response/structure.h"

typedef struct {
    bool known;          /* markers and sweeps were clear enough to tell */
    bool found;          /* ... and a step explains them, while drift alone does not */
    double frames;       /* of the recording: lost > 0, repeated < 0 */
    double from_s, to_s; /* recorder's time between which it happened */
    double drift;        /* recorder's seconds per stimulus second, minus 1; the step taken off */
    double agreement;    /* [0, 1] of sweeps and markers with the step; at most 1 */
    double plain;        /* ... without one */
    double least_frames; /* of the recording: a smaller step is not told from a microphone that was moved */
} ltp_step;

/** One play of an exponential sweep with markers. start_s: recorder's time of the stimulus' first sample, to 0.1 s.
 * LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_step_find(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, double start_s,
                        ltp_step *out, lt_error *err);

/** Narrows from_s .. to_s of a step that was found, where the sweep, which begins at zero_s of the recording without
 * the lane's delay, tells more. LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_step_place(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, double zero_s,
                         ltp_step *step, lt_error *err);

#endif
