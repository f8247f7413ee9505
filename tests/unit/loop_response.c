/* SPDX-License-Identifier: MIT
 * L(f) itself: product of two paths, origins, bands, different rates, the curve for charts. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

/* Equal to 0.005 dB and 0.001 rad. */
static bool near_complex(const char *label, lt_complex got, lt_complex want)
{
    const double size = sqrt(lt_complex_power(want));
    const lt_complex off = {got.re - want.re, got.im - want.im};
    return near_abs(label, sqrt(lt_complex_power(off)) / size, 0.0, 5e-4);
}

static void product_has_the_phase_of_both(void **state)
{
    (void)state;
    double a[300];
    double b[77];
    fill_gauss(a, 300, 0.1, 1);
    fill_gauss(b, 77, 0.1, 2);
    const lt_ir ia = {.samples = a, .count = 300, .rate_hz = 48000, .origin_frames = 40, .from_hz = 50, .to_hz = 18000};
    const lt_ir ib = {.samples = b, .count = 77, .rate_hz = 48000, .origin_frames = -13, .from_hz = 80, .to_hz = 20000};
    lt_loop *l = NULL;
    assert_int_equal(lt_loop_create(&ia, &ib, 99.0, -6.0, &l, NULL), LT_OK);
    int bad = 0;
    bad += !near_abs("from", lt_loop_from_hz(l), 80.0, 0.0);
    bad += !near_abs("to", lt_loop_to_hz(l), 18000.0, 0.0);
    bad += !near_abs("rate", lt_loop_rate_hz(l), 48000.0, 0.0);
    const double gain = pow(10.0, -6.0 / 20.0);
    for (double hz = 81.3; hz < 18000.0; hz *= 1.37) {
        lt_complex want = lt_complex_multiply(lt_ir_at(&ia, hz), lt_ir_at(&ib, hz));
        want = (lt_complex){gain * want.re, gain * want.im};
        bad += !near_complex("product", lt_loop_at(l, hz), want);
    }
    bad += lt_complex_power(lt_loop_at(l, 79.0)) > 0.0 || lt_complex_power(lt_loop_at(l, 18001.0)) > 0.0;
    lt_loop_free(l);
    assert_int_equal(bad, 0);
}

static void flat_counter_coupling_is_a_gain(void **state)
{
    (void)state;
    double a[8] = {0, 0, 0.5};
    const lt_ir ir = {.samples = a, .count = 8, .rate_hz = 8000, .to_hz = 4000};
    lt_loop *l = NULL;
    assert_int_equal(lt_loop_create(&ir, NULL, -10.0, 4.0, &l, NULL), LT_OK);
    const double level = lt_db_from_power(lt_complex_power(lt_loop_at(l, 700.0)));
    lt_loop_free(l);
    assert_true(near_abs("level", level, -6.0206 - 6.0, 1e-4));
}

/* Two band-limited paths at two rates: magnitude and phase of the product as from the exact transforms. */
static void rates_may_differ(void **state)
{
    (void)state;
    static const double pairs[][2] = {{48000, 44100}, {44100, 48000}, {48000, 16000}, {96000, 48000}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(pairs); i++) {
        double a[400];
        double b[400];
        fill_gauss(a, 400, 0.1, 3);
        fill_gauss(b, 400, 0.1, 4);
        const lt_ir ia = {
            .samples = a, .count = 400, .rate_hz = pairs[i][0], .origin_frames = 101, .from_hz = 50, .to_hz = 6500};
        const lt_ir ib = {
            .samples = b, .count = 400, .rate_hz = pairs[i][1], .origin_frames = 7, .from_hz = 50, .to_hz = 6500};
        lt_loop *l = NULL;
        assert_int_equal(lt_loop_create(&ia, &ib, 0.0, 0.0, &l, NULL), LT_OK);
        for (double hz = 60.0; hz < 6500.0; hz *= 1.21)
            bad += !near_complex("rates", lt_loop_at(l, hz), lt_complex_multiply(lt_ir_at(&ia, hz), lt_ir_at(&ib, hz)));
        lt_loop_free(l);
    }
    assert_int_equal(bad, 0);
}

static void curve_shows_the_largest_value_around(void **state)
{
    (void)state;
    enum { N = 30 };
    double a[65] = {0};
    a[64] = 0.5;
    a[0] = 0.5; /* a comb: teeth every 125 Hz, 0 dB and nothing */
    const lt_ir ir = {.samples = a, .count = 65, .rate_hz = 8000, .from_hz = 100, .to_hz = 3000};
    lt_loop *l = NULL;
    double hz[N];
    double level[N];
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &l, NULL), LT_OK);
    assert_int_equal(lt_loop_curve(l, 20.0, 20000.0, N, hz, level, NULL), LT_OK);
    int bad = 0;
    bad += !near_abs("first", hz[0], 20.0, 1e-9) || !near_abs("last", hz[N - 1], 20000.0, 1e-6);
    for (size_t i = 0; i < N; i++) {
        if (hz[i] > 900.0 && hz[i] < 2700.0) /* cells hold at least one tooth */
            bad += !near_abs("tooth", level[i], 0.0, 0.01);
        if (hz[i] < 80.0 || hz[i] > 3500.0)
            bad += !(isinf(level[i]) && level[i] < 0.0);
    }
    assert_int_equal(lt_loop_curve(l, 0.0, 100.0, N, hz, level, NULL), LT_E_ARG);
    assert_int_equal(lt_loop_curve(l, 20.0, 100.0, 1, hz, level, NULL), LT_E_ARG);
    lt_loop_free(l);
    assert_int_equal(bad, 0);
}

static lt_status make_everything(void *context, lt_error *err)
{
    const lt_ir *paths = context;
    lt_loop *l = NULL;
    lt_margin m;
    double loss = 0.0;
    lt_status st = lt_loop_create(&paths[0], &paths[1], 0.0, 0.0, &l, err);
    assert_true((st == LT_OK) == (l != NULL));
    if (st == LT_OK)
        st = lt_margin_compute((const lt_loop *const[]){l}, 1, 0.0, NULL, &m, err);
    lt_loop_free(l);
    return st == LT_OK ? lt_echo_loss(&paths[0], &loss, err) : st;
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    double a[64] = {0};
    double b[32] = {0};
    a[20] = 0.5;
    a[35] = 0.4;
    b[4] = 0.7;
    lt_ir paths[2] = {{.samples = a, .count = 64, .rate_hz = 8000, .to_hz = 4000},
                      {.samples = b, .count = 32, .rate_hz = 16000, .to_hz = 8000}};
    assert_survives_faults(make_everything, paths);
}

SUITE(loop_response)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(product_has_the_phase_of_both),
        cmocka_unit_test(flat_counter_coupling_is_a_gain),
        cmocka_unit_test(rates_may_differ),
        cmocka_unit_test(curve_shows_the_largest_value_around),
        cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("loop_response", tests, NULL, NULL);
}
