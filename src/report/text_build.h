/* SPDX-License-Identifier: MIT
 * Lines for a terminal: numbers in columns, names cut to fit, sentences wrapped. Our own words are plain ASCII; names
 * of the user pass as they are, without control characters. */
#ifndef LTP_REPORT_TEXT_BUILD_H
#define LTP_REPORT_TEXT_BUILD_H

#include "report/textbuf.h"

#include <lanetune/report.h>

enum { LTP_COLUMNS = 80 }; /* no line is longer */

/** Right-aligned number; "-" if not known. */
void ltp_text_column(ltp_textbuf *b, double value, int decimals, size_t width);
/** "word   value unit", the value in column 19. */
void ltp_text_row(ltp_textbuf *b, const char *word, double value, int decimals, const char *unit);
/** The user's text in at most `width` characters, cut in front with "..." (the end of a path says most). */
void ltp_text_name(ltp_textbuf *b, const char *name, size_t width);
/** The same, filled with blanks to `width`. */
void ltp_text_name_column(ltp_textbuf *b, const char *name, size_t width);
/** Characters that a text takes on a terminal: what continues one in UTF-8 does not count. */
size_t ltp_text_width(const char *s, size_t bytes);
/** `lead` and the sentence, wrapped; later lines are indented by the length of `lead`. */
void ltp_text_wrap(ltp_textbuf *b, const char *lead, const char *sentence);
/** The same for a terminal of `columns`; later lines are indented by `indent`. */
void ltp_text_wrap_to(ltp_textbuf *b, size_t columns, size_t indent, const char *lead, const char *sentence);
/** Each note as "lead message". */
void ltp_text_notes(ltp_textbuf *b, const char *lead, const lt_notes *notes);

/** The numbers of the open lanes, as many as fit, with `between` between them. open: bits as in lt_open_set. */
void ltp_open_lanes(char text[64], const lt_open_margin *m, unsigned open, const char *between);
/** Interference of l in words; nothing where it was not looked for. */
void ltp_text_interference(ltp_textbuf *b, const lt_levels *l, const char *unit);

#endif
