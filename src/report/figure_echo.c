/* SPDX-License-Identifier: MIT
 * The echo as a file: where it lies on the tolerance curve of ITU-T G.131. */
#include "report/chart_echo.h"
#include "report/figure.h"

lt_status lt_figure_echo(const lt_echo *e, const lt_report_options *opt, lt_figure_format format, char **out,
                         size_t *bytes, lt_error *err)
{
    ltp_figure f;
    const bool known = lt_is_known(e->talker.telr_db) && lt_is_known(e->talker.one_way_ms);
    lt_status status =
        ltp_figure_begin(&f, format,
                         known ? "Talker echo against its delay one way; dashed: limiting case (ITU-T G.131)"
                               : "No talker echo; dashed: limiting case (ITU-T G.131)",
                         LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        ltp_chart_tolerance(c);
        ltp_chart_echo_point(c, true, e->talker.one_way_ms, e->talker.telr_db);
        ltp_text_add(&c->script, "plot $limits using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2.2, "
                                 "$limits using 1:3 with lines lc rgb '" LTP_ACCENT "' lw 1.4 dt 2");
        ltp_text_add(&c->script, "\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
