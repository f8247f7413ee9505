/* SPDX-License-Identifier: MIT
 * Notch proposals: where they sit, what they are worth, and that the claim survives filtering the response itself. */
#include "near.h"
#include "rng.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

enum { N = 6000 };
static const double rate = 16000.0;

/* A broad path with resonances of the given frequencies and heights. */
static void resonant_path(double *h, const double *hz, const double *boost_db, size_t count)
{
    memset(h, 0, N * sizeof *h);
    h[30] = 0.2;
    lt_biquad b = lt_biquad_highpass(200.0, 0.7, rate);
    lt_biquad_state state = {0};
    lt_biquad_run(&b, &state, h, h, N);
    b = lt_biquad_lowpass(5000.0, 0.7, rate);
    state = (lt_biquad_state){0};
    lt_biquad_run(&b, &state, h, h, N);
    for (size_t i = 0; i < count; i++) {
        b = lt_biquad_peaking(hz[i], 12.0, boost_db[i], rate);
        state = (lt_biquad_state){0};
        lt_biquad_run(&b, &state, h, h, N);
    }
}

static lt_margin margin_of(double *h, size_t count, const lt_margin_options *opt)
{
    const lt_ir ir = {.samples = h, .count = count, .rate_hz = rate, .to_hz = rate / 2.0};
    lt_loop *l = NULL;
    lt_margin m;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &l, NULL), LT_OK);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){l}, 1, 3.0, opt, &m, NULL), LT_OK);
    lt_loop_free(l);
    return m;
}

/* The response run through the notches in the time domain, `skipped` left out, and measured anew. */
static lt_margin refiltered(const double *h, const lt_margin *m, size_t skipped)
{
    enum { LONG = 3 * N };
    lt_signal *s = NULL;
    const lt_margin_options none = {.notches_max = 0};
    assert_int_equal(lt_signal_create(LONG, rate, &s, NULL), LT_OK);
    memcpy(s->samples, h, N * sizeof *h);
    for (size_t i = 0; i < m->notch_count; i++) {
        const lt_biquad b = lt_biquad_peaking(m->notches[i].hz, m->notches[i].q, -m->notches[i].cut_db, rate);
        lt_biquad_state state = {0};
        if (i != skipped)
            lt_biquad_run(&b, &state, s->samples, s->samples, LONG);
    }
    const lt_margin out = margin_of(s->samples, LONG, &none);
    lt_signal_free(s);
    return out;
}

static void claims_hold_when_the_response_is_filtered(void **state)
{
    (void)state;
    static double h[N];
    int bad = 0;
    lt_rng r = {77};
    for (int run = 0; run < 12; run++) {
        double hz[5];
        double boost[5];
        const size_t count = 1 + (size_t)(lt_rng_uniform(&r) * 5.0);
        for (size_t i = 0; i < count; i++) {
            hz[i] = 300.0 * pow(12.0, lt_rng_uniform(&r));
            boost[i] = 12.0 * lt_rng_uniform(&r);
        }
        resonant_path(h, hz, boost, count);
        const lt_margin m = margin_of(h, N, NULL);
        const lt_margin then = refiltered(h, &m, SIZE_MAX);
        bad += !near_abs("safe margin", m.safe_margin_with_notches_db, then.safe_margin_db, 0.01);
        bad += !near_abs("margin", m.margin_with_notches_db, then.margin_db, 0.01);
        for (size_t i = 0; i < m.notch_count; i++) {
            const lt_margin without = refiltered(h, &m, i);
            bad += !(then.safe_margin_db - without.safe_margin_db >= 0.45);
            bad += !in_range("cut", m.notches[i].cut_db, 0.5, 12.0) || !in_range("q", m.notches[i].q, 2.0, 30.0);
        }
    }
    assert_int_equal(bad, 0);
}

static void one_resonance_gets_one_notch(void **state)
{
    (void)state;
    static double h[N];
    resonant_path(h, (const double[]){1100.0}, (const double[]){9.0}, 1);
    const lt_margin m = margin_of(h, N, NULL);
    int bad = 0;
    assert_int_equal(m.notch_count, 1);
    bad += !near_abs("centre", m.notches[0].hz, 1100.0, 15.0);
    bad += !near_abs("depth", m.notches[0].cut_db, 9.0, 1.6);
    bad += !near_abs("gain", m.safe_margin_with_notches_db - m.safe_margin_db, 9.0, 1.0);
    bad += !near_abs("sharpness", m.notches[0].q, 12.0, 8.0);
    assert_int_equal(bad, 0);
}

/* Two equal peaks: a notch on one alone buys nothing, so it takes both or none. */
static void equal_peaks_are_cut_together(void **state)
{
    (void)state;
    static double h[N];
    resonant_path(h, (const double[]){700.0, 2100.0}, (const double[]){8.0, 8.0}, 2);
    lt_margin m = margin_of(h, N, NULL);
    assert_int_equal(m.notch_count, 2);
    assert_true(in_range("gain", m.safe_margin_with_notches_db - m.safe_margin_db, 5.0, 10.0));
    m = margin_of(h, N, &(lt_margin_options){.notches_max = 1, .cut_max_db = 12.0});
    assert_true(m.notch_count == 0 || m.safe_margin_with_notches_db - m.safe_margin_db >= 0.5);
}

static void close_peaks_share_a_notch(void **state)
{
    (void)state;
    static double h[N];
    resonant_path(h, (const double[]){1000.0, 1030.0}, (const double[]){6.0, 6.0}, 2);
    const lt_margin m = margin_of(h, N, NULL);
    assert_int_equal(m.notch_count, 1);
    assert_true(near_abs("centre", m.notches[0].hz, 1015.0, 30.0));
}

static void a_flat_loop_gets_none(void **state)
{
    (void)state;
    static double h[N];
    memset(h, 0, sizeof h);
    h[10] = 0.5;
    const lt_margin m = margin_of(h, N, NULL);
    assert_int_equal(m.notch_count, 0);
    assert_true(near_abs("unchanged", m.safe_margin_with_notches_db, m.safe_margin_db, 0.0));
}

SUITE(loop_notch)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(claims_hold_when_the_response_is_filtered),
        cmocka_unit_test(one_resonance_gets_one_notch),
        cmocka_unit_test(equal_peaks_are_cut_together),
        cmocka_unit_test(close_peaks_share_a_notch),
        cmocka_unit_test(a_flat_loop_gets_none),
    };
    return cmocka_run_group_tests_name("loop_notch", tests, NULL, NULL);
}
