/* SPDX-License-Identifier: MIT
 * Gain around the loop at the recommended settings, dB, worst value around each frequency; 0 dB is where it may howl.
 */
#include "report/chart.h"
#include "report/chart_lines.h"

#include <math.h>

enum { CURVE_POINTS = 220, CANDIDATES_SHOWN = 3 };

static bool has_ir(const lt_response *r)
{
    return r != NULL && r->ir != NULL && r->ir->count > 0;
}

static bool has_loop(const lt_tune_recordings *r)
{
    return has_ir(r->loop) || has_ir(r->lane_coupling);
}

static bool same_loop(const lt_tune_recordings *a, const lt_tune_recordings *b)
{
    return a->loop == b->loop && a->lane_coupling == b->lane_coupling && a->counter_coupling == b->counter_coupling;
}

/* Each line recording carries loopback_db once; a recorded loop wins over the product of the couplings. */
static lt_status make_loop(const ltp_lane_view *v, const lt_tune_recordings *r, lt_loop **out, lt_error *err)
{
    const lt_tune_lane *t = v->tune;
    const double loopback_db = lt_is_known(t->loopback_db) ? t->loopback_db : 0.0;
    double gain_db = v->outbound_after_db + v->inbound_after_db - loopback_db;
    if (t->duplex == LT_DUPLEX_VOICE_SWITCHED)
        gain_db -= t->switching_attenuation_db;
    if (has_ir(r->loop))
        return lt_loop_create(r->loop->ir, NULL, 0.0, gain_db, out, err);
    if (has_ir(r->counter_coupling))
        return lt_loop_create(r->lane_coupling->ir, r->counter_coupling->ir, 0.0, gain_db - loopback_db, out, err);
    return lt_loop_create(r->lane_coupling->ir, NULL, lt_tune_counter_coupling_db(t), gain_db, out, err);
}

typedef struct {
    double hz[CURVE_POINTS], level_db[CURVE_POINTS];
    const char *name;
} loop_curve;

static double peak_of(const loop_curve *curve, double *hz)
{
    double peak = -INFINITY;
    *hz = NAN;
    for (size_t i = 0; i < CURVE_POINTS; i++) {
        if (lt_is_known(curve->level_db[i]) && curve->level_db[i] > peak) {
            peak = curve->level_db[i];
            *hz = curve->hz[i];
        }
    }
    return peak;
}

static lt_status make_curve(const ltp_lane_view *v, const lt_tune_recordings *r, loop_curve *curve, bool *usable,
                            lt_error *err)
{
    lt_loop *loop = NULL;
    lt_error cause = {0};
    *usable = false;
    lt_status status = make_loop(v, r, &loop, &cause);
    if (status == LT_OK) {
        const double from = fmax(50.0, lt_loop_from_hz(loop)), to = fmin(16000.0, lt_loop_to_hz(loop));
        if (from < to)
            status = lt_loop_curve(loop, from, to, CURVE_POINTS, curve->hz, curve->level_db, &cause);
        double hz = NAN;
        *usable = status == LT_OK && from < to && lt_is_known(peak_of(curve, &hz));
        curve->name = r->name;
    }
    lt_loop_free(loop);
    /* A loop that cannot be made is no chart; only memory is a reason to give up the page. */
    if (status == LT_E_NOMEM) {
        if (err != NULL)
            *err = cause;
        return status;
    }
    return LT_OK;
}

/* A small ring on the curve at a frequency where the loop would ring, and the frequency beside it. */
static void add_candidates(ltp_charts *c, const lt_margin *m, double bottom)
{
    for (size_t i = 0; i < m->candidate_count && i < CANDIDATES_SHOWN; i++) {
        const lt_ring_candidate *candidate = &m->candidates[i];
        const double y = -candidate->margin_db;
        if (!lt_is_known(y) || y < bottom + 4.0 || !(candidate->hz > 0.0))
            continue;
        ltp_chart_dot(c, candidate->hz, y, "graph 0.011", "#ffffff", "lc rgb '" LTP_INK "'");
    }
}

static void add_margin(ltp_charts *c, const ltp_lane_view *v, double peak_hz, double peak_db, double bottom)
{
    const double margin = v->result->after.safe_margin_db;
    const double limit = v->tune->safe_margin_limit_db;
    ltp_chart_horizontal(c, 0.0, "lc rgb '" LTP_INK "' lw 1.4 dt 1");
    ltp_chart_label(c, 55.0, 3.2, "left", LTP_INK, "0 dB: howling is possible", NULL);
    if (lt_is_known(limit) && fabs(limit) > 1.0) {
        ltp_chart_horizontal(c, -limit, "lc rgb '" LTP_SOFT "' lw 1.2 dt (4,4)");
        ltp_chart_label(c, 55.0, -limit - 3.4, "left", LTP_SOFT, "demanded margin", NULL);
    }
    if (!lt_is_known(margin) || !lt_is_known(peak_hz) || margin < 0.5 || peak_db < bottom)
        return;
    ltp_text_add(&c->script, "set arrow from first ");
    ltp_chart_value(c, peak_hz);
    ltp_text_add(&c->script, ", first 0 to first ");
    ltp_chart_value(c, peak_hz);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, peak_db);
    ltp_text_add(&c->script, " heads size graph 0.012,25 front lc rgb '" LTP_WARN "' lw 1.6\nset label 'margin ");
    ltp_text_number(&c->script, margin, 1);
    const bool right = peak_hz > 2500.0;
    ltp_text_add(&c->script, " dB' at first ");
    ltp_chart_value(c, right ? peak_hz / 1.06 : peak_hz * 1.06);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, fmin(-3.0, 0.35 * peak_db));
    ltp_text_format(&c->script, " %s front font ',13' textcolor rgb '" LTP_WARN "'\n", right ? "right" : "left");
}

