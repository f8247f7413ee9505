/* SPDX-License-Identifier: MIT
 * Known lanes are recovered from our own sweep: levels, delay, drift, polarity, through another clock and rate, noise,
 * 16 bits. The truth is the lane's own impulse response. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

SUITE(response_levels);

static const lane_path one[] = {{7.3, -6.0, false}};
static const lane_path three[] = {{12.345, -6.0, false}, {14.8, -14.0, false}, {20.3, -20.0, true}};
static const lane_path late_strong[] = {{5.0, -16.0, true}, {9.2, -8.0, false}};

#define PATHS(list) .paths = (list), .path_count = COUNT(list)

static lt_signal *make_sweep(double seconds, double rate_hz)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = seconds;
    o.rate_hz = rate_hz;
    o.to_hz = fmin(o.to_hz, 0.4 * rate_hz);
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

static void lanes_are_recovered(void **state)
{
    (void)state;
    const struct {
        const char *label;
        double seconds, rate_hz;
        size_t bands; /* that have to be clear of noise */
        lane l;
    } rows[] = {
        {"flat, quiet", 10.0, 48000.0, 26, {PATHS(one), .early_s = 1.234, .extra_s = 0.5}},
        {"three paths, 3 s early",
         10.0,
         48000.0,
         24,
         {PATHS(three), .speaker = true, .early_s = 3.0, .sixteen_bits = true}},
        {"44.1 kHz recorder, +100 ppm, pink noise",
         10.0,
         48000.0,
         14,
         {PATHS(three), .speaker = true, .early_s = 2.2, .extra_s = 0.3, .drift_ppm = 100.0, .rate_hz = 44100.0,
          .noise = true, .noise_db = -15.0, .sixteen_bits = true, .gain_db = -12.0, .seed = 1}},
        {"-100 ppm, traffic",
         10.0,
         48000.0,
         14,
         {PATHS(three), .speaker = true, .resonant = true, .early_s = 0.4, .drift_ppm = -100.0, .noise = true,
          .noise_db = -6.0, .traffic = true, .sixteen_bits = true, .gain_db = -12.0, .seed = 2}},
        {"noise nearly as loud as the sweep",
         10.0,
         48000.0,
         6,
         {PATHS(one), .speaker = true, .early_s = 1.0, .drift_ppm = 33.0, .noise = true, .noise_db = -8.0,
          .sixteen_bits = true, .gain_db = -15.0, .seed = 3}},
        {"direct weaker than a reflection, reversed",
         5.0,
         48000.0,
         22,
         {PATHS(late_strong), .speaker = true, .early_s = 0.7, .drift_ppm = 20.0, .noise = true, .noise_db = -45.0,
          .seed = 4}},
        {"recorder started after the lead silence",
         4.0,
         48000.0,
         20,
         {PATHS(three), .speaker = true, .early_s = -0.45, .drift_ppm = -50.0, .noise = true, .noise_db = -50.0,
          .seed = 5}},
        {"96 kHz recorder",
         3.0,
         48000.0,
         20,
         {PATHS(three), .speaker = true, .early_s = 0.1, .drift_ppm = 70.0, .rate_hz = 96000.0, .noise = true,
          .noise_db = -45.0, .seed = 6}},
        {"16 kHz recorder",
         3.0,
         48000.0,
         16,
         {PATHS(three), .speaker = true, .early_s = 0.1, .drift_ppm = 70.0, .rate_hz = 16000.0, .noise = true,
          .noise_db = -45.0, .seed = 7}},
        {"32 kHz stimulus, 48 kHz recorder",
         3.0,
         32000.0,
         16,
         {PATHS(three), .speaker = true, .early_s = 0.1, .drift_ppm = 70.0, .rate_hz = 48000.0, .noise = true,
          .noise_db = -45.0, .seed = 8}},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = make_sweep(rows[i].seconds, rows[i].rate_hz);
        lt_response *r = lane_measure(rows[i].label, &rows[i].l, s);
        bad += lane_misses(rows[i].label, &rows[i].l, s, r, rows[i].bands, true);
        bad += !near_abs(rows[i].label, r->repeats, 1.0, 0.0);
        lt_response_free(r);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* A pure delay is that delay whatever the band limits: to 0.005 ms. */
static void pure_delay_is_exact(void **state)
{
    (void)state;
    const struct {
        double from_hz, to_hz, delay_ms;
    } rows[] = {{50.0, 18000.0, 3.0}, {50.0, 18000.0, 3.0104}, {300.0, 3400.0, 17.77}, {100.0, 8000.0, 0.123}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_sweep_options o = lt_sweep_default_options();
        o.seconds = 2.0;
        o.from_hz = rows[i].from_hz;
        o.to_hz = rows[i].to_hz;
        lt_signal *s = NULL;
        assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
        const lane_path path = {rows[i].delay_ms, -3.0, false};
        const lane l = {.paths = &path, .path_count = 1, .extra_s = 0.2};
        lt_response *r = lane_measure("pure delay", &l, s);
        bad += !near_abs("delay", r->delay_ms, rows[i].delay_ms, 0.005);
        bad += !near_abs("polarity", r->polarity, 1.0, 0.0);
        bad += !near_abs("drift", r->drift_ppm, 0.0, 0.2);
        bad += !near_abs("arrivals", (double)r->arrival_count, 0.0, 0.0);
        lt_response_free(r);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* The impulse response itself: its time axis and scale give back the lane's complex gain. */
static void impulse_response_has_phase_and_scale(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(5.0, 48000.0);
    const lane l = {PATHS(three), .speaker = true, .early_s = 0.25, .extra_s = 0.2, .gain_db = -3.0};
    lt_response *r = lane_measure("phase", &l, s);
    int bad = 0;
    for (double hz = 200.0; hz < 12000.0; hz *= 1.37) {
        const lt_complex got = lt_ir_at(r->ir, hz);
        lt_complex want = lane_gain(&l, hz, 48000.0);
        const double angle = -2.0 * LT_PI * fmod(hz * 0.25, 1.0);
        want = lt_complex_multiply(want, (lt_complex){cos(angle), sin(angle)});
        const lt_complex ratio = lt_complex_multiply(got, (lt_complex){want.re, -want.im});
        bad += !near_abs("gain", lt_db_from_power(lt_complex_power(got) / lt_complex_power(want)), 0.0, 0.05);
        bad += !near_abs("phase", atan2(ratio.im, ratio.re), 0.0, 0.02);
    }
    lt_response_free(r);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Points of 1/24 octave: levels of the lane where nothing is uncertain. */
static void points_follow_the_lane(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(5.0, 48000.0);
    const lane l = {PATHS(one), .speaker = true, .resonant = true, .extra_s = 0.2};
    lt_response *r = lane_measure("points", &l, s);
    int bad = !in_range("points", (double)r->point_count, 190.0, LT_RESPONSE_POINTS_MAX);
    for (size_t i = 0; i < r->point_count; i++)
        if (r->points[i].hz > 150.0 && r->points[i].hz < 12000.0) {
            double mean = 0.0;
            for (int k = -4; k <= 4; k++) /* over the 1/24 octave */
                mean += lt_complex_power(lane_gain(&l, r->points[i].hz * (1.0 + 0.0289 * k / 9.0), 48000.0)) / 9.0;
            bad += !near_abs("point", r->points[i].level_db, lt_db_from_power(mean), 0.05);
            bad += !in_range("snr", r->points[i].snr_db, 30.0, 200.0);
        }
    lt_response_free(r);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* The claim behind the SNR: wherever it exceeds 20 dB the level is right within 0.2 dB, whatever noise came along. */
static void snr_keeps_its_promise(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(2.0, 48000.0);
    int bad = 0;
    for (uint64_t seed = 0; seed < 24; seed++) {
        lt_rng rng = {.state = seed * 977 + 5};
        lane_path paths[2] = {{3.0 + 10.0 * lt_rng_uniform(&rng), -6.0, lt_rng_uniform(&rng) < 0.5},
                              {0.0, -14.0, false}};
        paths[1].delay_ms = paths[0].delay_ms + 1.5 + 3.0 * lt_rng_uniform(&rng);
        const lane l = {PATHS(paths),
                        .speaker = true,
                        .early_s = 2.0 * lt_rng_uniform(&rng),
                        .drift_ppm = 200.0 * lt_rng_uniform(&rng) - 100.0,
                        .noise = true,
                        .noise_db = -40.0 + 35.0 * lt_rng_uniform(&rng),
                        .traffic = seed % 2 == 0,
                        .sixteen_bits = true,
                        .gain_db = -12.0,
                        .seed = seed};
        char label[32];
        (void)snprintf(label, sizeof label, "seed %d", (int)seed);
        lt_response *r = lane_measure(label, &l, s);
        bad += lane_misses(label, &l, s, r, 1, true);
        lt_response_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* A door or a drop on the microphone in the middle of the only sweep: the bands that it hits must say so. */
static void short_disturbance_is_seen_in_the_snr(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(10.0, 48000.0);
    int bad = 0;
    for (uint64_t seed = 0; seed < 10; seed++) {
        lt_rng rng = {.state = seed * 31 + 7};
        const lane l = {PATHS(three),
                        .speaker = true,
                        .early_s = 0.3,
                        .extra_s = 0.3,
                        .noise = true,
                        .noise_db = -45.0,
                        .burst_s = 2.5 + 6.0 * lt_rng_uniform(&rng),
                        .burst_length_s = 0.05 + 0.3 * lt_rng_uniform(&rng),
                        .seed = seed};
        char label[32];
        (void)snprintf(label, sizeof label, "burst at %.2f s", l.burst_s);
        lt_response *r = lane_measure(label, &l, s);
        bad += lane_misses(label, &l, s, r, 10, true);
        size_t hit = 0;
        for (size_t b = 0; b < r->band_count; b++)
            hit += r->bands[b].snr_db < 20.0;
        bad += !in_range("bands hit", (double)hit, 3.0, 16.0);
        lt_response_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_levels_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lanes_are_recovered),
        cmocka_unit_test(pure_delay_is_exact),
        cmocka_unit_test(impulse_response_has_phase_and_scale),
        cmocka_unit_test(points_follow_the_lane),
        cmocka_unit_test(snr_keeps_its_promise),
        cmocka_unit_test(short_disturbance_is_seen_in_the_snr),
    };
    return cmocka_run_group_tests_name("response_levels", tests, NULL, NULL);
}
