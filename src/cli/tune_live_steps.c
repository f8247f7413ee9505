/* SPDX-License-Identifier: MIT
 * The measurements of tune --live: what a lane's evidence lacks, and what must be measured again once a knob was
 * turned. */
#include "tune_live.h"
#include "walk.h"

#include "base/alloc.h"

#include <string.h>

/* ---- what is missing ---- */

/* condition NULL = any */
static bool has_of(const lt_survey_lane *lane, lt_path path, const char *condition)
{
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        if (r->usable && r->path == path && (condition == NULL || strcmp(r->condition, condition) == 0))
            return true;
    }
    return false;
}

/* Other conditions stand beside the empty lane, not for it - unless somebody measured outbound with them alone. */
static bool has(const lt_survey_lane *lane, lt_path path)
{
    const bool never_empty = has_of(lane, LT_PATH_OUTBOUND, NULL) && !has_of(lane, LT_PATH_OUTBOUND, "");
    return has_of(lane, path, never_empty ? NULL : "");
}

static bool is_missing(const lt_survey_lane *lane, lt_path path)
{
    return !has(lane, path) && cli_lane_needs(&lane->tune, has(lane, LT_PATH_LOOP), path);
}

/* Lanes of one counter share its noise: once is enough, and an earlier lane of this run may have measured it. */
static bool is_there_by_now(const cli_tune_live_job *t, const lt_survey_lane *lane, lt_path path)
{
    if (path != LT_PATH_NOISE_COUNTER)
        return false;
    for (const lt_survey_lane *l = t->before.survey->lanes; l < lane; l++)
        if (l->lane->counter == lane->lane->counter && is_missing(l, path))
            return true;
    return false;
}

/* A path of the lane; noise at the counter serves all its lanes. */
static cli_tune_step step_of(const char *visit, const lt_site_lane *lane, lt_path path, const char *condition)
{
    return (cli_tune_step){.visit = visit,
                           .condition = condition,
                           .path = path,
                           .lane = lane->tune.lane,
                           .counter = path == LT_PATH_NOISE_COUNTER ? lane->counter : 0,
                           .may_skip = path != LT_PATH_OUTBOUND || condition[0] != '\0'};
}

static lt_status measure(cli_tune_live_job *t, const lt_site_lane *lane, lt_path path, lt_error *err)
{
    cli_tune_step s = step_of(t->first, lane, path, "");
    return cli_tune_measure_step(t, &s, err);
}

/* What lies before the technician. */
static void say_missing(cli_tune_live_job *t, const lt_survey_lane *lane)
{
    char list[256] = "", word[LT_PATH_WORD_MAX];
    unsigned count = 0;
    for (size_t i = 0; i < CLI_WALK; i++) {
        const size_t used = strlen(list);
        if (!is_missing(lane, cli_walk[i]) || is_there_by_now(t, lane, cli_walk[i]))
            continue;
        lt_path_word(cli_walk[i], 0, word);
        (void)snprintf(list + used, sizeof list - used, "%s%s", count++ > 0 ? ", " : "", word);
    }
    if (count == 0)
        return;
    cli_live_say(&t->live, "%sLane %u lacks %u recording%s: %s.", t->live.asked ? "\n" : "", lane->tune.lane, count,
                 count == 1 ? "" : "s", list);
    t->live.asked = true;
}

lt_status cli_tune_measure_missing(cli_tune_live_job *t, const lt_survey_lane *lane, lt_error *err)
{
    lt_status st = LT_OK;
    say_missing(t, lane);
    for (size_t i = 0; i < CLI_WALK && st == LT_OK; i++)
        if (is_missing(lane, cli_walk[i]) && !is_there_by_now(t, lane, cli_walk[i]))
            st = measure(t, lane->lane, cli_walk[i], err);
    return st;
}

/* ---- what must be measured again ---- */

/* An inbound knob behind the tap moves the receive response and not the line; then the recordings of the line hold on.
 * shift_db: of the receive response, NaN = not known. */
static bool is_spoilt(lt_path path, double out_db, double in_db, double shift_db)
{
    const bool line_moved = !(fabs(shift_db - in_db) < fmin(0.5, 0.5 * fabs(in_db)));
    switch (path) {
    case LT_PATH_OUTBOUND:
    case LT_PATH_BYSTANDER:
        return fabs(out_db) > 0.0;
    case LT_PATH_INBOUND:
        return fabs(in_db) > 0.0;
    case LT_PATH_LANE_COUPLING:
    case LT_PATH_COUNTER_COUPLING:
    case LT_PATH_LOOP:
    case LT_PATH_CROSS_COUPLING:
        return true;
    case LT_PATH_NOISE_MIC:
    case LT_PATH_TALK_TEST:
        return fabs(in_db) > 0.0 && line_moved;
    case LT_PATH_NOISE_EAR:
    case LT_PATH_NOISE_COUNTER:
    case LT_PATH_NOISE_BYSTANDER:
    case LT_PATH_COUNT:
        break;
    }
    return false;
}

void cli_tune_remember_missed(lt_dialled_lane *d, const lt_recording *r)
{
    char word[LT_PATH_WORD_MAX];
    lt_path_word(r->path, r->from, word);
    if (d->missed_count < LT_MISSED_MAX)
        (void)snprintf(d->missed[d->missed_count++], sizeof d->missed[0], "%s%s%.50s", word,
                       r->condition[0] != '\0' ? "." : "", r->condition);
}

