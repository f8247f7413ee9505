/* SPDX-License-Identifier: MIT
 * Real FFT against its definition, convolution against the direct sum, single transform values, windows. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/dsp.h>

#include <stdlib.h>

static lt_rfft *new_fft(size_t n)
{
    lt_rfft *f = NULL;
    assert_int_equal(lt_rfft_create(n, &f, NULL), LT_OK);
    return f;
}

/* Ratio of reference to difference, dB. */
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

static void define_dft(const double *x, size_t n, lt_complex *spectrum)
{
    for (size_t k = 0; k <= n / 2; k++) {
        spectrum[k] = (lt_complex){0.0, 0.0};
        for (size_t i = 0; i < n; i++) {
            const double phase = -2.0 * LT_PI * (double)((k * i) % n) / (double)n;
            spectrum[k].re += x[i] * cos(phase);
            spectrum[k].im += x[i] * sin(phase);
        }
    }
}

static const size_t sizes[] = {2, 4, 6, 8, 14, 22, 30, 256, 486, 960, 1250, 2002, 4096};

static void fft_agrees_with_its_definition(void **state)
{
    (void)state;
    for (size_t s = 0; s < COUNT(sizes); s++) {
        const size_t n = sizes[s];
        double *x = calloc(n, sizeof *x);
        double *back = calloc(n, sizeof *back);
        lt_complex *want = calloc(n / 2 + 1, sizeof *want);
        lt_complex *got = calloc(n / 2 + 1, sizeof *got);
        fill_gauss(x, n, 0.25, 20240601 + n);
        define_dft(x, n, want);
        lt_rfft *f = new_fft(n);
        assert_int_equal(lt_rfft_size(f), n);
        lt_rfft_forward(f, x, got);
        lt_rfft_inverse(f, got, back);
        const double forward_db = snr_db(&got[0].re, &want[0].re, n + 2);
        const double round_db = snr_db(back, x, n);
        lt_rfft_free(f);
        free(x);
        free(back);
        free(want);
        free(got);
        if (!(forward_db >= 130.0 && round_db >= 125.0))
            fail_msg("n=%zu: forward %.1f dB, there and back %.1f dB", n, forward_db, round_db);
    }
}

static void fft_takes_any_scale(void **state)
{
    (void)state;
    static const double scales[] = {1e-300, 1e-150, 1e-40, 1e-30, 1.0, 1e30, 1e38, 1e150, 1e290};
    enum { N = 480 };
    double x[N];
    double back[N];
    lt_complex spectrum[N / 2 + 1];
    lt_complex first[N / 2 + 1];
    lt_rfft *f = new_fft(N);
    int bad = 0;
    for (size_t s = 0; s < COUNT(scales); s++) {
        fill_gauss(x, N, scales[s], 7);
        lt_rfft_forward(f, x, spectrum);
        lt_rfft_inverse(f, spectrum, back);
        for (size_t i = 0; i < N; i++)
            bad += !near_abs("there and back", back[i] / scales[s], x[i] / scales[s], 3e-6);
        for (size_t k = 0; k <= N / 2; k++) {
            if (s == 0)
                first[k] = (lt_complex){spectrum[k].re / scales[0], spectrum[k].im / scales[0]};
            bad += !near_abs("scaled", spectrum[k].re / scales[s], first[k].re, 1e-4);
        }
    }
    lt_rfft_free(f);
    assert_int_equal(bad, 0);
}

static void fft_of_silence_and_of_no_number(void **state)
{
    (void)state;
    enum { N = 16 };
    double x[N] = {0};
    lt_complex spectrum[N / 2 + 1];
    lt_rfft *f = new_fft(N);
    lt_rfft_forward(f, x, spectrum);
    int bad = 0;
    for (size_t k = 0; k <= N / 2; k++)
        bad += !near_abs("silence", lt_complex_power(spectrum[k]), 0.0, 0.0);
    lt_rfft_inverse(f, spectrum, x);
    for (size_t i = 0; i < N; i++)
        bad += !near_abs("silence back", x[i], 0.0, 0.0);
    assert_int_equal(bad, 0);
    static const double values[] = {NAN, INFINITY, -INFINITY};
    for (size_t v = 0; v < COUNT(values); v++)
        for (int lone = 0; lone < 2; lone++) { /* among numbers, and among zeros only */
            for (size_t i = 0; i < N; i++)
                x[i] = lone != 0 ? 0.0 : 0.5;
            x[3] = values[v];
            lt_rfft_forward(f, x, spectrum);
            assert_true(isnan(lt_complex_power(spectrum[1])));
            lt_rfft_inverse(f, spectrum, x);
            assert_true(isnan(x[0]));
        }
    lt_rfft_free(f);
}

