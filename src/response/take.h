/* SPDX-License-Identifier: MIT
 * One recorded sweep: what is kept of its deconvolved recording, and where in it the parts lie. Lags in frames. */
#ifndef LTP_RESPONSE_TAKE_H
#define LTP_RESPONSE_TAKE_H

#include "response/kernel.h"
#include "response/structure.h"
#include <lanetune/response.h>

enum { LTP_HARMONIC_FIRST = 2, LTP_HARMONIC_LAST = 5, LTP_IMAGES = LTP_HARMONIC_LAST - LTP_HARMONIC_FIRST + 1 };

typedef struct {
    ptrdiff_t first; /* lag re the direct arrival */
    size_t count, fade_in, fade_out;
    double energy; /* sum of the squared gains */
} ltp_window;

/** Windows on the deconvolved recording. */
typedef struct {
    ltp_window response;
    ltp_window image[LTP_IMAGES];       /* harmonics 2 .. 5; count 0 = there is none */
    ltp_window image_quiet[LTP_IMAGES]; /* noise just before each image */
    ltp_window before, after;           /* noise on both sides of the response; count 0 = no room */
    size_t n, bins;                     /* FFT size for all of them */
    size_t span;                        /* frames from the first of all windows to the end of the last one */
    double growth_s, start_hz;          /* of an exponential sweep; 0 = another stimulus */
} ltp_layout;

void ltp_layout_make(const ltp_structure *s, double rate_hz, const lt_response_options *opt, ltp_layout *out);

typedef struct {
    size_t recording;   /* which one */
    size_t play, sweep; /* which play in it, which sweep of the play */
    double zero_s;      /* recorder's time of what became lag 0 - i.e. of the sweep's own start without delay */
    double drift;       /* recorder's seconds per stimulus second, minus 1 */
    double covered_from, covered_to; /* what was recorded, frames from the sweep's start; outside it is no noise */
    double centre;                   /* lag that the windows were centred on, frames */
    lt_complex *response;            /* [bins] */
    lt_complex *image[LTP_IMAGES];   /* [bins] or NULL */
    double noise[LTP_GRID_MAX];      /* noise in |response|^2, smooth over a third octave */
    double image_noise[LTP_IMAGES][LTP_GRID_MAX]; /* ... in |image|^2 */
} ltp_take;

/** Cuts the windows out of h[kernel n] around lag `centre` and keeps their spectra. LT_E_NOMEM. */
lt_status ltp_take_fill(ltp_take *t, const ltp_layout *l, const ltp_kernel *k, const double *h, ptrdiff_t centre,
                        lt_rfft *fft, lt_error *err);
/** The same for a rough stimulus: least squares on piece[count] instead. */
lt_status ltp_take_solve(ltp_take *t, const ltp_layout *l, ltp_kernel *k, const lt_signal *piece, ptrdiff_t centre,
                         lt_rfft *fft, lt_error *err);
void ltp_take_clear(ltp_take *t);
/** Delays the spectra of a take; its centre follows, so that the lags stay true. */
void ltp_take_move(ltp_take *t, size_t n, double frames);

/** The piece of a recording that holds a sweep, at the stimulus' rate and speed: piece[count] starts `before` frames
 * ahead of zero_s (which is moved to the nearest sample of the recording). */
lt_status ltp_piece_cut(const lt_signal *recording, double *zero_s, double drift, const ltp_kernel *k, lt_signal **out,
                        lt_error *err);

#endif
