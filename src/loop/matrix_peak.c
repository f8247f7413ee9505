/* SPDX-License-Identifier: MIT
 * The highest point of a bound - singular value, or the ways' magnitudes - within a cell of the grid. */
#include "loop/matrix.h"

#include <math.h>

enum { CLIMB_STEPS = 28 };

/* The highest point between a and b, inside of which x is higher than both: parabolas through three points, a golden
 * section where they do not settle (Brent: Algorithms for Minimization without Derivatives, chapter 5). A level 1e-6
 * below the top is as good as the top. */
static void climb(const ltp_open_set *s, ltp_open_height at, double a, double b, double *level, double *x)
{
    const double golden = 0.3819660112501051; /* (3 - sqrt 5) / 2 */
    const double tolerance = 2e-4 * (b - a);
    double w = *x;
    double v = *x;
    double top_w = *level;
    double top_v = *level;
    double moved = 0.0;
    double before = 0.0;
    for (int k = 0; k < CLIMB_STEPS; k++) {
        const double middle = 0.5 * (a + b);
        if (fabs(*x - middle) <= 2.0 * tolerance - 0.5 * (b - a))
            return;
        const double r = (*x - w) * (top_v - *level);
        double q = (*x - v) * (top_w - *level);
        double p = (*x - v) * q - (*x - w) * r;
        q = 2.0 * (q - r);
        p = q > 0.0 ? -p : p;
        q = fabs(q);
        const bool parabola = fabs(p) < fabs(0.5 * q * before) && p > q * (a - *x) && p < q * (b - *x);
        before = parabola ? moved : (*x < middle ? b - *x : a - *x);
        moved = parabola ? p / q : golden * before;
        const double u = fabs(moved) >= tolerance ? *x + moved : *x + (moved > 0.0 ? tolerance : -tolerance);
        const double top_u = at(s, u, 0.0);
        if (top_u >= *level) {
            *(u >= *x ? &a : &b) = *x;
            v = w;
            top_v = top_w;
            w = *x;
            top_w = *level;
            *x = u;
            *level = top_u;
            continue;
        }
        *(u < *x ? &a : &b) = u;
        if (top_u >= top_w || !(fabs(w - *x) > 0.0)) {
            v = w;
            top_v = top_w;
            w = u;
            top_w = top_u;
        } else if (top_u >= top_v || !(fabs(v - *x) > 0.0) || !(fabs(v - w) > 0.0)) {
            v = u;
            top_v = top_u;
        }
    }
}

/* Heights at the points of a cell, 0 where they are known not to matter: every fourth point first, those between where
 * one beside them is high enough. Returns what a point must exceed. */
static double heights_of_cell(const ltp_open_set *s, size_t first, size_t last, ltp_open_height at, double best,
                              double *height_at)
{
    static const double slack[] = {LTP_FOUR_SLACK, LTP_TWO_SLACK};
    const lt_loop_matrix *m = s->matrix;
    bool asked[LTP_CELL_POINTS + 1] = {false};
    for (size_t i = 0; i <= last; i++)
        height_at[i] = 0.0;
    for (size_t step = 4; step >= 1; step /= 2)
        for (size_t i = 0; i <= last; i += step) {
            const size_t before = i >= step ? i - step : i;
            const size_t after = i + step <= last ? i + step : i;
            const bool near = step == 4 || height_at[before] > 0.0 || height_at[after] > 0.0 || i + step > last;
            if (!asked[i] && near)
                height_at[i] = at(s, ltp_matrix_point(m, first + i), best / slack[step == 4 ? 0 : 1]);
            asked[i] |= near;
        }
    return best / LTP_TWO_SLACK;
}

bool ltp_open_peak_of_cell(const ltp_open_set *s, size_t cell, ltp_open_height at, double best, double *level,
                           double *x)
{
    const lt_loop_matrix *m = s->matrix;
    const size_t first = cell * LTP_CELL_POINTS;
    const size_t last = first + LTP_CELL_POINTS < m->point_count ? first + LTP_CELL_POINTS : m->point_count - 1;
    double height_at[LTP_CELL_POINTS + 1];
    size_t top = first;
    bool found = false;
    *level = heights_of_cell(s, first, last - first, at, best, height_at);
    for (size_t i = first; i <= last; i++) {
        const double y = height_at[i - first];
        if (y > *level) {
            *level = y;
            top = i;
            found = true;
        }
    }
    if (!found)
        return false;
    const double lower = ltp_matrix_point(m, top > 0 ? top - 1 : 0);
    const double upper = ltp_matrix_point(m, top + 1 < m->point_count ? top + 1 : top);
    *x = ltp_matrix_point(m, top);
    climb(s, at, lower, upper, level, x);
    return *level > best;
}
