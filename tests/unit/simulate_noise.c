/* SPDX-License-Identifier: MIT
 * Noise of the virtual lane: levels, spectra, laws of time, consistency between places. Levels are computed here from
 * the whole recording's spectrum. A-weighting: IEC 61672-1:2013. */
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

static double mean_square(const lt_signal *s, double from_hz, double to_hz)
{
    return scene_mean_square(s, from_hz, to_hz, false);
}

static double level_db(const lt_signal *s, double from_hz, double to_hz)
{
    return lt_dbfs_from_mean_square(mean_square(s, from_hz, to_hz));
}

static void each_source_has_its_level(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        size_t field; /* of lt_scene_lane */
        lt_scene_path path;
        double dba;
    } rows[] = {{"road", offsetof(lt_scene_lane, road_dba), LT_SCENE_NOISE_EAR, 66.0},
                {"road, quiet", offsetof(lt_scene_lane, road_dba), LT_SCENE_NOISE_EAR, 35.0},
                {"wind", offsetof(lt_scene_lane, wind_dba), LT_SCENE_NOISE_EAR, 45.0},
                {"office", offsetof(lt_scene_lane, counter_noise_dba), LT_SCENE_NOISE_COUNTER, 52.0}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++)
        for (uint64_t seed = 1; seed <= 3; seed++) {
            lt_scene_lane l = scene_bare();
            l.seed = seed;
            *(double *)(void *)((char *)&l + rows[i].field) = rows[i].dba;
            lt_signal *s = scene_record(&l, 0, rows[i].path, NULL, 25.0);
            bad += !near_abs(rows[i].what, scene_dba(s) + l.mic_cal_db, rows[i].dba, 0.3);
            lt_signal_free(s);
        }
    assert_int_equal(bad, 0);
}

static void an_engine_has_its_level_and_orders(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.conditions[0].idle_engine_dba = 55.0;
    lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 25.0);
    int bad = !near_abs("engine", scene_dba(s) + l.mic_cal_db, 55.0, 0.3);
    /* 750 revolutions of a four-stroke four-cylinder engine: 25 firings a second. */
    for (int k = 1; k <= 4; k++)
        bad += !in_range("order stands out of its neighbourhood, dB",
                         level_db(s, 25.0 * k - 2.0, 25.0 * k + 2.0) - level_db(s, 25.0 * k + 8.0, 25.0 * k + 12.0),
                         4.0, 60.0);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void hum_has_its_level_and_lines(void **state)
{
    (void)state;
    int bad = 0;
    static const double mains_hz[] = {50.0, 60.0};
    for (size_t i = 0; i < COUNT(mains_hz); i++) {
        lt_scene_lane l = scene_bare();
        l.hum_hz = mains_hz[i];
        l.hum_line_dbfs = -48.0;
        l.loopback_db = -2.0;
        lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_MIC, NULL, 10.0);
        double sum = 0.0;
        for (int k = 1; k <= LTP_HUM_LINES; k++) {
            const lt_complex z = lt_dtft(s->samples, s->count, s->rate_hz, mains_hz[i] * k);
            sum += 2.0 * lt_complex_power(z) / ((double)s->count * (double)s->count);
        }
        bad += !near_abs("sum of the lines", lt_dbfs_from_mean_square(sum), -50.0, 0.02);
        bad += !near_abs("nothing else", lt_dbfs_from_rms(lt_signal_rms(s)), -50.0, 0.02);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void recorder_noise_is_white(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.recorder_noise_dbfs = -70.0;
    lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 10.0);
    int bad = !near_abs("level", lt_dbfs_from_rms(lt_signal_rms(s)), -70.0, 0.05);
    bad += !near_abs("half the band", level_db(s, 0.0, 12000.0), -73.01, 0.1);
    bad += !near_abs("mean", lt_mean(s->samples, s->count), 0.0, 2e-5);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* EN 1793-3, normalised traffic noise: A-weighted levels at some bands re the total. */
static void road_noise_has_the_traffic_spectrum(void **state)
{
    (void)state;
    static const struct {
        int band;
        double dba;
    } rows[] = {{-9, -20.0}, {-6, -15.0}, {-3, -12.0}, {0, -8.0}, {3, -11.0}, {6, -16.0}};
    lt_scene_lane l = scene_bare();
    l.road_dba = 70.0;
    lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 40.0);
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        const lt_band b = lt_third_octave(rows[i].band);
        const double got = lt_dbfs_from_mean_square(scene_mean_square(s, b.lower_hz, b.upper_hz, true)) + l.mic_cal_db;
        bad += !near_abs("band re total", got - 70.0, rows[i].dba, 0.6);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void wind_stays_low(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.wind_dba = 40.0;
    lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 20.0);
    const double below = level_db(s, 20.0, 200.0);
    const double above = level_db(s, 400.0, 20000.0);
    lt_signal_free(s);
    assert_true(in_range("below 200 Hz re above 400 Hz, dB", below - above, 25.0, 80.0));
}

