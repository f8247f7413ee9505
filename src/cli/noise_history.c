/* SPDX-License-Identifier: MIT
 * A level history written to a file while the recording goes by: a day of it never lies in memory. */
#include "noise_history.h"

#include "base/alloc.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

bool cli_parse_interval(const char *text, double *seconds)
{
    static const struct {
        const char *unit;
        double seconds;
    } units[] = {{"ms", 1e-3}, {"s", 1.0}, {"m", 60.0}, {"min", 60.0}, {"h", 3600.0}};
    char *end = NULL;
    if (text[0] < '0' || text[0] > '9')
        return false;
    const double value = strtod(text, &end);
    if (!isfinite(value) || value <= 0.0)
        return false;
    for (size_t i = 0; i < LTP_COUNT(units); i++)
        if (strcmp(end, units[i].unit) == 0) {
            *seconds = value * units[i].seconds;
            return true;
        }
    return false;
}

static lt_status fail_write(const cli_history *h, lt_error *err)
{
    return ltp_fail(err, LT_E_IO, "%s: writing failed (%s); check the folder and the space on the disk", h->path,
                    strerror(errno));
}

lt_status cli_history_open(cli_history *h, const char *path, lt_error *err)
{
    *h = (cli_history){.path = path, .head = true};
    const size_t bytes = strlen(path) + sizeof ".part";
    h->part = ltp_alloc(bytes, 1);
    if (h->part == NULL)
        return ltp_fail_nomem(err, path);
    (void)snprintf(h->part, bytes, "%s.part", path);
    h->file = fopen(h->part, "w");
    return h->file == NULL ? fail_write(h, err) : LT_OK;
}

void cli_history_row(void *context, const lt_level_row *row)
{
    cli_history *h = context;
    char *text = NULL;
    if (h->status != LT_OK)
        return;
    h->status = lt_csv_level_row(row, h->head, &text, &h->error);
    h->head = false;
    if (h->status == LT_OK && fputs(text, h->file) == EOF)
        h->status = fail_write(h, &h->error);
    lt_text_free(text);
}

lt_status cli_history_close(cli_history *h, bool keep, lt_error *err)
{
    lt_status status = h->status;
    if (status != LT_OK)
        (void)ltp_fail(err, status, "%s", h->error.what);
    if (h->file != NULL && fclose(h->file) != 0 && status == LT_OK)
        status = fail_write(h, err);
    const bool written = h->file != NULL && status == LT_OK && keep;
    if (written && rename(h->part, h->path) != 0)
        status = fail_write(h, err);
    if (h->file != NULL && !(written && status == LT_OK))
        (void)unlink(h->part);
    ltp_free(h->part);
    h->part = NULL;
    h->file = NULL;
    return status;
}
