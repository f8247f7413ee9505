/* SPDX-License-Identifier: MIT
 * A growing text with a maximum, and locale-free numbers. */
#include "report/textbuf.h"

#include "base/alloc.h"

#include <lanetune/report.h>

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

void lt_text_free(char *text)
{
    ltp_free(text);
}

void ltp_text_init(ltp_textbuf *b, size_t max)
{
    *b = (ltp_textbuf){.max = max == 0 ? LTP_TEXT_MAX : max};
}

void ltp_text_drop(ltp_textbuf *b)
{
    ltp_free(b->text);
    ltp_text_init(b, b->max);
}

/* Room for `more` bytes and the NUL: capacity doubles, so that adding n bytes costs O(n) in all. */
static bool has_room(ltp_textbuf *b, size_t more)
{
    if (b->status != LT_OK)
        return false;
    if (more > b->max || b->length > b->max - more) {
        b->status = LT_E_ARG;
        return false;
    }
    const size_t needed = b->length + more + 1;
    if (needed <= b->capacity)
        return true;
    size_t capacity = b->capacity == 0 ? 1024 : b->capacity;
    while (capacity < needed)
        capacity *= 2;
    char *text = ltp_realloc(b->text, capacity, 1);
    if (text == NULL) {
        b->status = LT_E_NOMEM;
        return false;
    }
    b->text = text;
    b->capacity = capacity;
    return true;
}

void ltp_text_add_bytes(ltp_textbuf *b, const char *s, size_t count)
{
    if (!has_room(b, count))
        return;
    memcpy(b->text + b->length, s, count);
    b->length += count;
    b->text[b->length] = '\0';
}

void ltp_text_add(ltp_textbuf *b, const char *s)
{
    ltp_text_add_bytes(b, s, strlen(s));
}

void ltp_text_format(ltp_textbuf *b, const char *format, ...)
{
    char piece[1024];
    va_list args;
    va_start(args, format);
    const int length = vsnprintf(piece, sizeof piece, format, args);
    va_end(args);
    if (length > 0)
        ltp_text_add(b, piece);
}

void ltp_text_number(ltp_textbuf *b, double value, int decimals)
{
    if (!lt_is_known(value) || fabs(value) >= 1e9 || decimals < 0 || decimals > 9) {
        ltp_text_add(b, "-");
        return;
    }
    long long unit = 1;
    for (int i = 0; i < decimals; i++)
        unit *= 10;
    const long long scaled = llround(fabs(value) * (double)unit);
    const char *sign = value < 0.0 && scaled != 0 ? "-" : "";
    if (decimals == 0)
        ltp_text_format(b, "%s%lld", sign, scaled);
    else
        ltp_text_format(b, "%s%lld.%0*lld", sign, scaled / unit, decimals, scaled % unit);
}

lt_status ltp_text_take(ltp_textbuf *b, char **out, lt_error *err)
{
    *out = NULL;
    ltp_text_add_bytes(b, "", 0); /* an empty text is a text */
    const lt_status status = b->status;
    if (status == LT_OK) {
        *out = b->text;
        b->text = NULL;
    }
    ltp_text_drop(b);
    if (status == LT_E_NOMEM)
        return ltp_fail_nomem(err, "the text of a report");
    if (status != LT_OK)
        return ltp_fail(err, status, "the text of a report is longer than %zu bytes", b->max);
    return LT_OK;
}
