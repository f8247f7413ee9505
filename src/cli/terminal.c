/* SPDX-License-Identifier: MIT
 * Width of the terminal, and lines that are broken between words to fit it. */
#include "terminal.h"

#include "report/text_build.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <unistd.h>

enum { USUAL = LTP_COLUMNS, LEAST = 20, MOST = 100 };

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

void cli_print_wrapped(char *text)
{
    static const char blanks[] = "                    "; /* LEAST */
    const size_t columns = cli_columns();
    ltp_textbuf b;
    lt_error err = {0};
    char *wrapped = NULL;
    ltp_text_init(&b, 0);
    for (char *line = text, *end; line != NULL; line = *end == '\n' ? end + 1 : NULL) {
        const size_t bytes = strcspn(line, "\n");
        const size_t blank = strspn(line, " ");
        const size_t lead = blank < LEAST / 2 ? blank : LEAST / 2;
        end = line + bytes;
        if (ltp_text_width(line, bytes) <= columns) {
            ltp_text_add_bytes(&b, line, bytes);
            ltp_text_add(&b, "\n");
            continue;
        }
        const char rest = *end;
        *end = '\0';
        ltp_text_wrap_to(&b, columns, lead + 2, blanks + LEAST - lead, line);
        *end = rest;
    }
    if (ltp_text_take(&b, &wrapped, &err) == LT_OK)
        (void)fputs(wrapped, stderr);
    else
        (void)fprintf(stderr, "%s\n", text); /* rather too wide than not said */
    lt_text_free(wrapped);
}
