/* SPDX-License-Identifier: MIT
 * Short-time objective intelligibility: finding the clean reference in a recording. */
#ifndef LTP_SPEECH_STOI_H
#define LTP_SPEECH_STOI_H

#include <lanetune/speech.h>

#define LTP_STOI_RATE_HZ 10000.0

/** Where the reference lies in the recording; both at LTP_STOI_RATE_HZ. */
typedef struct {
    double lag;       /* frames of the recording at which the reference begins; negative: before its beginning */
    double drift;     /* recorder's seconds per reference second, minus 1; 0 unless it could be told */
    bool drift_known; /* long enough to be measured */
} ltp_stoi_place;
/** LT_E_SNR: the reference is not in the recording. */
LT_NODISCARD lt_status ltp_stoi_find(const lt_signal *reference, const lt_signal *recording, ltp_stoi_place *out,
                                     lt_error *err);

#endif
