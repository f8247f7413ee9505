/* SPDX-License-Identifier: MIT
 * Recordings made live: their names, and how a new one takes the place of an older one that is never lost. */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/survey.h"
#include "site/words.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { REPLACED_MAX = 9999, STIMULUS_BYTES_MAX = 1 << 28 };

bool lt_path_is_swept(lt_path p)
{
    return p == LT_PATH_OUTBOUND || p == LT_PATH_INBOUND || p == LT_PATH_LANE_COUPLING ||
           p == LT_PATH_COUNTER_COUPLING || p == LT_PATH_LOOP || p == LT_PATH_CROSS_COUPLING || p == LT_PATH_BYSTANDER;
}

bool lt_path_is_from_microphone(lt_path p)
{
    return p == LT_PATH_OUTBOUND || p == LT_PATH_INBOUND || p == LT_PATH_NOISE_EAR || p == LT_PATH_NOISE_COUNTER ||
           p == LT_PATH_BYSTANDER || p == LT_PATH_NOISE_BYSTANDER;
}

/* ---- names ---- */

/* "outbound.car" */
static void stem_of(const lt_record_place *p, char stem[160])
{
    char word[LT_PATH_WORD_MAX];
    lt_path_word(p->path, p->from, word);
    (void)snprintf(stem, 160, "%s%s%.64s", word, p->condition[0] != '\0' ? "." : "", p->condition);
}

static unsigned number_of(const lt_record_place *p)
{
    return p->counter != 0 ? p->counter : p->lane;
}

static void folder_of(const lt_record_place *p, char folder[32])
{
    ltp_folder_name(p->counter != 0, number_of(p), folder);
}

static lt_status in_folder(const lt_record_place *p, char path[LTP_SITE_PATH_MAX], lt_error *err, const char *name)
{
    char folder[32];
    folder_of(p, folder);
    return ltp_site_path(path, err, "%s/visits/%s/%s/%s", p->dir, p->date, folder, name);
}

lt_status lt_record_names(const lt_record_place *p, char recording[320], char stimulus[320], lt_error *err)
{
    char folder[LTP_SITE_PATH_MAX], stem[160], place[32];
    if (!ltp_is_visit_name(p->date) || (p->lane == 0 && p->counter == 0))
        return ltp_fail(err, LT_E_ARG, "visit '%.40s', lane %u: there are no such folders", p->date, p->lane);
    if (p->condition[0] != '\0' && !ltp_is_condition(p->condition))
        return ltp_fail(err, LT_E_ARG,
                        "condition '%.64s': use small letters, digits and '-' only, such as car; it becomes a part of "
                        "the file name",
                        p->condition);
    stem_of(p, stem);
    folder_of(p, place);
    (void)snprintf(recording, 320, "visits/%s/%s/%s.wav", p->date, place, stem);
    (void)snprintf(stimulus, 320, "visits/%s/%s/stimulus.%s.wav", p->date, place, stem);
    const lt_status st = in_folder(p, folder, err, "");
    return st == LT_OK ? ltp_folder_make(folder, err) : st;
}

static lt_status part_of(const lt_record_place *p, bool of_stimulus, char path[LTP_SITE_PATH_MAX], lt_error *err)
{
    char stem[160], name[200];
    stem_of(p, stem);
    (void)snprintf(name, sizeof name, ".lanetune-part-%s%s.wav", of_stimulus ? "stimulus." : "", stem);
    return in_folder(p, path, err, name);
}

lt_status lt_record_part(const lt_record_place *p, char path[4096], lt_error *err)
{
    char part[LTP_SITE_PATH_MAX];
    const lt_status st = part_of(p, false, part, err);
    if (st == LT_OK)
        memcpy(path, part, strlen(part) + 1);
    return st;
}

/* ---- the older ones ---- */

static bool is_there(const char *path)
{
    struct stat s;
    return lstat(path, &s) == 0;
}

static lt_status move(const char *from, const char *to, lt_error *err)
{
    if (rename(from, to) == 0)
        return LT_OK;
    return ltp_fail(err, LT_E_IO, "%s: cannot be renamed to %s (%s); check the disk and the folder's permissions", from,
                    to, strerror(errno));
}

