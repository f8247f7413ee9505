/* SPDX-License-Identifier: MIT
 * Line styles of the charts. */
#include "report/chart_lines.h"

const char *ltp_condition_line(size_t i)
{
    static const char *const lines[LTP_CONDITION_LINES_MAX] = {
        "lc rgb '" LTP_ACCENT "' lw 2.2 dt 1",
        "lc rgb '" LTP_WARN "' lw 1.8 dt (9,4)",
        "lc rgb '" LTP_INK "' lw 1.6 dt (2,3)",
        "lc rgb '" LTP_SOFT "' lw 1.4 dt (9,3,2,3)",
    };
    return lines[i % LTP_CONDITION_LINES_MAX];
}

const char *ltp_condition_colour(size_t i)
{
    static const char *const colours[LTP_CONDITION_LINES_MAX] = {LTP_ACCENT, LTP_WARN, LTP_INK, LTP_SOFT};
    return colours[i % LTP_CONDITION_LINES_MAX];
}

void ltp_chart_horizontal(ltp_charts *c, double y, const char *style)
{
    ltp_text_add(&c->script, "set arrow from graph 0, first ");
    ltp_chart_value(c, y);
    ltp_text_add(&c->script, " to graph 1, first ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " nohead front %s\n", style);
}

void ltp_chart_key(ltp_charts *c, double x, double y, size_t line, const char *name)
{
    ltp_text_add(&c->script, "set arrow from graph ");
    ltp_chart_value(c, x);
    ltp_text_add(&c->script, ", graph ");
    ltp_chart_value(c, y);
    ltp_text_add(&c->script, " to graph ");
    ltp_chart_value(c, x + 0.07);
    ltp_text_add(&c->script, ", graph ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " nohead front %s\n", ltp_condition_line(line));
    ltp_chart_condition_label(c, x + 0.085, y, ltp_condition_colour(line), name);
}

void ltp_chart_dot(ltp_charts *c, double x, double y, const char *radius, const char *fill, const char *border)
{
    if (!lt_is_known(x) || !lt_is_known(y))
        return;
    ltp_text_add(&c->script, "set object circle at first ");
    ltp_chart_value(c, x);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " radius %s front fillcolor rgb '%s' fillstyle solid %s%s\n", radius, fill,
                    border != NULL ? "border " : "noborder", border != NULL ? border : "");
}
