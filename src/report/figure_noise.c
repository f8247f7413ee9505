/* SPDX-License-Identifier: MIT
 * A noise as a file, two panels: the spread of its levels band by band, and its level over time with the vehicles that
 * pass. */
#include "report/chart_lines.h"
#include "report/figure.h"

#include "base/alloc.h"

#include <math.h>

enum { HEIGHT = 600, MARKS_MAX = 100 };
static const double most_db = 80.0; /* that one panel shows */

typedef struct {
    double bottom, top;
} range;

/* Silence and what lies far below the rest does not stretch the axis. */
static range range_of(double lowest, double highest)
{
    if (!lt_is_known(highest))
        return (range){-100.0, 0.0};
    const double top = 10.0 * ceil((highest + 2.0) / 10.0);
    const double bottom = lt_is_known(lowest) ? 10.0 * floor((lowest - 2.0) / 10.0) : top - most_db;
    return (range){fmin(fmax(bottom, top - most_db), top - 20.0), top};
}

static void widen(double *lowest, double *highest, double db)
{
    if (!lt_is_known(db))
        return;
    *lowest = lt_is_known(*lowest) ? fmin(*lowest, db) : db;
    *highest = lt_is_known(*highest) ? fmax(*highest, db) : db;
}

static double shown(double db, range r)
{
    return isnan(db) ? db : fmin(fmax(db, r.bottom), r.top);
}

static void place(ltp_charts *c, double bottom, double top)
{
    ltp_text_add(&c->script, "set lmargin at screen 0.085\nset rmargin at screen 0.965\nset bmargin at screen ");
    ltp_chart_value(c, bottom);
    ltp_text_add(&c->script, "\nset tmargin at screen ");
    ltp_chart_value(c, top);
    ltp_text_add(&c->script, "\n");
}

/* Small print above the panel: the label that was begun ends at x. */
static void end_head(ltp_charts *c, double x, const char *align)
{
    ltp_text_add(&c->script, "' at graph ");
    ltp_chart_value(c, x);
    ltp_text_format(&c->script, ", graph 1.075 %s front font ',12' textcolor rgb '" LTP_INK "'\n", align);
}

static void add_head(ltp_charts *c, double x, const char *text)
{
    ltp_text_format(&c->script, "set label '%s", text);
    end_head(c, x, "left");
}

static void add_sample(ltp_charts *c, double x, const char *style)
{
    ltp_text_add(&c->script, "set arrow from graph ");
    ltp_chart_value(c, x - 0.055);
    ltp_text_add(&c->script, ", graph 1.075 to graph ");
    ltp_chart_value(c, x - 0.01);
    ltp_text_format(&c->script, ", graph 1.075 nohead front %s\n", style);
}

/* ---- bands ---- */

static const lt_level_band *band_at(const lt_levels *l, size_t i)
{
    return i < l->low_band_count ? &l->low_bands[i] : &l->bands[i - l->low_band_count];
}

#define LEQ_LINE "lc rgb '" LTP_ACCENT "' lw 2.6"
#define L50_LINE "lc rgb '" LTP_INK "' lw 1.5 dt (5,4)"
#define SPREAD_LINE "lc rgb '" LTP_TINT "' lw 9"

static void add_bands(ltp_charts *c, const lt_levels *l, const char *unit)
{
    const size_t count = l->low_band_count + l->band_count;
    double lowest = (double)NAN, highest = (double)NAN;
    for (size_t i = 0; i < count; i++) {
        widen(&lowest, &highest, band_at(l, i)->l90_db);
        widen(&lowest, &highest, band_at(l, i)->l10_db);
        widen(&lowest, &highest, band_at(l, i)->leq_db);
    }
    const range r = range_of(lowest, highest);
    ltp_text_add(&c->script, "$bands << EOD\n");
    for (size_t i = 0; i < count; i++) {
        const lt_level_band *b = band_at(l, i);
        const double row[] = {b->band.nominal_hz, shown(b->l90_db, r), shown(b->l10_db, r), shown(b->leq_db, r),
                              shown(b->l50_db, r)};
        ltp_chart_row(c, row, LTP_COUNT(row));
    }
    ltp_text_add(&c->script, "EOD\n");
    place(c, 0.545, 0.845);
    ltp_chart_axis_hz(c, 23.0, 1.1 * (count > 0 ? band_at(l, count - 1)->band.nominal_hz : 16000.0));
    ltp_text_add(&c->script,
                 "set xtics ('31.5 Hz' 31.5, '63' 63, '125' 125, '250' 250, '500' 500, '1k' 1000, '2k' 2000, "
                 "'4k' 4000, '8 kHz' 8000, '16k' 16000)\n");
    ltp_chart_axis_y(c, r.bottom, r.top, r.top - r.bottom > 40.0 ? 20.0 : 10.0, unit);
    add_sample(c, 0.6, LEQ_LINE);
    add_head(c, 0.6, "Leq");
    add_sample(c, 0.725, L50_LINE);
    add_head(c, 0.725, "L50");
    add_sample(c, 0.855, SPREAD_LINE);
    add_head(c, 0.855, "L90 to L10");
    ltp_text_add(&c->script, "plot $bands using 1:2:3 with filledcurves fillcolor rgb '" LTP_TINT "', "
                             "$bands using 1:5 with lines " L50_LINE ", $bands using 1:4 with lines " LEQ_LINE "\n"
                             "unset label\nunset arrow\nunset logscale x\n");
}

