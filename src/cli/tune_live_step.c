/* SPDX-License-Identifier: MIT
 * One measurement of tune --live: ask, measure, tell; and what is tried again. */
#include "tune_live.h"

#include "base/alloc.h"

#include <string.h>

enum { ALONE_MAX = 1 }; /* more tries for a lost device where nobody can answer */

/* What is as it should be, and what no setting depends on, would hide the rest here. Where speech is well above the
 * noise, that the lowest and highest bands are not is nothing new: small speakers give little there. */
static bool is_news(const cli_measure_job *j, const lt_note *n)
{
    static const char *const usual[] = {"latency-removed"};
    double hz = 0.0;
    if (strcmp(n->code, "low-snr") == 0 && j->response != NULL &&
        lt_quality_of_response(j->response, &hz) == LT_QUALITY_GOOD)
        return false;
    for (size_t i = 0; i < sizeof usual / sizeof *usual; i++)
        if (strcmp(n->code, usual[i]) == 0)
            return false;
    return true;
}

static const char *kind_of(const cli_measure_job *j)
{
    return j->place.lane > 0 ? "lane" : "counter";
}

static unsigned number_of(const cli_measure_job *j)
{
    return j->place.lane > 0 ? j->place.lane : j->place.counter;
}

static void tell(cli_live *l, const cli_measure_job *j)
{
    double hz = 0.0;
    if (j->response != NULL)
        cli_live_say(l, "%s: %s, kept as %s", j->word, lt_quality_name(lt_quality_of_response(j->response, &hz)),
                     j->file);
    else if (j->levels != NULL && lt_is_known(j->levels->laeq_db))
        cli_live_say(l, "%s: %.0f s, LAeq %.1f %s, kept as %s", j->word, j->result.seconds, j->levels->laeq_db,
                     j->result.calibrated ? "dB(A)" : "dBFS", j->file);
    else if (j->talk_test != NULL && lt_is_known(j->talk_test->level.active_level_db))
        cli_live_say(l, "%s: %.0f s, speech at %.1f dBFS, kept as %s", j->word, j->result.seconds,
                     j->talk_test->level.active_level_db, j->file);
    else
        cli_live_say(l, "%s: %.0f s, kept as %s", j->word, j->result.seconds, j->file);
    for (size_t i = 0; i < j->notes.count; i++)
        if (is_news(j, &j->notes.items[i]))
            cli_live_say(l, "  %s", j->notes.items[i].message);
}

/* Carries the doubts of one measurement into those of the command, with its place in front. */
static void keep_notes(cli_tune_live_job *t, const cli_measure_job *j)
{
    for (size_t i = 0; i < j->notes.count; i++)
        if (is_news(j, &j->notes.items[i]))
            lt_notes_add(&t->args->notes, j->notes.items[i].code, "%s %u, %s: %.380s", kind_of(j), number_of(j),
                         j->word, j->notes.items[i].message);
}

/* Noise, clipping and lost samples pass; a device can be plugged in again. Where nobody can answer, a device that was
 * late once gets another try. */
static bool is_worth_another_try(const cli_live *l, lt_status st, unsigned tries)
{
    if (l->stopped[0] != '\0')
        return false;
    if (l->without_asking)
        return st == LT_E_IO && l->device_failed && tries < ALONE_MAX;
    return st == LT_E_SNR || st == LT_E_CLIP || st == LT_E_XRUN || st == LT_E_IO;
}

static lt_status ask_again(cli_live *l, lt_error *err)
{
    const lt_error why = *err;
    cli_live_say(l, "%s", why.what);
    if (cli_live_wait_key(l, "Any key tries again; ESC or q leaves.")) {
        *err = (lt_error){0};
        return LT_OK;
    }
    *err = (lt_error){0};
    return ltp_fail(err, LT_E_STATE, "%.300s; %.120s", why.what, l->stopped);
}

static lt_status run_until_good(cli_tune_live_job *t, cli_measure_job *j, lt_error *err)
{
    lt_status st = cli_measure_ask(j, err);
    if (st != LT_OK || j->skipped)
        return st;
    lt_error first = {0};
    t->live.device_failed = false;
    st = cli_measure_run(j, err);
    for (unsigned tries = 0; is_worth_another_try(&t->live, st, tries); tries++) {
        first = *err;
        st = ask_again(&t->live, err);
        if (st != LT_OK)
            return st;
        j->level_dbfs = (double)NAN; /* to be found anew */
        j->seconds = lt_path_is_swept(j->place.path) ? (double)NAN : t->noise_s;
        j->sweeps = 0;
        j->notes = (lt_notes){0};
        t->live.device_failed = false;
        st = cli_measure_run(j, err);
    }
    if (st == LT_E_IO && first.status == LT_E_IO) { /* the first cause says more than "no such device" */
        const lt_error then = *err;
        *err = (lt_error){0};
        return ltp_fail(err, st, "%.240s; and once more: %.200s", first.what, then.what);
    }
    return st;
}

lt_status cli_tune_measure_step(cli_tune_live_job *t, cli_tune_step *s, lt_error *err)
{
    cli_measure_job j = {.live = &t->live, .level_dbfs = NAN, .seconds = NAN};
    s->skipped = s->skipped_all = false;
    s->moved_db = (double)NAN;
    j.may_skip = s->may_skip;
    j.may_skip_all = s->may_skip_all;
    j.place.path = s->path;
    j.place.lane = s->lane;
    j.place.counter = s->counter;
    j.place.from = s->from;
    j.place.condition = s->condition;
    if (!lt_path_is_swept(s->path))
        j.seconds = t->noise_s;
    lt_status st = cli_measure_open(&j, t->dir, s->visit, err);
    if (st == LT_OK)
        st = cli_measure_choose_channel(&j, t->args, err);
    if (st == LT_OK)
        st = run_until_good(t, &j, err);
    if (st == LT_OK && !j.skipped) {
        t->made++;
        tell(&t->live, &j);
        keep_notes(t, &j);
        if (s->before != NULL && j.response != NULL)
            s->moved_db = cli_tune_moved_db(s->before, j.response);
        if (lt_notes_has(&j.notes, "stopped-early")) /* this one is kept; what comes after it was not wanted any more */
            st =
                ltp_fail(err, LT_E_STATE, "stopped while %s of %s %u was recorded", j.word, kind_of(&j), number_of(&j));
    }
    s->skipped = j.skipped;
    s->skipped_all = j.skipped_all;
    cli_measure_close(&j);
    return st;
}
