/* SPDX-License-Identifier: MIT
 * Deconvolution of a noise, or of anything whose spectrum has deep dips: least squares.
 * Dividing by such a spectrum would blow up the noise in its dips, or lose level where they are filled up. The impulse
 * response of limited length that explains the recording best has neither fault. Its normal equations are Toeplitz (the
 * autocorrelation of the stimulus); conjugate gradients solve them with two transforms a round, and with the smooth
 * spectrum as preconditioner they need few. Source: Golub and Van Loan, Matrix Computations, algorithm 11.5.1 (the
 * preconditioned conjugate gradient method). */
#include "base/alloc.h"
#include "response/kernel.h"

#include <math.h>
#include <string.h>

enum { ROUNDS = 40 };
static const double settled = 1e-9;        /* of the residual's power */
static const double in_band = 1e-5;        /* regularisation re the smooth |S|^2 */
static const double half_width = 1.122462; /* 2^(1/6) */

typedef struct {
    size_t m, n, bins; /* taps, size of the circulant, its bins */
    lt_rfft *fft;
    lt_complex *x;             /* [bins] scratch */
    double *a;                 /* [bins] spectrum of the autocorrelation plus the regularisation */
    double *inverse;           /* [bins] of the preconditioner */
    double *wide;              /* [n] scratch */
    double *b, *r, *z, *p, *q; /* [m] */
} system_of;

static void system_clear(system_of *s)
{
    lt_rfft_free(s->fft);
    ltp_free(s->x);
    ltp_free(s->a);
    ltp_free(s->inverse);
    ltp_free(s->wide);
    ltp_free(s->b);
}

static lt_status system_alloc(system_of *s, size_t m, lt_error *err)
{
    *s = (system_of){.m = m, .n = lt_rfft_good_size(2 * m)};
    s->bins = s->n / 2 + 1;
    const lt_status st = lt_rfft_create(s->n, &s->fft, err);
    if (st != LT_OK)
        return st;
    s->x = ltp_alloc(s->bins, sizeof *s->x);
    s->a = ltp_alloc(s->bins, sizeof *s->a);
    s->inverse = ltp_alloc(s->bins, sizeof *s->inverse);
    s->wide = ltp_alloc(s->n, sizeof *s->wide);
    s->b = ltp_alloc(5 * m, sizeof *s->b);
    if (s->x == NULL || s->a == NULL || s->inverse == NULL || s->wide == NULL || s->b == NULL)
        return ltp_fail_nomem(err, "the deconvolution");
    s->r = s->b + m;
    s->z = s->r + m;
    s->p = s->z + m;
    s->q = s->p + m;
    return LT_OK;
}

/* y[m] = x[m] filtered by a zero-phase spectrum, of which only these lags are kept. */
static void filter(system_of *s, const double *gain, const double *x, double *y)
{
    lt_rfft_forward_padded(s->fft, x, s->m, s->x);
    for (size_t i = 0; i < s->bins; i++) {
        s->x[i].re *= gain[i];
        s->x[i].im *= gain[i];
    }
    lt_rfft_inverse(s->fft, s->x, s->wide);
    memcpy(y, s->wide, s->m * sizeof *y);
}

static double dot(const double *a, const double *b, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += a[i] * b[i];
    return sum;
}

/* Autocorrelation of the stimulus by |S|^2, laid out as a circulant; the preconditioner; both regularised. */
static void make_matrix(system_of *s, ltp_kernel *k, double *long_scratch)
{
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = (lt_complex){lt_complex_power(k->stimulus[i]), 0.0};
    lt_rfft_inverse(k->fft, k->work, long_scratch);
    memset(s->wide, 0, s->n * sizeof *s->wide);
    for (size_t i = 0; i < s->m; i++) {
        s->wide[i] = long_scratch[i];
        if (i > 0)
            s->wide[s->n - i] = long_scratch[i];
    }
    lt_rfft_forward(s->fft, s->wide, s->x);
    ltp_grid_walk walk = {.count = k->grid_count};
    for (size_t i = 0; i < s->bins; i++) {
        const double hz = (double)i * k->rate_hz / (double)s->n;
        const double smooth = k->power[ltp_grid_step(&walk, hz)];
        const double extra = ltp_kernel_floor(k, hz) + in_band * smooth;
        s->a[i] = s->x[i].re + extra;
        s->inverse[i] = smooth + extra > 0.0 ? 1.0 / (smooth + extra) : 0.0;
    }
}

