/* SPDX-License-Identifier: MIT
 * Second part of a lane: what limits it, what one dB more would buy, what to change, and the limits one by one. */
#include "report/html.h"

#include <math.h>

static void put_binding(ltp_textbuf *b, const lt_binding *binding)
{
    ltp_text_add(b, "<li>");
    switch (binding->limit) {
    case LT_LIMIT_TARGET:
        ltp_text_add(b, "Nothing: the target is reached both ways.");
        break;
    case LT_LIMIT_NOISE:
        ltp_text_add(b, "The noise itself: no limit stands in the way, but more gain does not help.");
        break;
    case LT_LIMIT_RANGE:
        ltp_text_add(
            b,
            "The <strong>end of the adjuster\xE2\x80\x99s range</strong>: the best setting offered is its last step.");
        break;
    case LT_LIMIT_SAFE_MARGIN:
    case LT_LIMIT_EAR_LEVEL:
    case LT_LIMIT_OPERATOR_LEVEL:
    case LT_LIMIT_HEADROOM:
    case LT_LIMIT_PROPERTY_LINE:
    case LT_LIMIT_TALKER_ECHO:
    case LT_LIMIT_COUNT:
        ltp_text_format(b, "The <strong>%s</strong>: without it a better setting could be dialled in.",
                        ltp_limit_words(binding->limit));
        break;
    }
    if (lt_is_known(binding->one_db_buys_sii) && binding->one_db_buys_sii >= 0.0005) {
        ltp_text_add(b, " One dB more of it would raise the weaker direction by ");
        ltp_put_value(b, binding->one_db_buys_sii, 3, "SII");
        ltp_text_add(b, ".");
    } else if (binding->limit != LT_LIMIT_TARGET && binding->limit != LT_LIMIT_NOISE) {
        ltp_text_add(b, " One dB more of it would change next to nothing.");
    }
    ltp_text_add(b, "</li>\n");
}

static void put_what_limits(ltp_textbuf *b, const lt_tune_result *r)
{
    ltp_text_add(b, "<div>\n<h3>What limits it</h3>\n");
    if (r->binding_count + r->unmet_count == 0)
        ltp_text_add(b, "<p>No limit stands in the way.</p>\n");
    if (r->unmet_count > 0) {
        ltp_text_add(b, "<ul class=\"alarm\">\n");
        for (size_t i = 0; i < r->unmet_count && i < LT_LIMIT_COUNT; i++) {
            ltp_text_format(b, "<li>The <strong>%s</strong> is missed at every setting",
                            ltp_limit_words(r->unmet[i].limit));
            if (lt_is_known(r->unmet[i].by_db)) {
                ltp_text_add(b, ", by ");
                ltp_put_value(b, r->unmet[i].by_db, 1, "dB");
                ltp_text_add(b, " at the quietest");
            }
            ltp_text_add(b, ". ");
            ltp_text_add_escaped(b, r->unmet[i].advice);
            ltp_text_add(b, "</li>\n");
        }
        ltp_text_add(b, "</ul>\n<p>The quietest settings are recommended until that is done.</p>\n");
    }
    if (r->binding_count > 0) {
        ltp_text_add(b, "<ul>\n");
        for (size_t i = 0; i < r->binding_count && i < LT_LIMIT_COUNT; i++)
            put_binding(b, &r->binding[i]);
        ltp_text_add(b, "</ul>\n");
    }
    ltp_text_add(b, "</div>\n");
}

static void put_notches(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    if (r->notch_count == 0)
        return;
    ltp_text_add(b, v->tune->eq_filters > 0 ? "<p>Filters that would help against feedback:"
                                            : "<p>An equaliser could help against feedback:");
    for (size_t i = 0; i < r->notch_count && i < LT_NOTCHES_MAX; i++) {
        ltp_text_add(b, i == 0 ? " " : "; ");
        ltp_put_value(b, r->notches[i].hz, 0, "Hz");
        ltp_text_add(b, ", Q\xC2\xA0");
        ltp_put_value(b, r->notches[i].q, 1, "");
        ltp_text_add(b, ", cut ");
        ltp_put_value(b, r->notches[i].cut_db, 1, "dB");
    }
    ltp_text_add(b, ".");
    if (lt_is_known(r->safe_margin_with_notches_db)) {
        ltp_text_add(b, " The feedback margin would then be ");
        ltp_put_value(b, r->safe_margin_with_notches_db, 1, "dB");
        ltp_text_add(b, ".");
    }
    ltp_text_add(b, "</p>\n");
}

