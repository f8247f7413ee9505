/* SPDX-License-Identifier: MIT
 * The echo as a file: where it lies on the tolerance curve of ITU-T G.131, one way or both. */
#include "report/chart_echo.h"
#include "report/figure.h"

/* Of the key above the frame, in parts of the plot. */
static const double key_y = 1.05, key_x[2] = {0.48, 0.75}, name_apart = 0.022;

static bool is_known(const lt_echo *e)
{
    return lt_is_known(e->talker.telr_db) && lt_is_known(e->talker.one_way_ms);
}

static void put_graph_place(ltp_charts *c, double x, double y)
{
    ltp_text_add(&c->script, "graph ");
    ltp_chart_value(c, x);
    ltp_text_add(&c->script, ", graph ");
    ltp_chart_value(c, y);
}

/* The dot is what the operator hears of himself, the ring what the customer hears of himself. */
static void put_way(ltp_charts *c, const lt_echo *e, bool customer)
{
    if (is_known(e))
        ltp_chart_echo_point(c, !customer, e->talker.one_way_ms, e->talker.telr_db);
    ltp_text_add(&c->script, "set object circle at ");
    put_graph_place(c, key_x[customer], key_y);
    ltp_text_format(&c->script, " radius graph %s front noclip fillcolor rgb '%s' fillstyle solid border lc rgb '%s'\n",
                    customer ? "0.014" : "0.01", customer ? "#ffffff" : LTP_WARN, LTP_WARN);
    ltp_text_format(&c->script, "set label '%s: ", customer ? "customer" : "operator");
    if (is_known(e)) {
        ltp_text_number(&c->script, e->talker.telr_db, 1);
        ltp_text_add(&c->script, " dB");
    } else {
        ltp_text_add(&c->script, "no echo");
    }
    ltp_text_add(&c->script, "' at ");
    put_graph_place(c, key_x[customer] + name_apart, key_y);
    ltp_text_add(&c->script, " left front font ',13' textcolor rgb '" LTP_INK "'\n");
}

static const char *title_of(const lt_echo *e, const lt_echo *back)
{
    if (!is_known(e) && (back == NULL || !is_known(back)))
        return "No talker echo; dashed: limiting case (ITU-T G.131)";
    return back != NULL ? "Talker echo both ways, by delay one way; dashed: limiting case (G.131)"
                        : "Talker echo against its delay one way; dashed: limiting case (ITU-T G.131)";
}

lt_status lt_figure_echo(const lt_echo_figure *g, const lt_report_options *opt, lt_figure_format format, char **out,
                         size_t *bytes, lt_error *err)
{
    ltp_figure f;
    lt_status status = ltp_figure_begin(&f, format, title_of(g->echo, g->back), LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        ltp_chart_tolerance(c);
        if (g->back != NULL) {
            put_way(c, g->back, true);
            put_way(c, g->echo, false);
        } else {
            ltp_chart_echo_point(c, true, g->echo->talker.one_way_ms, g->echo->talker.telr_db);
        }
        ltp_text_add(&c->script, "plot $limits using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2.2, "
                                 "$limits using 1:3 with lines lc rgb '" LTP_ACCENT "' lw 1.4 dt 2");
        ltp_text_add(&c->script, "\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
