/* SPDX-License-Identifier: MIT
 * Peaks and zero-phase crossings of L(f) between the bins of its grid. Linear scale. */
#include "base/alloc.h"
#include "loop/loop_internal.h"

#include <math.h>
#include <string.h>

enum {
    PEAKS_REFINED = 24, /* grid maxima near the top that are followed exactly */
    GOLDEN_STEPS = 24,  /* golden section: 2 bins shrink to 2e-5 of a bin */
    ROOT_STEPS = 40,
};

double ltp_points_hz(const ltp_points *p, size_t i)
{
    if (i == 0)
        return p->loop->ir.from_hz;
    if (i == p->count - 1)
        return p->loop->ir.to_hz;
    return (double)(p->first_bin + i - 1) * p->loop->ir.rate_hz / (double)p->loop->n_fft;
}

static lt_complex filtered(const ltp_points *p, lt_complex value, double hz)
{
    for (size_t i = 0; i < p->filter_count; i++)
        value = lt_complex_multiply(value, lt_biquad_response(&p->filters[i], hz, p->loop->ir.rate_hz));
    return value;
}

lt_complex ltp_points_at(const ltp_points *p, double hz)
{
    return filtered(p, lt_loop_at(p->loop, hz), hz);
}

static bool is_dc(const ltp_points *p)
{
    return p->loop->ir.from_hz <= 0.0;
}

static bool is_nyquist(const ltp_points *p)
{
    return p->loop->ir.to_hz >= p->loop->ir.rate_hz / 2.0 * (1.0 - 1e-12);
}

lt_status ltp_points_create(const lt_loop *l, const lt_notch *notches, size_t notch_count, ltp_points *out,
                            lt_error *err)
{
    const double bin_hz = l->ir.rate_hz / (double)l->n_fft;
    *out = (ltp_points){.loop = l};
    for (size_t i = 0; i < notch_count && i < LT_NOTCHES_MAX; i++)
        out->filters[out->filter_count++] =
            lt_biquad_peaking(notches[i].hz, notches[i].q, -notches[i].cut_db, l->ir.rate_hz);
    out->first_bin = (size_t)floor(l->ir.from_hz / bin_hz) + 1;
    size_t end = out->first_bin;
    while (end <= l->n_fft / 2 && (double)end * bin_hz < l->ir.to_hz)
        end++;
    out->count = end - out->first_bin + 2;
    out->value = ltp_alloc(out->count, sizeof *out->value);
    if (out->value == NULL)
        return ltp_fail_nomem(err, "a loop's grid");
    out->value[0] = ltp_points_at(out, l->ir.from_hz);
    out->value[out->count - 1] = ltp_points_at(out, l->ir.to_hz);
    for (size_t i = 1; i + 1 < out->count; i++) {
        const lt_complex z = l->spectrum[out->first_bin + i - 1];
        out->value[i] = out->filter_count > 0 ? filtered(out, z, ltp_points_hz(out, i)) : z;
    }
    if (is_dc(out))
        out->value[0].im = 0.0; /* real by nature, whatever rounding says */
    if (is_nyquist(out))
        out->value[out->count - 1].im = 0.0;
    return LT_OK;
}

void ltp_points_free(ltp_points *p)
{
    ltp_free(p->value);
    *p = (ltp_points){0};
}

/* ---- peaks ---- */

typedef struct {
    size_t index;
    double power; /* at the vertex of the parabola through three bins */
} grid_peak;

static double vertex_power(const ltp_points *p, size_t i)
{
    const double b = lt_complex_power(p->value[i]);
    if (i == 0 || i + 1 == p->count)
        return b;
    const double a = lt_complex_power(p->value[i - 1]);
    const double c = lt_complex_power(p->value[i + 1]);
    const double curve = 2.0 * b - a - c;
    return curve > 0.0 ? b + (c - a) * (c - a) / (8.0 * curve) : b;
}

static bool is_local_peak(const ltp_points *p, size_t i)
{
    const double b = lt_complex_power(p->value[i]);
    return (i == 0 || b >= lt_complex_power(p->value[i - 1])) &&
           (i + 1 == p->count || b > lt_complex_power(p->value[i + 1]));
}