static void put_advice(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    ltp_text_add(b, "<div>\n<h3>What to change</h3>\n");
    if (r->advice_count == 0)
        ltp_text_add(b, "<p>Nothing besides the settings.</p>\n");
    else
        ltp_text_add(b, "<ol>\n");
    for (size_t i = 0; i < r->advice_count && i < LT_ADVICE_MAX; i++) {
        ltp_text_add(b, "<li>");
        ltp_text_add_escaped(b, r->advice[i]);
        ltp_text_add(b, "</li>\n");
    }
    if (r->advice_count > 0)
        ltp_text_add(b, "</ol>\n");
    put_notches(b, v);
    ltp_text_add(b, "</div>\n");
}

/* ---- operator and bystander ---- */

static void put_notes(ltp_textbuf *b, const lt_notes *notes)
{
    for (size_t i = 0; i < notes->count && i < LT_NOTES_MAX; i++) {
        ltp_text_add(b, " ");
        ltp_text_add_escaped(b, notes->items[i].message);
    }
    ltp_text_add(b, "</p>\n");
}

static void put_move(ltp_textbuf *b, double before, double after, int decimals, const char *unit)
{
    ltp_put_value(b, before, decimals, "");
    ltp_text_add(b, " " LTP_ARROW " <strong>");
    ltp_put_value(b, after, decimals, unit);
    ltp_text_add(b, "</strong>");
}

static void put_privacy(ltp_textbuf *b, const lt_tune_privacy *p)
{
    if (p->from == LT_PRIVACY_NOT_ASKED)
        return;
    ltp_text_add(b, "<p class=\"small\">Privacy at a bystander");
    if (p->from == LT_PRIVACY_FROM_DISTANCE) {
        ltp_text_add(b, ", ");
        ltp_put_value(b, p->distance_m, 1, "m");
        ltp_text_add(b, " from the speaker");
    }
    ltp_text_add(b, ": ");
    if (p->after.word != NULL) {
        ltp_text_add(b, "privacy index ");
        put_move(b, p->before.privacy_percent, p->after.privacy_percent, 0, "%");
        ltp_text_format(b, " (%s).", p->after.word);
    } else {
        ltp_text_add(b, "not known.");
    }
    put_notes(b, &p->notes);
}

static void put_people(ltp_textbuf *b, const lt_tune_result *r)
{
    const lt_tune_exposure *x = &r->exposure;
    if (x->notes.count > 0 && lt_is_known(x->lex_8h_dba.after)) {
        ltp_text_add(b, "<p class=\"small\">Operator\xE2\x80\x99s exposure over 8 hours: ");
        put_move(b, x->lex_8h_dba.before, x->lex_8h_dba.after, 1, "dB(A)");
        ltp_text_add(b, ", NIOSH dose ");
        put_move(b, x->dose_percent.before, x->dose_percent.after, 1, "%");
        ltp_text_add(b, ".");
        put_notes(b, &x->notes);
    }
    put_privacy(b, &r->privacy);
}

/* ---- the limits one by one ---- */

typedef struct {
    const char *name, *unit;
    double before, after, limit;
    bool at_least; /* else at most */
    unsigned about;
    int decimals;
} limit_row;

