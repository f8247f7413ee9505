/* SPDX-License-Identifier: MIT
 * Windows and fades. */
#include <lanetune/dsp.h>

#include <math.h>

void lt_window_hann(double *w, size_t count)
{
    for (size_t i = 0; i < count; i++)
        w[i] = 0.5 - 0.5 * cos(2.0 * LT_PI * (double)i / (double)count);
}

void lt_window_blackman_harris(double *w, size_t count)
{
    /* F. J. Harris, "On the use of windows for harmonic analysis with the DFT", Proc. IEEE 66 (1978): 4 terms, -92 dB.
     */
    for (size_t i = 0; i < count; i++) {
        const double phase = 2.0 * LT_PI * (double)i / (double)count;
        w[i] = 0.35875 - 0.48829 * cos(phase) + 0.14128 * cos(2.0 * phase) - 0.01168 * cos(3.0 * phase);
    }
}

double lt_fade(double position)
{
    if (!(position > 0.0))
        return 0.0;
    return position < 1.0 ? 0.5 - 0.5 * cos(LT_PI * position) : 1.0;
}
