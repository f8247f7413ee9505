/* SPDX-License-Identifier: MIT
 * Impulse responses of the paths: levels, delays, polarity, and how paths are made of each other. */
#include "fault.h"
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

#include <string.h>

static double level_at(const lt_ir *ir, double hz)
{
    return lt_db_from_power(lt_complex_power(lt_ir_at(ir, hz)));
}

/* Free field: speaker_spl_db at 1 m at 1 kHz, 6 dB less for each doubling. */
static void outbound_level_falls_with_distance(void **state)
{
    (void)state;
    int bad = 0;
    for (double r = 0.25; r < 5.0; r *= 2.0) {
        lt_scene_lane l = scene_bare();
        l.ear_distance_m = r;
        lt_ir *ir = scene_ir(&l, 0, LT_SCENE_OUTBOUND);
        bad += !near_abs("SPL at 1 kHz", level_at(ir, 1000.0) + l.mic_cal_db, l.speaker_spl_db - 20.0 * log10(r), 0.02);
        lt_ir_free(ir);
    }
    assert_int_equal(bad, 0);
}

/* Delay of a band-limited arrival: slope of the phase between two frequencies. */
static double phase_delay_ms(const lt_ir *far, const lt_ir *near, double hz)
{
    const lt_complex a = lt_ir_at(far, hz);
    const lt_complex b = lt_ir_at(near, hz);
    const lt_complex ratio = lt_complex_multiply(a, (lt_complex){b.re, -b.im});
    return 1e3 * -atan2(ratio.im, ratio.re) / (2.0 * LT_PI * hz);
}

static void delays_follow_geometry(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.ear_distance_m = 0.5;
    lt_ir *near = scene_ir(&l, 0, LT_SCENE_OUTBOUND);
    int bad = 0;
    static const double further_m[] = {0.01, 0.0371, 0.1, 0.3};
    for (size_t i = 0; i < COUNT(further_m); i++) {
        l.ear_distance_m = 0.5 + further_m[i];
        lt_ir *far = scene_ir(&l, 0, LT_SCENE_OUTBOUND);
        static const double at_hz[] = {200.0, 400.0, 550.0};
        for (size_t k = 0; k < COUNT(at_hz); k++) /* less than half a turn */
            bad += !near_abs("later by, ms", phase_delay_ms(far, near, at_hz[k]), further_m[i] / 343.2 * 1e3, 0.002);
        lt_ir_free(far);
    }
    lt_ir_free(near);
    assert_int_equal(bad, 0);
}

/* Energy-weighted centre of the largest swing: where a measurement sees the direct arrival. */
static double peak_ms(const lt_ir *ir)
{
    size_t at = 0;
    for (size_t i = 0; i < ir->count; i++)
        if (fabs(ir->samples[i]) > fabs(ir->samples[at]))
            at = i;
    const double a = fabs(ir->samples[at - 1]);
    const double b = fabs(ir->samples[at]);
    const double c = fabs(ir->samples[at + 1]);
    return ((double)at - (double)ir->origin_frames + 0.5 * (a - c) / (a - 2.0 * b + c)) / ir->rate_hz * 1e3;
}

/* Acoustic centres: the transducers' own delay does not show. */
static void direct_arrival_peaks_at_its_geometric_delay(void **state)
{
    (void)state;
    int bad = 0;
    static const double high_hz[] = {6000.0, 8000.0, 12000.0};
    for (size_t i = 0; i < COUNT(high_hz); i++) {
        lt_scene_lane l = scene_bare();
        l.speaker_high_hz = high_hz[i];
        l.hub_delay_ms = 12.345;
        lt_ir *out = scene_ir(&l, 0, LT_SCENE_OUTBOUND);
        lt_ir *coupling = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
        lt_scene_truth truth;
        assert_int_equal(lt_scene_truth_of(&l, 0, &truth, NULL), LT_OK);
        bad += !near_abs("outbound peak, ms", peak_ms(out), l.ear_distance_m / 343.2 * 1e3, 0.02);
        bad += !near_abs("truth, ms", truth.delay_ms, l.speaker_to_microphone_m / 343.2 * 1e3 + 12.345, 1e-9);
        bad += !near_abs("coupling peak, ms", peak_ms(coupling), truth.delay_ms, 0.02);
        lt_ir_free(out);
        lt_ir_free(coupling);
    }
    assert_int_equal(bad, 0);
}

