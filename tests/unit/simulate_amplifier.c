/* SPDX-License-Identifier: MIT
 * The soft-clipping amplifier against its definition and against numeric Fourier integrals. */
#include "fault.h"
#include "rng.h"
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

static void curve_is_the_stated_one(void **state)
{
    (void)state;
    int bad = 0;
    bad += !near_abs("small-signal gain", lt_scene_amplifier(-6.0, 1e-4) / 1e-4, 1.0, 1e-12);
    bad += !near_abs("small-signal gain, negative", lt_scene_amplifier(-6.0, -1e-4) / -1e-4, 1.0, 1e-12);
    bad += !near_abs("linear", lt_scene_amplifier(NAN, 0.7), 0.7, 0.0);
    /* At the knee: 2^(-1/4) = -1.505 dB. */
    const double knee = lt_amplitude_from_db(-6.0);
    bad += !near_abs("at the knee, dB", lt_db_from_amplitude(lt_scene_amplifier(-6.0, knee) / knee), -1.50515, 1e-5);
    bad += !near_abs("far beyond", lt_scene_amplifier(-6.0, 100.0), knee, 1e-3);
    bad += !near_abs("far beyond, negative", lt_scene_amplifier(-6.0, -100.0), -0.93 * knee, 1e-3);
    double last = -1e9;
    for (double x = -3.0; x < 3.0; x += 0.01) { /* never falls */
        const double y = lt_scene_amplifier(-6.0, x);
        bad += y < last;
        last = y;
    }
    assert_int_equal(bad, 0);
}

/* Amplitude of harmonic n of a sine through the curve: Fourier integral by Simpson's rule over half periods. */
static double fourier_amplitude(double clip_db, double amplitude, int n)
{
    enum { STEPS = 2000 };
    double re = 0.0;
    double im = 0.0;
    for (int half = 0; half < 2; half++)
        for (int i = 0; i <= STEPS; i++) {
            const double turn = LT_PI * (half + (double)i / STEPS);
            const double w = (i == 0 || i == STEPS ? 1.0 : (i % 2 == 1 ? 4.0 : 2.0)) * LT_PI / STEPS / 3.0;
            const double y = lt_scene_amplifier(clip_db, amplitude * sin(turn));
            re += w * y * cos(n * turn);
            im += w * y * sin(n * turn);
        }
    return hypot(re, im) / LT_PI;
}

static double tone_amplitude(const double *x, size_t count, double hz)
{
    const lt_complex z = lt_dtft(x, count, 48000.0, hz);
    return 2.0 * hypot(z.re, z.im) / (double)count;
}

static void harmonics_are_those_of_the_curve(void **state)
{
    (void)state;
    enum { N = 48000, EDGE = 4800 };
    double *x = test_calloc(N, sizeof *x);
    static const double levels_db[] = {-12.0, -6.0, 0.0};
    int bad = 0;
    for (size_t l = 0; l < COUNT(levels_db); l++) {
        const double amplitude = lt_amplitude_from_db(levels_db[l]);
        fill_sine(x, N, 48000.0, 1000.0, amplitude, 0.3);
        assert_int_equal(ltp_amplify(-3.0, x, N, NULL), LT_OK);
        for (int n = 1; n <= 5; n++) {
            const double want = fourier_amplitude(-3.0, amplitude, n);
            const double got = tone_amplitude(x + EDGE, N - 2 * EDGE, 1000.0 * n);
            bad += !near_abs("harmonic", got, want, 2e-3 * want + 1e-9);
        }
    }
    test_free(x);
    assert_int_equal(bad, 0);
}

static void harmonics_beyond_the_band_do_not_fold_back(void **state)
{
    (void)state;
    enum { N = 48000, EDGE = 4800 };
    double *x = test_calloc(N, sizeof *x);
    int bad = 0;
    static const struct {
        double hz;
        int harmonic;
        double folded_hz; /* where plain sampling at 48 kHz would put it */
    } rows[] = {{15000.0, 2, 18000.0}, {15000.0, 3, 3000.0}, {11000.0, 3, 15000.0}, {13000.0, 4, 4000.0}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        fill_sine(x, N, 48000.0, rows[i].hz, 0.5, 0.0);
        assert_int_equal(ltp_amplify(-6.0, x, N, NULL), LT_OK);
        const double there = fourier_amplitude(-6.0, 0.5, rows[i].harmonic);
        const double folded = tone_amplitude(x + EDGE, N - 2 * EDGE, rows[i].folded_hz);
        bad += !in_range("the harmonic exists", there, 1e-4, 1.0);
        bad += !in_range("folded re fundamental, dB", lt_db_from_amplitude(folded / 0.5), -400.0, -85.0);
    }
    test_free(x);
    assert_int_equal(bad, 0);
}

