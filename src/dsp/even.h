/* SPDX-License-Identifier: MIT
 * Levels made even, so that in a correlation a loud passage counts no more than a faint one. */
#ifndef LTP_DSP_EVEN_H
#define LTP_DSP_EVEN_H

#include <lanetune/base.h>

/** Divides x[count] by its RMS within 0.1 s about each sample; what is more than 26 dB below the RMS of all stays
 * faint. subject: for the sentence where memory runs out. LT_E_NOMEM. */
lt_status ltp_even_levels(double *x, size_t count, double rate_hz, const char *subject, lt_error *err);

#endif
