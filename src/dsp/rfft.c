/* SPDX-License-Identifier: MIT
 * Real FFT on KissFFT (float). Forward unscaled, inverse 1/N.
 * Data are scaled by a power of two to a peak in [0.5, 1) first, so that float's range never matters. */
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <kiss_fftr.h>
#include <math.h>

_Static_assert(sizeof(kiss_fft_scalar) == 4, "this file is written for KissFFT's float build");

enum { MAX_SIZE = 1 << 28 };

struct lt_rfft {
    size_t n;
    kiss_fftr_cfg forward, inverse; /* in our own memory */
    float *time;                    /* [n] */
    kiss_fft_cpx *spectrum;         /* [n / 2 + 1] */
};

double lt_complex_power(lt_complex z)
{
    return z.re * z.re + z.im * z.im;
}

lt_complex lt_complex_multiply(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static kiss_fftr_cfg create_plan(size_t n, int inverse)
{
    size_t size = 0;
    (void)kiss_fftr_alloc((int)n, inverse, NULL, &size); /* asks for the size only */
    void *memory = ltp_alloc(size, 1);
    kiss_fftr_cfg plan = memory == NULL ? NULL : kiss_fftr_alloc((int)n, inverse, memory, &size);
    if (plan == NULL)
        ltp_free(memory);
    return plan;
}

lt_status lt_rfft_create(size_t n, lt_rfft **out, lt_error *err)
{
    *out = NULL;
    if (n < 2 || n > MAX_SIZE || n % 2 != 0)
        return ltp_fail(err, LT_E_ARG, "FFT size %zu: must be even and from 2 to %d", n, (int)MAX_SIZE);
    lt_rfft *f = ltp_alloc(1, sizeof *f);
    if (f != NULL) {
        f->n = n;
        f->forward = create_plan(n, 0);
        f->inverse = create_plan(n, 1);
        f->time = ltp_alloc(n, sizeof *f->time);
        f->spectrum = ltp_alloc(n / 2 + 1, sizeof *f->spectrum);
    }
    if (f == NULL || f->forward == NULL || f->inverse == NULL || f->time == NULL || f->spectrum == NULL) {
        lt_rfft_free(f);
        return ltp_fail_nomem(err, "a Fourier transform");
    }
    *out = f;
    return LT_OK;
}

void lt_rfft_free(lt_rfft *f)
{
    if (f == NULL)
        return;
    ltp_free(f->forward);
    ltp_free(f->inverse);
    ltp_free(f->time);
    ltp_free(f->spectrum);
    ltp_free(f);
}

size_t lt_rfft_size(const lt_rfft *f)
{
    return f->n;
}

size_t lt_rfft_good_size(size_t at_least)
{
    if (at_least > MAX_SIZE)
        return at_least + at_least % 2; /* larger than create allows: it will say so */
    size_t best = MAX_SIZE;
    for (size_t five = 1; five <= MAX_SIZE; five *= 5)
        for (size_t three = five; three <= MAX_SIZE; three *= 3) {
            size_t size = 2 * three;
            while (size < at_least)
                size *= 2;
            if (size < best)
                best = size;
        }
    return best;
}

static double peak(const double *x, size_t count)
{
    /* Four running maxima: a single one would wait for itself. */
    double m[4] = {0};
    size_t i = 0;
    for (; i + 4 <= count; i += 4)
        for (size_t k = 0; k < 4; k++) {
            const double a = fabs(x[i + k]);
            m[k] = a > m[k] ? a : m[k];
        }
    for (; i < count; i++)
        m[0] = fmax(m[0], fabs(x[i]));
    const double top = fmax(fmax(m[0], m[1]), fmax(m[2], m[3]));
    for (i = 0; !(top > 0.0) && i < count; i++) /* comparing skips a NaN: nothing but NaN and 0 is no silence */
        if (isnan(x[i]))
            return NAN;
    return top;
}

/* The power of two that brings a peak into [0.5, 1). 0 for data that are all zero. */
static double scale_for(double peak_value)
{
    if (!(peak_value > 0.0))
        return 0.0;
    int exponent = 0;
    (void)frexp(peak_value, &exponent);
    return ldexp(1.0, exponent < -1000 ? 1000 : -exponent);
}

void lt_rfft_forward(lt_rfft *f, const double *x, lt_complex *spectrum)
{
    lt_rfft_forward_padded(f, x, f->n, spectrum);
}

void lt_rfft_forward_padded(lt_rfft *f, const double *x, size_t count, lt_complex *spectrum)
{
    const size_t used = count < f->n ? count : f->n;
    const size_t bins = f->n / 2 + 1;
    const double top = peak(x, used);
    const double scale = scale_for(top);
    if (!isfinite(top) || !(scale > 0.0)) {
        const double fill = isfinite(top) ? 0.0 : (double)NAN;
        for (size_t k = 0; k < bins; k++)
            spectrum[k] = (lt_complex){fill, fill};
        return;
    }
    for (size_t i = 0; i < used; i++)
        f->time[i] = (float)(x[i] * scale);
    for (size_t i = used; i < f->n; i++)
        f->time[i] = 0.0F;
    kiss_fftr(f->forward, f->time, f->spectrum);
    const double back = 1.0 / scale;
    for (size_t k = 0; k < bins; k++)
        spectrum[k] = (lt_complex){(double)f->spectrum[k].r * back, (double)f->spectrum[k].i * back};
}

void lt_rfft_inverse(lt_rfft *f, const lt_complex *spectrum, double *x)
{
    const size_t bins = f->n / 2 + 1;
    const double top = peak(&spectrum[0].re, 2 * bins); /* real and imaginary parts lie side by side */
    const double scale = scale_for(top);
    if (!isfinite(top) || !(scale > 0.0)) {
        for (size_t i = 0; i < f->n; i++)
            x[i] = isfinite(top) ? 0.0 : (double)NAN;
        return;
    }
    for (size_t k = 0; k < bins; k++) {
        f->spectrum[k].r = (float)(spectrum[k].re * scale);
        f->spectrum[k].i = (float)(spectrum[k].im * scale);
    }
    kiss_fftri(f->inverse, f->spectrum, f->time);
    const double back = 1.0 / (scale * (double)f->n);
    for (size_t i = 0; i < f->n; i++)
        x[i] = (double)f->time[i] * back;
}