static void keep_peak(grid_peak *best, size_t *count, grid_peak peak)
{
    size_t at = *count;
    while (at > 0 && best[at - 1].power < peak.power)
        at--;
    if (at >= PEAKS_REFINED)
        return;
    const size_t moved = (*count < PEAKS_REFINED ? *count : PEAKS_REFINED - 1) - at;
    memmove(best + at + 1, best + at, moved * sizeof *best);
    best[at] = peak;
    *count += *count < PEAKS_REFINED;
}

/* Golden section on |L|^2 between the neighbours of a grid maximum. */
static double climb(const ltp_points *p, size_t i, double *hz)
{
    const double golden = 0.61803398874989485;
    double a = ltp_points_hz(p, i > 0 ? i - 1 : 0);
    double b = ltp_points_hz(p, i + 1 < p->count ? i + 1 : i);
    double x1 = b - golden * (b - a);
    double x2 = a + golden * (b - a);
    double y1 = lt_complex_power(ltp_points_at(p, x1));
    double y2 = lt_complex_power(ltp_points_at(p, x2));
    for (int k = 0; k < GOLDEN_STEPS; k++) {
        if (y1 > y2) {
            b = x2;
            x2 = x1;
            y2 = y1;
            x1 = b - golden * (b - a);
            y1 = lt_complex_power(ltp_points_at(p, x1));
        } else {
            a = x1;
            x1 = x2;
            y1 = y2;
            x2 = a + golden * (b - a);
            y2 = lt_complex_power(ltp_points_at(p, x2));
        }
    }
    *hz = y1 > y2 ? x1 : x2;
    return fmax(y1, y2);
}

void ltp_points_peak(const ltp_points *p, double *level, double *hz)
{
    grid_peak best[PEAKS_REFINED];
    size_t count = 0;
    double top = 0.0;
    double top_hz = ltp_points_hz(p, 0);
    for (size_t i = 0; i < p->count; i++) {
        const double power = lt_complex_power(p->value[i]);
        if (power > top) {
            top = power;
            top_hz = ltp_points_hz(p, i);
        }
        if (is_local_peak(p, i))
            keep_peak(best, &count, (grid_peak){i, vertex_power(p, i)});
    }
    for (size_t k = 0; k < count && top > 0.0; k++) {
        if (best[k].power < 0.9 * best[0].power) /* the vertex is better than this, 0.45 dB */
            break;
        double at_hz = 0.0;
        const double power = climb(p, best[k].index, &at_hz);
        if (power > top) {
            top = power;
            top_hz = at_hz;
        }
    }
    *level = sqrt(top);
    *hz = top_hz;
}

/* ---- width of a peak ---- */

/* Where |L|^2 falls through `power` between two neighbouring points, straight in dB. */
static double falls_at(double hz, double power_here, double next_hz, double power_next, double power)
{
    const double here = log(power_here / power);
    const double next = log(fmax(power_next, 1e-300) / power);
    return hz + (next_hz - hz) * here / (here - next);
}

double ltp_points_width(const ltp_points *p, double hz)
{
    size_t below = 0; /* the point under hz */
    size_t above = p->count - 1;
    while (above - below > 1) {
        const size_t middle = below + (above - below) / 2;
        if (ltp_points_hz(p, middle) <= hz)
            below = middle;
        else
            above = middle;
    }
    const double power_hz = lt_complex_power(ltp_points_at(p, hz));
    const double power = 0.5 * power_hz;
    double edge[2] = {p->loop->ir.from_hz, p->loop->ir.to_hz};
    if (!(power > 0.0))
        return (double)NAN;
    double at_hz = hz;
    double at_power = power_hz;
    for (size_t i = below + 1; i-- > 0;) {
        const double here = lt_complex_power(p->value[i]);
        if (here < power) {
            edge[0] = falls_at(at_hz, at_power, ltp_points_hz(p, i), here, power);
            break;
        }
        at_hz = ltp_points_hz(p, i);
        at_power = here;
    }
    at_hz = hz;
    at_power = power_hz;
    for (size_t i = above; i < p->count; i++) {
        const double here = lt_complex_power(p->value[i]);
        if (here < power) {
            edge[1] = falls_at(at_hz, at_power, ltp_points_hz(p, i), here, power);
            break;
        }
        at_hz = ltp_points_hz(p, i);
        at_power = here;
    }
    return edge[1] - edge[0];
}

/* ---- crossings ---- */

