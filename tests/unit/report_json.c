/* SPDX-License-Identifier: MIT
 * JSON results: null for what is not known, valid UTF-8 whatever goes in, numbers without a tail, order kept. Reading
 * back is done by jansson, an independent parser of RFC 8259. */
#include "fault.h"
#include "near.h"
#include "report_fixture.h"
#include "suite.h"

#include "report/json_build.h"

#include <locale.h>
#include <stdlib.h>
#include <string.h>

SUITE(report_json);

static const lt_json_head head = {.version = "1.2.3", .command = "test"};

/* Parse a text that must be one strict JSON object with the common head; frees the text. */
static json_t *parsed(lt_status status, char **result)
{
    json_error_t e;
    char *text = *result;
    *result = NULL;
    assert_int_equal(status, LT_OK);
    assert_non_null(text);
    json_t *root = json_loads(text, JSON_REJECT_DUPLICATES, &e);
    if (root == NULL)
        fail_msg("line %d: %s\n%s", e.line, e.text, text);
    assert_int_equal(text[strlen(text) - 1], '\n');
    lt_text_free(text);
    return root;
}

static json_t *member(json_t *object, const char *path)
{
    char key[64];
    while (*path != '\0') {
        const size_t n = strcspn(path, ".");
        (void)snprintf(key, sizeof key, "%.*s", (int)n, path);
        object = json_is_array(object) ? json_array_get(object, (size_t)atoi(key)) : json_object_get(object, key);
        path += n + (path[n] == '.' ? 1 : 0);
    }
    return object;
}