static void coupling_is_speaker_air_and_microphone(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.loopback_db = -3.0;
    lt_ir *ir = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
    int bad = !near_abs("at 1 kHz", level_at(ir, 1000.0),
                        l.speaker_spl_db - 20.0 * log10(l.speaker_to_microphone_m) - l.microphone_line_db - 3.0, 0.02);
    /* Second-order low cuts of speaker and microphone: 24 dB an octave far below both. */
    bad += !near_abs("slope, dB an octave", level_at(ir, 40.0) - level_at(ir, 20.0), 24.0, 0.6);
    lt_ir_free(ir);
    /* The housing adds its resonance, a little later than the air. */
    l.housing_leak_db = 6.0;
    lt_ir *leaky = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
    lt_scene_lane dry = l;
    dry.housing_leak_db = -INFINITY;
    ir = scene_ir(&dry, 0, LT_SCENE_LANE_COUPLING);
    const lt_complex both = lt_ir_at(leaky, 1150.0);
    const lt_complex air = lt_ir_at(ir, 1150.0);
    const double leak = hypot(both.re - air.re, both.im - air.im);
    bad += !near_abs("leak re air, dB", lt_db_from_amplitude(leak / hypot(air.re, air.im)), 6.0, 0.02);
    bad += !in_range("leak far above its resonance, dB", level_at(leaky, 9000.0) - level_at(ir, 9000.0), -0.5, 0.5);
    lt_ir_free(leaky);
    lt_ir_free(ir);
    assert_int_equal(bad, 0);
}

static void crosstalk_is_flat_and_immediate(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.loopback_db = 0.0;
    l.crosstalk_db = -40.0;
    l.hub_delay_ms = 45.0;
    lt_scene_lane none = l;
    none.crosstalk_db = -INFINITY;
    lt_ir *with = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
    lt_ir *without = scene_ir(&none, 0, LT_SCENE_LANE_COUPLING);
    int bad = 0;
    assert_int_equal(with->count, without->count);
    for (size_t i = 0; i < with->count; i++)
        bad += !near_abs("difference", with->samples[i] - without->samples[i],
                         (ptrdiff_t)i == with->origin_frames ? 0.01 : 0.0, 1e-7);
    lt_ir_free(with);
    lt_ir_free(without);
    assert_int_equal(bad, 0);
}

static void inverted_speaker_turns_the_sign(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_lane_default();
    l.crosstalk_db = -INFINITY;
    lt_scene_lane turned = l;
    turned.inverted = true;
    static const lt_scene_path paths[] = {LT_SCENE_OUTBOUND, LT_SCENE_LANE_COUPLING, LT_SCENE_LOOP, LT_SCENE_INBOUND,
                                          LT_SCENE_TALK_TEST};
    static const double sign[] = {-1.0, -1.0, -1.0, 1.0, 1.0};
    int bad = 0;
    for (size_t p = 0; p < COUNT(paths); p++) {
        lt_ir *a = scene_ir(&l, 1, paths[p]);
        lt_ir *b = scene_ir(&turned, 1, paths[p]);
        double product = 0.0;
        double energy = 0.0;
        for (size_t i = 0; i < a->count; i++) {
            product += a->samples[i] * b->samples[i];
            energy += a->samples[i] * a->samples[i];
        }
        bad += !near_abs(lt_scene_path_name(paths[p]), product / energy, sign[p], 1e-6);
        lt_ir_free(a);
        lt_ir_free(b);
    }
    lt_ir *direct = scene_ir(&l, 0, LT_SCENE_OUTBOUND);
    bad += direct->samples[(size_t)direct->origin_frames + (size_t)(l.ear_distance_m / 343.2 * 48000.0 + 1.0)] <= 0.0;
    lt_ir_free(direct);
    assert_int_equal(bad, 0);
}

/* The loop, opened at the outbound line, is the two couplings one after the other. */
static void loop_is_the_product_of_its_parts(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t i = 0; i < lt_scene_demo_count(); i++) {
        const lt_scene_lane l = lt_scene_demo_lane(i);
        for (size_t c = 0; c < l.condition_count; c++) {
            lt_ir *lane = scene_ir(&l, c, LT_SCENE_LANE_COUPLING);
            lt_ir *counter = scene_ir(&l, c, LT_SCENE_COUNTER_COUPLING);
            lt_ir *loop = scene_ir(&l, c, LT_SCENE_LOOP);
            for (double hz = 150.0; hz < 9000.0; hz *= 1.13) {
                const lt_complex both = lt_complex_multiply(lt_ir_at(lane, hz), lt_ir_at(counter, hz));
                const lt_complex whole = lt_ir_at(loop, hz);
                const double scale = lt_amplitude_from_db(-l.loopback_db); /* taken once too often in the product */
                bad += !near_abs("loop, dB",
                                 lt_db_from_power((lt_complex_power((lt_complex){both.re * scale - whole.re,
                                                                                 both.im * scale - whole.im}) +
                                                   1e-30) /
                                                  lt_complex_power(whole)) < -50.0,
                                 1.0, 0.0);
            }
            lt_ir_free(lane);
            lt_ir_free(counter);
            lt_ir_free(loop);
        }
    }
    assert_int_equal(bad, 0);
}

