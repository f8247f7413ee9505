/* SPDX-License-Identifier: MIT
 * From an averaged response to the figures of lt_response. */
#ifndef LTP_RESPONSE_EVALUATE_H
#define LTP_RESPONSE_EVALUATE_H

#include "response/analysis.h"

/** Bands, points, delay, polarity, decay, arrivals of r->ir (already set). noise[grid] in |H|^2 or NULL (not known).
 * LT_E_SNR: nothing stands out. LT_E_NOMEM. */
lt_status ltp_evaluate(lt_response *r, const double *noise, lt_error *err);

#endif
