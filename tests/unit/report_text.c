/* SPDX-License-Identifier: MIT
 * Text for a terminal: the answer first, at most 80 columns, dashes for what is not known, no control characters. */
#include "fault.h"
#include "near.h"
#include "report_fixture.h"
#include "suite.h"

#include "report/text_build.h"

#include <stdlib.h>
#include <string.h>

SUITE(report_text);

/* Width of the widest line in characters; fails at control characters and at "nan" or "inf" as words. */
static size_t checked_width(const char *text)
{
    size_t widest = 0, width = 0;
    for (const char *s = text; *s != '\0'; s++) {
        const unsigned char u = (unsigned char)*s;
        if (u == '\n') {
            widest = width > widest ? width : widest;
            width = 0;
            continue;
        }
        if (u < 0x20 || u == 0x7F)
            fail_msg("control character %u in:\n%s", u, text);
        width += (u & 0xC0u) != 0x80u ? 1 : 0;
    }
    assert_int_equal(width, 0); /* the last line is ended */
    assert_null(strstr(text, " nan"));
    assert_null(strstr(text, " inf"));
    return widest;
}

static char *wrapped(const char *lead, const char *sentence)
{
    ltp_textbuf b;
    char *text = NULL;
    lt_error err = {0};
    ltp_text_init(&b, 0);
    ltp_text_wrap(&b, lead, sentence);
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_OK);
    return text;
}

static void sentences_wrap(void **state)
{
    (void)state;
    static const char eighty[] = "1234567890123456789012345678901234567890123456789012345678901234567890 2345 7890";
    char *text = wrapped("", eighty); /* 80 characters stay one line */
    assert_int_equal(strlen(eighty), 80);
    assert_int_equal(strcspn(text, "\n"), 80);
    lt_text_free(text);
    text = wrapped("x", eighty);
    assert_string_equal(text, "x1234567890123456789012345678901234567890123456789012345678901234567890 2345\n 7890\n");
    lt_text_free(text);
    text = wrapped("Note: ", "  two   blanks\nand a line end ");
    assert_string_equal(text, "Note: two blanks and a line end\n");
    lt_text_free(text);
    char endless[300];
    memset(endless, 'a', sizeof endless - 1);
    endless[sizeof endless - 1] = '\0';
    text = wrapped("Note: ", endless);
    assert_int_equal(checked_width(text), 80);
    lt_text_free(text);
    text = wrapped("", "a\x1b[31mred\x7f");
    assert_string_equal(text, "a?[31mred?\n");
    lt_text_free(text);
    text = wrapped("", "");
    assert_string_equal(text, "\n");
    lt_text_free(text);
}

static void sentences_wrap_to_any_width(void **state)
{
    (void)state;
    ltp_textbuf b;
    char *text = NULL;
    lt_error err = {0};
    ltp_text_init(&b, 0);
    ltp_text_wrap_to(&b, 20, 4, "  ",
                     "Stra\xc3\x9f"
                     "e und H\xc3\xb6"
                     "fe zu voll, und abcdefghijklmnopqrstuvwxyz");
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_OK);
    assert_string_equal(text, "  Stra\xc3\x9f"
                              "e und H\xc3\xb6"
                              "fe zu\n    voll, und\n    abcdefghijklmnop\n    qrstuvwxyz\n");
    assert_int_equal(ltp_text_width(text, strcspn(text, "\n")), 20);
    lt_text_free(text);
}

