/* SPDX-License-Identifier: MIT
 * Medians of a few dozen numbers, many times a second. */
#ifndef LTP_LEVEL_RANK_H
#define LTP_LEVEL_RANK_H

#include <stddef.h>

enum { LTP_RANK_PADDING = 8 };

/** The median of x[count], none of them negative or NaN; x has room for LTP_RANK_PADDING more, which are overwritten.
 * The same bits as lt_median(), which selects and is as fast from about 130 values on. */
double ltp_median_by_rank(double *x, size_t count);

#endif