/* The smallest number that neither the recording nor its stimulus has in replaced/. */
static lt_status replaced_names(const lt_record_place *p, const char *stem, const char *ending,
                                char recording[LTP_SITE_PATH_MAX], char stimulus[LTP_SITE_PATH_MAX], lt_error *err)
{
    for (unsigned k = 1; k <= REPLACED_MAX; k++) {
        char name[240];
        (void)snprintf(name, sizeof name, "replaced/%s.%u.%s", stem, k, ending);
        lt_status st = in_folder(p, recording, err, name);
        (void)snprintf(name, sizeof name, "replaced/stimulus.%s.%u.wav", stem, k);
        if (st == LT_OK)
            st = in_folder(p, stimulus, err, name);
        if (st != LT_OK)
            return st;
        if (!is_there(recording) && !is_there(stimulus))
            return LT_OK;
    }
    return ltp_fail(err, LT_E_IO, "the folder replaced of lane %u is full; move its files away", p->lane);
}

/* A recording of that name, WAV or FLAC, and its own stimulus go to replaced/. */
static lt_status put_aside(const lt_record_place *p, lt_error *err)
{
    static const char *const endings[] = {"wav", "flac"};
    char stem[160], name[200], old[LTP_SITE_PATH_MAX], old_stimulus[LTP_SITE_PATH_MAX];
    char to[LTP_SITE_PATH_MAX], to_stimulus[LTP_SITE_PATH_MAX], folder[LTP_SITE_PATH_MAX];
    stem_of(p, stem);
    (void)snprintf(name, sizeof name, "stimulus.%s.wav", stem);
    lt_status st = in_folder(p, old_stimulus, err, name);
    for (size_t i = 0; i < LTP_COUNT(endings) && st == LT_OK; i++) {
        (void)snprintf(name, sizeof name, "%s.%s", stem, endings[i]);
        st = in_folder(p, old, err, name);
        if (st != LT_OK || !is_there(old))
            continue;
        st = in_folder(p, folder, err, "replaced");
        if (st == LT_OK)
            st = ltp_folder_make(folder, err);
        if (st == LT_OK)
            st = replaced_names(p, stem, endings[i], to, to_stimulus, err);
        if (st == LT_OK)
            st = move(old, to, err);
        if (st == LT_OK && is_there(old_stimulus))
            st = move(old_stimulus, to_stimulus, err);
    }
    return st;
}

/* ---- other conditions keep their stimulus ---- */

static lt_status copy(const char *from, const char *to, lt_error *err)
{
    char *data = NULL;
    size_t bytes = 0;
    lt_status st = lt_file_load(from, STIMULUS_BYTES_MAX, &data, &bytes, err);
    if (st == LT_OK)
        st = lt_file_save(to, data, bytes, err);
    lt_file_free(data);
    return st;
}

/* stimulus.PATH.wav counts for all conditions of PATH that have none of their own. Those that were recorded with
 * another one get a copy of it before the new one appears. */
static lt_status keep_stimuli_of_others(const lt_record_place *p, lt_error *err)
{
    char folder[32], word[LT_PATH_WORD_MAX];
    ltp_found found;
    lt_notes ignored = {0};
    if (p->condition[0] != '\0')
        return LT_OK;
    lt_path_word(p->path, p->from, word);
    folder_of(p, folder);
    lt_status st = ltp_find_recordings(p->dir, p->date, p->counter != 0, number_of(p), &found, &ignored, err);
    for (size_t i = 0; i < found.count && st == LT_OK; i++) {
        const lt_recording *r = &found.items[i];
        char file[320], from[LTP_SITE_PATH_MAX], to[LTP_SITE_PATH_MAX], own[240];
        if (r->path != p->path || r->from != p->from || r->condition[0] == '\0')
            continue;
        (void)snprintf(own, sizeof own, "stimulus.%s.%s.wav", word, r->condition);
        st = ltp_find_stimulus(p->dir, p->date, folder, word, r->condition, file, err);
        const char *dot = strrchr(file, '.');
        if (st != LT_OK || dot == NULL || strcmp(dot, ".wav") != 0) /* none, or FLAC: read before WAV is written */
            continue;
        st = ltp_site_path(from, err, "%s/%s", p->dir, file);
        if (st == LT_OK)
            st = in_folder(p, to, err, own);
        if (st == LT_OK && strcmp(from, to) != 0 && !is_there(to))
            st = copy(from, to, err);
    }
    ltp_recordings_free(found.items, found.count);
    return st;
}

