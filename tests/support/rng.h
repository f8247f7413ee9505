/* SPDX-License-Identifier: MIT
 * Numbers and test signals from a fixed seed. Full scale = 1.0. */
#ifndef LT_TESTS_RNG_H
#define LT_TESTS_RNG_H

#include <lanetune/base.h>

#include <math.h>

/** Uniform from low to high. */
static inline double between(lt_rng *r, double low, double high)
{
    return low + (high - low) * lt_rng_uniform(r);
}

/** White Gaussian noise of the given RMS. */
static inline void fill_gauss(double *x, size_t count, double rms, uint64_t seed)
{
    lt_rng r = {seed};
    for (size_t i = 0; i < count; i++)
        x[i] = rms * lt_rng_gauss(&r);
}

/** amplitude sin(2 pi hz t + phase), t = 0 at x[0]; accurate for hours. */
static inline void fill_sine(double *x, size_t count, double rate_hz, double hz, double amplitude, double phase)
{
    for (size_t i = 0; i < count; i++)
        x[i] = amplitude * sin(2.0 * LT_PI * fmod((double)i * (hz / rate_hz), 1.0) + phase);
}

#endif