static void numbers_have_fixed_decimals(void **state)
{
    (void)state;
    static const struct {
        double value;
        int decimals;
        const char *want;
    } rows[] = {
        {12.3, 3, "12.3"},
        {12.3004, 3, "12.3"},
        {-0.00001, 3, "0.0"},
        {0.1 + 0.2, 6, "0.3"},
        {1e8 / 3.0, 3, "33333333.333"},
        {-71.23456, 3, "-71.235"},
        {31.5, 2, "31.5"},
        {5.0, 2, "5.0"},
        {(double)NAN, 3, "null"},
        {(double)INFINITY, 3, "null"},
        {-(double)INFINITY, 3, "null"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        json_t *value = ltp_json_number(rows[i].value, rows[i].decimals);
        char *text = json_dumps(value, JSON_ENCODE_ANY | JSON_REAL_PRECISION(15));
        assert_non_null(text);
        if (strcmp(text, rows[i].want) != 0) {
            (void)fprintf(stderr, "row %zu: %s, want %s\n", i, text, rows[i].want);
            bad++;
        }
        free(text);
        json_decref(value);
    }
    assert_int_equal(bad, 0);
}

/* Forms of RFC 3629 and of its violations. */
static void text_becomes_valid_utf8(void **state)
{
    (void)state;
#define BAD "\xEF\xBF\xBD"
    static const struct {
        const char *text, *want;
    } rows[] = {
        {"", ""},
        {"plain \"quoted\" \\ / \n\t\x01", "plain \"quoted\" \\ / \n\t\x01"},
        {"M\xC3\xBCller \xE2\x82\xAC \xF0\x9F\x9A\x97", "M\xC3\xBCller \xE2\x82\xAC \xF0\x9F\x9A\x97"},
        {"a\xFF"
         "b",
         "a" BAD "b"},
        {"\xC3", BAD},
        {"\xE2\x82", BAD BAD},
        {"\xC0\xAF", BAD BAD},                    /* overlong */
        {"\xE0\x80\xAF", BAD BAD BAD},            /* overlong */
        {"\xED\xA0\x80", BAD BAD BAD},            /* surrogate */
        {"\xF4\x90\x80\x80", BAD BAD BAD BAD},    /* above U+10FFFF */
        {"\xF4\x8F\xBF\xBF", "\xF4\x8F\xBF\xBF"}, /* U+10FFFF */
        {"\xC3\x28", BAD "("},
    };
#undef BAD
    for (size_t i = 0; i < COUNT(rows); i++) {
        json_t *value = ltp_json_text(rows[i].text);
        assert_non_null(value);
        assert_string_equal(json_string_value(value), rows[i].want);
        json_decref(value);
    }
    json_t *none = ltp_json_text(NULL);
    assert_true(json_is_null(none));
    json_decref(none);
}

static void notes_come_once_and_in_order(void **state)
{
    (void)state;
    lt_notes command = {0}, result = {0};
    char *text = NULL;
    lt_error err = {0};
    lt_levels *levels = calloc(1, sizeof *levels);
    assert_non_null(levels);
    lt_notes_add(&command, "uncalibrated", "levels are dBFS");
    lt_notes_add(&result, "short", "only 5 s");
    lt_notes_add(&result, "uncalibrated", "levels are dBFS");
    levels->notes = result;
    const char *inputs[] = {"a.wav", "b\xFF.wav"};
    const lt_json_head h = {
        .version = "1.2.3", .command = "noise", .inputs = inputs, .input_count = 2, .warnings = &command};
    const lt_status status = lt_json_levels(&h, levels, &text, &err);
    assert_true(strstr(text, "\"lanetune\"") < strstr(text, "\"command\""));
    assert_true(strstr(text, "\"inputs\"") < strstr(text, "\"warnings\""));
    assert_true(strstr(text, "\"warnings\"") < strstr(text, "\"result\""));
    json_t *root = parsed(status, &text);
    assert_int_equal(json_array_size(member(root, "warnings")), 2);
    assert_string_equal(json_string_value(member(root, "warnings.0.code")), "uncalibrated");
    assert_string_equal(json_string_value(member(root, "warnings.1.message")), "only 5 s");
    assert_string_equal(json_string_value(member(root, "inputs.1")), "b\xEF\xBF\xBD.wav");
    json_decref(root);
    free(levels);
}

static void silence_and_hum(void **state)
{
    (void)state;
    lt_error err = {0};
    char *text = NULL;
    lt_levels *l = calloc(1, sizeof *l);
    assert_non_null(l);
    l->laeq_db = -(double)INFINITY;
    l->band_count = 1;
    l->bands[0] = (lt_level_band){.band = lt_third_octave(-15), .leq_db = 1.0, .l10_db = (double)NAN};
    json_t *root = parsed(lt_json_levels(&head, l, &text, &err), &text);
    assert_true(json_is_null(member(root, "result.laeq_db")));
    assert_true(json_is_null(member(root, "result.hum")));
    assert_true(json_is_null(member(root, "result.bands.0.l10_db")));
    assert_true(near_abs("nominal", json_number_value(member(root, "result.bands.0.hz")), 31.5, 0.0));
    json_decref(root);
    l->hum = true;
    l->mains_hz = 60.0;
    l->hum_level_db = -40.0;
    l->line_count = 2;
    l->lines[1] = (lt_hum_line){180.0, -50.0};
    root = parsed(lt_json_levels(&head, l, &text, &err), &text);
    assert_int_equal(json_array_size(member(root, "result.hum.lines")), 2);
    assert_true(near_abs("line", json_number_value(member(root, "result.hum.lines.1.hz")), 180.0, 0.0));
    json_decref(root);
    free(l);
}

static void calibration_moves_every_speech_level(void **state)
{
    (void)state;
    lt_error err = {0};
    char *text = NULL;
    lt_talk_test *t = calloc(1, sizeof *t);
    assert_non_null(t);
    t->level = (lt_active_level){.active_level_db = -26.0, .long_term_level_db = -29.0, .activity_percent = 50.0};
    t->noise_level_db = (double)NAN;
    t->band_count = 1;
    t->bands[0].band = lt_third_octave(0);
    t->bands[0].speech_db = -30.0;
    t->bands[0].noise_db = -(double)INFINITY;
    json_t *root = parsed(lt_json_talk_test(&head, t, 100.0, NULL, &text, &err), &text);
    assert_true(near_abs("active", json_number_value(member(root, "result.active_level_db")), 74.0, 1e-9));
    assert_true(near_abs("long", json_number_value(member(root, "result.long_term_level_db")), 71.0, 1e-9));
    assert_true(near_abs("activity", json_number_value(member(root, "result.activity_percent")), 50.0, 1e-9));
    assert_true(near_abs("band", json_number_value(member(root, "result.bands.0.speech_db")), 70.0, 1e-9));
    assert_true(json_is_null(member(root, "result.noise_level_db")));
    assert_true(json_is_null(member(root, "result.bands.0.noise_db")));
    json_decref(root);
    free(t);
}

static void margin_without_a_loop(void **state)
{
    (void)state;
    lt_error err = {0};
    char *text = NULL;
    const double unknown = (double)NAN;
    const lt_margin m = {.stable = true,
                         .margin_db = unknown,
                         .safe_margin_db = unknown,
                         .ring_hz = unknown,
                         .safe_hz = unknown,
                         .safe_margin_with_notches_db = unknown,
                         .margin_with_notches_db = unknown};
    json_t *root = parsed(lt_json_margin(&head, &m, 6.0, &text, &err), &text);
    static const char *const nulls[] = {"margin_db", "safe_margin_db", "ring_hz", "safe_margin_with_notches_db"};
    assert_true(json_is_true(member(root, "result.stable")));
    for (size_t i = 0; i < COUNT(nulls); i++)
        assert_true(json_is_null(json_object_get(json_object_get(root, "result"), nulls[i])));
    assert_int_equal(json_array_size(member(root, "result.candidates")), 0);
    json_decref(root);
}

static void response_that_knows_little(void **state)
{
    (void)state;
    lt_error err = {0};
    char *text = NULL;
    lt_response *r = calloc(1, sizeof *r);
    assert_non_null(r);
    r->rate_hz = 48000.0;
    r->drift_ppm = r->edt_s = r->t20_s = r->c50_db = (double)NAN;
    r->band_count = 1;
    r->bands[0] = (lt_response_band){.band = lt_third_octave(1), .level_db = -3.0, .thd_percent = (double)NAN};
    r->arrival_count = 1;
    r->arrivals[0] = (lt_arrival){2.25, -9.5};
    json_t *root = parsed(lt_json_response(&head, r, &text, &err), &text);
    assert_true(json_is_null(member(root, "result.polarity")));
    assert_true(json_is_null(member(root, "result.drift_ppm")));
    assert_true(json_is_null(member(root, "result.decay.t20_s")));
    assert_true(json_is_null(member(root, "result.bands.0.thd_percent")));
    assert_true(near_abs("hz", json_number_value(member(root, "result.bands.0.hz")), 1250.0, 0.0));
    assert_true(near_abs("arrival", json_number_value(member(root, "result.arrivals.0.delay_ms")), 2.25, 1e-9));
    json_decref(root);
    r->polarity = -1;
    root = parsed(lt_json_response(&head, r, &text, &err), &text);
    assert_int_equal(json_integer_value(member(root, "result.polarity")), -1);
    json_decref(root);
    free(r);
}

static void every_survey_becomes_json(void **state)
{
    (void)state;
    for (int kind = 0; kind < REPORT_FIXTURE_COUNT; kind++) {
        lt_error err = {0};
        char *text = NULL;
        report_fixture f = report_fixture_make((report_fixture_kind)kind);
        const size_t count = f.survey->lane_count;
        const lt_status status = lt_json_tune(&head, f.results, count, &text, &err);
        assert_null(strstr(text, "nan"));
        assert_null(strstr(text, "inf,"));
        json_t *root = parsed(status, &text);
        json_t *lanes = member(root, "result.lanes");
        assert_int_equal(json_array_size(lanes), count);
        for (size_t i = 0; i < count; i++) {
            json_t *lane = json_array_get(lanes, i);
            const lt_tune_result *r = &f.results[i];
            assert_int_equal(json_integer_value(member(lane, "lane")), r->lane);
            assert_int_equal(json_integer_value(member(lane, "outbound.step")), r->outbound_step);
            assert_int_equal(json_array_size(member(lane, "binding")), r->binding_count);
            assert_int_equal(json_array_size(member(lane, "unmet")), r->unmet_count);
            assert_int_equal(json_array_size(member(lane, "notches")), r->notch_count);
            assert_int_equal(json_array_size(member(lane, "advice")), r->advice_count);
            assert_int_equal(json_array_size(member(lane, "assumptions")), r->assumptions.count);
            assert_int_equal(json_is_null(member(lane, "ear_dba.after")), !lt_is_known(r->after.ear_dba));
            if (lt_is_known(r->before.sii_inbound))
                assert_true(near_abs("SII", json_number_value(member(lane, "sii.inbound.before")),
                                     r->before.sii_inbound, 1e-6));
        }
        json_decref(root);
        report_fixture_free(&f);
    }
}

/* A program around the library may have chosen a locale with a decimal comma. */
static void a_decimal_comma_changes_nothing(void **state)
{
    (void)state;
    static const char *const names[] = {"de_DE.UTF-8", "de_DE", "fr_FR.UTF-8"};
    lt_error err = {0};
    char *plain = NULL, *comma = NULL;
    const lt_stimulus_info info = {.rate_hz = 48000.0, .seconds = 12.3456, .peak_dbfs = -6.02, .kind = "sweep"};
    assert_int_equal(lt_json_stimulus(&head, &info, &plain, &err), LT_OK);
    const char *set = NULL;
    for (size_t i = 0; i < COUNT(names) && set == NULL; i++)
        set = setlocale(LC_ALL, names[i]);
    const lt_status status = lt_json_stimulus(&head, &info, &comma, &err);
    (void)setlocale(LC_ALL, "C");
    assert_int_equal(status, LT_OK);
    assert_string_equal(plain, comma);
    assert_non_null(strstr(plain, "12.3456"));
    lt_text_free(plain);
    lt_text_free(comma);
}

static lt_status make_json(void *context, lt_error *err)
{
    char *text = NULL;
    const lt_status status = lt_json_margin(&head, context, 6.0, &text, err);
    if (status != LT_OK)
        assert_null(text);
    lt_text_free(text);
    return status;
}

static void out_of_memory_is_said(void **state)
{
    (void)state;
    lt_margin m = {.stable = true, .notch_count = 2, .candidate_count = 2};
    assert_survives_faults(make_json, &m);
}

int report_json_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_have_fixed_decimals),          cmocka_unit_test(text_becomes_valid_utf8),
        cmocka_unit_test(notes_come_once_and_in_order),         cmocka_unit_test(silence_and_hum),
        cmocka_unit_test(calibration_moves_every_speech_level), cmocka_unit_test(margin_without_a_loop),
        cmocka_unit_test(response_that_knows_little),           cmocka_unit_test(every_survey_becomes_json),
        cmocka_unit_test(a_decimal_comma_changes_nothing),      cmocka_unit_test(out_of_memory_is_said),
    };
    return cmocka_run_group_tests_name("report_json", tests, NULL, NULL);
}
