/* SPDX-License-Identifier: MIT
 * One chart as a file of its own: the house style of the report's charts, as SVG or PNG. A figure is begun, its axes
 * and data are added with the functions of chart.h to figure.charts, and it is ended by one run of gnuplot:
 *
 *     ltp_figure f;
 *     lt_status status = ltp_figure_begin(&f, format, "Gain around the loop", LTP_FIGURE_HEIGHT, err);
 *     if (status == LT_OK) {
 *         ltp_chart_axis_hz(f.charts, 50, 16000);
 *         ltp_chart_axis_y(f.charts, -60, 0, 10, "dB");
 *         ltp_text_add(&f.charts->script, "$d << EOD\n"); ... ltp_chart_row() ... "EOD\nplot $d with lines\n"
 *     }
 *     return ltp_figure_end(&f, status, opt, out, bytes, err);
 */
#ifndef LTP_REPORT_FIGURE_H
#define LTP_REPORT_FIGURE_H

#include "report/chart.h"

enum { LTP_FIGURE_WIDTH = 720, LTP_FIGURE_HEIGHT = 360 };

typedef struct {
    ltp_charts *charts; /* script and words; owned */
    lt_figure_format format;
    const char *title; /* text of this program, without quotes or markup; borrowed */
    int height;        /* user units or pixels at the usual density */
} ltp_figure;

/** charts is NULL on failure. */
LT_NODISCARD lt_status ltp_figure_begin(ltp_figure *f, lt_figure_format format, const char *title, int height,
                                        lt_error *err);
/** Draws unless `so_far` is a failure, which is returned; frees the figure in any case. *out is freed with
 * lt_text_free(). LT_E_IO: gnuplot cannot be run, or failed. */
LT_NODISCARD lt_status ltp_figure_end(ltp_figure *f, lt_status so_far, const lt_report_options *opt, char **out,
                                      size_t *bytes, lt_error *err);

#endif