static void padding_equals_zeros(void **state)
{
    (void)state;
    enum { N = 600, USED = 217 };
    double x[N] = {0};
    lt_complex whole[N / 2 + 1];
    lt_complex padded[N / 2 + 1];
    fill_gauss(x, USED, 0.1, 3);
    lt_rfft *f = new_fft(N);
    lt_rfft_forward(f, x, whole);
    fill_gauss(x + USED, N - USED, 1.0, 4); /* must not be looked at */
    lt_rfft_forward_padded(f, x, USED, padded);
    lt_rfft_free(f);
    assert_memory_equal(whole, padded, sizeof whole);
}

static void fft_sizes_are_checked(void **state)
{
    (void)state;
    static const size_t wrong[] = {0, 1, 3, 17, ((size_t)1 << 28) + 2, SIZE_MAX, SIZE_MAX - 1};
    for (size_t i = 0; i < COUNT(wrong); i++) {
        lt_rfft *f = NULL;
        lt_error err = {0};
        assert_int_equal(lt_rfft_create(wrong[i], &f, &err), LT_E_ARG);
        assert_null(f);
        assert_int_equal(err.status, LT_E_ARG);
    }
    lt_rfft_free(NULL);
}

static bool is_smooth(size_t n)
{
    for (size_t p = 2; p <= 5; p++)
        while (n % p == 0)
            n /= p;
    return n == 1;
}

static void good_sizes_are_the_next_smooth_ones(void **state)
{
    (void)state;
    for (size_t want = 0; want < 3000; want++) {
        size_t n = want < 2 ? 2 : want;
        while (n % 2 != 0 || !is_smooth(n))
            n++;
        assert_int_equal(lt_rfft_good_size(want), n);
    }
    assert_int_equal(lt_rfft_good_size((1 << 20) + 1), 1049760); /* 2^5 3^8 5 */
    assert_int_equal(lt_rfft_good_size((size_t)1 << 28), (size_t)1 << 28);
    assert_true(lt_rfft_good_size(((size_t)1 << 28) + 1) > (size_t)1 << 28); /* and create will refuse it */
}

static lt_status make_fft(void *context, lt_error *err)
{
    (void)context;
    lt_rfft *f = NULL;
    const lt_status st = lt_rfft_create(64, &f, err);
    assert_true((st == LT_OK) == (f != NULL));
    lt_rfft_free(f);
    return st;
}

static lt_status make_convolution(void *context, lt_error *err)
{
    double *x = context;
    double out[999];
    return lt_convolve(x, 500, x, 500, out, err);
}

static void fft_survives_failed_allocations(void **state)
{
    (void)state;
    assert_survives_faults(make_fft, NULL);
}

static void convolution_survives_failed_allocations(void **state)
{
    (void)state;
    double x[500];
    fill_gauss(x, COUNT(x), 1.0, 1);
    assert_survives_faults(make_convolution, x);
}

/* ---- convolution ---- */

