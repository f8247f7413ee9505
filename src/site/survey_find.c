/* SPDX-License-Identifier: MIT
 * Recordings by their names: PATH[.CONDITION].wav in visits/DATE/lane-N/ and visits/DATE/counter-N/. */
#include "base/alloc.h"
#include "site/survey.h"
#include "site/words.h"
#include "site/yaml.h"

#include <dirent.h>
#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <strings.h>
#include <sys/stat.h>

/* Endings of sound files: the first two are read, the others are told to be converted. */
static const char *const sound_endings[] = {"wav",  "flac", "aif", "aiff", "ogg", "opus", "w64",
                                            "rf64", "caf",  "au",  "mp3",  "m4a", "wma"};
enum { READ_ENDINGS = 2 };

/* Number of the ending among sound_endings, -1 for none. */
static int sound_ending(const char *name)
{
    const char *dot = strrchr(name, '.');
    for (size_t i = 0; dot != NULL && dot != name && i < LTP_COUNT(sound_endings); i++)
        if (strcasecmp(dot + 1, sound_endings[i]) == 0)
            return (int)i;
    return -1;
}

static bool is_of_counter(lt_path p)
{
    return p == LT_PATH_INBOUND || p == LT_PATH_COUNTER_COUPLING || p == LT_PATH_NOISE_COUNTER ||
           p == LT_PATH_CROSS_COUPLING;
}

static void note_unknown_path(lt_notes *notes, const char *file, const char *word)
{
    const char *words[LT_PATH_COUNT];
    char list[240] = "";
    for (unsigned i = 0, used = 0; i < LT_PATH_COUNT; i++) {
        words[i] = lt_path_name((lt_path)i);
        used += (unsigned)snprintf(list + used, sizeof list - used, "%s%s", i > 0 ? ", " : "", words[i]);
    }
    const char *nearest = ltp_nearest_word(word, words, LT_PATH_COUNT);
    if (strncmp(word, "cross-coupling", strlen("cross-coupling")) == 0)
        lt_notes_add(notes, "file-name",
                     "%s is not used: the name is cross-coupling-from-N, N the number of the lane or counter that was "
                     "played to; rename it.",
                     file);
    else if (nearest != NULL)
        lt_notes_add(notes, "file-name", "%s is not used: there is no path '%.40s'; is '%s' meant? Rename it.", file,
                     word, nearest);
    else
        lt_notes_add(notes, "file-name", "%s is not used: its name begins with none of %s-from-N.", file, list);
}

/* Takes a name apart. False: it is no recording; a sound file gets a note that says why. */
static bool read_name(const char *name, bool of_counter, lt_recording *r, lt_notes *notes)
{
    char stem[256];
    const int ending = sound_ending(name);
    if (ending < 0)
        return false;
    (void)snprintf(stem, sizeof stem, "%.*s", (int)(strrchr(name, '.') - name), name);
    if (strcmp(stem, "stimulus") == 0 || strncmp(stem, "stimulus.", 9) == 0)
        return false;
    char *dot = strchr(stem, '.');
    if (dot != NULL)
        *dot = '\0';
    if (!lt_path_from_word(stem, &r->path, &r->from)) {
        note_unknown_path(notes, r->file, stem);
    } else if (ending >= READ_ENDINGS) {
        lt_notes_add(notes, "file-name", "%s is not used: recordings are .wav or .flac files; convert it.", r->file);
    } else if (dot != NULL && !ltp_is_condition(dot + 1)) {
        lt_notes_add(notes, "file-name",
                     "%s is not used: the condition '%.60s' is not a word of small letters, digits and '-'; rename it.",
                     r->file, dot + 1);
    } else if (of_counter && !is_of_counter(r->path)) {
        lt_notes_add(notes, "file-name", "%s is not used: %s belongs in the folder of a lane; move it there.", r->file,
                     lt_path_name(r->path));
    } else {
        (void)snprintf(r->condition, sizeof r->condition, "%.*s", (int)sizeof r->condition - 1,
                       dot != NULL ? dot + 1 : "");
        return true;
    }
    return false;
}

static int compare(const lt_recording *a, const lt_recording *b)
{
    if (a->path != b->path)
        return a->path < b->path ? -1 : 1;
    if (a->from != b->from)
        return a->from < b->from ? -1 : 1;
    const int by_condition = strcmp(a->condition, b->condition);
    return by_condition != 0 ? by_condition : strcmp(a->file, b->file);
}

static lt_status insert(ltp_found *f, const lt_recording *r, lt_error *err)
{
    lt_recording *grown = ltp_realloc(f->items, f->count + 1, sizeof *grown);
    if (grown == NULL)
        return ltp_fail_nomem(err, "the list of recordings");
    f->items = grown;
    size_t i = f->count++;
    for (; i > 0 && compare(&grown[i - 1], r) > 0; i--)
        grown[i] = grown[i - 1];
    grown[i] = *r;
    return LT_OK;
}

/* A folder lists its files in any order; what is said of them must not depend on it. */
static void sort_notes(lt_notes *notes, size_t first)
{
    for (size_t i = first + 1; i < notes->count; i++) {
        const lt_note n = notes->items[i];
        size_t k = i;
        for (; k > first && strcmp(notes->items[k - 1].message, n.message) > 0; k--)
            notes->items[k] = notes->items[k - 1];
        notes->items[k] = n;
    }
}

