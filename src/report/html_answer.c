/* SPDX-License-Identifier: MIT
 * First part of a lane: the verdict, the settings to dial in, and what they give. */
#include "report/html.h"

#include <math.h>

/* ---- the dials ---- */

static void put_dial_card(ltp_textbuf *b, const lt_adjuster *a, const char *name, const char *direction, double now_db,
                          double recommended_db, size_t step)
{
    const bool moved = ltp_is_moved(now_db, recommended_db);
    ltp_text_format(b, "<div class=\"dial\">\n<h3>%s <span>%s</span></h3>\n<p class=\"move\">", name, direction);
    ltp_text_add(b, "<span class=\"from\">");
    ltp_put_dial(b, now_db);
    ltp_text_add(b, "</span> <span class=\"to\">" LTP_ARROW "</span> <strong>");
    ltp_put_dial(b, recommended_db);
    ltp_text_add(b, "</strong></p>\n<p class=\"turn\">");
    long steps = 0;
    if (!moved) {
        ltp_text_add(b, "Leave as it is");
    } else if (ltp_steps_between(a, now_db, step, &steps) && steps != 0) {
        const long count = steps < 0 ? -steps : steps;
        ltp_text_format(b, "Turn %ld step%s %s", count, count == 1 ? "" : "s", steps > 0 ? "up" : "down");
    } else {
        ltp_text_add(b, recommended_db > now_db ? "Turn up to this setting" : "Turn down to this setting");
    }
    ltp_text_add(b, "</p>\n<p class=\"small\">");
    if (a->step_count > 1)
        ltp_text_format(b, "Step %zu on a dial of 0 (quietest) to %zu", step, a->step_count - 1);
    else
        ltp_text_add(b, "The only setting on offer");
    if (a->shared[0] != '\0') {
        ltp_text_add(b, "; one knob with all that are marked \xE2\x80\x9C<bdi>");
        ltp_text_add_escaped(b, a->shared);
        ltp_text_add(b, "</bdi>\xE2\x80\x9D");
    }
    ltp_text_add(b, "</p>\n</div>\n");
}

/* ---- meters ---- */

enum { METER_WIDTH = 240, METER_LEFT = 8 };

static double meter_x(double value, double top)
{
    const double part = fmin(1.0, fmax(0.0, value / top));
    return METER_LEFT + part * (METER_WIDTH - 2 * METER_LEFT);
}

static void put_attribute(ltp_textbuf *b, const char *name, double value)
{
    ltp_text_format(b, " %s=\"", name);
    ltp_text_number(b, value, 1);
    ltp_text_add(b, "\"");
}

void ltp_put_meter(ltp_textbuf *b, double before, double after, double top, const double marks[2], int decimals)
{
    ltp_text_format(b, "<svg class=\"meter\" viewBox=\"0 0 %d 30\" aria-hidden=\"true\">", (int)METER_WIDTH);
    ltp_text_add(b, "<rect x=\"8\" y=\"8\" width=\"224\" height=\"4\" rx=\"2\" fill=\"#d9e0e2\"/>");
    if (lt_is_known(after)) {
        ltp_text_add(b, "<rect x=\"8\" y=\"8\" height=\"4\" rx=\"2\" fill=\"" LTP_ACCENT "\"");
        put_attribute(b, "width", meter_x(after, top) - METER_LEFT);
        ltp_text_add(b, "/>");
    }
    for (size_t i = 0; i < 2; i++) {
        if (!lt_is_known(marks[i]))
            continue;
        const double x = meter_x(marks[i], top);
        ltp_text_add(b, "<path d=\"M");
        ltp_text_number(b, x, 1);
        ltp_text_add(b, " 3V17\" stroke=\"" LTP_INK "\" stroke-width=\"1\"/><text y=\"28\" text-anchor=\"middle\"");
        put_attribute(b, "x", x);
        ltp_text_add(b, ">");
        ltp_text_number(b, marks[i], decimals);
        ltp_text_add(b, "</text>");
    }
    if (lt_is_known(before)) {
        ltp_text_add(b, "<circle cy=\"10\" r=\"4.5\" fill=\"#fff\" stroke=\"" LTP_SOFT "\" stroke-width=\"1.6\"");
        put_attribute(b, "cx", meter_x(before, top));
        ltp_text_add(b, "/>");
    }
    if (lt_is_known(after)) {
        ltp_text_add(b, "<circle cy=\"10\" r=\"6\" fill=\"" LTP_ACCENT "\"");
        put_attribute(b, "cx", meter_x(after, top));
        ltp_text_add(b, "/>");
    }
    ltp_text_add(b, "</svg>\n");
}

