/* SPDX-License-Identifier: MIT
 * Clock drift between player and recorder. */
#ifndef LTP_RESPONSE_DRIFT_H
#define LTP_RESPONSE_DRIFT_H

#include "response/find.h"
#include "response/kernel.h"

/** No two working clocks differ by more; what looks like more is another stimulus, or frames are missing. */
#define LTP_DRIFT_MOST 5e-4

typedef struct {
    double drift; /* recorder's seconds per stimulus second, minus 1 */
    double sigma; /* standard deviation; infinite = not known */
} ltp_drift;

/** From the two markers of a play. out->sigma is infinite where they are not both in the recording. */
lt_status ltp_drift_from_markers(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s,
                                 const ltp_play *play, ltp_drift *out, lt_error *err);
/** From a noise-like stimulus: the delays of its blocks, one after the other. piece = what ltp_piece_cut() made with
 * the drift `used`; the result includes that. */
lt_status ltp_drift_from_blocks(const lt_signal *piece, const lt_signal *sweep, size_t before, double used,
                                ltp_drift *out, lt_error *err);
/** From a sweep without markers: h[kernel n] = its deconvolved piece, made with the drift `used`; direct = index of the
 * strongest sample. The drift is the one that leaves nothing but a delay beside the minimum phase of the response. */
lt_status ltp_drift_from_sweep(ltp_kernel *k, const lt_signal *sweep, const double *h, size_t direct, double used,
                               ltp_drift *out, lt_error *err);
/** Two independent values into one, by their variances. */
ltp_drift ltp_drift_combine(ltp_drift a, ltp_drift b);

#endif
