/* SPDX-License-Identifier: MIT
 * Averaged spectrum up to 2.4 kHz for the search of mains lines, streaming in constant memory. */
#ifndef LTP_LEVEL_LINE_SPECTRUM_H
#define LTP_LEVEL_LINE_SPECTRUM_H

#include <lanetune/dsp.h>

typedef struct ltp_line_spectrum ltp_line_spectrum;

LT_NODISCARD lt_status ltp_line_spectrum_create(double rate_hz, ltp_line_spectrum **out, lt_error *err);
void ltp_line_spectrum_free(ltp_line_spectrum *s);
void ltp_line_spectrum_reset(ltp_line_spectrum *s);
/** Any block sizes give the same bits. */
void ltp_line_spectrum_push(ltp_line_spectrum *s, const double *x, size_t count);

/** What was averaged over the time, each block by the time that it stands for: `blocks` windowed periodograms (Hann), 0
 * where less than a second was pushed or all was silent.
 */
typedef struct {
    size_t blocks;
    double equal_blocks; /* so many that all count the same would scatter as little */
    size_t bins;         /* from 0 Hz up */
    double bin_hz;
    const double *ratio;  /* [bins] mean of power / noise floor of the same block: about 1.44 in noise */
    const double *weight; /* [bins] mean of 1 / noise floor */
    const double *power;  /* [bins] mean square; the bins of a line sum up to the mean square of that line */
} ltp_line_view;

/** Closes the averaging; a recording shorter than one block (4 s) is taken as one shorter block. The view is valid
 * until the next push, reset or free. LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_line_spectrum_finish(ltp_line_spectrum *s, ltp_line_view *out, lt_error *err);

#endif
