/* SPDX-License-Identifier: MIT
 * Image sources against geometry done by hand. */
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

static ltp_arrivals *arrivals_of(const lt_scene_lane *l, ltp_point on_panel, ltp_point other)
{
    ltp_arrivals *a = test_calloc(1, sizeof *a);
    ltp_arrivals_between(l, &l->conditions[0], on_panel, other, a);
    return a;
}

static double metres(const lt_scene_lane *l, double delay_s)
{
    /* ISO 9613-1: c = 343.2 sqrt(T / 293.15 K) */
    return delay_s * 343.2 * sqrt((l->temperature_c + 273.15) / 293.15);
}

/* Is there an arrival over this way with this gain? */
static bool has_arrival(const lt_scene_lane *l, const ltp_arrivals *a, const char *what, double way_m, double gain)
{
    for (size_t i = 0; i < a->count; i++)
        if (fabs(metres(l, a->items[i].delay_s) - way_m) < 1e-6 && fabs(a->items[i].gain - gain) < 1e-6)
            return true;
    (void)fprintf(stderr, "%s: no arrival over %.6f m with gain %.6f\n", what, way_m, gain);
    return false;
}

static void direct_sound_follows_distance_and_temperature(void **state)
{
    (void)state;
    int bad = 0;
    static const double temperatures_c[] = {-20.0, 0.0, 20.0, 40.0};
    static const double distances_m[] = {0.3, 0.6, 1.2, 2.4};
    for (size_t t = 0; t < COUNT(temperatures_c); t++)
        for (size_t d = 0; d < COUNT(distances_m); d++) {
            lt_scene_lane l = scene_bare();
            l.temperature_c = temperatures_c[t];
            l.ear_distance_m = distances_m[d];
            ltp_arrivals *a = arrivals_of(&l, ltp_speaker_point(&l), ltp_ear_point(&l));
            bad += !near_abs("direct gain", a->items[0].gain, 1.0 / distances_m[d], 1e-9);
            bad += !near_abs("direct way", metres(&l, a->items[0].delay_s), distances_m[d], 1e-9);
            bad += a->items[0].bounces != 0;
            test_free(a);
        }
    assert_int_equal(bad, 0);
}

static void ground_and_canopy_are_mirrors(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.speaker_height_m = 1.3;
    l.ear_height_m = 1.0;
    l.ear_distance_m = 0.8;
    l.ground_reflection = 0.9;
    l.canopy_height_m = 3.0;
    l.canopy_reflection = 0.5;
    ltp_arrivals *a = arrivals_of(&l, ltp_speaker_point(&l), ltp_ear_point(&l));
    const struct {
        const char *what;
        double dz, gain;
    } ways[] = {{"direct", 1.3 - 1.0, 1.0},
                {"ground", 1.3 + 1.0, 0.9},
                {"canopy", 2 * 3.0 - 1.3 - 1.0, 0.5},
                {"ground, then canopy", 2 * 3.0 + 1.3 - 1.0, 0.45},
                {"canopy, then ground", 2 * 3.0 - 1.3 + 1.0, 0.45}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(ways); i++) {
        const double r = hypot(0.8, ways[i].dz);
        bad += !has_arrival(&l, a, ways[i].what, r, ways[i].gain / r);
    }
    test_free(a);
    assert_int_equal(bad, 0);
}

static lt_scene_lane lane_with_car(double distance_m, double height_m, double reflection)
{
    lt_scene_lane l = scene_bare();
    l.conditions[0] =
        (lt_scene_condition){.car_distance_m = distance_m, .car_height_m = height_m, .car_reflection = reflection};
    return l;
}

/* Panel and car side send the sound to and fro: the k-th return has gone 2 k D outwards. */
static void bounces_between_panel_and_car(void **state)
{
    (void)state;
    lt_scene_lane l = lane_with_car(0.6, 5.0, 0.5);
    l.speaker_to_microphone_m = 0.25;
    ltp_arrivals *a = arrivals_of(&l, ltp_speaker_point(&l), ltp_microphone_point(&l));
    int bad = 0;
    for (int k = 0; k <= 6; k++) {
        const double r = hypot(2.0 * k * 0.6, 0.25);
        bad += !has_arrival(&l, a, "panel to panel", r, pow(0.5, k) / r);
    }
    test_free(a);
    /* In front of the car: the way there, and back from it, after each turn. */
    l.ear_distance_m = 0.4;
    a = arrivals_of(&l, ltp_speaker_point(&l), ltp_ear_point(&l));
    for (int k = 1; k <= 3; k++) {
        const double back = 2.0 * k * 0.6 - 0.4;
        const double out = 2.0 * k * 0.6 + 0.4;
        bad += !has_arrival(&l, a, "back from the car", back, pow(0.5, k) / back);
        bad += !has_arrival(&l, a, "out again", out, pow(0.5, k) / out);
    }
    test_free(a);
    /* Inside the window: only what travels outwards. */
    l.ear_distance_m = 0.9;
    a = arrivals_of(&l, ltp_speaker_point(&l), ltp_ear_point(&l));
    for (size_t i = 1; i < a->count; i++) {
        const double turns = (metres(&l, a->items[i].delay_s) - 0.9) / 1.2;
        bad += !near_abs("turns", turns, round(turns), 1e-6);
    }
    bad += !has_arrival(&l, a, "through the window", 0.9, 1.0 / 0.9);
    bad += !has_arrival(&l, a, "through the window, one turn", 2.1, 0.5 / 2.1);
    test_free(a);
    assert_int_equal(bad, 0);
}

