/* SPDX-License-Identifier: MIT
 * Weighted least squares for the taps of a path, by conjugate gradients on its normal equations.
 * The operator is applied exactly, block by block with the FFT (overlap-save), so that any weight over time is allowed;
 * the preconditioner is its circulant approximation, the power density of what was sent. */
#include "base/alloc.h"
#include "loop/complex.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

static const double enough = 3e-3;          /* fall of the preconditioned gradient's norm */
static const double condition_floor = 3e-5; /* re the top: an empty band does not lead the search */
static const double ridge_floor = 3e-7;

struct ltp_normal {
    size_t count, taps;
    size_t n, bins, hop, blocks;
    lt_rfft *fft;
    lt_complex *blocks_of_sent; /* [blocks][bins] */
    lt_complex *a, *b, *sum;    /* [bins] */
    double *x;                  /* [n] */
};

static lt_status allocate(ltp_normal *m, lt_error *err)
{
    m->blocks_of_sent = ltp_alloc(m->blocks * m->bins, sizeof *m->blocks_of_sent);
    m->a = ltp_alloc(m->bins, sizeof *m->a);
    m->b = ltp_alloc(m->bins, sizeof *m->b);
    m->sum = ltp_alloc(m->bins, sizeof *m->sum);
    m->x = ltp_alloc(m->n, sizeof *m->x);
    if (m->blocks_of_sent == NULL || m->a == NULL || m->b == NULL || m->sum == NULL || m->x == NULL)
        return ltp_fail_nomem(err, "an echo path");
    return lt_rfft_create(m->n, &m->fft, err);
}

lt_status ltp_normal_create(const double *sent, size_t count, size_t taps, ltp_normal **out, lt_error *err)
{
    *out = NULL;
    ltp_normal *m = ltp_alloc(1, sizeof *m);
    if (m == NULL)
        return ltp_fail_nomem(err, "an echo path");
    m->count = count;
    m->taps = taps;
    m->n = 1;
    while (m->n < 3 * taps || m->n < 4096)
        m->n *= 2;
    m->bins = m->n / 2 + 1;
    m->hop = m->n - taps + 1;
    m->blocks = (count + m->hop - 1) / m->hop;
    const lt_status st = allocate(m, err);
    if (st != LT_OK) {
        ltp_normal_free(m);
        return st;
    }
    for (size_t b = 0; b < m->blocks; b++) {
        for (size_t i = 0; i < m->n; i++) {
            const ptrdiff_t at = (ptrdiff_t)(b * m->hop + i) - (ptrdiff_t)(taps - 1);
            m->x[i] = at >= 0 && (size_t)at < count ? sent[at] : 0.0;
        }
        lt_rfft_forward(m->fft, m->x, m->blocks_of_sent + b * m->bins);
    }
    *out = m;
    return LT_OK;
}

void ltp_normal_free(ltp_normal *m)
{
    if (m == NULL)
        return;
    ltp_free(m->blocks_of_sent);
    ltp_free(m->a);
    ltp_free(m->b);
    ltp_free(m->sum);
    ltp_free(m->x);
    lt_rfft_free(m->fft);
    ltp_free(m);
}

/* Valid outputs of block b: frames b hop ... of the recording, from x[taps - 1]. */
static size_t block_frames(const ltp_normal *m, size_t b)
{
    const size_t left = m->count - b * m->hop;
    return left < m->hop ? left : m->hop;
}

void ltp_normal_apply(ltp_normal *m, const double *h, double *y)
{
    lt_rfft_forward_padded(m->fft, h, m->taps, m->a);
    for (size_t b = 0; b < m->blocks; b++) {
        const lt_complex *s = m->blocks_of_sent + b * m->bins;
        for (size_t i = 0; i < m->bins; i++)
            m->b[i] = ltp_complex_product(s[i], m->a[i]);
        lt_rfft_inverse(m->fft, m->b, m->x);
        memcpy(y + b * m->hop, m->x + m->taps - 1, block_frames(m, b) * sizeof *y);
    }
}

void ltp_normal_correlate(ltp_normal *m, const double *z, double *g)
{
    memset(m->sum, 0, m->bins * sizeof *m->sum);
    for (size_t b = 0; b < m->blocks; b++) {
        const lt_complex *s = m->blocks_of_sent + b * m->bins;
        memset(m->x, 0, m->n * sizeof *m->x);
        memcpy(m->x + m->taps - 1, z + b * m->hop, block_frames(m, b) * sizeof *z);
        lt_rfft_forward(m->fft, m->x, m->b);
        for (size_t i = 0; i < m->bins; i++)
            m->sum[i] = ltp_complex_add(m->sum[i], ltp_complex_product(ltp_complex_conjugate(s[i]), m->b[i]));
    }
    lt_rfft_inverse(m->fft, m->sum, m->x);
    memcpy(g, m->x, m->taps * sizeof *g);
}

