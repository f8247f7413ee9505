/* SPDX-License-Identifier: MIT
 * --help, made from the same tables that the parser uses; 80 columns. */
#include "cli.h"

#include "report/text_build.h"

#include <string.h>

enum { OPTION_COLUMN = 24 };

static void paragraphs(ltp_textbuf *b, const char *about)
{
    while (*about != '\0') {
        char paragraph[1024];
        const size_t length = strcspn(about, "\n");
        (void)snprintf(paragraph, sizeof paragraph, "%.*s", (int)length, about);
        ltp_text_wrap(b, "", paragraph);
        about += length + (about[length] == '\n' ? 1 : 0);
    }
}

static void add_option(ltp_textbuf *b, const cli_option *o)
{
    char lead[80], sentence[512];
    (void)snprintf(lead, sizeof lead, "  --%s%s%s", o->name, o->value != NULL ? " " : "", o->value ? o->value : "");
    const size_t used = strlen(lead);
    if (used + 2 > OPTION_COLUMN) { /* too long to stand beside its text */
        ltp_text_format(b, "%s\n", lead);
        (void)snprintf(lead, sizeof lead, "%*s", OPTION_COLUMN, "");
    } else {
        (void)snprintf(lead + used, sizeof lead - used, "%*s", OPTION_COLUMN - (int)used, "");
    }
    char choices[240] = "";
    if (o->choices != NULL) {
        size_t length = (size_t)snprintf(choices, sizeof choices, ": %s", o->choices);
        for (size_t i = 0; i < length; i++) {
            if (choices[i] == '|' && length + 2 < sizeof choices) { /* "a|b" as "a, b", so that lines can wrap */
                memmove(choices + i + 2, choices + i + 1, length - i);
                memcpy(choices + i, ", ", 2);
                length++;
            }
        }
    }
    (void)snprintf(sentence, sizeof sentence, "%s%s%s%s%s", o->help, choices, o->fallback != NULL ? " (default " : "",
                   o->fallback != NULL ? o->fallback : "", o->fallback != NULL ? ")" : "");
    ltp_text_wrap(b, lead, sentence);
}

static void examples(ltp_textbuf *b, const char *lines)
{
    ltp_text_add(b, "\nExample:\n");
    while (*lines != '\0') {
        const size_t length = strcspn(lines, "\n");
        ltp_text_format(b, "  %.*s\n", (int)length, lines);
        lines += length + (lines[length] == '\n' ? 1 : 0);
    }
}

static int print(const char *command, ltp_textbuf *b)
{
    char *text = NULL;
    lt_error err = {0};
    if (ltp_text_take(b, &text, &err) != LT_OK) {
        cli_message(command, err.what);
        return CLI_FAILED;
    }
    const bool written = cli_write(command, text);
    lt_text_free(text);
    return written ? CLI_DONE : CLI_FAILED;
}

int cli_help(const cli_command *command)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_format(&b, "Usage: lanetune %s%s%s [OPTION]...\n\n", command->name, command->words[0] != '\0' ? " " : "",
                    command->words);
    paragraphs(&b, command->about);
    ltp_text_add(&b, "\nOptions:\n");
    for (size_t i = 0; i < command->option_count; i++)
        add_option(&b, &command->options[i]);
    for (size_t i = 0; i < cli_common_option_count; i++)
        add_option(&b, &cli_common_options[i]);
    examples(&b, command->example);
    return print(command->name, &b);
}

int cli_help_all(const cli_command *const *commands, size_t count)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "Usage: lanetune COMMAND [WORD]... [OPTION]...\n\n");
    ltp_text_wrap(&b, "",
                  "Measures the intercom of a drive-up lane from recordings and says which settings to dial in.");
    ltp_text_add(&b, "\nCommands:\n");
    for (size_t i = 0; i < count; i++) {
        char lead[40];
        (void)snprintf(lead, sizeof lead, "  %-14s", commands[i]->name);
        ltp_text_wrap(&b, lead, commands[i]->summary);
    }
    ltp_text_add(&b, "\nOptions:\n");
    ltp_text_wrap(&b, "  --help        ", "print this help; lanetune COMMAND --help explains a command");
    ltp_text_wrap(&b, "  --version     ", "print the version");
    ltp_text_add(&b, "\nExit status: 0 done; 1 failed (bad input, disk); 2 wrong usage; 3 with\n"
                     "tune --check: done, but a lane misses a limit.\n");
    examples(&b, "lanetune demo\n");
    return print(NULL, &b);
}
