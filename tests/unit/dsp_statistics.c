/* SPDX-License-Identifier: MIT
 * Sums, order statistics against sorting, histograms against order statistics. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include "dsp/even.h"
#include <lanetune/dsp.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

static int compare(const void *a, const void *b)
{
    const double x = *(const double *)a;
    const double y = *(const double *)b;
    return (x > y) - (x < y);
}

static void sums_keep_the_small_parts(void **state)
{
    (void)state;
    int bad = 0;
    const double mixed[] = {1.0, 1e100, 1.0, -1e100};
    bad += !near_abs("Neumaier's own example", lt_sum(mixed, 4), 2.0, 0.0);
    enum { N = 1000000 };
    double *x = calloc(N, sizeof *x);
    for (size_t i = 0; i < N; i++)
        x[i] = 0.1;
    bad += !near_abs("a million tenths", lt_sum(x, N), 100000.0, 1e-10);
    bad += !near_abs("mean", lt_mean(x, N), 0.1, 1e-16);
    x[5] = INFINITY;
    bad += !near_abs("infinite", lt_sum(x, N), INFINITY, 0.0);
    x[6] = NAN;
    assert_true(isnan(lt_sum(x, N)));
    free(x);
    bad += !near_abs("nothing", lt_sum(NULL, 0), 0.0, 0.0);
    assert_true(isnan(lt_mean(NULL, 0)));
    assert_int_equal(bad, 0);
}

/* Quantile by sorting, the definition: linear between order statistics. */
static double sorted_quantile(const double *sorted, size_t n, double p)
{
    const double at = p * (double)(n - 1);
    const size_t k = (size_t)at;
    return k + 1 < n ? sorted[k] + (at - (double)k) * (sorted[k + 1] - sorted[k]) : sorted[k];
}

static void fill_shape(double *x, size_t n, int shape, lt_rng *r)
{
    for (size_t i = 0; i < n; i++) {
        const double u = lt_rng_uniform(r);
        switch (shape) {
        case 0:
            x[i] = u - 0.5;
            break;
        case 1: /* few values, many ties */
            x[i] = floor(4.0 * u);
            break;
        case 2:
            x[i] = (double)i;
            break;
        case 3:
            x[i] = -(double)i;
            break;
        case 4:
            x[i] = 7.0;
            break;
        default: /* rises, then falls */
            x[i] = i < n / 2 ? (double)i : (double)(n - i);
            break;
        }
    }
}

static void quantiles_agree_with_sorting(void **state)
{
    (void)state;
    enum { MOST = 400 };
    double x[MOST];
    double sorted[MOST];
    lt_rng r = {2024};
    int bad = 0;
    for (int round = 0; round < 4000 && bad == 0; round++) {
        const size_t n = 1 + (size_t)(lt_rng_next(&r) % (round % 10 == 0 ? MOST : 12));
        fill_shape(x, n, round % 6, &r);
        memcpy(sorted, x, n * sizeof *x);
        qsort(sorted, n, sizeof *sorted, compare);
        const double p = round % 7 == 0 ? (double)(round % 3) / 2.0 : lt_rng_uniform(&r);
        bad += !near_abs("quantile", lt_quantile(x, n, p), sorted_quantile(sorted, n, p), 1e-12);
        bad += !near_abs("median", lt_median(x, n), sorted_quantile(sorted, n, 0.5), 1e-12);
        qsort(x, n, sizeof *x, compare);
        bad += memcmp(x, sorted, n * sizeof *x) != 0; /* reordered, nothing lost */
    }
    assert_int_equal(bad, 0);
}

static void quantiles_of_odd_input(void **state)
{
    (void)state;
    double x[] = {3.0, NAN, 1.0};
    double y[] = {-INFINITY, 40.0, -INFINITY, 50.0};
    assert_true(isnan(lt_quantile(x, 3, 0.5)));
    assert_true(isnan(lt_quantile(x, 0, 0.5)));
    assert_true(isnan(lt_median(NULL, 0)));
    assert_true(isnan(lt_quantile(y, 4, -0.1)));
    assert_true(isnan(lt_quantile(y, 4, 1.1)));
    assert_true(isnan(lt_quantile(y, 4, NAN)));
    int bad = 0;
    bad += !near_abs("silence", lt_quantile(y, 4, 0.2), -INFINITY, 0.0);
    bad += !near_abs("sound", lt_quantile(y, 4, 1.0), 50.0, 0.0);
    bad += !near_abs("between two sounds", lt_quantile(y, 4, 5.0 / 6.0), 45.0, 1e-9);
    assert_int_equal(bad, 0);
}

