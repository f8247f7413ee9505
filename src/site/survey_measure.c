/* SPDX-License-Identifier: MIT
 * One recording: channel, reading, measurement, and why it cannot be used. Line levels in dBFS as recorded. */
#include "base/alloc.h"
#include "base/parallel.h"
#include "site/survey.h"
#include "site/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* One sample in a thousand on the rails moves no percentile; more does, and the levels read too low. Ours, untested. */
static const double clipped_most = 0.001;
enum { BLOCK_FRAMES = 16384 };

/* The reason without the folder of the site, which is no business of a result, and without the file's own name. */
static void mark_unusable(const ltp_measuring *m, lt_recording *r, const lt_error *why, lt_notes *notes)
{
    const char *reason = why->what;
    const size_t dir = strlen(m->dir), file = strlen(r->file);
    if (strncmp(reason, m->dir, dir) == 0 && reason[dir] == '/')
        reason += dir + 1;
    const bool named = strncmp(reason, r->file, file) == 0;
    if (named && strncmp(reason + file, ": ", 2) == 0)
        lt_notes_add(&r->notes, "recording-unusable", "%.120s is not used: %.130s", r->file, reason + file + 2);
    else if (named)
        lt_notes_add(&r->notes, "recording-unusable", "Not used: %.240s", reason);
    else
        lt_notes_add(&r->notes, "recording-unusable", "%.120s is not used: %.130s", r->file, reason);
    r->usable = false;
    lt_notes_append(notes, &r->notes);
}

/* ---- channel ---- */

static lt_status channel_of(const ltp_measuring *m, const lt_recording *r, unsigned channels, unsigned *channel,
                            lt_error *err)
{
    const bool microphone = lt_path_is_from_microphone(r->path);
    const unsigned wanted = microphone ? m->visit->mic_channel : m->visit->line_channel;
    *channel = 0;
    if (channels == 1)
        return LT_OK;
    if (wanted > channels)
        return ltp_fail(err, LT_E_ARG, "it has %u channels, but %s in visit.yaml is %u", channels,
                        microphone ? "mic_channel" : "line_channel", wanted);
    *channel = wanted - 1;
    return LT_OK;
}

static lt_status open_at_channel(const ltp_measuring *m, const lt_recording *r, lt_audio_reader **reader,
                                 unsigned *channel, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_status st = ltp_site_path(path, err, "%s/%s", m->dir, r->file);
    if (st == LT_OK)
        st = lt_audio_open(path, reader, err);
    if (st == LT_OK)
        st = channel_of(m, r, lt_audio_reader_info(*reader)->channels, channel, err);
    return st;
}

static lt_status load(const ltp_measuring *m, lt_recording *r, lt_signal **out, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_audio_reader *reader = NULL;
    lt_audio_info info;
    unsigned channel = 0;
    *out = NULL;
    lt_status st = open_at_channel(m, r, &reader, &channel, err);
    lt_audio_close(reader);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/%s", m->dir, r->file);
    if (st == LT_OK)
        st = lt_audio_load(path, channel, out, &info, err);
    if (st == LT_OK)
        lt_audio_note(r->file, &info, &r->notes);
    return st;
}

/* ---- stimulus ---- */

static lt_status read_stimulus(ltp_measuring *m, const char *file, size_t *at, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    *at = LTP_NO_STIMULUS;
    if (file[0] == '\0')
        return LT_OK;
    for (*at = 0; *at < m->stimulus_count; (*at)++)
        if (strcmp(m->stimuli[*at].file, file) == 0)
            return LT_OK;
    ltp_stimulus *grown = ltp_realloc(m->stimuli, m->stimulus_count + 1, sizeof *grown);
    if (grown == NULL)
        return ltp_fail_nomem(err, "the stimulus");
    m->stimuli = grown;
    ltp_stimulus *s = &grown[m->stimulus_count];
    *s = (ltp_stimulus){0};
    (void)snprintf(s->file, sizeof s->file, "%s", file);
    lt_status st = ltp_site_path(path, &s->error, "%s/%s", m->dir, file);
    if (st == LT_OK)
        st = lt_audio_load(path, 0, &s->signal, NULL, &s->error);
    if (st == LT_E_NOMEM)
        return ltp_fail_nomem(err, file);
    m->stimulus_count++;
    return LT_OK;
}

/* ---- the three kinds of measurement ---- */

