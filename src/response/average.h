/* SPDX-License-Identifier: MIT
 * The average of all recorded sweeps, weighted per band. */
#ifndef LTP_RESPONSE_AVERAGE_H
#define LTP_RESPONSE_AVERAGE_H

#include "response/take.h"

typedef struct {
    size_t n, bins;
    lt_complex *response;          /* [bins]; time 0 of its inverse = first lag of the layout's response window */
    lt_complex *image[LTP_IMAGES]; /* [bins] or NULL */
    double noise[LTP_GRID_MAX];    /* in |response|^2 */
    double image_noise[LTP_IMAGES][LTP_GRID_MAX];
    size_t grid_count;
} ltp_average;

/** Takes are aligned (their spectra are moved), compared and averaged. names [recordings] may be NULL. LT_E_NOMEM. */
lt_status ltp_average_make(ltp_take *takes, size_t count, const ltp_layout *l, const ltp_kernel *k, lt_rfft *fft,
                           const char *const *names, ltp_average *out, lt_notes *notes, lt_error *err);
void ltp_average_clear(ltp_average *a);

#endif
