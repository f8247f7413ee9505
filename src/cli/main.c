/* SPDX-License-Identifier: MIT
 * lanetune: finds the command in the table, parses its words and runs it. */
#include "live.h"

#include "base/alloc.h"

#include <fcntl.h>
#include <signal.h>
#include <string.h>
#include <unistd.h>

static const cli_command *const commands[] = {
    &cmd_demo,    &cmd_new,       &cmd_stimulus, &cmd_response, &cmd_noise,     &cmd_speech_level, &cmd_sii,
    &cmd_sti,     &cmd_margin,    &cmd_tune,     &cmd_compare,  &cmd_report,    &cmd_simulate,     &cmd_devices,
    &cmd_measure, &cmd_calibrate, &cmd_scan,     &cmd_echo,     &cmd_switching,
};

static const cli_command *find(const char *name)
{
    for (size_t i = 0; i < LTP_COUNT(commands); i++) {
        if (strcmp(commands[i]->name, name) == 0)
            return commands[i];
    }
    return NULL;
}

static int unknown(const char *word)
{
    const char *names[LTP_COUNT(commands)];
    for (size_t i = 0; i < LTP_COUNT(commands); i++)
        names[i] = commands[i]->name;
    const char *kind = word[0] == '-' ? "option" : "command";
    const char *nearest = word[0] == '-' ? NULL : cli_nearest(word, names, LTP_COUNT(names));
    if (nearest != NULL)
        return cli_usage(NULL, "unknown %s '%s', perhaps %s", kind, word, nearest);
    return cli_usage(NULL, "unknown %s '%s'", kind, word);
}

/* A closed standard stream would give its number to the next file that is opened, and messages would end up inside a
 * recording. A read-only stand-in makes writing fail, as it should. */
static void keep_standard_streams(void)
{
    for (int fd = 0; fd <= 2; fd++) {
        if (fcntl(fd, F_GETFD) == -1)
            (void)open("/dev/null", O_RDONLY);
    }
}

static int run(const cli_command *command, int argc, const char **argv)
{
    cli_args a;
    lt_error err = {0};
    int rc = cli_parse(command, argc, argv, &a);
    if (rc == CLI_DONE && a.help)
        rc = cli_help(command);
    else if (rc == CLI_DONE)
        rc = cli_check_figure(&a, &err) == LT_OK ? command->run(&a) : cli_fail(&a, &err);
    cli_args_free(&a);
    return rc;
}

int main(int argc, char **argv)
{
    keep_standard_streams();
    (void)signal(SIGPIPE, SIG_IGN); /* a reader that went away shows as a failed write */
    (void)signal(SIGXFSZ, SIG_IGN); /* and so does a file that may grow no more */
    if (argc < 2)
        return cli_usage(NULL, "which command?");
    const char *word = argv[1];
    if (strcmp(word, "--help") == 0 || strcmp(word, "-h") == 0)
        return cli_help_all(commands, LTP_COUNT(commands));
    if (strcmp(word, "--version") == 0)
        return cli_write(NULL, "lanetune " LT_VERSION "\n") ? CLI_DONE : CLI_FAILED;
    const cli_command *command = find(word);
    if (command == NULL)
        return unknown(word);
    const char **words; /* popt wants pointers to const; a cast of char ** would have to lie */
    char **rest = argv + 1;
    memcpy(&words, &rest, sizeof words);
    return run(command, argc - 1, words);
}