/* ---- time ---- */

typedef struct {
    const char *name;
    double seconds, step; /* of the marks, in this unit */
} time_unit;

static time_unit unit_of(double seconds)
{
    static const double small[] = {0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 20, 30, 60};
    static const double hours[] = {0.5, 1, 2, 3, 4, 6, 12, 24, 48, 168};
    time_unit u = seconds <= 180.0     ? (time_unit){"s", 1.0, 0.0}
                  : seconds <= 10800.0 ? (time_unit){"min", 60.0, 0.0}
                                       : (time_unit){"h", 3600.0, 0.0};
    const double *steps = u.seconds > 60.0 ? hours : small;
    const size_t count = u.seconds > 60.0 ? LTP_COUNT(hours) : LTP_COUNT(small);
    size_t i = 0;
    while (i + 1 < count && seconds / u.seconds / steps[i] > 12.0)
        i++;
    u.step = steps[i];
    return u;
}

/* Exposure level from which on a vehicle is among the loudest MARKS_MAX. */
static double least_marked(const lt_traffic_result *t)
{
    double low = -300.0, high = 300.0;
    for (int k = 0; k < 40; k++) {
        const double middle = 0.5 * (low + high);
        size_t above = 0;
        for (size_t i = 0; i < t->passby_count; i++)
            above += t->passbys[i].exposure_db >= middle;
        *(above > MARKS_MAX ? &low : &high) = middle;
    }
    return high;
}

static void add_vehicles(ltp_charts *c, const lt_traffic_result *t, time_unit u, range r)
{
    const double least = t->passby_count > MARKS_MAX ? least_marked(t) : -(double)INFINITY;
    for (size_t i = 0; i < t->passby_count; i++) {
        const lt_passby *p = &t->passbys[i];
        if (p->exposure_db < least)
            continue;
        ltp_chart_dot(c, p->peak_s / u.seconds, shown(p->peak_dba, r), "screen 0.0055", LTP_WARN, NULL);
    }
}

static bool shows_limit(const lt_level_more *more, range r)
{
    return lt_is_known(more->limit_dba) && more->limit_dba > r.bottom && more->limit_dba < r.top;
}

static void add_limit(ltp_charts *c, double y)
{
    ltp_chart_horizontal(c, y, "lc rgb '" LTP_INK "' lw 1.2 dt (8,5)");
}

static void add_busy_hour(ltp_charts *c, const lt_traffic_result *t, time_unit u)
{
    if (!t->busy_hour)
        return;
    ltp_text_add(&c->script, "set arrow from first ");
    ltp_chart_value(c, t->busy_hour_start_s / u.seconds);
    ltp_text_add(&c->script, ", graph 0.03 to first ");
    ltp_chart_value(c, (t->busy_hour_start_s + 3600.0) / u.seconds);
    ltp_text_add(&c->script, ", graph 0.03 nohead front lc rgb '" LTP_INK "' lw 4\nset label 'busiest hour' at first ");
    ltp_chart_value(c, (t->busy_hour_start_s + 1800.0) / u.seconds);
    ltp_text_add(&c->script, ", graph 0.1 center front font ',12' textcolor rgb '" LTP_INK "'\n");
}

static void add_time_axis(ltp_charts *c, double seconds, time_unit u)
{
    ltp_text_add(&c->script, "set xrange [0:");
    ltp_chart_value(c, fmax(seconds / u.seconds, 0.001));
    ltp_text_add(&c->script, "]\nset xtics ");
    ltp_chart_value(c, u.step);
    ltp_text_format(&c->script,
                    "\nset format x '%%g'\nset xlabel 'time in %s' offset 0,0.3 textcolor rgb '" LTP_SOFT "'\n",
                    u.name);
}

