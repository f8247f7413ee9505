/* SPDX-License-Identifier: MIT */
#include "level/predict.h"

#include <math.h>
#include <string.h>

enum { LAGS = LTP_PREDICT_LAGS };
static const double ridge = 1e-9, ridge_alike = 1e-5; /* of the energy: the hiss that is taken for granted */

void ltp_products_of(const double *x, size_t count, size_t stride, ltp_products *p)
{
    memset(p, 0, sizeof *p);
    for (size_t i = LAGS * stride; i < count; i++) {
        double v[LAGS + 1];
        for (size_t k = 0; k <= LAGS; k++)
            v[k] = x[i - k * stride];
        for (size_t r = 0; r <= LAGS; r++)
            for (size_t c = r; c <= LAGS; c++)
                p->product[r][c] += v[r] * v[c];
    }
    for (size_t r = 0; r <= LAGS; r++)
        for (size_t c = 0; c < r; c++)
            p->product[r][c] = p->product[c][r];
}

/* w[0] = 1, and the rest so that the sum of w[k] x[i - k] is least. */
static void best_filter(const ltp_products *p, double hiss, double w[LAGS + 1])
{
    double a[LAGS][LAGS + 1];
    for (size_t r = 0; r < LAGS; r++) {
        for (size_t c = 0; c < LAGS; c++)
            a[r][c] = p->product[r + 1][c + 1];
        a[r][r] += hiss * p->product[0][0];
        a[r][LAGS] = -p->product[r + 1][0];
    }
    for (size_t r = 0; r < LAGS; r++) /* symmetric and positive: no pivots needed */
        for (size_t k = r + 1; k < LAGS; k++) {
            const double f = a[r][r] > 0.0 ? a[k][r] / a[r][r] : 0.0;
            for (size_t c = r; c <= LAGS; c++)
                a[k][c] -= f * a[r][c];
        }
    w[0] = 1.0;
    for (size_t r = LAGS; r-- > 0;) {
        double rest = a[r][LAGS];
        for (size_t c = r + 1; c < LAGS; c++)
            rest -= a[r][c] * w[c + 1];
        w[r + 1] = a[r][r] > 0.0 ? rest / a[r][r] : 0.0;
    }
}

static double energy_after(const ltp_products *p, const double w[LAGS + 1])
{
    double sum = 0.0;
    for (size_t r = 0; r <= LAGS; r++)
        for (size_t c = 0; c <= LAGS; c++)
            sum += w[r] * p->product[r][c] * w[c];
    return sum > 0.0 ? sum : 0.0;
}

double ltp_unpredicted(const ltp_products *p)
{
    double w[LAGS + 1];
    if (!(p->product[0][0] > 0.0))
        return 1.0;
    best_filter(p, ridge, w);
    return fmin(1.0, energy_after(p, w) / p->product[0][0]);
}

double ltp_unlikeness(const ltp_products *a, const ltp_products *b)
{
    double w_a[LAGS + 1], w_b[LAGS + 1];
    if (!(a->product[0][0] > 0.0) || !(b->product[0][0] > 0.0))
        return INFINITY;
    best_filter(a, ridge_alike, w_a);
    best_filter(b, ridge_alike, w_b);
    const double hiss_a = ridge_alike * a->product[0][0], hiss_b = ridge_alike * b->product[0][0];
    const double by_b = (energy_after(a, w_b) + hiss_a) / (energy_after(a, w_a) + hiss_a);
    const double by_a = (energy_after(b, w_a) + hiss_b) / (energy_after(b, w_b) + hiss_b);
    return fmax(0.0, 0.5 * (log(by_b) + log(by_a)));
}
