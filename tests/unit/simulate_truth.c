/* SPDX-License-Identifier: MIT
 * True figures against evaluation by other means. */
#include "fault.h"
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

/* Direct sum over the impulse response at one frequency, from the two couplings, not from the loop. */
typedef struct {
    lt_ir *lane, *counter;
    double scale;
} loop_parts;

static lt_complex loop_at(const loop_parts *p, double hz)
{
    const lt_complex z = lt_complex_multiply(lt_ir_at(p->lane, hz), lt_ir_at(p->counter, hz));
    return (lt_complex){p->scale * z.re, p->scale * z.im};
}

/* max Re L over the zeros of Im L and max |L| by brute force: a dense walk that is refined around its best places. */
static void brute_margins(const loop_parts *p, double from_hz, double to_hz, double step_hz, double *re_max,
                          double *abs_max)
{
    *re_max = *abs_max = 0.0;
    lt_complex before = loop_at(p, from_hz);
    for (double hz = from_hz + step_hz; hz <= to_hz; hz += step_hz) {
        const lt_complex now = loop_at(p, hz);
        *abs_max = fmax(*abs_max, sqrt(lt_complex_power(now)));
        if ((before.im < 0.0) != (now.im < 0.0) && fmax(before.re, now.re) > *re_max) {
            double low = hz - step_hz;
            double high = hz;
            for (int i = 0; i < 30; i++) { /* bisection on Im L */
                const double middle = 0.5 * (low + high);
                const lt_complex z = loop_at(p, middle);
                if ((z.im < 0.0) == (before.im < 0.0))
                    low = middle;
                else
                    high = middle;
            }
            *re_max = fmax(*re_max, loop_at(p, 0.5 * (low + high)).re);
        }
        before = now;
    }
}

static void margins_agree_with_brute_force(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t d = 0; d < lt_scene_demo_count(); d++) {
        const lt_scene_lane l = lt_scene_demo_lane(d);
        const size_t c = d % 2;
        loop_parts p = {scene_ir(&l, c, LT_SCENE_LANE_COUPLING), scene_ir(&l, c, LT_SCENE_COUNTER_COUPLING),
                        lt_amplitude_from_db(-2.0 * l.loopback_db)};
        lt_scene_truth t;
        assert_int_equal(lt_scene_truth_of(&l, c, &t, NULL), LT_OK);
        double re_max = 0.0;
        double abs_max = 0.0;
        /* 150 Hz about the true ring and, coarsely, everywhere: nothing may be worse than what the truth says. */
        brute_margins(&p, t.ring_hz - 60.0, t.ring_hz + 60.0, 0.25, &re_max, &abs_max);
        bad += !near_abs("margin, dB", t.margin_db, -lt_db_from_amplitude(re_max), 0.01);
        brute_margins(&p, 100.0, 12000.0, 4.0, &re_max, &abs_max);
        bad += !in_range("no worse crossing elsewhere, dB", -lt_db_from_amplitude(re_max) - t.margin_db, -0.01, 60.0);
        bad += !near_abs("safe margin, dB", t.safe_margin_db, -lt_db_from_amplitude(abs_max), 0.05);
        bad += !in_range("safe <= phase-true", t.margin_db - t.safe_margin_db, -1e-6, 60.0);
        lt_ir_free(p.lane);
        lt_ir_free(p.counter);
    }
    assert_int_equal(bad, 0);
}

/* Gain changes of the model move the margins one to one. */
static void margins_follow_the_gain(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_demo_lane(2);
    lt_scene_truth before;
    lt_scene_truth after;
    assert_int_equal(lt_scene_truth_of(&l, 1, &before, NULL), LT_OK);
    l.speaker_spl_db -= 4.0;
    l.crosstalk_db -= 4.0;
    l.counter_coupling_db -= 3.0;
    l.loopback_db += 5.0; /* of the recorder: not in the loop */
    assert_int_equal(lt_scene_truth_of(&l, 1, &after, NULL), LT_OK);
    const int bad = !near_abs("margin", after.margin_db - before.margin_db, 7.0, 0.001) +
                    !near_abs("safe margin", after.safe_margin_db - before.safe_margin_db, 7.0, 0.001) +
                    !near_abs("coupling", after.coupling_band_db[8] - before.coupling_band_db[8], -4.0, 0.001) +
                    !near_abs("outbound", after.outbound_band_db[8] - before.outbound_band_db[8], -4.0, 0.001);
    assert_int_equal(bad, 0);
}

