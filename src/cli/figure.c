/* SPDX-License-Identifier: MIT
 * Charts out of a command: where gnuplot may write meanwhile, and the file that --chart names. */
#include "cli.h"

#include "base/alloc.h"

#include <dirent.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { PATH_BYTES = 4096 };

lt_status cli_make_scratch(char *path, size_t bytes, lt_error *err)
{
    const char *base = getenv("TMPDIR");
    if (base == NULL || base[0] != '/')
        base = "/tmp";
    if (cli_join(path, bytes, base, "lanetune-charts-XXXXXX", NULL) == LT_OK && mkdtemp(path) != NULL)
        return LT_OK;
    return ltp_fail(err, LT_E_IO,
                    "%s: no folder for the charts can be made there; set TMPDIR to one that can be written", base);
}

void cli_remove_scratch(const char *path)
{
    char file[PATH_BYTES];
    DIR *d = opendir(path);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0 &&
            cli_join(file, sizeof file, path, e->d_name, NULL) == LT_OK)
            (void)unlink(file);
    }
    if (d != NULL)
        (void)closedir(d);
    (void)rmdir(path);
}

static bool format_of(const char *path, lt_figure_format *out)
{
    const char *dot = strrchr(path, '.');
    if (dot == NULL || dot == path || strchr(dot, '/') != NULL)
        return false;
    *out = strcmp(dot, ".png") == 0 ? LT_FIGURE_PNG : LT_FIGURE_SVG;
    return *out == LT_FIGURE_PNG || strcmp(dot, ".svg") == 0;
}

static lt_status fail_format(const char *path, lt_error *err)
{
    return ltp_fail(err, LT_E_ARG, "%s: a chart is an .svg or a .png file; end its name so", path);
}

lt_status cli_check_figure(const cli_args *a, lt_error *err)
{
    lt_figure_format format;
    for (size_t i = 0; i < a->command->option_count; i++) {
        const char *path = a->values[i];
        if (path != NULL && strcmp(a->command->options[i].name, "chart") == 0 && !format_of(path, &format))
            return fail_format(path, err);
    }
    return LT_OK;
}

lt_status cli_save_figure(const cli_args *a, cli_draw draw, const void *what, lt_error *err)
{
    char scratch[PATH_BYTES];
    char *data = NULL;
    size_t bytes = 0;
    lt_figure_format format;
    const char *path = cli_text(a, "chart", NULL);
    if (path == NULL)
        return LT_OK;
    if (!format_of(path, &format))
        return fail_format(path, err);
    cli_hold_signals();
    lt_status status = cli_make_scratch(scratch, sizeof scratch, err);
    if (status == LT_OK) {
        const lt_report_options options = {.version = LT_VERSION, .gnuplot = "gnuplot", .scratch = scratch};
        status = draw(what, &options, format, &data, &bytes, err);
        cli_remove_scratch(scratch);
    }
    if (status == LT_OK)
        status = lt_file_save(path, data, bytes, err);
    cli_release_signals();
    lt_text_free(data);
    return status;
}
