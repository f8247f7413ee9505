/* SPDX-License-Identifier: MIT
 * The growing text, numbers that no locale changes, and the escaping of foreign text. */
#include "fault.h"
#include "near.h"
#include "suite.h"

#include "report/escape.h"
#include "report/textbuf.h"

#include <lanetune/report.h>

#include <locale.h>
#include <string.h>

static char *taken(ltp_textbuf *b)
{
    char *text = NULL;
    lt_error err = {0};
    assert_int_equal(ltp_text_take(b, &text, &err), LT_OK);
    assert_non_null(text);
    return text;
}

static void numbers_have_fixed_decimals(void **state)
{
    (void)state;
    static const struct {
        double value;
        int decimals;
        const char *want;
    } rows[] = {
        {0.0, 1, "0.0"},
        {-0.04, 1, "0.0"},
        {-0.06, 1, "-0.1"},
        {1.125, 2, "1.13"},
        {12.345, 0, "12"},
        {-7.5, 0, "-8"},
        {999.9996, 3, "1000.000"},
        {0.012, 3, "0.012"},
        {1e9, 0, "-"},
        {NAN, 2, "-"},
        {-INFINITY, 1, "-"},
        {INFINITY, 1, "-"},
        {123456.75, 2, "123456.75"},
        {3.0, 10, "-"},
        {3.0, -1, "-"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        ltp_textbuf b;
        ltp_text_init(&b, 0);
        ltp_text_number(&b, rows[i].value, rows[i].decimals);
        char *text = taken(&b);
        if (strcmp(text, rows[i].want) != 0) {
            (void)fprintf(stderr, "%g to %d decimals: got %s, want %s\n", rows[i].value, rows[i].decimals, text,
                          rows[i].want);
            bad++;
        }
        lt_text_free(text);
    }
    assert_int_equal(bad, 0);
}

static void numbers_ignore_the_locale(void **state)
{
    (void)state;
    static const char *const commas[] = {"de_DE.UTF-8", "fr_FR.UTF-8", "de_DE", "fr_FR"};
    bool found = false;
    for (size_t i = 0; !found && i < COUNT(commas); i++)
        found = setlocale(LC_NUMERIC, commas[i]) != NULL;
    if (!found)
        skip(); /* no such locale on this machine */
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_number(&b, 1.5, 1);
    char *text = taken(&b);
    (void)setlocale(LC_NUMERIC, "C");
    assert_string_equal(text, "1.5");
    lt_text_free(text);
}

static void a_text_keeps_to_its_maximum(void **state)
{
    (void)state;
    ltp_textbuf b;
    char *text = NULL;
    lt_error err = {0};
    ltp_text_init(&b, 5);
    ltp_text_add(&b, "12345");
    text = taken(&b);
    assert_string_equal(text, "12345");
    lt_text_free(text);
    ltp_text_add(&b, "1234");
    ltp_text_add(&b, "56"); /* too long: sticks */
    ltp_text_add(&b, "");
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_E_ARG);
    assert_null(text);
    assert_non_null(strstr(err.what, "5 bytes"));
    ltp_text_add(&b, "1234567"); /* too long in one piece */
    assert_int_equal(ltp_text_take(&b, &text, &err), LT_E_ARG);
    text = taken(&b); /* usable again, and empty */
    assert_string_equal(text, "");
    lt_text_free(text);
}

static lt_status grow(void *context, lt_error *err)
{
    (void)context;
    ltp_textbuf b;
    char *text = NULL;
    ltp_text_init(&b, 0);
    for (int i = 0; i < 3000; i++)
        ltp_text_format(&b, "%d,", i);
    const lt_status st = ltp_text_take(&b, &text, err);
    assert_true((st == LT_OK) == (text != NULL));
    lt_text_free(text);
    return st;
}

static void a_text_survives_every_failed_allocation(void **state)
{
    (void)state;
    assert_survives_faults(grow, NULL);
}

static void foreign_text_is_escaped(void **state)
{
    (void)state;
    static const struct {
        const char *in, *want;
    } rows[] = {
        {"", ""},
        {"plain", "plain"},
        {"<script>", "&lt;script&gt;"},
        {"a\"b'c&d", "a&quot;b&#39;c&amp;d"},
        {"one\r\n\ttwo", "one two"},
        {"\x01\x1F\x7F", " "},
        {"\xC2\x85x", " x"}, /* U+0085, a control character */
        {"\xC3\x9C\xE7\x95\x8C\xF0\x9F\x9A\x97", "\xC3\x9C\xE7\x95\x8C\xF0\x9F\x9A\x97"}, /* 2, 3 and 4 bytes */
        {"a\xFFz", "a\xEF\xBF\xBDz"},                                                     /* no UTF-8 at all */
        {"\xC0\xAF", "\xEF\xBF\xBD\xEF\xBF\xBD"},                                         /* overlong "/" */
        {"\xE0\x80\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},                         /* overlong in 3 bytes */
        {"\xED\xA0\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},                         /* a surrogate */
        {"\xF4\x90\x80\x80", "\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD\xEF\xBF\xBD"},         /* above U+10FFFF */
        {"\xE2\x82", "\xEF\xBF\xBD\xEF\xBF\xBD"},                                         /* ends in the middle */
        {"\xC3<", "\xEF\xBF\xBD&lt;"}, /* a lead byte must not swallow markup */
        {"a\xE2\x80\xAE"
         "b",
         "ab"}, /* right-to-left override */
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        ltp_textbuf b;
        ltp_text_init(&b, 0);
        ltp_text_add_escaped(&b, rows[i].in);
        char *text = taken(&b);
        if (strcmp(text, rows[i].want) != 0) {
            (void)fprintf(stderr, "row %zu: got \"%s\", want \"%s\"\n", i, text, rows[i].want);
            bad++;
        }
        lt_text_free(text);
    }
    assert_int_equal(bad, 0);
}

static void long_words_are_cut_by_width(void **state)
{
    (void)state;
    static const struct {
        const char *in;
        size_t columns;
        const char *want;
    } rows[] = {
        {"abcdef", 6, "abcdef"},
        {"abcdef", 5, "abcde\xE2\x80\xA6"},
        {"<<<", 2, "&lt;&lt;\xE2\x80\xA6"},
        {"\xE7\x95\x8C\xE7\x95\x8C", 4, "\xE7\x95\x8C\xE7\x95\x8C"}, /* wide: two columns each */
        {"\xE7\x95\x8C\xE7\x95\x8C", 3, "\xE7\x95\x8C\xE2\x80\xA6"},
        {"x", 0, "\xE2\x80\xA6"},
        {"", 0, ""},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        ltp_textbuf b;
        ltp_text_init(&b, 0);
        ltp_text_add_escaped_part(&b, rows[i].in, rows[i].columns);
        char *text = taken(&b);
        if (strcmp(text, rows[i].want) != 0) {
            (void)fprintf(stderr, "row %zu: got \"%s\", want \"%s\"\n", i, text, rows[i].want);
            bad++;
        }
        lt_text_free(text);
    }
    assert_int_equal(bad, 0);
}

SUITE(report_escape)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(numbers_have_fixed_decimals), cmocka_unit_test(numbers_ignore_the_locale),
        cmocka_unit_test(a_text_keeps_to_its_maximum), cmocka_unit_test(a_text_survives_every_failed_allocation),
        cmocka_unit_test(foreign_text_is_escaped),     cmocka_unit_test(long_words_are_cut_by_width),
    };
    return cmocka_run_group_tests_name("report_escape", tests, NULL, NULL);
}
