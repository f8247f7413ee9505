/* SPDX-License-Identifier: MIT
 * The delay between two spectra of the same length, to a small part of a frame. */
#ifndef LTP_RESPONSE_SHIFT_H
#define LTP_RESPONSE_SHIFT_H

#include <lanetune/dsp.h>

typedef struct {
    double frames;    /* b is later than a by this */
    double sigma;     /* its standard deviation, frames, from the scatter of the phase */
    double coherence; /* [0, 1]: how well a and b agree after the shift */
} ltp_shift;

/** a, b: [n / 2 + 1] of FFT size n = lt_rfft_size(fft). weight[n / 2 + 1] or NULL. |frames| <= most. LT_E_NOMEM. */
lt_status ltp_shift_find(lt_rfft *fft, const lt_complex *a, const lt_complex *b, const double *weight, size_t most,
                         ltp_shift *out, lt_error *err);
/** Delays a spectrum by `frames`. */
void ltp_shift_apply(lt_complex *x, size_t n, double frames);

#endif
