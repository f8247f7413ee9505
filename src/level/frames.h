/* SPDX-License-Identifier: MIT
 * Overlapping frames of a signal that is pushed in blocks of any size, and the spectrum of a windowed frame. Part of a
 * detector, which looks at one frame after the other:
 *
 *     while (ltp_frames_take(&d->frames, &x, &count))
 *         end_frame(d);
 */
#ifndef LTP_LEVEL_FRAMES_H
#define LTP_LEVEL_FRAMES_H

#include <lanetune/dsp.h>

#include <stdint.h>

typedef struct {
    size_t n, hop, bins;  /* samples of a frame, from one to the next; bins = n / 2 + 1 */
    size_t filled;        /* samples of x */
    uint64_t pushed;      /* samples so far, up to the end of x */
    double *x;            /* [n] */
    double *window;       /* [n]; NULL: none */
    double *work;         /* [n] x windowed; NULL without a window */
    lt_complex *spectrum; /* [bins]; NULL unless opened for spectra */
    lt_rfft *fft;
} ltp_frames;

/** Shape of a window: fills w[count]. */
typedef void ltp_window(double *w, size_t count);

/** Frames of n samples, every hop <= n. window NULL: they are taken as they are. `what` for the error: "the search for
 * wind". ltp_frames_close() also after a failure. */
lt_status ltp_frames_open(ltp_frames *f, size_t n, size_t hop, ltp_window *window, const char *what, lt_error *err);
/** ... and for ltp_frames_transform(). */
lt_status ltp_frames_open_spectra(ltp_frames *f, size_t n, size_t hop, ltp_window *window, const char *what,
                                  lt_error *err);
void ltp_frames_close(ltp_frames *f);

/** Takes samples off *x; true when x[n] is full, to be called again until false. */
bool ltp_frames_take(ltp_frames *f, const double **x, size_t *count);

/** Samples until x is full again. */
size_t ltp_frames_room(const ltp_frames *f);

/** work = x, windowed. */
void ltp_frames_window(ltp_frames *f);

/** spectrum = that of x, windowed; unscaled. */
void ltp_frames_transform(ltp_frames *f);

#endif
