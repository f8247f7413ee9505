/* SPDX-License-Identifier: MIT
 * Which files `lanetune scan` looks at: files as named, folders with everything below. */
#include "scan.h"

#include "base/alloc.h"

#include <dirent.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

enum { PATH_BYTES = 4096, DEPTH_MAX = 32, FILES_MAX = 1000000 };

static lt_status add_path(scan_list *l, const char *path, lt_error *err)
{
    if (l->count == FILES_MAX)
        return ltp_fail(err, LT_E_ARG, "more than %d files; scan the folders one by one", FILES_MAX);
    if (l->count == l->room) {
        const size_t room = l->room == 0 ? 64 : 2 * l->room;
        char **grown = ltp_realloc(l->paths, room, sizeof *grown);
        if (grown == NULL)
            return ltp_fail_nomem(err, "the list of files");
        l->paths = grown;
        l->room = room;
    }
    char *copy = ltp_alloc(strlen(path) + 1, 1);
    if (copy == NULL)
        return ltp_fail_nomem(err, "the list of files");
    memcpy(copy, path, strlen(path) + 1);
    l->paths[l->count++] = copy;
    return LT_OK;
}

void scan_list_free(scan_list *l)
{
    for (size_t i = 0; i < l->count; i++)
        ltp_free(l->paths[i]);
    ltp_free(l->paths);
    *l = (scan_list){0};
}

static bool is_sound_name(const char *name)
{
    static const char *const ends[] = {".wav", ".wave", ".w64", ".rf64", ".flac", ".aif",  ".aiff", ".aifc",
                                       ".au",  ".snd",  ".caf", ".ogg",  ".oga",  ".opus", ".mp3",  ".bwf"};
    const char *dot = strrchr(name, '.');
    for (size_t i = 0; dot != NULL && dot != name && i < LTP_COUNT(ends); i++)
        if (strcasecmp(dot, ends[i]) == 0)
            return true;
    return false;
}

static lt_status add_folder(scan_list *l, const char *dir, int depth, lt_error *err);

static lt_status add_entry(scan_list *l, const char *dir, const char *name, int depth, lt_error *err)
{
    char path[PATH_BYTES];
    struct stat st;
    if (name[0] == '.')
        return LT_OK;
    const lt_status joined = cli_join(path, sizeof path, dir, name, err);
    if (joined != LT_OK)
        return joined;
    if (lstat(path, &st) == 0 && S_ISDIR(st.st_mode)) /* a link to a folder could lead in a circle */
        return add_folder(l, path, depth + 1, err);
    return is_sound_name(name) ? add_path(l, path, err) : LT_OK;
}

static lt_status add_folder(scan_list *l, const char *dir, int depth, lt_error *err)
{
    struct dirent **entries = NULL;
    if (depth > DEPTH_MAX)
        return ltp_fail(err, LT_E_ARG, "%s: folders more than %d deep", dir, DEPTH_MAX);
    const int count = scandir(dir, &entries, NULL, alphasort);
    if (count < 0)
        return ltp_fail(err, LT_E_IO, "%s: the folder cannot be read; check its permissions", dir);
    lt_status status = LT_OK;
    for (int i = 0; i < count; i++) {
        if (status == LT_OK)
            status = add_entry(l, dir, entries[i]->d_name, depth, err);
        free(entries[i]);
    }
    free(entries);
    return status;
}

lt_status scan_list_add(scan_list *l, const char *word, lt_error *err)
{
    struct stat st;
    if (stat(word, &st) != 0 || !S_ISDIR(st.st_mode))
        return add_path(l, word, err);
    const size_t before = l->count;
    const lt_status status = add_folder(l, word, 0, err);
    if (status != LT_OK || l->count > before)
        return status;
    return ltp_fail(err, LT_E_ARG, "%s: no sound file in this folder or below (.wav, .flac, .aiff, ...)", word);
}
