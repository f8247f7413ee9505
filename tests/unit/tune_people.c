/* SPDX-License-Identifier: MIT
 * Operator's exposure and a bystander's privacy beside the settings: both computed here a second time from the lane's
 * flat paths, without the code under test. */
#include "csv.h"
#include "fault.h"
#include "lane_fixture.h"
#include "near.h"
#include "suite.h"

#include "tune/tune_internal.h"

#include <string.h>

typedef struct {
    fixture f;
    fixture_path bystander;
    lt_levels noise;
    lt_tune_result r;
} workplace;

static workplace *workplace_create(void)
{
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    fixture_make(&w->f);
    return w;
}

/* Privacy index from speech and noise that both have their own values in the 18 bands; weights of ANSI S3.5-1969 from
 * 200 Hz on. */
static double index_percent(const double speech[LT_SPEECH_BANDS], double noise_1k, double tilt_db)
{
    double ai = 0.0;
    csv_table *weights = csv_load("ai_weights.csv");
    for (size_t i = 0; i < weights->rows; i++) {
        const double noise = noise_1k + tilt_db * log2(csv_number(weights, i, "nominal_hz") / 1000.0);
        double d = speech[i + 1] + 12.0 - noise;
        d = d < 0.0 ? 0.0 : d > 30.0 ? 30.0 : d;
        ai += csv_number(weights, i, "weight_per_db") * d;
    }
    csv_free(weights);
    return 100.0 * (1.0 - (ai < 1.0 ? ai : 1.0));
}

/* Line speech of -26 dBov through a flat path, 115 dB SPL for 0 dBFS. */
static void flat_speech(double path_db, double out[LT_SPEECH_BANDS])
{
    double sum = 0.0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        sum += pow(10.0, (lt_sii_speech_db(LT_SII_THIRD_OCTAVE, LT_EFFORT_NORMAL, i) +
                          lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).bandwidth_db) /
                             10.0);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, LT_EFFORT_NORMAL, i) - 10.0 * log10(sum) - 26.0 + 3.0103 +
                 path_db + 115.0;
}

static void nobody_asks(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    assert_int_equal(lt_tune(&w->f.lane, 1, &w->r, NULL), LT_OK);
    assert_int_equal(w->r.privacy.from, LT_PRIVACY_NOT_ASKED);
    assert_true(isnan(w->r.privacy.after.privacy_percent) && w->r.privacy.after.word == NULL);
    for (size_t i = 0; i < w->r.advice_count; i++)
        assert_null(strstr(w->r.advice[i], "privacy"));
    ltp_free(w);
}

