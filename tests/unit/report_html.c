/* SPDX-License-Identifier: MIT
 * The HTML page: order of its parts, words of the verdict, doubts beside numbers, escaping, sound markup, same bytes.
 */
#include "fault.h"
#include "near.h"
#include "report_fixture.h"
#include "scratch.h"
#include "suite.h"

#include "report/html.h"

#include <ctype.h>
#include <string.h>

static char *page_of(const report_fixture *f, const char *gnuplot)
{
    char *html = NULL;
    lt_error err = {0};
    scratch s = scratch_make();
    const lt_report_options opt = {.version = "1.2.3", .gnuplot = gnuplot, .scratch = s.path};
    const lt_status status = lt_report_html(f->survey, f->results, &opt, &html, &err);
    assert_int_equal(rmdir(s.path), 0); /* left as it was found */
    if (status != LT_OK)
        fail_msg("no page: %s", err.what);
    return html;
}

static char *page_of_kind(report_fixture_kind kind, const char *gnuplot)
{
    report_fixture f = report_fixture_make(kind);
    char *html = page_of(&f, gnuplot);
    report_fixture_free(&f);
    return html;
}

/* ---- markup ---- */

enum { DEPTH_MAX = 64, NAME_MAX_BYTES = 16 };

static bool is_void(const char *name)
{
    static const char *const voids[] = {"meta", "link", "!DOCTYPE"};
    for (size_t i = 0; i < COUNT(voids); i++)
        if (strcmp(name, voids[i]) == 0)
            return true;
    return false;
}

static bool is_expected(const char *name)
{
    static const char *const names[] = {
        "!DOCTYPE", "html",  "head",    "meta",     "link", "title",  "style",      "body",    "main",    "header",
        "section",  "h1",    "h2",      "h3",       "h4",   "p",      "span",       "strong",  "b",       "em",
        "bdi",      "a",     "ul",      "ol",       "li",   "dl",     "div",        "dt",      "dd",      "table",
        "thead",    "tbody", "tr",      "th",       "td",   "figure", "figcaption", "details", "summary", "svg",
        "g",        "path",  "polygon", "polyline", "rect", "circle", "text",       "tspan",
    };
    for (size_t i = 0; i < COUNT(names); i++)
        if (strcmp(name, names[i]) == 0)
            return true;
    return false;
}

/* Reads tag by tag: every element is one of ours, every one is closed in order, and no attribute runs a script. */
static void check_markup(const char *html)
{
    char open[DEPTH_MAX][NAME_MAX_BYTES];
    size_t depth = 0;
    for (const char *p = strchr(html, '<'); p != NULL; p = strchr(p, '<')) {
        const char *end = p;
        for (char quote = 0; *end != '\0' && (*end != '>' || quote != 0); end++)
            quote = quote == 0 && *end == '"' ? '"' : *end == quote ? 0 : quote;
        assert_true(*end == '>');
        const bool closing = p[1] == '/', empty = end[-1] == '/';
        char name[NAME_MAX_BYTES] = "";
        const char *start = p + (closing ? 2 : 1);
        const size_t length = strcspn(start, " />\n");
        assert_true(length > 0 && length < sizeof name);
        memcpy(name, start, length);
        if (!is_expected(name))
            fail_msg("an element <%s>: %.60s", name, p);
        for (const char *q = start; q < end; q++)
            if (isspace((unsigned char)q[0]) && q[1] == 'o' && q[2] == 'n')
                fail_msg("an attribute that runs: %.60s", p);
        if (closing) {
            if (depth == 0 || strcmp(open[depth - 1], name) != 0)
                fail_msg("</%s> closes <%s>", name, depth == 0 ? "" : open[depth - 1]);
            depth--;
        } else if (!empty && !is_void(name)) {
            assert_true(depth < DEPTH_MAX);
            memcpy(open[depth++], name, sizeof name);
        }
        p = end;
    }
    assert_int_equal(depth, 0);
}

/* What a reader sees: the text between tags, the style sheet left out, references left as they are. */
static char *text_of(const char *html)
{
    char *text = calloc(1, strlen(html) + 2), *to = text;
    assert_non_null(text);
    for (const char *p = strstr(html, "</style>"); *p != '\0'; p++) {
        if (*p == '<') {
            p = strchr(p, '>');
            *to++ = ' ';
        } else {
            *to++ = *p;
        }
    }
    return text;
}

