/* SPDX-License-Identifier: MIT
 * The HTML report: frame, overview, lanes, closing. One file, nothing fetched from anywhere, no script. */
#include "report/html.h"

#include "base/alloc.h"

#include <string.h>

enum { LONG_NAME = 60 }; /* bytes; longer ones are set smaller */

static void put_head(ltp_textbuf *b, const lt_survey *s)
{
    /* The page may load nothing: its own style and drawings are all there is. */
    ltp_text_add(
        b, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
           "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
           "img-src data:\">\n"
           "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
           "<meta name=\"generator\" content=\"lanetune\">\n<link rel=\"icon\" href=\"data:,\">\n<title>");
    ltp_text_add_escaped(b, s->site != NULL ? s->site->name : "");
    ltp_text_add(b, ": intercom settings");
    if (s->visit != NULL && s->visit->date[0] != '\0') {
        ltp_text_add(b, ", ");
        ltp_text_add_escaped(b, s->visit->date);
    }
    ltp_text_add(b, "</title>\n<style>\n");
    ltp_html_style(b);
    ltp_text_add(b, "</style>\n</head>\n<body>\n<main>\n");
}

static void put_fact(ltp_textbuf *b, const char *name, const char *text)
{
    if (text[0] == '\0')
        return;
    ltp_text_format(b, "<div><dt>%s</dt><dd><bdi>", name);
    ltp_text_add_escaped(b, text);
    ltp_text_add(b, "</bdi></dd></div>\n");
}

static void put_title(ltp_textbuf *b, const lt_survey *s)
{
    ltp_text_add(b, "<header class=\"page\">\n<p class=\"eyebrow\">Drive-up intercom: settings and findings</p>\n");
    const char *name = s->site != NULL && s->site->name[0] != '\0' ? s->site->name : "Unnamed site";
    ltp_text_add(b, strlen(name) > LONG_NAME ? "<h1 class=\"long\"><bdi>" : "<h1><bdi>");
    ltp_text_add_escaped(b, name);
    ltp_text_add(b, "</bdi></h1>\n<dl class=\"facts\">\n");
    if (s->visit != NULL) {
        put_fact(b, "Visit", s->visit->date);
        put_fact(b, "Measured by", s->visit->who);
        put_fact(b, "Weather", s->visit->weather);
    }
    ltp_text_add(b, "</dl>\n</header>\n");
}

static void put_overview(ltp_textbuf *b, const lt_survey *s, const lt_tune_result *results)
{
    if (s->lane_count == 0) {
        ltp_text_add(b, "<p>There is no lane in this report.</p>\n");
        return;
    }
    if (s->lane_count == 1)
        return; /* its verdict comes next anyway */
    ltp_text_add(b, "<ol class=\"overview\">\n");
    for (size_t i = 0; i < s->lane_count; i++) {
        const ltp_lane_view v = ltp_lane_view_of(s, results, i);
        ltp_text_format(b, "<li%s><a href=\"#lane-%zu\"><b>", v.result->unmet_count > 0 ? " class=\"alarm\"" : "",
                        i + 1);
        ltp_put_lane_name(b, &v);
        ltp_text_add(b, "</b></a> <span>");
        ltp_put_verdict(b, &v);
        ltp_text_add(b, "</span></li>\n");
    }
    ltp_text_add(b, "</ol>\n");
}

static size_t put_figures(ltp_textbuf *b, ltp_charts *charts, size_t lane, int first, int end)
{
    size_t count = 0;
    for (int kind = first; kind < end; kind++) {
        const ltp_chart *chart = ltp_charts_at(charts, lane, (ltp_chart_kind)kind);
        if (!chart->wanted || chart->svg.length == 0)
            continue;
        ltp_text_format(b, "<figure>\n<h4>%s</h4>\n", ltp_chart_title((ltp_chart_kind)kind));
        ltp_text_add(b, chart->svg.text);
        ltp_text_add(b, "\n<figcaption>");
        ltp_text_add(b, chart->caption.text != NULL ? chart->caption.text : "");
        ltp_text_add(b, "</figcaption>\n</figure>\n");
        count++;
    }
    return count;
}

static bool is_anything_wanted(ltp_charts *charts, size_t lane)
{
    for (int kind = 0; kind < LTP_CHART_OPEN_SETS; kind++)
        if (ltp_charts_at(charts, lane, (ltp_chart_kind)kind)->wanted)
            return true;
    return false;
}

