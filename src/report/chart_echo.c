/* SPDX-License-Identifier: MIT
 * Where the operator's talker echo lies on the tolerance curve of ITU-T G.131, before and after. dB, ms one way. */
#include "report/chart_echo.h"
#include "report/chart_lines.h"

#include <math.h>

static const double from_ms = 0.5, to_ms = 500.0; /* one way */

void ltp_chart_tolerance(ltp_charts *c)
{
    ltp_text_add(&c->script, "$limits << EOD\n");
    for (double t = from_ms; t <= to_ms * 1.001; t *= 1.05) {
        const double row[] = {t, fmax(lt_talker_echo_required_db(LT_ECHO_ACCEPTABLE_DB, t), 0.0),
                              fmax(lt_talker_echo_required_db(LT_ECHO_LIMITING_DB, t), 0.0)};
        ltp_chart_row(c, row, 3);
    }
    ltp_text_add(&c->script, "EOD\nset logscale x\nset xrange [0.5:500]\n"
                             "set xtics ('0.5' 0.5, '1' 1, '2' 2, '5' 5, '10' 10, '25' 25, '50' 50, '100 ms' 100, "
                             "'' 200, '' 500)\n");
    ltp_chart_axis_y(c, 0, LTP_ECHO_TOP_DB, 10.0, "dB, talker echo loudness rating");
}

void ltp_chart_echo_point(ltp_charts *c, bool filled, double one_way_ms, double telr_db)
{
    if (!lt_is_known(one_way_ms) || !lt_is_known(telr_db))
        return;
    ltp_chart_dot(c, fmin(fmax(one_way_ms, from_ms), to_ms), fmin(fmax(telr_db, 0.0), LTP_ECHO_TOP_DB),
                  filled ? "graph 0.01" : "graph 0.014", filled ? LTP_WARN : "#ffffff",
                  filled ? NULL : "lc rgb '" LTP_WARN "' lw 1.6");
}

/* The condition whose echo is heard most. */
static const lt_tune_condition *worst(const lt_tune_result *r)
{
    const lt_tune_condition *found = NULL;
    for (size_t i = 0; i < r->condition_count; i++) {
        const lt_tune_condition *k = &r->conditions[i];
        if (lt_is_known(k->echo_weighted_db) && lt_is_known(k->echo_one_way_ms) &&
            (found == NULL || k->echo_weighted_db < found->echo_weighted_db))
            found = k;
    }
    return found;
}

void ltp_chart_echo(ltp_charts *c, const ltp_lane_view *v)
{
    const lt_tune_condition *k = worst(v->result);
    if (k == NULL || !lt_is_known(v->result->after.echo_telr_db))
        return;
    const double before_db = k->echo_telr_db - v->outbound_before_db - v->inbound_before_db;
    const double after_db = k->echo_telr_db - v->outbound_after_db - v->inbound_after_db;
    ltp_chart *chart = ltp_chart_begin(c, v->index, LTP_CHART_ECHO);
    ltp_chart_tolerance(c);
    ltp_chart_echo_point(c, false, k->echo_one_way_ms, before_db);
    ltp_chart_echo_point(c, true, k->echo_one_way_ms, after_db);
    ltp_text_add(&c->script, "plot $limits using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2 notitle, "
                             "$limits using 1:3 with lines lc rgb '" LTP_ACCENT "' lw 1.2 dt 2 notitle\n");
    ltp_text_add(&chart->caption,
                 "Loss of the own voice\xE2\x80\x99s echo, by delay one way; acceptable above the line (ITU-T G.131). "
                 "Ring: before; dot: after.");
}