static void convolution_agrees_with_the_direct_sum(void **state)
{
    (void)state;
    static const struct {
        size_t na, nb;
    } rows[] = {{1, 1},      {1, 100},   {7, 3},       {24, 5000},    {25, 24},      {25, 25},
                {100, 3000}, {3000, 26}, {5000, 5000}, {40000, 1300}, {1300, 40000}, {20000, 25}};
    for (size_t r = 0; r < COUNT(rows); r++) {
        const size_t n = rows[r].na + rows[r].nb - 1;
        double *a = calloc(rows[r].na, sizeof *a);
        double *b = calloc(rows[r].nb, sizeof *b);
        double *want = calloc(n, sizeof *want);
        double *got = calloc(n, sizeof *got);
        fill_gauss(a, rows[r].na, 1.0, 11 + r);
        fill_gauss(b, rows[r].nb, 1.0, 97 + r);
        for (size_t i = 0; i < rows[r].na; i++)
            for (size_t k = 0; k < rows[r].nb; k++)
                want[i + k] += a[i] * b[k];
        for (size_t i = 0; i < n; i++)
            got[i] = NAN; /* every value must be written */
        const lt_status st = lt_convolve(a, rows[r].na, b, rows[r].nb, got, NULL);
        const double db = snr_db(got, want, n);
        free(a);
        free(b);
        free(want);
        free(got);
        assert_int_equal(st, LT_OK);
        if (!(db >= 120.0))
            fail_msg("%zu * %zu: %.1f dB", rows[r].na, rows[r].nb, db);
    }
}

static void convolution_with_nothing_is_refused(void **state)
{
    (void)state;
    double x[4] = {1, 2, 3, 4};
    double out[8];
    lt_error err = {0};
    assert_int_equal(lt_convolve(x, 4, x, 0, out, &err), LT_E_ARG);
    assert_int_equal(err.status, LT_E_ARG);
    assert_int_equal(lt_convolve(x, 0, x, 4, out, NULL), LT_E_ARG);
}

/* ---- single transform values ---- */

static void dtft_of_a_long_sine_is_exact(void **state)
{
    (void)state;
    enum { N = 1000000 };
    const double rate = 48000.0;
    double *x = calloc(N, sizeof *x);
    int bad = 0;
    static const double hz[] = {0.0, 50.0, 997.0, 1000.0 * 1.2589254117941673, 15848.931924611134, 23999.0};
    for (size_t i = 0; i < COUNT(hz); i++) {
        /* A cosine and the closed form of its sum; the reference phase is reduced in long double. */
        long double re = 0.0L;
        long double im = 0.0L;
        for (size_t k = 0; k < N; k++) {
            x[k] = (double)((k * 2654435761U) % 1000) / 999.0 - 0.5;
            const long double turns = (long double)hz[i] * (long double)k / (long double)rate;
            const long double phase = -2.0L * 3.141592653589793238462643383279502884L * (turns - floorl(turns));
            re += (long double)x[k] * cosl(phase);
            im += (long double)x[k] * sinl(phase);
        }
        const lt_complex got = lt_dtft(x, N, rate, hz[i]);
        bad += !near_abs("re", got.re, (double)re, 1e-9 * 0.29 * N);
        bad += !near_abs("im", got.im, (double)im, 1e-9 * 0.29 * N);
        bad += !near_abs("re, tight", got.re, (double)re, 1e-7);
        bad += !near_abs("im, tight", got.im, (double)im, 1e-7);
    }
    free(x);
    assert_int_equal(bad, 0);
}

/* A thousand turns a sample more change nothing: phases of 1e13 turns are still reduced exactly. */
static void dtft_reduces_large_phases(void **state)
{
    (void)state;
    enum { N = 200000 };
    const double rate = 48000.0;
    double *x = calloc(N, sizeof *x);
    fill_gauss(x, N, 0.3, 21);
    const double far_hz = 1000.0 * rate + 1234.567890123; /* rounded; the difference below is exact again */
    const lt_complex near = lt_dtft(x, N, rate, far_hz - 1000.0 * rate);
    const lt_complex far = lt_dtft(x, N, rate, far_hz);
    free(x);
    int bad = 0;
    bad += !near_abs("re", far.re, near.re, 1e-8);
    bad += !near_abs("im", far.im, near.im, 1e-8);
    assert_int_equal(bad, 0);
}

