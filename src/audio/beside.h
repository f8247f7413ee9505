/* SPDX-License-Identifier: MIT
 * Writing a file beside its place and renaming it, so that a reader sees the old file or the whole new one. */
#ifndef LTP_AUDIO_BESIDE_H
#define LTP_AUDIO_BESIDE_H

#include <lanetune/base.h>

enum { LTP_PATH_MAX = 4096 };

/** A file under way. Its temporary name is ".lanetune-part-PROCESS-NUMBER" in the folder of the final name. */
typedef struct {
    char final_path[LTP_PATH_MAX]; /* links resolved */
    char part_path[LTP_PATH_MAX];
    const char *shown; /* the caller's path, for messages */
    int fd;            /* -1 = closed */
} ltp_beside;

/** Create the temporary file. LT_E_IO: the folder is missing or not writable; LT_E_ARG: path is a folder or a device.
 */
LT_NODISCARD lt_status ltp_beside_open(const char *path, ltp_beside *b, lt_error *err);
/** Flush to the disk and rename. On failure nothing is left behind. */
LT_NODISCARD lt_status ltp_beside_commit(ltp_beside *b, lt_error *err);
/** Remove the temporary file; nothing happens after a commit. */
void ltp_beside_abandon(ltp_beside *b);
/** LT_E_IO with the reason of errno value `cause` while writing. */
lt_status ltp_beside_failed(const ltp_beside *b, int cause, lt_error *err);

/** Open a regular file for reading; folders, devices, pipes and empty files are refused with a sentence that calls
 * it `kind` ("a sound file"). *bytes is its size. */
LT_NODISCARD lt_status ltp_open_regular(const char *path, const char *kind, int *fd, uint64_t *bytes, lt_error *err);

#endif
