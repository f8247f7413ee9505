/* SPDX-License-Identifier: MIT
 * Design and run of the weighting filters.
 *
 * The low poles (bilinear transform, each prewarped to its own frequency) and the double pole at 12.2 kHz (matched z)
 * come first; neither is right near half the rate. What is missing to the curve of the standard is a smooth amplitude,
 * and a symmetric FIR of nine taps supplies it: a least-squares fit of sum x_k cos(k w) with the relative error as
 * weight. The error is below 0.04 dB from 10 Hz to 0.4 rate at any rate from 4 to 400 kHz. */
#include "level/weighting.h"

#include <math.h>
#include <string.h>

enum { TERMS = LTP_WEIGHTING_TAPS / 2 + 1, NODES = 64, HISTORY = LTP_WEIGHTING_TAPS - 1 };

/* Pole frequencies, Hz: IEC 61672-1:2013 annex E, from its formulas. Confidence: checked.
 * Second entry: tests/reference/data/iec61672_constants.csv */
static const double pole_1_hz = 20.598997;
static const double pole_2_hz = 107.652649;
static const double pole_3_hz = 737.862231;
static const double pole_4_hz = 12194.217148;

static const double fit_from_hz = 20.0;
static const double fit_to = 0.43; /* share of the rate */

/* (1 - z^-1)^2 / ..., a bilinear high-pass at each of two frequencies. */
static lt_biquad high_pass_pair(double first_hz, double second_hz, double rate_hz)
{
    const double s = tan(LT_PI * first_hz / rate_hz);
    const double t = tan(LT_PI * second_hz / rate_hz);
    const double p = (1.0 - s) / (1.0 + s);
    const double q = (1.0 - t) / (1.0 + t);
    const double gain = 1.0 / ((1.0 + s) * (1.0 + t));
    return (lt_biquad){gain, -2.0 * gain, gain, -(p + q), p * q};
}

static lt_biquad double_pole(double hz, double rate_hz)
{
    const double p = exp(-2.0 * LT_PI * hz / rate_hz);
    const double gain = (1.0 - p) * (1.0 - p);
    return (lt_biquad){gain, 0.0, 0.0, -2.0 * p, p * p};
}

/* Solve the symmetric system m x = y in place; x ends in y. The cosines are independent, so no pivot vanishes. */
static void solve(double m[TERMS][TERMS], double y[TERMS])
{
    for (size_t i = 0; i < TERMS; i++) {
        for (size_t r = i + 1; r < TERMS; r++) {
            const double factor = m[r][i] / m[i][i];
            for (size_t c = i; c < TERMS; c++)
                m[r][c] -= factor * m[i][c];
            y[r] -= factor * y[i];
        }
    }
    for (size_t i = TERMS; i-- > 0;) {
        for (size_t c = i + 1; c < TERMS; c++)
            y[i] -= m[i][c] * y[c];
        y[i] /= m[i][i];
    }
}

/* FIR amplitude that brings the sections to the curve. */
static void fit_taps(double (*curve_db)(double hz), const lt_biquad *sections, size_t count, double rate_hz,
                     double taps[LTP_WEIGHTING_TAPS])
{
    double m[TERMS][TERMS] = {{0.0}};
    double y[TERMS] = {0.0};
    for (size_t n = 0; n < NODES; n++) {
        const double share = 0.5 - 0.5 * cos(LT_PI * ((double)n + 0.5) / NODES); /* Chebyshev's nodes */
        const double hz = fit_from_hz + (fit_to * rate_hz - fit_from_hz) * share;
        double wanted = lt_amplitude_from_db(curve_db(hz));
        for (size_t s = 0; s < count; s++)
            wanted /= sqrt(lt_complex_power(lt_biquad_response(&sections[s], hz, rate_hz)));
        double row[TERMS];
        for (size_t k = 0; k < TERMS; k++)
            row[k] = cos(2.0 * LT_PI * (double)k * hz / rate_hz) / wanted;
        for (size_t k = 0; k < TERMS; k++) {
            y[k] += row[k];
            for (size_t c = 0; c < TERMS; c++)
                m[k][c] += row[k] * row[c];
        }
    }
    solve(m, y);
    for (size_t k = 0; k < TERMS; k++)
        taps[TERMS - 1 + k] = taps[TERMS - 1 - k] = k == 0 ? y[0] : 0.5 * y[k];
}

