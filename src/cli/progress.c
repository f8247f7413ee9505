/* SPDX-License-Identifier: MIT
 * Progress on a terminal, and Ctrl-C that takes effect between two files instead of inside one. */
#include "cli.h"
#include "terminal.h"

#include <math.h>
#include <signal.h>
#include <string.h>

enum { BAR_WIDTH = 30, FIGURE_WIDTH = 7, WHAT_WIDTH = 38 };

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
    return (cli_progress_state){.on_terminal = cli_redraws(), .to = 1.0};
}

void cli_progress_next(cli_progress_state *p, double share)
{
    p->from = p->done;
    p->to = p->from + (1.0 - p->from) * share;
}

void cli_progress(void *context, const char *what, double fraction)
{
    cli_progress_state *p = context;
    if (p->stop_here) {
        cli_release_signals();
        cli_hold_signals();
    }
    const double part = p->from + (p->to - p->from) * (fraction > 0.0 ? fmin(fraction, 1.0) : 0.0);
    p->done = fmax(p->done, part);
    if (!p->on_terminal)
        return;
    const int room = (int)cli_columns() - 1 - FIGURE_WIDTH; /* half of a narrow terminal is for the name */
    const int width = room / 2 < BAR_WIDTH ? room / 2 : BAR_WIDTH;
    const int left = room - width < WHAT_WIDTH ? room - width : WHAT_WIDTH;
    const int filled = (int)lround(p->done * width);
    char bar[BAR_WIDTH + 1];
    memset(bar, '#', (size_t)filled);
    memset(bar + filled, '.', (size_t)(width - filled));
    bar[width] = '\0';
    (void)fprintf(stderr, "\r%s %3d %% %-*.*s", bar, (int)lround(p->done * 100.0), left, left, what);
    (void)fflush(stderr);
    p->shown = (size_t)(width + FIGURE_WIDTH + left);
}

void cli_progress_end(cli_progress_state *p)
{
    const size_t room = cli_columns() - 1;
    if (p->shown > 0)
        (void)fprintf(stderr, "\r%*s\r", (int)(p->shown < room ? p->shown : room), "");
    p->shown = 0;
}
