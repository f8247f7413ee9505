/* SPDX-License-Identifier: MIT
 * The parts of `lanetune scan`: which files, and one file. */
#ifndef CLI_SCAN_H
#define CLI_SCAN_H

#include "cli.h"

/** Paths of sound files, owned. */
typedef struct {
    char **paths;
    size_t count, room;
} scan_list;
/** A file as it is named; of a folder, what has the name of a sound file, with all folders below, sorted by name.
 * A word that is neither is added too: reading it will say why. LT_E_ARG: a folder without any. */
LT_NODISCARD lt_status scan_list_add(scan_list *l, const char *word, lt_error *err);
void scan_list_free(scan_list *l);

/** Everything about one file; *out's failure is a copy in `why` [bytes] if it cannot be read. stimulus may be NULL. */
void scan_file(const char *path, const lt_signal *stimulus, lt_scanned *out, char *why, size_t bytes);

#endif