static void names_are_cut_in_front(void **state)
{
    (void)state;
    static const struct {
        const char *name;
        size_t width;
        const char *want;
    } rows[] = {
        {"lane.wav", 8, "lane.wav"},
        {"a-long-name.wav", 10, "...ame.wav"},
        {"M\xC3\xBCller.wav", 10, "M\xC3\xBCller.wav"},
        {"xx\xC3\xBC\xC3\xBC\xC3\xBC\xC3\xBC\xC3\xBC.wav", 8, "...\xC3\xBC.wav"},
        {"a\nb", 8, "a?b"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        ltp_textbuf b;
        char *text = NULL;
        lt_error err = {0};
        ltp_text_init(&b, 0);
        ltp_text_name(&b, rows[i].name, rows[i].width);
        assert_int_equal(ltp_text_take(&b, &text, &err), LT_OK);
        assert_string_equal(text, rows[i].want);
        lt_text_free(text);
    }
}

static void columns_are_right_aligned(void **state)
{
    (void)state;
    ltp_textbuf b;
    char *text = NULL;
    lt_error err = {0};
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "|");
    ltp_text_column(&b, -3.14159, 2, 8);
    ltp_text_column(&b, (double)NAN, 2, 4);
    ltp_text_column(&b, 123456.7, 1, 3); /* never cut */
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_OK);
    assert_string_equal(text, "|   -3.14   -123456.7");
    lt_text_free(text);
}

static void margins_say_what_they_mean(void **state)
{
    (void)state;
    const double unknown = (double)NAN;
    static const char *const want[] = {
        "stable: 7.3 dB below howling at 2140 Hz\nsafe margin 5.0 dB",
        "UNSTABLE: it howls, 2.5 dB above the onset at 900 Hz",
        "stable: no frequency comes round in phase\nsafe margin 12.0 dB",
        "stable: there is no gain around the loop",
    };
    const lt_margin margins[] = {
        {.stable = true, .margin_db = 7.3, .safe_margin_db = 5.0, .ring_hz = 2140.0},
        {.stable = false, .margin_db = -2.5, .safe_margin_db = -3.0, .ring_hz = 900.0},
        {.stable = true, .margin_db = unknown, .safe_margin_db = 12.0, .ring_hz = unknown},
        {.stable = true, .margin_db = unknown, .safe_margin_db = unknown, .ring_hz = unknown},
    };
    for (size_t i = 0; i < COUNT(want); i++) {
        lt_error err = {0};
        char *text = NULL;
        assert_int_equal(lt_text_margin(&margins[i], 6.0, "loop.wav", &text, &err), LT_OK);
        assert_int_equal(strncmp(text, want[i], strlen(want[i])), 0);
        assert_true(checked_width(text) <= LTP_COLUMNS);
        lt_text_free(text);
    }
}

static void sii_is_judged(void **state)
{
    (void)state;
    static const struct {
        double sii;
        const char *want; /* limits of ANSI S3.5-1997 */
    } rows[] = {
        {0.449, "SII 0.449: poor"}, {0.45, "SII 0.450: fair"}, {0.749, "SII 0.749: fair"}, {0.75, "SII 0.750: good"}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_error err = {0};
        char *text = NULL;
        const lt_sii_result r = {.sii = rows[i].sii};
        assert_int_equal(lt_text_sii(&r, NULL, NULL, &text, &err), LT_OK);
        assert_int_equal(strncmp(text, rows[i].want, strlen(rows[i].want)), 0);
        lt_text_free(text);
    }
}

