/* SPDX-License-Identifier: MIT
 * Means of a power spectrum over bands, on a linear frequency axis. */
#include "response/bands.h"

#include <math.h>

double ltp_band_mean(const double *power, size_t bins, double bin_hz, double lower_hz, double upper_hz)
{
    const double from = fmax(lower_hz / bin_hz + 0.5, 0.0); /* bin k now covers k .. k + 1 */
    const double to = fmin(upper_hz / bin_hz + 0.5, (double)bins);
    if (!(to > from))
        return 0.0;
    const size_t first = (size_t)from;
    const size_t last = (size_t)to;
    if (first >= bins)
        return 0.0;
    if (first == last)
        return power[first];
    double sum = power[first] * ((double)(first + 1) - from);
    for (size_t k = first + 1; k < last; k++)
        sum += power[k];
    if (last < bins)
        sum += power[last] * (to - (double)last);
    return sum / (to - from);
}

size_t ltp_grid_count(double rate_hz)
{
    size_t n = 0;
    while (n < LTP_GRID_MAX && ltp_grid_band(n).upper_hz < 0.5 * rate_hz)
        n++;
    return n;
}

lt_band ltp_grid_band(size_t i)
{
    return lt_fractional_octave(LTP_GRID_FRACTION, LTP_GRID_FIRST + (int)i);
}

size_t ltp_grid_index(double hz, size_t grid_count)
{
    /* Even fractions are centred half a step off 1 kHz: point i at 1000 * 10^(0.3 (i + first + 1/2) / 24) Hz. */
    const double steps = LTP_GRID_FRACTION * log10(fmax(hz, 1.0) / 1000.0) / 0.3 - LTP_GRID_FIRST - 0.5;
    if (!(steps > 0.0) || grid_count == 0)
        return 0;
    const size_t i = (size_t)lround(steps);
    return i < grid_count ? i : grid_count - 1;
}
