/* SPDX-License-Identifier: MIT
 * What happens over time: the arrivals of an impulse response (dB re its largest value), and noise in dB(A). */
#include "report/chart.h"
#include "report/escape.h"

#include <math.h>

/* ---- arrivals ---- */

enum { ARRIVALS_NAMED = 4 };
static const double before_ms = 4.0, after_ms = 60.0, cell_ms = 0.2, lowest_db = -50.0;

/* Largest |h|, as index; SIZE_MAX if there is nothing. */
static size_t peak_index(const lt_ir *ir)
{
    size_t best = SIZE_MAX;
    double most = 0.0;
    for (size_t i = 0; i < ir->count; i++) {
        if (fabs(ir->samples[i]) > most) {
            most = fabs(ir->samples[i]);
            best = i;
        }
    }
    return best;
}

/* Sample of the direct arrival: as the response says, else where the impulse response is largest. */
static double direct_index(const lt_response *r)
{
    const double told = (double)r->ir->origin_frames + r->delay_ms * 1e-3 * r->ir->rate_hz;
    if (lt_is_known(told) && told >= 0.0 && told < (double)r->ir->count)
        return told;
    return (double)peak_index(r->ir);
}

/* Envelope: the largest |h| in cells of 0.2 ms, dB re the largest of all. */
static void add_envelope(ltp_charts *c, const lt_ir *ir, double direct, double reference)
{
    const double per_ms = ir->rate_hz * 1e-3;
    ltp_text_add(&c->script, "$e << EOD\n");
    const size_t cells = (size_t)lround((before_ms + after_ms) / cell_ms);
    for (size_t i = 0; i < cells; i++) {
        const double ms = (double)i * cell_ms - before_ms;
        const double from = fmax(0.0, ceil(direct + ms * per_ms)), to = ceil(direct + (ms + cell_ms) * per_ms);
        const size_t first = (size_t)fmin(from, (double)ir->count);
        const size_t end =
            (size_t)fmin(fmax(to, from + 1.0), (double)ir->count); /* one sample at least, at low rates */
        double most = 0.0;
        for (size_t k = first; k < end; k++)
            most = fmax(most, fabs(ir->samples[k]));
        const double row[] = {ms + 0.5 * cell_ms, fmax(lowest_db, lt_db_from_amplitude(most / reference))};
        ltp_chart_row(c, row, 2);
    }
    ltp_text_add(&c->script, "EOD\n");
}

static void mark(ltp_charts *c, double ms, double y_db, double label_db)
{
    ltp_text_add(&c->script, "set arrow from first ");
    ltp_chart_value(c, ms);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, y_db + 1.0);
    ltp_text_add(&c->script, " to first ");
    ltp_chart_value(c, ms);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, label_db - 2.5);
    ltp_text_add(&c->script, " nohead front lc rgb '" LTP_SOFT "' lw 1\n");
}

/* The strongest later arrivals, in order of time, each label one line lower than the one before it. */
static size_t pick_arrivals(const lt_response *r, size_t picked[ARRIVALS_NAMED])
{
    size_t count = 0;
    bool taken[LT_ARRIVALS_MAX] = {false};
    while (count < ARRIVALS_NAMED) {
        size_t best = LT_ARRIVALS_MAX;
        for (size_t i = 0; i < r->arrival_count && i < LT_ARRIVALS_MAX; i++) {
            const lt_arrival *a = &r->arrivals[i];
            const bool inside = a->delay_ms > 0.0 && a->delay_ms < after_ms - 2.0 && a->level_db > -40.0;
            if (inside && !taken[i] && (best == LT_ARRIVALS_MAX || a->level_db > r->arrivals[best].level_db))
                best = i;
        }
        if (best == LT_ARRIVALS_MAX)
            break;
        taken[best] = true;
        count++;
    }
    count = 0;
    for (size_t i = 0; i < LT_ARRIVALS_MAX; i++)
        if (taken[i])
            picked[count++] = i;
    return count;
}