/* The fullest results that fit into the structures, and the emptiest. */
static void measurements_fit_80_columns(void **state)
{
    (void)state;
    static const double values[] = {-123.456, (double)NAN, 0.0};
    static const char name[] =
        "visits/2024-05-14/a-lane-with-a-rather-long-name/somewhere/deep/outbound.windy-evening.wav";
    lt_levels *l = calloc(1, sizeof *l);
    lt_response *r = calloc(1, sizeof *r);
    lt_talk_test *t = calloc(1, sizeof *t);
    assert_true(l != NULL && r != NULL && t != NULL);
    for (size_t v = 0; v < COUNT(values); v++) {
        lt_error err = {0};
        char *text = NULL;
        const double x = values[v];
        l->seconds = 3600.0;
        l->laeq_db = l->lceq_db = l->lafmax_db = l->la10_db = l->la50_db = l->la90_db = l->peak_dbfs = x;
        l->band_count = LT_LEVEL_BANDS_MAX;
        l->hum = true;
        l->mains_hz = 50.0;
        l->hum_level_db = x;
        l->line_count = LT_HUM_LINES_MAX;
        for (size_t i = 0; i < LT_LEVEL_BANDS_MAX; i++)
            l->bands[i] = (lt_level_band){.band = lt_third_octave((int)i - 18), .leq_db = x, .l10_db = x};
        assert_int_equal(lt_text_levels(l, name, v == 0, &text, &err), LT_OK);
        assert_true(checked_width(text) <= LTP_COLUMNS);
        assert_int_equal(strncmp(text, "LAeq", 4), 0);
        lt_text_free(text);
        *r =
            (lt_response){.rate_hz = 192000.0, .from_hz = 10.0, .to_hz = 88000.0, .delay_ms = 12345.678, .polarity = 1};
        r->drift_ppm = r->snr_db = r->edt_s = r->t20_s = r->c50_db = x;
        r->repeats = 64;
        r->band_count = LT_RESPONSE_BANDS_MAX;
        r->arrival_count = LT_ARRIVALS_MAX;
        for (size_t i = 0; i < LT_RESPONSE_BANDS_MAX; i++)
            r->bands[i] = (lt_response_band){.band = lt_third_octave((int)i - 18), .level_db = x, .snr_db = x};
        lt_notes_add(&r->notes, "low-snr", "%0250d", 1);
        assert_int_equal(lt_text_response(r, name, &text, &err), LT_OK);
        assert_true(checked_width(text) <= LTP_COLUMNS);
        assert_int_equal(strncmp(text, "direct arrival after 12345.678 ms", 33), 0);
        lt_text_free(text);
        t->level = (lt_active_level){x, x, 50.0, 0.0};
        t->noise_level_db = x;
        t->band_count = LT_TALK_BANDS_MAX;
        for (size_t i = 0; i < LT_TALK_BANDS_MAX; i++)
            t->bands[i].band = lt_third_octave((int)i - 18);
        assert_int_equal(lt_text_talk_test(t, name, 0.0, v == 0, NULL, &text, &err), LT_OK);
        assert_true(checked_width(text) <= LTP_COLUMNS);
        lt_text_free(text);
    }
    free(l);
    free(r);
    free(t);
}

static void every_survey_becomes_text(void **state)
{
    (void)state;
    for (int kind = 0; kind < REPORT_FIXTURE_COUNT; kind++) {
        lt_error err = {0};
        char *text = NULL;
        report_fixture f = report_fixture_make((report_fixture_kind)kind);
        assert_int_equal(lt_text_tune(f.results, f.survey->lane_count, &text, &err), LT_OK);
        const size_t width = checked_width(text);
        if (width > LTP_COLUMNS)
            fail_msg("%s: %zu columns\n%s", report_fixture_names[kind], width, text);
        assert_int_equal(strncmp(text, "Settings to dial in", 19), 0);
        for (size_t i = 0; i < f.survey->lane_count; i++) {
            char title[32];
            (void)snprintf(title, sizeof title, "\nLane %u", f.results[i].lane);
            assert_non_null(strstr(text, title));
        }
        lt_text_free(text);
        report_fixture_free(&f);
    }
}

static lt_status make_text(void *context, lt_error *err)
{
    char *text = NULL;
    const lt_status status = lt_text_margin(context, 6.0, "loop.wav", &text, err);
    if (status != LT_OK)
        assert_null(text);
    lt_text_free(text);
    return status;
}

static void out_of_memory_is_said(void **state)
{
    (void)state;
    lt_margin m = {.stable = true, .candidate_count = LT_CANDIDATES_MAX, .notch_count = LT_NOTCHES_MAX};
    assert_survives_faults(make_text, &m);
}

int report_text_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sentences_wrap),
        cmocka_unit_test(sentences_wrap_to_any_width),
        cmocka_unit_test(names_are_cut_in_front),
        cmocka_unit_test(columns_are_right_aligned),
        cmocka_unit_test(margins_say_what_they_mean),
        cmocka_unit_test(sii_is_judged),
        cmocka_unit_test(measurements_fit_80_columns),
        cmocka_unit_test(every_survey_becomes_text),
        cmocka_unit_test(out_of_memory_is_said),
    };
    return cmocka_run_group_tests_name("report_text", tests, NULL, NULL);
}