/* That the interface was taken off is said once for the visit, not with each of its recordings. */
static void append_notes(lt_notes *to, const lt_notes *from)
{
    for (size_t i = 0; i < from->count; i++)
        if (strcmp(from->items[i].code, "interface-removed") != 0)
            lt_notes_add(to, from->items[i].code, "%s", from->items[i].message);
}

static lt_status measure_swept(const ltp_measuring *m, size_t stimulus, lt_recording *r, lt_error *err)
{
    lt_signal *x = NULL;
    if (stimulus == LTP_NO_STIMULUS)
        return ltp_fail(err, LT_E_ARG, "there is no stimulus.wav (what was played) beside it or in visits/%s",
                        m->visit->date);
    const ltp_stimulus *s = &m->stimuli[stimulus];
    if (s->signal == NULL)
        return ltp_fail(err, s->error.status, "%s", s->error.what);
    lt_status st = load(m, r, &x, err);
    if (st == LT_OK) {
        lt_response_options opt = lt_response_default_options();
        opt.interface = m->interface;
        const lt_signal *const recordings[] = {x};
        const char *const names[] = {r->file};
        st = lt_response_measure(recordings, names, 1, s->signal, &opt, &r->response, err);
    }
    if (st == LT_OK) {
        r->delay_known =
            r->path == LT_PATH_LANE_COUPLING && ltp_delay_is_known(r->response, (double)x->count / x->rate_hz,
                                                                   (double)s->signal->count / s->signal->rate_hz);
        append_notes(&r->notes, &r->response->notes);
    }
    lt_signal_free(x);
    return st;
}

static lt_status fail_clipped(size_t clipped, uint64_t frames, lt_error *err)
{
    return ltp_fail(err, LT_E_CLIP, "%.2f %% of it is clipped; record it again with less recording gain",
                    100.0 * (double)clipped / (double)frames);
}

static lt_status check_noise(const lt_levels *l, size_t clipped, uint64_t frames, lt_error *err)
{
    if (lt_notes_has(&l->notes, "silent"))
        return ltp_fail(err, LT_E_SNR, "it is silent; check the microphone, its cable and the recording level");
    return (double)clipped > clipped_most * (double)frames ? fail_clipped(clipped, frames, err) : LT_OK;
}

/* Streamed: ten minutes of noise need no more memory than ten seconds. */
static lt_status measure_noise(const ltp_measuring *m, lt_recording *r, lt_error *err)
{
    const bool microphone = lt_path_is_from_microphone(r->path);
    const double cal_db = microphone && lt_is_known(m->visit->mic_cal_db) ? m->visit->mic_cal_db : 0.0;
    lt_audio_reader *reader = NULL;
    lt_level_meter *meter = NULL;
    lt_clip_meter clip = {0};
    double *block = NULL;
    unsigned channel = 0;
    uint64_t frames = 0;
    size_t got = 0;
    lt_status st = open_at_channel(m, r, &reader, &channel, err);
    if (st == LT_OK)
        st = lt_level_meter_create(lt_audio_reader_info(reader)->rate_hz, cal_db, &meter, err);
    if (st != LT_OK)
        goto done;
    block = ltp_alloc(BLOCK_FRAMES, sizeof *block);
    r->levels = ltp_alloc(1, sizeof *r->levels);
    if (block == NULL || r->levels == NULL) {
        st = ltp_fail_nomem(err, r->file);
        goto done;
    }
    do {
        st = lt_audio_read(reader, channel, block, BLOCK_FRAMES, &got, err);
        if (st != LT_OK)
            goto done;
        lt_level_meter_push(meter, block, got);
        lt_clip_push(&clip, block, got);
        frames += got;
    } while (got == BLOCK_FRAMES);
    if (frames == 0) {
        st = ltp_fail(err, LT_E_ARG, "the file holds no sound, not even one frame; record again");
        goto done;
    }
    lt_audio_note(r->file, lt_audio_reader_info(reader), &r->notes);
    st = lt_level_meter_finish(meter, r->levels, err);
    if (st == LT_OK)
        st = check_noise(r->levels, lt_clip_count(&clip), frames, err);
    if (st == LT_OK)
        lt_notes_append(&r->notes, &r->levels->notes);
done:
    ltp_free(block);
    lt_level_meter_free(meter);
    lt_audio_close(reader);
    return st;
}

