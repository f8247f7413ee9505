/* SPDX-License-Identifier: MIT
 * Real FFT on KissFFT (float). Forward unscaled, inverse 1/N.
 * A real transform of n is a complex one of n / 2 (even samples real, odd ones imaginary) and one pass in double that
 * takes the two apart; the inverse uses the same plan with real and imaginary parts exchanged. So one table of KissFFT
 * serves both ways. Data are scaled by a power of two to a peak in [0.5, 1) first: float's range never matters. */
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <kiss_fft.h>
#include <math.h>

_Static_assert(sizeof(kiss_fft_scalar) == 4, "this file is written for KissFFT's float build");

enum { MAX_SIZE = 1 << 28, FINE = 64 };

struct lt_rfft {
    size_t n;
    kiss_fft_cfg plan;      /* complex, n / 2, forward; in our own memory */
    kiss_fft_cpx *in, *out; /* [n / 2] */
    lt_complex fine[FINE];  /* exp(-j 2 pi k / n) = coarse[k / FINE] fine[k % FINE] for k <= n / 4 */
    lt_complex *coarse;
};

double lt_complex_power(lt_complex z)
{
    return z.re * z.re + z.im * z.im;
}

lt_complex lt_complex_multiply(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static kiss_fft_cfg create_plan(size_t n)
{
    size_t size = 0;
    (void)kiss_fft_alloc((int)n, 0, NULL, &size); /* asks for the size only */
    void *memory = ltp_alloc(size, 1);
    kiss_fft_cfg plan = memory == NULL ? NULL : kiss_fft_alloc((int)n, 0, memory, &size);
    if (plan == NULL)
        ltp_free(memory);
    return plan;
}

static lt_complex unit_phasor(size_t k, size_t n)
{
    const double phase = -2.0 * LT_PI * (double)k / (double)n;
    return (lt_complex){cos(phase), sin(phase)};
}

lt_status lt_rfft_create(size_t n, lt_rfft **out, lt_error *err)
{
    *out = NULL;
    if (n < 2 || n > MAX_SIZE || n % 2 != 0)
        return ltp_fail(err, LT_E_ARG, "FFT size %zu: must be even and from 2 to %d", n, (int)MAX_SIZE);
    const size_t coarse_count = n / 4 / FINE + 1;
    lt_rfft *f = ltp_alloc(1, sizeof *f);
    if (f != NULL) {
        f->n = n;
        f->plan = create_plan(n / 2);
        f->in = ltp_alloc(n / 2, sizeof *f->in);
        f->out = ltp_alloc(n / 2, sizeof *f->out);
        f->coarse = ltp_alloc(coarse_count, sizeof *f->coarse);
    }
    if (f == NULL || f->plan == NULL || f->in == NULL || f->out == NULL || f->coarse == NULL) {
        lt_rfft_free(f);
        return ltp_fail_nomem(err, "a Fourier transform");
    }
    for (size_t k = 0; k < FINE; k++)
        f->fine[k] = unit_phasor(k, n);
    for (size_t k = 0; k < coarse_count; k++)
        f->coarse[k] = unit_phasor(k * FINE, n);
    *out = f;
    return LT_OK;
}

void lt_rfft_free(lt_rfft *f)
{
    if (f == NULL)
        return;
    ltp_free(f->plan);
    ltp_free(f->in);
    ltp_free(f->out);
    ltp_free(f->coarse);
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

/* x[used] as n / 2 complex numbers, the rest 0. */
static void pack_samples(const double *x, size_t used, double scale, kiss_fft_cpx *z, size_t half)
{
    const size_t whole = used / 2;
    for (size_t k = 0; k < whole; k++) {
        z[k].r = (float)(x[2 * k] * scale);
        z[k].i = (float)(x[2 * k + 1] * scale);
    }
    for (size_t k = whole; k < half; k++)
        z[k] = (kiss_fft_cpx){0.0F, 0.0F};
    if (used % 2 != 0)
        z[whole].r = (float)(x[used - 1] * scale);
}

void lt_rfft_forward_padded(lt_rfft *f, const double *x, size_t count, lt_complex *spectrum)
{
    const size_t used = count < f->n ? count : f->n;
    const size_t half = f->n / 2;
    const double top = peak(x, used);
    const double scale = scale_for(top);
    if (!isfinite(top) || !(scale > 0.0)) {
        const double fill = isfinite(top) ? 0.0 : (double)NAN;
        for (size_t k = 0; k <= half; k++)
            spectrum[k] = (lt_complex){fill, fill};
        return;
    }
    pack_samples(x, used, scale, f->in, half);
    kiss_fft(f->plan, f->in, f->out);
    const kiss_fft_cpx *z = f->out;
    const double back = 1.0 / scale;
    spectrum[0] = (lt_complex){((double)z[0].r + (double)z[0].i) * back, 0.0};
    spectrum[half] = (lt_complex){((double)z[0].r - (double)z[0].i) * back, 0.0};
    for (size_t k = 1; k <= half - k; k++) {
        /* Spectra of the even and the odd samples: (z[k] + z*[-k]) / 2 and (z[k] - z*[-k]) / 2j. */
        const kiss_fft_cpx a = z[k];
        const kiss_fft_cpx b = z[half - k];
        const double e = 0.5 * back;
        const lt_complex even = {((double)a.r + (double)b.r) * e, ((double)a.i - (double)b.i) * e};
        const lt_complex odd = {((double)a.i + (double)b.i) * e, ((double)b.r - (double)a.r) * e};
        const lt_complex t = lt_complex_multiply(odd, lt_complex_multiply(f->coarse[k / FINE], f->fine[k % FINE]));
        spectrum[k] = (lt_complex){even.re + t.re, even.im + t.im};
        spectrum[half - k] = (lt_complex){even.re - t.re, t.im - even.im};
    }
}

/* The reverse of the pass above, times scale; real and imaginary parts exchanged, which makes KissFFT's forward
 * transform the inverse one. */
static void pack_spectrum(const lt_rfft *f, const lt_complex *spectrum, double scale, kiss_fft_cpx *z)
{
    const size_t half = f->n / 2;
    const double s = 0.5 * scale;
    z[0].i = (float)((spectrum[0].re + spectrum[half].re) * s);
    z[0].r = (float)((spectrum[0].re - spectrum[half].re) * s);
    for (size_t k = 1; k <= half - k; k++) {
        const lt_complex a = spectrum[k];
        const lt_complex b = spectrum[half - k];
        const lt_complex even = {(a.re + b.re) * s, (a.im - b.im) * s};
        const lt_complex w = lt_complex_multiply(f->coarse[k / FINE], f->fine[k % FINE]);
        const lt_complex odd =
            lt_complex_multiply((lt_complex){(a.re - b.re) * s, (a.im + b.im) * s}, (lt_complex){w.re, -w.im});
        z[half - k].i = (float)(even.re + odd.im);
        z[half - k].r = (float)(odd.re - even.im);
        z[k].i = (float)(even.re - odd.im);
        z[k].r = (float)(even.im + odd.re);
    }
}

void lt_rfft_inverse(lt_rfft *f, const lt_complex *spectrum, double *x)
{
    const size_t half = f->n / 2;
    const double top = peak(&spectrum[0].re, f->n + 2); /* real and imaginary parts lie side by side */
    const double scale = scale_for(top);
    if (!isfinite(top) || !(scale > 0.0)) {
        for (size_t i = 0; i < f->n; i++)
            x[i] = isfinite(top) ? 0.0 : (double)NAN;
        return;
    }
    pack_spectrum(f, spectrum, scale, f->in);
    kiss_fft(f->plan, f->in, f->out);
    const double back = 1.0 / (scale * (double)half);
    for (size_t k = 0; k < half; k++) {
        x[2 * k] = (double)f->out[k].i * back;
        x[2 * k + 1] = (double)f->out[k].r * back;
    }
}
