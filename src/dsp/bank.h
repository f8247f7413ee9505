/* SPDX-License-Identifier: MIT
 * What tests may ask of a filter bank beyond its public face. */
#ifndef LTP_DSP_BANK_H
#define LTP_DSP_BANK_H

#include <lanetune/dsp.h>

/** Steady mean square out for a sine of mean square 1 at hz in [0, rate / 2], band i: decimators and aliases included.
 */
double ltp_bank_power(const lt_bank *b, size_t i, double hz);
/** Every pole pair's memory is exactly 0. */
bool ltp_bank_at_rest(const lt_bank *b);

#endif
