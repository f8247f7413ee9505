/* SPDX-License-Identifier: MIT
 * What changed between two visits as a file: the difference of each path, and the doubt of the first one behind it. */
#include "report/chart_lines.h"
#include "report/figure.h"

#include <math.h>

enum { PATHS = 4 };
static const double from_hz = 100.0;
static const double to_hz = 16000.0;
static const double hidden_db = 6.0; /* of doubt */
static const char *const colours[PATHS] = {LTP_ACCENT, LTP_WARN, LTP_SOFT, LTP_INK};

static size_t choose(const lt_compare_lane *l, const lt_compare_response *shown[PATHS])
{
    size_t count = 0;
    for (size_t i = 0; i < l->response_count && count < PATHS; i++)
        if (l->responses[i].condition[0] == '\0')
            shown[count++] = &l->responses[i];
    return count;
}

/* Bands that noise hides are left out. */
static void add_path(ltp_charts *c, const lt_compare_response *r, size_t number, double *largest)
{
    ltp_text_format(&c->script, "$path%zu << EOD\n", number);
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_compare_band *b = &r->bands[i];
        if (!(b->doubt_db < hidden_db))
            continue;
        const double row[] = {b->hz, b->difference_db, -b->doubt_db, b->doubt_db};
        ltp_chart_row(c, row, 4);
        *largest = fmax(*largest, fmax(fabs(b->difference_db), b->doubt_db));
    }
    ltp_text_add(&c->script, "EOD\n");
}

static void add_dots(ltp_charts *c, const lt_compare_response *r, const char *colour)
{
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].doubt_db < hidden_db && r->bands[i].hz >= from_hz && r->bands[i].hz <= to_hz)
            ltp_chart_dot(c, r->bands[i].hz, r->bands[i].difference_db, "screen 0.005", colour, NULL);
}

lt_status lt_figure_compare(const lt_compare_lane *l, const lt_report_options *opt, lt_figure_format format, char **out,
                            size_t *bytes, lt_error *err)
{
    ltp_figure f;
    const lt_compare_response *shown[PATHS];
    const size_t count = choose(l, shown);
    double largest = 5.0;
    *out = NULL;
    lt_status status = ltp_figure_begin(
        &f, format, "Change of the response since the visit before; grey: doubt of outbound", LTP_FIGURE_HEIGHT, err);
    if (status == LT_OK) {
        ltp_charts *c = f.charts;
        for (size_t k = 0; k < count; k++)
            add_path(c, shown[k], k, &largest);
        const double top = 5.0 * ceil((largest + 1.0) / 5.0);
        ltp_chart_axis_hz(c, from_hz, to_hz);
        ltp_chart_axis_y(c, -top, top, top > 15.0 ? 10.0 : 5.0, "dB");
        for (size_t k = 0; k < count; k++)
            ltp_chart_label(c, 115.0, top * (0.9 - 0.14 * (double)k), "left", colours[k],
                            lt_compare_path_name(shown[k]->path), NULL);
        for (size_t k = count; k-- > 0;)
            add_dots(c, shown[k], colours[k]);
        ltp_text_add(&c->script, "plot 0 with lines lc rgb '" LTP_SOFT "' lw 0.8");
        if (count > 0)
            ltp_text_add(&c->script, ", $path0 using 1:3:4 with filledcurves lc rgb '" LTP_FLOOR "'");
        for (size_t k = 0; k < count; k++)
            ltp_text_format(&c->script, ", $path%zu using 1:2 with lines lc rgb '%s' lw 2.2", k, colours[k]);
        ltp_text_add(&c->script, "\n");
    }
    return ltp_figure_end(&f, status, opt, out, bytes, err);
}
