/* SPDX-License-Identifier: MIT
 * The set of charts of a page: script, house style, one run, and the drawings taken apart. */
#include "report/chart.h"

#include "base/alloc.h"

#include <stdio.h>
#include <string.h>

lt_status ltp_charts_create(size_t lane_count, ltp_charts **out, lt_error *err)
{
    *out = NULL;
    ltp_charts *c = ltp_alloc(1, sizeof *c);
    if (c == NULL)
        return ltp_fail_nomem(err, "the charts");
    c->count = lane_count * LTP_CHART_KINDS;
    c->items = ltp_alloc(c->count, sizeof *c->items);
    ltp_text_init(&c->script, 0);
    if (c->items == NULL) {
        ltp_charts_free(c);
        return ltp_fail_nomem(err, "the charts");
    }
    for (size_t i = 0; i < c->count; i++) {
        ltp_text_init(&c->items[i].caption, 0);
        ltp_text_init(&c->items[i].svg, 0);
    }
    *out = c;
    return LT_OK;
}

void ltp_charts_free(ltp_charts *c)
{
    if (c == NULL)
        return;
    for (size_t i = 0; c->items != NULL && i < c->count; i++) {
        ltp_text_drop(&c->items[i].caption);
        ltp_text_drop(&c->items[i].svg);
    }
    ltp_text_drop(&c->script);
    ltp_free(c->items);
    ltp_free(c->words);
    ltp_free(c);
}

ltp_chart *ltp_charts_at(ltp_charts *c, size_t lane, ltp_chart_kind kind)
{
    return &c->items[lane * LTP_CHART_KINDS + (size_t)kind];
}

const char *ltp_chart_title(ltp_chart_kind kind)
{
    static const char *const titles[LTP_CHART_KINDS] = {
        [LTP_CHART_SPEECH_EAR] = "Speech and noise at the car window",
        [LTP_CHART_SPEECH_OPERATOR] = "Speech and noise at the operator",
        [LTP_CHART_LOOP_GAIN] = "Feedback: gain around the loop",
        [LTP_CHART_NOISE] = "Noise at the car window",
        [LTP_CHART_IMPULSE] = "Arrivals at the lane microphone",
        [LTP_CHART_OUTBOUND] = "Outbound: counter to car window",
        [LTP_CHART_INBOUND] = "Inbound: lane to operator",
        [LTP_CHART_LANE_COUPLING] = "Lane speaker into microphone",
        [LTP_CHART_COUNTER_COUPLING] = "Counter speaker into microphone",
        [LTP_CHART_LOOP_RESPONSE] = "The whole loop at once",
        [LTP_CHART_ECHO] = "Echo that the operator hears",
        [LTP_CHART_OPEN_SETS] = "Margin by open lanes",
    };
    return titles[kind];
}

ltp_chart *ltp_chart_begin(ltp_charts *c, size_t lane, ltp_chart_kind kind)
{
    ltp_chart *chart = ltp_charts_at(c, lane, kind);
    const bool small = kind >= LTP_CHART_FIRST_SMALL && kind != LTP_CHART_OPEN_SETS;
    chart->wanted = true;
    ltp_text_format(&c->script, "print \"@@chart %zu\"\nreset\n", lane * LTP_CHART_KINDS + (size_t)kind);
    ltp_text_format(&c->script, "set terminal svg size %d,%d dynamic noenhanced font ',14' linewidth 1\n",
                    small ? (int)LTP_CHART_SMALL : (int)LTP_CHART_WIDE,
                    small ? (int)LTP_CHART_SMALL_HEIGHT : (int)LTP_CHART_WIDE_HEIGHT);
    ltp_text_add(&c->script, "unset key\n"
                             "set border 1 lc rgb '#9aa5aa' lw 1\n"
                             "set tics nomirror scale 0 textcolor rgb '" LTP_SOFT "'\n"
                             "set grid xtics ytics lt 1 lc rgb '#e6eaec' lw 1\n"
                             "set lmargin 5.2\nset rmargin 2.2\nset tmargin 1.6\nset bmargin 1.6\n");
    return chart;
}

void ltp_chart_axis_hz(ltp_charts *c, double from_hz, double to_hz)
{
    ltp_text_add(&c->script, "set logscale x\nset xrange [");
    ltp_chart_value(c, from_hz);
    ltp_text_add(&c->script, ":");
    ltp_chart_value(c, to_hz);
    ltp_text_add(&c->script, "]\nset xtics ('63' 63, '125' 125, '250' 250, '500' 500, '1k' 1000, '2k' 2000, '4k' 4000, "
                             "'8 kHz' 8000, '' 16000)\n");
}

