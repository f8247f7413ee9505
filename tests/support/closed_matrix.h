/* SPDX-License-Identifier: MIT
 * The truth about several lanes: y_i[n] = x_i[n] + k sum_j sum_m h_ij[m] y_j[n - m], run sample by sample, and the gain
 * at which it begins to grow, found by bisection. Shares no code with the frequency-domain margin. Full scale = 1. */
#ifndef LT_TESTS_CLOSED_MATRIX_H
#define LT_TESTS_CLOSED_MATRIX_H

#include "base/alloc.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

enum { CLOSED_LINES_MAX = 4, CLOSED_TAPS_MAX = 12 };

typedef struct {
    size_t at[CLOSED_TAPS_MAX]; /* >= 1 */
    double value[CLOSED_TAPS_MAX];
    size_t count;
} closed_path;

typedef struct {
    closed_path path[CLOSED_LINES_MAX][CLOSED_LINES_MAX]; /* [to][from] */
    size_t n, frames;
} closed_matrix;

static inline double closed_matrix_input(const closed_matrix *c, const double *y, size_t i, size_t n)
{
    double sum = 0.0;
    for (size_t j = 0; j < c->n; j++) {
        const closed_path *p = &c->path[i][j];
        for (size_t t = 0; t < p->count; t++)
            if (p->at[t] <= n)
                sum += p->value[t] * y[(n - p->at[t]) * c->n + j];
    }
    return sum;
}

/* Does an impulse on all lines grow at gain k? Energy of the last quarter against the quarter before. */
static inline bool closed_matrix_grows(const closed_matrix *c, double k)
{
    const double huge_energy = 1e200;
    double *y = ltp_alloc(c->frames * c->n, sizeof *y);
    double energy[4] = {0};
    bool grows = false;
    for (size_t n = 0; n < c->frames && !grows; n++) {
        double *part = &energy[4 * n / c->frames];
        for (size_t i = 0; i < c->n; i++) {
            const double v = (n == 0 ? 1.0 / (double)(i + 1) : 0.0) + k * closed_matrix_input(c, y, i, n);
            y[n * c->n + i] = v;
            *part += v * v;
        }
        grows = *part > huge_energy;
    }
    grows = grows || energy[3] > energy[2];
    ltp_free(y);
    return grows;
}

static inline double closed_matrix_onset_db(const closed_matrix *c, double lower_db, double upper_db,
                                            double resolution_db)
{
    while (upper_db - lower_db > resolution_db) {
        const double middle_db = 0.5 * (lower_db + upper_db);
        if (closed_matrix_grows(c, pow(10.0, middle_db / 20.0)))
            upper_db = middle_db;
        else
            lower_db = middle_db;
    }
    return 0.5 * (lower_db + upper_db);
}

#endif
