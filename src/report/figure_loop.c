/* SPDX-License-Identifier: MIT
 * Charts of margins as files: gain around one loop with ring candidates and notches; margins of all sets of lanes. */
#include "base/alloc.h"
#include "report/chart_lines.h"
#include "report/figure.h"
#include "report/text_build.h"

#include <math.h>
#include <stdio.h>

enum { CURVE_POINTS = 480, CANDIDATES_SHOWN = 6, SETS_DRAWN = 31 };

static void add_candidates(ltp_charts *c, const lt_margin *m, double bottom)
{
    for (size_t i = 0; i < m->candidate_count && i < CANDIDATES_SHOWN; i++) {
        const double y = -m->candidates[i].margin_db;
        if (!(y > bottom) || !(m->candidates[i].hz > 0.0))
            continue;
        ltp_chart_dot(c, m->candidates[i].hz, y, "graph 0.008", "#ffffff", "lc rgb '" LTP_WARN "'");
    }
}

static double behind(const lt_margin *m, double rate_hz, double hz)
{
    double power = 1.0;
    for (size_t i = 0; i < m->notch_count; i++) {
        const lt_biquad b = lt_biquad_peaking(m->notches[i].hz, m->notches[i].q, -m->notches[i].cut_db, rate_hz);
        power *= lt_complex_power(lt_biquad_response(&b, hz, rate_hz));
    }
    return lt_db_from_power(power);
}

static void add_curve(ltp_charts *c, const lt_margin_figure *g, const double *hz, const double *level_db)
{
    const double rate_hz = lt_loop_rate_hz(g->loop);
    ltp_text_add(&c->script, "$loop << EOD\n");
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        const double level = level_db[i] + g->gain_db;
        const double row[] = {hz[i], level, level + behind(g->margin, rate_hz, hz[i])};
        ltp_chart_row(c, row, 3);
    }
    ltp_text_add(&c->script, "EOD\n");
}

lt_status lt_figure_margin(const lt_margin_figure *g, const lt_report_options *opt, lt_figure_format format, char **out,
                           size_t *bytes, lt_error *err)
{
    ltp_figure f;
    double hz[CURVE_POINTS];
    double level_db[CURVE_POINTS];
    const bool notched = g->margin->notch_count > 0;
    lt_status st = ltp_figure_begin(&f, format,
                                    notched ? "Gain around the loop; rings: would howl; dashed: notches in"
                                            : "Gain around the loop; rings: where it would howl",
                                    LTP_FIGURE_HEIGHT, err);
    if (st != LT_OK)
        return ltp_figure_end(&f, st, opt, out, bytes, err);
    ltp_charts *c = f.charts;
    const double from = fmax(lt_loop_from_hz(g->loop), 50.0);
    const double to = fmin(lt_loop_to_hz(g->loop), 16000.0);
    if (!(from < to))
        st = ltp_fail(err, LT_E_ARG, "the loop has no band between 50 Hz and 16 kHz: there is nothing to draw");
    if (st == LT_OK)
        st = lt_loop_curve(g->loop, from, to, CURVE_POINTS, hz, level_db, err);
    if (st == LT_OK) {
        double peak = -(double)INFINITY;
        for (size_t i = 0; i < CURVE_POINTS; i++)
            peak = fmax(peak, level_db[i] + g->gain_db);
        peak = lt_is_known(peak) ? peak : 0.0;
        const double top = 10.0 * ceil((fmax(peak, 0.0) + 6.0) / 10.0);
        const double bottom = fmin(-40.0, 10.0 * floor((peak - 30.0) / 10.0));
        add_curve(c, g, hz, level_db);
        ltp_chart_axis_hz(c, from, to);
        ltp_chart_axis_y(c, bottom, top, 10.0, "dB");
        ltp_chart_horizontal(c, 0.0, "lc rgb '" LTP_INK "' lw 1.4 dt 1");
        ltp_chart_label(c, from * 1.1, 2.5, "left", LTP_INK, "0 dB: howling is possible", NULL);
        ltp_chart_horizontal(c, -g->want_db, "lc rgb '" LTP_SOFT "' lw 1.2 dt (4,4)");
        ltp_chart_label(c, from * 1.1, -g->want_db - 2.5, "left", LTP_SOFT, "demanded margin", NULL);
        add_candidates(c, g->margin, bottom);
        ltp_text_add(&c->script, "plot ");
        if (notched) /* below the other: it shows where they differ */
            ltp_text_add(&c->script, "$loop using 1:3 with lines lc rgb '" LTP_WARN "' lw 1.6 dt (6,4), ");
        ltp_text_add(&c->script, "$loop using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 2.2");
        ltp_text_add(&c->script, "\n");
    }
    return ltp_figure_end(&f, st, opt, out, bytes, err);
}

