/* SPDX-License-Identifier: MIT
 * Charts: one gnuplot script for all charts of a page, one run of gnuplot, one cleaned SVG element a chart.
 * Free text never reaches the script: a token stands for it there, and the escaped text is put into the drawing. */
#ifndef LTP_REPORT_CHART_H
#define LTP_REPORT_CHART_H

#include "report/textbuf.h"
#include "report/view.h"

/* Colours that stay apart for colour-blind readers and, by lightness, in black-and-white print. */
#define LTP_INK "#1b2327"
#define LTP_SOFT "#5b676e"
#define LTP_FLOOR "#dfe5e7"
#define LTP_ACCENT "#00616c"
#define LTP_TINT "#c3e2e4"
#define LTP_WARN "#b04a08"

/* Size in user units; the page scales a drawing to its column. Wide ones stand two in a row, small ones three. */
enum { LTP_CHART_WIDE = 480, LTP_CHART_WIDE_HEIGHT = 236, LTP_CHART_SMALL = 360, LTP_CHART_SMALL_HEIGHT = 180 };

/* Room for a free text in a chart, in Latin letters. */
enum { LTP_WORD_COLUMNS = 14 };

typedef enum {
    LTP_CHART_SPEECH_EAR,
    LTP_CHART_SPEECH_OPERATOR,
    LTP_CHART_LOOP_GAIN,
    LTP_CHART_IMPULSE,
    LTP_CHART_FIRST_SMALL,
    LTP_CHART_NOISE = LTP_CHART_FIRST_SMALL,
    LTP_CHART_OUTBOUND,
    LTP_CHART_INBOUND,
    LTP_CHART_LANE_COUPLING,
    LTP_CHART_COUNTER_COUPLING,
    LTP_CHART_LOOP_RESPONSE,
    LTP_CHART_ECHO,
    LTP_CHART_OPEN_SETS, /* of the site, kept with the first lane; wide */
    LTP_CHART_KINDS
} ltp_chart_kind;

typedef struct {
    bool wanted;         /* there is something to draw */
    ltp_textbuf caption; /* HTML: what the chart shows, in a sentence or two */
    ltp_textbuf svg;     /* filled by ltp_charts_draw(); empty if gnuplot failed */
} ltp_chart;

typedef struct {
    ltp_chart *items; /* [count] */
    size_t count;     /* lanes x LTP_CHART_KINDS */
    ltp_textbuf script;
    const char **words; /* [word_count] free texts behind the tokens, borrowed */
    size_t word_count, word_capacity;
    bool drawn; /* gnuplot ran and every wanted chart came back whole */
} ltp_charts;

LT_NODISCARD lt_status ltp_charts_create(size_t lane_count, ltp_charts **out, lt_error *err);
void ltp_charts_free(ltp_charts *c); /* NULL is fine */
ltp_chart *ltp_charts_at(ltp_charts *c, size_t lane, ltp_chart_kind kind);
const char *ltp_chart_title(ltp_chart_kind kind);

/** Begin a chart in the script: terminal, size, style. What is added to c->script until the next call belongs to it. */
ltp_chart *ltp_chart_begin(ltp_charts *c, size_t lane, ltp_chart_kind kind);
/** Logarithmic frequency axis with the octaves as marks. */
void ltp_chart_axis_hz(ltp_charts *c, double from_hz, double to_hz);
/** Vertical range in steps of `step`, and the unit in small print above the axis. */
void ltp_chart_axis_y(ltp_charts *c, double from, double to, double step, const char *unit);
/** A label at x, y: align is left, right or center; `ours` is text of this program without quotes or markup, a free
 * text (NULL: none) follows it, cut to LTP_WORD_COLUMNS. */
void ltp_chart_label(ltp_charts *c, double x, double y, const char *align, const char *colour, const char *ours,
                     const char *free_text);
/** Name of a condition ("": lane empty) at a place given in parts of the plot. */
void ltp_chart_condition_label(ltp_charts *c, double x, double y, const char *colour, const char *condition);
/** Decimal point whatever the locale, 4 decimals; what is not finite becomes NaN. */
void ltp_chart_value(ltp_charts *c, double value);
/** One row of a data block, or an empty line, which breaks a curve, if a value is not finite. */
void ltp_chart_row(ltp_charts *c, const double *values, size_t count);

/* The charts of one lane, each only if there is something to draw. */
void ltp_chart_responses(ltp_charts *c, const ltp_lane_view *v);
void ltp_chart_speech(ltp_charts *c, const ltp_lane_view *v);
void ltp_chart_noise(ltp_charts *c, const ltp_lane_view *v);
void ltp_chart_impulse(ltp_charts *c, const ltp_lane_view *v);
void ltp_chart_echo(ltp_charts *c, const ltp_lane_view *v);
LT_NODISCARD lt_status ltp_chart_loop_gain(ltp_charts *c, const ltp_lane_view *v, lt_error *err);

/** Bars of all sets of open lanes, the worst first, into the chart that was begun. */
void ltp_chart_open_sets(ltp_charts *c, const lt_open_margin *m);

/** One run of the program for all charts. If it cannot run or fails c->drawn stays false, and that is no error. */
LT_NODISCARD lt_status ltp_charts_draw(ltp_charts *c, const lt_report_options *opt, lt_error *err);
/** What gnuplot wrote for `script`, or *out == NULL if it could not be run, failed, or took longer than 30 s. */
LT_NODISCARD lt_status ltp_gnuplot_run(const lt_report_options *opt, const char *script, size_t length, char **out,
                                       size_t *bytes, lt_error *err);

/** One SVG document of gnuplot as an element fit for a page: known elements and attributes only, ids with `prefix`, no
 * fonts or sizes of its own, tokens replaced by the escaped words. False: no complete SVG document. */
bool ltp_chart_clean(const ltp_charts *c, const char *svg, size_t bytes, const char *prefix, const char *title,
                     ltp_textbuf *out);

#endif
