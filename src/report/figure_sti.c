/* SPDX-License-Identifier: MIT
 * The modulation transfer behind an STI as a file: one curve an octave, named at its end. */
#include "report/chart_lines.h"
#include "report/figure.h"

#include "base/alloc.h"

#include <math.h>

enum { HEIGHT = 420 };
static const double top = 1.05;
static const double apart = 0.072; /* between two names */

/* They differ by colour, dash and weight, for black-and-white print too. */
static const char *const lines[LT_STI_BANDS] = {
    "lc rgb '" LTP_SOFT "' lw 1.4 dt (2,3)", "lc rgb '" LTP_SOFT "' lw 1.8 dt (9,3,2,3)",
    "lc rgb '" LTP_WARN "' lw 1.8",          "lc rgb '" LTP_ACCENT "' lw 2.8",
    "lc rgb '" LTP_WARN "' lw 1.8 dt (8,4)", "lc rgb '" LTP_INK "' lw 1.6 dt (5,3)",
    "lc rgb '" LTP_INK "' lw 1.2",
};
static const char *const colours[LT_STI_BANDS] = {LTP_SOFT, LTP_SOFT, LTP_WARN, LTP_ACCENT, LTP_WARN, LTP_INK, LTP_INK};

/* Heights of the names, in m: each as near to the end of its curve as the others let it. */
static void spread(const lt_sti_result *r, double y[LT_STI_BANDS])
{
    size_t order[LT_STI_BANDS];
    for (size_t i = 0; i < LT_STI_BANDS; i++) {
        size_t k = i;
        y[i] = r->bands[i].mtf[r->modulations - 1].m;
        for (; k > 0 && y[order[k - 1]] > y[i]; k--)
            order[k] = order[k - 1];
        order[k] = i;
    }
    for (size_t k = 1; k < LT_STI_BANDS; k++) /* upwards */
        y[order[k]] = fmax(y[order[k]], y[order[k - 1]] + apart);
    const double over = fmax(y[order[LT_STI_BANDS - 1]] - 1.0, 0.0);
    y[order[LT_STI_BANDS - 1]] -= over;
    for (size_t k = LT_STI_BANDS - 1; k > 0; k--) /* and back from the top */
        y[order[k - 1]] = fmin(y[order[k - 1]], y[order[k]] - apart);
}

static void add_name(ltp_charts *c, const lt_sti_result *r, size_t band, double y)
{
    const double hz = r->bands[band].mtf[r->modulations - 1].hz;
    const double m = r->bands[band].mtf[r->modulations - 1].m;
    ltp_text_add(&c->script, "set arrow from first ");
    ltp_chart_value(c, hz);
    ltp_text_add(&c->script, ", first ");
    ltp_chart_value(c, m);
    ltp_text_add(&c->script, " to graph 1.03, first ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " nohead front lc rgb '%s' lw 0.6\nset label '", colours[band]);
    if (r->bands[band].hz < 1000.0)
        ltp_text_number(&c->script, r->bands[band].hz, 0);
    else
        ltp_text_format(&c->script, "%d k", (int)(r->bands[band].hz / 1000.0 + 0.5));
    ltp_text_add(&c->script, r->bands[band].hz < 1000.0 ? " Hz: " : "Hz: ");
    ltp_text_number(&c->script, r->bands[band].mti, 2);
    ltp_text_add(&c->script, "' at graph 1.04, first ");
    ltp_chart_value(c, y);
    ltp_text_format(&c->script, " left front font ',12' textcolor rgb '%s'\n", colours[band]);
}

static void add_points(ltp_charts *c, const lt_sti_result *r, size_t band)
{
    for (size_t i = 0; i < r->modulations; i++)
        ltp_chart_dot(c, r->bands[band].mtf[i].hz, r->bands[band].mtf[i].m, "screen 0.006", colours[band], NULL);
}

static void draw(ltp_charts *c, const lt_sti_result *r)
{
    double y[LT_STI_BANDS];
    spread(r, y);
    for (size_t band = 0; band < LT_STI_BANDS; band++) {
        ltp_text_format(&c->script, "$m%zu << EOD\n", band);
        for (size_t i = 0; i < r->modulations; i++) {
            const double row[] = {r->bands[band].mtf[i].hz, r->bands[band].mtf[i].m};
            ltp_chart_row(c, row, 2);
        }
        ltp_text_add(&c->script, "EOD\n");
        add_name(c, r, band, y[band]);
        if (r->method == LT_STI_STIPA)
            add_points(c, r, band);
    }
    ltp_chart_axis_y(c, 0.0, top, 0.2, "modulation transfer m");
    ltp_text_add(&c->script, "set format y '%.1f'\nset rmargin at screen 0.84\nset bmargin 3.4\nset logscale x\n"
                             "set xrange [0.58:13.5]\n"
                             "set xtics ('0.63' 0.63, '1' 1, '1.6' 1.6, '2.5' 2.5, '4' 4, '6.3' 6.3, '10' 10)\n"
                             "set xlabel 'modulation frequency in Hz' offset 0,0.3 textcolor rgb '" LTP_SOFT "'\n"
                             "set label 'octave: MTI' at graph 1.04, graph 1.07 left font ',12' "
                             "textcolor rgb '" LTP_SOFT "'\nplot ");
    for (size_t band = 0; band < LT_STI_BANDS; band++)
        ltp_text_format(&c->script, "%s$m%zu using 1:2 with lines %s", band > 0 ? ", " : "", band, lines[band]);
    ltp_text_add(&c->script, "\n");
}

static lt_status make_title(const lt_sti_result *r, char **out, lt_error *err)
{
    ltp_textbuf title;
    ltp_text_init(&title, 0);
    ltp_text_add(&title, "STI ");
    ltp_text_number(&title, r->sti, 2);
    ltp_text_format(&title, ": %s, category %s (%s)", r->label, r->category,
                    r->method == LT_STI_STIPA ? "STIPA" : "impulse response");
    return ltp_text_take(&title, out, err);
}

lt_status lt_figure_sti(const lt_sti_result *r, const lt_report_options *opt, lt_figure_format format, char **out,
                        size_t *bytes, lt_error *err)
{
    ltp_figure f;
    char *title = NULL;
    *out = NULL;
    lt_status status = make_title(r, &title, err);
    if (status != LT_OK)
        return status;
    status = ltp_figure_begin(&f, format, title, HEIGHT, err);
    if (status == LT_OK)
        draw(f.charts, r);
    status = ltp_figure_end(&f, status, opt, out, bytes, err);
    lt_text_free(title);
    return status;
}
