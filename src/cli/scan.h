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

enum { SCAN_WHY_BYTES = 512 };
/** Everything about one file; its failure or doubt, if any, is kept in `why`. stimulus may be NULL. */
void scan_file(const char *path, const lt_signal *stimulus, lt_scanned *out, char why[SCAN_WHY_BYTES]);
/** What only the stimulus can tell: rattle, rub, polarity, order of the channels. Failure: of the first channel. */
LT_NODISCARD lt_status scan_with_stimulus(const char *path, const lt_signal *stimulus, lt_scanned *out, lt_error *err);

#endif
