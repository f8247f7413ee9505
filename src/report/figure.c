/* SPDX-License-Identifier: MIT
 * One chart as a file: SVG goes through the same cleaning as in a page, PNG comes from gnuplot's cairo terminal. */
#include "report/figure.h"

#include "base/alloc.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

static const char font[] = "DejaVu Sans,Helvetica,Arial,sans-serif";

lt_status ltp_figure_begin(ltp_figure *f, lt_figure_format format, const char *title, int height, lt_error *err)
{
    *f = (ltp_figure){.format = format, .title = title, .height = height};
    lt_status status = ltp_charts_create(1, &f->charts, err);
    if (status != LT_OK)
        return status;
    ltp_textbuf *s = &f->charts->script;
    /* The page's style, then the terminal and the margins of a drawing that stands alone. */
    (void)ltp_chart_begin(f->charts, 0, LTP_CHART_SPEECH_EAR);
    if (format == LT_FIGURE_PNG) /* twice the size, so that it stays sharp on paper */
        ltp_text_format(s,
                        "set terminal pngcairo size %d,%d noenhanced font 'DejaVu Sans,14' fontscale 1.7 linewidth 2\n",
                        2 * (int)LTP_FIGURE_WIDTH, 2 * height);
    else
        ltp_text_format(s, "set terminal svg size %d,%d dynamic noenhanced font ',14' linewidth 1\n",
                        (int)LTP_FIGURE_WIDTH, height);
    ltp_text_add(s, "set lmargin 6\nset rmargin 3\nset tmargin 3.4\nset bmargin 2\nset label '");
    ltp_text_add(s, title);
    ltp_text_add(s, "' at screen 0.015, screen 0.95 left front font ',16' textcolor rgb '" LTP_INK "'\n");
    return s->status == LT_OK ? LT_OK : ltp_fail_nomem(err, "the chart");
}

/* A free text inside gnuplot's single quotes, where only the quote itself means something. */
static void add_quoted(ltp_textbuf *out, const char *word)
{
    size_t columns = 0;
    for (const char *p = word; *p != '\0'; p++) {
        const unsigned char u = (unsigned char)*p;
        if ((u & 0xC0u) != 0x80u && ++columns > LTP_WORD_COLUMNS)
            return;
        if (u < 0x20u || u == 0x7Fu)
            ltp_text_add(out, "?");
        else
            ltp_text_add_bytes(out, p, 1);
        if (*p == '\'')
            ltp_text_add(out, "'");
    }
}

/* PNG: tokens @@N@@ of the script become the words, as nothing can be put into the picture afterwards. */
static void add_with_words(ltp_textbuf *out, const ltp_charts *c)
{
    const char *p = c->script.text != NULL ? c->script.text : "";
    while (*p != '\0') {
        const char *mark = strstr(p, "@@");
        size_t number = 0;
        const char *q = mark != NULL ? mark + 2 : NULL;
        while (q != NULL && isdigit((unsigned char)*q) && number < 100000)
            number = 10 * number + (size_t)(*q++ - '0');
        if (mark == NULL) {
            ltp_text_add(out, p);
            return;
        }
        ltp_text_add_bytes(out, p, (size_t)(mark - p));
        if (q > mark + 2 && q[0] == '@' && q[1] == '@' && number < c->word_count) {
            add_quoted(out, c->words[number]);
            p = q + 2;
        } else {
            p = mark + 2;
        }
    }
}

static lt_status whole_script(const ltp_figure *f, char **out, lt_error *err)
{
    const ltp_charts *c = f->charts;
    ltp_textbuf all;
    ltp_text_init(&all, 0);
    ltp_text_add(&all, "set encoding utf8\nset print '/dev/null'\n");
    if (c->script.status != LT_OK)
        all.status = c->script.status;
    else if (f->format == LT_FIGURE_PNG)
        add_with_words(&all, c);
    else
        ltp_text_add(&all, c->script.text);
    return ltp_text_take(&all, out, err);
}

/* The cleaned element as a document: a name space, a font and a white ground of its own. */
static lt_status as_document(const ltp_figure *f, const char *svg, size_t svg_bytes, char **out, size_t *bytes,
                             lt_error *err)
{
    static const char begin[] = "<svg class=\"chart\"";
    char *element = NULL;
    ltp_textbuf inside, document;
    ltp_text_init(&inside, 0);
    ltp_text_init(&document, 0);
    const bool whole = ltp_chart_clean(f->charts, svg, svg_bytes, "figure-", f->title, &inside);
    lt_status status = ltp_text_take(&inside, &element, err);
    if (status == LT_OK && (!whole || strncmp(element, begin, sizeof begin - 1) != 0))
        status = ltp_fail(err, LT_E_IO, "gnuplot's drawing is not whole; is the disk full?");
    if (status == LT_OK) {
        ltp_text_format(&document,
                        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%d\" height=\"%d\" font-family=\"%s\" "
                        "style=\"background:#fff\"",
                        (int)LTP_FIGURE_WIDTH, f->height, font);
        ltp_text_add(&document, element + sizeof begin - 1);
        ltp_text_add(&document, "\n");
        *bytes = document.length;
        status = ltp_text_take(&document, out, err);
    }
    lt_text_free(element);
    return status;
}

lt_status ltp_figure_end(ltp_figure *f, lt_status so_far, const lt_report_options *opt, char **out, size_t *bytes,
                         lt_error *err)
{
    char *script = NULL, *drawn = NULL;
    size_t drawn_bytes = 0;
    lt_status status = so_far;
    *out = NULL;
    *bytes = 0;
    if (status == LT_OK)
        status = whole_script(f, &script, err);
    if (status == LT_OK)
        status = ltp_gnuplot_run(opt, script, strlen(script), &drawn, &drawn_bytes, err);
    if (status == LT_OK && (drawn == NULL || drawn_bytes < 100))
        status = ltp_fail(err, LT_E_IO, "the chart cannot be drawn: gnuplot is missing or failed; install gnuplot-nox");
    if (status == LT_OK && f->format == LT_FIGURE_PNG) {
        *out = drawn;
        *bytes = drawn_bytes;
        drawn = NULL;
    } else if (status == LT_OK) {
        status = as_document(f, drawn, drawn_bytes, out, bytes, err);
    }
    lt_text_free(script);
    lt_text_free(drawn);
    ltp_charts_free(f->charts);
    f->charts = NULL;
    return status;
}
