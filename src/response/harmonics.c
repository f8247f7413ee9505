/* SPDX-License-Identifier: MIT
 * Harmonic distortion from the images that an exponential sweep leaves before the response.
 * Source: Farina, AES 108th Convention (2000), preprint 5093: harmonic n appears L ln n earlier. */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

static const double hopeless = 0.01;    /* noise power worth 10 % distortion: no figure at all */
static const double half_width = 1.001; /* as good as a steady sine, yet a few bins to average noise over */

/* |X|^2 about hz. */
static double power_at(const lt_complex *x, size_t bins, double bin_hz, double hz)
{
    const double from = fmax(hz / half_width / bin_hz + 0.5, 0.0);
    const double to = fmin(fmax(hz * half_width / bin_hz + 0.5, from + 1.0), (double)bins - 1.0);
    double sum = 0.0;
    for (size_t k = (size_t)from; k <= (size_t)to && k < bins; k++) {
        const double share = fmin((double)k + 1.0, to) - fmax((double)k, from);
        sum += fmax(share, 0.0) * lt_complex_power(x[k]);
    }
    return to > from ? sum / (to - from) : 0.0;
}

double ltp_thd_percent(const ltp_average *a, const ltp_kernel *k, double hz, bool *noisy)
{
    *noisy = false;
    if (a->image[0] == NULL || 2.0 * hz > k->to_hz)
        return NAN;
    const double bin_hz = k->rate_hz / (double)a->n;
    /* |H_n| is the harmonic over the sweep's amplitude at its own frequency n f, which need not be that at f:
     * amplitude^2 = |S|^2 f 4 / L. */
    const double fundamental =
        power_at(a->response, a->bins, bin_hz, hz) * k->power[ltp_grid_index(hz, k->grid_count)] * hz;
    double sum = 0.0;
    double noise_sum = 0.0;
    for (int n = LTP_HARMONIC_FIRST; n <= LTP_HARMONIC_LAST && n * hz <= k->to_hz; n++) {
        const size_t g = ltp_grid_index(n * hz, k->grid_count);
        const double drive = k->power[g] * n * hz;
        const double noise = a->image_noise[n - LTP_HARMONIC_FIRST][g];
        sum += drive * (power_at(a->image[n - LTP_HARMONIC_FIRST], a->bins, bin_hz, n * hz) - noise);
        noise_sum += drive * noise;
    }
    if (!(fundamental > 0.0))
        return NAN;
    *noisy = noise_sum > 0.25 * fmax(sum, 0.0) && noise_sum > 1e-6 * fundamental;
    if (*noisy && noise_sum > hopeless * fundamental)
        return NAN;
    return 100.0 * sqrt(fmax(sum, 0.0) / fundamental);
}
