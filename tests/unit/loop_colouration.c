/* SPDX-License-Identifier: MIT
 * Colouration against closed forms and against the decay of a loop that runs in time. */
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

static const double rate = 16000.0;

static lt_margin margin_of(double *h, size_t count, double gain_db)
{
    const lt_ir ir = {.samples = h, .count = count, .rate_hz = rate, .to_hz = rate / 2.0};
    lt_loop *l = NULL;
    lt_margin m;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &l, NULL), LT_OK);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){l}, 1, gain_db, NULL, &m, NULL), LT_OK);
    lt_loop_free(l);
    return m;
}

/* L = g exp(-j w D): 1/(1 - g) to 1/(1 + g), every pole loses -20 lg g on each round of D samples. */
static void a_delay_is_a_closed_form(void **state)
{
    (void)state;
    enum { DELAY = 200 };
    double h[DELAY + 1] = {0};
    int bad = 0;
    h[DELAY] = 0.5;
    for (int k = 0; k < 3; k++) {
        const double gain_db = 5.0 - 6.0 * k;
        const double g = 0.5 * pow(10.0, gain_db / 20.0);
        const lt_margin m = margin_of(h, DELAY + 1, gain_db);
        bad += !near_abs("ripple", m.colouration.ripple_db, 20.0 * log10((1.0 + g) / (1.0 - g)), 0.01);
        bad += !near_abs("peak", m.colouration.peak_db, -20.0 * log10(1.0 - g), 0.01);
        bad += !near_abs("on a multiple of 80 Hz", fmod(m.colouration.hz + 40.0, 80.0), 40.0, 0.1);
        bad += !near_rel("decay", m.colouration.decay_s, DELAY / rate * 60.0 / (-20.0 * log10(g)), 1e-3);
    }
    const lt_margin howls = margin_of(h, DELAY + 1, 7.0);
    bad += !isnan(howls.colouration.decay_s) || !isnan(howls.colouration.ripple_db);
    assert_int_equal(bad, 0);
}

/* A loop with one resonance, near its onset: the tail of y = x + L y falls at the rate of the pole. */
static void the_tail_in_time_falls_at_that_rate(void **state)
{
    (void)state;
    enum { N = 600, FRAMES = 48000 };
    static double h[N];
    static double y[FRAMES];
    int bad = 0;
    for (int k = 0; k < 3; k++) {
        memset(h, 0, sizeof h);
        for (size_t n = 40; n < N; n++)
            h[n] = 0.01 * exp(-(double)(n - 40) / 60.0) * cos(2.0 * LT_PI * 900.0 / rate * (double)n);
        const double open_db = margin_of(h, N, 0.0).margin_db;
        const double below_db = 0.5 + 0.7 * k;
        const double gain = pow(10.0, (open_db - below_db) / 20.0);
        const lt_margin m = margin_of(h, N, open_db - below_db);
        double energy[2] = {0.0, 0.0};
        const size_t first = 12000 / (size_t)(k + 1);
        for (size_t n = 0; n < 3 * first; n++) {
            double sum = n == 0 ? 1.0 : 0.0;
            for (size_t t = 40; t < N && t <= n; t++)
                sum += gain * h[t] * y[n - t];
            y[n] = sum;
            if (n >= first)
                energy[n / first - 1] += y[n] * y[n];
        }
        const double fall_db = 10.0 * log10(energy[0] / energy[1]);
        const double decay_s = 60.0 / fall_db * (double)first / rate;
        bad += !near_rel("decay", m.colouration.decay_s, decay_s, 0.02);
        bad += !near_abs("at the ring frequency", m.colouration.hz, m.ring_hz, 3.0);
    }
    assert_int_equal(bad, 0);
}

/* The width of a resonance is hz / Q; a loop that is flat is as wide as its band. */
static void candidates_have_widths(void **state)
{
    (void)state;
    enum { N = 16000 };
    static double h[N];
    int bad = 0;
    memset(h, 0, sizeof h);
    h[0] = 1.0;
    lt_biquad b =
        lt_biquad_peaking(1000.0, 20.0, 40.0, rate); /* 100 x a resonator of Q / 100, so the peak's own Q is 20 / 10 */
    lt_biquad_state s = {0};
    lt_biquad_run(&b, &s, h, h, N);
    for (size_t i = 0; i < N; i++)
        h[i] *= 0.001;
    const lt_margin m = margin_of(h, N, 0.0);
    assert_true(m.candidate_count >= 1);
    bad += !near_abs("at", m.candidates[0].hz, 1000.0, 1.0);
    /* |H|^2 half of its peak, from the cookbook's coefficients on a fine grid (no code of the margin). */
    double lower = 1000.0;
    double upper = 1000.0;
    const double half = 0.5 * lt_complex_power(lt_biquad_response(&b, 1000.0, rate));
    while (lt_complex_power(lt_biquad_response(&b, lower, rate)) > half)
        lower -= 0.01;
    while (lt_complex_power(lt_biquad_response(&b, upper, rate)) > half)
        upper += 0.01;
    bad += !near_abs("width", m.candidates[0].width_hz, upper - lower, 1.0);
    double flat[11] = {0};
    flat[10] = 0.5;
    const lt_margin f = margin_of(flat, 11, 0.0);
    for (size_t i = 0; i < f.candidate_count; i++)
        bad += !near_abs("flat", f.candidates[i].width_hz, rate / 2.0, 1e-6);
    assert_int_equal(bad, 0);
}

static void attenuation_makes_up_what_is_missing(void **state)
{
    (void)state;
    assert_true(near_abs("missing", lt_needed_attenuation_db(2.5, 6.0), 3.5, 1e-12));
    assert_true(near_abs("howling", lt_needed_attenuation_db(-4.0, 6.0), 10.0, 1e-12));
    assert_true(near_abs("enough", lt_needed_attenuation_db(9.0, 6.0), 0.0, 0.0));
    assert_true(isnan(lt_needed_attenuation_db((double)NAN, 6.0)));
    assert_true(near_abs("two microphones", lt_open_microphones_db(2), 3.0103, 1e-4));
}

SUITE(loop_colouration)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_delay_is_a_closed_form),
        cmocka_unit_test(the_tail_in_time_falls_at_that_rate),
        cmocka_unit_test(candidates_have_widths),
        cmocka_unit_test(attenuation_makes_up_what_is_missing),
    };
    return cmocka_run_group_tests_name("loop_colouration", tests, NULL, NULL);
}