static bool has_word(const char *text, const char *word)
{
    for (const char *p = strstr(text, word); p != NULL; p = strstr(p + 1, word))
        if ((p == text || !isalnum((unsigned char)p[-1])) && !isalnum((unsigned char)p[strlen(word)]))
            return true;
    return false;
}

static void every_page_is_sound(void **state)
{
    (void)state;
    for (int kind = 0; kind < REPORT_FIXTURE_COUNT; kind++) {
        char *html = page_of_kind((report_fixture_kind)kind, NULL);
        check_markup(html);
        char *text = text_of(html);
        static const char *const never[] = {"nan", "NaN", "inf", "-inf", "null"};
        for (size_t i = 0; i < COUNT(never); i++)
            if (has_word(text, never[i]))
                fail_msg("%s: the page says %s", report_fixture_names[kind], never[i]);
        free(text);
        lt_text_free(html);
    }
}

static void a_drawn_page_is_sound(void **state)
{
    (void)state;
    if (system("command -v gnuplot >/dev/null 2>&1") != 0)
        skip();
    report_fixture f = report_fixture_make(REPORT_HOSTILE);
    char *html = page_of(&f, "gnuplot"), *again = page_of(&f, "gnuplot");
    check_markup(html);
    assert_string_equal(html, again);
    assert_null(strstr(html, "Charts are missing"));
    assert_non_null(strstr(html, "<svg class=\"chart\""));
    lt_text_free(html);
    lt_text_free(again);
    report_fixture_free(&f);
}

static void the_page_needs_nothing_else(void **state)
{
    (void)state;
    char *html = page_of_kind(REPORT_THREE_LANES, NULL);
    static const char *const never[] = {"http:", "https:", "//", "url(", "@import", "<script", "<img", "src=", "file:"};
    for (size_t i = 0; i < COUNT(never); i++)
        if (strstr(html, never[i]) != NULL)
            fail_msg("the page holds \"%s\"", never[i]);
    lt_text_free(html);
}

/* ---- content ---- */

static void the_parts_come_in_order(void **state)
{
    (void)state;
    /* Title, date and who; verdicts; then for each lane settings, limits, changes, charts, conditions; then the rest.
     */
    static const char *const parts[] = {
        "<h1>",
        "2024-05-14",
        "A. Technician",
        "class=\"overview\"",
        "id=\"lane-1\"",
        "class=\"verdict",
        "class=\"dials\"",
        "Turn 4 steps up",
        "class=\"outcomes\"",
        "What limits it",
        "What to change",
        "Measured against the limits",
        ">Charts<",
        ">Conditions<",
        "Assumed, because it was not measured",
        "Recordings and their quality",
        "id=\"lane-2\"",
        "id=\"lane-3\"",
        "About these figures",
        "hearing protection",
        "licensed people",
        "local code",
        ">Calibration<",
        "How it was measured",
        "Units and standards",
        "ANSI S3.5-1997",
        "lanetune 1.2.3",
    };
    char *html = page_of_kind(REPORT_THREE_LANES, NULL);
    const char *at = strstr(html, "<body>");
    for (size_t i = 0; i < COUNT(parts); i++) {
        const char *next = strstr(at, parts[i]);
        if (next == NULL)
            fail_msg("\"%s\" does not follow \"%s\"", parts[i], i == 0 ? "<body>" : parts[i - 1]);
        at = next;
    }
    lt_text_free(html);
}

static void missing_charts_are_said_so(void **state)
{
    (void)state;
    static const char *const programs[] = {NULL, "/nonexistent/gnuplot", "false"};
    for (size_t i = 0; i < COUNT(programs); i++) {
        char *html = page_of_kind(REPORT_THREE_LANES, programs[i]);
        size_t count = 0;
        for (const char *p = html; (p = strstr(p, "Charts are missing")) != NULL; p++)
            count++;
        assert_int_equal(count, 3); /* at its place in each lane */
        assert_non_null(strstr(html, "gnuplot-nox"));
        assert_null(strstr(html, "<svg class=\"chart\""));
        lt_text_free(html);
    }
}

static char *written(void (*put)(ltp_textbuf *b, const ltp_lane_view *v), const ltp_lane_view *v)
{
    ltp_textbuf b;
    char *text = NULL;
    lt_error err = {0};
    ltp_text_init(&b, 0);
    put(&b, v);
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_OK);
    return text;
}