/* A point source passing at constant speed: p^2 ~ 1 / (1 + (t / tau)^2). */
static void a_pass_rises_and_falls(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.passes_per_minute = 0.5; /* two minutes apart: one at a time */
    l.pass_dba = 70.0;
    enum { HOPS = 60000 };
    const double hop_s = 0.02;
    double *car = test_calloc(HOPS, sizeof *car);
    double *truck = test_calloc(HOPS, sizeof *truck);
    lt_rng r = {5};
    ltp_law_passes(&r, &l, hop_s, car, truck, HOPS);
    const ltp_passes p = ltp_passes_of(&l, LTP_NOISE_CAR);
    size_t top = 0;
    for (size_t i = 500; i + 500 < HOPS; i++)
        if (car[i] > car[top])
            top = i;
    int bad = !in_range("peak inside", (double)top, 500.0, HOPS - 500.0);
    /* The peak is within +-2.5 dB of pass_dba (peaks scatter by that), in power re the long-term mean. */
    bad += !in_range("peak re pass_dba, dB", lt_db_from_power(car[top] * ltp_passes_mean(&p)), -2.6, 2.6);
    for (int k = 1; k <= 4; k++) {
        const size_t away = (size_t)(p.duration_s * k / hop_s + 0.5);
        bad += !near_rel("fall", car[top + away] / car[top], 1.0 / (1.0 + k * k), 0.04);
        bad += !near_rel("rise", car[top - away] / car[top], 1.0 / (1.0 + k * k), 0.04);
    }
    test_free(car);
    test_free(truck);
    assert_int_equal(bad, 0);
}

static void passes_have_their_long_term_mean(void **state)
{
    (void)state;
    enum { HOPS = 80000 };
    const double hop_s = 0.25;
    lt_scene_lane l = scene_bare();
    l.passes_per_minute = 10.0;
    double *car = test_calloc(HOPS, sizeof *car);
    double *truck = test_calloc(HOPS, sizeof *truck);
    lt_rng r = {11};
    ltp_law_passes(&r, &l, hop_s, car, truck, HOPS);
    int bad = !near_abs("cars", lt_mean(car, HOPS), 1.0, 0.03);
    bad += !near_abs("trucks", lt_mean(truck, HOPS), 1.0, 0.12);
    test_free(car);
    test_free(truck);
    assert_int_equal(bad, 0);
}

static void passing_vehicles_reach_their_level(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.passes_per_minute = 12.0;
    l.pass_dba = 75.0;
    lt_signal *s = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 240.0);
    const ltp_passes car = ltp_passes_of(&l, LTP_NOISE_CAR);
    const ltp_passes truck = ltp_passes_of(&l, LTP_NOISE_TRUCK);
    const double want = 75.0 + lt_db_from_power(ltp_passes_mean(&car) + ltp_passes_mean(&truck));
    const double got = scene_dba(s) + l.mic_cal_db;
    lt_signal_free(s);
    assert_true(near_abs("four minutes of traffic", got, want, 1.0));
}

