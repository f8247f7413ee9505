/* SPDX-License-Identifier: MIT
 * The delay between two spectra: the peak of their cross-correlation, then the slope of the cross-spectrum's phase by
 * least squares, each bin weighted by its magnitude. */
#include "response/shift.h"
#include "base/alloc.h"
#include "response/bands.h"

#include <math.h>

enum { ROUNDS = 4 };

static lt_complex turned(lt_complex z, double angle)
{
    return ltp_product(z, (lt_complex){cos(angle), sin(angle)});
}

void ltp_shift_apply(lt_complex *x, size_t n, double frames)
{
    for (size_t k = 0; k <= n / 2; k++)
        x[k] = turned(x[k], -2.0 * LT_PI * fmod((double)k * frames / (double)n, 1.0));
}

/* Lag of the highest value of a circular correlation within +-most, with a parabola through its neighbours. */
static double peak_lag(const double *c, size_t n, size_t most)
{
    ptrdiff_t best = 0;
    const ptrdiff_t limit = (ptrdiff_t)(most < n / 2 - 1 ? most : n / 2 - 1);
    for (ptrdiff_t lag = -limit; lag <= limit; lag++)
        if (c[lag < 0 ? (ptrdiff_t)n + lag : lag] > c[best < 0 ? (ptrdiff_t)n + best : best])
            best = lag;
    const size_t at = (size_t)((best + (ptrdiff_t)n) % (ptrdiff_t)n);
    const double left = c[(at + n - 1) % n];
    const double right = c[(at + 1) % n];
    const double bend = left - 2.0 * c[at] + right;
    return (double)best + (bend < 0.0 ? 0.5 * (left - right) / bend : 0.0);
}

/* One round of least squares: what is left of the delay, frames. */
static double slope_left(const lt_complex *cross, size_t n, double frames, double *sigma, double *agreement)
{
    double num = 0.0;
    double den = 0.0;
    double scatter = 0.0;
    double along = 0.0;
    double all = 0.0;
    for (size_t k = 1; k < n / 2; k++) {
        const double w = 2.0 * LT_PI * (double)k / (double)n;
        const lt_complex z = turned(cross[k], fmod(w * frames, 2.0 * LT_PI));
        const double weight = sqrt(lt_complex_power(z));
        const double phase = -atan2(z.im, z.re); /* b = a exp(-j w delay) */
        num += weight * w * phase;
        den += weight * w * w;
        scatter += weight * weight * w * w * phase * phase;
        along += z.re;
        all += weight;
    }
    *sigma = den > 0.0 ? sqrt(scatter) / den : (double)INFINITY;
    *agreement = all > 0.0 ? fmax(along / all, 0.0) : 0.0;
    return den > 0.0 ? num / den : 0.0;
}

lt_status ltp_shift_find(lt_rfft *fft, const lt_complex *a, const lt_complex *b, const double *weight, size_t most,
                         ltp_shift *out, lt_error *err)
{
    const size_t n = lt_rfft_size(fft);
    lt_complex *cross = ltp_alloc(n / 2 + 1, sizeof *cross);
    double *c = ltp_alloc(n, sizeof *c);
    const bool ok = cross != NULL && c != NULL;
    if (ok) {
        for (size_t k = 0; k <= n / 2; k++) {
            const double w = weight == NULL ? 1.0 : weight[k];
            cross[k] = ltp_product(b[k], (lt_complex){w * a[k].re, -w * a[k].im});
        }
        lt_rfft_inverse(fft, cross, c);
        *out = (ltp_shift){.frames = peak_lag(c, n, most)};
        for (int i = 0; i < ROUNDS; i++)
            out->frames += slope_left(cross, n, out->frames, &out->sigma, &out->coherence);
    }
    ltp_free(cross);
    ltp_free(c);
    return ok ? LT_OK : ltp_fail_nomem(err, "a comparison of two spectra");
}
