/* SPDX-License-Identifier: MIT
 * Design and run of the weighting filters.
 *
 * The low poles (bilinear transform, each prewarped to its own frequency) and the double pole at 12.2 kHz (matched z)
 * come first; neither is right near half the rate. What is missing to the curve of the standard is a smooth amplitude,
 * and a symmetric FIR of nine taps supplies it: a least-squares fit of sum x_k cos(k w) with the relative error as
 * weight. The error is below 0.04 dB from 10 Hz to 0.4 rate at any rate from 4 to 400 kHz.
 *
 * All zeros go first, folded into that FIR, which needs no sample before the last; what is left are pole pairs, A and C
 * side by side in the lanes of a vector. Nothing but levels is wanted, so the filtered samples are not kept. */
#include "level/weighting.h"
#include "base/vector.h"

#include <math.h>
#include <string.h>

enum { TERMS = LTP_WEIGHTING_FIT / 2 + 1, NODES = 64, HISTORY = LTP_WEIGHTING_TAPS - 1 };

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
                     double taps[LTP_WEIGHTING_FIT])
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

/* taps[] of the fit, times the numerators b0 (1 - z^-1)^2, centred among LTP_WEIGHTING_TAPS. */
static void fold(const double fit[LTP_WEIGHTING_FIT], const lt_biquad *zeros, size_t count,
                 double taps[LTP_WEIGHTING_TAPS])
{
    double now[LTP_WEIGHTING_TAPS] = {0.0};
    memcpy(now, fit, LTP_WEIGHTING_FIT * sizeof *fit);
    size_t used = LTP_WEIGHTING_FIT;
    for (size_t s = 0; s < count; s++) {
        double next[LTP_WEIGHTING_TAPS] = {0.0};
        for (size_t i = 0; i < used; i++) {
            next[i] += zeros[s].b0 * now[i];
            next[i + 1] += zeros[s].b1 * now[i];
            next[i + 2] += zeros[s].b2 * now[i];
        }
        used += 2;
        memcpy(now, next, sizeof now);
    }
    memset(taps, 0, LTP_WEIGHTING_TAPS * sizeof *taps);
    memcpy(taps + (LTP_WEIGHTING_TAPS - used) / 2, now, used * sizeof *now);
}

static void set_poles(ltp_weighting *w, size_t pair, size_t lane, const lt_biquad *f)
{
    w->a1[pair][lane] = f->a1;
    w->a2[pair][lane] = f->a2;
}

void ltp_weighting_design(ltp_weighting *w, double rate_hz)
{
    memset(w, 0, sizeof *w);
    const lt_biquad rumble = high_pass_pair(pole_1_hz, pole_1_hz, rate_hz);
    const lt_biquad low_a = high_pass_pair(pole_2_hz, pole_3_hz, rate_hz);
    const lt_biquad top = double_pole(pole_4_hz, rate_hz);
    const lt_biquad sections[] = {rumble, top, low_a};
    const lt_biquad zeros[] = {{rumble.b0 * top.b0, rumble.b1 * top.b0, rumble.b2 * top.b0, 0.0, 0.0}, low_a};
    double fit[LTP_WEIGHTING_FIT];
    fit_taps(lt_weight_a_db, sections, 3, rate_hz, fit);
    fold(fit, zeros, 2, w->taps[0]);
    fit_taps(lt_weight_c_db, sections, 2, rate_hz, fit);
    fold(fit, zeros, 1, w->taps[1]);
    for (size_t lane = 0; lane < 2; lane++) {
        set_poles(w, 0, lane, &rumble);
        set_poles(w, 2, lane, &top);
    }
    set_poles(w, 1, 0, &low_a); /* C has none: its lane passes */
}

void ltp_weighting_reset(ltp_weighting *w)
{
    memset(w->y1, 0, sizeof w->y1);
    memset(w->y2, 0, sizeof w->y2);
    memset(w->past, 0, sizeof w->past);
}

/* Both symmetric FIRs in one pass over x[count + HISTORY], which share the sums of samples at equal distance. */
LTP_INLINE void run_fir(const ltp_weighting *w, const double *restrict x, size_t count, double *restrict a,
                        double *restrict c)
{
    enum { MIDDLE = LTP_WEIGHTING_TAPS / 2 };
    for (size_t i = 0; i < count; i++) {
        double sum_a = w->taps[0][MIDDLE] * x[i + MIDDLE];
        double sum_c = w->taps[1][MIDDLE] * x[i + MIDDLE];
        for (size_t k = 0; k < MIDDLE; k++) {
            const double both = x[i + k] + x[i + HISTORY - k];
            sum_a += w->taps[0][k] * both;
            sum_c += w->taps[1][k] * both;
        }
        a[i] = sum_a;
        c[i] = sum_c;
    }
}