/* A car's roof below the transducers reflects little, far above them all. */
static void car_reflects_as_high_as_it_is(void **state)
{
    (void)state;
    static const struct {
        double height_m, share;
    } rows[] = {{0.6, 0.0}, {1.2, 0.5}, {1.9, 1.0}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_scene_lane l = lane_with_car(0.5, rows[i].height_m, 0.8);
        l.ground_reflection = 0.0;
        ltp_arrivals *a = arrivals_of(&l, ltp_speaker_point(&l), ltp_microphone_point(&l));
        const double r = hypot(1.0, l.speaker_to_microphone_m);
        double gain = 0.0;
        for (size_t k = 1; k < a->count; k++)
            if (fabs(metres(&l, a->items[k].delay_s) - r) < 1e-6)
                gain = a->items[k].gain;
        bad += !near_abs("share", gain * r / 0.8, rows[i].share, 0.01);
        test_free(a);
    }
    assert_int_equal(bad, 0);
}

/* Energies of arrivals that do not overlap add: the whole path's energy is the sum of the mirrored ones'. */
static void energies_of_images_add(void **state)
{
    (void)state;
    lt_scene_lane l = lane_with_car(2.0, 5.0, 0.6);
    l.ground_reflection = 0.8;
    ltp_arrivals *a = arrivals_of(&l, ltp_speaker_point(&l), ltp_microphone_point(&l));
    double sum = 0.0;
    size_t apart = 0;
    for (size_t i = 0; i < a->count; i++) {
        bool alone = true;
        for (size_t k = 0; k < a->count; k++)
            alone = alone && (k == i || fabs(a->items[k].delay_s - a->items[i].delay_s) > 1.5e-3);
        if (!alone)
            continue;
        a->items[apart] = a->items[i];
        a->items[apart].bounces = 0; /* pure mirrors */
        sum += a->items[apart].gain * a->items[apart].gain;
        apart++;
    }
    assert_true(apart >= 3);
    ltp_grid *one = NULL;
    ltp_grid *all = NULL;
    assert_int_equal(ltp_grid_create(48000.0, 0.2, &one, NULL), LT_OK);
    assert_int_equal(ltp_grid_create(48000.0, 0.2, &all, NULL), LT_OK);
    const ltp_arrival unit = {.delay_s = 0.0102, .gain = 1.0};
    ltp_grid_add_arrivals(one, &unit, 1, 1.0);
    ltp_grid_add_arrivals(all, a->items, apart, 1.0);
    double energy_one = 0.0;
    double energy_all = 0.0;
    for (size_t k = 0; k < one->bins; k++) {
        const double hz = ltp_grid_hz(one, k);
        if (hz > 20000.0)
            break;
        energy_one += lt_complex_power(one->h[k]);
        energy_all += lt_complex_power(all->h[k]);
    }
    ltp_grid_free(one);
    ltp_grid_free(all);
    test_free(a);
    assert_true(near_abs("energy, dB", lt_db_from_power(energy_all / energy_one / sum), 0.0, 0.05));
}

/* An arrival between samples has the phase of its delay and a flat level. */
static void delays_are_exact_between_samples(void **state)
{
    (void)state;
    int bad = 0;
    for (int i = 0; i < 8; i++) {
        ltp_grid *g = NULL;
        assert_int_equal(ltp_grid_create(48000.0, 0.05, &g, NULL), LT_OK);
        const ltp_arrival a = {.delay_s = (400.0 + i / 8.0) / 48000.0, .gain = 0.5};
        ltp_grid_add_arrivals(g, &a, 1, 1.0);
        for (size_t k = 1; k < g->bins; k++) {
            const double hz = ltp_grid_hz(g, k);
            if (hz > 18000.0)
                break;
            const double turn = 2.0 * LT_PI * hz * a.delay_s;
            const lt_complex back = lt_complex_multiply(g->h[k], (lt_complex){cos(turn), sin(turn)});
            bad += !near_abs("level", hypot(back.re, back.im), 0.5, 0.5e-3);
            bad += !near_abs("late by, us", 1e6 * atan2(-back.im, back.re) / (2.0 * LT_PI * hz), 0.0, 0.05);
        }
        ltp_grid_free(g);
    }
    assert_int_equal(bad, 0);
}

/* A reflection costs treble only, and more each time. */
static void reflections_lose_treble(void **state)
{
    (void)state;
    int bad = 0;
    for (unsigned n = 0; n <= LTP_BOUNCES_MAX; n++) {
        bad += !near_abs("at 50 Hz", lt_db_from_amplitude(ltp_bounce_gain(50.0, n)), 0.0, 0.01);
        bad += !near_abs("at 8 kHz", lt_db_from_amplitude(ltp_bounce_gain(8000.0, n)), -1.0 * n, 0.05 * n + 1e-12);
        bad += !near_abs("at 16 kHz", lt_db_from_amplitude(ltp_bounce_gain(16000.0, n)), -3.5 * n, 0.1 * n + 1e-12);
    }
    assert_int_equal(bad, 0);
}

SUITE(simulate_geometry)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(direct_sound_follows_distance_and_temperature),
        cmocka_unit_test(ground_and_canopy_are_mirrors),
        cmocka_unit_test(bounces_between_panel_and_car),
        cmocka_unit_test(car_reflects_as_high_as_it_is),
        cmocka_unit_test(energies_of_images_add),
        cmocka_unit_test(delays_are_exact_between_samples),
        cmocka_unit_test(reflections_lose_treble),
    };
    return cmocka_run_group_tests_name("simulate_geometry", tests, NULL, NULL);
}
