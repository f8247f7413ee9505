/* SPDX-License-Identifier: MIT
 * Columns and wrapped sentences for a terminal of 80 columns. Widths count characters: continuation bytes of UTF-8 do
 * not count. */
#include "report/text_build.h"

#include <string.h>

static bool starts_character(char c)
{
    return ((unsigned char)c & 0xC0u) != 0x80u;
}

size_t ltp_text_width(const char *s, size_t bytes)
{
    size_t width = 0;
    for (size_t i = 0; i < bytes; i++)
        width += starts_character(s[i]) ? 1 : 0;
    return width;
}

static size_t width_of(const char *s)
{
    return ltp_text_width(s, strlen(s));
}

/* Control characters could move the cursor or colour a terminal. */
static void add_byte(ltp_textbuf *b, char c)
{
    const unsigned char u = (unsigned char)c;
    const char shown = u < 0x20u || u == 0x7Fu ? '?' : c;
    ltp_text_add_bytes(b, &shown, 1);
}

static void blanks(ltp_textbuf *b, size_t count)
{
    for (size_t i = 0; i < count; i++)
        ltp_text_add_bytes(b, " ", 1);
}

void ltp_text_column(ltp_textbuf *b, double value, int decimals, size_t width)
{
    const size_t start = b->length;
    ltp_text_number(b, value, decimals);
    const size_t length = b->length - start;
    if (length >= width)
        return;
    blanks(b, width - length);
    if (b->status != LT_OK)
        return;
    memmove(b->text + start + (width - length), b->text + start, length);
    memset(b->text + start, ' ', width - length);
}

void ltp_text_row(ltp_textbuf *b, const char *word, double value, int decimals, const char *unit)
{
    ltp_text_format(b, "  %-16s", word);
    ltp_text_column(b, value, decimals, 9);
    if (lt_is_known(value) && unit[0] != '\0')
        ltp_text_format(b, " %s", unit);
    ltp_text_add(b, "\n");
}

void ltp_text_name(ltp_textbuf *b, const char *name, size_t width)
{
    size_t skip = width_of(name);
    if (skip > width) {
        skip -= width - 3; /* characters to leave out in front */
        ltp_text_add(b, "...");
        for (; *name != '\0' && skip > 0; name++)
            skip -= starts_character(name[1]) ? 1 : 0;
    }
    for (; *name != '\0'; name++)
        add_byte(b, *name);
}

void ltp_text_name_column(ltp_textbuf *b, const char *name, size_t width)
{
    const size_t used = width_of(name);
    ltp_text_name(b, name, width);
    blanks(b, used < width ? width - used : 0);
}

static size_t word_length(const char *s)
{
    return strcspn(s, " \t\r\n");
}

static void break_line(ltp_textbuf *b, size_t indent, size_t *column)
{
    ltp_text_add(b, "\n");
    blanks(b, indent);
    *column = indent;
}

void ltp_text_wrap_to(ltp_textbuf *b, size_t columns, size_t indent, const char *lead, const char *sentence)
{
    size_t column = width_of(lead);
    bool line_is_empty = true;
    ltp_text_add(b, lead);
    for (const char *s = sentence + strspn(sentence, " \t\r\n"); *s != '\0'; s += strspn(s, " \t\r\n")) {
        const size_t length = word_length(s);
        if (!line_is_empty && column + 1 + ltp_text_width(s, length) > columns) {
            break_line(b, indent, &column);
        } else if (!line_is_empty) {
            ltp_text_add(b, " ");
            column++;
        }
        for (size_t i = 0; i < length; i++) {
            if (column >= columns && starts_character(s[i])) /* a word longer than a line */
                break_line(b, indent, &column);
            add_byte(b, s[i]);
            column += starts_character(s[i]) ? 1 : 0;
        }
        line_is_empty = false;
        s += length;
    }
    ltp_text_add(b, "\n");
}

void ltp_text_wrap(ltp_textbuf *b, const char *lead, const char *sentence)
{
    ltp_text_wrap_to(b, LTP_COLUMNS, width_of(lead), lead, sentence);
}

void ltp_text_notes(ltp_textbuf *b, const char *lead, const lt_notes *notes)
{
    for (size_t i = 0; i < notes->count; i++)
        ltp_text_wrap(b, lead, notes->items[i].message);
}