static void counter_coupling_has_its_level_about_1_khz(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.counter_coupling_db = -17.0;
    l.loopback_db = 0.0;
    lt_ir *ir = scene_ir(&l, 0, LT_SCENE_COUNTER_COUPLING);
    const lt_band octave = lt_octave(0);
    double level_db = NAN;
    assert_int_equal(lt_ir_band_levels(ir, &octave, 1, &level_db, NULL), LT_OK);
    lt_ir_free(ir);
    assert_true(near_abs("octave level", level_db, -17.0, 0.05));
}

/* At the operator's ear: direct sound of counter_spl_db and reflections of -7, -16 and -18 dB, whose energies add over
 * whole cycles of the first one's comb (0.7 ms); the loudspeaker's own response is taken off. */
static void receive_is_direct_sound_and_reflections(void **state)
{
    (void)state;
    const lt_scene_lane l = scene_bare();
    lt_ir *ir = scene_ir(&l, 0, LT_SCENE_INBOUND);
    const ltp_chain speaker = ltp_counter_speaker(&l);
    enum { STEPS = 2000 };
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double hz = 500.0 + (i + 0.5) / STEPS * 2.0 / 0.7e-3;
        sum += lt_complex_power(lt_ir_at(ir, hz)) / lt_complex_power(ltp_chain_at(&speaker, hz, l.rate_hz));
    }
    lt_ir_free(ir);
    const double energies = 1.0 + pow(10.0, -0.7) + pow(10.0, -1.6) + pow(10.0, -1.8);
    assert_true(near_abs("mean SPL per dBFS", lt_db_from_power(sum / STEPS) + l.mic_cal_db,
                         l.counter_spl_db + 10.0 * log10(energies), 0.15));
}

/* A mouth at distance r in free field before a hard panel: -20 lg r, and 6 dB more at the panel. */
static void mouth_reaches_the_microphone(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.loopback_db = 0.0;
    lt_ir *ir = scene_ir(&l, 0, LT_SCENE_TALK_TEST);
    const double sideways = l.speaker_to_microphone_m; /* same heights: the microphone sits beside the speaker */
    const double r = sqrt(l.ear_distance_m * l.ear_distance_m + sideways * sideways + 0.09 * 0.09);
    const double want = -20.0 * log10(r) + 20.0 * log10(2.0) - l.microphone_line_db;
    const double got = level_at(ir, 1000.0);
    lt_ir_free(ir);
    assert_true(near_abs("at 1 kHz", got, want, 0.02));
}

static void a_car_changes_the_paths(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t i = 0; i < lt_scene_demo_count(); i++) {
        const lt_scene_lane l = lt_scene_demo_lane(i);
        lt_ir *empty = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
        lt_ir *car = scene_ir(&l, 1, LT_SCENE_LANE_COUPLING);
        double largest = 0.0;
        for (double hz = 300.0; hz < 4000.0; hz *= 1.05)
            largest = fmax(largest, fabs(level_at(car, hz) - level_at(empty, hz)));
        bad += !in_range("largest change, dB", largest, 0.5, 30.0);
        lt_ir_free(empty);
        lt_ir_free(car);
    }
    assert_int_equal(bad, 0);
}

static void noise_paths_have_no_response(void **state)
{
    (void)state;
    const lt_scene_lane l = lt_scene_lane_default();
    static const lt_scene_path paths[] = {LT_SCENE_NOISE_EAR, LT_SCENE_NOISE_MIC, LT_SCENE_NOISE_COUNTER,
                                          LT_SCENE_PATH_COUNT};
    for (size_t i = 0; i < COUNT(paths); i++) {
        lt_error err = {0};
        lt_ir *ir = NULL;
        assert_int_equal(lt_scene_ir(&l, 0, paths[i], &ir, &err), LT_E_ARG);
        assert_null(ir);
        assert_true(err.what[0] != '\0');
    }
}