static void verdicts_are_one_true_sentence(void **state)
{
    (void)state;
    static const struct {
        double sii_out, sii_in, outbound_db, inbound_db; /* after; both stood at 0 */
        size_t binding_count, unmet_count;
        lt_limit limit;
        const char *want;
    } rows[] = {
        {0.8, 0.9, 2, -1, 1, 0, LT_LIMIT_TARGET,
         "Speech is good both ways with outbound turned 2 steps up and inbound turned 1 step down."},
        {0.75, 0.749, 0, 0, 0, 0, LT_LIMIT_TARGET,
         "Speech is good to the customer and fair to the operator with both settings left as they are."},
        {0.449, 0.45, 0, 3, 1, 0, LT_LIMIT_SAFE_MARGIN,
         "Speech is poor to the customer and fair to the operator with outbound left as it is and inbound turned 3 "
         "steps up; the feedback margin allows no more."},
        {NAN, 0.6, 0, 0, 0, 0, LT_LIMIT_TARGET,
         "Speech is fair to the operator, and cannot be rated to the customer with both settings left as they are."},
        {NAN, NAN, 0, 0, 0, 0, LT_LIMIT_TARGET,
         "How well speech is understood cannot be told from these recordings with both settings left as they are."},
        {0.2, 0.3, 2.5, 0, 1, 0, LT_LIMIT_NOISE,
         "Speech is poor both ways with outbound turned up by 2.5\xC2\xA0\x64\x42 and inbound left as it is; against "
         "the noise that is left, more gain does not help."},
        {0.2, 0.3, -20, -20, 1, 1, LT_LIMIT_EAR_LEVEL,
         "No setting keeps every limit: even at the quietest, the loudness at the customer\xE2\x80\x99s ear is missed "
         "by 3.3\xC2\xA0\x64\x42, so something has to be changed at the lane itself."},
    };
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    lt_tune_result *r = &f.results[0];
    const ltp_lane_view v = ltp_lane_view_of(f.survey, f.results, 0);
    f.survey->lanes[0].tune.outbound.now_db = f.survey->lanes[0].tune.inbound.now_db = 0.0;
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        r->after.sii_outbound = rows[i].sii_out;
        r->after.sii_inbound = rows[i].sii_in;
        r->outbound_now_db = r->inbound_now_db = 0.0;
        r->outbound_recommended_db = rows[i].outbound_db;
        r->inbound_recommended_db = rows[i].inbound_db;
        r->outbound_step = (size_t)(20.0 + rows[i].outbound_db);
        r->inbound_step = (size_t)(20.0 + rows[i].inbound_db);
        if (i == 5) /* the present setting is none of those offered */
            f.survey->lanes[0].tune.outbound.steps_db[20] = 0.3;
        r->binding_count = rows[i].binding_count;
        r->binding[0].limit = rows[i].limit;
        r->unmet_count = rows[i].unmet_count;
        r->unmet[0] = (lt_unmet){.limit = rows[i].limit, .by_db = 3.26};
        char *text = written(ltp_put_verdict, &v);
        if (strcmp(text, rows[i].want) != 0) {
            (void)fprintf(stderr, "row %zu:\n got  %s\n want %s\n", i, text, rows[i].want);
            bad++;
        }
        lt_text_free(text);
    }
    assert_int_equal(bad, 0);
    report_fixture_free(&f);
}

static void settings_stand_in_cards(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_THREE_LANES);
    lt_tune_result *r = &f.results[0];
    r->outbound_now_db = -2.5;
    char *html = page_of(&f, NULL);
    assert_non_null(strstr(html, "<span class=\"from\">\xE2\x88\x92"
                                 "2.5\xC2\xA0\x64\x42</span> <span class=\"to\">\xE2\x86\x92</span> "
                                 "<strong>+4\xC2\xA0\x64\x42</strong>"));
    assert_non_null(strstr(html, "Turn up to this setting")); /* -2.5 is between two steps */
    assert_non_null(strstr(html, "Leave as it is"));          /* outbound of lane 2 */
    assert_non_null(strstr(html, "Turn 4 steps down"));       /* inbound of lane 2 */
    assert_non_null(strstr(html, "Step 24 on a dial of 0 (quietest) to 30"));
    lt_text_free(html);
    report_fixture_free(&f);
}

