/* SPDX-License-Identifier: MIT
 * Biquads: responses at the frequencies where the cookbook fixes them, and filtering against the response. */
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/dsp.h>

#include <stdlib.h>
#include <string.h>

static double gain_db(const lt_biquad *b, double hz, double rate_hz)
{
    return lt_db_from_power(lt_complex_power(lt_biquad_response(b, hz, rate_hz)));
}

static void peaking_has_its_gain_and_width(void **state)
{
    (void)state;
    static const struct {
        double hz, q, db, rate_hz;
    } rows[] = {{1000, 1.0, 6.0, 48000},    {1000, 8.0, -12.0, 48000}, {63, 0.7, 3.0, 48000},
                {3150, 30.0, -20.0, 16000}, {7000, 4.0, -9.0, 44100},  {100, 2.0, 0.0, 8000}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        const double hz = rows[i].hz;
        const double rate = rows[i].rate_hz;
        const lt_biquad b = lt_biquad_peaking(hz, rows[i].q, rows[i].db, rate);
        bad += !near_abs("centre", gain_db(&b, hz, rate), rows[i].db, 1e-9);
        bad += !near_abs("0 Hz", gain_db(&b, 0.0, rate), 0.0, 1e-9);
        bad += !near_abs("half the rate", gain_db(&b, rate / 2.0, rate), 0.0, 1e-9);
        /* Half the gain in dB: the analog prototype has it at s0 (sqrt(1 + 1 / (4 q^2)) +- 1 / (2 q)), then warped. */
        const double w0 = 2.0 * LT_PI * hz / rate;
        const double k = tan(w0 / 2.0);
        const double edge = sqrt(1.0 + 1.0 / (4.0 * rows[i].q * rows[i].q)) + 1.0 / (2.0 * rows[i].q);
        bad += !near_abs("upper edge", gain_db(&b, atan(k * edge) * rate / LT_PI, rate), rows[i].db / 2.0, 1e-9);
        bad += !near_abs("lower edge", gain_db(&b, atan(k / edge) * rate / LT_PI, rate), rows[i].db / 2.0, 1e-9);
    }
    assert_int_equal(bad, 0);
}

static void passes_and_shelves_have_their_gains(void **state)
{
    (void)state;
    const double rate = 48000.0;
    const double q = sqrt(0.5);
    int bad = 0;
    const lt_biquad low = lt_biquad_lowpass(1000.0, q, rate);
    bad += !near_abs("low pass, 0 Hz", gain_db(&low, 0.0, rate), 0.0, 1e-9);
    bad += !near_abs("low pass, corner", gain_db(&low, 1000.0, rate), -3.0102999566, 1e-9);
    bad += !near_abs("low pass, 10 kHz", gain_db(&low, 10000.0, rate),
                     -40.0 * log10(tan(LT_PI * 10 / 48) / tan(LT_PI / 48)), 0.01);
    const lt_biquad high = lt_biquad_highpass(1000.0, 2.0, rate);
    bad += !near_abs("high pass, corner is q", gain_db(&high, 1000.0, rate), 6.0205999133, 1e-9);
    bad += !near_abs("high pass, half the rate", gain_db(&high, rate / 2.0, rate), 0.0, 1e-9);
    assert_true(gain_db(&high, 0.0, rate) < -200.0);
    static const double gains_db[] = {-15.0, -3.0, 4.0, 12.0};
    for (size_t i = 0; i < COUNT(gains_db); i++) {
        const double g = gains_db[i];
        const lt_biquad l = lt_biquad_lowshelf(500.0, 1.0, g, rate);
        bad += !near_abs("low shelf, 0 Hz", gain_db(&l, 0.0, rate), g, 1e-9);
        bad += !near_abs("low shelf, corner", gain_db(&l, 500.0, rate), g / 2.0, 1e-9);
        bad += !near_abs("low shelf, half the rate", gain_db(&l, rate / 2.0, rate), 0.0, 1e-9);
        const lt_biquad h = lt_biquad_highshelf(4000.0, 0.7, g, rate);
        bad += !near_abs("high shelf, 0 Hz", gain_db(&h, 0.0, rate), 0.0, 1e-9);
        bad += !near_abs("high shelf, corner", gain_db(&h, 4000.0, rate), g / 2.0, 1e-9);
        bad += !near_abs("high shelf, half the rate", gain_db(&h, rate / 2.0, rate), g, 1e-9);
        double last = gain_db(&h, 20.0, rate);
        for (double hz = 25.0; hz < 24000.0; hz *= 1.2) { /* slope <= 1 is monotonic */
            const double now = gain_db(&h, hz, rate);
            bad += g > 0.0 ? now < last - 1e-9 : now > last + 1e-9;
            last = now;
        }
    }
    assert_int_equal(bad, 0);
}

