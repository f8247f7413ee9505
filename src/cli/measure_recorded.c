/* SPDX-License-Identifier: MIT
 * Recordings without a stimulus: noise and talk tests, from the first sample to the file that is kept. One that ends
 * before its time - a key, a signal, a lost device, a full disk - is kept as far as it goes. */
#include "live_words.h"
#include "measure.h"

#include "base/alloc.h"

#include <string.h>
#include <unistd.h>

#define NOISE_S 60.0
#define SENTENCE_S 5.0 /* with --yes: time for one sentence and its pause */
/* Up to this many seconds are loaded to be judged at once; a longer recording is kept, and tune reads it in blocks. */
#define JUDGED_MOST_S 3600.0
/* Less is dropped: levels exceeded 10 and 90 % of the time (Fast, 0.125 s) need some tens of independent values. */
#define KEPT_LEAST_S 5.0

typedef struct {
    cli_live *live;
    size_t shown; /* sentences */
    double next_s;
} reading;

/* Sentences one at a time; false behind the last one. */
static bool read_out(void *context, double seconds)
{
    reading *r = context;
    const bool key = r->shown > 0 && cli_live_key(r->live);
    const bool turn = r->shown == 0 ? seconds >= 2.0 : r->live->without_asking ? seconds >= r->next_s : key;
    if (!turn)
        return true;
    const char *sentence = cli_sentence(r->shown);
    if (sentence == NULL)
        return false;
    cli_live_clear(r->live);
    (void)fprintf(stderr, "%2zu  %s\n", r->shown + 1, sentence);
    r->shown++;
    r->next_s = seconds + SENTENCE_S;
    return true;
}

/* Any key but those that stop ends a recording of noise early, and keeps it. */
static bool until_key(void *context, double seconds)
{
    reading *r = context;
    return seconds < 1.0 || r->live->without_asking || !cli_live_key(r->live);
}

static lt_status judge(cli_measure_job *j, const lt_signal *x, lt_error *err)
{
    lt_status st = LT_OK;
    if (j->place.path == LT_PATH_TALK_TEST) {
        j->talk_test = ltp_alloc(1, sizeof *j->talk_test);
        st = j->talk_test == NULL ? ltp_fail_nomem(err, "the talk test") : lt_talk_test_measure(x, j->talk_test, err);
        if (st == LT_OK)
            lt_notes_append(&j->notes, &j->talk_test->notes);
    } else {
        const bool calibrated = lt_is_known(j->live->cal_db);
        j->levels = ltp_alloc(1, sizeof *j->levels);
        st = j->levels == NULL ? ltp_fail_nomem(err, "the levels")
                               : lt_levels_measure(x, calibrated ? j->live->cal_db : 0.0, j->levels, err);
        j->result.calibrated = calibrated;
        if (st == LT_OK)
            lt_notes_append(&j->notes, &j->levels->notes);
    }
    if (st == LT_OK && (double)lt_clipped_samples(x) > CLI_CLIPPED_MOST * (double)x->count)
        lt_notes_add(&j->notes, "clipping",
                     "The recording clips; turn the input gain of the interface down and record again.");
    j->result.levels = j->levels;
    j->result.talk_test = j->talk_test;
    return st;
}

/* ---- what ended before its time ---- */

typedef struct {
    cli_measure_job *job;
    double seconds; /* recorded */
    bool partial;
} recorded;

static lt_status keep(const recorded *r, lt_error *err)
{
    char kept[320];
    if (!r->partial)
        return lt_record_keep_part(&r->job->place, err);
    const lt_status st = lt_record_keep_partial(&r->job->place, r->seconds, kept, err);
    if (st == LT_OK)
        memcpy(r->job->file, kept, sizeof kept);
    return st;
}

/* Stopped while the levels are computed: the recording itself is whole. */
static void keep_unjudged(void *context, cli_live_said said)
{
    const recorded *r = context;
    lt_error err = {0};
    char why[256];
    (void)snprintf(why, sizeof why, "%.200s", said);
    if (keep(r, &err) == LT_OK)
        (void)snprintf(said, sizeof(cli_live_said),
                       "%.200s; the recording is kept in %.200s, its levels were not computed", why, r->job->file);
    else
        (void)snprintf(said, sizeof(cli_live_said), "%.490s", err.what);
}