static void dtft_is_the_fft_on_its_bins(void **state)
{
    (void)state;
    enum { N = 1000 };
    double x[N];
    lt_complex spectrum[N / 2 + 1];
    fill_gauss(x, N, 0.3, 5);
    lt_rfft *f = new_fft(N);
    lt_rfft_forward(f, x, spectrum);
    lt_rfft_free(f);
    int bad = 0;
    for (size_t k = 0; k <= N / 2; k += 7) {
        const lt_complex one = lt_dtft(x, N, 8000.0, 8000.0 * (double)k / N);
        bad += !near_abs("re", one.re, spectrum[k].re, 1e-5);
        bad += !near_abs("im", one.im, spectrum[k].im, 1e-5);
    }
    const lt_complex none = lt_dtft(x, 0, 8000.0, 100.0);
    bad += !near_abs("no samples", lt_complex_power(none), 0.0, 0.0);
    assert_int_equal(bad, 0);
}

/* ---- windows ---- */

static void windows_have_their_published_figures(void **state)
{
    (void)state;
    enum { N = 4096 };
    static double w[N];
    int bad = 0;
    /* F. J. Harris 1978, table 1: coherent gain and equivalent noise bandwidth (bins). */
    lt_window_hann(w, N);
    double sum = lt_sum(w, N);
    double power = 0.0;
    for (size_t i = 0; i < N; i++)
        power += w[i] * w[i];
    bad += !near_abs("Hann gain", sum / N, 0.5, 1e-12);
    bad += !near_abs("Hann bandwidth", N * power / (sum * sum), 1.5, 1e-9);
    bad += !near_abs("Hann, periodic", w[N / 2], 1.0, 1e-12);
    bad += !near_abs("Hann starts at 0", w[0], 0.0, 0.0);
    for (size_t i = 0; i < N / 2; i++) /* hop N / 2 adds up to 1 */
        bad += !near_abs("Hann overlap", w[i] + w[i + N / 2], 1.0, 1e-12);
    lt_window_blackman_harris(w, N);
    sum = lt_sum(w, N);
    power = 0.0;
    for (size_t i = 0; i < N; i++)
        power += w[i] * w[i];
    bad += !near_abs("Blackman-Harris gain", sum / N, 0.35875, 1e-12);
    bad += !near_abs("Blackman-Harris bandwidth", N * power / (sum * sum), 2.0, 0.005);
    double worst = 0.0; /* side lobes from bin 4 on: -92 dB */
    for (double bin = 4.0; bin < 60.0; bin += 0.05)
        worst = fmax(worst, sqrt(lt_complex_power(lt_dtft(w, N, N, bin))) / sum);
    bad += !in_range("Blackman-Harris side lobes", lt_db_from_amplitude(worst), -93.0, -91.9);
    assert_int_equal(bad, 0);
}

static void fades_are_clamped(void **state)
{
    (void)state;
    int bad = 0;
    bad += !near_abs("before", lt_fade(-0.1), 0.0, 0.0);
    bad += !near_abs("quarter", lt_fade(0.25), 0.146446609407, 1e-12);
    bad += !near_abs("half", lt_fade(0.5), 0.5, 1e-15);
    bad += !near_abs("after", lt_fade(1.5), 1.0, 0.0);
    bad += !near_abs("no number", lt_fade(NAN), 0.0, 0.0);
    assert_int_equal(bad, 0);
}

SUITE(dsp_fft)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fft_agrees_with_its_definition),
        cmocka_unit_test(fft_takes_any_scale),
        cmocka_unit_test(fft_of_silence_and_of_no_number),
        cmocka_unit_test(padding_equals_zeros),
        cmocka_unit_test(fft_sizes_are_checked),
        cmocka_unit_test(good_sizes_are_the_next_smooth_ones),
        cmocka_unit_test(fft_survives_failed_allocations),
        cmocka_unit_test(convolution_survives_failed_allocations),
        cmocka_unit_test(convolution_agrees_with_the_direct_sum),
        cmocka_unit_test(convolution_with_nothing_is_refused),
        cmocka_unit_test(dtft_of_a_long_sine_is_exact),
        cmocka_unit_test(dtft_reduces_large_phases),
        cmocka_unit_test(dtft_is_the_fft_on_its_bins),
        cmocka_unit_test(windows_have_their_published_figures),
        cmocka_unit_test(fades_are_clamped),
    };
    return cmocka_run_group_tests_name("dsp_fft", tests, NULL, NULL);
}
