/* SPDX-License-Identifier: MIT
 * The echo as a file: where it lies on the tolerance curve of ITU-T G.131. */
#include "report/figure.h"

#include <math.h>

static const double from_ms = 0.5, to_ms = 500.0; /* one way */
static const double top_db = 70.0;

static void add_curve(ltp_charts *c)
{
    ltp_text_add(&c->script, "$limits << EOD\n");
    for (double t = from_ms; t <= to_ms * 1.001; t *= 1.05) {
        const double row[] = {t, fmax(lt_talker_echo_required_db(LT_ECHO_ACCEPTABLE_DB, t), 0.0),
                              fmax(lt_talker_echo_required_db(LT_ECHO_LIMITING_DB, t), 0.0), 0.0};
        ltp_chart_row(c, row, 4);
    }
    ltp_text_add(&c->script, "EOD\n");
}

lt_status lt_figure_echo(const lt_echo *e, const lt_report_options *opt, lt_figure_format format, char **out,
                         size_t *bytes, lt_error *err)
{
    ltp_figure f;
    const bool known = lt_is_known(e->talker.telr_db) && lt_is_known(e->talker.one_way_ms);
    lt_status status = ltp_figure_begin(&f, format,
                                        known ? "Talker echo against its delay; dashed: limiting case (ITU-T G.131)"
                                              : "No talker echo; dashed: limiting case (ITU-T G.131)",
                                        LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        add_curve(c);
        ltp_text_add(&c->script, "$lane << EOD\n");
        const double row[] = {fmin(fmax(e->talker.one_way_ms, from_ms), to_ms),
                              fmin(fmax(e->talker.telr_db, 0.0), top_db)};
        if (known)
            ltp_chart_row(c, row, 2);
        ltp_text_add(&c->script, "EOD\nset logscale x\nset xrange [0.5:500]\n"
                                 "set xtics (\"0.5\" 0.5, \"1\" 1, \"2\" 2, \"5\" 5, \"10\" 10, \"25\" 25, \"50\" 50, "
                                 "\"100\" 100, \"200\" 200, \"500\" 500)\n"
                                 "set xlabel 'delay one way, ms'\n");
        ltp_chart_axis_y(c, 0, top_db, 10.0, "dB");
        ltp_text_add(&c->script, "plot $limits using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2.2, "
                                 "$limits using 1:3 with lines lc rgb '" LTP_ACCENT "' lw 1.4 dt 2");
        if (known)
            ltp_text_add(&c->script, ", $lane using 1:2 with points pt 7 ps 1.4 lc rgb '" LTP_INK "'");
        ltp_text_add(&c->script, "\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
