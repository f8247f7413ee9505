/* SPDX-License-Identifier: MIT
 * Overlapping frames of a signal and their spectra. */
#include "level/frames.h"
#include "base/alloc.h"

#include <string.h>

void ltp_frames_close(ltp_frames *f)
{
    lt_rfft_free(f->fft);
    ltp_free(f->x);
    ltp_free(f->window);
    ltp_free(f->work);
    ltp_free(f->spectrum);
    *f = (ltp_frames){0};
}

lt_status ltp_frames_open(ltp_frames *f, size_t n, size_t hop, ltp_window *window, const char *what, lt_error *err)
{
    *f = (ltp_frames){.n = n, .hop = hop, .bins = n / 2 + 1};
    f->x = ltp_alloc(n, sizeof *f->x);
    if (f->x == NULL)
        return ltp_fail_nomem(err, what);
    if (window == NULL)
        return LT_OK;
    f->window = ltp_alloc(n, sizeof *f->window);
    f->work = ltp_alloc(n, sizeof *f->work);
    if (f->window == NULL || f->work == NULL)
        return ltp_fail_nomem(err, what);
    window(f->window, n);
    return LT_OK;
}

lt_status ltp_frames_open_spectra(ltp_frames *f, size_t n, size_t hop, ltp_window *window, const char *what,
                                  lt_error *err)
{
    const lt_status st = ltp_frames_open(f, n, hop, window, what, err);
    if (st != LT_OK)
        return st;
    f->spectrum = ltp_alloc(f->bins, sizeof *f->spectrum);
    return f->spectrum != NULL ? lt_rfft_create(n, &f->fft, err) : ltp_fail_nomem(err, what);
}

bool ltp_frames_take(ltp_frames *f, const double **x, size_t *count)
{
    if (f->filled == f->n) {
        f->filled = f->n - f->hop;
        memmove(f->x, f->x + f->hop, f->filled * sizeof *f->x);
    }
    const size_t part = *count < f->n - f->filled ? *count : f->n - f->filled;
    if (part == 0)
        return false;
    memcpy(f->x + f->filled, *x, part * sizeof *f->x);
    f->filled += part;
    f->pushed += part;
    *x += part;
    *count -= part;
    return f->filled == f->n;
}

size_t ltp_frames_room(const ltp_frames *f)
{
    return f->filled == f->n ? f->hop : f->n - f->filled;
}

void ltp_frames_window(ltp_frames *f)
{
    for (size_t i = 0; i < f->n; i++)
        f->work[i] = f->x[i] * f->window[i];
}

void ltp_frames_transform(ltp_frames *f)
{
    ltp_frames_window(f);
    lt_rfft_forward(f->fft, f->work, f->spectrum);
}