/* ---- keep ---- */

static lt_status into_place(const lt_record_place *p, bool with_stimulus, lt_error *err)
{
    char name[200], stem[160], from[LTP_SITE_PATH_MAX], to[LTP_SITE_PATH_MAX];
    stem_of(p, stem);
    lt_status st = with_stimulus ? keep_stimuli_of_others(p, err) : LT_OK;
    if (st == LT_OK)
        st = put_aside(p, err);
    for (int of_stimulus = with_stimulus ? 1 : 0; of_stimulus >= 0 && st == LT_OK; of_stimulus--) {
        (void)snprintf(name, sizeof name, "%s%s.wav", of_stimulus == 1 ? "stimulus." : "", stem);
        st = part_of(p, of_stimulus == 1, from, err);
        if (st == LT_OK)
            st = in_folder(p, to, err, name);
        if (st == LT_OK)
            st = move(from, to, err);
    }
    return st;
}

lt_status lt_record_keep(const lt_record_place *p, const lt_signal *recording, const lt_signal *stimulus, lt_error *err)
{
    char part[LTP_SITE_PATH_MAX], part_stimulus[LTP_SITE_PATH_MAX];
    lt_status st = part_of(p, false, part, err);
    if (st == LT_OK)
        st = part_of(p, true, part_stimulus, err);
    if (st != LT_OK)
        return st;
    st = lt_audio_save(part_stimulus, &stimulus, 1, LT_AUDIO_FLOAT, NULL, err);
    if (st == LT_OK)
        st = lt_audio_save(part, &recording, 1, LT_AUDIO_FLOAT, NULL, err);
    if (st == LT_OK)
        st = into_place(p, true, err);
    if (st != LT_OK) {
        (void)unlink(part);
        (void)unlink(part_stimulus);
    }
    return st;
}

lt_status lt_record_keep_part(const lt_record_place *p, lt_error *err)
{
    return into_place(p, false, err);
}

/* Is there a recording of that name that lasts longer? One that cannot be read is none. */
static lt_status longer_one(const lt_record_place *p, const char *stem, double seconds, bool *is_longer, lt_error *err)
{
    static const char *const endings[] = {"wav", "flac"};
    *is_longer = false;
    for (size_t i = 0; i < LTP_COUNT(endings); i++) {
        char name[200], old[LTP_SITE_PATH_MAX];
        lt_audio_reader *reader = NULL;
        lt_error ignored = {0};
        (void)snprintf(name, sizeof name, "%s.%s", stem, endings[i]);
        const lt_status st = in_folder(p, old, err, name);
        if (st != LT_OK)
            return st;
        if (!is_there(old) || lt_audio_open(old, &reader, &ignored) != LT_OK)
            continue;
        const lt_audio_info *info = lt_audio_reader_info(reader);
        *is_longer |= (double)info->frames / info->rate_hz > seconds;
        lt_audio_close(reader);
    }
    return LT_OK;
}

lt_status lt_record_keep_partial(const lt_record_place *p, double seconds, char kept[320], lt_error *err)
{
    char stem[160], from[LTP_SITE_PATH_MAX], to[LTP_SITE_PATH_MAX], unused[LTP_SITE_PATH_MAX], folder[32];
    bool is_longer = false;
    stem_of(p, stem);
    folder_of(p, folder);
    (void)snprintf(kept, 320, "visits/%s/%s/%s.wav", p->date, folder, stem);
    lt_status st = longer_one(p, stem, seconds, &is_longer, err);
    if (st != LT_OK || !is_longer)
        return st == LT_OK ? into_place(p, false, err) : st;
    st = part_of(p, false, from, err);
    if (st == LT_OK)
        st = in_folder(p, to, err, "replaced");
    if (st == LT_OK)
        st = ltp_folder_make(to, err);
    if (st == LT_OK)
        st = replaced_names(p, stem, "wav", to, unused, err);
    if (st == LT_OK)
        st = move(from, to, err);
    (void)snprintf(kept, 320, "visits/%s/%s/replaced/%.160s", p->date, folder, strrchr(to, '/') + 1);
    return st;
}