/* Value of a density on `bins` points from 0 to half the rate at bin i of m->bins. */
static double on_grid(const ltp_normal *m, const double *density, size_t bins, size_t i)
{
    const double x = (double)i * (double)(bins - 1) / (double)(m->bins - 1);
    const size_t k = (size_t)x < bins - 1 ? (size_t)x : bins - 2;
    const double t = x - (double)k;
    return density[k] * (1.0 - t) + density[k + 1] * t;
}

/* out[taps] = x filtered by a zero-phase gain, or by one over it. */
static void filter(ltp_normal *m, const double *gain, bool inverse, const double *x, double *out)
{
    lt_rfft_forward_padded(m->fft, x, m->taps, m->a);
    for (size_t i = 0; i < m->bins; i++) {
        const double g = inverse ? 1.0 / gain[i] : gain[i];
        m->a[i].re *= g;
        m->a[i].im *= g;
    }
    lt_rfft_inverse(m->fft, m->a, m->x);
    memcpy(out, m->x, m->taps * sizeof *out);
}

typedef struct {
    double *y;                   /* [count] */
    double *r, *z, *p, *q, *add; /* [taps] */
    double *ridge, *condition;   /* [bins of m] */
} work;

static void work_clear(work *k)
{
    ltp_free(k->y);
    ltp_free(k->r);
    ltp_free(k->z);
    ltp_free(k->p);
    ltp_free(k->q);
    ltp_free(k->add);
    ltp_free(k->ridge);
    ltp_free(k->condition);
}

static bool work_make(const ltp_normal *m, work *k)
{
    k->y = ltp_alloc(m->count, sizeof *k->y);
    k->r = ltp_alloc(m->taps, sizeof *k->r);
    k->z = ltp_alloc(m->taps, sizeof *k->z);
    k->p = ltp_alloc(m->taps, sizeof *k->p);
    k->q = ltp_alloc(m->taps, sizeof *k->q);
    k->add = ltp_alloc(m->taps, sizeof *k->add);
    k->ridge = ltp_alloc(m->bins, sizeof *k->ridge);
    k->condition = ltp_alloc(m->bins, sizeof *k->condition);
    return k->y != NULL && k->r != NULL && k->z != NULL && k->p != NULL && k->q != NULL && k->add != NULL &&
           k->ridge != NULL && k->condition != NULL;
}

/* q = A p: correlate(w (sent * p)) + ridge * p */
static void operate(ltp_normal *m, const work *k, const double *w, const double *p, double *q)
{
    ltp_normal_apply(m, p, k->y);
    for (size_t i = 0; i < m->count; i++)
        k->y[i] *= w[i];
    ltp_normal_correlate(m, k->y, q);
    filter(m, k->ridge, false, p, k->add);
    for (size_t i = 0; i < m->taps; i++)
        q[i] += k->add[i];
}

static double dot(const double *a, const double *b, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += a[i] * b[i];
    return sum;
}

static void iterate(ltp_normal *m, work *k, const double *w, int iterations, double *h)
{
    filter(m, k->condition, true, k->r, k->z);
    memcpy(k->p, k->z, m->taps * sizeof *k->p);
    double rz = dot(k->r, k->z, m->taps);
    const double first = rz;
    for (int n = 0; n < iterations && rz > enough * enough * first; n++) {
        operate(m, k, w, k->p, k->q);
        const double bend = dot(k->p, k->q, m->taps);
        if (!(bend > 0.0))
            break;
        const double step = rz / bend;
        for (size_t i = 0; i < m->taps; i++) {
            h[i] += step * k->p[i];
            k->r[i] -= step * k->q[i];
        }
        filter(m, k->condition, true, k->r, k->z);
        const double next = dot(k->r, k->z, m->taps);
        for (size_t i = 0; i < m->taps; i++)
            k->p[i] = k->z[i] + next / rz * k->p[i];
        rz = next;
    }
}

lt_status ltp_normal_solve(ltp_normal *m, const double *w, const double *target, const double *ridge,
                           const double *density, size_t bins, int iterations, double *h, lt_error *err)
{
    work k = {0};
    if (!work_make(m, &k)) {
        work_clear(&k);
        return ltp_fail_nomem(err, "an echo path");
    }
    double top = 0.0;
    for (size_t i = 0; i < m->bins; i++) {
        k.ridge[i] = on_grid(m, ridge, bins, i);
        k.condition[i] = on_grid(m, density, bins, i) + k.ridge[i];
        top = fmax(top, k.condition[i]);
    }
    for (size_t i = 0; i < m->bins; i++) {
        k.condition[i] = fmax(k.condition[i], condition_floor * top);
        k.ridge[i] = fmax(k.ridge[i], ridge_floor * top);
    }
    for (size_t i = 0; i < m->count; i++)
        k.y[i] = w[i] * target[i];
    ltp_normal_correlate(m, k.y, k.z);
    operate(m, &k, w, h, k.q);
    for (size_t i = 0; i < m->taps; i++)
        k.r[i] = k.z[i] - k.q[i];
    if (top > 0.0)
        iterate(m, &k, w, iterations, h);
    work_clear(&k);
    return LT_OK;
}
