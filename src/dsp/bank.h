/* SPDX-License-Identifier: MIT
 * What tests and the level meter may ask of a filter bank beyond its public face. */
#ifndef LTP_DSP_BANK_H
#define LTP_DSP_BANK_H

#include <lanetune/dsp.h>

/** Steady mean square out for a sine of mean square 1 at hz in [0, rate / 2], band i: decimators and aliases included.
 */
double ltp_bank_power(const lt_bank *b, size_t i, double hz);
/** The last hop at half the rate, [hop frames / 2]: flat within 0.01 dB up to 0.28 of that rate, what folds there 80 dB
 * down. NULL if no band runs below the full rate. Lives until the next hop. */
const double *ltp_bank_half(const lt_bank *b);
/** Every pole pair's memory is exactly 0. */
bool ltp_bank_at_rest(const lt_bank *b);

#endif
