/* SPDX-License-Identifier: MIT
 * Writing a file beside its place and renaming it; opening regular files only. */
#define _XOPEN_SOURCE 700 /* realpath */

#include "audio/beside.h"
#include "base/alloc.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* The usual causes in the technician's words; NULL for the others. */
static const char *reason_text(int cause)
{
    switch (cause) {
    case ENOENT:
        return "there is no such file or folder; check the name";
    case ENOTDIR:
        return "a part of this path is no folder; check the name";
    case EACCES:
    case EPERM:
        return "access is denied; check the permissions of the file and its folder";
    case EROFS:
        return "the disk is write-protected; choose another folder";
    case ENOSPC:
    case EDQUOT:
        return "the disk is full; make room and try again";
    case EFBIG:
        return "the file grew over the size that is allowed here; choose another disk or a shorter recording";
    case ENAMETOOLONG:
        return "the name is too long; choose a shorter one";
    case EMFILE:
    case ENFILE:
        return "too many files are open; close other programs";
    case ELOOP:
        return "its links lead in a circle; check them";
    case EIO:
        return "the disk reports an error; try another one";
    default:
        return NULL;
    }
}

static lt_status fail_io(lt_error *err, const char *verb, const char *path, int cause)
{
    const char *reason = reason_text(cause);
    if (reason != NULL)
        return ltp_fail(err, LT_E_IO, "%s: cannot %s it: %s", path, verb, reason);
    return ltp_fail(err, LT_E_IO, "%s: cannot %s it (system error %d); check the disk and the path", path, verb, cause);
}

/* Where the file will really lie: a link stays a link, its target is replaced. */
static lt_status resolve(const char *path, char final_path[LTP_PATH_MAX], mode_t *old_mode, lt_error *err)
{
    struct stat st;
    *old_mode = 0;
    if (path[0] == '\0' || strlen(path) >= LTP_PATH_MAX)
        return ltp_fail(err, LT_E_ARG, "%s: a file name of 1 to %d characters is needed", path[0] ? "name" : "\"\"",
                        LTP_PATH_MAX - 1);
    memcpy(final_path, path, strlen(path) + 1);
    if (lstat(path, &st) != 0) {
        if (errno != ENOENT)
            return fail_io(err, "write", path, errno);
        return path[strlen(path) - 1] == '/' ? ltp_fail(err, LT_E_ARG, "%s: this names a folder; add a file name", path)
                                             : LT_OK;
    }
    /* PATH_MAX of Linux is 4096, the size of the buffer. */
    if (S_ISLNK(st.st_mode) && (realpath(path, final_path) == NULL || stat(final_path, &st) != 0))
        return fail_io(err, "write", path, errno);
    if (S_ISDIR(st.st_mode))
        return ltp_fail(err, LT_E_ARG, "%s: is a folder; give the name of a file", path);
    if (!S_ISREG(st.st_mode))
        return ltp_fail(err, LT_E_ARG, "%s: is a device or a pipe and is not replaced; give the name of a file", path);
    *old_mode = st.st_mode & 0777;
    return LT_OK;
}

lt_status ltp_beside_open(const char *path, ltp_beside *b, lt_error *err)
{
    mode_t old_mode = 0;
    *b = (ltp_beside){.shown = path, .fd = -1};
    const lt_status st = resolve(path, b->final_path, &old_mode, err);
    if (st != LT_OK)
        return st;
    const char *slash = strrchr(b->final_path, '/');
    const int folder = slash == NULL ? 0 : (int)(slash - b->final_path) + 1;
    for (unsigned attempt = 0; attempt < 10000; attempt++) {
        const int n = snprintf(b->part_path, sizeof b->part_path, "%.*s.lanetune-part-%ld-%u", folder, b->final_path,
                               (long)getpid(), attempt);
        if (n < 0 || (size_t)n >= sizeof b->part_path)
            return fail_io(err, "write", path, ENAMETOOLONG);
        b->fd = open(b->part_path, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
        if (b->fd >= 0) {
            if (old_mode != 0)
                (void)fchmod(b->fd, old_mode); /* keeping the old permissions is a courtesy, not a condition */
            return LT_OK;
        }
        if (errno != EEXIST)
            return fail_io(err, "write", path, errno);
    }
    return ltp_fail(err, LT_E_IO, "%s: its folder is full of .lanetune-part files; remove them", path);
}

lt_status ltp_beside_failed(const ltp_beside *b, int cause, lt_error *err)
{
    return fail_io(err, "write", b->shown, cause);
}

void ltp_beside_abandon(ltp_beside *b)
{
    if (b->fd < 0)
        return;
    (void)close(b->fd);
    (void)unlink(b->part_path);
    b->fd = -1;
}

/* The new name itself must reach the disk too. Some file systems cannot do that for a folder: no reason to fail. */
static void sync_folder(const char *final_path)
{
    char folder[LTP_PATH_MAX];
    const char *slash = strrchr(final_path, '/');
    const size_t n = slash == NULL ? 0 : (size_t)(slash - final_path) + 1;
    memcpy(folder, n > 0 ? final_path : ".", n > 0 ? n : 1);
    folder[n > 0 ? n : 1] = '\0';
    const int fd = open(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0)
        return;
    (void)fsync(fd);
    (void)close(fd);
}

lt_status ltp_beside_commit(ltp_beside *b, lt_error *err)
{
    int cause = 0;
    if (fsync(b->fd) != 0 && errno != EINVAL)
        cause = errno;
    if (close(b->fd) != 0 && cause == 0)
        cause = errno;
    b->fd = -1;
    if (cause == 0 && rename(b->part_path, b->final_path) != 0)
        cause = errno;
    if (cause != 0) {
        (void)unlink(b->part_path);
        return ltp_beside_failed(b, cause, err);
    }
    sync_folder(b->final_path);
    return LT_OK;
}

lt_status ltp_open_regular(const char *path, const char *kind, int *fd, uint64_t *bytes, lt_error *err)
{
    struct stat st;
    *fd = -1;
    *bytes = 0;
    /* Non-blocking: a pipe without a writer must not hang us. It means nothing to a regular file. */
    const int f = open(path, O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (f < 0)
        return fail_io(err, "read", path, errno);
    lt_status status = LT_OK;
    if (fstat(f, &st) != 0)
        status = fail_io(err, "read", path, errno);
    else if (S_ISDIR(st.st_mode))
        status = ltp_fail(err, LT_E_IO, "%s: is a folder; give the name of %s", path, kind);
    else if (!S_ISREG(st.st_mode))
        status = ltp_fail(err, LT_E_IO, "%s: is a device or a pipe; give the name of %s", path, kind);
    else if (st.st_size <= 0)
        status = ltp_fail(err, LT_E_FORMAT, "%s: the file is empty; give the name of %s", path, kind);
    if (status != LT_OK) {
        (void)close(f);
        return status;
    }
    *fd = f;
    *bytes = (uint64_t)st.st_size;
    return LT_OK;
}
