/* SPDX-License-Identifier: MIT
 * EDT, T20 and C50 of synthetic exponential decays. Source of the definitions: ISO 3382-1; the early-to-late ratio of
 * an exponential decay of reverberation time T is e^(13.8 x 0.05 / T) - 1. */
#include "near.h"
#include "suite.h"
#include <lanetune/response.h>

SUITE(response_decay);

/* Gaussian noise under an exponential decay of reverberation time t60_s, then noise floor_db below its start. */
static lt_ir *make_decay(double t60_s, double floor_db, uint64_t seed)
{
    const double rate = 48000.0;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(96000, rate, &s, NULL), LT_OK);
    lt_rng rng = {.state = seed};
    const double floor_gain = lt_amplitude_from_db(floor_db);
    const size_t start = 960;
    for (size_t i = 0; i < s->count; i++) {
        const double t = ((double)i - (double)start) / rate;
        const double decay = t >= 0.0 ? exp(-6.907755 * t / t60_s) : 0.0;
        s->samples[i] = decay * lt_rng_gauss(&rng) + floor_gain * lt_rng_gauss(&rng);
    }
    s->samples[start] = 6.0;
    lt_ir *ir = NULL;
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    lt_signal_free(s);
    return ir;
}

static void decay_times_are_found(void **state)
{
    (void)state;
    const struct {
        double t60_s, floor_db;
        bool edt, t20;
    } rows[] = {{0.3, -70.0, true, true}, {0.6, -60.0, true, true}, {1.0, -55.0, true, true}, {0.5, -48.0, true, true}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        double edt = 0.0;
        double t20 = 0.0;
        double c50 = 0.0;
        enum { SEEDS = 4 };
        for (uint64_t seed = 0; seed < SEEDS; seed++) { /* a single decay scatters by some percent */
            lt_ir *ir = make_decay(rows[i].t60_s, rows[i].floor_db, 100 * i + seed + 1);
            lt_response *r = NULL;
            assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_OK);
            edt += r->edt_s / SEEDS;
            t20 += r->t20_s / SEEDS;
            c50 += r->c50_db / SEEDS;
            lt_response_free(r);
            lt_ir_free(ir);
        }
        char label[48];
        (void)snprintf(label, sizeof label, "T %g s, floor %g dB", rows[i].t60_s, rows[i].floor_db);
        bad += !near_rel(label, edt, rows[i].t60_s, 0.1);
        bad += !near_rel(label, t20, rows[i].t60_s, 0.05);
        bad += !near_abs(label, c50, lt_db_from_power(expm1(13.8155 * 0.05 / rows[i].t60_s)), 0.7);
    }
    assert_int_equal(bad, 0);
}

/* Where the noise leaves less than 35 dB there is no T20, below 20 dB no EDT: no number is better than a wrong one. */
static void too_small_a_range_gives_no_number(void **state)
{
    (void)state;
    lt_ir *ir = make_decay(0.6, -12.0, 3);
    lt_response *r = NULL;
    assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_OK);
    assert_true(isnan(r->t20_s));
    lt_response_free(r);
    lt_ir_free(ir);
    ir = make_decay(0.6, 0.0, 3);
    assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_OK);
    assert_true(isnan(r->t20_s));
    assert_true(isnan(r->edt_s));
    lt_response_free(r);
    lt_ir_free(ir);
}

int response_decay_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(decay_times_are_found),
        cmocka_unit_test(too_small_a_range_gives_no_number),
    };
    return cmocka_run_group_tests_name("response_decay", tests, NULL, NULL);
}