static void add_arrivals(ltp_charts *c, const lt_response *r, double shift_db, double sound_m_s)
{
    size_t picked[ARRIVALS_NAMED];
    const size_t count = pick_arrivals(r, picked);
    for (size_t i = 0; i < count; i++) {
        const lt_arrival *a = &r->arrivals[picked[i]];
        const double y = -5.0 - 5.6 * (double)i;
        if (y - 2.5 > a->level_db + shift_db + 1.0)
            mark(c, a->delay_ms, a->level_db + shift_db, y);
        ltp_text_add(&c->script, "set label 'echo +");
        ltp_text_number(&c->script, a->delay_ms, 1);
        ltp_text_add(&c->script, " ms = ");
        ltp_text_number(&c->script, a->delay_ms * 1e-3 * sound_m_s, 1);
        ltp_text_add(&c->script, " m path' at first ");
        const bool right = a->delay_ms > 0.55 * after_ms;
        ltp_chart_value(c, a->delay_ms + (right ? 0.6 : -0.6));
        ltp_text_add(&c->script, ", first ");
        ltp_chart_value(c, y);
        ltp_text_format(&c->script, " %s front font ',13' textcolor rgb '" LTP_INK "'\n", right ? "right" : "left");
    }
}

void ltp_chart_impulse(ltp_charts *c, const ltp_lane_view *v)
{
    if (v->tune->condition_count == 0)
        return;
    const lt_tune_recordings *plain = &v->tune->recordings[0];
    const bool at_microphone = plain->lane_coupling != NULL && plain->lane_coupling->ir != NULL;
    const lt_response *r = at_microphone ? plain->lane_coupling : plain->outbound;
    if (r == NULL || r->ir == NULL || r->ir->rate_hz <= 0.0)
        return;
    const size_t peak = peak_index(r->ir);
    if (peak == SIZE_MAX)
        return;
    const double reference = fabs(r->ir->samples[peak]), direct = direct_index(r);
    const size_t direct_sample = (size_t)fmin(direct + 0.5, (double)r->ir->count - 1.0);
    /* Levels of arrivals are re the direct one, the chart is re the largest value. */
    const double told_db = lt_db_from_amplitude(fabs(r->ir->samples[direct_sample]) / reference);
    const double shift_db = lt_is_known(told_db) && told_db > -12.0 ? 0.0 : told_db;
    ltp_chart *chart = ltp_chart_begin(c, v->index, LTP_CHART_IMPULSE);
    ltp_text_add(&c->script,
                 "set xrange [-4:60]\nset xtics ('0 ms' 0, '10' 10, '20' 20, '30' 30, '40' 40, '50' 50, '60' 60)\n");
    ltp_chart_axis_y(c, lowest_db, 5.0, 10.0, "dB re the largest value");
    add_envelope(c, r->ir, direct, reference);
    ltp_chart_label(c, 1.0, 2.0, "left", LTP_ACCENT, "direct", NULL);
    const double celsius = lt_is_known(v->tune->temperature_c) ? v->tune->temperature_c : 20.0;
    add_arrivals(c, r, lt_is_known(shift_db) ? shift_db : 0.0, lt_speed_of_sound_m_s(celsius));
    ltp_text_add(&c->script, "plot $e using 1:2 with filledcurves y=-50 fillcolor rgb '" LTP_TINT "' notitle, "
                             "$e using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 1.4 notitle\n");
    ltp_text_add(&chart->caption, at_microphone ? "A click from the lane speaker as it comes back on the inbound line."
                                                : "A click from the lane speaker at the listening position.");
    ltp_text_add(&chart->caption, r->arrival_count > 0
                                      ? " An echo has gone that much farther: look for a wall, a car or a canopy."
                                      : " No single echo stands out.");
}

/* ---- noise ---- */

static const lt_levels *noise_to_show(const lt_tune_lane *t, const char **name)
{
    for (size_t i = 0; i < t->condition_count; i++) {
        const lt_levels *l = t->recordings[i].noise_ear;
        if (l != NULL && l->history_count >= 2 && l->history_step_s > 0.0) {
            *name = t->recordings[i].name;
            return l;
        }
    }
    return NULL;
}

