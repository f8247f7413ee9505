/* SPDX-License-Identifier: MIT
 * Pieces of the tolerance curve that the page and the chart of one echo share. */
#ifndef LTP_REPORT_CHART_ECHO_H
#define LTP_REPORT_CHART_ECHO_H

#include "report/chart.h"

#define LTP_ECHO_TOP_DB 70.0
/** Axes, and the data block $limits: one-way ms, acceptable, limiting TELR. */
void ltp_chart_tolerance(ltp_charts *c);
/** A dot (filled) or a ring, which leaves room for a dot at the same place, drawn after it; nothing where a figure is
 * not known. */
void ltp_chart_echo_point(ltp_charts *c, bool filled, double one_way_ms, double telr_db);

#endif
