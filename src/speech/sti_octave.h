/* SPDX-License-Identifier: MIT
 * Octave filters for modulation transfer: no phase, and at least 42 dB at the neighbouring mid-band frequencies. */
#ifndef LTP_SPEECH_STI_OCTAVE_H
#define LTP_SPEECH_STI_OCTAVE_H

#include <lanetune/speech.h>

/** Gain (amplitude) of the filter of STI band `band` at hz. Half power at the octave's edges. */
double ltp_sti_octave_gain(size_t band, double hz);
/** Longest time, before and after, that the filter of a band still says something worth hearing. */
double ltp_sti_octave_ring_s(size_t band);
/** Filter spectrum[] (bins of bin_hz, of an FFT of n) into out[0 .. n_out / 2] for an inverse FFT of n_out <= n, which
 * then gives the band at the rate n_out / n times the old one, at the old scale. */
void ltp_sti_octave_filter(const lt_complex *spectrum, size_t n, double bin_hz, size_t band, lt_complex *out,
                           size_t n_out);
/** Size n_out for a signal of n samples at rate_hz whose square does not fold: n divided by a power of 2. n must be a
 * multiple of 64. */
size_t ltp_sti_octave_size(size_t n, double rate_hz, size_t band);

#endif
