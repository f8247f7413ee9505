/* SPDX-License-Identifier: MIT
 * Octave filters without phase, applied to spectra. */
#include "speech/sti_octave.h"
#include "speech/sti_tables.h"

#include <math.h>

/* Magnitude of a Butterworth band-pass of seventh order: 45.7 dB at the neighbouring mid-bands, IEC 60268-16 wants 42.
 */
static double to_the_seventh(double x)
{
    const double square = x * x;
    return square * square * square * x;
}

/* Exact mid-bands, 1000 * 10^(0.3 k). */
static double mid_hz(size_t band)
{
    static const double hz[LT_STI_BANDS] = {125.89254117941673, 251.18864315095800, 501.18723362727230, 1000.0,
                                            1995.2623149688795, 3981.0717055349725, 7943.2823472428150};
    return hz[band];
}

double ltp_sti_octave_gain(size_t band, double hz)
{
    if (!(hz > 0.0))
        return 0.0;
    static const double edge = 1.4125375446227544; /* 10^0.15: upper edge over mid-band */
    const double ratio = hz / mid_hz(band);
    const double detuning = (ratio - 1.0 / ratio) / (edge - 1.0 / edge);
    return 1.0 / sqrt(1.0 + to_the_seventh(detuning * detuning));
}

double ltp_sti_octave_ring_s(size_t band)
{
    return 16.0 / mid_hz(band); /* some ten times the inverse bandwidth */
}

void ltp_sti_octave_filter(const lt_complex *spectrum, size_t n, double bin_hz, size_t band, lt_complex *out,
                           size_t n_out)
{
    const double scale = (double)n_out / (double)n;
    for (size_t k = 0; k <= n_out / 2; k++) {
        const double gain = scale * ltp_sti_octave_gain(band, (double)k * bin_hz);
        out[k] = (lt_complex){gain * spectrum[k].re, gain * spectrum[k].im};
    }
}

size_t ltp_sti_octave_size(size_t n, double rate_hz, size_t band)
{
    static const double highest = 4.0; /* of the mid-band: there the filter has fallen to -80 dB, squared to -160 dB */
    size_t size = n;
    while (size % 4 == 0 && rate_hz * (double)(size / 2) / (double)n >= 2.0 * highest * mid_hz(band))
        size /= 2;
    return size;
}
