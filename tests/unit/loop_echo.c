/* SPDX-License-Identifier: MIT
 * Echo loss (ITU-T G.122) in closed form; talker echo against the table of ITU-T G.131. */
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

static double loss_of(double *h, size_t count, double rate_hz, double from_hz, double to_hz)
{
    const lt_ir ir = {.samples = h, .count = count, .rate_hz = rate_hz, .from_hz = from_hz, .to_hz = to_hz};
    double loss = 0.0;
    assert_int_equal(lt_echo_loss(&ir, &loss, NULL), LT_OK);
    return loss;
}

static void flat_paths_lose_what_they_lose(void **state)
{
    (void)state;
    double h[500] = {0};
    h[333] = -0.1;
    int bad = 0;
    bad += !near_abs("-20 dB at 48 kHz", loss_of(h, 500, 48000.0, 0.0, 24000.0), 20.0, 1e-3);
    bad += !near_abs("-20 dB at 8 kHz", loss_of(h, 500, 8000.0, 0.0, 4000.0), 20.0, 1e-3);
    h[333] = 0.0;
    bad += !near_abs("silence", loss_of(h, 500, 8000.0, 0.0, 4000.0), (double)INFINITY, 0.0);
    assert_int_equal(bad, 0);
}

/* A first difference, |H|^2 = g^2 (2 - 2 cos w): the integral of it over lg f, taken here by Simpson's rule on 20000
 * steps, is the closed form that the FFT grid must meet. */
static void a_tilted_path_matches_its_integral(void **state)
{
    (void)state;
    const double g = 0.3;
    double h[3] = {0, g, -g};
    int bad = 0;
    static const double rates[] = {8000.0, 16000.0, 48000.0};
    for (size_t r = 0; r < COUNT(rates); r++) {
        enum { STEPS = 20000 };
        const double a = log10(300.0);
        const double step = (log10(3400.0) - a) / STEPS;
        double sum = 0.0;
        for (int i = 0; i <= STEPS; i++) {
            const double hz = pow(10.0, a + step * i);
            const double power = g * g * (2.0 - 2.0 * cos(2.0 * LT_PI * hz / rates[r]));
            sum += power * (i == 0 || i == STEPS ? 1.0 : i % 2 == 1 ? 4.0 : 2.0);
        }
        const double mean = sum / 3.0 / STEPS;
        bad += !near_abs("tilt", loss_of(h, 3, rates[r], 0.0, rates[r] / 2.0), -10.0 * log10(mean), 1e-3);
    }
    assert_int_equal(bad, 0);
}

static void a_band_that_is_not_covered_is_not_known(void **state)
{
    (void)state;
    double h[4] = {0, 0.5};
    assert_true(isnan(loss_of(h, 4, 8000.0, 400.0, 4000.0)));
    assert_true(isnan(loss_of(h, 4, 8000.0, 100.0, 3000.0)));
    assert_true(isnan(loss_of(h, 4, 6000.0, 100.0, 3400.0)));
    const lt_ir empty = {.samples = h, .rate_hz = 8000.0};
    double loss = 0.0;
    assert_int_equal(lt_echo_loss(&empty, &loss, NULL), LT_E_ARG);
}

/* TELR for weighted values 14 and 8 dB: columns telr_acceptable_db and telr_limiting_db (from memory) of the tolerance
 * curve. */
static void talker_echo_follows_the_tolerance_curve(void **state)
{
    (void)state;
    static const struct {
        double t_ms, acceptable, limiting_memory;
    } rows[] = {
        {1, 11.10, 5.10},    {2, 15.13, 9.13},    {3, 17.81, 11.81},   {5, 20.47, 14.47},   {7, 22.43, 16.43},
        {10, 24.92, 18.92},  {15, 28.26, 22.26},  {20, 30.91, 24.91},  {25, 33.08, 27.08},  {30, 34.92, 28.92},
        {40, 37.85, 31.85},  {50, 40.13, 34.13},  {60, 41.96, 35.96},  {80, 44.74, 38.74},  {100, 46.78, 40.78},
        {150, 50.12, 44.12}, {200, 52.17, 46.17}, {250, 53.56, 47.56}, {300, 54.57, 48.57}, {400, 55.94, 49.94},
        {500, 56.83, 50.83},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        bad += !near_abs("acceptable", lt_talker_echo_weighted_db(rows[i].acceptable, rows[i].t_ms),
                         LT_ECHO_ACCEPTABLE_DB, 0.006);
        bad += !near_abs("limiting", lt_talker_echo_weighted_db(rows[i].limiting_memory, rows[i].t_ms),
                         LT_ECHO_LIMITING_DB, 0.006);
    }
    bad += !near_abs("no delay", lt_talker_echo_weighted_db(8.0, 0.0), 14.0, 1e-9);
    bad += !near_abs("before the playback", lt_talker_echo_weighted_db(8.0, -3.0), 14.0, 1e-9);
    assert_int_equal(bad, 0);
}

SUITE(loop_echo)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(flat_paths_lose_what_they_lose),
        cmocka_unit_test(a_tilted_path_matches_its_integral),
        cmocka_unit_test(a_band_that_is_not_covered_is_not_known),
        cmocka_unit_test(talker_echo_follows_the_tolerance_curve),
    };
    return cmocka_run_group_tests_name("loop_echo", tests, NULL, NULL);
}