/* The cell that follows the name of a quantity holds its doubt before the numbers begin. */
static void doubts_stand_beside_their_numbers(void **state)
{
    (void)state;
    static const struct {
        const char *code, *message;
        bool assumption;
        const char *place, *want;
    } rows[] = {
        {"counter-coupling-assumed", "x", true, "Feedback margin, whatever", ">counter coupling assumed</a>)"},
        {"loop-not-measured", "x", true, "Feedback margin</h3>", ">loop not measured</a>)"},
        {"low-snr", "outbound.car: 4 of 18 speech bands", false, "Customer understands operator",
         ">noisy recording</a>)"},
        {"low-snr", "lane-coupling: noisy", false, "Echo of the operator", ">noisy recording</a>)"},
        {"receive-response-assumed", "x", true, "Operator understands customer", ">receive response assumed</a>)"},
        {"echo-delay", "x", true, "Echo of the operator", ">echo delay assumed</a>)"},
        {"speaker-power-not-checked", "x", true, "Mean power into", ">speaker power not checked</a>)"},
        {"property-line-not-checked", "x", true, "Speech at the property line", ">property line not checked</a>)"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        report_fixture f = report_fixture_make(REPORT_ONE_LANE);
        lt_tune_result *r = &f.results[0];
        r->assumptions.count = r->warnings.count = 0;
        lt_notes_add(rows[i].assumption ? &r->assumptions : &r->warnings, rows[i].code, "%s", rows[i].message);
        char *html = page_of(&f, NULL);
        const char *place = strstr(html, rows[i].place);
        const char *end =
            place == NULL ? NULL : strstr(place, place > strstr(html, "class=\"checks\"") ? "</th>" : "</div>");
        const char *doubt = place == NULL ? NULL : strstr(place, rows[i].want);
        if (end == NULL || doubt == NULL || doubt > end) {
            (void)fprintf(stderr, "row %zu: no \"%s\" beside \"%s\"\n", i, rows[i].want, rows[i].place);
            bad++;
        }
        assert_non_null(strstr(html, "id=\"l1-note-1\""));
        lt_text_free(html);
        report_fixture_free(&f);
    }
    assert_int_equal(bad, 0);
}

static void unusable_recordings_are_named(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    f.survey->lanes[0].recordings[2].usable = false;
    lt_notes_add(&f.survey->lanes[0].recordings[2].notes, "clipped", "Half of it is clipped.");
    char *html = page_of(&f, NULL);
    const char *list = strstr(html, "Recordings that could not be used");
    assert_non_null(list);
    assert_non_null(strstr(list, "visits/2024-05-14/lane-1/lane-coupling.wav: Half of it is clipped."));
    lt_text_free(html);
    report_fixture_free(&f);
}

static void hostile_names_are_shown_as_text(void **state)
{
    (void)state;
    char *html = page_of_kind(REPORT_HOSTILE, NULL);
    assert_non_null(strstr(
        html, "<h1 class=\"long\"><bdi>&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;&quot; onload=&quot;y &amp; "));
    static const char *const never[] = {"<script",      "<iframe", "<img", "<svg onload", "</style><",
                                        "\xE2\x80\xAE", "\x01",    "\x7F", "\xFF"};
    for (size_t i = 0; i < COUNT(never); i++)
        if (strstr(strstr(html, "<body>"), never[i]) != NULL)
            fail_msg("the page holds \"%s\"", never[i]);
    lt_text_free(html);
}

static lt_status make_page(void *context, lt_error *err)
{
    const report_fixture *f = context;
    char *html = NULL;
    const lt_report_options opt = {.version = "1"};
    const lt_status st = lt_report_html(f->survey, f->results, &opt, &html, err);
    assert_true((st == LT_OK) == (html != NULL));
    lt_text_free(html);
    return st;
}

static void a_page_survives_every_failed_allocation(void **state)
{
    (void)state;
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    assert_survives_faults(make_page, &f);
    report_fixture_free(&f);
}

/* ---- the visit before ---- */

static char *page_since(const lt_visit_comparison *since, const char *missing)
{
    report_fixture f = report_fixture_make(REPORT_ONE_LANE);
    char *html = NULL;
    scratch s = scratch_make();
    const lt_report_options opt = {
        .version = "1.2.3", .gnuplot = NULL, .scratch = s.path, .since = since, .since_missing = missing};
    assert_int_equal(lt_report_html(f.survey, f.results, &opt, &html, NULL), LT_OK);
    assert_int_equal(rmdir(s.path), 0);
    report_fixture_free(&f);
    return html;
}

static void what_changed_stands_in_the_page_escaped(void **state)
{
    (void)state;
    static lt_compare_lane lane;
    lane = (lt_compare_lane){.lane = 3, .name = "<b>Rear", .figures_known = true, .finding_count = 5};
    lane.figures_before =
        (lt_tune_figures){.sii_outbound = 0.5, .safe_margin_db = 9.0, .sii_inbound = NAN, .operator_dba = 52.2};
    lane.figures_after =
        (lt_tune_figures){.sii_outbound = 0.5, .safe_margin_db = 6.5, .sii_inbound = NAN, .operator_dba = 58.3};
    lane.findings[0] = (lt_finding){.code = LT_FINDING_MARGIN,
                                    .kind = LT_FINDING_WORSE,
                                    .path = "margin",
                                    .unit = "dB",
                                    .change = -2.5,
                                    .probability = 0.7,
                                    .condition = "<car",
                                    .evidence = "<i>evidence",
                                    .cause = "<script>cause",
                                    .next_step = "\"next\""};
    lane.findings[1] =
        (lt_finding){.code = LT_FINDING_POLARITY, .kind = LT_FINDING_WORSE, .change = NAN, .probability = 0.9};
    lane.findings[2] = (lt_finding){
        .code = LT_FINDING_HUM, .kind = LT_FINDING_BETTER, .path = "noise-mic", .change = NAN, .probability = 0.9};
    lane.findings[3] = (lt_finding){
        .code = LT_FINDING_HUM, .kind = LT_FINDING_WORSE, .path = "noise-ear", .change = NAN, .probability = 0.9};
    lane.findings[4] = (lt_finding){.code = LT_FINDING_MICROPHONE_LEVEL,
                                    .kind = LT_FINDING_BETTER,
                                    .unit = "dB",
                                    .change = 6.0,
                                    .probability = 0.9};
    lt_visit_comparison c = {.lanes = &lane, .lane_count = 1};
    (void)snprintf(c.before.date, sizeof c.before.date, "<em>2024");
    (void)snprintf(c.weather_before, sizeof c.weather_before, "rain & fog");
    char *html = page_since(&c, NULL);
    const char *section = strstr(html, "id=\"since\"");
    assert_non_null(section);
    static const char *const parts[] = {"Worse:</strong> The intercom is closer to howling, by 2.5\xC2\xA0"
                                        "dB (&lt;car). Likely: &lt;script&gt;cause",
                                        "&lt;i&gt;evidence",
                                        "&lt;em&gt;2024",
                                        "rain &amp; fog",
                                        "&lt;b&gt;Rear",
                                        "Changed:</strong> The polarity is not what it was.",
                                        "Gone:</strong> There is no hum any more on the line from the lane.",
                                        "New:</strong> There is a hum in the lane.",
                                        "<td>9.0\xC2\xA0"
                                        "dB</td><td>6.5\xC2\xA0"
                                        "dB</td><td><strong class=\"alarm\">worse</strong>",
                                        "Better:</strong> The lane microphone sends more, by 6.0",
                                        "<td>52.2\xC2\xA0"
                                        "dB(A)</td><td>58.3\xC2\xA0"
                                        "dB(A)</td><td>more</td>", /* the microphone's level explains it */
                                        "<td>0.50</td><td>0.50</td><td>as before</td>"};
    int bad = 0;
    for (size_t i = 0; i < COUNT(parts); i++)
        if (strstr(section, parts[i]) == NULL) {
            print_error("missing: %s\n", parts[i]);
            bad++;
        }
    bad += strstr(section, "How well the operator understands") != NULL; /* not known in either visit */
    lt_text_free(html);
    html = page_since(NULL, "no <recording>");
    bad += strstr(html, "could not be compared: no &lt;recording&gt;") == NULL;
    lt_text_free(html);
    html = page_since(NULL, NULL);
    bad += strstr(html, "id=\"since\"") != NULL;
    lt_text_free(html);
    assert_int_equal(bad, 0);
}

SUITE(report_html)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_page_is_sound),
        cmocka_unit_test(a_drawn_page_is_sound),
        cmocka_unit_test(the_page_needs_nothing_else),
        cmocka_unit_test(the_parts_come_in_order),
        cmocka_unit_test(missing_charts_are_said_so),
        cmocka_unit_test(verdicts_are_one_true_sentence),
        cmocka_unit_test(settings_stand_in_cards),
        cmocka_unit_test(doubts_stand_beside_their_numbers),
        cmocka_unit_test(unusable_recordings_are_named),
        cmocka_unit_test(hostile_names_are_shown_as_text),
        cmocka_unit_test(a_page_survives_every_failed_allocation),
        cmocka_unit_test(what_changed_stands_in_the_page_escaped),
    };
    return cmocka_run_group_tests_name("report_html", tests, NULL, NULL);
}
