/* SPDX-License-Identifier: MIT
 * One value of the discrete-time Fourier transform at any frequency. */
#include "base/vector.h"

#include <lanetune/dsp.h>

#include <math.h>

enum { BLOCK = 256, FINE = 16 };

/* exp(-j 2 pi hz i / rate). hz * i is kept in two parts (fma), and fmod is exact: no phase is lost however large i is.
 */
static lt_complex phasor(double hz, double rate_hz, double i)
{
    const double high = hz * i;
    const double low = fma(hz, i, -high);
    const double phase = -2.0 * LT_PI * ((fmod(high, rate_hz) + low) / rate_hz);
    return (lt_complex){cos(phase), sin(phase)};
}

/* exp(-j 2 pi hz k / rate), k < BLOCK: coarse turns times fine ones. */
static void fill_turns(double hz, double rate_hz, double *re, double *im)
{
    lt_complex fine[FINE];
    for (size_t k = 0; k < FINE; k++)
        fine[k] = phasor(hz, rate_hz, (double)k);
    for (size_t k = 0; k < BLOCK; k++) {
        const lt_complex coarse =
            k % FINE == 0 ? phasor(hz, rate_hz, (double)k) : (lt_complex){re[k - k % FINE], im[k - k % FINE]};
        const lt_complex w = lt_complex_multiply(coarse, fine[k % FINE]);
        re[k] = w.re;
        im[k] = w.im;
    }
}

LTP_WIDE lt_complex lt_dtft(const double *x, size_t count, double rate_hz, double hz)
{
    double re[BLOCK];
    double im[BLOCK];
    fill_turns(hz, rate_hz, re, im);
    lt_complex total = {0};
    for (size_t i = 0; i < count; i += BLOCK) {
        const size_t n = count - i < BLOCK ? count - i : BLOCK;
        const lt_complex part = {ltp_dot(x + i, re, n), ltp_dot(x + i, im, n)};
        const lt_complex turned = lt_complex_multiply(part, phasor(hz, rate_hz, (double)i));
        total.re += turned.re;
        total.im += turned.im;
    }
    return total;
}
