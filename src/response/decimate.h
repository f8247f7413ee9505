/* SPDX-License-Identifier: MIT
 * Fast reduction to about 8 kHz for the search. */
#ifndef LTP_RESPONSE_DECIMATE_H
#define LTP_RESPONSE_DECIMATE_H

#include <lanetune/dsp.h>

/** Sweep and recording at one common low rate (8 to 16 kHz, or the sweep's own where it holds too little below that).
 * Linear phase without delay. LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_decimate_pair(const lt_signal *sweep, const lt_signal *recording, lt_signal **low_sweep,
                            lt_signal **low_recording, lt_error *err);

#endif
