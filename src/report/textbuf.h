/* SPDX-License-Identifier: MIT
 * A text that grows up to a maximum. The first failure sticks and ltp_text_take() returns it, so that a page can be
 * written without a check after every piece. Numbers never go through printf: its decimal point depends on the locale.
 */
#ifndef LTP_REPORT_TEXTBUF_H
#define LTP_REPORT_TEXTBUF_H

#include <lanetune/base.h>

typedef struct {
    char *text;              /* NUL-terminated once anything was added */
    size_t length, capacity; /* bytes, without and with the NUL */
    size_t max;              /* longest text, bytes */
    lt_status status;        /* LT_OK, LT_E_NOMEM, LT_E_ARG: longer than max */
} ltp_textbuf;

enum { LTP_TEXT_MAX = 64 * 1024 * 1024 }; /* a text nobody would read; protects memory */

/** max 0 means LTP_TEXT_MAX. Allocates nothing yet. */
void ltp_text_init(ltp_textbuf *b, size_t max);
void ltp_text_drop(ltp_textbuf *b); /* free; the buffer is as after init */
void ltp_text_add(ltp_textbuf *b, const char *s);
void ltp_text_add_bytes(ltp_textbuf *b, const char *s, size_t count);
/** printf for strings and integers. No %f, %e, %g: see above. At most 1023 bytes a call, a longer piece is cut. */
void ltp_text_format(ltp_textbuf *b, const char *format, ...) LT_PRINTF(2, 3);
/** Fixed decimals [0, 9], decimal point ".", half away from zero, never "-0.0". NaN, infinity and |value| >= 1e9: "-".
 */
void ltp_text_number(ltp_textbuf *b, double value, int decimals);
/** Hand over the text (never NULL on LT_OK; "" if nothing was added); free with lt_text_free(). The buffer is empty
 * then. */
LT_NODISCARD lt_status ltp_text_take(ltp_textbuf *b, char **out, lt_error *err);

#endif
