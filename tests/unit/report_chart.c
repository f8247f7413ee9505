/* SPDX-License-Identifier: MIT
 * Charts: what reaches gnuplot's script, what is let through from its drawings, and what happens without gnuplot. */
#include "fault.h"
#include "near.h"
#include "report_fixture.h"
#include "scratch.h"
#include "suite.h"

#include "report/chart.h"

#include <string.h>

static ltp_charts *planned(report_fixture *f)
{
    ltp_charts *c = NULL;
    lt_error err = {0};
    assert_int_equal(ltp_charts_create(f->survey->lane_count, &c, &err), LT_OK);
    for (size_t i = 0; i < f->survey->lane_count; i++) {
        const ltp_lane_view v = ltp_lane_view_of(f->survey, f->results, i);
        ltp_chart_speech(c, &v);
        ltp_chart_noise(c, &v);
        ltp_chart_echo(c, &v);
        ltp_chart_impulse(c, &v);
        ltp_chart_responses(c, &v);
        assert_int_equal(ltp_chart_loop_gain(c, &v, &err), LT_OK);
    }
    assert_int_equal(c->script.status, LT_OK);
    return c;
}

/* ---- the cleaner ---- */

static bool clean(const char *svg, const char *word, char **out)
{
    ltp_charts c = {0};
    const char *words[] = {word};
    c.words = words;
    c.word_count = word != NULL ? 1 : 0;
    ltp_textbuf b;
    lt_error err = {0};
    ltp_text_init(&b, 0);
    const bool whole = ltp_chart_clean(&c, svg, strlen(svg), "p-", "A title", &b);
    assert_int_equal(ltp_text_take(&b, out, &err), LT_OK);
    return whole;
}

#define HEAD                                                                                                           \
    "<svg class=\"chart\" viewBox=\"0 0 9 9\" role=\"img\" aria-labelledby=\"p-title\"><title id=\"p-title\">A "       \
    "title</title>"

