/* SPDX-License-Identifier: MIT
 * The loopback of a visit: what was recorded with an output wired to an input, and the response of the interface that
 * it gives. */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/survey.h"
#include "site/words.h"

#include <stdio.h>
#include <sys/stat.h>

static const char recording_name[] = "loopback.wav", stimulus_name[] = "stimulus.loopback.wav";

static lt_status place(const char *dir, const char *date, const char *name, char path[LTP_SITE_PATH_MAX], lt_error *err)
{
    return ltp_site_path(path, err, "%s/visits/%s/%s", dir, date, name);
}

lt_status lt_visit_keep_loopback(const char *dir, const char *date, const lt_signal *recording,
                                 const lt_signal *stimulus, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_status st = place(dir, date, stimulus_name, path, err);
    if (st == LT_OK)
        st = lt_audio_save(path, &stimulus, 1, LT_AUDIO_FLOAT, NULL, err);
    if (st == LT_OK)
        st = place(dir, date, recording_name, path, err);
    if (st == LT_OK)
        st = lt_audio_save(path, &recording, 1, LT_AUDIO_FLOAT, NULL, err);
    return st;
}

static lt_status load(const char *dir, const char *date, const char *name, lt_signal **out, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    const lt_status st = place(dir, date, name, path, err);
    return st == LT_OK ? lt_audio_load(path, 0, out, NULL, err) : st;
}

lt_status lt_visit_interface(const char *dir, const lt_visit *v, lt_interface **out, lt_notes *notes, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    struct stat s;
    lt_signal *recording = NULL, *stimulus = NULL;
    lt_response *r = NULL;
    lt_error why = {0};
    *out = NULL;
    lt_status st = place(dir, v->date, recording_name, path, err);
    if (st != LT_OK || stat(path, &s) != 0)
        return st; /* none was recorded: nothing changes */
    st = load(dir, v->date, recording_name, &recording, &why);
    if (st == LT_OK)
        st = load(dir, v->date, stimulus_name, &stimulus, &why);
    if (st == LT_OK) {
        const lt_signal *const recordings[] = {recording};
        const char *const names[] = {recording_name};
        st = lt_response_measure(recordings, names, 1, stimulus, NULL, &r, &why);
    }
    if (st == LT_OK)
        st = lt_interface_create(r, out, &why);
    lt_response_free(r);
    lt_signal_free(stimulus);
    lt_signal_free(recording);
    if (st == LT_E_NOMEM)
        return ltp_fail_nomem(err, recording_name);
    if (st != LT_OK)
        lt_notes_add(notes, "interface-unusable", "The response of the interface is not taken off: %.200s", why.what);
    return LT_OK;
}