/* outbound.wav beside outbound.flac: which one counts would be a guess, so the WAV counts and that is said. */
static void drop_doubles(ltp_found *f, lt_notes *notes)
{
    for (size_t i = 1; i < f->count;) {
        const lt_recording *a = &f->items[i - 1], *b = &f->items[i];
        if (a->path != b->path || a->from != b->from || strcmp(a->condition, b->condition) != 0) {
            i++;
            continue;
        }
        const size_t drop = sound_ending(b->file) == 0 && sound_ending(a->file) != 0 ? i - 1 : i;
        lt_notes_add(notes, "file-name", "%.110s is not used: %.110s is there too; remove one.", f->items[drop].file,
                     f->items[drop == i ? i - 1 : i].file);
        memmove(&f->items[drop], &f->items[drop + 1], (f->count - drop - 1) * sizeof *f->items);
        f->count--;
    }
}

lt_status ltp_find_recordings(const char *dir, const char *date, bool of_counter, unsigned number, ltp_found *out,
                              lt_notes *notes, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], folder[32];
    const size_t noted = notes->count;
    *out = (ltp_found){0};
    ltp_folder_name(of_counter, number, folder);
    lt_status st = ltp_site_path(path, err, "%s/visits/%s/%s", dir, date, folder);
    if (st != LT_OK)
        return st;
    DIR *d = opendir(path);
    if (d == NULL)
        return errno == ENOENT ? LT_OK
                               : ltp_fail(err, LT_E_IO, "%s: the folder cannot be read; check its permissions", path);
    for (const struct dirent *e = readdir(d); e != NULL && st == LT_OK; e = readdir(d)) {
        lt_recording r = {.shared = of_counter, .number = number};
        if (e->d_name[0] == '.') /* hidden files, and our own half-written ones */
            continue;
        const int n = snprintf(r.file, sizeof r.file, "visits/%s/%s/%s", date, folder, e->d_name);
        if (n > 0 && (size_t)n < sizeof r.file && read_name(e->d_name, of_counter, &r, notes))
            st = insert(out, &r, err);
    }
    (void)closedir(d);
    sort_notes(notes, noted);
    if (st == LT_OK) {
        drop_doubles(out, notes);
        return LT_OK;
    }
    ltp_free(out->items);
    *out = (ltp_found){0};
    return st;
}

lt_status ltp_find_stimulus(const char *dir, const char *date, const char *folder, const char *word,
                            const char *condition, char file[320], lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    for (int place = condition[0] != '\0' ? 0 : 1; place < 4; place++)
        for (int ending = 0; ending < READ_ENDINGS; ending++) {
            struct stat s;
            const bool of_path = place < 2, here = place < 3;
            (void)snprintf(file, 320, "visits/%.40s/%.40s%sstimulus%s%s%s%.64s.%s", date, here ? folder : "",
                           here ? "/" : "", of_path ? "." : "", of_path ? word : "", place == 0 ? "." : "",
                           place == 0 ? condition : "", sound_endings[ending]);
            const lt_status st = ltp_site_path(path, err, "%s/%s", dir, file);
            if (st != LT_OK || stat(path, &s) == 0)
                return st;
        }
    file[0] = '\0';
    return LT_OK;
}

static bool is_known_folder(const char *name, const lt_site *site)
{
    char known[32];
    for (size_t i = 0; i < site->lane_count; i++) {
        ltp_folder_name(false, site->lanes[i].tune.lane, known);
        if (strcmp(name, known) == 0)
            return true;
    }
    for (size_t i = 0; i < site->counter_count; i++) {
        ltp_folder_name(true, site->counters[i].counter, known);
        if (strcmp(name, known) == 0)
            return true;
    }
    return false;
}

lt_status ltp_find_strange_folders(const char *dir, const char *date, const lt_site *site, lt_notes *notes,
                                   lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    const size_t noted = notes->count;
    lt_status st = ltp_site_path(path, err, "%s/visits/%s", dir, date);
    DIR *d = st == LT_OK ? opendir(path) : NULL;
    for (const struct dirent *e = d == NULL ? NULL : readdir(d); e != NULL; e = readdir(d)) {
        struct stat s;
        if (e->d_name[0] == '.' || is_known_folder(e->d_name, site))
            continue;
        st = ltp_site_path(path, err, "%s/visits/%s/%s", dir, date, e->d_name);
        if (st != LT_OK)
            break;
        if (stat(path, &s) == 0 && S_ISDIR(s.st_mode))
            lt_notes_add(notes, "folder-name",
                         "visits/%s/%.60s is not used: site.yaml has no such lane or counter; folders are lane-N and "
                         "counter-N.",
                         date, e->d_name);
        else if (sound_ending(e->d_name) >= 0 && strncmp(e->d_name, "stimulus.", 9) != 0)
            lt_notes_add(notes, "file-name", "visits/%s/%.60s is not used: recordings lie in lane-N or counter-N.",
                         date, e->d_name);
    }
    if (d != NULL)
        (void)closedir(d);
    sort_notes(notes, noted);
    return st;
}