void ltp_chart_axis_y(ltp_charts *c, double from, double to, double step, const char *unit)
{
    ltp_text_add(&c->script, "set yrange [");
    ltp_chart_value(c, from);
    ltp_text_add(&c->script, ":");
    ltp_chart_value(c, to);
    ltp_text_add(&c->script, "]\nset ytics ");
    ltp_chart_value(c, step);
    /* The minus sign of print, and none on zero. */
    ltp_text_add(&c->script, "\nset format y '%.0f'\nset minussign\nset label '");
    ltp_text_add(&c->script, unit);
    ltp_text_add(&c->script, "' at graph 0, graph 1 left offset -4.4,0.75 font ',12' textcolor rgb '" LTP_SOFT "'\n");
}

/* Number of a free text among the words; a full memory sticks to the script. */
static size_t word_token(ltp_charts *c, const char *word)
{
    if (c->word_count == c->word_capacity) {
        const size_t capacity = c->word_capacity == 0 ? 32 : 2 * c->word_capacity;
        const char **words = ltp_realloc(c->words, capacity, sizeof *words);
        if (words == NULL) {
            c->script.status = LT_E_NOMEM;
            return 0;
        }
        c->words = words;
        c->word_capacity = capacity;
    }
    c->words[c->word_count] = word;
    return c->word_count++;
}

/* "set label 'text", the part that is ours and the token of the part that is not. */
static void begin_label(ltp_charts *c, const char *ours, const char *free_text)
{
    ltp_text_format(&c->script, "set label '%s", ours);
    if (free_text != NULL)
        ltp_text_format(&c->script, "@@%zu@@", word_token(c, free_text));
}

void ltp_chart_label(ltp_charts *c, double x, double y, const char *align, const char *colour, const char *ours,
                     const char *free_text)
{
    begin_label(c, ours, free_text);
    ltp_text_add(&c->script, "' at ");
    ltp_chart_value(c, x);
    ltp_text_add(&c->script, ", ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " %s front font ',13' textcolor rgb '%s'\n", align, colour);
}

void ltp_chart_condition_label(ltp_charts *c, double x, double y, const char *colour, const char *condition)
{
    if (condition[0] == '\0')
        begin_label(c, "lane empty", NULL);
    else
        begin_label(c, "", condition);
    ltp_text_add(&c->script, "' at graph ");
    ltp_chart_value(c, x);
    ltp_text_add(&c->script, ", graph ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " left front font ',13' textcolor rgb '%s'\n", colour);
}

void ltp_chart_value(ltp_charts *c, double value)
{
    if (lt_is_known(value))
        ltp_text_number(&c->script, value, 4);
    else
        ltp_text_add(&c->script, "NaN");
}

void ltp_chart_row(ltp_charts *c, const double *values, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (!lt_is_known(values[i])) {
            ltp_text_add(&c->script, "\n");
            return;
        }
    }
    for (size_t i = 0; i < count; i++) {
        ltp_text_add(&c->script, i == 0 ? "" : " ");
        ltp_chart_value(c, values[i]);
    }
    ltp_text_add(&c->script, "\n");
}

/* The piece of gnuplot's output after the line "@@chart N" up to the next mark. NULL: not there. */
static const char *find_piece(const char *output, size_t number, size_t *bytes)
{
    char mark[40];
    (void)snprintf(mark, sizeof mark, "@@chart %zu\n", number);
    const char *start = strstr(output, mark);
    if (start == NULL)
        return NULL;
    start += strlen(mark);
    const char *end = strstr(start, "@@chart ");
    if (end == NULL)
        end = strstr(start, "@@end");
    *bytes = end == NULL ? strlen(start) : (size_t)(end - start);
    return start;
}

static bool take_drawings(ltp_charts *c, const char *output)
{
    bool whole = true;
    for (size_t i = 0; i < c->count; i++) {
        ltp_chart *chart = &c->items[i];
        size_t bytes = 0;
        const char *piece = chart->wanted ? find_piece(output, i, &bytes) : NULL;
        char prefix[32];
        (void)snprintf(prefix, sizeof prefix, "c%zu-", i);
        const char *title = ltp_chart_title((ltp_chart_kind)(i % LTP_CHART_KINDS));
        if (chart->wanted && (piece == NULL || !ltp_chart_clean(c, piece, bytes, prefix, title, &chart->svg))) {
            ltp_text_drop(&chart->svg);
            whole = false;
        }
    }
    return whole;
}

lt_status ltp_charts_draw(ltp_charts *c, const lt_report_options *opt, lt_error *err)
{
    char *script = NULL;
    char *output = NULL;
    ltp_textbuf all;
    ltp_text_init(&all, 0);
    ltp_text_add(&all, "set encoding utf8\nset print \"-\"\n");
    if (c->script.status != LT_OK)
        all.status = c->script.status;
    else if (c->script.text != NULL)
        ltp_text_add(&all, c->script.text);
    ltp_text_add(&all, "print \"@@end\"\n");
    lt_status status = ltp_text_take(&all, &script, err);
    size_t bytes = 0;
    if (status == LT_OK)
        status = ltp_gnuplot_run(opt, script, strlen(script), &output, &bytes, err);
    if (status == LT_OK && output != NULL)
        c->drawn = take_drawings(c, output);
    lt_text_free(script);
    lt_text_free(output);
    return status;
}