static lt_status measure_talk(const ltp_measuring *m, lt_recording *r, lt_error *err)
{
    lt_signal *x = NULL;
    lt_status st = load(m, r, &x, err);
    if (st != LT_OK)
        return st;
    r->talk_test = ltp_alloc(1, sizeof *r->talk_test);
    if (r->talk_test == NULL)
        st = ltp_fail_nomem(err, r->file);
    else
        st = lt_talk_test_measure(x, r->talk_test, err);
    if (st == LT_OK &&
        (lt_notes_has(&r->talk_test->notes, "silent") || !lt_is_known(r->talk_test->level.active_level_db)))
        st = ltp_fail(err, LT_E_SNR, "nobody is heard in it; check the line and the recording level");
    const size_t clipped = st == LT_OK ? lt_clipped_samples(x) : 0;
    if (st == LT_OK && (double)clipped > clipped_most * (double)x->count)
        st = fail_clipped(clipped, x->count, err);
    if (st == LT_OK)
        lt_notes_append(&r->notes, &r->talk_test->notes);
    lt_signal_free(x);
    return st;
}

/* What lt_audio_note() says of a file stands with the lane too: tune, results.json and the report read it there. */
static void lift_header_notes(const lt_notes *from, lt_notes *to)
{
    for (size_t i = 0; i < from->count; i++)
        if (strcmp(from->items[i].code, "truncated-file") == 0 || strcmp(from->items[i].code, "header-sizes") == 0)
            lt_notes_add(to, from->items[i].code, "%s", from->items[i].message);
}

static void drop_results(lt_recording *r)
{
    lt_response_free(r->response);
    ltp_free(r->levels);
    ltp_free(r->talk_test);
    r->response = NULL;
    r->levels = NULL;
    r->talk_test = NULL;
}

lt_status ltp_measure_later(ltp_measuring *m, const char *stimulus, lt_recording *r, lt_notes *notes, lt_error *err)
{
    ltp_to_measure *grown = ltp_realloc(m->list, m->count + 1, sizeof *grown);
    if (grown == NULL)
        return ltp_fail_nomem(err, "the recordings");
    m->list = grown;
    ltp_to_measure *t = &grown[m->count++];
    *t = (ltp_to_measure){.recording = r, .notes = notes};
    return read_stimulus(m, stimulus, &t->stimulus, err);
}

static void measure_one(void *context, size_t i)
{
    const ltp_measuring *m = context;
    ltp_to_measure *t = &m->list[i];
    lt_recording *r = t->recording;
    t->status = lt_path_is_swept(r->path)      ? measure_swept(m, t->stimulus, r, &t->why)
                : r->path == LT_PATH_TALK_TEST ? measure_talk(m, r, &t->why)
                                               : measure_noise(m, r, &t->why);
}

static bool take(void *context, size_t i)
{
    const ltp_measuring *m = context;
    const ltp_to_measure *t = &m->list[i];
    lt_recording *r = t->recording;
    if (t->status == LT_E_NOMEM) {
        (void)ltp_fail_nomem(m->err, r->file);
        return false;
    }
    r->usable = t->status == LT_OK;
    if (r->usable) {
        lift_header_notes(&r->notes, t->notes);
    } else {
        drop_results(r);
        mark_unusable(m, r, &t->why, t->notes);
    }
    if (m->progress != NULL)
        m->progress(m->context, r->file, (double)(i + 1) / (double)m->count);
    return true;
}

lt_status ltp_measure_all(ltp_measuring *m, lt_error *err)
{
    lt_error failed = {0};
    m->err = &failed;
    ltp_parallel_run(&(ltp_parallel){.count = m->count, .threads = 0, .context = m, .work = measure_one, .take = take});
    m->err = NULL;
    return failed.status == LT_OK ? LT_OK : ltp_fail(err, failed.status, "%s", failed.what);
}

void ltp_measuring_free(ltp_measuring *m)
{
    for (size_t i = 0; i < m->stimulus_count; i++)
        lt_signal_free(m->stimuli[i].signal);
    lt_interface_free(m->interface);
    m->interface = NULL;
    ltp_free(m->stimuli);
    ltp_free(m->list);
    m->stimuli = NULL;
    m->list = NULL;
    m->count = 0;
    m->stimulus_count = 0;
}

void ltp_recordings_free(lt_recording *list, size_t count)
{
    for (size_t i = 0; i < count; i++)
        drop_results(&list[i]);
    ltp_free(list);
}
