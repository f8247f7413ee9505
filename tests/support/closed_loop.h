/* SPDX-License-Identifier: MIT
 * The truth about feedback: a closed loop run sample by sample, y[n] = x[n] + k sum h[m] y[n - m], and the gain at
 * which it begins to grow, found by bisection. Shares no code with the frequency-domain margin. Full scale = 1. */
#ifndef LT_TESTS_CLOSED_LOOP_H
#define LT_TESTS_CLOSED_LOOP_H

#include "base/alloc.h"

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

typedef struct {
    const double *h; /* [count]; h[0] = 0: at least one sample of delay */
    size_t count;
    size_t frames; /* length of a run */
} closed_loop;

/** Does an impulse grow at gain k? Compares the energy of the last quarter with that of the quarter before. */
static inline bool closed_loop_grows(const closed_loop *c, double k)
{
    const double huge_energy = 1e200;
    size_t *tap = ltp_alloc(c->count, sizeof *tap); /* the taps that are not 0 */
    double *y = ltp_alloc(c->frames, sizeof *y);
    size_t taps = 0;
    double energy[4] = {0};
    bool grows = false;
    for (size_t m = 1; m < c->count; m++)
        if (fabs(c->h[m]) > 0.0)
            tap[taps++] = m;
    for (size_t n = 0; n < c->frames && !grows; n++) {
        double sum = 0.0;
        for (size_t i = 0; i < taps && tap[i] <= n; i++)
            sum += c->h[tap[i]] * y[n - tap[i]];
        y[n] = (n == 0 ? 1.0 : 0.0) + k * sum;
        energy[4 * n / c->frames] += y[n] * y[n];
        grows = energy[4 * n / c->frames] > huge_energy;
    }
    grows = grows || energy[3] > energy[2];
    ltp_free(tap);
    ltp_free(y);
    return grows;
}

/** The gain in dB at which the loop begins to grow, to `resolution_db`. */
static inline double closed_loop_onset_db(const closed_loop *c, double lower_db, double upper_db, double resolution_db)
{
    while (upper_db - lower_db > resolution_db) {
        const double middle_db = 0.5 * (lower_db + upper_db);
        if (closed_loop_grows(c, pow(10.0, middle_db / 20.0)))
            upper_db = middle_db;
        else
            lower_db = middle_db;
    }
    return 0.5 * (lower_db + upper_db);
}

#endif
