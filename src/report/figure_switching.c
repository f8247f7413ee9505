/* SPDX-License-Identifier: MIT
 * A voice switch at work: the mean gain around its attacks and around its releases, with the ramps that were fitted. */
#include "report/figure.h"

#include <math.h>

/* Milliseconds, measured, fitted. NaN where too little sound was there. */
static void add_course(ltp_charts *c, const char *name, const lt_switching_course *course, double bottom_db)
{
    ltp_text_format(&c->script, "$%s << EOD\n", name);
    for (size_t i = 0; i < course->count; i++) {
        const double measured = course->measured_db[i];
        ltp_chart_value(c, course->ms[i]);
        ltp_text_add(&c->script, " ");
        ltp_chart_value(c, measured < bottom_db ? bottom_db : measured);
        ltp_text_add(&c->script, " ");
        ltp_chart_value(c, fmax(course->fitted_db[i], bottom_db));
        ltp_text_add(&c->script, "\n");
    }
    if (course->count == 0)
        ltp_text_add(&c->script, "0 NaN NaN\n");
    ltp_text_add(&c->script, "EOD\n");
}

static double step_of(double span_ms)
{
    double step = 1.0;
    while (span_ms / step > 6.0)
        step *= span_ms / step > 30.0 ? 10.0 : span_ms / step > 12.0 ? 5.0 : 2.0;
    return step;
}

static void add_panel(ltp_charts *c, const char *name, const lt_switching_course *course, double ms,
                      lt_ramp_shape shape, double left)
{
    const double from = course->count > 0 ? course->ms[0] : 0.0;
    const double to = course->count > 1 ? course->ms[course->count - 1] : from + 1.0;
    ltp_text_add(&c->script, "set lmargin at screen ");
    ltp_chart_value(c, left);
    ltp_text_add(&c->script, "\nset rmargin at screen ");
    ltp_chart_value(c, left + 0.41);
    ltp_text_add(&c->script, "\nset xrange [");
    ltp_chart_value(c, from);
    ltp_text_add(&c->script, ":");
    ltp_chart_value(c, to);
    ltp_text_add(&c->script, "]\nset xtics ");
    ltp_chart_value(c, step_of(to - from));
    ltp_text_format(&c->script, "\nset label 9 '%s: ", name);
    if (course->count > 0) {
        ltp_text_number(&c->script, ms, ms < 20.0 ? 1 : 0);
        ltp_text_format(&c->script, " ms, %s",
                        shape == LT_RAMP_DB          ? "straight in dB"
                        : shape == LT_RAMP_AMPLITUDE ? "straight in amplitude"
                                                     : "time constant");
    } else {
        ltp_text_add(&c->script, "none");
    }
    ltp_text_add(&c->script, "' at graph 0.5, graph 1.05 center front font ',13' textcolor rgb '" LTP_ACCENT "'\n");
    ltp_text_format(&c->script,
                    "plot 0 with lines lc rgb '" LTP_SOFT "' lw 0.8, $%s using 1:3 with lines lc rgb '" LTP_TINT
                    "' lw 7, $%s using 1:2 with lines lw 1.6 lc rgb '" LTP_ACCENT "'\n",
                    name, name);
}

lt_status lt_figure_switching(const lt_switching *s, const lt_report_options *opt, lt_figure_format format, char **out,
                              size_t *bytes, lt_error *err)
{
    ltp_figure f;
    const bool none = s->attack_course.count + s->release_course.count == 0;
    const double depth = lt_is_known(s->attenuation_db) && !none ? s->attenuation_db : 10.0;
    const double bottom = -5.0 * ceil((fmin(fmax(depth, 1.0), 90.0) + 4.0) / 5.0);
    *out = NULL;
    lt_status status = ltp_figure_begin(
        &f, format, none ? "No voice switching found" : "Gain against ms after the beginning of a ramp; pale: fitted",
        LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        add_course(c, "attack", &s->attack_course, bottom);
        add_course(c, "release", &s->release_course, bottom);
        ltp_text_add(&c->script, "set multiplot\n");
        ltp_chart_axis_y(c, bottom, 5.0, bottom < -30.0 ? 10.0 : 5.0, "dB");
        add_panel(c, "attack", &s->attack_course, s->attack_ms, s->attack_shape, 0.075);
        ltp_text_add(&c->script, "unset label 1\n"); /* the title is there already */
        add_panel(c, "release", &s->release_course, s->release_ms, s->release_shape, 0.56);
        ltp_text_add(&c->script, "unset multiplot\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