static void fluctuation_has_mean_one(void **state)
{
    (void)state;
    double power[500];
    lt_rng r = {3};
    ltp_law_fluctuating(&r, 3.0, 2.0, 0.1, power, COUNT(power));
    double largest = 0.0;
    for (size_t i = 0; i < COUNT(power); i++)
        largest = fmax(largest, power[i]);
    int bad = !near_abs("mean", lt_mean(power, COUNT(power)), 1.0, 1e-9);
    bad += !in_range("largest", largest, 1.5, 20.0);
    assert_int_equal(bad, 0);
}

/* Bands of a long recording against the model's expectation, at the ear, on the line and at the counter. */
static void recordings_agree_with_the_truth(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_lane_default();
    l.passes_per_minute = 0.0; /* steady sources only: passes have a test of their own */
    l.hum_line_dbfs = -60.0;
    lt_scene_truth t;
    assert_int_equal(lt_scene_truth_of(&l, 1, &t, NULL), LT_OK);
    const struct {
        lt_scene_path path;
        const double *want;
        double add_db;
    } rows[] = {{LT_SCENE_NOISE_EAR, t.noise_ear_leq_db, l.mic_cal_db},
                {LT_SCENE_NOISE_MIC, t.noise_mic_leq_db, -l.loopback_db},
                {LT_SCENE_NOISE_COUNTER, t.noise_counter_leq_db, l.mic_cal_db}};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rows); r++) {
        lt_signal *s = scene_record(&l, 1, rows[r].path, NULL, 60.0);
        double got[LT_SPEECH_BANDS];
        scene_bands(s, got);
        for (int i = 0; i < LT_SPEECH_BANDS; i++)
            bad += !near_abs(lt_scene_path_name(rows[r].path), got[i] + rows[r].add_db, rows[r].want[i], 0.6);
        if (rows[r].path == LT_SCENE_NOISE_EAR)
            bad += !near_abs("ear, dB(A)", scene_dba(s) + l.mic_cal_db, t.noise_ear_laeq_db, 0.3);
        if (rows[r].path == LT_SCENE_NOISE_COUNTER)
            bad += !near_abs("counter, dB(A)", scene_dba(s) + l.mic_cal_db, t.noise_counter_laeq_db, 0.3);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* The same road at ear and microphone: their difference is microphone_noise_db and the microphone's own response. */
static void ear_and_microphone_hear_the_same_road(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.road_dba = 65.0;
    l.microphone_noise_db = -5.0;
    l.loopback_db = -1.0;
    lt_signal *ear = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 40.0);
    lt_signal *mic = scene_record(&l, 0, LT_SCENE_NOISE_MIC, NULL, 40.0);
    const double ear_db = level_db(ear, 891.0, 1122.0) + l.mic_cal_db;
    const double mic_db = level_db(mic, 891.0, 1122.0) + l.microphone_line_db - l.loopback_db;
    double product = 0.0;
    for (size_t i = 0; i < ear->count; i++)
        product += ear->samples[i] * mic->samples[i];
    product /= lt_signal_rms(ear) * lt_signal_rms(mic) * (double)ear->count;
    int bad = !near_abs("microphone re ear at 1 kHz", mic_db - ear_db, -5.0, 0.4);
    bad += !near_abs("recorded at different times: correlation", product, 0.0, 0.02);
    lt_signal_free(ear);
    lt_signal_free(mic);
    assert_int_equal(bad, 0);
}

SUITE(simulate_noise)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_source_has_its_level),
        cmocka_unit_test(an_engine_has_its_level_and_orders),
        cmocka_unit_test(hum_has_its_level_and_lines),
        cmocka_unit_test(recorder_noise_is_white),
        cmocka_unit_test(road_noise_has_the_traffic_spectrum),
        cmocka_unit_test(wind_stays_low),
        cmocka_unit_test(a_pass_rises_and_falls),
        cmocka_unit_test(passes_have_their_long_term_mean),
        cmocka_unit_test(passing_vehicles_reach_their_level),
        cmocka_unit_test(fluctuation_has_mean_one),
        cmocka_unit_test(recordings_agree_with_the_truth),
        cmocka_unit_test(ear_and_microphone_hear_the_same_road),
    };
    return cmocka_run_group_tests_name("simulate_noise", tests, NULL, NULL);
}
