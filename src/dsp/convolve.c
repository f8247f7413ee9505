/* SPDX-License-Identifier: MIT
 * Linear convolution: directly when one input is short, else by FFT, block by block (overlap-add). */
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <string.h>

enum { DIRECT_MAX = 24 }; /* taps up to which the direct sum is the faster way */

static void convolve_directly(const double *x, size_t nx, const double *h, size_t nh, double *out)
{
    memset(out, 0, (nx + nh - 1) * sizeof *out);
    for (size_t k = 0; k < nh; k++)
        for (size_t i = 0; i < nx; i++)
            out[i + k] += h[k] * x[i];
}

/* FFT size for blocks of x against nh taps: a block of three times the taps keeps the work per sample near its least.
 */
static size_t block_fft_size(size_t nx, size_t nh)
{
    const size_t whole = nx + nh - 1;
    const size_t least = 4 * nh > 4096 ? 4 * nh : 4096;
    return lt_rfft_good_size(whole < least ? whole : least);
}

typedef struct {
    lt_rfft *fft;
    lt_complex *filter, *block; /* [n / 2 + 1] */
    double *time;               /* [n] */
} workspace;

static void add_block(workspace *w, const double *x, size_t count, double *out, size_t out_count)
{
    lt_rfft_forward_padded(w->fft, x, count, w->block);
    const size_t bins = lt_rfft_size(w->fft) / 2 + 1;
    for (size_t k = 0; k < bins; k++)
        w->block[k] = lt_complex_multiply(w->block[k], w->filter[k]);
    lt_rfft_inverse(w->fft, w->block, w->time);
    for (size_t i = 0; i < out_count; i++)
        out[i] += w->time[i];
}

static lt_status convolve_by_blocks(const double *x, size_t nx, const double *h, size_t nh, double *out, lt_error *err)
{
    workspace w = {0};
    const size_t n = block_fft_size(nx, nh);
    const size_t step = n - nh + 1;
    lt_status st = lt_rfft_create(n, &w.fft, err);
    if (st != LT_OK)
        return st;
    w.filter = ltp_alloc(n / 2 + 1, sizeof *w.filter);
    w.block = ltp_alloc(n / 2 + 1, sizeof *w.block);
    w.time = ltp_alloc(n, sizeof *w.time);
    if (w.filter == NULL || w.block == NULL || w.time == NULL) {
        st = ltp_fail_nomem(err, "a convolution");
        goto done;
    }
    lt_rfft_forward_padded(w.fft, h, nh, w.filter);
    memset(out, 0, (nx + nh - 1) * sizeof *out);
    for (size_t i = 0; i < nx; i += step) {
        const size_t count = nx - i < step ? nx - i : step;
        add_block(&w, x + i, count, out + i, count + nh - 1);
    }
done:
    lt_rfft_free(w.fft);
    ltp_free(w.filter);
    ltp_free(w.block);
    ltp_free(w.time);
    return st;
}

lt_status lt_convolve(const double *a, size_t na, const double *b, size_t nb, double *out, lt_error *err)
{
    if (na == 0 || nb == 0)
        return ltp_fail(err, LT_E_ARG, "convolution of an empty signal (%zu and %zu samples)", na, nb);
    if (na < nb) {
        const double *swap = a;
        const size_t count = na;
        a = b;
        na = nb;
        b = swap;
        nb = count;
    }
    if (nb <= DIRECT_MAX) {
        convolve_directly(a, na, b, nb, out);
        return LT_OK;
    }
    return convolve_by_blocks(a, na, b, nb, out, err);
}