typedef struct {
    ltp_pair a1[LTP_WEIGHTING_PAIRS], a2[LTP_WEIGHTING_PAIRS];
    ltp_pair b1[LTP_WEIGHTING_PAIRS], b2[LTP_WEIGHTING_PAIRS];
    ltp_pair y1[LTP_WEIGHTING_PAIRS], y2[LTP_WEIGHTING_PAIRS];
    ltp_pair energy, largest;
} running;

LTP_INLINE void keep_larger(ltp_pair *kept, const ltp_pair *x)
{
    const ltp_pair_mask more = *x > *kept;
    *kept = (ltp_pair)((more & (ltp_pair_mask)*x) | (~more & (ltp_pair_mask)*kept));
}

/* Two samples a step: see src/dsp/bank_run.c. */
LTP_INLINE void step_two(running *r, const double *a, const double *c)
{
    ltp_pair first = {a[0], c[0]};
    ltp_pair second = {a[1], c[1]};
    for (int k = 0; k < LTP_WEIGHTING_PAIRS; k++) {
        const ltp_pair y = (first - r->a2[k] * r->y2[k]) - r->a1[k] * r->y1[k];
        second = ((second - r->a1[k] * first) + r->b2[k] * r->y2[k]) + r->b1[k] * r->y1[k];
        first = y;
        r->y2[k] = first;
        r->y1[k] = second;
    }
    const ltp_pair square = second * second;
    ltp_pair larger = first * first;
    r->energy += larger + square;
    keep_larger(&larger, &square); /* first among the two: the wait for what is kept comes once in two samples */
    keep_larger(&r->largest, &larger);
}

LTP_INLINE void step_one(running *r, double a, double c)
{
    ltp_pair y = {a, c};
    for (int k = 0; k < LTP_WEIGHTING_PAIRS; k++) {
        y = (y - r->a2[k] * r->y2[k]) - r->a1[k] * r->y1[k];
        r->y2[k] = r->y1[k];
        r->y1[k] = y;
    }
    y *= y;
    r->energy += y;
    keep_larger(&r->largest, &y);
}

LTP_INLINE void load(running *r, const ltp_weighting *w)
{
    for (int k = 0; k < LTP_WEIGHTING_PAIRS; k++) {
        r->a1[k] = (ltp_pair){w->a1[k][0], w->a1[k][1]};
        r->a2[k] = (ltp_pair){w->a2[k][0], w->a2[k][1]};
        r->b1[k] = r->a1[k] * r->a1[k] - r->a2[k];
        r->b2[k] = r->a1[k] * r->a2[k];
        r->y1[k] = (ltp_pair){w->y1[k][0], w->y1[k][1]};
        r->y2[k] = (ltp_pair){w->y2[k][0], w->y2[k][1]};
    }
}

/* What has died away goes to 0 far below anything audible, and far above the denormal numbers that make a processor
 * slow. */
LTP_INLINE void store(const running *r, ltp_weighting *w)
{
    for (int k = 0; k < LTP_WEIGHTING_PAIRS; k++)
        for (int lane = 0; lane < 2; lane++) {
            const bool dead = fabs(r->y1[k][lane]) < 1e-40 && fabs(r->y2[k][lane]) < 1e-40;
            w->y1[k][lane] = dead ? 0.0 : r->y1[k][lane];
            w->y2[k][lane] = dead ? 0.0 : r->y2[k][lane];
        }
}

LTP_WIDE void ltp_weighting_run(ltp_weighting *w, const double *x, size_t count, size_t part, double *scratch,
                                ltp_weighted *out)
{
    const ltp_pair zero = {0.0, 0.0};
    double *a = scratch + HISTORY + count;
    double *c = a + count;
    memcpy(scratch, w->past, sizeof w->past);
    memcpy(scratch + HISTORY, x, count * sizeof *x);
    memcpy(w->past, scratch + count, sizeof w->past);
    run_fir(w, scratch, count, a, c);
    running r;
    load(&r, w);
    for (size_t i = 0; i < count;) {
        const size_t end = i + part < count ? i + part : count;
        r.energy = r.largest = zero;
        for (; i + 2 <= end; i += 2)
            step_two(&r, a + i, c + i);
        if (i < end) {
            step_one(&r, a[i], c[i]);
            i++;
        }
        for (int lane = 0; lane < 2; lane++) {
            out->energy[lane] = r.energy[lane];
            out->largest[lane] = r.largest[lane];
        }
        out++;
    }
    store(&r, w);
}
