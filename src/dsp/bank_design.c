/* SPDX-License-Identifier: MIT
 * Design of the filter bank: Butterworth band-pass by bilinear transform, and a windowed half-band decimator. */
#include "dsp/bank_design.h"

#include <math.h>

/* Above this share of the rate the bilinear transform lifts the lower skirt of three pole pairs over the class 1 limit
 * at a third of the mid-band frequency; four pairs hold it up to 0.42. */
static const double three_pairs_up_to = 0.255;
static const double three_pairs_of_octave = 0.213; /* likewise; an octave's skirts are wider */

static bool is_octave(const lt_band *band)
{
    return band->upper_hz > 1.5 * band->lower_hz;
}

/* A band-pass in the bilinear plane, w = tan(pi f / rate). Edges (half power) lie at mid-band times or over `ratio`. */
typedef struct {
    double centre, width;
} analog_band;

static analog_band warp(double mid_hz, double ratio, double rate_hz)
{
    const double low = tan(LT_PI * mid_hz / ratio / rate_hz);
    const double high = tan(LT_PI * mid_hz * ratio / rate_hz);
    return (analog_band){sqrt(low * high), high - low};
}

/* |H|^2 of a Butterworth band-pass of 2 * order poles. */
static double analog_power(const analog_band *b, int order, double hz, double rate_hz)
{
    const double w = tan(LT_PI * hz / rate_hz);
    const double x = (w * w - b->centre * b->centre) / (w * b->width);
    const double x2 = x * x;
    return 1.0 / (1.0 + (order == 3 ? x2 * x2 * x2 : x2 * x2 * x2 * x2));
}

/* Integral of |H(f) / H(mid)|^2 df up to half the rate, relative to the mid-band frequency. The range of it (in ln f
 * on either side) holds all but 1e-7. */
static double effective_width(const analog_band *b, int order, double mid_hz, double range, double rate_hz)
{
    enum { STEPS = 600 };
    const double from = -range;
    const double to = fmin(range, log(0.5 * rate_hz / mid_hz));
    const double step = (to - from) / STEPS;
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double share = exp(from + (i + 0.5) * step);
        sum += share * analog_power(b, order, mid_hz * share, rate_hz);
    }
    return sum * step / analog_power(b, order, mid_hz, rate_hz);
}

static analog_band fit_width(const lt_band *band, int order, double rate_hz)
{
    const double wanted = (band->upper_hz - band->lower_hz) / band->exact_hz;
    const double range = is_octave(band) ? 3.2 : 1.6;
    double octaves = log(band->upper_hz / band->exact_hz);
    analog_band b = {0};
    for (int i = 0; i < 4; i++) { /* width is nearly proportional to the logarithm of the edge ratio */
        b = warp(band->exact_hz, exp(octaves), rate_hz);
        octaves *= wanted / effective_width(&b, order, band->exact_hz, range, rate_hz);
    }
    return warp(band->exact_hz, exp(octaves), rate_hz);
}

static lt_complex square_root(lt_complex z)
{
    const double size = hypot(z.re, z.im);
    const double re = sqrt(fmax(0.0, (size + z.re) / 2.0));
    const double im = copysign(sqrt(fmax(0.0, (size - z.re) / 2.0)), z.im);
    return (lt_complex){re, im};
}

/* The pole pair of analog pole s (s = (z - 1) / (z + 1)): 1 + a1 z^-1 + a2 z^-2. */
static void set_pair(ltp_band_filter *f, int k, lt_complex s)
{
    const double below = (1.0 - s.re) * (1.0 - s.re) + s.im * s.im;
    const double re = (1.0 - s.re * s.re - s.im * s.im) / below; /* z = (1 + s) / (1 - s) */
    const double im = 2.0 * s.im / below;
    f->a1[k] = -2.0 * re;
    f->a2[k] = re * re + im * im;
}

