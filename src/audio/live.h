/* SPDX-License-Identifier: MIT
 * What playing into memory and recording into a file have in common. */
#ifndef LTP_AUDIO_LIVE_H
#define LTP_AUDIO_LIVE_H

#include "audio/live_job.h"

/** LT_E_ARG: an option is out of range. */
LT_NODISCARD lt_status ltp_live_check(const lt_live_options *opt, lt_error *err);

typedef struct {
    double start_s, callback_worst_ms, callback_share;
} ltp_live_figures;
/** Figures of a run that has ended; returns the number of xruns. */
uint32_t ltp_live_counts(const ltp_live_job *job, uint64_t start_ns, ltp_live_figures *out);

#endif
