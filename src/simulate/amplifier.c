/* SPDX-License-Identifier: MIT
 * A soft-clipping amplifier: y = x / (1 + (x / c)^4)^(1/4), c smaller for negative halves so that even harmonics exist.
 * Small-signal gain 1; at the knee the output is 1.5 dB below linear. Full scale = 1.0. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

static const double negative_knee = 0.93; /* re the positive one */

static double curve(double c, double x)
{
    const double u = x / (x < 0.0 ? negative_knee * c : c);
    return x / sqrt(sqrt(1.0 + u * u * u * u));
}

double lt_scene_amplifier(double clip_line_dbfs, double sample)
{
    return isnan(clip_line_dbfs) ? sample : curve(lt_amplitude_from_db(clip_line_dbfs), sample);
}

/* What the amplifier adds to x: all of the distortion, nothing of the signal. */
static double residue(double c, double x)
{
    return curve(c, x) - x;
}

enum { HALF_TAPS = 16 };

/* Taps of a half-band filter beside its centre, at offsets +-(k + 1/2) of the lower rate: sinc under a Blackman-Harris
 * window. */
static void halfband_taps(double taps[HALF_TAPS])
{
    double sum = 0.0;
    for (int k = 0; k < HALF_TAPS; k++) {
        const double at = k + 0.5;
        const double w = LT_PI * at / HALF_TAPS;
        const double window = 0.35875 + 0.48829 * cos(w) + 0.14128 * cos(2.0 * w) + 0.01168 * cos(3.0 * w);
        taps[k] = sin(LT_PI * at) / (LT_PI * at) * window;
        sum += 2.0 * taps[k];
    }
    for (int k = 0; k < HALF_TAPS; k++)
        taps[k] /= sum; /* unity at 0 Hz */
}

static double sample_or_zero(const double *x, size_t count, ptrdiff_t i)
{
    return i >= 0 && (size_t)i < count ? x[i] : 0.0;
}

/* Value halfway between x[i] and x[i + 1]. */
static double between(const double taps[HALF_TAPS], const double *x, size_t count, ptrdiff_t i)
{
    double y = 0.0;
    if (i >= HALF_TAPS && i + HALF_TAPS < (ptrdiff_t)count) {
        for (int k = 0; k < HALF_TAPS; k++)
            y += taps[k] * (x[i - k] + x[i + 1 + k]);
        return y;
    }
    for (int k = 0; k < HALF_TAPS; k++)
        y += taps[k] * (sample_or_zero(x, count, i - k) + sample_or_zero(x, count, i + 1 + k));
    return y;
}

/* The residue is made at twice the rate and halved again, so that what lies above half the rate is lost and not folded
 * back; the linear part never passes a filter and stays exact. */
lt_status ltp_amplify(double clip_line_dbfs, double *x, size_t count, lt_error *err)
{
    if (isnan(clip_line_dbfs) || count == 0)
        return LT_OK;
    const double c = lt_amplitude_from_db(clip_line_dbfs);
    double *odd = ltp_alloc(count, sizeof *odd); /* the residue at the instants between samples */
    if (odd == NULL)
        return ltp_fail_nomem(err, "the amplifier's distortion");
    double taps[HALF_TAPS];
    halfband_taps(taps);
    for (size_t i = 0; i < count; i++)
        odd[i] = residue(c, between(taps, x, count, (ptrdiff_t)i));
    for (size_t i = 0; i < count; i++)
        x[i] += 0.5 * (residue(c, x[i]) + between(taps, odd, count, (ptrdiff_t)i - 1));
    ltp_free(odd);
    return LT_OK;
}