static void add_heads(ltp_charts *c, const lt_levels *l, const lt_level_more *more, range r)
{
    const lt_traffic_result *t = more->traffic;
    const bool minutes = l->history_step_s >= 120.0;
    const bool some = t->passby_total > MARKS_MAX;
    ltp_text_add(&c->script, "set label 'LAeq of ");
    ltp_text_number(&c->script, minutes ? l->history_step_s / 60.0 : l->history_step_s, 1);
    ltp_text_add(&c->script, minutes ? " min" : " s");
    if (shows_limit(more, r)) {
        ltp_text_add(&c->script, "; dashed: SII under ");
        ltp_text_number(&c->script, more->sii, 2);
    }
    end_head(c, 0.075, "left");
    if (t->passby_count == 0)
        return;
    if (some)
        ltp_text_format(&c->script, "set label 'dots: loudest %d of %llu vehicles", (int)MARKS_MAX,
                        (unsigned long long)t->passby_total);
    else
        ltp_text_format(&c->script, "set label 'dots: %zu vehicle%s, LAFmax", t->passby_count,
                        t->passby_count == 1 ? " that passes" : "s that pass");
    end_head(c, 1.0, "right");
}

static void add_history(ltp_charts *c, const lt_levels *l, const lt_level_more *more, const char *unit)
{
    const lt_traffic_result *t = more->traffic;
    double lowest = (double)NAN, highest = (double)NAN;
    for (size_t i = 0; i < l->history_count; i++)
        widen(&lowest, &highest, l->history_dba[i]);
    for (size_t i = 0; i < t->passby_count; i++)
        widen(&lowest, &highest, t->passbys[i].peak_dba);
    const range r = range_of(lowest, highest);
    const time_unit u = unit_of(l->seconds);
    ltp_text_add(&c->script, "$level << EOD\n");
    for (size_t i = 0; i < l->history_count; i++) { /* each interval as a step */
        const double from[] = {(double)i * l->history_step_s / u.seconds, shown(l->history_dba[i], r)};
        const double to[] = {(double)(i + 1) * l->history_step_s / u.seconds, from[1]};
        ltp_chart_row(c, from, 2);
        ltp_chart_row(c, to, 2);
    }
    ltp_text_add(&c->script, "EOD\n");
    place(c, 0.105, 0.405);
    ltp_chart_axis_y(c, r.bottom, r.top, r.top - r.bottom > 40.0 ? 20.0 : 10.0, unit);
    add_time_axis(c, l->seconds, u);
    add_heads(c, l, more, r);
    add_vehicles(c, t, u, r);
    if (shows_limit(more, r))
        add_limit(c, more->limit_dba);
    add_busy_hour(c, t, u);
    ltp_text_add(&c->script, "plot $level using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 1.4\n");
}

static lt_status make_title(const lt_noise_figure *g, char **out, lt_error *err)
{
    const lt_levels *l = g->levels;
    const struct {
        const char *name;
        double db;
    } values[] = {{"LAeq ", l->laeq_db}, {", LA10 ", l->la10_db}, {", LA90 ", l->la90_db}, {", LAFmax ", l->lafmax_db}};
    ltp_textbuf title;
    ltp_text_init(&title, 0);
    if (!lt_is_known(l->laeq_db))
        ltp_text_add(&title, "No sound");
    for (size_t i = 0; i < LTP_COUNT(values) && lt_is_known(l->laeq_db); i++) {
        ltp_text_add(&title, values[i].name);
        ltp_text_number(&title, values[i].db, 1);
    }
    if (lt_is_known(l->laeq_db))
        ltp_text_add(&title, g->calibrated ? " dB" : " dBFS");
    return ltp_text_take(&title, out, err);
}

lt_status lt_figure_noise(const lt_noise_figure *g, const lt_report_options *opt, lt_figure_format format, char **out,
                          size_t *bytes, lt_error *err)
{
    ltp_figure f;
    char *title = NULL;
    *out = NULL;
    lt_status status = make_title(g, &title, err);
    if (status != LT_OK)
        return status;
    status = ltp_figure_begin(&f, format, title, HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        ltp_text_add(&c->script, "set multiplot\n");
        add_bands(c, g->levels, g->calibrated ? "dB SPL, one-third octaves" : "dBFS, one-third octaves");
        add_history(c, g->levels, g->more, g->calibrated ? "dB(A)" : "dBFS, A");
        ltp_text_add(&c->script, "unset multiplot\n");
    }
    status = ltp_figure_end(&f, status, opt, out, bytes, err);
    lt_text_free(title);
    return status;
}