static bool noise_range(const lt_levels *l, double *bottom, double *top)
{
    double lowest = INFINITY, highest = -INFINITY;
    for (size_t i = 0; i < l->history_count && i < LT_HISTORY_MAX; i++) {
        if (lt_is_known(l->history_dba[i]) && fabs(l->history_dba[i]) < 1000.0) {
            lowest = fmin(lowest, l->history_dba[i]);
            highest = fmax(highest, l->history_dba[i]);
        }
    }
    *top = 5.0 * ceil((highest + 2.0) / 5.0);
    *bottom = fmax(*top - 60.0, fmin(*top - 20.0, 5.0 * floor((lowest - 2.0) / 5.0)));
    return lowest <= highest;
}

static double time_step(double seconds)
{
    static const double steps[] = {1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600};
    for (size_t i = 0; i < sizeof steps / sizeof *steps; i++)
        if (seconds / steps[i] <= 7.0)
            return steps[i];
    return seconds / 6.0;
}

/* Three lines at the right end; where two lie closer than a line of text their names keep their distance. */
static void add_percentiles(ltp_charts *c, const lt_levels *l, double seconds, double range_db)
{
    static const char *const names[] = {"L10", "L50", "L90"};
    /* The widths differ, or else gnuplot's SVG draws all three with the first one's dashes. */
    static const char *const lines[] = {"lw 1.3 dt (9,4)", "lw 1.2 dt solid", "lw 1.4 dt (2,3)"};
    const double levels[] = {l->la10_db, l->la50_db, l->la90_db};
    const double gap = 0.1 * range_db;
    double above = INFINITY;
    for (size_t i = 0; i < 3; i++) {
        if (!lt_is_known(levels[i]) || fabs(levels[i]) > 1000.0)
            continue;
        ltp_text_add(&c->script, "set arrow from first 0, first ");
        ltp_chart_value(c, levels[i]);
        ltp_text_add(&c->script, " to graph 1, first ");
        ltp_chart_value(c, levels[i]);
        ltp_text_format(&c->script, " nohead front lc rgb '" LTP_INK "' %s\nset label '%s ", lines[i], names[i]);
        ltp_text_number(&c->script, levels[i], 0);
        ltp_text_add(&c->script, "' at first ");
        ltp_chart_value(c, seconds * 1.012);
        above = fmin(levels[i], above - gap);
        ltp_text_add(&c->script, ", first ");
        ltp_chart_value(c, above);
        ltp_text_add(&c->script, " left front font ',13' textcolor rgb '" LTP_INK "'\n");
    }
}

void ltp_chart_noise(ltp_charts *c, const ltp_lane_view *v)
{
    const char *name = "";
    double bottom = 0.0, top = 0.0;
    const lt_levels *l = noise_to_show(v->tune, &name);
    if (l == NULL || !noise_range(l, &bottom, &top))
        return;
    const double seconds = l->history_step_s * (double)l->history_count;
    const bool minutes = seconds > 180.0;
    const double unit_s = minutes ? 60.0 : 1.0;
    ltp_chart *chart = ltp_chart_begin(c, v->index, LTP_CHART_NOISE);
    ltp_text_add(&c->script, "set rmargin 7\nset xrange [0:");
    ltp_chart_value(c, seconds / unit_s);
    ltp_text_add(&c->script, "]\nset xtics ");
    ltp_chart_value(c, time_step(seconds / unit_s));
    ltp_text_format(&c->script, "\nset format x '%%g %s'\n", minutes ? "min" : "s");
    ltp_chart_axis_y(c, bottom, top, top - bottom > 30.0 ? 10.0 : 5.0, "dB(A)");
    add_percentiles(c, l, seconds / unit_s, top - bottom);
    ltp_text_add(&c->script, "$n << EOD\n");
    for (size_t i = 0; i < l->history_count && i < LT_HISTORY_MAX; i++) {
        const double row[] = {((double)i + 0.5) * l->history_step_s / unit_s, l->history_dba[i]};
        ltp_chart_row(c, row, 2);
    }
    ltp_text_add(&c->script, "EOD\nplot $n using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 1.4 notitle\n");
    ltp_text_add(&chart->caption,
                 "Exceeded during a tenth (L10, busy), half (L50) and nine tenths (L90, quiet) of the time");
    if (name[0] != '\0') {
        ltp_text_add(&chart->caption, "; ");
        ltp_text_add_escaped(&chart->caption, name);
    }
    ltp_text_add(&chart->caption, ".");
}
