/* SPDX-License-Identifier: MIT
 * Correlation of blocks of two recordings, for their lag and their drift. Frames at the search's own rate. */
#ifndef LTP_LOOP_ECHO_SEARCH_H
#define LTP_LOOP_ECHO_SEARCH_H

#include "loop/echo_internal.h"

/** Both recordings with their levels made even, and room for the correlation of one block. */
typedef struct {
    lt_signal *sent, *returned; /* at 8 kHz or less */
    double *weight;             /* SCOT, on a coarse grid */
    size_t block, range;        /* frames; lags */
    ptrdiff_t first;            /* lag of the first one */
    size_t n, bins;
    lt_rfft *fft;
    lt_complex *a, *b; /* [bins]; b is the cross-spectrum after ltp_echo_correlate() */
    double *x;         /* [n] */
} ltp_echo_search;
/** first, last: lags in frames of the pair. */
LT_NODISCARD lt_status ltp_echo_search_make(const ltp_echo_pair *p, double block_s, double first, double last,
                                            ltp_echo_search *s, lt_error *err);
void ltp_echo_search_clear(ltp_echo_search *s);
/** Correlation of the block of sent sound at `at`: x[i] belongs to lag first + i. */
void ltp_echo_correlate(ltp_echo_search *s, size_t at);
/** Nobody speaks in the block of sent sound at `at`. */
bool ltp_echo_is_quiet(const ltp_echo_search *s, size_t at);

#endif