/* Hoare's selection must not fall into its worst case on ordered or constant input. */
static void selection_of_a_million_is_quick(void **state)
{
    (void)state;
    enum { N = 1000000 };
    double *x = calloc(N, sizeof *x);
    lt_rng r = {1};
    int bad = 0;
    static const double want[] = {0.0, 1.5, 499999.5, -499999.5, 7.0, 250000.0};
    static const double near[] = {0.002, 0.5, 0.0, 0.0, 0.0, 0.0};
    for (int shape = 0; shape < 6; shape++) {
        fill_shape(x, N, shape, &r);
        bad += !near_abs("median", lt_median(x, N), want[shape], near[shape]);
    }
    free(x);
    assert_int_equal(bad, 0);
}

static lt_status make_histogram(void *context, lt_error *err)
{
    (void)context;
    lt_histogram *h = NULL;
    const lt_status st = lt_histogram_create(&h, err);
    assert_true((st == LT_OK) == (h != NULL));
    lt_histogram_free(h);
    return st;
}

static void histogram_survives_failed_allocations(void **state)
{
    (void)state;
    assert_survives_faults(make_histogram, NULL);
}

static void histogram_agrees_with_sorting(void **state)
{
    (void)state;
    enum { N = 20000 };
    double *x = calloc(N, sizeof *x);
    lt_rng r = {77};
    lt_histogram *h = NULL;
    assert_int_equal(lt_histogram_create(&h, NULL), LT_OK);
    for (size_t i = 0; i < N; i++) {
        x[i] = 62.0 + 8.0 * lt_rng_gauss(&r);
        lt_histogram_add(h, x[i]);
    }
    assert_int_equal(lt_histogram_count(h), N);
    int bad = 0;
    static const double percent[] = {0.0, 1.0, 5.0, 10.0, 50.0, 90.0, 95.0, 99.0, 100.0};
    for (size_t i = 0; i < COUNT(percent); i++)
        bad += !near_abs("level exceeded", lt_histogram_exceeded(h, percent[i]),
                         lt_quantile(x, N, 1.0 - percent[i] / 100.0), 0.051);
    free(x);
    lt_histogram_reset(h);
    assert_true(isnan(lt_histogram_exceeded(h, 50.0)));
    assert_int_equal(lt_histogram_count(h), 0);
    lt_histogram_free(h);
    lt_histogram_free(NULL);
    assert_int_equal(bad, 0);
}

static void histogram_with_silence_and_extremes(void **state)
{
    (void)state;
    lt_histogram *h = NULL;
    assert_int_equal(lt_histogram_create(&h, NULL), LT_OK);
    int bad = 0;
    for (int i = 0; i < 3; i++)
        lt_histogram_add(h, 50.0);
    for (int i = 0; i < 7; i++)
        lt_histogram_add(h, -INFINITY);
    lt_histogram_add(h, NAN); /* not known: not counted */
    assert_int_equal(lt_histogram_count(h), 10);
    bad += !near_abs("L10", lt_histogram_exceeded(h, 10.0), 50.0, 0.05);
    bad += !near_abs("L30", lt_histogram_exceeded(h, 30.0), 50.0, 0.05);
    bad += !near_abs("L31", lt_histogram_exceeded(h, 31.0), -INFINITY, 0.0);
    bad += !near_abs("L90", lt_histogram_exceeded(h, 90.0), -INFINITY, 0.0);
    assert_true(isnan(lt_histogram_exceeded(h, -1.0)));
    assert_true(isnan(lt_histogram_exceeded(h, 101.0)));
    assert_true(isnan(lt_histogram_exceeded(h, NAN)));
    lt_histogram_reset(h);
    lt_histogram_add(h, INFINITY);
    lt_histogram_add(h, 1e300);
    lt_histogram_add(h, -1e300);
    lt_histogram_add(h, -200.0);
    lt_histogram_add(h, 199.99);
    bad += !near_abs("above", lt_histogram_exceeded(h, 20.0), 200.0, 0.0);
    bad += !near_abs("highest bin", lt_histogram_exceeded(h, 60.0), 199.95, 1e-9);
    bad += !near_abs("lowest bin", lt_histogram_exceeded(h, 80.0), -200.0, 1e-9);
    bad += !near_abs("below", lt_histogram_exceeded(h, 100.0), -INFINITY, 0.0);
    lt_histogram_free(h);
    assert_int_equal(bad, 0);
}

