/* SPDX-License-Identifier: MIT
 * The level of a recording over time with a mark where each fault begins, as a file. */
#include "report/figure.h"

#include <math.h>

enum { MARKS_MAX = 10, STEPS = 5 };
static const double floor_db = -100.0;

static const char *colour_of(lt_severity s)
{
    return s == LT_SEVERITY_ERROR ? "#c0392b" : s == LT_SEVERITY_WARNING ? "#b9770e" : "#7f8c8d";
}

/* A line from top to bottom with its code; neighbours stand on different heights. */
static void add_mark(ltp_charts *c, const lt_fault *f, size_t number, double seconds)
{
    const double part = seconds > 0.0 ? f->at_s / seconds : 0.0;
    const double height = 0.94 - 0.075 * (double)(number % STEPS);
    ltp_text_add(&c->script, "set arrow from ");
    ltp_text_number(&c->script, f->at_s, 3);
    ltp_text_add(&c->script, ", graph 0 to ");
    ltp_text_number(&c->script, f->at_s, 3);
    ltp_text_format(&c->script, ", graph 1 nohead lc rgb '%s' lw 1.6\nset label '%s' at ", colour_of(f->severity),
                    lt_fault_code_name(f->code));
    ltp_text_number(&c->script, f->at_s, 3);
    ltp_text_add(&c->script, ", graph ");
    ltp_text_number(&c->script, height, 3);
    ltp_text_format(&c->script, " %s offset character %s,0 tc rgb '%s' font ',10'\n", part > 0.75 ? "right" : "left",
                    part > 0.75 ? "-0.5" : "0.5", colour_of(f->severity));
}

static void add_marks(ltp_charts *c, const lt_scanned *file)
{
    size_t marks = 0, whole = 0;
    for (size_t i = 0; i < file->faults.count && marks < MARKS_MAX; i++)
        if (lt_is_known(file->faults.items[i].at_s))
            add_mark(c, &file->faults.items[i], marks++, file->seconds);
    for (size_t i = 0; i < file->faults.count; i++) {
        const lt_fault *f = &file->faults.items[i];
        if (lt_is_known(f->at_s) || whole >= STEPS)
            continue;
        ltp_text_format(&c->script, "set label 'all of it: %s' at graph 0.01, graph ", lt_fault_code_name(f->code));
        ltp_text_number(&c->script, 0.06 + 0.075 * (double)whole++, 3);
        ltp_text_format(&c->script, " left tc rgb '%s' font ',10'\n", colour_of(f->severity));
    }
}

static double bottom_of(const lt_scanned *file)
{
    double lowest = 0.0;
    for (size_t i = 0; i < file->history_count; i++)
        if (lt_is_known(file->history_db[i]))
            lowest = fmin(lowest, file->history_db[i]);
    return fmax(floor_db, fmin(-40.0, 10.0 * floor(lowest / 10.0)));
}

lt_status lt_figure_scan(const lt_scanned *file, const lt_report_options *opt, lt_figure_format format, char **out,
                         size_t *bytes, lt_error *err)
{
    ltp_figure f;
    lt_status status =
        ltp_figure_begin(&f, format, "Level over time, with the start of each fault", LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        const double bottom = bottom_of(file);
        ltp_text_add(&c->script, "$level << EOD\n");
        for (size_t i = 0; i < file->history_count; i++) {
            const double db = file->history_db[i];
            const double row[] = {((double)i + 0.5) * file->history_step_s,
                                  lt_is_known(db) ? fmax(db, bottom) : bottom};
            ltp_chart_row(c, row, 2);
        }
        ltp_text_add(&c->script, "EOD\n");
        ltp_chart_axis_y(c, bottom, 0.0, bottom < -60.0 ? 20.0 : 10.0, "dBFS");
        ltp_text_add(&c->script, "set xrange [0:");
        ltp_text_number(&c->script, fmax(file->seconds, 0.01), 3);
        ltp_text_add(&c->script, "]\nset bmargin 3.4\nset xlabel 'time in s'\n");
        add_marks(c, file);
        ltp_text_add(&c->script, "plot $level using 1:2 with lines lc rgb '" LTP_ACCENT "' lw 1.2\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
