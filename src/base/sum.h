/* SPDX-License-Identifier: MIT
 * A running sum that loses nothing over days: the rounding error of each addition is kept and added at the end
 * (A. Neumaier, ZAMM 54, 1974). Its error stays that of one rounding, however many terms there are. */
#ifndef LTP_BASE_SUM_H
#define LTP_BASE_SUM_H

#include <math.h>

typedef struct {
    double sum, rest;
} ltp_sum;

static inline void ltp_sum_add(ltp_sum *s, double x)
{
    const double next = s->sum + x;
    s->rest += fabs(s->sum) >= fabs(x) ? (s->sum - next) + x : (x - next) + s->sum;
    s->sum = next;
}

static inline double ltp_sum_value(const ltp_sum *s)
{
    return s->sum + s->rest;
}

#endif
