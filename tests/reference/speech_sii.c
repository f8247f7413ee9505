/* SPDX-License-Identifier: MIT
 * SII against published results and tables of ANSI S3.5-1997; sources and confidence of each file: data/README.md. */
#include "csv.h"
#include "near.h"

#include "speech/sii_tables.h"
#include <lanetune/speech.h>

static const struct {
    lt_sii_method method;
    const char *name, *table, *importance; /* importance: file, NULL = the column of the table */
    const ltp_sii_row *rows;
} methods[] = {
    {LT_SII_THIRD_OCTAVE, "third_octave", "sii_third_octave.csv", "sii_importance_third_octave.csv", ltp_sii_third},
    {LT_SII_OCTAVE, "octave", "sii_octave.csv", "sii_importance_octave.csv", ltp_sii_octave},
    {LT_SII_CRITICAL, "critical_band", "sii_critical_band.csv", "sii_importance_critical_band.csv", ltp_sii_critical},
    {LT_SII_EQUAL_CRITICAL, "equal_critical_band", "sii_equal_critical_band.csv", NULL, ltp_sii_equal},
};

static const char *const materials[LT_SII_IMPORTANCE_COUNT] = {"average",        "nns", "cid_w22", "nu6", "drt",
                                                               "short_passages", "spin"};

static int check_row(const csv_table *t, size_t i, const ltp_sii_row *r, lt_sii_method m)
{
    static const char *const speech[LT_EFFORT_COUNT] = {"speech_normal_db", "speech_raised_db", "speech_loud_db",
                                                        "speech_shout_db"};
    const char *row = csv_text(t, i, "center_hz");
    const lt_sii_band band = lt_sii_band_at(m, i);
    int bad = 0;
    bad += !near_abs(row, band.hz, csv_number(t, i, "center_hz"), 0.0);
    bad += !near_abs(row, r->lower_hz, csv_number(t, i, "lower_hz"), 0.0);
    bad += !near_abs(row, r->upper_hz, csv_number(t, i, "upper_hz"), 0.0);
    bad += !near_abs(row, band.bandwidth_db, csv_number(t, i, "bandwidth_db_re_1hz"), 0.0);
    bad += !near_abs(row, band.bandwidth_db, 10.0 * log10(r->upper_hz - r->lower_hz),
                     0.05); /* the standard counts from nominal octaves */
    bad += !near_abs(row, band.internal_noise_db, csv_number(t, i, "internal_noise_db"), 0.0);
    bad += !near_abs(row, band.eardrum_db, csv_number(t, i, "freefield_to_eardrum_db"), 0.0);
    for (int e = 0; e < LT_EFFORT_COUNT; e++)
        bad += !near_abs(row, lt_sii_speech_db(m, (lt_vocal_effort)e, i), csv_number(t, i, speech[e]), 0.0);
    bad += !near_abs(row, band.raised_db, csv_number(t, i, "speech_raised_db"), 0.0);
    bad += !near_abs(row, band.loud_db, csv_number(t, i, "speech_loud_db"), 0.0);
    bad += !near_abs(row, band.shout_db, csv_number(t, i, "speech_shout_db"), 0.0);
    double weight = (double)NAN;
    bad += !lt_sii_importance_at(m, LT_SII_AVERAGE, i, &weight);
    bad += !near_abs(row, weight, csv_number(t, i, "importance"), 0.0);
    return bad;
}

static void band_tables_match_the_second_entry(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < COUNT(methods); k++) {
        csv_table *t = csv_load(methods[k].table);
        assert_int_equal(t->rows, lt_sii_band_count(methods[k].method));
        for (size_t i = 0; i < t->rows; i++)
            bad += check_row(t, i, &methods[k].rows[i], methods[k].method);
        csv_free(t);
    }
    assert_int_equal(bad, 0);
}

static void importance_tables_match_the_second_entry(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < COUNT(methods); k++) {
        if (methods[k].importance == NULL)
            continue;
        csv_table *t = csv_load(methods[k].importance);
        assert_int_equal(t->rows, lt_sii_band_count(methods[k].method));
        for (int m = 0; m < LT_SII_IMPORTANCE_COUNT; m++) {
            double sum = 0.0;
            for (size_t i = 0; i < t->rows; i++) {
                double got = (double)NAN;
                bad += !lt_sii_importance_at(methods[k].method, (lt_sii_importance)m, i, &got);
                bad += !near_abs(materials[m], got, csv_number(t, i, materials[m]), 0.0);
                sum += got;
            }
            bad += !near_abs(materials[m], sum, 1.0, 2.5e-4); /* four printed digits each */
        }
        csv_free(t);
    }
    assert_int_equal(bad, 0);
}

