/* SPDX-License-Identifier: MIT
 * Responses of the paths in 1/24 octaves, with the measurement's own noise below them. Sound: dB SPL for a full-scale
 * sine on the line; couplings: dB, line to line. */
#include "report/chart.h"
#include "report/chart_lines.h"

#include <math.h>

static const double trusted_snr_db = 20.0;

typedef struct {
    const lt_response *curves[LTP_CONDITION_LINES_MAX];
    const char *names[LTP_CONDITION_LINES_MAX];
    size_t count;
} curve_set;

static const lt_response *response_of(const lt_tune_recordings *r, ltp_chart_kind kind)
{
    switch ((int)kind) {
    case LTP_CHART_OUTBOUND:
        return r->outbound;
    case LTP_CHART_INBOUND:
        return r->inbound;
    case LTP_CHART_LANE_COUPLING:
        return r->lane_coupling;
    case LTP_CHART_COUNTER_COUPLING:
        return r->counter_coupling;
    default:
        return r->loop;
    }
}

static bool is_drawable(const lt_response *r)
{
    size_t known = 0;
    for (size_t i = 0; r != NULL && i < r->point_count && i < LT_RESPONSE_POINTS_MAX; i++)
        known += lt_is_known(r->points[i].level_db) && r->points[i].hz >= 50.0 && r->points[i].hz <= 16000.0;
    return known >= 2;
}

/* Each response once, under the first condition that has it. */
static curve_set collect(const lt_tune_lane *t, ltp_chart_kind kind)
{
    curve_set set = {0};
    for (size_t i = 0; i < t->condition_count && set.count < LTP_CONDITION_LINES_MAX; i++) {
        const lt_response *r = response_of(&t->recordings[i], kind);
        bool wanted = is_drawable(r);
        for (size_t k = 0; wanted && k < set.count; k++)
            wanted = set.curves[k] != r;
        if (wanted) {
            set.curves[set.count] = r;
            set.names[set.count++] = t->recordings[i].name;
        }
    }
    return set;
}

static void find_range(const curve_set *set, double shift_db, double *bottom, double *top)
{
    double lowest = INFINITY, highest = -INFINITY;
    for (size_t k = 0; k < set->count; k++) {
        for (size_t i = 0; i < set->curves[k]->point_count; i++) {
            const lt_response_point *p = &set->curves[k]->points[i];
            if (!lt_is_known(p->level_db) || p->hz < 50.0 || p->hz > 16000.0)
                continue;
            lowest = fmin(lowest, p->level_db + shift_db);
            highest = fmax(highest, p->level_db + shift_db);
        }
    }
    if (!lt_is_known(lowest) || fabs(lowest) > 1000.0 || fabs(highest) > 1000.0) {
        lowest = -40.0;
        highest = 0.0;
    }
    *top = 10.0 * ceil((highest + 4.0) / 10.0);
    *bottom = fmin(*top - 40.0, fmax(*top - 70.0, 10.0 * floor((lowest - 2.0) / 10.0)));
}

static void add_data(ltp_charts *c, const lt_response *r, size_t number, double shift_db, double bottom)
{
    ltp_text_format(&c->script, "$r%zu << EOD\n", number);
    for (size_t i = 0; i < r->point_count; i++) {
        const lt_response_point *p = &r->points[i];
        const double level = p->level_db + shift_db;
        const double floor_db = lt_is_known(p->snr_db) ? fmax(bottom, level - p->snr_db) : bottom;
        const double row[] = {p->hz, level, floor_db};
        ltp_chart_row(c, row, 3);
    }
    ltp_text_add(&c->script, "EOD\n");
}

/* A shade over every stretch of frequency where the signal does not stand 20 dB above the noise. */
static bool shade_doubtful(ltp_charts *c, const lt_response *r)
{
    bool any = false;
    const double half = pow(2.0, 1.0 / 48.0);
    for (size_t i = 0; i < r->point_count; i++) {
        if (!(r->points[i].snr_db < trusted_snr_db))
            continue;
        const size_t first = i;
        while (i + 1 < r->point_count && r->points[i + 1].snr_db < trusted_snr_db)
            i++;
        ltp_text_add(&c->script, "set object rectangle from ");
        ltp_chart_value(c, r->points[first].hz / half);
        ltp_text_add(&c->script, ", graph 0 to ");
        ltp_chart_value(c, r->points[i].hz * half);
        ltp_text_add(&c->script, ", graph 1 behind fillcolor rgb '#f6e2d0' fillstyle solid noborder\n");
        any = true;
    }
    return any;
}

static void add_caption(ltp_chart *chart, bool calibrated, const lt_response *main, bool doubtful)
{
    ltp_text_add(&chart->caption,
                 calibrated ? "Sound level for a full-scale tone." : "Level that comes out, re what goes in.");
    if (lt_is_known(main->snr_db)) {
        ltp_text_add(&chart->caption, " Grey: noise, ");
        ltp_text_number(&chart->caption, main->snr_db, 0);
        ltp_text_add(&chart->caption, "\xC2\xA0\x64\x42 lower on the whole.");
    }
    if (doubtful)
        ltp_text_add(&chart->caption, " Shaded: less than 20\xC2\xA0\x64\x42 above it.");
}

static void add_panel(ltp_charts *c, const ltp_lane_view *v, ltp_chart_kind kind)
{
    const curve_set set = collect(v->tune, kind);
    if (set.count == 0)
        return;
    const bool sound = kind == LTP_CHART_OUTBOUND || kind == LTP_CHART_INBOUND;
    const bool calibrated = sound && lt_is_known(v->tune->mic_cal_db);
    const double loopback_db = lt_is_known(v->tune->loopback_db) ? v->tune->loopback_db : 0.0;
    const double shift_db = calibrated ? v->tune->mic_cal_db : sound ? 0.0 : -loopback_db;
    double bottom = 0.0, top = 0.0;
    find_range(&set, shift_db, &bottom, &top);
    ltp_chart *chart = ltp_chart_begin(c, v->index, kind);
    ltp_chart_axis_hz(c, 50.0, 16000.0);
    ltp_chart_axis_y(c, bottom, top, top - bottom > 45.0 ? 20.0 : 10.0, calibrated ? "dB SPL" : "dB");
    const bool doubtful = shade_doubtful(c, set.curves[0]);
    for (size_t k = 0; k < set.count; k++) {
        add_data(c, set.curves[k], k, shift_db, bottom);
        if (set.count > 1)
            ltp_chart_key(c, 0.44, 0.08 + 0.12 * (double)(set.count - 1 - k), k, set.names[k]);
    }
    ltp_text_add(&c->script, "plot $r0 using 1:3 with filledcurves y=");
    ltp_chart_value(c, bottom);
    ltp_text_add(&c->script, " fillcolor rgb '" LTP_FLOOR "' notitle");
    for (size_t k = set.count; k-- > 0;)
        ltp_text_format(&c->script, ", $r%zu using 1:2 with lines %s notitle", k, ltp_condition_line(k));
    ltp_text_add(&c->script, "\n");
    add_caption(chart, calibrated, set.curves[0], doubtful);
}

void ltp_chart_responses(ltp_charts *c, const ltp_lane_view *v)
{
    for (int kind = LTP_CHART_OUTBOUND; kind <= LTP_CHART_LOOP_RESPONSE; kind++)
        add_panel(c, v, (ltp_chart_kind)kind);
}
