/* SPDX-License-Identifier: MIT
 * From argv to checked values, by the table of the command. Every wrong word ends with one line and status 2. */
#include "cli.h"

#include "base/alloc.h"

#include <popt.h>

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

const cli_option cli_common_options[] = {
    {"json", CLI_FLAG, NULL, "print one JSON object instead of text", NULL, 0, 0, NULL},
    {"help", CLI_FLAG, NULL, "print this help", NULL, 0, 0, NULL},
};
const size_t cli_common_option_count = LTP_COUNT(cli_common_options);

static const cli_option *option_at(const cli_command *command, size_t i)
{
    if (i < command->option_count)
        return &command->options[i];
    i -= command->option_count;
    return i < cli_common_option_count ? &cli_common_options[i] : NULL;
}

/* ---- nearest word ---- */

static size_t smaller(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* Levenshtein distance with one row; words longer than the row are far from everything. */
static size_t distance(const char *a, const char *b)
{
    enum { LONGEST = 40 };
    size_t row[LONGEST + 1];
    const size_t width = strlen(b);
    if (width > LONGEST || strlen(a) > LONGEST)
        return LONGEST;
    for (size_t k = 0; k <= width; k++)
        row[k] = k;
    for (size_t i = 0; a[i] != '\0'; i++) {
        size_t diagonal = row[0];
        row[0] = i + 1;
        for (size_t k = 0; k < width; k++) {
            const size_t change = diagonal + (a[i] == b[k] ? 0 : 1);
            diagonal = row[k + 1];
            row[k + 1] = smaller(change, smaller(row[k], diagonal) + 1);
        }
    }
    return row[width];
}

const char *cli_nearest(const char *word, const char *const *candidates, size_t count)
{
    const char *best = NULL;
    size_t best_distance = strlen(word) / 2 + 1; /* at most half of the letters may differ */
    for (size_t i = 0; i < count; i++) {
        const bool begins = strlen(word) >= 3 && strncmp(candidates[i], word, strlen(word)) == 0;
        const size_t d = begins ? 1 : distance(word, candidates[i]);
        if (d < best_distance) {
            best = candidates[i];
            best_distance = d;
        }
    }
    return best;
}

/* ---- values ---- */

/* A choice that ends in "-N" stands for every number there. */
static bool is_numbered(const char *choice, size_t n, const char *word)
{
    static const char digits[] = "0123456789";
    if (strncmp(choice, word, n - 1) != 0)
        return false;
    const char *number = word + n - 1;
    return number[0] != '0' && strspn(number, digits) == strlen(number) && strlen(number) >= 1 && strlen(number) <= 4;
}

static bool is_choice(const char *choices, const char *word)
{
    const size_t length = strlen(word);
    for (const char *c = choices; length > 0; c++) {
        const size_t n = strcspn(c, "|");
        const bool numbered = n >= 3 && strncmp(c + n - 2, "-N", 2) == 0;
        if (numbered ? is_numbered(c, n, word) : n == length && strncmp(c, word, n) == 0)
            return true;
        c += n;
        if (*c == '\0')
            break;
    }
    return false;
}

/* A decimal number and nothing else: no blanks, no "nan", "inf" or hexadecimal. */
static bool parse_number(const char *text, double *out)
{
    char *end = NULL;
    if (text[0] == '\0' || text[strspn(text, "+-.0123456789eE")] != '\0')
        return false;
    errno = 0;
    *out = strtod(text, &end);
    return *end == '\0' && isfinite(*out);
}

static int check_range(const cli_command *command, const cli_option *o, const char *text, double value)
{
    if (o->kind == CLI_COUNT && fabs(value - floor(value)) > 0.0)
        return cli_usage(command, "--%s wants a whole number, not '%s'", o->name, text);
    if (value < o->min || value > o->max)
        return cli_usage(command, "--%s %s is out of range, %.10g to %.10g is allowed", o->name, text, o->min, o->max);
    return CLI_DONE;
}

static int check_value(const cli_command *command, const cli_option *o, const char *text, double *number)
{
    switch (o->kind) {
    case CLI_NUMBER:
    case CLI_COUNT:
        if (!parse_number(text, number))
            return cli_usage(command, "--%s wants a number, not '%s'", o->name, text);
        return check_range(command, o, text, *number);
    case CLI_CHOICE:
        if (!is_choice(o->choices, text))
            return cli_usage(command, "--%s: '%s' is not one of %s%s", o->name, text, o->choices,
                             strstr(o->choices, "-N") != NULL ? " (N: a number)" : "");
        return CLI_DONE;
    case CLI_TEXT:
        if (text[0] == '\0')
            return cli_usage(command, "--%s wants a value that is not empty", o->name);
        return CLI_DONE;
    case CLI_FLAG:
        break;
    }
    return CLI_DONE;
}

/* ---- popt ---- */

static int bad_option(const cli_command *command, const char *given, int code)
{
    const char *candidates[CLI_OPTIONS_MAX];
    size_t count = 0;
    for (; count < CLI_OPTIONS_MAX && option_at(command, count) != NULL; count++)
        candidates[count] = option_at(command, count)->name;
    if (code == POPT_ERROR_NOARG)
        return cli_usage(command, "%s wants a value", given);
    if (code == POPT_ERROR_UNWANTEDARG)
        return cli_usage(command, "%s takes no value", given);
    if (code != POPT_ERROR_BADOPT)
        return cli_usage(command, "%s: %s", given, poptStrerror(code));
    const char *nearest = cli_nearest(given + strspn(given, "-"), candidates, count);
    if (nearest != NULL)
        return cli_usage(command, "unknown option %s, perhaps --%s", given, nearest);
    return cli_usage(command, "unknown option %s", given);
}

static int read_options(cli_args *a, poptContext context)
{
    int code;
    while ((code = poptGetNextOpt(context)) > 0) {
        const size_t i = (size_t)code - 1;
        const cli_option *o = option_at(a->command, i);
        free(a->values[i]); /* popt's own malloc; the last one given wins */
        a->values[i] = o->kind == CLI_FLAG ? strdup("") : poptGetOptArg(context);
        if (a->values[i] == NULL)
            return cli_usage(a->command, "--%s: out of memory", o->name);
        const int rc = check_value(a->command, o, a->values[i], &a->numbers[i]);
        if (rc != CLI_DONE)
            return rc;
    }
    if (code < -1)
        return bad_option(a->command, poptBadOption(context, POPT_BADOPTION_NOALIAS), code);
    return CLI_DONE;
}

static int check_words(cli_args *a)
{
    while (a->words != NULL && a->words[a->word_count] != NULL)
        a->word_count++;
    for (size_t i = 0; a->words != NULL && i < a->word_count; i++) {
        if (a->words[i][0] == '\0')
            return cli_usage(a->command, "a word is empty; the command wants %s", a->command->words);
    }
    if (a->word_count < a->command->words_min)
        return cli_usage(a->command, "something is missing; the command wants %s", a->command->words);
    if (a->words != NULL && a->word_count > a->command->words_max)
        return cli_usage(a->command, "'%s' is one word too many; the command wants %s", a->words[a->command->words_max],
                         a->command->words[0] != '\0' ? a->command->words : "none");
    return CLI_DONE;
}

int cli_parse(const cli_command *command, int argc, const char **argv, cli_args *a)
{
    struct poptOption table[CLI_OPTIONS_MAX + 1];
    memset(table, 0, sizeof table); /* ends with an empty row */
    *a = (cli_args){.command = command};
    for (size_t i = 0; i < CLI_OPTIONS_MAX && option_at(command, i) != NULL; i++) {
        const cli_option *o = option_at(command, i);
        table[i].longName = o->name;
        table[i].argInfo = o->kind == CLI_FLAG ? POPT_ARG_NONE : POPT_ARG_STRING;
        table[i].val = (int)i + 1;
    }
    poptContext context = poptGetContext("lanetune", argc, argv, table, 0);
    if (context == NULL)
        return cli_usage(command, "out of memory");
    a->context = context;
    int rc = read_options(a, context);
    a->words = poptGetArgs(context);
    a->json = cli_flag(a, "json");
    a->help = cli_flag(a, "help");
    if (rc == CLI_DONE && !a->help)
        rc = check_words(a);
    return rc;
}

void cli_args_free(cli_args *a)
{
    for (size_t i = 0; i < CLI_OPTIONS_MAX; i++)
        free(a->values[i]);
    if (a->context != NULL)
        (void)poptFreeContext(a->context);
    *a = (cli_args){0};
}

static size_t index_of(const cli_args *a, const char *option)
{
    size_t i = 0;
    while (option_at(a->command, i) != NULL && strcmp(option_at(a->command, i)->name, option) != 0)
        i++;
    return i < CLI_OPTIONS_MAX ? i : 0;
}

bool cli_given(const cli_args *a, const char *option)
{
    return a->values[index_of(a, option)] != NULL;
}

double cli_number(const cli_args *a, const char *option, double otherwise)
{
    return cli_given(a, option) ? a->numbers[index_of(a, option)] : otherwise;
}

unsigned cli_count(const cli_args *a, const char *option, unsigned otherwise)
{
    return cli_given(a, option) ? (unsigned)a->numbers[index_of(a, option)] : otherwise;
}

const char *cli_text(const cli_args *a, const char *option, const char *otherwise)
{
    return cli_given(a, option) ? a->values[index_of(a, option)] : otherwise;
}

bool cli_flag(const cli_args *a, const char *option)
{
    return cli_given(a, option);
}
