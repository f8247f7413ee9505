/* SPDX-License-Identifier: MIT
 * Second-order sections: R. Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients". */
#include <lanetune/dsp.h>

#include <math.h>

static lt_biquad normalised(double b0, double b1, double b2, double a0, double a1, double a2)
{
    return (lt_biquad){b0 / a0, b1 / a0, b2 / a0, a1 / a0, a2 / a0};
}

lt_biquad lt_biquad_peaking(double hz, double q, double gain_db, double rate_hz)
{
    const double a = lt_amplitude_from_db(gain_db / 2.0);
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double alpha = sin(w) / (2.0 * q);
    return normalised(1.0 + alpha * a, -2.0 * cos(w), 1.0 - alpha * a, 1.0 + alpha / a, -2.0 * cos(w), 1.0 - alpha / a);
}

lt_biquad lt_biquad_lowpass(double hz, double q, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double alpha = sin(w) / (2.0 * q);
    const double b = 1.0 - cos(w);
    return normalised(b / 2.0, b, b / 2.0, 1.0 + alpha, -2.0 * cos(w), 1.0 - alpha);
}

lt_biquad lt_biquad_highpass(double hz, double q, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double alpha = sin(w) / (2.0 * q);
    const double b = 1.0 + cos(w);
    return normalised(b / 2.0, -b, b / 2.0, 1.0 + alpha, -2.0 * cos(w), 1.0 - alpha);
}

/* Both shelves: sign +1 low, -1 high. The high shelf is the low one with cos(w) negated, and odd terms with it. */
static lt_biquad shelf(double hz, double slope, double gain_db, double rate_hz, double sign)
{
    const double a = lt_amplitude_from_db(gain_db / 2.0);
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double c = sign * cos(w);
    const double alpha = sin(w) / 2.0 * sqrt((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0);
    const double root = 2.0 * sqrt(a) * alpha;
    const double b0 = a * (a + 1.0 - (a - 1.0) * c + root);
    const double b1 = sign * 2.0 * a * (a - 1.0 - (a + 1.0) * c);
    const double b2 = a * (a + 1.0 - (a - 1.0) * c - root);
    const double a0 = a + 1.0 + (a - 1.0) * c + root;
    const double a1 = sign * -2.0 * (a - 1.0 + (a + 1.0) * c);
    const double a2 = a + 1.0 + (a - 1.0) * c - root;
    return normalised(b0, b1, b2, a0, a1, a2);
}

lt_biquad lt_biquad_lowshelf(double hz, double slope, double gain_db, double rate_hz)
{
    return shelf(hz, slope, gain_db, rate_hz, 1.0);
}

lt_biquad lt_biquad_highshelf(double hz, double slope, double gain_db, double rate_hz)
{
    return shelf(hz, slope, gain_db, rate_hz, -1.0);
}

lt_complex lt_biquad_response(const lt_biquad *b, double hz, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const lt_complex z1 = {cos(w), -sin(w)};
    const lt_complex z2 = {cos(2.0 * w), -sin(2.0 * w)};
    const lt_complex num = {b->b0 + b->b1 * z1.re + b->b2 * z2.re, b->b1 * z1.im + b->b2 * z2.im};
    const lt_complex den = {1.0 + b->a1 * z1.re + b->a2 * z2.re, b->a1 * z1.im + b->a2 * z2.im};
    const double power = lt_complex_power(den);
    const lt_complex product = lt_complex_multiply(num, (lt_complex){den.re, -den.im});
    return (lt_complex){product.re / power, product.im / power};
}

void lt_biquad_run(const lt_biquad *b, lt_biquad_state *state, const double *in, double *out, size_t count)
{
    const lt_biquad c = *b;
    double s1 = state->s1;
    double s2 = state->s2;
    for (size_t i = 0; i < count; i++) {
        const double x = in[i];
        const double y = c.b0 * x + s1;
        s1 = c.b1 * x - c.a1 * y + s2;
        s2 = c.b2 * x - c.a2 * y;
        out[i] = y;
    }
    /* A tail that has died away would turn into denormal numbers, which are slow. */
    state->s1 = fabs(s1) < 1e-200 ? 0.0 : s1;
    state->s2 = fabs(s2) < 1e-200 ? 0.0 : s2;
}