/* The own recording hides the counter's of the same name. */
static bool is_hidden(const lt_survey_lane *lane, const lt_recording *r)
{
    for (size_t i = 0; i < lane->recording_count && r->shared; i++) {
        const lt_recording *own = &lane->recordings[i];
        if (own->usable && !own->shared && own->path == r->path && strcmp(own->condition, r->condition) == 0)
            return true;
    }
    return false;
}

static bool is_plain_there(const lt_survey_lane *lane)
{
    for (size_t i = 0; i < lane->recording_count; i++)
        if (lane->recordings[i].usable && !lane->recordings[i].shared && lane->recordings[i].condition[0] == '\0')
            return true;
    return false;
}

/* Nobody moves a car for --yes: then only the empty lane is measured again, if it ever was. */
static bool is_wanted(const cli_tune_live_job *t, const lt_survey_lane *lane, const char *condition)
{
    return condition[0] == '\0' || !t->live.without_asking || !is_plain_there(lane);
}

static const char *description(const lt_visit *v, const char *condition)
{
    for (size_t i = 0; i < v->condition_count; i++)
        if (strcmp(v->conditions[i].condition, condition) == 0)
            return v->conditions[i].text;
    return "";
}

typedef struct {
    double out_db, in_db;
    double shift_db; /* of the receive response; NaN = not known */
    bool left_out;   /* something of this condition was not measured again */
} again;

static lt_status again_one(cli_tune_live_job *t, const lt_survey_lane *lane, const lt_recording *r, again *a,
                           lt_dialled_lane *d, lt_error *err)
{
    cli_tune_step s = step_of(t->second, lane->lane, r->path, r->condition);
    lt_status st = LT_OK;
    if (!is_spoilt(r->path, a->out_db, a->in_db, a->shift_db))
        return LT_OK;
    s.before = r->response;
    s.skipped = a->left_out;
    if (!s.skipped)
        st = cli_tune_measure_step(t, &s, err);
    if (st == LT_OK && !s.skipped && r->path == LT_PATH_INBOUND && r->condition[0] == '\0')
        a->shift_db = s.moved_db;
    if (st == LT_OK && s.skipped) {
        cli_tune_remember_missed(d, r);
        a->left_out |= r->condition[0] != '\0'; /* half a condition says nothing */
    }
    return st;
}

/* What holds at the new settings too is copied; of a condition that was left out, nothing. */
static lt_status carry(const cli_tune_live_job *t, const lt_survey_lane *lane, const char *condition, const again *a,
                       lt_error *err)
{
    lt_status st = LT_OK;
    for (int p = 0; p < LT_PATH_COUNT && st == LT_OK; p++) {
        const lt_path path = (lt_path)p;
        if (!is_spoilt(path, a->out_db, a->in_db, a->shift_db))
            st = lt_visit_carry(t->dir, t->first, t->second, lane->lane->tune.lane, lane->lane->counter, &path,
                                condition, err);
    }
    return st;
}

static lt_status again_condition(cli_tune_live_job *t, const lt_survey_lane *lane, const char *condition, again *a,
                                 lt_dialled_lane *d, lt_error *err)
{
    lt_status st = LT_OK;
    a->left_out = !is_wanted(t, lane, condition);
    if (condition[0] != '\0' && !a->left_out)
        cli_live_say(&t->live, "Lane %u once more with condition %s (%s); s leaves it out.", d->lane, condition,
                     description(t->before.survey->visit, condition));
    for (size_t i = 0; i < CLI_WALK && st == LT_OK; i++)
        for (size_t k = 0; k < lane->recording_count && st == LT_OK; k++) {
            const lt_recording *r = &lane->recordings[k];
            if (r->usable && r->path == cli_walk[i] && strcmp(r->condition, condition) == 0 && !is_hidden(lane, r))
                st = again_one(t, lane, r, a, d, err);
        }
    return st == LT_OK && !a->left_out ? carry(t, lane, condition, a, err) : st;
}

static void note_lane_microphone(const lt_survey_lane *lane, const again *a, lt_dialled_lane *d)
{
    const bool behind = fabs(a->shift_db - a->in_db) < 0.5;
    if (fabs(a->in_db) > 0.0 && !has(lane, LT_PATH_TALK_TEST) && !behind)
        lt_notes_add(&d->notes, "lane-mic-cal",
                     "Without a talk test the customers' speech is computed from lane_mic_cal_db, which holds for the "
                     "inbound setting of before; a talk test at the new setting says more.");
}

lt_status cli_tune_measure_again(cli_tune_live_job *t, const lt_survey_lane *lane, lt_dialled_lane *d, lt_error *err)
{
    again a = {.out_db = d->outbound_to_db - d->outbound_from_db,
               .in_db = d->inbound_to_db - d->inbound_from_db,
               .shift_db = NAN};
    /* Noise does not wait for the sweeps: whatever ends this run, it is there. */
    lt_status st = LT_OK;
    static const lt_path noise[] = {LT_PATH_NOISE_EAR, LT_PATH_NOISE_COUNTER};
    for (size_t i = 0; i < sizeof noise / sizeof *noise && st == LT_OK; i++)
        st = lt_visit_carry(t->dir, t->first, t->second, d->lane, lane->lane->counter, &noise[i], "", err);
    if (st == LT_OK)
        st = again_condition(t, lane, "", &a, d, err); /* shows where the knobs sit: before all others */
    for (size_t i = 0; i < lane->tune.condition_count && st == LT_OK; i++)
        if (lane->tune.recordings[i].name[0] != '\0')
            st = again_condition(t, lane, lane->tune.recordings[i].name, &a, d, err);
    note_lane_microphone(lane, &a, d);
    return st;
}
