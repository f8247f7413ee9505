/* SPDX-License-Identifier: MIT
 * Deconvolution of one sweep (or any broad-band stimulus) from a piece of recording. Lags in frames at the stimulus'
 * rate; h of a piece is circular: index (before + lag) mod n. */
#ifndef LTP_RESPONSE_KERNEL_H
#define LTP_RESPONSE_KERNEL_H

#include "response/bands.h"

typedef struct {
    size_t n, bins;              /* FFT size, n / 2 + 1 */
    size_t before, sweep, after; /* frames of a piece: before the sweep, the sweep, after it */
    double rate_hz;
    double from_hz, to_hz;             /* band of the stimulus */
    double level_from_hz, level_to_hz; /* ... without its flanks */
    double low_edge, high_edge;        /* |S|^2 just inside it */
    lt_rfft *fft;
    lt_complex *inverse;        /* conj(S) B / (|S|^2 + reg) [bins] */
    lt_complex *stimulus;       /* S [bins]; NULL unless the stimulus is rough */
    lt_complex *work;           /* [bins] */
    double power[LTP_GRID_MAX]; /* |S|^2, smoothed, on the grid */
    size_t grid_count;
    double roughness; /* variance of |S|^2 about its smooth course, in band: 0 sweep, 1 noise */
} ltp_kernel;

/** sweep: the samples that were played; highest_hz: what the recordings can hold at most. LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_kernel_create(const lt_signal *sweep, size_t before, size_t after, double highest_hz, ltp_kernel **out,
                            lt_error *err);
void ltp_kernel_free(ltp_kernel *k);
/** piece[count], count <= n, starts `before` frames ahead of the sweep; h[n] = its impulse response. */
void ltp_kernel_apply(ltp_kernel *k, const double *piece, size_t count, double *h);
/** As ltp_kernel_apply() for a rough stimulus (noise, speech), whose spectrum has deep dips: the impulse response at
 * `count` lags from `first` on that leaves the least of the piece unexplained. noise[grid]: what one frame of h holds
 * of it, as power density (times a window's energy = noise in |H|^2). LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_kernel_solve(ltp_kernel *k, const double *piece, size_t piece_count, ptrdiff_t first, size_t count,
                           double *h, double *noise, lt_error *err);
bool ltp_kernel_is_rough(const ltp_kernel *k);
/** Regularisation, re |S|^2 per bin of FFT size n, at hz outside the band; 0 inside. */
double ltp_kernel_floor(const ltp_kernel *k, double hz);

/** Between which frequencies the noise in H about hz is averaged: a third of an octave, less at the ends of the band,
 * since beyond them H is all noise, many times as loud. */
void ltp_kernel_about(const ltp_kernel *k, double hz, double *from_hz, double *to_hz);

/** Band limit of H at hz: 1 in band, smoothly 0 outside. */
double ltp_band_limit(double from_hz, double to_hz, double rate_hz, double hz);

#endif
