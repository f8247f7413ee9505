/* SPDX-License-Identifier: MIT
 * Everything the command prints: results to standard output, whatever else to standard error, and the exit status. */
#define _DEFAULT_SOURCE

#include "cli.h"
#include "terminal.h"

#include <errno.h>
#include <stdarg.h>
#include <string.h>
#include <unistd.h>

#ifndef LT_VERSION
#error "LT_VERSION comes from the build"
#endif

enum { LINE_MAX_BYTES = 1200 };

/* One line stays one line, whatever a file name holds; a terminal gets it broken between words. */
static void print_line(const char *command, const char *text, const char *after)
{
    char line[LINE_MAX_BYTES + 200];
    (void)snprintf(line, sizeof line, "lanetune%s%s: %s%s", command != NULL ? " " : "", command != NULL ? command : "",
                   text, after);
    for (char *c = line; *c != '\0'; c++) {
        const unsigned char u = (unsigned char)*c;
        *c = u < 0x20u || u == 0x7Fu ? '?' : *c;
    }
    if (isatty(STDERR_FILENO) == 1)
        cli_print_wrapped(line);
    else
        (void)fprintf(stderr, "%s\n", line);
}

void cli_message(const char *command, const char *text)
{
    print_line(command, text, "");
}

int cli_usage(const cli_command *command, const char *format, ...)
{
    char what[LINE_MAX_BYTES], after[80];
    const char *name = command != NULL ? command->name : NULL;
    va_list args;
    va_start(args, format);
    (void)vsnprintf(what, sizeof what, format, args);
    va_end(args);
    (void)snprintf(after, sizeof after, "; see lanetune %s%s--help", name != NULL ? name : "", name != NULL ? " " : "");
    print_line(name, what, after);
    return CLI_WRONG_USAGE;
}

int cli_fail(const cli_args *a, const lt_error *err)
{
    cli_message(a->command->name, err->what[0] != '\0' ? err->what : lt_status_text(err->status));
    return CLI_FAILED;
}

void cli_name_file(lt_error *err, const char *path)
{
    char what[sizeof err->what];
    if (err->status == LT_OK || strstr(err->what, path) != NULL)
        return;
    memcpy(what, err->what, sizeof what);
    (void)snprintf(err->what, sizeof err->what, "%.200s: %.*s", path, (int)sizeof what - 210, what);
}

int cli_fail_with(const cli_args *a, const char *format, ...)
{
    char what[LINE_MAX_BYTES];
    va_list args;
    va_start(args, format);
    (void)vsnprintf(what, sizeof what, format, args);
    va_end(args);
    cli_message(a->command->name, what);
    return CLI_FAILED;
}

void cli_show_notes(const cli_args *a)
{
    for (size_t i = 0; i < a->notes.count; i++)
        cli_message(a->command->name, a->notes.items[i].message);
}

bool cli_write(const char *command, const char *text)
{
    errno = 0;
    if (fputs(text, stdout) >= 0 && fflush(stdout) == 0 && !ferror(stdout))
        return true;
    char what[200];
    (void)snprintf(what, sizeof what, "cannot write to standard output (%s); free the disk or send it elsewhere",
                   errno != 0 ? strerror(errno) : "unknown cause");
    cli_message(command, what);
    return false;
}

int cli_finish(cli_args *a, lt_status status, const lt_error *err, char *text)
{
    int rc = CLI_DONE;
    if (status != LT_OK) {
        rc = cli_fail(a, err);
    } else {
        if (!a->json)
            cli_show_notes(a);
        if (!cli_write(a->command->name, text))
            rc = CLI_FAILED;
    }
    lt_text_free(text);
    return rc;
}

lt_json_head cli_json_head(const cli_args *a, const char *const *inputs, size_t count)
{
    return (lt_json_head){
        .version = LT_VERSION,
        .command = a->command->name,
        .inputs = inputs,
        .input_count = count,
        .warnings = &a->notes,
    };
}
