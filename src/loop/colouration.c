/* SPDX-License-Identifier: MIT
 * Colouration: what goes through the closed loop is multiplied by 1 / (1 - L). How uneven that is, and how long it
 * rings.
 *
 * The closed loop's pole near a frequency solves L(s) = 1. From s = j w Newton's method on ln L(s) = 0 (its nearest
 * branch: the round trip comes back in phase) needs L'(s) = -sum t h(t) exp(-s t). The first step is the time that a
 * round trip takes against what is lost on it; more are taken as long as the response's tail, which grows in this sum,
 * cannot spoil them. */
#include "base/alloc.h"
#include "loop/eigen.h"
#include "loop/loop_internal.h"

#include <math.h>

enum { NEWTON_STEPS = 12, GOLDEN_STEPS = 24 };
static const double speech_from_hz = 100.0;
static const double speech_to_hz = 8000.0;
static const double most_growth = 3.0; /* nepers, at the response's end */

static double closed_power(lt_complex l, double gain)
{
    const lt_complex rest = {1.0 - gain * l.re, -gain * l.im};
    return 1.0 / fmax(lt_complex_power(rest), 1e-30);
}

/* Where |1 / (1 - L)| is largest, between the points beside the best one. */
static double peak_hz(const ltp_points *p, size_t top, double gain, double *power)
{
    const double golden = 0.6180339887498949;
    double a = ltp_points_hz(p, top > 0 ? top - 1 : 0);
    double b = ltp_points_hz(p, top + 1 < p->count ? top + 1 : top);
    for (int k = 0; k < GOLDEN_STEPS; k++) {
        const double x1 = b - golden * (b - a);
        const double x2 = a + golden * (b - a);
        if (closed_power(ltp_points_at(p, x1), gain) > closed_power(ltp_points_at(p, x2), gain))
            b = x2;
        else
            a = x1;
    }
    const double hz = 0.5 * (a + b);
    *power = fmax(*power, closed_power(ltp_points_at(p, hz), gain));
    return hz;
}

/* L(s) and sum t h(t) exp(-s t), s = re + j im. */
static void laplace(const lt_ir *ir, double re, double im, lt_complex *value, lt_complex *moment)
{
    const double first_s = -(double)ir->origin_frames / ir->rate_hz;
    *value = *moment = (lt_complex){0.0, 0.0};
    for (size_t i = 0; i < ir->count; i++) {
        const double t = first_s + (double)i / ir->rate_hz;
        const double size = ir->samples[i] * exp(-re * t);
        const lt_complex part = {size * cos(im * t), -size * sin(im * t)};
        *value = ltp_complex_add(*value, part);
        *moment = ltp_complex_add(*moment, ltp_complex_scaled(part, t));
    }
}

/* Time for 60 dB at the pole nearest to hz; NaN: it does not decay. */
static double decay_s(const lt_ir *ir, double hz, double gain)
{
    const double last_s = ((double)ir->count - 1.0 - (double)ir->origin_frames) / ir->rate_hz;
    double re = 0.0;
    double im = 2.0 * LT_PI * hz;
    for (int k = 0; k < NEWTON_STEPS; k++) {
        lt_complex value;
        lt_complex moment;
        laplace(ir, re, im, &value, &moment);
        value = ltp_complex_scaled(value, gain);
        moment = ltp_complex_scaled(moment, gain);
        if (!(ltp_complex_abs(value) > 0.0) || !(ltp_complex_abs(moment) > 0.0))
            return (double)NAN;
        const lt_complex logarithm = {log(ltp_complex_abs(value)), atan2(value.im, value.re)};
        const lt_complex step = lt_complex_multiply(logarithm, ltp_complex_divide(value, moment));
        if (k > 0 && (-(re + step.re) * last_s > most_growth || !(re + step.re < 0.0)))
            break;
        re += step.re;
        im += step.im;
        if (-re * last_s > most_growth || fabs(step.re) < 1e-6 * fabs(re))
            break;
    }
    return re < 0.0 ? log(1000.0) / -re : (double)NAN;
}

static lt_status of_loop(const lt_loop *l, double gain, lt_colouration *out, lt_error *err)
{
    ltp_points p;
    const lt_status st = ltp_points_create(l, NULL, 0, &p, err);
    if (st != LT_OK)
        return st;
    size_t top = 0;
    double most = 0.0;
    double least = (double)INFINITY;
    for (size_t i = 0; i < p.count; i++) {
        const double hz = ltp_points_hz(&p, i);
        if (hz < speech_from_hz || hz > speech_to_hz)
            continue;
        const double power = closed_power(p.value[i], gain);
        least = fmin(least, power);
        if (power > most) {
            most = power;
            top = i;
        }
    }
    if (most > 0.0) {
        out->hz = peak_hz(&p, top, gain, &most);
        out->peak_db = lt_db_from_power(most);
        out->ripple_db = lt_db_from_power(most / least);
        out->decay_s = decay_s(&l->ir, out->hz, gain);
    }
    ltp_points_free(&p);
    return LT_OK;
}

lt_status lt_colouration_of(const lt_loop *const *loops, size_t count, double gain_db, lt_colouration *out,
                            lt_error *err)
{
    *out = (lt_colouration){.ripple_db = NAN, .peak_db = NAN, .hz = NAN, .decay_s = NAN};
    if (!lt_is_known(gain_db) || (count > 0 && loops == NULL))
        return ltp_fail(err, LT_E_ARG, "colouration needs loops and a gain in dB that is a number");
    for (size_t i = 0; i < count; i++) {
        lt_colouration one = *out;
        one.ripple_db = NAN;
        const lt_status st = of_loop(loops[i], lt_amplitude_from_db(gain_db), &one, err);
        if (st != LT_OK)
            return st;
        if (!(one.ripple_db <= out->ripple_db) && lt_is_known(one.ripple_db))
            *out = one;
    }
    return LT_OK;
}