static void put_hz(ltp_textbuf *b, double hz)
{
    ltp_text_number(b, hz >= 1000.0 ? hz / 1000.0 : hz, hz >= 1000.0 ? 2 : 0);
    ltp_text_add(b, hz >= 1000.0 ? " kHz" : " Hz");
}

static void add_caption(ltp_chart *chart, const lt_margin *m, bool switched)
{
    ltp_text_add(&chart->caption, "At the recommended settings");
    ltp_text_add(&chart->caption, switched ? ", the voice switch included." : ".");
    if (m->candidate_count == 0)
        return;
    ltp_text_add(&chart->caption, " Rings: where it would howl first, ");
    const size_t shown = m->candidate_count < CANDIDATES_SHOWN ? m->candidate_count : CANDIDATES_SHOWN;
    for (size_t i = 0; i < shown; i++) {
        ltp_text_add(&chart->caption, i == 0 ? "" : i + 1 == shown ? " and " : ", ");
        put_hz(&chart->caption, m->candidates[i].hz);
    }
    ltp_text_add(&chart->caption, ".");
}

static void draw(ltp_charts *c, const ltp_lane_view *v, const loop_curve *curves, size_t count)
{
    double peak_db = -INFINITY, peak_hz = NAN;
    for (size_t k = 0; k < count; k++) {
        double hz = NAN;
        const double peak = peak_of(&curves[k], &hz);
        if (peak > peak_db) {
            peak_db = peak;
            peak_hz = hz;
        }
    }
    if (!lt_is_known(peak_db) || fabs(peak_db) > 1000.0)
        return;
    const double top = 10.0 * ceil((fmax(peak_db, 0.0) + (count > 1 ? 6.0 * (double)count : 6.0)) / 10.0);
    const double bottom = fmin(-40.0, 10.0 * floor((peak_db - 25.0) / 10.0));
    ltp_chart *chart = ltp_chart_begin(c, v->index, LTP_CHART_LOOP_GAIN);
    ltp_chart_axis_hz(c, 50.0, 16000.0);
    ltp_chart_axis_y(c, bottom, top, 10.0, "dB");
    add_margin(c, v, peak_hz, peak_db, bottom);
    add_candidates(c, &v->result->margin, bottom);
    for (size_t k = 0; k < count; k++) {
        ltp_text_format(&c->script, "$l%zu << EOD\n", k);
        for (size_t i = 0; i < CURVE_POINTS; i++) {
            const double row[] = {curves[k].hz[i], curves[k].level_db[i]};
            ltp_chart_row(c, row, 2);
        }
        ltp_text_add(&c->script, "EOD\n");
        if (count > 1)
            ltp_chart_key(c, 0.62, 0.95 - 0.09 * (double)k, k, curves[k].name);
    }
    for (size_t k = count; k-- > 0;)
        ltp_text_format(&c->script, "%s$l%zu using 1:2 with lines %s notitle", k + 1 == count ? "plot " : ", ", k,
                        ltp_condition_line(k));
    ltp_text_add(&c->script, "\n");
    add_caption(chart, &v->result->margin, v->tune->duplex == LT_DUPLEX_VOICE_SWITCHED);
}

lt_status ltp_chart_loop_gain(ltp_charts *c, const ltp_lane_view *v, lt_error *err)
{
    loop_curve curves[LTP_CONDITION_LINES_MAX] = {0};
    size_t count = 0;
    const lt_tune_lane *t = v->tune;
    if (t->duplex == LT_DUPLEX_PUSH_TO_TALK)
        return LT_OK;
    for (size_t i = 0; i < t->condition_count && count < LTP_CONDITION_LINES_MAX; i++) {
        bool wanted = has_loop(&t->recordings[i]);
        for (size_t k = 0; wanted && k < i; k++)
            wanted = !same_loop(&t->recordings[k], &t->recordings[i]);
        bool usable = false;
        const lt_status status = wanted ? make_curve(v, &t->recordings[i], &curves[count], &usable, err) : LT_OK;
        if (status != LT_OK)
            return status;
        count += usable ? 1 : 0;
    }
    if (count > 0)
        draw(c, v, curves, count);
    return LT_OK;
}
