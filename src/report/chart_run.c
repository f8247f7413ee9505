/* SPDX-License-Identifier: MIT
 * Running gnuplot: no shell, no start-up files, an environment of our own, script and output through two files. */
#include "base/alloc.h"
#include "report/chart.h"

#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

enum { PATH_BYTES = 4096, OUTPUT_MAX = 48 * 1024 * 1024, PATIENCE_S = 30 };

static lt_status make_file(const char *folder, char path[PATH_BYTES], int *file, lt_error *err)
{
    const int length = snprintf(path, PATH_BYTES, "%s/lanetune-chart-XXXXXX", folder);
    *file = length > 0 && length < PATH_BYTES ? mkstemp(path) : -1;
    if (*file < 0) {
        path[0] = '\0';
        return ltp_fail(err, LT_E_IO,
                        "%.200s: no file for the charts can be made there (%s): name a folder that can be written",
                        folder, strerror(errno));
    }
    return LT_OK;
}

static bool write_all(int file, const char *data, size_t bytes)
{
    while (bytes > 0) {
        const ssize_t n = write(file, data, bytes);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return false;
        data += n;
        bytes -= (size_t)n;
    }
    return true;
}

/* Waits without a clock: sleeps are counted. A program that hangs is ended. */
static bool ended_well(pid_t child)
{
    const struct timespec pause = {.tv_nsec = 2000000L};
    for (long slept = 0; slept < 500L * PATIENCE_S; slept++) {
        int state = 0;
        const pid_t got = waitpid(child, &state, WNOHANG);
        if (got == child)
            return WIFEXITED(state) && WEXITSTATUS(state) == 0;
        if (got < 0 && errno != EINTR)
            return false;
        (void)nanosleep(&pause, NULL);
    }
    (void)kill(child, SIGKILL);
    while (waitpid(child, NULL, 0) < 0 && errno == EINTR)
        ;
    return false;
}

static bool run(const char *program, const char *script_path, const char *output_path)
{
    char name[] = "gnuplot", defaults[] = "-d", path[] = "PATH=/usr/local/bin:/usr/bin:/bin", locale[] = "LC_ALL=C",
         home[] = "HOME=/nonexistent";
    char *const arguments[] = {name, defaults, NULL};
    char *const environment[] = {path, locale, home, NULL};
    posix_spawn_file_actions_t files;
    if (posix_spawn_file_actions_init(&files) != 0)
        return false;
    pid_t child = -1;
    const bool started =
        posix_spawn_file_actions_addopen(&files, STDIN_FILENO, script_path, O_RDONLY, 0) == 0 &&
        posix_spawn_file_actions_addopen(&files, STDOUT_FILENO, output_path, O_WRONLY | O_TRUNC, 0) == 0 &&
        posix_spawn_file_actions_addopen(&files, STDERR_FILENO, "/dev/null", O_WRONLY, 0) == 0 &&
        posix_spawnp(&child, program, &files, NULL, arguments, environment) == 0;
    (void)posix_spawn_file_actions_destroy(&files);
    return started && ended_well(child);
}

static lt_status read_output(int file, char **out, size_t *bytes, lt_error *err)
{
    struct stat info;
    if (fstat(file, &info) != 0 || info.st_size < 0 || info.st_size > OUTPUT_MAX)
        return LT_OK; /* as if it had failed */
    char *data = ltp_alloc((size_t)info.st_size + 1, 1);
    if (data == NULL)
        return ltp_fail_nomem(err, "the charts");
    size_t done = 0;
    while (done < (size_t)info.st_size) {
        const ssize_t n = pread(file, data + done, (size_t)info.st_size - done, (off_t)done);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            break;
        done += (size_t)n;
    }
    data[done] = '\0';
    *out = data;
    *bytes = done;
    return LT_OK;
}

lt_status ltp_gnuplot_run(const lt_report_options *opt, const char *script, size_t length, char **out, size_t *bytes,
                          lt_error *err)
{
    char script_path[PATH_BYTES] = "", output_path[PATH_BYTES] = "";
    int script_file = -1, output_file = -1;
    *out = NULL;
    *bytes = 0;
    if (opt->gnuplot == NULL || opt->gnuplot[0] == '\0' || opt->scratch == NULL)
        return LT_OK;
    lt_status status = make_file(opt->scratch, script_path, &script_file, err);
    if (status == LT_OK)
        status = make_file(opt->scratch, output_path, &output_file, err);
    if (status == LT_OK && !write_all(script_file, script, length))
        status = ltp_fail(err, LT_E_IO, "%.200s: the charts' script cannot be written (%s): is the disk full?",
                          opt->scratch, strerror(errno));
    if (status == LT_OK && run(opt->gnuplot, script_path, output_path))
        status = read_output(output_file, out, bytes, err);
    if (script_file >= 0)
        (void)close(script_file);
    if (output_file >= 0)
        (void)close(output_file);
    if (script_path[0] != '\0')
        (void)unlink(script_path);
    if (output_path[0] != '\0')
        (void)unlink(output_path);
    return status;
}