/* Against the exact logarithm of the C library, over all magnitudes that a recording can have. */
static void quick_levels_are_right(void **state)
{
    (void)state;
    enum { N = 20000 };
    double *x = calloc(N, sizeof *x);
    double *db = calloc(N, sizeof *db);
    lt_rng rng = {5};
    int bad = 0;
    for (size_t i = 0; i < N; i++)
        x[i] = ldexp(0.5 + lt_rng_uniform(&rng) / 2.0, (int)(i % 160) - 140);
    x[0] = 0.5;
    x[1] = 0.0;
    x[2] = 1e-310;
    lt_dbfs_from_mean_squares(x, N, db);
    for (size_t i = 3; i < N; i++)
        bad += !near_abs("level", db[i], lt_dbfs_from_mean_square(x[i]), 1e-6);
    bad += !near_abs("full scale", db[0], 0.0, 1e-6);
    assert_true(isinf(db[1]) && db[1] < 0.0 && isinf(db[2]));
    free(db);
    free(x);
    assert_int_equal(bad, 0);
}

static void percentiles_agree_with_single_ones(void **state)
{
    (void)state;
    lt_histogram *h = NULL;
    double all[LT_PERCENTILES];
    lt_rng rng = {9};
    int bad = 0;
    assert_int_equal(lt_histogram_create(&h, &(lt_error){0}), LT_OK);
    lt_histogram_percentiles(h, all);
    assert_true(isnan(all[0]) && isnan(all[98]) && isnan(lt_histogram_share_above(h, 0.0)));
    for (int round = 0; round < 3; round++) { /* levels; with silence; with the beyond */
        for (int i = 0; i < 3000; i++)
            lt_histogram_add(h, round == 0   ? -40.0 + 10.0 * lt_rng_gauss(&rng)
                                : round == 1 ? -(double)INFINITY
                                             : 500.0);
        lt_histogram_percentiles(h, all);
        for (int p = 1; p <= LT_PERCENTILES; p++) {
            const double want = lt_histogram_exceeded(h, p);
            bad += isinf(want) ? !isinf(all[p - 1]) : !near_abs("percentile", all[p - 1], want, 1e-12);
            if (lt_is_known(want) && want < 199.0)
                bad += !near_abs("share", lt_histogram_share_above(h, want), p / 100.0, 1e-9);
        }
    }
    lt_histogram_free(h);
    assert_int_equal(bad, 0);
}

/* Each sample over the root of the mean square about it, summed anew; a faint part stays faint, silence is no NaN. */
static void levels_become_even(void **state)
{
    (void)state;
    enum { RATE = 1000, N = 2000, HALF = 100 };
    double in[N], x[N];
    fill_gauss(in, N, 0.1, 21);
    for (size_t i = 700; i < N; i++)
        in[i] *= i < 1200 ? 0.01 : i < 1700 ? 0.0 : 0.3;
    double all = 0.0;
    for (size_t i = 0; i < N; i++)
        all += in[i] * in[i] / N;
    memcpy(x, in, sizeof x);
    assert_int_equal(ltp_even_levels(x, N, RATE, "a test", NULL), LT_OK);
    int bad = 0;
    for (size_t i = 0; i < N; i++) {
        const size_t from = i > HALF ? i - HALF : 0, to = i + HALF < N ? i + HALF : N;
        double square = 0.0;
        for (size_t k = from; k < to; k++)
            square += in[k] * in[k] / (double)(to - from);
        bad += !near_abs("even", x[i], in[i] / sqrt(square + 0.0025 * all), 1e-9);
    }
    assert_int_equal(bad, 0);
    memset(x, 0, sizeof x);
    assert_int_equal(ltp_even_levels(x, N, RATE, "a test", NULL), LT_OK);
    assert_true(fabs(x[N / 2]) < 1e-300);
}

SUITE(dsp_statistics)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(levels_become_even),
        cmocka_unit_test(quick_levels_are_right),
        cmocka_unit_test(percentiles_agree_with_single_ones),
        cmocka_unit_test(sums_keep_the_small_parts),
        cmocka_unit_test(quantiles_agree_with_sorting),
        cmocka_unit_test(quantiles_of_odd_input),
        cmocka_unit_test(selection_of_a_million_is_quick),
        cmocka_unit_test(histogram_survives_failed_allocations),
        cmocka_unit_test(histogram_agrees_with_sorting),
        cmocka_unit_test(histogram_with_silence_and_extremes),
    };
    return cmocka_run_group_tests_name("dsp_statistics", tests, NULL, NULL);
}