/* Octave importance = sums of the one-third octaves in groups of 4, 3, 3, 3, 3, 2: one table checks the other. */
static void octave_importance_is_the_sum_of_one_third_octaves(void **state)
{
    (void)state;
    static const size_t group[] = {4, 3, 3, 3, 3, 2};
    int bad = 0;
    for (int m = 0; m < LT_SII_IMPORTANCE_COUNT; m++) {
        size_t third = 0;
        for (size_t i = 0; i < COUNT(group); i++) {
            double sum = 0.0;
            for (size_t k = 0; k < group[i]; k++, third++)
                sum += ltp_sii_importance_third[third][m];
            bad += !near_abs(materials[m], ltp_sii_importance_octave[i][m], sum, 2.1e-4);
        }
    }
    assert_int_equal(bad, 0);
}

/* ---- worked examples ---- */

static size_t read_vector(const char *text, double *out, size_t most)
{
    size_t n = 0;
    char *end = NULL;
    for (double x = strtod(text, &end); end != text && n < most; x = strtod(text, &end)) {
        out[n++] = x;
        text = end;
    }
    return n;
}

static size_t index_of(const char *const *names, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(names[i], name) == 0)
            return i;
    return count;
}

static lt_sii_method method_named(const char *name)
{
    for (size_t k = 0; k < COUNT(methods); k++)
        if (strcmp(methods[k].name, name) == 0)
            return methods[k].method;
    fail_msg("no procedure %s", name);
    return LT_SII_METHOD_COUNT;
}

static double index_of_case(const csv_table *t, size_t i)
{
    double speech[LT_SII_BANDS_MAX];
    double noise[LT_SII_BANDS_MAX];
    double threshold[LT_SII_BANDS_MAX];
    double weights[LT_SII_BANDS_MAX];
    const lt_sii_method m = method_named(csv_text(t, i, "procedure"));
    const size_t count = lt_sii_band_count(m);
    assert_int_equal(read_vector(csv_text(t, i, "speech_db"), speech, LT_SII_BANDS_MAX), count);
    assert_int_equal(read_vector(csv_text(t, i, "noise_db"), noise, LT_SII_BANDS_MAX), count);
    assert_int_equal(read_vector(csv_text(t, i, "threshold_db"), threshold, LT_SII_BANDS_MAX), count);
    const bool own = read_vector(csv_text(t, i, "importance_vector"), weights, LT_SII_BANDS_MAX) == count;
    const size_t material = own ? 0 : index_of(materials, COUNT(materials), csv_text(t, i, "importance"));
    assert_true(material < COUNT(materials));
    lt_sii_result result;
    lt_error err = {0};
    const lt_status status =
        lt_sii(m, (lt_sii_importance)material, own ? weights : NULL, speech, noise, threshold, &result, &err);
    if (status != LT_OK)
        fail_msg("%s: %s", csv_text(t, i, "id"), err.what);
    double sum = 0.0;
    for (size_t k = 0; k < count; k++)
        sum += result.bands[k].audibility * result.bands[k].importance;
    assert_true(near_abs(csv_text(t, i, "id"), sum, result.sii, 1e-12));
    return result.sii;
}

/* 9 published rows to their printed three digits, 63 rows of two other implementations to their digits. */
static void worked_examples_agree(void **state)
{
    (void)state;
    csv_table *t = csv_load("sii_worked_examples.csv");
    assert_int_equal(t->rows, 72);
    int bad = 0;
    for (size_t i = 0; i < t->rows; i++)
        bad += !near_abs(csv_text(t, i, "id"), index_of_case(t, i), csv_number(t, i, "sii_expected"),
                         csv_number(t, i, "tolerance"));
    csv_free(t);
    assert_int_equal(bad, 0);
}

static double third_octave_sii(lt_vocal_effort effort, double change_db, double noise_db, double threshold_db,
                               const double *attenuation_db)
{
    double speech[LT_SPEECH_BANDS];
    double noise[LT_SPEECH_BANDS];
    double threshold[LT_SPEECH_BANDS];
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double loss = attenuation_db == NULL ? 0.0 : attenuation_db[i];
        speech[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, effort, i) + change_db - loss;
        noise[i] = noise_db - loss;
        threshold[i] = threshold_db;
    }
    lt_sii_result r;
    assert_int_equal(lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, speech, noise, threshold, &r, &(lt_error){0}),
                     LT_OK);
    return r.sii;
}

