/* SPDX-License-Identifier: MIT
 * A visit that follows another: its name, its visit.yaml with the settings that were dialled in, and the recordings of
 * the older one that hold at these settings too. */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/survey.h"
#include "site/visit.h"
#include "site/words.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { SUFFIX_MAX = 99, COPY_BYTES = 1 << 16 };

/* ---- name ---- */

static bool is_listed(char *const *list, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(list[i], name) == 0)
            return true;
    return false;
}

lt_status lt_visit_next_name(const char *dir, const char *date, char name[32], lt_error *err)
{
    char **list = NULL;
    size_t count = 0;
    name[0] = '\0';
    if (!ltp_is_visit_name(date) || strlen(date) > 28)
        return ltp_fail(err, LT_E_ARG,
                        "visit '%.40s': use letters, digits, '-', '_' and '.', at most 28, such as 2024-05-14", date);
    lt_status st = lt_visit_list(dir, &list, &count, err);
    if (st != LT_OK)
        return st;
    (void)snprintf(name, 32, "%.28s", date);
    /* Two digits, so that the tenth sorts behind the second. */
    for (unsigned k = 2; k <= SUFFIX_MAX && is_listed(list, count, name); k++)
        (void)snprintf(name, 32, "%.28s-%02u", date, k);
    if (is_listed(list, count, name))
        st = ltp_fail(err, LT_E_ARG, "%s: %d visits of %s are there; give another name", dir, SUFFIX_MAX, date);
    else if (count > 0 && strcmp(list[count - 1], name) >= 0)
        st = ltp_fail(err, LT_E_ARG,
                      "%s: the visit '%s' sorts behind '%s' and would stay the latest one; set this machine's clock, "
                      "or give the new visit a name that sorts behind it",
                      dir, list[count - 1], name);
    lt_visit_list_free(list, count);
    return st;
}

/* ---- visit.yaml ---- */

static void put(ltp_sheet *t, const char *field, double x, const char *comment)
{
    ltp_sheet_add(t, "%s: ", field);
    ltp_sheet_number(t, x);
    ltp_sheet_add(t, "%s\n", comment);
}

static void put_text(ltp_sheet *t, const char *field, const char *text)
{
    ltp_sheet_add(t, "%s: ", field);
    ltp_sheet_quoted(t, text);
    ltp_sheet_add(t, "\n");
}

static void put_lists(ltp_sheet *t, const lt_visit *v)
{
    ltp_sheet_add(t, "conditions:%s\n", v->condition_count == 0 ? " []" : "");
    for (size_t i = 0; i < v->condition_count; i++) {
        ltp_sheet_add(t, "  - {condition: %s, text: ", v->conditions[i].condition);
        ltp_sheet_quoted(t, v->conditions[i].text);
        ltp_sheet_add(t, "}\n");
    }
    ltp_sheet_add(t, "settings:%s # where the adjusters stood while these recordings were made\n",
                  v->setting_count == 0 ? " []" : "");
    for (size_t i = 0; i < v->setting_count; i++) {
        ltp_sheet_add(t, "  - {lane: %u, outbound_db: ", v->settings[i].lane);
        ltp_sheet_number(t, v->settings[i].outbound_db);
        ltp_sheet_add(t, ", inbound_db: ");
        ltp_sheet_number(t, v->settings[i].inbound_db);
        ltp_sheet_add(t, "}\n");
    }
    ltp_sheet_add(t, "calibrations:%s\n", v->calibration_count == 0 ? " []" : "");
    for (size_t i = 0; i < v->calibration_count; i++) {
        ltp_sheet_add(t, "  - ");
        ltp_put_calibration(t, &v->calibrations[i]);
        ltp_sheet_add(t, "\n");
    }
}

lt_status lt_visit_save(const char *dir, const lt_visit *v, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    ltp_sheet t = {0};
    if (!ltp_is_visit_name(v->date))
        return ltp_fail(err, LT_E_ARG, "visit '%.40s': there is no such folder", v->date);
    lt_status st = ltp_site_path(path, err, "%s/visits/%s", dir, v->date);
    if (st == LT_OK)
        st = ltp_folder_make(path, err);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/visits/%s/visit.yaml", dir, v->date);
    if (st != LT_OK)
        return st;
    put_text(&t, "date", v->stated_date);
    put_text(&t, "who", v->who);
    put_text(&t, "weather", v->weather);
    put_text(&t, "notes", v->notes);
    put(&t, "mic_cal_db", v->mic_cal_db, " # measurement microphone: the SPL that reads 0 dBFS");
    ltp_sheet_add(&t, "mic_channel: %u\nline_channel: %u\n", v->mic_channel, v->line_channel);
    put(&t, "loopback_db", v->loopback_db, " # what 0 dBFS played reads on the line input");
    put(&t, "lane_mic_cal_db", v->lane_mic_cal_db, "");
    put_lists(&t, v);
    return ltp_sheet_save(&t, path, err);
}

/* ---- recordings that are carried over ---- */