/* ---- what the settings give ---- */

static void put_sii(ltp_textbuf *b, const ltp_lane_view *v, const char *title, double before, double after,
                    unsigned about)
{
    static const double marks[2] = {LTP_SII_POOR, LTP_SII_GOOD};
    ltp_text_format(b, "<div class=\"outcome\">\n<h3>%s</h3>\n<p class=\"grade\"><strong>%s</strong>", title,
                    ltp_grade(after));
    if (lt_is_known(after)) {
        ltp_text_add(b, " <span>SII ");
        ltp_put_value(b, after, 2, "");
        ltp_text_add(b, "</span>");
    }
    ltp_text_add(b, "</p>\n");
    ltp_put_meter(b, before, after, 1.0, marks, 2);
    ltp_text_add(b, "<p class=\"small\">before: ");
    ltp_text_add(b, ltp_grade(before));
    if (lt_is_known(before)) {
        ltp_text_add(b, ", SII ");
        ltp_put_value(b, before, 2, "");
    }
    ltp_text_add(b, ". ");
    ltp_put_doubts(b, v, about);
    ltp_text_add(b, "</p>\n</div>\n");
}

static void put_margin(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_figures *before = &v->result->before, *after = &v->result->after;
    const double limit = v->tune->safe_margin_limit_db;
    const double marks[2] = {limit, NAN};
    ltp_text_add(b, "<div class=\"outcome\">\n<h3>Feedback margin</h3>\n<p class=\"grade\">");
    if (lt_is_known(after->safe_margin_db)) {
        ltp_text_add(b, "<strong>");
        ltp_put_value(b, after->safe_margin_db, 1, "dB");
        ltp_text_add(b, "</strong></p>\n");
        ltp_put_meter(b, before->safe_margin_db, after->safe_margin_db, 24.0, marks, 0);
        ltp_text_add(b, "<p class=\"small\">before: ");
        ltp_put_value(b, before->safe_margin_db, 1, "dB");
        if (lt_is_known(limit)) {
            ltp_text_add(b, "; demanded: ");
            ltp_put_value(b, limit, 1, "dB");
        }
        ltp_text_add(b, ". ");
    } else {
        const bool push = v->tune->duplex == LT_DUPLEX_PUSH_TO_TALK;
        ltp_text_add(
            b, push ? "<strong>no loop</strong></p>\n<p class=\"small\">Push-to-talk opens the loop: it cannot howl. "
                    : "<strong>not known</strong></p>\n<p class=\"small\">There is no loop gain to tell it from. ");
    }
    ltp_put_doubts(b, v, LTP_ABOUT_MARGIN);
    ltp_text_add(b, "</p>\n</div>\n");
}

void ltp_html_answer(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    ltp_text_format(b, "<header>\n<p class=\"eyebrow\">Lane %u</p>\n<h2>", r->lane);
    if (r->name[0] != '\0') {
        ltp_text_add(b, "<bdi>");
        ltp_text_add_escaped(b, r->name);
        ltp_text_add(b, "</bdi>");
    } else {
        ltp_text_format(b, "Lane %u", r->lane);
    }
    ltp_text_format(b, "</h2>\n<p class=\"verdict%s\">", r->unmet_count > 0 ? " alarm" : "");
    ltp_put_verdict(b, v);
    ltp_text_add(b, "</p>\n</header>\n<div class=\"dials\">\n");
    put_dial_card(b, &v->tune->outbound, "Outbound", "operator to customer", r->outbound_now_db,
                  r->outbound_recommended_db, r->outbound_step);
    put_dial_card(b, &v->tune->inbound, "Inbound", "customer to operator", r->inbound_now_db, r->inbound_recommended_db,
                  r->inbound_step);
    ltp_text_add(b, "</div>\n<div class=\"outcomes\">\n");
    put_sii(b, v, "Customer understands operator", r->before.sii_outbound, r->after.sii_outbound,
            LTP_ABOUT_SII_OUTBOUND);
    put_sii(b, v, "Operator understands customer", r->before.sii_inbound, r->after.sii_inbound, LTP_ABOUT_SII_INBOUND);
    put_margin(b, v);
    ltp_text_add(b, "</div>\n");
}