static void put_row(ltp_textbuf *b, const ltp_lane_view *v, const limit_row *row)
{
    if (!lt_is_known(row->before) && !lt_is_known(row->after) && !lt_is_known(row->limit))
        return;
    ltp_text_format(b, "<tr><th scope=\"row\">%s ", row->name);
    ltp_put_doubts(b, v, row->about);
    ltp_text_add(b, "</th><td>");
    ltp_put_value(b, row->before, row->decimals, "");
    ltp_text_add(b, " " LTP_ARROW " <strong>");
    ltp_put_value(b, row->after, row->decimals, row->unit);
    ltp_text_add(b, "</strong></td><td>");
    if (!lt_is_known(row->limit)) {
        ltp_text_add(b, "no limit</td></tr>\n");
        return;
    }
    ltp_text_add(b, row->at_least ? "<span>min " : "<span>max ");
    ltp_put_value(b, row->limit, row->decimals, "");
    /* What the search counts as kept: rounding apart, on the right side. */
    const bool kept = row->at_least ? row->after >= row->limit - 1e-6 : row->after <= row->limit + 1e-6;
    if (!lt_is_known(row->after))
        ltp_text_add(b, ",</span> <em>not checked</em></td></tr>\n");
    else
        ltp_text_add(b, kept ? ",</span> kept</td></tr>\n"
                             : ",</span> <strong class=\"alarm\">missed</strong></td></tr>\n");
}

static double echo_limit_db(const lt_tune_lane *t)
{
    if (t->echo_limit == LT_ECHO_LIMIT_ACCEPTABLE)
        return LT_ECHO_ACCEPTABLE_DB;
    return t->echo_limit == LT_ECHO_LIMIT_LIMITING ? LT_ECHO_LIMITING_DB : (double)NAN;
}

static void put_table(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_figures *x = &v->result->before, *y = &v->result->after;
    const lt_tune_lane *t = v->tune;
    const bool push = t->duplex == LT_DUPLEX_PUSH_TO_TALK;
    const limit_row rows[] = {
        {"Speech at the customer\xE2\x80\x99s ear", "dB(A)", x->ear_dba, y->ear_dba, t->ear_limit_dba, false,
         LTP_ABOUT_EAR, 0},
        {"Speech at the operator\xE2\x80\x99s ear", "dB(A)", x->operator_dba, y->operator_dba, t->operator_limit_dba,
         false, LTP_ABOUT_OPERATOR, 0},
        {"Speech at the property line (estimate)", "dB(A)", x->property_line_dba, y->property_line_dba,
         t->property_line_limit_dba, false, LTP_ABOUT_PROPERTY_LINE, 0},
        {"Feedback margin, whatever the car does", "dB", x->safe_margin_db, y->safe_margin_db,
         push ? (double)NAN : t->safe_margin_limit_db, true, LTP_ABOUT_MARGIN, 1},
        {"Echo of the operator\xE2\x80\x99s own voice, weighted", "dB", x->echo_weighted_db, y->echo_weighted_db,
         push ? (double)NAN : echo_limit_db(t), true, LTP_ABOUT_ECHO, 1},
        {"Headroom for speech peaks", "dB", x->headroom_db, y->headroom_db, 0.0, true, LTP_ABOUT_HEADROOM, 1},
        {"Mean power into the lane speaker", "W", x->speaker_power_w, y->speaker_power_w, t->speaker_power_w, false,
         LTP_ABOUT_POWER, 2},
    };
    ltp_text_add(b, "<div class=\"checks\">\n<h3>Measured against the limits</h3>\n<table>\n"
                    "<thead><tr><th scope=\"col\">Quantity</th><th scope=\"col\">before " LTP_ARROW " after</th>"
                    "<th scope=\"col\">limit</th></tr></thead>\n<tbody>\n");
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        put_row(b, v, &rows[i]);
    ltp_text_add(b, "</tbody></table>\n");
    put_people(b, v->result);
    ltp_text_add(b, "</div>\n");
}

void ltp_html_limits(ltp_textbuf *b, const ltp_lane_view *v)
{
    ltp_text_add(b, "<div class=\"findings\">\n<div>\n");
    put_what_limits(b, v->result);
    put_advice(b, v);
    ltp_text_add(b, "</div>\n");
    put_table(b, v);
    ltp_text_add(b, "</div>\n");
}