/* From the distance, at three of them, before and after; L10 4 dB above must not count: privacy fears the quiet. */
static void privacy_from_the_distance(void **state)
{
    (void)state;
    static const double distances_m[] = {2.0, 8.0, 40.0};
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    double level[LT_SPEECH_BANDS];
    double speech[LT_SPEECH_BANDS];
    fixture_tilted(35.0, -3.0, level);
    fixture_levels(&w->f.conditions[0].noise_ear, level, 4.0);
    l->speaker_to_ear_m = 0.8;
    int bad = 0;
    for (size_t k = 0; k < 3; k++) {
        l->speaker_to_bystander_m = distances_m[k];
        assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
        const lt_tune_privacy *p = &w->r.privacy;
        flat_speech(-20.0 - 20.0 * log10(distances_m[k] / 0.8), speech);
        bad += !near_abs("before", p->before.privacy_percent, index_percent(speech, 35.0, -3.0), 0.05);
        flat_speech(-20.0 - 20.0 * log10(distances_m[k] / 0.8) + w->r.outbound_recommended_db, speech);
        bad += !near_abs("after", p->after.privacy_percent, index_percent(speech, 35.0, -3.0), 0.05);
        bad += p->from != LT_PRIVACY_FROM_DISTANCE || !(fabs(p->distance_m - distances_m[k]) < 1e-12);
        bool advised = false;
        for (size_t i = 0; i < w->r.advice_count; i++)
            advised |= strstr(w->r.advice[i], "handset at the lane") != NULL;
        bad += advised != (p->after.privacy_percent < 80.0);
    }
    bad += !(w->r.privacy.after.privacy_percent > 80.0); /* the list has both answers */
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* A recording wins over the distance, its own noise over that at the ear; without any noise there is no number. */
static void privacy_from_a_recording(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    double level[LT_SPEECH_BANDS];
    double speech[LT_SPEECH_BANDS];
    int bad = 0;
    fixture_flat(-46.0, level);
    fixture_bands(&w->bystander, level);
    l->speaker_to_bystander_m = 3.0;
    l->recordings[0].bystander = &w->bystander.response;
    flat_speech(-46.0, speech);
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += w->r.privacy.from != LT_PRIVACY_FROM_RECORDING || !isnan(w->r.privacy.distance_m);
    bad += lt_notes_has(&w->r.privacy.notes, "band-not-covered");
    w->bystander.response.band_count -= 6; /* the stimulus ended there */
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !lt_notes_has(&w->r.privacy.notes, "band-not-covered"); /* less is heard: privacy looks better than it is */
    w->bystander.response.band_count += 6;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("noise of the ear", w->r.privacy.before.privacy_percent, index_percent(speech, 15.0, -3.0), 0.05);
    fixture_tilted(22.0, -4.0, level);
    fixture_levels(&w->noise, level, 6.0);
    l->recordings[0].noise_bystander = &w->noise;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("own noise", w->r.privacy.before.privacy_percent, index_percent(speech, 22.0, -4.0), 0.05);
    l->recordings[0].noise_bystander = NULL;
    l->recordings[0].noise_ear = NULL;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !isnan(w->r.privacy.before.privacy_percent) || w->r.privacy.after.word != NULL;
    bad += !lt_notes_has(&w->r.privacy.notes, "privacy-noise-missing");
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* The condition in which most is understood counts. */
static void the_least_private_condition(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    double level[LT_SPEECH_BANDS];
    double speech[LT_SPEECH_BANDS];
    l->recordings[1] = l->recordings[0];
    (void)strcpy(l->recordings[1].name, "car");
    l->condition_count = 2;
    fixture_tilted(9.0, -3.0, level);
    fixture_levels(&w->noise, level, 4.0);
    l->recordings[1].noise_ear = &w->noise;
    l->speaker_to_bystander_m = 20.0;
    flat_speech(-20.0 - 20.0 * log10(20.0), speech);
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    assert_true(near_abs("least", w->r.privacy.before.privacy_percent, index_percent(speech, 9.0, -3.0), 0.05));
    ltp_free(w);
}

/* Talk -60 dBFS per hertz at 1 kHz falling 6 dB an octave and noise of the line through -20 + 115 dB, counter's own
 * noise beside; A-weights of IEC 61672-1 from the tested table. Energy counts, so Leq, not L10. */
static void exposure_by_energy(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    l->talk_percent = 40.0;
    l->shift_hours = 6.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_exposure *x = &w->r.exposure;
    int bad = 0;
    for (int after = 0; after < 2; after++) {
        const double gain = after == 1 ? w->r.inbound_recommended_db : 0.0;
        double talk = 0.0;
        double pause = 0.0;
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
            const lt_sii_band b = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i);
            const double a = lt_weight_a_db(lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i).exact_hz) + b.bandwidth_db;
            const double octaves = log2(b.hz / 1000.0);
            const double noise = pow(10.0, (-85.0 - 3.0 * octaves + 95.0 + gain + a) / 10.0) +
                                 pow(10.0, (5.0 - 3.0 * octaves + a) / 10.0);
            pause += noise;
            talk += noise + pow(10.0, (-60.0 - 6.0 * octaves + 95.0 + gain + a) / 10.0);
        }
        const double lex = 10.0 * log10((talk * 0.4 + pause * 0.6) * 6.0 / 8.0);
        const double talk_dba = after == 1 ? x->talk_dba.after : x->talk_dba.before;
        bad += !near_abs("talk", talk_dba, 10.0 * log10(talk), 0.02);
        bad += !near_abs("pause", after == 1 ? x->pause_dba.after : x->pause_dba.before, 10.0 * log10(pause), 0.02);
        bad += !near_abs("LEX", after == 1 ? x->lex_8h_dba.after : x->lex_8h_dba.before, lex, 0.02);
        const double dose =
            100.0 * 6.0 / 8.0 *
            (0.4 * exp2((10.0 * log10(talk) - 85.0) / 3.0) + 0.6 * exp2((10.0 * log10(pause) - 85.0) / 3.0));
        bad += !near_abs("dose", after == 1 ? x->dose_percent.after : x->dose_percent.before, dose, 0.01 * dose);
    }
    bad += x->talk_assumed || x->shift_assumed || lt_notes_has(&x->notes, "exposure-assumed");
    bad += !lt_notes_has(&x->notes, "exposure-information") || lt_notes_has(&x->notes, "exposure-headset");
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void what_is_not_given_is_assumed(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    l->talk_percent = (double)NAN;
    l->listening = LT_LISTEN_HEADSET;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_exposure x = w->r.exposure;
    assert_true(x.talk_assumed && x.shift_assumed && lt_notes_has(&x.notes, "exposure-assumed"));
    assert_true(lt_notes_has(&x.notes, "exposure-headset"));
    l->talk_percent = 30.0;
    l->shift_hours = 8.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    assert_true(near_abs("the same as said", w->r.exposure.lex_8h_dba.after, x.lex_8h_dba.after, 1e-12));
    ltp_free(w);
}

SUITE(tune_people)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nobody_asks),
        cmocka_unit_test(privacy_from_the_distance),
        cmocka_unit_test(privacy_from_a_recording),
        cmocka_unit_test(the_least_private_condition),
        cmocka_unit_test(exposure_by_energy),
        cmocka_unit_test(what_is_not_given_is_assumed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