/* Each spoilt field is named. */
static void bad_lanes_are_refused(void **state)
{
    (void)state;
#define ROW(field, value)                                                                                              \
    {                                                                                                                  \
#field, offsetof(lt_scene_lane, field), value                                                                  \
    }
    static const struct {
        const char *field;
        size_t offset;
        double value;
    } rows[] = {ROW(rate_hz, 4000.0),
                ROW(temperature_c, NAN),
                ROW(speaker_height_m, 0.0),
                ROW(microphone_height_m, -1.0),
                ROW(speaker_to_microphone_m, 0.05),
                ROW(ear_distance_m, 0.0),
                ROW(ear_height_m, 40.0),
                ROW(ground_reflection, 1.1),
                ROW(canopy_height_m, 1.0),
                ROW(canopy_reflection, -0.1),
                ROW(wall_distance_m, 0.5),
                ROW(speaker_low_hz, 5.0),
                ROW(speaker_resonance_q, 0.0),
                ROW(speaker_high_hz, 30000.0),
                ROW(speaker_spl_db, NAN),
                ROW(microphone_line_db, 500.0),
                ROW(microphone_low_hz, 0.0),
                ROW(microphone_high_hz, 1.0),
                ROW(clip_line_dbfs, 90.0),
                ROW(housing_leak_db, NAN),
                ROW(crosstalk_db, 60.0),
                ROW(hub_delay_ms, -1.0),
                ROW(road_dba, -1.0),
                ROW(passes_per_minute, 1e6),
                ROW(pass_dba, NAN),
                ROW(wind_dba, 200.0),
                ROW(microphone_noise_db, 100.0),
                ROW(hum_hz, -50.0),
                ROW(hum_line_dbfs, 3.0),
                ROW(talker_db, 0.0),
                ROW(counter_spl_db, 0.0),
                ROW(counter_coupling_db, NAN),
                ROW(counter_noise_dba, -3.0),
                ROW(mic_cal_db, 0.0),
                ROW(loopback_db, 100.0),
                ROW(recorder_noise_dbfs, 1.0),
                ROW(drift_ppm, 1e5),
                ROW(start_s, -0.1)};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_scene_lane l = lt_scene_lane_default();
        memcpy((char *)&l + rows[i].offset, &rows[i].value, sizeof(double));
        lt_error err = {0};
        lt_ir *ir = NULL;
        const lt_status st = lt_scene_ir(&l, 0, LT_SCENE_OUTBOUND, &ir, &err);
        if (st != LT_E_ARG || ir != NULL || strstr(err.what, rows[i].field) == NULL) {
            (void)fprintf(stderr, "%s: status %d, \"%s\"\n", rows[i].field, (int)st, err.what);
            bad++;
        }
    }
    assert_int_equal(bad, 0);
    lt_scene_lane l = lt_scene_lane_default();
    lt_ir *ir = NULL;
    assert_int_equal(lt_scene_ir(&l, 2, LT_SCENE_OUTBOUND, &ir, NULL), LT_E_ARG);
    l.condition_count = 0;
    assert_int_equal(lt_scene_ir(&l, 0, LT_SCENE_OUTBOUND, &ir, NULL), LT_E_ARG);
}

static lt_status make_ir(void *context, lt_error *err)
{
    lt_ir *ir = NULL;
    const lt_status st = lt_scene_ir(context, 1, LT_SCENE_LOOP, &ir, err);
    assert_true((st == LT_OK) == (ir != NULL));
    lt_ir_free(ir);
    return st;
}

static void ir_survives_every_failed_allocation(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_lane_default();
    assert_survives_faults(make_ir, &l);
}

SUITE(simulate_paths)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(outbound_level_falls_with_distance),
        cmocka_unit_test(delays_follow_geometry),
        cmocka_unit_test(direct_arrival_peaks_at_its_geometric_delay),
        cmocka_unit_test(coupling_is_speaker_air_and_microphone),
        cmocka_unit_test(crosstalk_is_flat_and_immediate),
        cmocka_unit_test(inverted_speaker_turns_the_sign),
        cmocka_unit_test(loop_is_the_product_of_its_parts),
        cmocka_unit_test(counter_coupling_has_its_level_about_1_khz),
        cmocka_unit_test(receive_is_direct_sound_and_reflections),
        cmocka_unit_test(mouth_reaches_the_microphone),
        cmocka_unit_test(a_car_changes_the_paths),
        cmocka_unit_test(noise_paths_have_no_response),
        cmocka_unit_test(bad_lanes_are_refused),
        cmocka_unit_test(ir_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("simulate_paths", tests, NULL, NULL);
}
