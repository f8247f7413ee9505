/* SPDX-License-Identifier: MIT
 * Whole files of text or bytes: load with a limit, save beside and rename. */
#include <lanetune/audio.h>

#include "audio/beside.h"
#include "base/alloc.h"

#include <errno.h>
#include <unistd.h>

/* Everything or an errno value. */
static int write_all(int fd, const char *data, size_t bytes)
{
    while (bytes > 0) {
        const ssize_t n = write(fd, data, bytes);
        if (n < 0 && errno == EINTR)
            continue;
        if (n <= 0)
            return n < 0 ? errno : ENOSPC;
        data += n;
        bytes -= (size_t)n;
    }
    return 0;
}

lt_status lt_file_save(const char *path, const void *data, size_t bytes, lt_error *err)
{
    ltp_beside b;
    const lt_status st = ltp_beside_open(path, &b, err);
    if (st != LT_OK)
        return st;
    const int cause = write_all(b.fd, data, bytes);
    if (cause != 0) {
        ltp_beside_abandon(&b);
        return ltp_beside_failed(&b, cause, err);
    }
    return ltp_beside_commit(&b, err);
}

/* Reads to the end; one byte more than max_bytes proves that the file is too large. */
static lt_status read_all(int fd, const char *path, size_t max_bytes, char **data, size_t *bytes, lt_error *err)
{
    size_t room = 0;
    for (;;) {
        if (room - *bytes < 2) {
            room = room == 0 ? 8192 : 2 * room;
            char *grown = ltp_realloc(*data, room, 1);
            if (grown == NULL)
                return ltp_fail_nomem(err, path);
            *data = grown;
        }
        const ssize_t n = read(fd, *data + *bytes, room - *bytes - 1);
        if (n < 0 && errno == EINTR)
            continue;
        if (n < 0)
            return ltp_fail(err, LT_E_IO, "%s: reading failed after %zu bytes; check the disk", path, *bytes);
        if (n == 0)
            break;
        *bytes += (size_t)n;
        if (*bytes > max_bytes)
            return ltp_fail(err, LT_E_ARG, "%s: the file is larger than %zu bytes, too large for its kind; check it",
                            path, max_bytes);
    }
    (*data)[*bytes] = '\0';
    return LT_OK;
}

lt_status lt_file_load(const char *path, size_t max_bytes, char **out, size_t *bytes, lt_error *err)
{
    char *data = NULL;
    size_t count = 0;
    uint64_t size = 0;
    int fd = -1;
    *out = NULL;
    *bytes = 0;
    lt_status st = ltp_open_regular(path, "a file with content", &fd, &size, err);
    if (st != LT_OK)
        return st;
    st = read_all(fd, path, max_bytes, &data, &count, err);
    (void)close(fd);
    if (st != LT_OK) {
        ltp_free(data);
        return st;
    }
    *out = data;
    *bytes = count;
    return LT_OK;
}

void lt_file_free(char *data)
{
    ltp_free(data);
}
