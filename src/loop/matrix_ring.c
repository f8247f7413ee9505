/* SPDX-License-Identifier: MIT
 * Which path of a loop matrix rings: how much each lane's and counter's way moves the eigenvalue at the crossing. */
#include "loop/matrix.h"

#include <math.h>
#include <string.h>

static lt_complex eigenvalue_near(const lt_complex *a, size_t n, double level)
{
    lt_complex work[LTP_MATRIX * LTP_MATRIX];
    lt_complex values[LTP_MATRIX] = {{0.0, 0.0}};
    size_t best = 0;
    memcpy(work, a, n * n * sizeof *work);
    ltp_eigenvalues(work, n, values);
    for (size_t i = 1; i < n; i++) {
        const lt_complex here = {values[i].re - level, values[i].im};
        const lt_complex there = {values[best].re - level, values[best].im};
        if (ltp_complex_power(here) < ltp_complex_power(there))
            best = i;
    }
    return values[best];
}

/* d lambda / d ln(path) = (y* dL x) / (y* x) for each lane path and each counter path; the largest real part. */
lt_ring_path ltp_open_ring_path(const ltp_open_set *s, double x_bin, double level)
{
    ltp_matrix_place at = ltp_matrix_place_of(x_bin);
    lt_complex a[LTP_MATRIX * LTP_MATRIX];
    lt_complex x[LTP_MATRIX];
    lt_complex y[LTP_MATRIX];
    lt_complex counters[LTP_MATRIX * LTP_MATRIX] = {{0.0, 0.0}};
    lt_ring_path out = {.lane_share = -(double)INFINITY, .counter_share = -(double)INFINITY};
    ltp_open_reduced(s, x_bin, a);
    const lt_complex value = eigenvalue_near(a, s->k, level);
    ltp_eigenvectors(a, s->k, value, x, y);
    lt_complex product = {0.0, 0.0};
    for (size_t c = 0; c < s->k; c++)
        product = ltp_complex_add(product, ltp_complex_product(ltp_complex_conjugate(y[c]), x[c]));
    if (!(ltp_complex_abs(product) > 1e-9)) /* two eigenvalues in one: no path can be named */
        return (lt_ring_path){.known = false};
    product = ltp_complex_product(product, value);
    for (size_t i = 0; i < s->n; i++)
        for (size_t j = 0; j < s->n; j++) {
            lt_complex sum = {0.0, 0.0};
            for (size_t c = 0; c < s->k; c++) {
                const lt_complex way = ltp_open_way(s, &at, c, i, j);
                const lt_complex part =
                    ltp_complex_product(ltp_complex_product(ltp_complex_conjugate(y[c]), way), x[s->row_of[j]]);
                lt_complex *counter = &counters[c * s->k + s->row_of[i]];
                sum = ltp_complex_add(sum, part);
                *counter = ltp_complex_add(*counter, part);
            }
            const double share = ltp_complex_divide(sum, product).re;
            if (share > out.lane_share) {
                out.lane_share = share;
                out.speaker_lane = s->lane[j];
                out.microphone_lane = s->lane[i];
            }
        }
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++) {
            const double share = ltp_complex_divide(counters[c * s->k + d], product).re;
            if (share > out.counter_share) {
                out.counter_share = share;
                out.counter_microphone = s->counter[c];
                out.counter_speaker = s->counter[d];
            }
        }
    out.known = true;
    return out;
}