/* ---- several lanes ---- */

void ltp_chart_open_sets(ltp_charts *c, const lt_open_margin *m)
{
    const size_t count = m->set_count < SETS_DRAWN ? m->set_count : SETS_DRAWN;
    double top = 12.0;
    double bottom = 0.0;
    double want_db = 0.0;
    ltp_text_add(&c->script, "$sets << EOD\n");
    for (size_t i = 0; i < count; i++) {
        const lt_matrix_margin *s = &m->sets[i];
        const double rule = lt_open_rule_db(m, s->open);
        const double row[] = {(double)i, lt_is_known(s->margin_db) ? s->margin_db : s->safe_margin_db,
                              s->safe_margin_db, rule};
        ltp_chart_row(c, row, 4);
        for (size_t k = 1; k < 4; k++)
            if (lt_is_known(row[k])) {
                top = fmax(top, row[k]);
                bottom = fmin(bottom, row[k]);
            }
    }
    ltp_text_add(&c->script, "EOD\n");
    for (size_t i = 0; i < m->lane_count; i++)
        want_db = fmax(want_db, m->lanes[i].want_db);
    const double step = top - bottom > 60.0 ? 20.0 : top - bottom > 30.0 ? 10.0 : 5.0;
    ltp_chart_axis_y(c, step * floor((bottom - 1.0) / step), step * ceil((top + 1.0) / step), step, "dB margin");
    ltp_text_format(&c->script, "unset logscale x\nset bmargin %d\nset xrange [-0.7:", count > 6 ? 4 : 2);
    const double end = 1.16 * (double)count - 0.3; /* room for a word beside the bars */
    ltp_chart_value(c, end);
    ltp_text_format(&c->script, "]\nset xtics scale 0 %s (", count > 6 ? "rotate by 45 right" : "norotate");
    for (size_t i = 0; i < count; i++) {
        char words[64];
        ltp_open_lanes(words, m, m->sets[i].open, "+");
        ltp_text_format(&c->script, "%s'%s' %zu", i > 0 ? ", " : "", words, i);
    }
    ltp_text_add(&c->script, ")\nset boxwidth 0.6\n");
    ltp_chart_horizontal(c, 0.0, "lc rgb '" LTP_INK "' lw 1.4 dt 1");
    ltp_chart_horizontal(c, want_db, "lc rgb '" LTP_SOFT "' lw 1.2 dt (4,4)");
    ltp_chart_label(c, end, want_db + 0.3 * step, "right", LTP_SOFT, "demanded", NULL);
    /* Strokes, not points: a drawing in a page keeps no symbols. */
    ltp_text_add(&c->script,
                 "plot $sets using 1:2 with boxes fillstyle solid 1.0 noborder lc rgb '" LTP_TINT
                 "', $sets using ($1-0.3):3:(0.6):(0) with vectors nohead lc rgb '" LTP_ACCENT
                 "' lw 3, $sets using ($1-0.36):4:(0.72):(0) with vectors nohead lc rgb '" LTP_WARN "' lw 1.4\n");
}

lt_status lt_figure_open_margin(const lt_open_margin *m, const lt_report_options *opt, lt_figure_format format,
                                char **out, size_t *bytes, lt_error *err)
{
    ltp_figure f;
    const lt_status st = ltp_figure_begin(&f, format, "Margin by open lanes; thick stroke: safe; thin: 3 dB rule",
                                          LTP_FIGURE_HEIGHT, err);
    if (st == LT_OK)
        ltp_chart_open_sets(f.charts, m);
    return ltp_figure_end(&f, st, opt, out, bytes, err);
}
