/* SPDX-License-Identifier: MIT
 * Escaping of foreign text for HTML and SVG. */
#include "report/escape.h"

#include <string.h>

#define REPLACEMENT "\xEF\xBF\xBD" /* U+FFFD */
#define ELLIPSIS "\xE2\x80\xA6"    /* U+2026 */

/* From here on characters are taken for wide ones (Hangul Jamo is the first such block). */
enum { FIRST_WIDE = 0x1100 };

/* Bytes of the UTF-8 character at s (a NUL ends the text): 1 to 4, or 0 if it is none. *code gets its number. */
static size_t decode(const char *s, uint32_t *code)
{
    static const uint32_t smallest[] = {0, 0, 0x80, 0x800, 0x10000};
    const unsigned char first = (unsigned char)s[0];
    size_t length = 0;
    if (first < 0x80) {
        *code = first;
        return 1;
    }
    if (first >= 0xC2 && first < 0xE0)
        length = 2;
    else if (first >= 0xE0 && first < 0xF0)
        length = 3;
    else if (first >= 0xF0 && first < 0xF5)
        length = 4;
    else
        return 0;
    uint32_t c = first & (0xFFu >> (length + 1));
    for (size_t i = 1; i < length; i++) {
        const unsigned char next = (unsigned char)s[i];
        if ((next & 0xC0) != 0x80)
            return 0; /* the NUL as well */
        c = c << 6 | (next & 0x3Fu);
    }
    if (c < smallest[length] || c > 0x10FFFF || (c >= 0xD800 && c <= 0xDFFF))
        return 0;
    *code = c;
    return length;
}

/* Embeddings, overrides and isolates of the Unicode bidirectional algorithm: they could make a page read backwards. */
static bool reverses(uint32_t c)
{
    return (c >= 0x202A && c <= 0x202E) || (c >= 0x2066 && c <= 0x2069) || c == 0x200E || c == 0x200F;
}

static bool is_control(uint32_t c)
{
    return c < 0x20 || (c >= 0x7F && c < 0xA0) || c == 0x2028 || c == 0x2029;
}

static const char *reference_of(uint32_t c)
{
    switch (c) {
    case '&':
        return "&amp;";
    case '<':
        return "&lt;";
    case '>':
        return "&gt;";
    case '"':
        return "&quot;";
    case '\'':
        return "&#39;";
    default:
        return NULL;
    }
}

void ltp_text_add_escaped_part(ltp_textbuf *b, const char *s, size_t columns)
{
    bool was_space = false;
    for (size_t done = 0; *s != '\0';) {
        uint32_t c = 0;
        const size_t length = decode(s, &c);
        const size_t width = c >= FIRST_WIDE ? 2 : 1;
        if (columns - done < width) {
            ltp_text_add(b, ELLIPSIS);
            return;
        }
        done += width;
        const bool control = length > 0 && is_control(c);
        const char *reference = length > 0 ? reference_of(c) : REPLACEMENT;
        if (control && !was_space)
            ltp_text_add(b, " ");
        else if (reference != NULL)
            ltp_text_add(b, reference);
        else if (!control && !reverses(c))
            ltp_text_add_bytes(b, s, length);
        was_space = control || c == ' ';
        s += length > 0 ? length : 1;
    }
}

void ltp_text_add_escaped(ltp_textbuf *b, const char *s)
{
    ltp_text_add_escaped_part(b, s, SIZE_MAX);
}
