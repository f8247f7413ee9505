/* SPDX-License-Identifier: MIT
 * SII: limits, silence, names, bad input, speech spectra. The published results are in tests/reference. */
#include "near.h"
#include "suite.h"

#include <lanetune/speech.h>

#include <string.h>

static double index_of(lt_sii_method m, const double *speech, const double *noise, const double *threshold)
{
    lt_sii_result r;
    lt_error err = {0};
    if (lt_sii(m, LT_SII_AVERAGE, NULL, speech, noise, threshold, &r, &err) != LT_OK)
        fail_msg("%s", err.what);
    return r.sii;
}

static void fill(double *x, double value)
{
    for (size_t i = 0; i < LT_SII_BANDS_MAX; i++)
        x[i] = value;
}

static void normal_speech(lt_sii_method m, double change_db, double *x)
{
    for (size_t i = 0; i < lt_sii_band_count(m); i++)
        x[i] = lt_sii_speech_db(m, LT_EFFORT_NORMAL, i) + change_db;
}

/* With no spread of masking (octaves) and noise d dB under speech, audibility is (d + 15) / 30 in every band. */
static void octaves_follow_the_speech_to_noise_ratio(void **state)
{
    (void)state;
    int bad = 0;
    double speech[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    for (double d = -20.0; d <= 20.0; d += 2.5) {
        normal_speech(LT_SII_OCTAVE, 10.0, speech); /* 10 dB up: no level distortion yet */
        for (size_t i = 0; i < 6; i++)
            noise[i] = speech[i] - d;
        bad += !near_abs("ratio", index_of(LT_SII_OCTAVE, speech, noise, NULL),
                         fmin(1.0, fmax(0.0, (d + 15.0) / 30.0)) * 1.0, 1.01e-4); /* importance printed to 1e-4 */
    }
    assert_int_equal(bad, 0);
}

/* Level distortion: 10 + x dB above normal effort costs x / 160 of each band. */
static void loud_speech_is_distorted(void **state)
{
    (void)state;
    int bad = 0;
    double speech[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    fill(noise, -50.0);
    for (double x = 0.0; x <= 180.0; x += 20.0) {
        normal_speech(LT_SII_OCTAVE, 10.0 + x, speech);
        bad +=
            !near_abs("distortion", index_of(LT_SII_OCTAVE, speech, noise, NULL), fmax(0.0, 1.0 - x / 160.0), 1.01e-4);
    }
    assert_int_equal(bad, 0);
}

static void silence_needs_no_special_case(void **state)
{
    (void)state;
    double speech[LT_SII_BANDS_MAX];
    double silent[LT_SII_BANDS_MAX];
    double quiet[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    fill(silent, -(double)INFINITY);
    fill(quiet, -300.0);
    fill(noise, 30.0);
    int bad = 0;
    for (int m = 0; m < LT_SII_METHOD_COUNT; m++) {
        const lt_sii_method method = (lt_sii_method)m;
        const char *name = lt_sii_method_name(method);
        normal_speech(method, 0.0, speech);
        bad += !near_abs(name, index_of(method, silent, silent, NULL), 0.0, 0.0);
        bad += !near_abs(name, index_of(method, silent, noise, NULL), 0.0, 0.0);
        bad += !near_abs(name, index_of(method, silent, silent, silent), 0.0, 0.0);
        bad += !near_abs(name, index_of(method, speech, silent, NULL), index_of(method, speech, quiet, NULL), 1e-12);
        bad += !in_range(name, index_of(method, speech, silent, silent), 0.95, 1.0);
        speech[2] = -(double)INFINITY; /* one dead band */
        const double dead = index_of(method, speech, noise, NULL);
        speech[2] = -300.0;
        bad += !near_abs(name, dead, index_of(method, speech, noise, NULL), 1e-12);
    }
    assert_int_equal(bad, 0);
}

/* More noise or a worse ear never helps; the result lies in 0 .. 1 and is the sum of its bands. */
static void worse_conditions_never_help(void **state)
{
    (void)state;
    int bad = 0;
    double speech[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    double threshold[LT_SII_BANDS_MAX];
    for (int m = 0; m < LT_SII_METHOD_COUNT; m++) {
        double last = 1.0;
        normal_speech((lt_sii_method)m, 0.0, speech);
        for (double level = -40.0; level < 80.0; level += 4.0) {
            fill(noise, level);
            fill(threshold, 10.0);
            const double here = index_of((lt_sii_method)m, speech, noise, NULL);
            bad += !in_range("falls with noise", here, 0.0, last);
            bad +=
                !in_range("falls with hearing loss", index_of((lt_sii_method)m, speech, noise, threshold), 0.0, here);
            last = here;
        }
        bad += !near_abs("drowned", last, 0.0, 1e-12);
    }
    assert_int_equal(bad, 0);
}

/* A loud band masks the bands above it (upward spread), not those below. */
static void masking_spreads_upwards(void **state)
{
    (void)state;
    static const lt_sii_method methods[] = {LT_SII_THIRD_OCTAVE, LT_SII_CRITICAL, LT_SII_EQUAL_CRITICAL};
    double speech[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    lt_sii_result r;
    int bad = 0;
    for (size_t k = 0; k < COUNT(methods); k++) {
        normal_speech(methods[k], -100.0, speech);
        fill(noise, -50.0);
        noise[5] = 80.0;
        assert_int_equal(lt_sii(methods[k], LT_SII_AVERAGE, NULL, speech, noise, NULL, &r, &(lt_error){0}), LT_OK);
        for (size_t i = 1; i < 5; i++)
            bad += !in_range("below", r.bands[i].disturbance_db, -50.0, 5.0);
        for (size_t i = 6; i < 11; i++)
            bad += !in_range("above", r.bands[i].disturbance_db, 20.0, r.bands[i - 1].disturbance_db - 0.5);
    }
    assert_int_equal(bad, 0);
}

static void bad_input_is_refused(void **state)
{
    (void)state;
    double good[LT_SII_BANDS_MAX];
    double wrong[LT_SII_BANDS_MAX];
    lt_sii_result r;
    lt_error err = {0};
    fill(good, 30.0);
    const double values[] = {(double)NAN, (double)INFINITY};
    for (size_t k = 0; k < COUNT(values); k++) {
        fill(wrong, 30.0);
        wrong[4] = values[k];
        assert_int_equal(lt_sii(LT_SII_OCTAVE, LT_SII_AVERAGE, NULL, wrong, good, NULL, &r, &(lt_error){0}), LT_E_ARG);
        assert_int_equal(lt_sii(LT_SII_OCTAVE, LT_SII_AVERAGE, NULL, good, wrong, NULL, &r, &(lt_error){0}), LT_E_ARG);
        assert_int_equal(lt_sii(LT_SII_OCTAVE, LT_SII_AVERAGE, NULL, good, good, wrong, &r, &(lt_error){0}), LT_E_ARG);
        assert_int_equal(lt_sii(LT_SII_OCTAVE, LT_SII_AVERAGE, wrong, good, good, NULL, &r, &(lt_error){0}), LT_E_ARG);
    }
    assert_int_equal(lt_sii(LT_SII_EQUAL_CRITICAL, LT_SII_SPIN, NULL, good, good, NULL, &r, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "average"));
    assert_int_equal(lt_sii(LT_SII_METHOD_COUNT, LT_SII_AVERAGE, NULL, good, good, NULL, &r, &(lt_error){0}), LT_E_ARG);
    wrong[4] = -0.1;
    assert_int_equal(lt_sii(LT_SII_OCTAVE, LT_SII_AVERAGE, wrong, good, good, NULL, &r, &(lt_error){0}), LT_E_ARG);
}

static void names_go_both_ways(void **state)
{
    (void)state;
    for (int i = 0; i < LT_SII_METHOD_COUNT; i++) {
        lt_sii_method m = LT_SII_METHOD_COUNT;
        assert_true(lt_sii_method_from_name(lt_sii_method_name((lt_sii_method)i), &m));
        assert_int_equal(m, i);
    }
    for (int i = 0; i < LT_SII_IMPORTANCE_COUNT; i++) {
        lt_sii_importance m = LT_SII_IMPORTANCE_COUNT;
        assert_true(lt_sii_importance_from_name(lt_sii_importance_name((lt_sii_importance)i), &m));
        assert_int_equal(m, i);
    }
    for (int i = 0; i < LT_EFFORT_COUNT; i++) {
        lt_vocal_effort e = LT_EFFORT_COUNT;
        assert_true(lt_vocal_effort_from_name(lt_vocal_effort_name((lt_vocal_effort)i), &e));
        assert_int_equal(e, i);
    }
    lt_sii_method m = LT_SII_OCTAVE;
    lt_sii_importance w = LT_SII_SPIN;
    lt_vocal_effort e = LT_EFFORT_LOUD;
    assert_false(lt_sii_method_from_name("Octave", &m));
    assert_false(lt_sii_importance_from_name("", &w));
    assert_false(lt_vocal_effort_from_name(NULL, &e));
    assert_int_equal(m, LT_SII_OCTAVE);
    assert_int_equal(w, LT_SII_SPIN);
    assert_int_equal(e, LT_EFFORT_LOUD);
    assert_string_equal(lt_sii_method_name((lt_sii_method)77), "unknown");
    assert_string_equal(lt_sii_importance_name(LT_SII_NONSENSE), "nonsense");
    assert_string_equal(lt_sii_importance_name(LT_SII_SHORT_PASSAGES), "short-passages");
    assert_int_equal(lt_sii_band_count((lt_sii_method)77), 0);
    assert_true(isnan(lt_sii_band_at(LT_SII_OCTAVE, 6).hz));
    assert_true(isnan(lt_sii_speech_db(LT_SII_OCTAVE, LT_EFFORT_COUNT, 0)));
    double x = 7.0;
    assert_false(lt_sii_importance_at(LT_SII_EQUAL_CRITICAL, LT_SII_DRT, 0, &x));
    assert_false(lt_sii_importance_at(LT_SII_OCTAVE, LT_SII_DRT, 6, &x));
    assert_true(near_abs("untouched", x, 7.0, 0.0));
}

static void speech_shape_has_the_asked_level(void **state)
{
    (void)state;
    int bad = 0;
    for (int e = 0; e < LT_EFFORT_COUNT; e++) {
        double spectrum[LT_SPEECH_BANDS];
        double band[LT_SPEECH_BANDS];
        lt_speech_shape((lt_vocal_effort)e, -22.9897, spectrum);
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            band[i] = spectrum[i] + lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).bandwidth_db;
        bad += !near_abs("sum", lt_db_sum(band, LT_SPEECH_BANDS), -22.9897, 1e-9);
        const double change = spectrum[0] - lt_sii_speech_db(LT_SII_THIRD_OCTAVE, (lt_vocal_effort)e, 0);
        for (size_t i = 1; i < LT_SPEECH_BANDS; i++)
            bad += !near_abs("shape", spectrum[i] - lt_sii_speech_db(LT_SII_THIRD_OCTAVE, (lt_vocal_effort)e, i),
                             change, 1e-9);
    }
    assert_int_equal(bad, 0);
}

/* All in one band: band level plus the A-weighting there (IEC 61672-1: +1.2 dB at 2 kHz, -13.35 dB at 160 Hz). */
static void dba_weights_each_band(void **state)
{
    (void)state;
    double spectrum[LT_SPEECH_BANDS];
    int bad = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        spectrum[i] = -(double)INFINITY;
    bad += !near_abs("silence", lt_speech_dba(spectrum), -(double)INFINITY, 0.0);
    spectrum[11] = 40.0;
    bad += !near_abs("2 kHz", lt_speech_dba(spectrum), 40.0 + 26.65 + 1.2, 0.001);
    spectrum[11] = -(double)INFINITY;
    spectrum[0] = 40.0;
    bad += !near_abs("160 Hz", lt_speech_dba(spectrum), 40.0 + 15.65 - 13.35, 0.001);
    assert_int_equal(bad, 0);
}

SUITE(speech_sii)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(octaves_follow_the_speech_to_noise_ratio),
        cmocka_unit_test(loud_speech_is_distorted),
        cmocka_unit_test(silence_needs_no_special_case),
        cmocka_unit_test(worse_conditions_never_help),
        cmocka_unit_test(masking_spreads_upwards),
        cmocka_unit_test(bad_input_is_refused),
        cmocka_unit_test(names_go_both_ways),
        cmocka_unit_test(speech_shape_has_the_asked_level),
        cmocka_unit_test(dba_weights_each_band),
    };
    return cmocka_run_group_tests_name("speech_sii", tests, NULL, NULL);
}
