/* SPDX-License-Identifier: MIT
 * What is read from an impulse response: direct arrival, later arrivals, decay, distortion. */
#ifndef LTP_RESPONSE_ANALYSIS_H
#define LTP_RESPONSE_ANALYSIS_H

#include "response/average.h"

/** An impulse response as its spectrum and its samples, both of length n (zero-padded or circular). */
typedef struct {
    lt_rfft *fft;
    size_t n, bins;
    double rate_hz, from_hz, to_hz;
    const lt_complex *spectrum; /* [bins] */
    const double *h;            /* [n] */
    size_t count;               /* of h that counts */
    double quiet_rms;           /* noise in h; 0 = not known */
} ltp_view;

typedef struct {
    double at;    /* frames from h[0], between samples */
    double peak;  /* |h| there */
    int polarity; /* +1, -1, 0 = cannot be told */
} ltp_direct;

/** The first arrival. False in *found: nothing stands out of the noise. LT_E_NOMEM. */
lt_status ltp_direct_find(const ltp_view *v, ltp_direct *out, bool *found, lt_error *err);

/** False in *ok: one band after the other arrives later (or earlier), as when another sweep was played than the one
 * that it was deconvolved by. bands[count] say where the response stands out of the noise. LT_E_NOMEM. */
lt_status ltp_bands_agree(const ltp_view *v, const lt_response_band *bands, size_t count, bool *ok, double *apart_ms,
                          lt_error *err);

/** Later arrivals by delay, at most LT_ARRIVALS_MAX. LT_E_NOMEM. */
lt_status ltp_arrivals_find(const ltp_view *v, const ltp_direct *d, lt_arrival *out, size_t *count, lt_error *err);

/** EDT, T20 (s) and C50 (dB) of the 500 Hz to 2 kHz octaves; NaN where the range is too small. LT_E_NOMEM. */
lt_status ltp_decay_measure(const ltp_view *v, const ltp_direct *d, double *edt_s, double *t20_s, double *c50_db,
                            lt_error *err);

/** Total harmonic distortion for a fundamental of hz, percent; NaN without a second harmonic inside the band.
 * *noisy = the noise may hold more than the harmonics. */
double ltp_thd_percent(const ltp_average *a, const ltp_kernel *k, double hz, bool *noisy);

#endif