static void filtering_follows_the_response(void **state)
{
    (void)state;
    enum { N = 48000 };
    static double x[N];
    static double y[N];
    const double rate = 48000.0;
    const lt_biquad b = lt_biquad_peaking(1200.0, 3.0, -8.0, rate);
    int bad = 0;
    static const double hz[] = {100.0, 1000.0, 1200.0, 5000.0, 20000.0};
    for (size_t i = 0; i < COUNT(hz); i++) {
        fill_sine(x, N, rate, hz[i], 0.5, 0.3);
        lt_biquad_state s = {0};
        lt_biquad_run(&b, &s, x, y, N);
        /* The last half second: whole periods, settled. */
        const lt_complex in = lt_dtft(x + N / 2, N / 2, rate, hz[i]);
        const lt_complex out = lt_dtft(y + N / 2, N / 2, rate, hz[i]);
        const lt_complex want = lt_complex_multiply(in, lt_biquad_response(&b, hz[i], rate));
        bad += !near_abs("re", out.re / N, want.re / N, 1e-10);
        bad += !near_abs("im", out.im / N, want.im / N, 1e-10);
    }
    assert_int_equal(bad, 0);
}

static void filtering_in_parts_and_in_place_is_the_same(void **state)
{
    (void)state;
    enum { N = 5000 };
    static double x[N];
    static double whole[N];
    fill_gauss(x, N, 0.2, 9);
    const lt_biquad b = lt_biquad_lowpass(300.0, 5.0, 8000.0);
    lt_biquad_state s = {0};
    lt_biquad_run(&b, &s, x, whole, N);
    s = (lt_biquad_state){0};
    size_t at = 0;
    for (size_t step = 1; at < N; step = step * 2 + 1) {
        const size_t n = N - at < step ? N - at : step;
        lt_biquad_run(&b, &s, x + at, x + at, n);
        at += n;
    }
    assert_memory_equal(x, whole, sizeof x);
}

static void a_tail_ends_in_exact_silence(void **state)
{
    (void)state;
    enum { N = 4800 };
    static double x[N];
    const lt_biquad b = lt_biquad_lowpass(1000.0, 0.7, 48000.0);
    lt_biquad_state s = {0};
    x[0] = 1.0;
    lt_biquad_run(&b, &s, x, x, N);
    memset(x, 0, sizeof x);
    for (int i = 0; i < 20; i++)
        lt_biquad_run(&b, &s, x, x, N);
    int bad = 0;
    bad += !near_abs("s1", s.s1, 0.0, 0.0);
    bad += !near_abs("s2", s.s2, 0.0, 0.0);
    assert_int_equal(bad, 0);
}

SUITE(dsp_filters)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(peaking_has_its_gain_and_width), cmocka_unit_test(passes_and_shelves_have_their_gains),
        cmocka_unit_test(filtering_follows_the_response), cmocka_unit_test(filtering_in_parts_and_in_place_is_the_same),
        cmocka_unit_test(a_tail_ends_in_exact_silence),
    };
    return cmocka_run_group_tests_name("dsp_filters", tests, NULL, NULL);
}
