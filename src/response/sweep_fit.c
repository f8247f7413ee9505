/* SPDX-License-Identifier: MIT
 * Recognises an exponential sweep by its zero crossings. */
#include "base/alloc.h"
#include "response/structure.h"

#include <math.h>

enum { POINTS = 200, POINTS_LEAST = 100, CROSSINGS_LEAST = 40 };
static const double used_from = 0.04; /* of the time between the first and last crossing: fades are left out */
static const double used_to = 0.96;
static const double worst_rms = 0.02;  /* of ln f about the fitted line */
static const double least_ratio = 2.0; /* f2 / f1 */

/* Times (frames) of sign changes of x, by linear interpolation. */
static size_t find_crossings(const double *x, size_t count, double *at)
{
    size_t n = 0;
    for (size_t i = 1; i < count; i++)
        if ((x[i - 1] < 0.0) != (x[i] < 0.0))
            at[n++] = (double)(i - 1) + x[i - 1] / (x[i - 1] - x[i]);
    return n;
}

typedef struct {
    double n, t, y, tt, ty, yy;
} line_sums;

static void add_point(line_sums *s, double t, double y)
{
    s->n += 1.0;
    s->t += t;
    s->y += y;
    s->tt += t * t;
    s->ty += t * y;
    s->yy += y * y;
}

/* ln f against time from whole cycles, at times spread evenly: as many cycles as fit between two points, at least one.
 */
static line_sums log_frequency(const double *at, size_t n, double rate_hz)
{
    line_sums s = {0};
    const double from = at[0] + used_from * (at[n - 1] - at[0]);
    const double step = (used_to - used_from) * (at[n - 1] - at[0]) / POINTS;
    size_t k = 0;
    for (size_t p = 0; p < POINTS; p++) {
        const double wanted = from + (double)p * step;
        while (k < n && at[k] < wanted)
            k++;
        size_t end = k + 2;
        while (end + 2 < n && at[end + 2] - at[k] < step)
            end += 2;
        if (end >= n)
            break;
        const double span = at[end] - at[k];
        if (span > 0.0)
            add_point(&s, 0.5 * (at[end] + at[k]) / rate_hz, log(0.5 * (double)(end - k) * rate_hz / span));
    }
    return s;
}

bool ltp_sweep_fit(const double *x, size_t count, double rate_hz, double *growth_s, double *start_hz, lt_status *st)
{
    double *at = ltp_alloc(count, sizeof *at);
    *st = at == NULL ? LT_E_NOMEM : LT_OK;
    if (at == NULL)
        return false;
    const size_t n = find_crossings(x, count, at);
    line_sums s = {0};
    double seconds = 0.0;
    if (n > CROSSINGS_LEAST) {
        s = log_frequency(at, n, rate_hz);
        seconds = (at[n - 1] - at[0]) / rate_hz;
    }
    ltp_free(at);
    const double det = s.n * s.tt - s.t * s.t;
    if (s.n < POINTS_LEAST || !(det > 0.0))
        return false;
    const double slope = (s.n * s.ty - s.t * s.y) / det;
    const double offset = (s.y - slope * s.t) / s.n;
    const double residual = (s.yy - offset * s.y - slope * s.ty) / s.n;
    if (!(slope * seconds > log(least_ratio)) || !(residual < worst_rms * worst_rms))
        return false;
    *growth_s = 1.0 / slope;
    *start_hz = exp(offset);
    return true;
}