/* The device or the disk failed. LT_E_IO in any case, with what became of the recording. */
static lt_status keep_after_failure(const recorded *r, const char *part, const char *why, lt_error *err)
{
    lt_error kept = {0};
    if (r->seconds < KEPT_LEAST_S) {
        (void)unlink(part);
        return ltp_fail(err, LT_E_IO, "%.380s; the %.1f s recorded until then are too short and were dropped", why,
                        r->seconds);
    }
    const lt_status st = keep(r, &kept);
    if (st != LT_OK)
        return ltp_fail(err, st, "%.250s; and: %.200s", why, kept.what);
    return ltp_fail(err, LT_E_IO, "%.260s; the %.1f s recorded until then are kept in %.180s", why, r->seconds,
                    r->job->file);
}

static void note_stopped(cli_measure_job *j, const recorded *r, const char *why, double wanted_s)
{
    char of[40] = "";
    if (wanted_s > 0.0)
        (void)snprintf(of, sizeof of, " of %.0f s", wanted_s);
    const bool aside = strstr(j->file, "/replaced/") != NULL;
    lt_notes_add(&j->notes, "stopped-early", "The recording was %s after %.1f s%s and is kept%s.", why, r->seconds, of,
                 aside ? " in replaced, for the one that is there is longer" : " as far as it goes");
}

/* ---- record, judge, keep ---- */

static lt_status judge_part(recorded *r, const char *part, lt_error *err)
{
    cli_measure_job *j = r->job;
    lt_signal *x = NULL;
    if (r->seconds > JUDGED_MOST_S)
        return LT_OK;
    cli_live_guard(j->live, keep_unjudged, r);
    lt_status st = lt_audio_load(part, j->live->channel, &x, NULL, err);
    if (st == LT_OK)
        st = judge(j, x, err);
    lt_signal_free(x);
    cli_live_unguard(j->live);
    return st;
}

static lt_status finish(recorded *r, const char *part, const lt_live_recorded *l, const char *why, double wanted_s,
                        lt_error *err)
{
    cli_measure_job *j = r->job;
    lt_status st = judge_part(r, part, err);
    if (st == LT_OK && l->dropped_frames > 0)
        lt_notes_add(&j->notes, "dropped", "The disk was too slow for %llu frames; they are silent in the recording.",
                     (unsigned long long)l->dropped_frames);
    if (st == LT_OK)
        st = keep(r, err);
    if (st != LT_OK) {
        (void)unlink(part);
        return st;
    }
    if (r->partial)
        note_stopped(j, r, why, wanted_s);
    j->result.seconds = r->seconds;
    j->result.rate_hz = l->rate_hz;
    j->result.complete = !r->partial && (l->complete || j->place.path == LT_PATH_TALK_TEST);
    j->result.takes = 1;
    return LT_OK;
}

lt_status cli_measure_recorded(cli_measure_job *j, lt_error *err)
{
    char part[4096];
    cli_live_said why;
    lt_live_recorded l = {0};
    const bool talk = j->place.path == LT_PATH_TALK_TEST;
    reading reading_out = {.live = j->live};
    const double wanted_s = lt_is_known(j->seconds) ? j->seconds : talk ? 0.0 : NOISE_S;
    lt_status st = lt_record_part(&j->place, part, err);
    if (st != LT_OK)
        return st;
    if (!talk && !j->live->without_asking)
        cli_live_say(j->live, "%.0f s; any key ends it early, and what is there from %.0f s on is kept.", wanted_s,
                     KEPT_LEAST_S);
    if (talk && !j->live->without_asking)
        cli_live_say(j->live, "Each key shows the next sentence; after the last one it ends the recording.");
    (void)unlink(part); /* of a run that was cut off */
    lt_error failed = {0};
    st = cli_live_file(j->live, j->word, part, wanted_s, talk ? read_out : until_key, &reading_out, &l, &failed);
    cli_live_resume(j->live, why);
    recorded r = {.job = j, .seconds = l.rate_hz > 0.0 ? (double)l.frames / l.rate_hz : 0.0};
    if (st != LT_OK && l.why[0] != '\0') {
        r.partial = true;
        return keep_after_failure(&r, part, l.why, err);
    }
    r.partial = why[0] != '\0';
    if (r.partial && r.seconds < KEPT_LEAST_S) {
        (void)unlink(part);
        return ltp_fail(err, LT_E_STATE, "%s after %.1f s; too short to be kept (%.0f s are needed)", why, r.seconds,
                        KEPT_LEAST_S);
    }
    if (st != LT_OK) {
        (void)unlink(part);
        return ltp_fail(err, st, "%s", failed.what);
    }
    return finish(&r, part, &l, why, wanted_s, err);
}
