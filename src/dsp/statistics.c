/* SPDX-License-Identifier: MIT
 * Sums, means and order statistics. */
#include <lanetune/dsp.h>

#include <math.h>

double lt_sum(const double *x, size_t count)
{
    /* A. Neumaier, ZAMM 54 (1974): the part lost in each addition is summed on its own. */
    double total = 0.0;
    double lost = 0.0;
    for (size_t i = 0; i < count; i++) {
        const double t = total + x[i];
        lost += fabs(total) >= fabs(x[i]) ? (total - t) + x[i] : (x[i] - t) + total;
        total = t;
    }
    return isfinite(total) ? total + lost : total;
}

double lt_mean(const double *x, size_t count)
{
    return count == 0 ? (double)NAN : lt_sum(x, count) / (double)count;
}

static void swap(double *a, double *b)
{
    const double t = *a;
    *a = *b;
    *b = t;
}

static double middle_of(double a, double b, double c)
{
    return fmax(fmin(a, b), fmin(fmax(a, b), c));
}

/* Hoare's selection: afterwards x[k] is what sorting would put there, nothing larger before, nothing smaller behind. */
static void select_nth(double *x, size_t count, size_t nth)
{
    const ptrdiff_t k = (ptrdiff_t)nth;
    ptrdiff_t low = 0;
    ptrdiff_t high = (ptrdiff_t)count - 1;
    while (low < high) {
        const double pivot = middle_of(x[low], x[low + (high - low) / 2], x[high]);
        ptrdiff_t i = low;
        ptrdiff_t j = high;
        while (i <= j) {
            while (x[i] < pivot)
                i++;
            while (x[j] > pivot)
                j--;
            if (i <= j)
                swap(&x[i++], &x[j--]);
        }
        if (k > j && k < i) /* between the two parts: equal to the pivot */
            return;
        if (k <= j)
            high = j;
        else
            low = i;
    }
}

double lt_quantile(double *x, size_t count, double p)
{
    if (count == 0 || !(p >= 0.0 && p <= 1.0))
        return NAN;
    for (size_t i = 0; i < count; i++)
        if (isnan(x[i]))
            return NAN;
    const double position = p * (double)(count - 1);
    const size_t k = (size_t)position;
    select_nth(x, count, k);
    const double part = position - (double)k;
    if (k + 1 >= count || part <= 0.0)
        return x[k];
    double next = x[k + 1]; /* the smallest of what lies behind */
    for (size_t i = k + 2; i < count; i++)
        next = fmin(next, x[i]);
    if (isinf(x[k]) || isinf(next)) /* no number lies between silence and a level */
        return part < 0.5 ? x[k] : next;
    return x[k] + part * (next - x[k]);
}

double lt_median(double *x, size_t count)
{
    return lt_quantile(x, count, 0.5);
}
