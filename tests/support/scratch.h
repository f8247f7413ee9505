/* SPDX-License-Identifier: MIT
 * A folder of its own for a test: below $TMPDIR, or else below the working directory (the build tree under ctest). */
#ifndef LT_TESTS_SCRATCH_H
#define LT_TESTS_SCRATCH_H

#include <dirent.h>
#include <fcntl.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

typedef struct {
    char path[1024];
} scratch;

static inline scratch scratch_make(void)
{
    scratch s;
    const char *base = getenv("TMPDIR");
    (void)snprintf(s.path, sizeof s.path, "%s/lanetune-test-XXXXXX", base != NULL && base[0] != '\0' ? base : ".");
    if (mkdtemp(s.path) == NULL) {
        perror(s.path);
        exit(2);
    }
    return s;
}

/** A name below the folder; the text lives in s->names until 16 more were asked for. */
typedef struct {
    char text[16][1400];
    unsigned next;
} scratch_names;

static inline char *scratch_at(const scratch *s, scratch_names *n, const char *name)
{
    char *t = n->text[n->next++ % 16];
    const int length = snprintf(t, sizeof n->text[0], "%s/%s", s->path, name);
    return length > 0 && (size_t)length < sizeof n->text[0] ? t : NULL;
}

static inline void scratch_remove_path(const char *path)
{
    struct stat st;
    if (lstat(path, &st) != 0)
        return;
    if (!S_ISDIR(st.st_mode)) {
        (void)unlink(path);
        return;
    }
    (void)chmod(path, 0700);
    DIR *d = opendir(path);
    for (struct dirent *e = d == NULL ? NULL : readdir(d); e != NULL; e = readdir(d)) {
        char below[2048];
        if (strcmp(e->d_name, ".") == 0 || strcmp(e->d_name, "..") == 0)
            continue;
        const int n = snprintf(below, sizeof below, "%s/%s", path, e->d_name);
        if (n > 0 && (size_t)n < sizeof below)
            scratch_remove_path(below);
    }
    if (d != NULL)
        (void)closedir(d);
    (void)rmdir(path);
}

static inline void scratch_remove(const scratch *s)
{
    scratch_remove_path(s->path);
}

/** Number of entries in a folder, "." and ".." left out; -1 if it cannot be read. */
static inline int scratch_count(const char *path)
{
    DIR *d = opendir(path);
    int n = d == NULL ? -1 : 0;
    for (struct dirent *e = d == NULL ? NULL : readdir(d); e != NULL; e = readdir(d))
        n += strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0;
    if (d != NULL)
        (void)closedir(d);
    return n;
}

static inline bool scratch_write(const char *path, const void *data, size_t bytes)
{
    FILE *f = fopen(path, "wb");
    if (f == NULL)
        return false;
    const bool good = fwrite(data, 1, bytes, f) == bytes;
    return fclose(f) == 0 && good;
}

/** Up to room bytes of a file; (size_t)-1 if it cannot be opened. */
static inline size_t scratch_read(const char *path, void *data, size_t room)
{
    FILE *f = fopen(path, "rb");
    if (f == NULL)
        return (size_t)-1;
    const size_t n = fread(data, 1, room, f);
    (void)fclose(f);
    return n;
}

#endif
