/* SPDX-License-Identifier: MIT
 * One value of the discrete-time Fourier transform at any frequency. */
#include <lanetune/dsp.h>

#include <math.h>

enum { BLOCK = 256 };

/* exp(-j 2 pi hz i / rate). hz * i is kept in two parts (fma), and fmod is exact: no phase is lost however large i is.
 */
static lt_complex phasor(double hz, double rate_hz, double i)
{
    const double high = hz * i;
    const double low = fma(hz, i, -high);
    const double phase = -2.0 * LT_PI * ((fmod(high, rate_hz) + low) / rate_hz);
    return (lt_complex){cos(phase), sin(phase)};
}

lt_complex lt_dtft(const double *x, size_t count, double rate_hz, double hz)
{
    double re[BLOCK];
    double im[BLOCK];
    for (size_t k = 0; k < BLOCK && k < count; k++) {
        const lt_complex w = phasor(hz, rate_hz, (double)k);
        re[k] = w.re;
        im[k] = w.im;
    }
    lt_complex total = {0};
    for (size_t i = 0; i < count; i += BLOCK) {
        const size_t n = count - i < BLOCK ? count - i : BLOCK;
        lt_complex part = {0};
        for (size_t k = 0; k < n; k++) {
            part.re += x[i + k] * re[k];
            part.im += x[i + k] * im[k];
        }
        part = lt_complex_multiply(part, phasor(hz, rate_hz, (double)i));
        total.re += part.re;
        total.im += part.im;
    }
    return total;
}
