/* SPDX-License-Identifier: MIT
 * Recordings in the 18 bands of the SII. Bandwidths: 10 lg (upper - lower limit) of IEC 61260-1's exact bands, within
 * the rounding to 0.01 dB and to nominal frequencies of ANSI S3.5-1997, table 3. */
#include "near.h"
#include "suite.h"

#include <lanetune/speech.h>

#include <math.h>
#include <string.h>

static double width_db(int band)
{
    const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + band);
    return 10.0 * log10(b.upper_hz - b.lower_hz);
}

/* Thirds from 50 Hz on, each with levels of its own. */
static lt_levels *make_levels(int last)
{
    static lt_levels l;
    l = (lt_levels){.band_count = 0};
    for (int i = LT_THIRD_50_HZ; i <= last; i++)
        l.bands[l.band_count++] = (lt_level_band){
            .band = lt_third_octave(i), .leq_db = 40.0 + i, .l10_db = 50.0 + i, .l50_db = 38.0 + i, .l90_db = 30.0 + i};
    return &l;
}

static void noise_is_band_level_less_bandwidth(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        lt_noise_level level;
        double at_1_khz_db;
    } rows[] = {{"leq", LT_NOISE_LEQ, 40.0},
                {"l10", LT_NOISE_L10, 50.0},
                {"l50", LT_NOISE_L50, 38.0},
                {"l90", LT_NOISE_L90, 30.0}};
    int bad = 0;
    for (size_t k = 0; k < COUNT(rows); k++) {
        double out[LT_SPEECH_BANDS];
        lt_noise_spectrum(make_levels(LT_THIRD_16_KHZ), rows[k].level, -3.0, out);
        for (int i = 0; i < LT_SPEECH_BANDS; i++)
            bad += !near_abs(rows[k].name, out[i], rows[k].at_1_khz_db + LT_THIRD_SPEECH_FIRST + i - 3.0 - width_db(i),
                             0.1);
    }
    assert_int_equal(bad, 0);
}

static void what_is_not_reached_is_filled_and_counted(void **state)
{
    (void)state;
    double out[LT_SPEECH_BANDS];
    lt_noise_spectrum(make_levels(5), LT_NOISE_LEQ, 0.0, out); /* up to 3150 Hz, as at 8 kHz */
    assert_true(isnan(out[14]) && isnan(out[17]) && !isnan(out[13]));
    assert_true(lt_spectrum_is_known(out));
    lt_notes notes = {0};
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", &notes), 4);
    assert_int_equal(notes.count, 1);
    assert_non_null(strstr(notes.items[0].message, "noise.wav tells no noise in 4 of the 18 bands"));
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", &notes), 0);
    assert_int_equal(notes.count, 1); /* nothing was missing */
    int bad = 0;
    for (size_t i = 14; i < LT_SPEECH_BANDS; i++)
        bad += !near_abs("above", out[i], out[13], 0.0);
    for (size_t i = 0; i < 18; i++)
        out[i] = i == 4 || i == 9 ? (double)i : (double)NAN;
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", NULL), 16);
    static const double wanted[] = {4, 4, 4, 4, 4, 4, 4, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9, 9};
    for (size_t i = 0; i < 18; i++)
        bad += !near_abs("both sides", out[i], wanted[i], 0.0);
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", NULL), 0);
    for (size_t i = 0; i < 18; i++)
        out[i] = (double)NAN;
    assert_false(lt_spectrum_is_known(out));
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", NULL), 0);
    assert_true(isnan(out[0]) && isnan(out[17]));
    out[3] = -(double)INFINITY;
    assert_true(lt_spectrum_is_known(out)); /* silence is known */
    assert_int_equal(lt_spectrum_fill(out, "noise.wav", NULL), 17);
    assert_int_equal(bad, 0);
}

static void a_talk_test_tells_speech_and_pauses(void **state)
{
    (void)state;
    static lt_talk_test t;
    double speech[LT_SPEECH_BANDS], pauses[LT_SPEECH_BANDS];
    int bad = 0;
    for (int i = LT_THIRD_50_HZ; i <= 5; i++) {
        t.bands[t.band_count].band = lt_third_octave(i);
        t.bands[t.band_count].speech_db = i == 0 ? -(double)INFINITY : -30.0 + i;
        t.bands[t.band_count++].noise_db = i < -6 ? (double)NAN : -60.0 - i; /* too short a pause for low bands */
    }
    assert_int_equal(lt_talk_spectra(&t, 100.0, speech, pauses), 14);
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const int third = LT_THIRD_SPEECH_FIRST + i;
        if (i == 8 || i > 13)
            bad += !(isinf(speech[i]) && speech[i] < 0.0);
        else
            bad += !near_abs("speech", speech[i], 70.0 + third - width_db(i), 0.1);
        if (third < -6 || i > 13)
            bad += !isnan(pauses[i]);
        else
            bad += !near_abs("pauses", pauses[i], 40.0 - third - width_db(i), 0.1);
    }
    assert_int_equal(lt_spectrum_fill(pauses, "noise.wav", NULL), 6); /* downwards too */
    bad += !near_abs("lowest", pauses[0], 46.0 - width_db(2), 0.1);
    for (size_t k = 0; k < t.band_count; k++)
        t.bands[k].noise_db = (double)NAN;
    (void)lt_talk_spectra(&t, 100.0, speech, pauses);
    assert_false(lt_spectrum_is_known(pauses));
    assert_int_equal(bad, 0);
}

SUITE(speech_recorded)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_is_band_level_less_bandwidth),
        cmocka_unit_test(what_is_not_reached_is_filled_and_counted),
        cmocka_unit_test(a_talk_test_tells_speech_and_pauses),
    };
    return cmocka_run_group_tests_name("speech_recorded", tests, NULL, NULL);
}