ltp_band_filter ltp_band_design(const lt_band *band, double rate_hz)
{
    const double three_up_to = is_octave(band) ? three_pairs_of_octave : three_pairs_up_to;
    ltp_band_filter f = {.order = band->exact_hz <= three_up_to * rate_hz ? 3 : 4};
    const analog_band b = fit_width(band, f.order, rate_hz);
    int k = 0;
    /* Low-pass poles p in the upper half plane; each becomes s = p w / 2 +- sqrt((p w / 2)^2 - centre^2). */
    for (int i = 0; k < f.order; i++) {
        const double angle = LT_PI * (2 * i + 1 + f.order) / (2.0 * f.order);
        const lt_complex half = {cos(angle) * b.width / 2.0, sin(angle) * b.width / 2.0};
        lt_complex under = lt_complex_multiply(half, half);
        under.re -= b.centre * b.centre;
        const lt_complex root = square_root(under);
        set_pair(&f, k++, (lt_complex){half.re + root.re, half.im + root.im});
        if (k < f.order && 2 * i + 1 != f.order) /* a real p has both signs in one pair */
            set_pair(&f, k++, (lt_complex){half.re - root.re, half.im - root.im});
    }
    return f;
}

static lt_complex all_pole_inverse(const ltp_band_filter *f, double w)
{
    lt_complex product = {1.0, 0.0};
    for (int k = 0; k < f->order; k++) {
        const lt_complex pair = {1.0 + f->a1[k] * cos(w) + f->a2[k] * cos(2.0 * w),
                                 -f->a1[k] * sin(w) - f->a2[k] * sin(2.0 * w)};
        product = lt_complex_multiply(product, pair);
    }
    return product;
}

double ltp_band_power(const ltp_band_filter *f, double hz, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double zeros = 4.0 * sin(w) * sin(w); /* |1 - z^-2|^2 */
    return pow(zeros, f->order) / lt_complex_power(all_pole_inverse(f, w));
}

double ltp_band_delay_s(const ltp_band_filter *f, double hz, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    const double step = 1e-4 * w;
    const lt_complex above = all_pole_inverse(f, w + step);
    const lt_complex below = all_pole_inverse(f, w - step);
    const lt_complex turn = lt_complex_multiply(above, (lt_complex){below.re, -below.im});
    const double poles = atan2(turn.im, turn.re) / (2.0 * step);
    return (poles + f->order) / rate_hz; /* each 1 - z^-2 delays by one sample */
}

static double bessel_i0(double x)
{
    double term = 1.0;
    double sum = 1.0;
    for (int k = 1; k < 60; k++) {
        term *= (x / (2.0 * k)) * (x / (2.0 * k));
        sum += term;
    }
    return sum;
}

void ltp_half_design(double *taps)
{
    /* Kaiser's window for 90 dB: beta = 0.1102 (90 - 8.7); J. F. Kaiser, Proc. IEEE ISCAS 1974. */
    const double beta = 0.1102 * (90.0 - 8.7);
    double sum = 0.0;
    for (int k = 0; k < LTP_HALF_TAPS; k++) {
        const double t = 2 * k - LTP_HALF_DELAY;
        const double inside = 1.0 - (t / (LTP_HALF_DELAY + 1)) * (t / (LTP_HALF_DELAY + 1));
        taps[k] = sin(LT_PI * t / 2.0) / (LT_PI * t) * bessel_i0(beta * sqrt(inside));
        sum += taps[k];
    }
    for (int k = 0; k < LTP_HALF_TAPS; k++) /* twice their sum and the 1/2 in the middle make 1 at 0 Hz */
        taps[k] *= 0.25 / sum;
}

double ltp_half_power(const double *taps, double hz, double rate_hz)
{
    const double w = 2.0 * LT_PI * hz / rate_hz;
    double h = 0.5;
    for (int k = 0; k < LTP_HALF_TAPS; k++)
        h += 2.0 * taps[k] * cos(w * (LTP_HALF_DELAY - 2 * k));
    return h * h;
}