void ltp_weighting_design(ltp_weighting *w, double rate_hz)
{
    memset(w, 0, sizeof *w);
    w->rumble.filter = high_pass_pair(pole_1_hz, pole_1_hz, rate_hz);
    w->low_a.filter = high_pass_pair(pole_2_hz, pole_3_hz, rate_hz);
    w->top_a.filter = w->top_c.filter = double_pole(pole_4_hz, rate_hz);
    const lt_biquad sections[] = {w->rumble.filter, w->top_a.filter, w->low_a.filter};
    fit_taps(lt_weight_a_db, sections, 3, rate_hz, w->taps_a);
    fit_taps(lt_weight_c_db, sections, 2, rate_hz, w->taps_c);
}

void ltp_weighting_reset(ltp_weighting *w)
{
    const lt_biquad_state zero = {0.0, 0.0};
    w->rumble.state = w->low_a.state = w->top_a.state = w->top_c.state = zero;
    memset(w->past, 0, sizeof w->past);
}

static void fir(const double *restrict taps, const double *restrict x, size_t count, double *restrict out)
{
    for (size_t i = 0; i < count; i++) {
        double sum = taps[TERMS - 1] * x[i + TERMS - 1];
        for (size_t k = 0; k < TERMS - 1; k++)
            sum += taps[k] * (x[i + k] + x[i + HISTORY - k]);
        out[i] = sum;
    }
}

/* Far below anything audible, and far above the denormal numbers that make a processor slow. */
static void settle(lt_biquad_state *s)
{
    if (fabs(s->s1) < 1e-40 && fabs(s->s2) < 1e-40)
        *s = (lt_biquad_state){0.0, 0.0};
}

static inline double step(const lt_biquad *f, lt_biquad_state *s, double x)
{
    const double y = f->b0 * x + s->s1;
    s->s1 = (f->b1 * x + s->s2) - f->a1 * y;
    s->s2 = f->b2 * x - f->a2 * y;
    return y;
}

static inline double step_poles(const lt_biquad *f, lt_biquad_state *s, double x)
{
    const double y = f->b0 * x + s->s1;
    s->s1 = s->s2 - f->a1 * y;
    s->s2 = -f->a2 * y;
    return y;
}

void ltp_weighting_run(ltp_weighting *w, const double *x, size_t count, double *scratch, double *a, double *c)
{
    memcpy(scratch, w->past, sizeof w->past);
    lt_biquad_state s = w->rumble.state;
    const lt_biquad rumble = w->rumble.filter;
    for (size_t i = 0; i < count; i++)
        scratch[HISTORY + i] = step(&rumble, &s, x[i]);
    w->rumble.state = s;
    memcpy(w->past, scratch + count, sizeof w->past);
    fir(w->taps_a, scratch, count, a);
    fir(w->taps_c, scratch, count, c);
    /* The three recursions in one loop, so that the processor can work on them side by side. */
    const lt_biquad low = w->low_a.filter;
    const lt_biquad top = w->top_a.filter;
    lt_biquad_state low_a = w->low_a.state;
    lt_biquad_state top_a = w->top_a.state;
    lt_biquad_state top_c = w->top_c.state;
    for (size_t i = 0; i < count; i++) {
        a[i] = step_poles(&top, &top_a, step(&low, &low_a, a[i]));
        c[i] = step_poles(&top, &top_c, c[i]);
    }
    w->low_a.state = low_a;
    w->top_a.state = top_a;
    w->top_c.state = top_c;
    settle(&w->rumble.state);
    settle(&w->low_a.state);
    settle(&w->top_a.state);
    settle(&w->top_c.state);
}
