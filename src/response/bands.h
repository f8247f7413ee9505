/* SPDX-License-Identifier: MIT
 * Means of a power spectrum over bands, on a linear frequency axis. Bins of a real FFT: bin k covers k +- 1/2. */
#ifndef LTP_RESPONSE_BANDS_H
#define LTP_RESPONSE_BANDS_H

#include <lanetune/dsp.h>

/** Mean of power[bins] between two frequencies; edge bins count by their share. 0 outside the axis. */
double ltp_band_mean(const double *power, size_t bins, double bin_hz, double lower_hz, double upper_hz);

/** Grid of 1/24 octaves (IEC 61260-1) from 10 Hz to below Nyquist: what slowly varying spectra are stored on. */
enum { LTP_GRID_FRACTION = 24, LTP_GRID_FIRST = -160, LTP_GRID_MAX = 384 };
size_t ltp_grid_count(double rate_hz);
lt_band ltp_grid_band(size_t i);
/** Index of the point nearest to hz, clamped to the grid. */
size_t ltp_grid_index(double hz, size_t grid_count);

/** Goes up the grid along rising frequencies, quicker than ltp_grid_index(). Zero-initialise, with the count. */
typedef struct {
    size_t count, at;
    double upper_hz;
} ltp_grid_walk;
static inline size_t ltp_grid_step(ltp_grid_walk *w, double hz)
{
    while (hz > w->upper_hz && w->at + 1 < w->count) {
        w->at += w->upper_hz > 0.0 ? 1 : 0;
        w->upper_hz = ltp_grid_band(w->at).upper_hz;
    }
    return w->at;
}

/** lt_complex_multiply() for inner loops. */
static inline lt_complex ltp_product(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

#endif
