/* SPDX-License-Identifier: MIT
 * Several lanes open at once: the margins of all sets of lanes at the recommended settings, table and chart. */
#include "report/html.h"

#include "base/alloc.h"

#include <math.h>

enum { LANES_LEAST = 2, LANES_MOST = 5 /* 31 sets; more take long, margin --site tells them */, SETS_SHOWN = 15 };

static bool has_ir(const lt_response *r)
{
    return r == NULL || (r->ir != NULL && r->ir->count > 0);
}

static bool is_complete(const lt_survey *s)
{
    for (size_t i = 0; i < s->lane_count; i++)
        for (size_t c = 0; c < s->lanes[i].tune.condition_count; c++) {
            const lt_tune_recordings *r = &s->lanes[i].tune.recordings[c];
            if (!has_ir(r->lane_coupling) || !has_ir(r->counter_coupling) || !has_ir(r->loop))
                return false;
        }
    return s->site != NULL && s->visit != NULL;
}

lt_status ltp_open_margin_for_page(const lt_survey *s, const lt_tune_result *results, lt_open_margin **out,
                                   lt_error *err)
{
    lt_dials dials[LANES_MOST];
    lt_error cause = {0};
    *out = NULL;
    if (s->lane_count < LANES_LEAST || s->lane_count > LANES_MOST || !is_complete(s))
        return LT_OK;
    for (size_t i = 0; i < s->lane_count; i++)
        dials[i] = (lt_dials){results[i].outbound_recommended_db, results[i].inbound_recommended_db};
    const lt_status status = lt_survey_open_margin(s, dials, (double)NAN, out, &cause);
    if (status == LT_E_NOMEM && err != NULL)
        *err = cause;
    return status == LT_E_NOMEM ? status : LT_OK; /* no loop was measured: then there is nothing to tell */
}

void ltp_chart_open(ltp_charts *c, const lt_open_margin *m)
{
    ltp_chart *chart = ltp_chart_begin(c, 0, LTP_CHART_OPEN_SETS);
    ltp_chart_open_sets(c, m);
    ltp_text_add(&chart->caption,
                 "Bars: margin with these lanes open, true to phase. Thick strokes: the safe margin. Thin "
                 "ones: the rule of thumb, 3 dB each doubling of open microphones (common practice).");
}

static void put_lanes(ltp_textbuf *b, const lt_open_margin *m, unsigned open)
{
    bool first = true;
    for (size_t i = 0; i < m->lane_count; i++) {
        if ((open >> i & 1u) == 0)
            continue;
        ltp_text_format(b, "%s%u", first ? "" : " + ", m->lanes[i].lane);
        first = false;
    }
}

static void put_set(ltp_textbuf *b, const lt_open_margin *m, const lt_matrix_margin *s)
{
    ltp_text_add(b, "<tr><th scope=\"row\">");
    put_lanes(b, m, s->open);
    ltp_text_add(b, "</th><td>");
    ltp_put_value(b, s->margin_db, 1, "dB");
    ltp_text_add(b, "</td><td>");
    ltp_put_value(b, s->safe_margin_db, 1, "dB");
    ltp_text_add(b, "</td><td>");
    ltp_put_value(b, lt_open_rule_db(m, s->open), 1, "dB");
    ltp_text_add(b, "</td><td>");
    if (s->path.known) {
        ltp_put_value(b, s->ring_hz, 0, "Hz");
        ltp_text_format(b, ", from speaker %u into microphone %u", m->lanes[s->path.speaker_lane].lane,
                        m->lanes[s->path.microphone_lane].lane);
    } else {
        ltp_text_add(b, "\xE2\x80\x93");
    }
    ltp_text_add(b, "</td></tr>\n");
}

void ltp_html_open(ltp_textbuf *b, const lt_open_margin *m, ltp_charts *charts)
{
    const ltp_chart *chart = ltp_charts_at(charts, 0, LTP_CHART_OPEN_SETS);
    ltp_text_add(b, "<section class=\"closing\" id=\"open-lanes\">\n<h2>Several lanes open at once</h2>\n"
                    "<p>At the recommended settings, the worst first.</p>\n<div class=\"checks\"><table>\n<thead><tr>"
                    "<th scope=\"col\">open lanes</th><th scope=\"col\">margin</th><th scope=\"col\">safe margin</th>"
                    "<th scope=\"col\">rule of thumb</th><th scope=\"col\">would ring</th></tr></thead>\n<tbody>\n");
    for (size_t i = 0; i < m->set_count && i < SETS_SHOWN; i++)
        put_set(b, m, &m->sets[i]);
    ltp_text_add(b, "</tbody>\n</table></div>\n");
    if (m->set_count > SETS_SHOWN)
        ltp_text_format(b, "<p>%zu more sets have a greater margin.</p>\n", m->set_count - SETS_SHOWN);
    if (chart->wanted && chart->svg.length > 0) {
        ltp_text_add(b, "<div class=\"charts\">\n<figure>\n<h4>");
        ltp_text_add(b, ltp_chart_title(LTP_CHART_OPEN_SETS));
        ltp_text_add(b, "</h4>\n");
        ltp_text_add(b, chart->svg.text);
        ltp_text_add(b, "\n<figcaption>");
        ltp_text_add(b, chart->caption.text != NULL ? chart->caption.text : "");
        ltp_text_add(b, "</figcaption>\n</figure>\n</div>\n");
    }
    for (size_t i = 0; i < m->assumptions.count; i++) {
        const lt_note *n = &m->assumptions.items[i];
        if (n->message[0] == 'L') /* "Lane 1: ...": told with the lane */
            continue;
        ltp_text_add(b, "<p class=\"small\">Assumed: ");
        ltp_text_add_escaped(b, n->message);
        ltp_text_add(b, "</p>\n");
    }
    ltp_text_add(b, "</section>\n");
}