/* h[m] by preconditioned conjugate gradients, from 0. */
static void solve(system_of *s, double *h)
{
    memset(h, 0, s->m * sizeof *h);
    memcpy(s->r, s->b, s->m * sizeof *s->r);
    filter(s, s->inverse, s->r, s->z);
    memcpy(s->p, s->z, s->m * sizeof *s->p);
    double rz = dot(s->r, s->z, s->m);
    const double enough = settled * rz;
    for (int round = 0; round < ROUNDS && rz > enough; round++) {
        filter(s, s->a, s->p, s->q);
        const double pq = dot(s->p, s->q, s->m);
        if (!(pq > 0.0))
            return;
        const double step = rz / pq;
        for (size_t i = 0; i < s->m; i++) {
            h[i] += step * s->p[i];
            s->r[i] -= step * s->q[i];
        }
        filter(s, s->inverse, s->r, s->z);
        const double next = dot(s->r, s->z, s->m);
        const double turn = next / rz;
        for (size_t i = 0; i < s->m; i++)
            s->p[i] = s->z[i] + turn * s->p[i];
        rz = next;
    }
}

static size_t place_of(const ltp_kernel *k, ptrdiff_t lag)
{
    const ptrdiff_t n = (ptrdiff_t)k->n;
    return (size_t)((((ptrdiff_t)k->before + lag) % n + n) % n);
}

/* What h leaves unexplained of the piece, as noise power density in h. */
static void measure_rest(ltp_kernel *k, const double *piece, size_t piece_count, ptrdiff_t first, size_t count,
                         const double *h, double *long_scratch, double *noise)
{
    memset(long_scratch, 0, k->n * sizeof *long_scratch);
    size_t at = place_of(k, first - (ptrdiff_t)k->before); /* the lags as they are, circular */
    for (size_t i = 0; i < count; i++) {
        long_scratch[at] = h[i];
        at = at + 1 < k->n ? at + 1 : 0;
    }
    lt_rfft_forward(k->fft, long_scratch, k->work);
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = ltp_product(k->work[i], k->stimulus[i]);
    lt_rfft_inverse(k->fft, k->work, long_scratch);
    for (size_t i = 0; i < k->n; i++) { /* the piece begins `before` frames ahead of the stimulus */
        const size_t explained = i >= k->before ? i - k->before : i + k->n - k->before;
        const double recorded = i < piece_count ? piece[i] : 0.0;
        /* in place: each explained sample is used once, and moved by a rotation that is undone below */
        long_scratch[explained] = recorded - long_scratch[explained];
    }
    lt_rfft_forward(k->fft, long_scratch, k->work);
    double *power = long_scratch;
    for (size_t i = 0; i < k->bins; i++)
        power[i] = lt_complex_power(k->work[i]);
    const double bin_hz = k->rate_hz / (double)k->n;
    const double freedom = fmax(1.0 - (double)count / (double)k->sweep, 0.05);
    for (size_t g = 0; g < k->grid_count; g++) {
        const double hz = ltp_grid_band(g).exact_hz;
        const double rest = ltp_band_mean(power, k->bins, bin_hz, hz / half_width, hz * half_width);
        noise[g] = k->power[g] > 0.0 ? rest / k->power[g] / (double)k->n / freedom : 0.0;
    }
}

lt_status ltp_kernel_solve(ltp_kernel *k, const double *piece, size_t piece_count, ptrdiff_t first, size_t count,
                           double *h, double *noise, lt_error *err)
{
    system_of s;
    double *scratch = ltp_alloc(k->n, sizeof *scratch);
    lt_status st = scratch == NULL ? ltp_fail_nomem(err, "the deconvolution") : LT_OK;
    if (st == LT_OK) {
        st = system_alloc(&s, count, err);
        if (st == LT_OK) {
            make_matrix(&s, k, scratch);
            lt_rfft_forward_padded(k->fft, piece, piece_count, k->work);
            for (size_t i = 0; i < k->bins; i++)
                k->work[i] = ltp_product(k->work[i], (lt_complex){k->stimulus[i].re, -k->stimulus[i].im});
            lt_rfft_inverse(k->fft, k->work, scratch);
            for (size_t i = 0; i < count; i++)
                s.b[i] = scratch[place_of(k, first + (ptrdiff_t)i)];
            solve(&s, h);
            measure_rest(k, piece, piece_count, first, count, h, scratch, noise);
        }
        system_clear(&s);
    }
    ltp_free(scratch);
    return st;
}