static void put_charts(ltp_textbuf *b, ltp_charts *charts, const ltp_lane_view *v)
{
    ltp_text_add(b, "<h3 class=\"charts-title\">Charts</h3>\n");
    if (!is_anything_wanted(charts, v->index))
        ltp_text_add(b, "<p>There is nothing to draw: no usable recording of this lane.</p>\n");
    else if (!charts->drawn)
        ltp_text_add(
            b,
            "<p class=\"missing\"><strong>Charts are missing:</strong> the program gnuplot could not be run or did not "
            "finish. It comes with the Debian package gnuplot-nox; install it and make the report again. All figures "
            "in this report are complete without it.</p>\n");
    ltp_text_add(b, "<div class=\"charts\">\n");
    (void)put_figures(b, charts, v->index, 0, LTP_CHART_FIRST_SMALL);
    ltp_text_add(b, "</div>\n<div class=\"charts small-charts\">\n");
    ltp_html_evidence(b, v, put_figures(b, charts, v->index, LTP_CHART_FIRST_SMALL, LTP_CHART_OPEN_SETS));
}

static void put_lane(ltp_textbuf *b, const lt_survey *s, const lt_tune_result *results, ltp_charts *charts, size_t i)
{
    const ltp_lane_view v = ltp_lane_view_of(s, results, i);
    const size_t bytes = ltp_sentence_bytes(&v);
    const char *size = bytes > LTP_VERY_WORDY_BYTES ? " dense packed" : bytes > LTP_WORDY_BYTES ? " dense" : "";
    ltp_text_format(b, "<section class=\"lane%s\" id=\"lane-%zu\">\n", size, i + 1);
    ltp_html_answer(b, &v);
    ltp_html_limits(b, &v);
    put_charts(b, charts, &v);
    ltp_html_tables(b, &v);
    ltp_text_add(b, "</section>\n");
}

static lt_status plan_charts(ltp_charts *c, const lt_survey *s, const lt_tune_result *results, lt_error *err)
{
    for (size_t i = 0; i < s->lane_count; i++) {
        const ltp_lane_view v = ltp_lane_view_of(s, results, i);
        ltp_chart_speech(c, &v);
        ltp_chart_noise(c, &v);
        ltp_chart_echo(c, &v);
        ltp_chart_impulse(c, &v);
        ltp_chart_responses(c, &v);
        const lt_status status = ltp_chart_loop_gain(c, &v, err);
        if (status != LT_OK)
            return status;
    }
    return LT_OK;
}

/* A caption that could not be written is a failure of the page. */
static lt_status first_failure(const ltp_charts *c)
{
    for (size_t i = 0; i < c->count; i++) {
        if (c->items[i].caption.status != LT_OK)
            return c->items[i].caption.status;
        if (c->items[i].svg.status != LT_OK)
            return c->items[i].svg.status;
    }
    return LT_OK;
}

lt_status lt_report_html(const lt_survey *s, const lt_tune_result *results, const lt_report_options *opt, char **out,
                         lt_error *err)
{
    ltp_charts *charts = NULL;
    lt_open_margin *open = NULL;
    ltp_textbuf page;
    *out = NULL;
    ltp_text_init(&page, 0);
    lt_status status = ltp_charts_create(s->lane_count, &charts, err);
    if (status == LT_OK)
        status = plan_charts(charts, s, results, err);
    if (status == LT_OK)
        status = ltp_open_margin_for_page(s, results, &open, err);
    if (open != NULL)
        ltp_chart_open(charts, open);
    if (status == LT_OK)
        status = ltp_charts_draw(charts, opt, err);
    if (status != LT_OK)
        goto done;
    put_head(&page, s);
    put_title(&page, s);
    put_overview(&page, s, results);
    for (size_t i = 0; i < s->lane_count; i++)
        put_lane(&page, s, results, charts, i);
    if (open != NULL)
        ltp_html_open(&page, open, charts);
    ltp_html_since(&page, opt);
    ltp_html_closing(&page, s, opt);
    ltp_text_add(&page, "</main>\n</body>\n</html>\n");
    if (page.status == LT_OK)
        page.status = first_failure(charts);
    status = ltp_text_take(&page, out, err);
done:
    lt_open_margin_free(open);
    ltp_charts_free(charts);
    ltp_text_drop(&page);
    return status;
}
