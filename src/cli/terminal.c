/* SPDX-License-Identifier: MIT
 * Width of the terminal, and lines that are broken between words to fit it. */
#include "terminal.h"

#include "base/alloc.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

enum { USUAL = 80, LEAST = 20, MOST = 100 };

size_t cli_columns(void)
{
    struct winsize w;
    memset(&w, 0, sizeof w);
    if (ioctl(STDERR_FILENO, TIOCGWINSZ, &w) != 0 || w.ws_col == 0)
        return USUAL;
    return w.ws_col < LEAST ? LEAST : w.ws_col > MOST ? MOST : w.ws_col;
}

bool cli_redraws(void)
{
    const char *term = getenv("TERM");
    return isatty(STDERR_FILENO) == 1 && (term == NULL || strcmp(term, "dumb") != 0);
}

/* Characters of the UTF-8 text, not bytes. */
static size_t width_of(const char *text, size_t bytes)
{
    size_t n = 0;
    for (size_t i = 0; i < bytes; i++)
        n += ((unsigned char)text[i] & 0xC0u) != 0x80u;
    return n;
}

/* One line of the text, without its end; what does not fit goes on below, indented like it and two columns more. */
static void print_line(const char *line, size_t bytes, size_t columns)
{
    const size_t lead = strspn(line, " ");
    size_t at = 0, used = 0;
    while (at < bytes) {
        const size_t blanks = strspn(line + at, " ");
        const size_t gap = blanks < bytes - at ? blanks : bytes - at;
        const size_t rest = bytes - at - gap;
        const size_t word = strcspn(line + at + gap, " \n") < rest ? strcspn(line + at + gap, " \n") : rest;
        const size_t wide = width_of(line + at + gap, word);
        if (used > lead && used + gap + wide > columns) {
            used = lead + 2;
            (void)fprintf(stderr, "\n%*s", (int)used, "");
        } else {
            (void)fprintf(stderr, "%*s", (int)gap, "");
            used += gap;
        }
        (void)fwrite(line + at + gap, 1, word, stderr);
        used += wide;
        at += gap + word;
    }
    (void)fputc('\n', stderr);
}

void cli_print_wrapped(const char *text)
{
    const size_t columns = cli_columns();
    for (;;) {
        const size_t bytes = strcspn(text, "\n");
        print_line(text, bytes, columns);
        if (text[bytes] == '\0')
            return;
        text += bytes + 1;
    }
}