/* Band levels by direct sums at many frequencies. */
static void bands_are_means_of_the_response(void **state)
{
    (void)state;
    const lt_scene_lane l = lt_scene_demo_lane(1);
    lt_scene_truth t;
    assert_int_equal(lt_scene_truth_of(&l, 1, &t, NULL), LT_OK);
    const struct {
        lt_scene_path path;
        const double *got;
        double add_db;
    } rows[] = {{LT_SCENE_OUTBOUND, t.outbound_band_db, l.mic_cal_db},
                {LT_SCENE_INBOUND, t.receive_band_db, l.mic_cal_db},
                {LT_SCENE_LANE_COUPLING, t.coupling_band_db, -l.loopback_db},
                {LT_SCENE_TALK_TEST, t.mouth_band_db, -l.loopback_db}};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rows); r++) {
        lt_ir *ir = scene_ir(&l, 1, rows[r].path);
        for (int i = 1; i < LT_SPEECH_BANDS; i += 5) {
            const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
            enum { STEPS = 400 };
            double sum = 0.0;
            for (int k = 0; k < STEPS; k++)
                sum += lt_complex_power(lt_ir_at(ir, b.lower_hz + (k + 0.5) / STEPS * (b.upper_hz - b.lower_hz)));
            bad += !near_abs(lt_scene_path_name(rows[r].path), rows[r].got[i],
                             lt_db_from_power(sum / STEPS) + rows[r].add_db, 0.03);
        }
        lt_ir_free(ir);
    }
    assert_int_equal(bad, 0);
}

static void absent_noise_is_minus_infinity(void **state)
{
    (void)state;
    const lt_scene_lane l = scene_bare();
    lt_scene_truth t;
    assert_int_equal(lt_scene_truth_of(&l, 0, &t, NULL), LT_OK);
    assert_true(isinf(t.noise_ear_laeq_db) && t.noise_ear_laeq_db < 0.0);
    assert_true(isinf(t.noise_mic_leq_db[4]) && isinf(t.noise_counter_laeq_db));
}

/* Each demonstration lane has the trouble it is there for. */
static void demo_lanes_have_their_troubles(void **state)
{
    (void)state;
    assert_int_equal(lt_scene_demo_count(), 3);
    lt_scene_truth t[3];
    for (size_t d = 0; d < 3; d++) {
        const lt_scene_lane l = lt_scene_demo_lane(d);
        assert_int_equal(l.lane, d + 1);
        assert_int_equal(l.condition_count, 2);
        assert_int_equal(lt_scene_truth_of(&l, 1, &t[d], NULL), LT_OK);
    }
    int bad = !in_range("lane 1: road noise, dB(A)", t[0].noise_ear_laeq_db, 69.0, 74.0);
    bad += !in_range("lane 2: return delay, ms", t[1].delay_ms, 45.0, 48.0);
    bad += !in_range("lane 3: stable", t[2].margin_db, 1.0, 30.0);
    bad += !in_range("lane 3: less than 6 dB", t[2].safe_margin_db, 1.0, 5.5);
    bad += !in_range("others: enough margin", fmin(t[0].safe_margin_db, t[1].safe_margin_db), 12.0, 60.0);
    assert_int_equal(bad, 0);
}

static lt_status make_truth(void *context, lt_error *err)
{
    lt_scene_truth t;
    return lt_scene_truth_of(context, 1, &t, err);
}

static void truth_survives_every_failed_allocation(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_lane_default();
    assert_survives_faults(make_truth, &l);
}

SUITE(simulate_truth)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(margins_agree_with_brute_force),  cmocka_unit_test(margins_follow_the_gain),
        cmocka_unit_test(bands_are_means_of_the_response), cmocka_unit_test(absent_noise_is_minus_infinity),
        cmocka_unit_test(demo_lanes_have_their_troubles),  cmocka_unit_test(truth_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("simulate_truth", tests, NULL, NULL);
}