/* In blocks: a recording of hours does not fit into memory. Written beside and renamed. */
static lt_status copy_file(const char *from, const char *to, const char *part, lt_error *err)
{
    struct stat s;
    size_t n = 0;
    lt_status st = LT_OK;
    if (lstat(to, &s) == 0)
        return LT_OK; /* what is there was measured there */
    char *block = ltp_alloc(COPY_BYTES, 1);
    FILE *in = fopen(from, "rb");
    FILE *out = in != NULL ? fopen(part, "wb") : NULL;
    bool good = block != NULL && out != NULL;
    while (good && (n = fread(block, 1, COPY_BYTES, in)) > 0)
        good = fwrite(block, 1, n, out) == n;
    good = good && ferror(in) == 0;
    good = (out == NULL || fclose(out) == 0) && good;
    if (in != NULL)
        (void)fclose(in);
    if (!good || rename(part, to) != 0) {
        st = block == NULL
                 ? ltp_fail_nomem(err, to)
                 : ltp_fail(err, LT_E_IO, "%s: cannot be copied to %s (%s); check the disk", from, to, strerror(errno));
        if (out != NULL)
            (void)unlink(part);
    }
    ltp_free(block);
    return st;
}

typedef struct {
    const char *dir, *from, *to;
} carry;

static lt_status copy_into(const carry *c, const char *file, const char *folder, const char *name, lt_error *err)
{
    char source[LTP_SITE_PATH_MAX], path[LTP_SITE_PATH_MAX], part[LTP_SITE_PATH_MAX];
    lt_status st = ltp_site_path(source, err, "%s/%s", c->dir, file);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/visits/%s/%s", c->dir, c->to, folder);
    if (st == LT_OK)
        st = ltp_folder_make(path, err);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/visits/%s/%s/%s", c->dir, c->to, folder, name);
    if (st == LT_OK)
        st = ltp_site_path(part, err, "%s/visits/%s/%s/.lanetune-part-%s", c->dir, c->to, folder, name);
    return st == LT_OK ? copy_file(source, path, part, err) : st;
}

/* The recording under its own name, what was played for it under the recording's. */
static lt_status carry_one(const carry *c, const char *folder, const char *into, const lt_recording *r, lt_error *err)
{
    char stimulus[320], name[200], word[LT_PATH_WORD_MAX];
    const char *base = strrchr(r->file, '/');
    lt_status st = copy_into(c, r->file, into, base != NULL ? base + 1 : r->file, err);
    if (st != LT_OK || !lt_path_is_swept(r->path))
        return st;
    lt_path_word(r->path, r->from, word);
    st = ltp_find_stimulus(c->dir, c->from, folder, word, r->condition, stimulus, err);
    const char *dot = strrchr(stimulus, '.');
    if (st != LT_OK || dot == NULL)
        return st;
    (void)snprintf(name, sizeof name, "stimulus.%s%s%.64s%.8s", word, r->condition[0] != '\0' ? "." : "", r->condition,
                   dot);
    return copy_into(c, stimulus, into, name, err);
}

lt_status lt_visit_carry(const char *dir, const char *from, const char *to, unsigned lane, unsigned counter,
                         const lt_path *path, const char *condition, lt_error *err)
{
    const carry c = {.dir = dir, .from = from, .to = to};
    char lane_folder[32], counter_folder[32];
    const char *const folders[] = {lane_folder, counter_folder}; /* the lane's own recordings first: they win */
    const unsigned numbers[] = {lane, counter};
    lt_status st = LT_OK;
    ltp_folder_name(false, lane, lane_folder);
    ltp_folder_name(true, counter, counter_folder);
    for (size_t k = 0; k < LTP_COUNT(folders) && st == LT_OK; k++) {
        ltp_found found;
        lt_notes ignored = {0};
        st = ltp_find_recordings(dir, from, k == 1, numbers[k], &found, &ignored, err);
        for (size_t i = 0; i < found.count && st == LT_OK; i++) {
            const lt_recording *r = &found.items[i];
            /* A recording of the counter's side that depends on a lane's settings becomes the lane's own: other lanes
             * that share the counter may stand elsewhere. */
            const bool shared = k == 1 && r->path == LT_PATH_NOISE_COUNTER;
            if (r->path != LT_PATH_CROSS_COUPLING && (path == NULL || r->path == *path) &&
                (condition == NULL || strcmp(r->condition, condition) == 0))
                st = carry_one(&c, folders[k], shared ? counter_folder : lane_folder, r, err);
        }
        ltp_recordings_free(found.items, found.count);
    }
    return st;
}

lt_status lt_visit_carry_between(const char *dir, const char *from, const char *to, bool counters, unsigned n,
                                 unsigned m, lt_error *err)
{
    const carry c = {.dir = dir, .from = from, .to = to};
    char folder[32];
    ltp_found found;
    lt_notes ignored = {0};
    ltp_folder_name(counters, n, folder);
    lt_status st = ltp_find_recordings(dir, from, counters, n, &found, &ignored, err);
    for (size_t i = 0; i < found.count && st == LT_OK; i++)
        if (found.items[i].path == LT_PATH_CROSS_COUPLING && found.items[i].from == m)
            st = carry_one(&c, folder, folder, &found.items[i], err);
    ltp_recordings_free(found.items, found.count);
    return st;
}

lt_status lt_visit_carry_loopback(const char *dir, const char *from, const char *to, lt_error *err)
{
    static const char *const names[] = {"stimulus.loopback.wav", "loopback.wav"};
    const carry c = {.dir = dir, .from = from, .to = to};
    lt_status st = LT_OK;
    for (size_t i = 0; i < LTP_COUNT(names) && st == LT_OK; i++) {
        char file[320], path[LTP_SITE_PATH_MAX];
        struct stat s;
        (void)snprintf(file, sizeof file, "visits/%s/%s", from, names[i]);
        st = ltp_site_path(path, err, "%s/%s", dir, file);
        if (st == LT_OK && stat(path, &s) == 0)
            st = copy_into(&c, file, ".", names[i], err);
    }
    return st;
}
