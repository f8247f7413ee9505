/* SPDX-License-Identifier: MIT
 * Impulse responses, for the other files of this layer. */
#ifndef LTP_RESPONSE_IR_H
#define LTP_RESPONSE_IR_H

#include <lanetune/response.h>

/** Zeroed, origin 0, band 0 to rate/2. LT_E_ARG: no sample, or a rate out of range. */
lt_status ltp_ir_create(size_t count, double rate_hz, lt_ir **out, lt_error *err);
/** x[length] is ir from t = 0 on, cut off there; in the band of ir it becomes what ir is with all that rings before. */
lt_status ltp_ir_make_causal(const lt_ir *ir, double *x, size_t length, lt_error *err);
/** |X|^2 of x[count] at *bins frequencies from 0 to rate/2, fine enough for sums over narrow bands. ltp_free() it. */
lt_status ltp_power_spectrum(const double *x, size_t count, double rate_hz, double **out, size_t *bins, lt_error *err);

#endif
