/* SPDX-License-Identifier: MIT
 * Foreign text (names, notes, file names) made safe for a page. */
#ifndef LTP_REPORT_ESCAPE_H
#define LTP_REPORT_ESCAPE_H

#include "report/textbuf.h"

/** Text for an element or a quoted attribute: & < > " ' as references; control characters, line breaks among them, as
 * one space; bytes that are no UTF-8 (RFC 3629) as U+FFFD; characters that reverse the reading direction left out. */
void ltp_text_add_escaped(ltp_textbuf *b, const char *s);
/** The same, at most as wide as `columns` Latin letters (East Asian and other wide characters count as two), with an
 * ellipsis where it was cut. */
void ltp_text_add_escaped_part(ltp_textbuf *b, const char *s, size_t columns);

#endif
