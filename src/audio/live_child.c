/* SPDX-License-Identifier: MIT
 * The child process that holds a device: its start, its signals and its end. */
#define _DEFAULT_SOURCE

#include "audio/live_job.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { PARENT_GONE_SIGNAL = SIGTERM };

uint64_t ltp_now_ns(void)
{
    struct timespec t = {0};
    (void)clock_gettime(CLOCK_MONOTONIC, &t);
    return (uint64_t)t.tv_sec * 1000000000U + (uint64_t)t.tv_nsec;
}

void ltp_sleep_ms(unsigned ms)
{
    const struct timespec t = {.tv_sec = ms / 1000, .tv_nsec = (long)(ms % 1000) * 1000000L};
    (void)nanosleep(&t, NULL); /* a signal may cut it short: the caller looks around then */
}

/* Blocked, SIGTERM stays pending and is asked for: no handler, so no mutable state. */
bool ltp_child_asked(void)
{
    sigset_t pending;
    return sigpending(&pending) == 0 && sigismember(&pending, PARENT_GONE_SIGNAL) == 1;
}

/* The terminal's signals are the caller's business: it asks for the fade-out. */
void ltp_child_begin(pid_t parent)
{
    static const int ignored[] = {SIGINT, SIGQUIT, SIGHUP, SIGTSTP, SIGTTIN, SIGTTOU, SIGPIPE, SIGUSR1, SIGUSR2};
    struct sigaction act = {.sa_handler = SIG_IGN};
    for (size_t i = 0; i < sizeof ignored / sizeof ignored[0]; i++)
        (void)sigaction(ignored[i], &act, NULL);
    act.sa_handler = SIG_DFL;
    (void)sigaction(SIGALRM, &act, NULL);
    (void)sigaction(SIGTERM, &act, NULL);
    (void)sigaction(SIGCHLD, &act, NULL);
    sigset_t set;
    (void)sigemptyset(&set);
    (void)sigaddset(&set, PARENT_GONE_SIGNAL);
    (void)sigprocmask(SIG_SETMASK, &set, NULL); /* the library's threads inherit it */
    (void)prctl(PR_SET_PDEATHSIG, PARENT_GONE_SIGNAL);
    if (getppid() != parent)
        _exit(1); /* it died before the line above */
    const int null = open("/dev/null", O_RDWR);
    for (int fd = 0; null >= 0 && fd <= 2; fd++)
        (void)dup2(null, fd); /* the sound libraries' chatter */
    if (null > 2)
        (void)close(null);
}

pid_t ltp_child_start(void (*work)(void *context), void *context)
{
    const pid_t parent = getpid();
    const pid_t child = fork();
    if (child != 0)
        return child;
    ltp_child_begin(parent);
    work(context);
    _exit(0); /* no exit handlers, no buffers: they are the caller's */
}

bool ltp_child_wait(pid_t child, double seconds)
{
    const uint64_t until = ltp_now_ns() + (uint64_t)(seconds * 1e9);
    for (;;) {
        int status = 0;
        const pid_t got = waitpid(child, &status, WNOHANG);
        if (got == child || (got < 0 && errno != EINTR))
            return true; /* ECHILD: somebody else's SIGCHLD setting reaped it */
        if (ltp_now_ns() >= until)
            return false;
        ltp_sleep_ms(2);
    }
}

void ltp_child_kill(pid_t child)
{
    (void)kill(child, SIGKILL);
    (void)ltp_child_wait(child, 1e-3 * LTP_KILL_MS);
}