static void drawings_are_cleaned(void **state)
{
    (void)state;
    static const struct {
        const char *in, *word, *want;
    } rows[] = {
        {"<?xml version='1.0'?><!-- a > b --><svg width='9' viewBox=\"0 0 9 9\" onload='x()'></svg>", NULL,
         HEAD "</svg>"},
        {"<svg viewBox='0 0 9 9'><title>Gnuplot</title><desc>5.4</desc><g id=\"a\" fill='none'><rect x='1'/></g></svg>",
         NULL, HEAD "<g fill=\"none\"><rect x=\"1\"/></g></svg>"},
        {"<svg viewBox='0 0 9 9'><script>alert(1)</script><path d='M1,2\n L3,4 ' onclick='y'/></svg>", NULL,
         HEAD "<path d=\"M1,2 L3,4\"/></svg>"},
        {"<svg viewBox='0 0 9 9'><defs><path id='p' d='M0 0'/></defs><use xlink:href='#p'/></svg>", NULL,
         HEAD "</svg>"},
        {"<svg viewBox='0 0 9 9'><rect fill='url(#p)' style='fill:url(http://x)' x='1'/></svg>", NULL,
         HEAD "<rect x=\"1\"/></svg>"},
        {"<svg viewBox='0 0 9 9'><g font-family=\"Arial\" font-size=\"14.00\"><text>5 &lt; 6</text></g></svg>", NULL,
         HEAD "<g font-size=\"14.00\"><text>5 &lt; 6</text></g></svg>"},
        {"<svg viewBox='0 0 9 9'><text>@@0@@ @@1@@ @@</text></svg>", "<b>&",
         HEAD "<text>&lt;b&gt;&amp; @@1@@ @@</text></svg>"},
        {"<svg viewBox='0 0 9 9'>stray text<g>more<g></g></g></div><rect x='1'/></svg>", NULL,
         HEAD "<rect x=\"1\"/></svg>"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        char *out = NULL;
        if (!clean(rows[i].in, rows[i].word, &out) || strcmp(out, rows[i].want) != 0) {
            (void)fprintf(stderr, "row %zu:\n got  %s\n want %s\n", i, out, rows[i].want);
            bad++;
        }
        lt_text_free(out);
    }
    assert_int_equal(bad, 0);
}

static void broken_drawings_are_refused(void **state)
{
    (void)state;
    static const char *const rows[] = {
        "",
        "no markup at all",
        "<svg viewBox='0 0 9 9'>",
        "<svg viewBox='0 0 9 9'><g></svg",
        "<g></g>",
        "<svg viewBox='0 0 9 9'><g>",
        "<svg",
        "<!-- never closed <svg></svg>",
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        char *out = NULL;
        if (clean(rows[i], NULL, &out)) {
            (void)fprintf(stderr, "row %zu passed: %s\n", i, out);
            bad++;
        }
        lt_text_free(out);
    }
    assert_int_equal(bad, 0);
}

/* ---- the script ---- */

static void a_full_lane_has_its_charts(void **state)
{
    (void)state;
    static const bool want[LTP_CHART_KINDS] = {
        [LTP_CHART_SPEECH_EAR] = true, [LTP_CHART_SPEECH_OPERATOR] = true, [LTP_CHART_LOOP_GAIN] = true,
        [LTP_CHART_NOISE] = true,      [LTP_CHART_IMPULSE] = true,         [LTP_CHART_OUTBOUND] = true,
        [LTP_CHART_INBOUND] = true,    [LTP_CHART_LANE_COUPLING] = true,   [LTP_CHART_ECHO] = true,
    };
    report_fixture f = report_fixture_make(REPORT_THREE_LANES);
    ltp_charts *c = planned(&f);
    int bad = 0;
    for (size_t lane = 0; lane < 3; lane++)
        for (int kind = 0; kind < LTP_CHART_KINDS; kind++)
            bad += ltp_charts_at(c, lane, (ltp_chart_kind)kind)->wanted != want[kind];
    assert_int_equal(bad, 0);
    /* Echo 18.4 ms after the direct sound at 18 degrees: 343.2 sqrt(291.15/293.15) m/s x 18.4 ms = 6.29 m (ISO 9613-1).
     */
    assert_non_null(strstr(c->script.text, "echo +18.4 ms = 6.3 m path"));
    ltp_charts_free(c);
    report_fixture_free(&f);
}

static void push_to_talk_has_no_loop(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    f.survey->lanes[0].tune.duplex = LT_DUPLEX_PUSH_TO_TALK;
    ltp_charts *c = planned(&f);
    assert_false(ltp_charts_at(c, 0, LTP_CHART_LOOP_GAIN)->wanted);
    assert_true(ltp_charts_at(c, 0, LTP_CHART_IMPULSE)->wanted);
    ltp_charts_free(c);
    report_fixture_free(&f);
}

static void nothing_known_draws_nothing(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_NOTHING);
    ltp_charts *c = planned(&f);
    for (size_t i = 0; i < c->count; i++)
        assert_false(c->items[i].wanted);
    ltp_charts_free(c);
    report_fixture_free(&f);
}

/* The loop's largest value in the chart must be the safe margin of the figures: 1/|L| at one place. */
static void the_loop_chart_agrees_with_the_margin(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_THREE_LANES);
    ltp_charts *c = planned(&f);
    const char *at = c->script.text;
    int bad = 0;
    for (size_t lane = 0; lane < 3; lane++) {
        char mark[40];
        (void)snprintf(mark, sizeof mark, "@@chart %zu\"", lane * LTP_CHART_KINDS + LTP_CHART_LOOP_GAIN);
        at = strstr(c->script.text, mark);
        assert_non_null(at);
        double peak = -INFINITY;
        for (size_t k = 0; k < f.survey->lanes[lane].tune.condition_count; k++) {
            at = strstr(at, "EOD\n") + 4;
            double hz = 0.0, level = 0.0;
            for (int used = 0; sscanf(at, "%lf %lf\n%n", &hz, &level, &used) == 2; at += used)
                peak = fmax(peak, level);
            at = strstr(at, "EOD\n") + 4;
        }
        bad += !near_abs("largest loop gain", peak, -f.results[lane].after.safe_margin_db, 0.1);
    }
    assert_int_equal(bad, 0);
    ltp_charts_free(c);
    report_fixture_free(&f);
}

