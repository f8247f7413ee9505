/* SPDX-License-Identifier: MIT
 * FFT and convolution against FFTW 3 (double): noise, a sweep, pink noise, a recording-like sum. SNR >= 120 dB. */
#include "near.h"
#include "rng.h"

#include <lanetune/dsp.h>

#ifdef LT_HAVE_FFTW
#include <fftw3.h>
#include <stdlib.h>
#include <string.h>

static void fill(double *x, size_t n, int shape)
{
    switch (shape) {
    case 0:
        fill_gauss(x, n, 0.2, 20240601 + n);
        break;
    case 1: /* exponential sweep, 20 Hz to 20 kHz at 48 kHz, whatever its length */
        for (size_t i = 0; i < n; i++) {
            const double rise = log(1000.0) / (double)n;
            x[i] = sin(2.0 * LT_PI * fmod(20.0 / 48000.0 / rise * expm1(rise * (double)i), 1.0));
        }
        break;
    case 2: { /* noise that falls with frequency, as traffic does */
        fill_gauss(x, n, 0.01, 99);
        double last = 0.0;
        for (size_t i = 0; i < n; i++)
            x[i] = last = 0.995 * last + x[i];
        break;
    }
    default: /* a decaying impulse response behind a delay */
        fill_gauss(x, n, 1.0, 5);
        for (size_t i = 0; i < n; i++)
            x[i] *= i < n / 10 ? 0.0 : exp(-12.0 * (double)(i - n / 10) / (double)n);
        break;
    }
}

static double snr_db(const double *got, const double *want, size_t count)
{
    double signal = 0.0;
    double error = 0.0;
    for (size_t i = 0; i < count; i++) {
        signal += want[i] * want[i];
        error += (got[i] - want[i]) * (got[i] - want[i]);
    }
    return lt_db_from_power(signal / (error + 1e-300));
}

typedef struct {
    double forward_db, inverse_db;
} agreement;

static agreement compare(size_t n, int shape)
{
    double *x = fftw_alloc_real(n);
    double *back = calloc(n, sizeof *back);
    fftw_complex *theirs = fftw_alloc_complex(n / 2 + 1);
    lt_complex *ours = calloc(n / 2 + 1, sizeof *ours);
    lt_complex *want = calloc(n / 2 + 1, sizeof *want);
    const fftw_plan forward = fftw_plan_dft_r2c_1d((int)n, x, theirs, FFTW_ESTIMATE);
    const fftw_plan inverse = fftw_plan_dft_c2r_1d((int)n, theirs, x, FFTW_ESTIMATE);
    lt_rfft *f = NULL;
    assert_int_equal(lt_rfft_create(n, &f, NULL), LT_OK);
    fill(x, n, shape);
    lt_rfft_forward(f, x, ours);
    fftw_execute(forward);
    for (size_t k = 0; k <= n / 2; k++)
        want[k] = (lt_complex){theirs[k][0], theirs[k][1]};
    agreement a = {0};
    a.forward_db = snr_db(&ours[0].re, &want[0].re, n + 2);
    lt_rfft_inverse(f, want, back);
    fftw_execute(inverse); /* destroys its input; unscaled */
    for (size_t i = 0; i < n; i++)
        x[i] /= (double)n;
    a.inverse_db = snr_db(back, x, n);
    lt_rfft_free(f);
    fftw_destroy_plan(forward);
    fftw_destroy_plan(inverse);
    fftw_free(theirs);
    fftw_free(x);
    free(back);
    free(ours);
    free(want);
    return a;
}

static void transforms_agree(void **state)
{
    (void)state;
    static const size_t sizes[] = {2, 30, 480, 1024, 4410, 65536, 96000, 614400, 1 << 20};
    int bad = 0;
    for (size_t s = 0; s < COUNT(sizes); s++)
        for (int shape = 0; shape < 4; shape++) {
            if (sizes[s] < 100 && shape != 0)
                continue;
            const agreement a = compare(sizes[s], shape);
            char label[64];
            (void)snprintf(label, sizeof label, "n=%zu, signal %d, SNR in dB", sizes[s], shape);
            bad += !in_range(label, a.forward_db, 120.0, 400.0);
            bad += !in_range(label, a.inverse_db, 120.0, 400.0);
        }
    assert_int_equal(bad, 0);
}

/* One long circular product by FFTW against the block-wise convolution. */
static void convolutions_agree(void **state)
{
    (void)state;
    enum { NA = 200000, NB = 9001, N = 209000 };
    double *a = fftw_alloc_real(N);
    double *b = fftw_alloc_real(N);
    double *got = calloc(N, sizeof *got);
    fftw_complex *fa = fftw_alloc_complex(N / 2 + 1);
    fftw_complex *fb = fftw_alloc_complex(N / 2 + 1);
    const fftw_plan pa = fftw_plan_dft_r2c_1d(N, a, fa, FFTW_ESTIMATE);
    const fftw_plan pb = fftw_plan_dft_r2c_1d(N, b, fb, FFTW_ESTIMATE);
    const fftw_plan back = fftw_plan_dft_c2r_1d(N, fa, a, FFTW_ESTIMATE);
    memset(a, 0, N * sizeof *a);
    memset(b, 0, N * sizeof *b);
    fill(a, NA, 1);
    fill(b, NB, 3);
    assert_int_equal(lt_convolve(a, NA, b, NB, got, NULL), LT_OK);
    fftw_execute(pa);
    fftw_execute(pb);
    for (size_t k = 0; k <= N / 2; k++) {
        const lt_complex z = lt_complex_multiply((lt_complex){fa[k][0], fa[k][1]}, (lt_complex){fb[k][0], fb[k][1]});
        fa[k][0] = z.re / N;
        fa[k][1] = z.im / N;
    }
    fftw_execute(back);
    const double db = snr_db(got, a, NA + NB - 1);
    fftw_destroy_plan(pa);
    fftw_destroy_plan(pb);
    fftw_destroy_plan(back);
    fftw_free(fa);
    fftw_free(fb);
    fftw_free(a);
    fftw_free(b);
    free(got);
    assert_true(in_range("SNR in dB", db, 120.0, 400.0));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(transforms_agree),
        cmocka_unit_test(convolutions_agree),
    };
    return cmocka_run_group_tests_name("dsp_fft", tests, NULL, NULL);
}
#else
int main(void)
{
    (void)fprintf(stderr, "FFTW is not installed: skipped\n");
    return 77;
}
#endif
