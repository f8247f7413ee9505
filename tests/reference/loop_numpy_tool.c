/* SPDX-License-Identifier: MIT
 * Lets loop_numpy.py call the library: raw doubles in on standard input, raw doubles out on standard output.
 *   eigen N: matrices of N x N complex numbers; out for each: N eigenvalues, the largest singular value, the Perron
 * root of the magnitudes, 2 residuals of eigenvectors matrix LANES COUNTERS TAPS HZ...: one loop matrix (counter_of,
 * couplings, loops, gains; see read_paths) at 8000 Hz; out for each frequency: L of all lanes; then for each set of
 * open lanes: the margins */
#include "loop/eigen.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

static bool get(double *x, size_t count)
{
    return fread(x, sizeof *x, count, stdin) == count;
}

static int put(const double *x, size_t count)
{
    return fwrite(x, sizeof *x, count, stdout) == count ? 0 : 1;
}

static double residual(const lt_complex *a, size_t n, lt_complex value, const lt_complex *x, bool left)
{
    double sum = 0.0;
    for (size_t i = 0; i < n; i++) {
        lt_complex y = {0.0, 0.0};
        for (size_t j = 0; j < n; j++)
            y = ltp_complex_add(y,
                                lt_complex_multiply(left ? ltp_complex_conjugate(a[j * n + i]) : a[i * n + j], x[j]));
        y = ltp_complex_subtract(y, lt_complex_multiply(left ? ltp_complex_conjugate(value) : value, x[i]));
        sum += lt_complex_power(y);
    }
    return sqrt(sum);
}

static int eigen(size_t n)
{
    lt_complex a[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
    while (get(&a[0].re, 2 * n * n)) {
        lt_complex copy[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
        lt_complex values[LTP_EIGEN_MAX];
        lt_complex right[LTP_EIGEN_MAX];
        lt_complex left[LTP_EIGEN_MAX];
        double size[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
        for (size_t i = 0; i < n * n; i++) {
            copy[i] = a[i];
            size[i] = ltp_complex_abs(a[i]);
        }
        ltp_eigenvalues(copy, n, values);
        ltp_eigenvectors(a, n, values[0], right, left);
        const double more[4] = {ltp_largest_singular_value(a, n, n), ltp_perron_root(size, n),
                                residual(a, n, values[0], right, false), residual(a, n, values[0], left, true)};
        if (put(&values[0].re, 2 * n) != 0 || put(more, 4) != 0)
            return 1;
    }
    return 0;
}

static double samples[3 * LTP_EIGEN_MAX * LTP_EIGEN_MAX][512];
static lt_ir responses[3 * LTP_EIGEN_MAX * LTP_EIGEN_MAX];

static bool read_coupling(size_t *next, size_t taps, lt_coupling *c)
{
    double head[3]; /* measured, level, delay */
    if (!get(head, 3))
        return false;
    *c = (lt_coupling){.level_db = head[1], .delay_s = head[2]};
    if (head[0] > 0.0) {
        lt_ir *ir = &responses[*next];
        *ir = (lt_ir){.samples = samples[*next], .count = taps, .rate_hz = 8000.0, .to_hz = 4000.0};
        c->ir = ir;
        (*next)++;
        return get(ir->samples, taps);
    }
    return true;
}

static bool read_paths(lt_matrix_paths *p, size_t taps)
{
    size_t next = 0;
    bool good = true;
    for (size_t i = 0; i < p->lane_count && good; i++) {
        double head[4]; /* counter, outbound, inbound, switching */
        good = get(head, 4);
        p->counter_of[i] = (size_t)head[0];
        p->outbound_db[i] = head[1];
        p->inbound_db[i] = head[2];
        p->switching_db[i] = head[3];
        for (size_t j = 0; j < p->lane_count && good; j++)
            good = read_coupling(&next, taps, &p->lane[i][j]);
        good = good && read_coupling(&next, taps, &p->loop[i]);
    }
    for (size_t i = 0; i < p->counter_count; i++)
        for (size_t j = 0; j < p->counter_count && good; j++)
            good = read_coupling(&next, taps, &p->counter[i][j]);
    return good;
}

static int matrix(size_t lanes, size_t counters, size_t taps, char **hz, int hz_count)
{
    lt_matrix_paths p = {.lane_count = lanes, .counter_count = counters};
    lt_loop_matrix *m = NULL;
    int rc = !read_paths(&p, taps) || lt_loop_matrix_create(&p, &m, NULL) != LT_OK ? 1 : 0;
    const unsigned all = (1u << lanes) - 1u;
    for (int k = 0; k < hz_count && rc == 0; k++) {
        lt_complex l[LTP_EIGEN_MAX * LTP_EIGEN_MAX];
        lt_loop_matrix_at(m, all, atof(hz[k]), l);
        rc = put(&l[0].re, 2 * lanes * lanes);
    }
    for (unsigned open = 1; open <= all && rc == 0; open++) {
        lt_matrix_margin r;
        if (lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, open, false, &r, NULL) != LT_OK)
            rc = 1;
        const double row[] = {r.margin_db,
                              r.ring_hz,
                              r.safe_margin_db,
                              r.any_phase_margin_db,
                              (double)r.path.speaker_lane,
                              (double)r.path.microphone_lane,
                              r.path.lane_share};
        rc = rc == 0 ? put(row, 7) : rc;
    }
    lt_loop_matrix_free(m);
    return rc;
}

int main(int argc, char **argv)
{
    if (argc >= 3 && argv[1][0] == 'e')
        return eigen((size_t)atoi(argv[2]));
    if (argc >= 5 && argv[1][0] == 'm' && atoi(argv[4]) <= 512)
        return matrix((size_t)atoi(argv[2]), (size_t)atoi(argv[3]), (size_t)atoi(argv[4]), argv + 5, argc - 5);
    return 2;
}