static void small_signals_pass_unchanged(void **state)
{
    (void)state;
    enum { N = 5000 };
    double *x = test_calloc(2 * N, sizeof *x);
    fill_gauss(x, N, 1e-3, 7);
    for (size_t i = 0; i < N; i++)
        x[N + i] = x[i];
    assert_int_equal(ltp_amplify(0.0, x, N, NULL), LT_OK);
    int bad = 0;
    for (size_t i = 0; i < N; i++)
        bad += !near_abs("sample", x[i], x[N + i], 1e-12);
    test_free(x);
    assert_int_equal(bad, 0);
}

/* Steady-sine truth against a tone that was recorded through the lane. */
static void thd_is_that_of_a_recorded_tone(void **state)
{
    (void)state;
    lt_scene_lane l = scene_quiet(lt_scene_demo_lane(2));
    l.clip_line_dbfs = -4.0;
    const lt_tone_options opt = {.rate_hz = 48000.0, .hz = 500.0, .seconds = 1.5, .rms_dbfs = -8.0};
    lt_signal *tone = NULL;
    assert_int_equal(lt_tone_create(&opt, &tone, NULL), LT_OK);
    int bad = 0;
    static const lt_scene_path paths[] = {LT_SCENE_OUTBOUND, LT_SCENE_LANE_COUPLING, LT_SCENE_INBOUND};
    for (size_t p = 0; p < COUNT(paths); p++) {
        lt_signal *rec = scene_record(&l, 1, paths[p], tone, 0.0);
        const double *x = rec->samples + 24000;
        double power = 0.0;
        for (int n = 2; n <= 5; n++)
            power += pow(tone_amplitude(x, 38400, 500.0 * n), 2.0);
        double truth = NAN;
        assert_int_equal(lt_scene_thd(&l, 1, paths[p], 500.0, -8.0, 16000.0, &truth, NULL), LT_OK);
        const double got = 100.0 * sqrt(power) / tone_amplitude(x, 38400, 500.0);
        bad += paths[p] == LT_SCENE_INBOUND
                   ? !near_abs("inbound has no amplifier", truth, 0.0, 1e-6)
                   : !near_rel("THD, %", got, truth, 0.01) + !in_range("THD", truth, 0.1, 50.0);
        lt_signal_free(rec);
    }
    double truth = 0.0;
    assert_int_equal(lt_scene_thd(&l, 0, LT_SCENE_OUTBOUND, 9000.0, -8.0, 16000.0, &truth, NULL), LT_OK);
    assert_true(isnan(truth));
    assert_int_equal(lt_scene_thd(&l, 0, LT_SCENE_OUTBOUND, 0.0, -8.0, 16000.0, &truth, NULL), LT_E_ARG);
    assert_int_equal(lt_scene_thd(&l, 0, LT_SCENE_NOISE_EAR, 500.0, -8.0, 16000.0, &truth, NULL), LT_E_ARG);
    lt_signal_free(tone);
    assert_int_equal(bad, 0);
}

static lt_status make_amplified(void *context, lt_error *err)
{
    double x[64] = {0.5};
    (void)context;
    return ltp_amplify(-6.0, x, COUNT(x), err);
}

static void amplify_survives_every_failed_allocation(void **state)
{
    (void)state;
    assert_survives_faults(make_amplified, NULL);
}

SUITE(simulate_amplifier)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(curve_is_the_stated_one),
        cmocka_unit_test(harmonics_are_those_of_the_curve),
        cmocka_unit_test(harmonics_beyond_the_band_do_not_fold_back),
        cmocka_unit_test(small_signals_pass_unchanged),
        cmocka_unit_test(thd_is_that_of_a_recorded_tone),
        cmocka_unit_test(amplify_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("simulate_amplifier", tests, NULL, NULL);
}