/* Does L pass the positive real axis between points i and i + 1? The short way round tells 0 from 180 degrees. */
static bool crosses(const ltp_points *p, size_t i, ltp_crossing *out)
{
    const lt_complex a = p->value[i];
    const lt_complex b = p->value[i + 1];
    if ((a.im >= 0.0) == (b.im >= 0.0) || !(a.re > 0.0 || b.re > 0.0))
        return false;
    const double phase_a = atan2(a.im, a.re);
    const double phase_b = atan2(b.im, b.re);
    if (!(fabs(phase_a - phase_b) < LT_PI))
        return false;
    const double t = phase_a / (phase_a - phase_b);
    const double lower = ltp_points_hz(p, i);
    const double upper = ltp_points_hz(p, i + 1);
    const double power_a = fmax(lt_complex_power(a), 1e-300);
    const double power_b = fmax(lt_complex_power(b), 1e-300);
    *out = (ltp_crossing){.hz = lower + t * (upper - lower),
                          .level = exp(0.5 * (log(power_a) * (1.0 - t) + log(power_b) * t)),
                          .lower_hz = lower,
                          .upper_hz = upper,
                          .points = p};
    return true;
}

/* At 0 Hz and at half the rate L is real: both count like any crossing. */
static bool real_end(const ltp_points *p, bool last, ltp_crossing *out)
{
    const size_t i = last ? p->count - 1 : 0;
    if (!(last ? is_nyquist(p) : is_dc(p)) || !(p->value[i].re > 0.0))
        return false;
    const double hz = ltp_points_hz(p, i);
    *out = (ltp_crossing){.hz = hz, .level = p->value[i].re, .lower_hz = hz, .upper_hz = hz, .points = p};
    return true;
}

/* Fills list (if not NULL) and returns how many there are. */
static size_t list_crossings(const ltp_points *p, ltp_crossing *list)
{
    ltp_crossing one;
    size_t found = 0;
    for (int last = 0; last < 2; last++)
        if (real_end(p, last == 1, &one)) {
            if (list != NULL)
                list[found] = one;
            found++;
        }
    const size_t first = is_dc(p) ? 1 : 0;
    const size_t end = is_nyquist(p) ? p->count - 2 : p->count - 1;
    for (size_t i = first; i < end; i++)
        if (crosses(p, i, &one)) {
            if (list != NULL)
                list[found] = one;
            found++;
        }
    return found;
}

lt_status ltp_points_crossings(const ltp_points *p, size_t count, ltp_crossing **out, size_t *found, lt_error *err)
{
    *out = NULL;
    *found = 0;
    size_t total = 0;
    for (size_t i = 0; i < count; i++)
        total += list_crossings(&p[i], NULL);
    ltp_crossing *list = ltp_alloc(total > 0 ? total : 1, sizeof *list);
    if (list == NULL)
        return ltp_fail_nomem(err, "the crossings of a loop");
    for (size_t i = 0; i < count; i++)
        *found += list_crossings(&p[i], list + *found);
    *out = list;
    return LT_OK;
}

/* Regula falsi (Illinois) on Im L inside the two bins. */
void ltp_crossing_refine(ltp_crossing *c)
{
    double a = c->lower_hz;
    double b = c->upper_hz;
    if (!(b > a))
        return;
    double fa = ltp_points_at(c->points, a).im;
    double fb = ltp_points_at(c->points, b).im;
    c->lower_hz = c->upper_hz = c->hz; /* exact from here on */
    if ((fa >= 0.0) == (fb >= 0.0))
        return; /* rounding moved a crossing that sits on a bin: the interpolated value is exact there */
    int side = 0;
    for (int k = 0; k < ROOT_STEPS; k++) {
        const double x = b - fb * (b - a) / (fb - fa);
        const lt_complex z = ltp_points_at(c->points, x);
        c->hz = x;
        c->level = z.re;
        if (fabs(z.im) <= 1e-9 * fabs(z.re))
            break;
        if ((z.im >= 0.0) == (fb >= 0.0)) {
            b = x;
            fb = z.im;
            fa = side == 1 ? fa / 2.0 : fa;
            side = 1;
        } else {
            a = x;
            fa = z.im;
            fb = side == -1 ? fb / 2.0 : fb;
            side = -1;
        }
    }
    c->lower_hz = c->upper_hz = c->hz;
}
