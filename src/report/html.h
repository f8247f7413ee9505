/* SPDX-License-Identifier: MIT
 * Parts of the HTML report. Each part adds to one text; a failure sticks to it. Foreign text is escaped by the part
 * that writes it. */
#ifndef LTP_REPORT_HTML_H
#define LTP_REPORT_HTML_H

#include "report/chart.h"
#include "report/escape.h"
#include "report/textbuf.h"
#include "report/view.h"

/* Grades of the Speech Intelligibility Index. Source: ANSI S3.5-1997: good above 0.75, poor below 0.45. */
#define LTP_SII_GOOD 0.75
#define LTP_SII_POOR 0.45

#define LTP_MINUS "\xE2\x88\x92"
#define LTP_ARROW "\xE2\x86\x92"

/* ---- words (html_words.c) ---- */

const char *ltp_grade(double sii); /* good, fair, poor, not rated */
const char *ltp_limit_words(lt_limit limit);
/** Value with unit and a true minus sign; "not known" for NaN, "silence" for -INFINITY. */
void ltp_put_value(ltp_textbuf *b, double value, int decimals, const char *unit);
/** A dial position: sign, as many decimals as it has (at most 2), dB. */
void ltp_put_dial(ltp_textbuf *b, double setting_db);
/** "turned 4 steps up", "left as it is", "turned down by 2.5 dB". */
void ltp_put_turned(ltp_textbuf *b, const lt_adjuster *a, double now_db, double recommended_db, size_t step);
/** Steps from now to recommended; false: now is none of the offered settings. */
bool ltp_steps_between(const lt_adjuster *a, double now_db, size_t step, long *steps);
bool ltp_is_moved(double now_db, double recommended_db);
/** The lane in one sentence. */
void ltp_put_verdict(ltp_textbuf *b, const ltp_lane_view *v);
/** "Lane 1" and its name, if it has one. */
void ltp_put_lane_name(ltp_textbuf *b, const ltp_lane_view *v);

/* ---- doubts (html_notes.c) ---- */

typedef enum {
    LTP_ABOUT_SII_OUTBOUND = 1,
    LTP_ABOUT_SII_INBOUND = 2,
    LTP_ABOUT_MARGIN = 4,
    LTP_ABOUT_EAR = 8,
    LTP_ABOUT_OPERATOR = 16,
    LTP_ABOUT_PROPERTY_LINE = 32,
    LTP_ABOUT_ECHO = 64,
    LTP_ABOUT_HEADROOM = 128,
    LTP_ABOUT_POWER = 256
} ltp_about;
/** Beside a number: which assumptions and warnings of this lane concern it, with links to their sentences. */
void ltp_put_doubts(ltp_textbuf *b, const ltp_lane_view *v, unsigned about);
/** The numbered sentences themselves. */
void ltp_html_notes(ltp_textbuf *b, const ltp_lane_view *v);
size_t ltp_notes_bytes(const ltp_lane_view *v); /* length of all of them */

/* ---- parts of the page ---- */

void ltp_html_style(ltp_textbuf *b);                          /* the style sheet */
void ltp_html_answer(ltp_textbuf *b, const ltp_lane_view *v); /* verdict, settings, what they give */
void ltp_html_limits(ltp_textbuf *b, const ltp_lane_view *v); /* what limits, what to change */
/** Conditions, assumptions, doubts: as items of the grid in which `figures` small charts stand already, three a row. */
void ltp_html_evidence(ltp_textbuf *b, const ltp_lane_view *v, size_t figures);
/** Length of the advice, assumptions and doubts of a lane, bytes. Many sentences are printed smaller and in a row of
 * their own, very many with smaller charts, so that a lane keeps to its two pages. */
size_t ltp_sentence_bytes(const ltp_lane_view *v);
enum { LTP_WORDY_BYTES = 1000, LTP_VERY_WORDY_BYTES = 1800 };
void ltp_html_tables(ltp_textbuf *b, const ltp_lane_view *v); /* recordings and bands, folded away */
/** Margins of all sets of lanes at the recommended settings; *out NULL where there is one lane only, or very many, or
 * nothing measured. Free with lt_open_margin_free(). */
LT_NODISCARD lt_status ltp_open_margin_for_page(const lt_survey *s, const lt_tune_result *results, lt_open_margin **out,
                                                lt_error *err);
void ltp_chart_open(ltp_charts *c, const lt_open_margin *m);
void ltp_html_open(ltp_textbuf *b, const lt_open_margin *m, ltp_charts *charts);
/** What changed since opt->since->before; nothing where there was no earlier visit. */
void ltp_html_since(ltp_textbuf *b, const lt_report_options *opt);
void ltp_html_closing(ltp_textbuf *b, const lt_survey *s, const lt_report_options *opt);
/** A bar from 0 to `top` with the marks (NaN: none), the value before as a ring and after as a dot. */
void ltp_put_meter(ltp_textbuf *b, double before, double after, double top, const double marks[2], int decimals);

#endif
