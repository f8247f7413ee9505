/* SPDX-License-Identifier: MIT
 * A level history written to a file while the recording goes by. */
#ifndef CLI_NOISE_HISTORY_H
#define CLI_NOISE_HISTORY_H

#include "cli.h"

/** "125ms", "1s", "1.5m", "1h" -> seconds; false for anything else. */
bool cli_parse_interval(const char *text, double *seconds);

typedef struct {
    const char *path;
    char *part; /* written beside and renamed */
    FILE *file;
    bool head;
    lt_status status;
    lt_error error;
} cli_history;
/** Open beside `path`; rows come through cli_history_row as an lt_level_watch with the history as context. */
LT_NODISCARD lt_status cli_history_open(cli_history *h, const char *path, lt_error *err);
void cli_history_row(void *context, const lt_level_row *row);
/** keep: rename into place; otherwise nothing stays behind. */
LT_NODISCARD lt_status cli_history_close(cli_history *h, bool keep, lt_error *err);

#endif