static void no_free_text_reaches_the_script(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_HOSTILE);
    ltp_charts *c = planned(&f);
    static const char *const words[] = {"system", "script>", "onload", "Donau", "alert", "`", "$("};
    for (size_t i = 0; i < COUNT(words); i++)
        if (strstr(c->script.text, words[i]) != NULL)
            fail_msg("\"%s\" stands in the script", words[i]);
    assert_true(c->word_count > 0); /* the names are there, as tokens */
    assert_non_null(strstr(c->script.text, "@@0@@"));
    ltp_charts_free(c);
    report_fixture_free(&f);
}

/* ---- gnuplot ---- */

static lt_status draw_with(ltp_charts *c, const char *gnuplot, const char *folder)
{
    const lt_report_options opt = {.version = "1", .gnuplot = gnuplot, .scratch = folder};
    lt_error err = {0};
    return ltp_charts_draw(c, &opt, &err);
}

static void without_gnuplot_there_is_no_drawing(void **state)
{
    (void)state;
    /* Not there, fails, answers nothing, answers its own script, and no program at all. */
    static const char *const programs[] = {"/nonexistent/gnuplot", "false", "true", "cat", "", NULL};
    scratch s = scratch_make();
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    for (size_t i = 0; i < COUNT(programs); i++) {
        ltp_charts *c = planned(&f);
        assert_int_equal(draw_with(c, programs[i], s.path), LT_OK);
        assert_false(c->drawn);
        for (size_t k = 0; k < c->count; k++)
            assert_int_equal(c->items[k].svg.length, 0);
        ltp_charts_free(c);
    }
    report_fixture_free(&f);
    assert_int_equal(rmdir(s.path), 0); /* nothing was left behind */
}

static void a_folder_that_cannot_be_written_is_an_error(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    ltp_charts *c = planned(&f);
    const lt_report_options opt = {.version = "1", .gnuplot = "true", .scratch = "/nonexistent/folder"};
    lt_error err = {0};
    assert_int_equal(ltp_charts_draw(c, &opt, &err), LT_E_IO);
    assert_non_null(strstr(err.what, "/nonexistent/folder"));
    ltp_charts_free(c);
    report_fixture_free(&f);
}

static bool is_gnuplot_there(void)
{
    return system("command -v gnuplot >/dev/null 2>&1") == 0;
}

static void gnuplot_draws_every_chart_the_same_each_time(void **state)
{
    (void)state;
    if (!is_gnuplot_there())
        skip();
    scratch s = scratch_make();
    report_fixture f = report_fixture_make(REPORT_HOSTILE);
    ltp_charts *a = planned(&f), *b = planned(&f);
    assert_int_equal(draw_with(a, "gnuplot", s.path), LT_OK);
    assert_int_equal(draw_with(b, "gnuplot", s.path), LT_OK);
    assert_true(a->drawn);
    size_t drawn = 0;
    for (size_t k = 0; k < a->count; k++) {
        assert_true(a->items[k].wanted == (a->items[k].svg.length > 0));
        if (a->items[k].svg.length == 0)
            continue;
        assert_string_equal(a->items[k].svg.text, b->items[k].svg.text);
        assert_null(strstr(a->items[k].svg.text, "font-family"));
        assert_null(strstr(a->items[k].svg.text, "nuplot"));
        drawn++;
    }
    assert_int_equal(drawn, 27); /* nine a lane */
    ltp_charts_free(a);
    ltp_charts_free(b);
    report_fixture_free(&f);
    assert_int_equal(rmdir(s.path), 0);
}

SUITE(report_chart)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drawings_are_cleaned),
        cmocka_unit_test(broken_drawings_are_refused),
        cmocka_unit_test(a_full_lane_has_its_charts),
        cmocka_unit_test(push_to_talk_has_no_loop),
        cmocka_unit_test(nothing_known_draws_nothing),
        cmocka_unit_test(the_loop_chart_agrees_with_the_margin),
        cmocka_unit_test(no_free_text_reaches_the_script),
        cmocka_unit_test(without_gnuplot_there_is_no_drawing),
        cmocka_unit_test(a_folder_that_cannot_be_written_is_an_error),
        cmocka_unit_test(gnuplot_draws_every_chart_the_same_each_time),
    };
    return cmocka_run_group_tests_name("report_chart", tests, NULL, NULL);
}