/* Talker in quiet at a distance, both ears (T = -1.7 dB), no noise (-50 dB). */
static void distance_examples_agree(void **state)
{
    (void)state;
    csv_table *t = csv_load("sii_distance_examples.csv");
    int bad = 0;
    for (size_t i = 0; i < t->rows; i++) {
        const char *row = csv_text(t, i, "distance_m");
        const double change_db = -20.0 * log10(csv_number(t, i, "distance_m"));
        bad += !near_abs(row, third_octave_sii(LT_EFFORT_NORMAL, change_db, -50.0, -1.7, NULL),
                         csv_number(t, i, "sii_normal_effort"), 5.1e-5);
        bad += !near_abs(row, third_octave_sii(LT_EFFORT_SHOUT, change_db, -50.0, -1.7, NULL),
                         csv_number(t, i, "sii_shout_effort"), 5.1e-5);
    }
    assert_int_equal(t->rows, 40);
    csv_free(t);
    assert_int_equal(bad, 0);
}

static void white_noise_examples_agree(void **state)
{
    (void)state;
    double attenuation[LT_SPEECH_BANDS] = {0.0};
    csv_table *a = csv_load("sii_white_noise_attenuation.csv");
    assert_int_equal(a->rows, LT_SPEECH_BANDS);
    for (size_t i = 0; i < a->rows; i++)
        attenuation[i] = csv_number(a, i, "attenuation_db");
    csv_free(a);
    csv_table *t = csv_load("sii_white_noise_examples.csv");
    int bad = 0;
    for (size_t i = 0; i < t->rows; i++) {
        const char *row = csv_text(t, i, "noise_spectrum_level_db");
        const double noise_db = csv_number(t, i, "noise_spectrum_level_db");
        bad += !near_abs(row, third_octave_sii(LT_EFFORT_SHOUT, 0.0, noise_db, 0.0, NULL),
                         csv_number(t, i, "sii_shout_unprotected"), 5.1e-5);
        bad += !near_abs(row, third_octave_sii(LT_EFFORT_SHOUT, 0.0, noise_db, 0.0, attenuation),
                         csv_number(t, i, "sii_shout_attenuated"), 5.1e-5);
    }
    assert_true(t->rows >= 40);
    csv_free(t);
    assert_int_equal(bad, 0);
}

/* Overall levels that the standard states, and the A-weighted ones computed from the same table. */
static void overall_levels_agree(void **state)
{
    (void)state;
    csv_table *t = csv_load("sii_overall_levels.csv");
    int bad = 0;
    assert_int_equal(t->rows, LT_EFFORT_COUNT);
    for (size_t i = 0; i < t->rows; i++) {
        lt_vocal_effort effort = LT_EFFORT_COUNT;
        const char *row = csv_text(t, i, "vocal_effort");
        assert_true(lt_vocal_effort_from_name(row, &effort));
        double band[LT_SPEECH_BANDS];
        double spectrum[LT_SPEECH_BANDS];
        for (size_t k = 0; k < LT_SPEECH_BANDS; k++) {
            spectrum[k] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, effort, k);
            band[k] = spectrum[k] + lt_sii_band_at(LT_SII_THIRD_OCTAVE, k).bandwidth_db;
        }
        const double sum_db = lt_db_sum(band, LT_SPEECH_BANDS);
        bad += !near_abs(row, sum_db, csv_number(t, i, "overall_spl_db_summed_third_octave"), 0.0051);
        bad += !near_abs(row, sum_db, csv_number(t, i, "overall_spl_db_stated"), 0.07);
        /* The table weights at nominal frequencies, which lie up to 1 % off the exact ones. */
        bad += !near_abs(row, lt_speech_dba(spectrum), csv_number(t, i, "a_weighted_db_computed"), 0.02);
    }
    csv_free(t);
    assert_int_equal(bad, 0);
}

