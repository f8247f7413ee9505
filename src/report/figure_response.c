/* SPDX-License-Identifier: MIT
 * A frequency response with the noise below it, as a file. */
#include "report/figure.h"

#include <math.h>

static void add_points(ltp_charts *c, const lt_response *r, double *bottom, double *top)
{
    double highest = -INFINITY, lowest = INFINITY;
    ltp_text_add(&c->script, "$response << EOD\n");
    for (size_t i = 0; i < r->point_count; i++) {
        const lt_response_point *p = &r->points[i];
        const double row[] = {p->hz, p->level_db, lt_is_known(p->snr_db) ? p->level_db - p->snr_db : -999.0};
        ltp_chart_row(c, row, 3);
        if (lt_is_known(p->level_db)) {
            highest = fmax(highest, p->level_db);
            lowest = fmin(lowest, p->level_db);
        }
    }
    ltp_text_add(&c->script, "EOD\n");
    *top = lt_is_known(highest) ? 10.0 * ceil((highest + 3.0) / 10.0) : 0.0;
    *bottom = lt_is_known(lowest) ? fmax(*top - 80.0, fmin(*top - 40.0, 10.0 * floor((lowest - 2.0) / 10.0))) : -40.0;
}

lt_status lt_figure_response(const lt_response *r, const lt_report_options *opt, lt_figure_format format, char **out,
                             size_t *bytes, lt_error *err)
{
    ltp_figure f;
    lt_status status =
        ltp_figure_begin(&f, format, "Frequency response, 1/24 octave; grey: noise", LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        double bottom, top;
        ltp_charts *c = f.charts;
        add_points(c, r, &bottom, &top);
        ltp_chart_axis_hz(c, fmax(r->from_hz, 20.0), fmin(r->to_hz, 20000.0));
        ltp_chart_axis_y(c, bottom, top, 10.0, "dB");
        ltp_text_add(&c->script, "plot $response using 1:3 with filledcurves x1 lc rgb '" LTP_FLOOR "', "
                                 "$response using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2.2\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
