/* SPDX-License-Identifier: MIT
 * Progress on a terminal, and Ctrl-C that takes effect between two files instead of inside one. */
#include "cli.h"

#include <math.h>
#include <signal.h>
#include <string.h>
#include <unistd.h>

enum { BAR_WIDTH = 30, WHAT_WIDTH = 38 };

static void held_signals(sigset_t *set)
{
    (void)sigemptyset(set);
    (void)sigaddset(set, SIGINT);
    (void)sigaddset(set, SIGTERM);
    (void)sigaddset(set, SIGHUP);
    (void)sigaddset(set, SIGQUIT);
}

void cli_hold_signals(void)
{
    sigset_t set;
    held_signals(&set);
    (void)sigprocmask(SIG_BLOCK, &set, NULL);
}

void cli_release_signals(void)
{
    sigset_t set;
    held_signals(&set);
    (void)sigprocmask(SIG_UNBLOCK, &set, NULL); /* what is pending acts here */
}

cli_progress_state cli_progress_start(void)
{
    return (cli_progress_state){.on_terminal = isatty(STDERR_FILENO) == 1};
}

void cli_progress(void *context, const char *what, double fraction)
{
    cli_progress_state *p = context;
    if (p->stop_here) {
        cli_release_signals();
        cli_hold_signals();
    }
    if (!p->on_terminal)
        return;
    const double part = fraction > 0.0 ? fmin(fraction, 1.0) : 0.0;
    const int filled = (int)lround(part * BAR_WIDTH);
    char bar[BAR_WIDTH + 1];
    memset(bar, '#', (size_t)filled);
    memset(bar + filled, '.', (size_t)(BAR_WIDTH - filled));
    bar[BAR_WIDTH] = '\0';
    (void)fprintf(stderr, "\r%s %3d %% %-*.*s", bar, (int)lround(part * 100.0), WHAT_WIDTH, WHAT_WIDTH, what);
    (void)fflush(stderr);
    p->shown = BAR_WIDTH + 7 + WHAT_WIDTH;
}

void cli_progress_end(cli_progress_state *p)
{
    if (p->shown > 0)
        (void)fprintf(stderr, "\r%*s\r", (int)p->shown, "");
    p->shown = 0;
}