static void modulation_transfer_examples_agree(void **state)
{
    (void)state;
    int bad = 0;
    csv_table *t = csv_load("sii_mtf_examples.csv");
    for (size_t i = 0; i < t->rows; i++) {
        double m[LT_SII_MODULATIONS], speech = 0.0, noise = 0.0;
        for (size_t f = 0; f < LT_SII_MODULATIONS; f++)
            m[f] = csv_number(t, i, "mtf");
        assert_int_equal(lt_sii_from_mtf(csv_number(t, i, "csns_db"), m, &speech, &noise, &(lt_error){0}), LT_OK);
        const double eardrum = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).eardrum_db;
        bad += !near_abs("speech", speech, csv_number(t, i, "speech_5p2_db"), 1e-4);
        bad += !near_abs("noise", noise, csv_number(t, i, "noise_5p2_db"), 1e-4);
        bad += !near_abs("speech, eardrum", speech - eardrum, csv_number(t, i, "speech_5p3_db"), 1e-4);
        bad += !near_abs("noise, eardrum", noise - eardrum, csv_number(t, i, "noise_5p3_db"), 1e-4);
    }
    csv_free(t);
    assert_int_equal(bad, 0);
}

/* Annex A, by hand: speech 10 dB above the level where distortion begins, all of it heard. L = 1 - (10 - J) / 160. */
static void conductive_loss_shifts_the_distortion(void **state)
{
    (void)state;
    double speech[LT_SII_BANDS_MAX], noise[LT_SII_BANDS_MAX], loss[LT_SII_BANDS_MAX];
    lt_sii_result r;
    int bad = 0;
    for (size_t i = 0; i < lt_sii_band_count(LT_SII_OCTAVE); i++) {
        speech[i] = lt_sii_speech_db(LT_SII_OCTAVE, LT_EFFORT_NORMAL, i) + 20.0;
        noise[i] = -50.0;
        loss[i] = 4.0;
    }
    assert_int_equal(
        lt_sii_with_loss(LT_SII_OCTAVE, LT_SII_AVERAGE, NULL, speech, noise, loss, loss, &r, &(lt_error){0}), LT_OK);
    for (size_t i = 0; i + 1 < r.count; i++) /* at 8 kHz the internal noise takes a part */
        bad += !near_abs("audibility", r.bands[i].audibility, 1.0 - 6.0 / 160.0, 1e-9);
    assert_int_equal(bad, 0);
}

/* The standard's own speech spectra, printed for every procedure: those of the thirds, converted, give the others
 * within what a smooth spectrum varies inside a band. */
static void thirds_convert_to_every_procedure(void **state)
{
    (void)state;
    int bad = 0;
    double third[LT_SPEECH_BANDS], flat[LT_SPEECH_BANDS], out[LT_SII_BANDS_MAX], noise[LT_SII_BANDS_MAX];
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        third[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, LT_EFFORT_NORMAL, i);
        flat[i] = 20.0;
    }
    for (size_t k = 0; k < COUNT(methods); k++) {
        lt_sii_result direct, converted;
        const lt_sii_method m = methods[k].method;
        double own[LT_SII_BANDS_MAX];
        lt_sii_from_thirds(m, flat, noise);
        lt_sii_from_thirds(m, third, out);
        for (size_t i = 0; i < lt_sii_band_count(m); i++) {
            own[i] = lt_sii_speech_db(m, LT_EFFORT_NORMAL, i);
            bad += !near_abs("flat", noise[i], 20.0, 1e-9);
            bad += !near_abs(methods[k].name, out[i], own[i], 2.0);
        }
        lt_sii_interpolate_thirds(m, flat, out);
        bad += !near_abs("threshold", out[0], 20.0, 1e-9);
        lt_sii_from_thirds(m, third, out);
        assert_int_equal(lt_sii(m, LT_SII_AVERAGE, NULL, own, noise, NULL, &direct, &(lt_error){0}), LT_OK);
        assert_int_equal(lt_sii(m, LT_SII_AVERAGE, NULL, out, noise, NULL, &converted, &(lt_error){0}), LT_OK);
        bad += !near_abs("SII", converted.sii, direct.sii, 0.02);
    }
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(band_tables_match_the_second_entry),
        cmocka_unit_test(importance_tables_match_the_second_entry),
        cmocka_unit_test(octave_importance_is_the_sum_of_one_third_octaves),
        cmocka_unit_test(worked_examples_agree),
        cmocka_unit_test(distance_examples_agree),
        cmocka_unit_test(white_noise_examples_agree),
        cmocka_unit_test(overall_levels_agree),
        cmocka_unit_test(modulation_transfer_examples_agree),
        cmocka_unit_test(conductive_loss_shifts_the_distortion),
        cmocka_unit_test(thirds_convert_to_every_procedure),
    };
    return cmocka_run_group_tests_name("speech_sii", tests, NULL, NULL);
}
