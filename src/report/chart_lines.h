/* SPDX-License-Identifier: MIT
 * Line styles shared by the charts: they differ by colour, by dash and by weight. */
#ifndef LTP_REPORT_CHART_LINES_H
#define LTP_REPORT_CHART_LINES_H

#include "report/chart.h"

enum { LTP_CONDITION_LINES_MAX = 4 }; /* more lines in one chart nobody tells apart */

/** "lc rgb '#..' lw .. dt ..", for condition number i of a chart. */
const char *ltp_condition_line(size_t i);
const char *ltp_condition_colour(size_t i);
/** A line across the whole plot at y of the axis, in a style "lc rgb '#..' lw .. dt ..". */
void ltp_chart_horizontal(ltp_charts *c, double y, const char *style);
/** A line sample and the condition's name ("" is the empty lane) at x, y, parts of the plot, in the style of `line`. */
void ltp_chart_key(ltp_charts *c, double x, double y, size_t line, const char *name);
/** A dot at x, y of the axes: a circle, since the cleaning of drawings lets no symbol of gnuplot pass. radius: with its
 * coordinate system, "graph 0.01"; border: "lc .. lw ..", NULL: none. What is not known is not drawn. */
void ltp_chart_dot(ltp_charts *c, double x, double y, const char *radius, const char *fill, const char *border);

#endif
