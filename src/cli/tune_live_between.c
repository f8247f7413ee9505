/* SPDX-License-Identifier: MIT
 * Couplings between lanes and between counters in tune --live: asked for where two can be open together, of neighbours
 * only - farther ones are quieter by 6 dB each doubling, and margin --site assumes them. */
#include "tune_live.h"

#include "base/alloc.h"

#include <stdio.h>
#include <string.h>

/* Lanes, or counters, that can be open together, in the order of site.yaml: neighbours stand side by side. */
typedef struct {
    bool counters;
    unsigned numbers[LT_SITE_LANES_MAX];
    bool sounds[LT_SITE_LANES_MAX]; /* its speaker reaches the neighbour: no handset, no headset */
    size_t count;
} open_list;

static bool is_listed(const open_list *l, unsigned number)
{
    for (size_t i = 0; i < l->count; i++)
        if (l->numbers[i] == number)
            return true;
    return false;
}

static open_list list_open(const lt_survey *s, bool counters)
{
    open_list l = {.counters = counters};
    for (size_t i = 0; i < s->lane_count && l.count < LT_SITE_LANES_MAX; i++) {
        const lt_survey_lane *lane = &s->lanes[i];
        const unsigned number = counters ? lane->lane->counter : lane->tune.lane;
        if (lane->tune.duplex == LT_DUPLEX_PUSH_TO_TALK || is_listed(&l, number))
            continue;
        l.sounds[l.count] = !counters || lane->tune.listening == LT_LISTEN_LOUDSPEAKER;
        l.numbers[l.count++] = number;
    }
    return l;
}

/* ---- what is there ---- */

static bool is_between(const lt_recording *r, unsigned from)
{
    return r->usable && r->path == LT_PATH_CROSS_COUPLING && r->from == from;
}

static bool is_recorded(const lt_survey *s, bool counters, unsigned to, unsigned from)
{
    for (size_t k = 0; counters && k < s->counter_recording_count; k++)
        if (s->counter_recordings[k].number == to && is_between(&s->counter_recordings[k], from))
            return true;
    for (size_t i = 0; !counters && i < s->lane_count; i++)
        for (size_t k = 0; k < s->lanes[i].recording_count && s->lanes[i].tune.lane == to; k++)
            if (!s->lanes[i].recordings[k].shared && is_between(&s->lanes[i].recordings[k], from))
                return true;
    return false;
}

/* site.yaml says a level, of this direction or of the other. */
static bool is_stated(const lt_site *s, bool counters, unsigned to, unsigned from)
{
    for (size_t i = 0; i < s->coupling_count; i++) {
        const lt_cross_coupling *c = &s->couplings[i];
        if (c->counters == counters && lt_is_known(c->level_db) &&
            ((c->to == to && c->from == from) || (c->to == from && c->from == to)))
            return true;
    }
    return false;
}

/* ---- into the first visit ---- */

static cli_tune_step step_of(const char *visit, bool counters, unsigned to, unsigned from)
{
    return (cli_tune_step){.visit = visit,
                           .condition = "",
                           .path = LT_PATH_CROSS_COUPLING,
                           .lane = counters ? 0 : to,
                           .counter = counters ? to : 0,
                           .from = from,
                           .may_skip = true,
                           .may_skip_all = true};
}

static lt_status measure(cli_tune_live_job *t, cli_tune_step *s, lt_error *err)
{
    s->skipped = true;
    if (t->between_left_out)
        return LT_OK;
    const lt_status st = cli_tune_measure_step(t, s, err);
    t->between_left_out |= s->skipped_all;
    return st;
}

static lt_status measure_list(cli_tune_live_job *t, const open_list *l, lt_error *err)
{
    const lt_survey *s = t->before.survey;
    bool said = false;
    lt_status st = LT_OK;
    for (size_t i = 0; i < l->count && st == LT_OK; i++)
        for (size_t side = 0; side < 2 && st == LT_OK; side++) {
            const size_t k = side == 0 ? i - 1 : i + 1; /* i - 1 wraps for the first: not below count */
            if (k >= l->count || !l->sounds[k])
                continue;
            const unsigned to = l->numbers[i], from = l->numbers[k];
            if (is_recorded(s, l->counters, to, from) || is_stated(s->site, l->counters, to, from))
                continue;
            if (!said && !t->between_left_out)
                cli_live_say(&t->live,
                             "%zu %s can be open together. Whether they howl together is told by how loud each speaker "
                             "is in the microphone beside it. What is left out is assumed.\n",
                             l->count, l->counters ? "counters" : "lanes");
            said = true;
            cli_tune_step step = step_of(t->first, l->counters, to, from);
            st = measure(t, &step, err);
        }
    return st;
}

lt_status cli_tune_between_missing(cli_tune_live_job *t, lt_error *err)
{
    const open_list lanes = list_open(t->before.survey, false);
    const open_list counters = list_open(t->before.survey, true);
    t->between_left_out |= t->live.without_asking; /* nobody moves plugs from lane to lane */
    const lt_status st = measure_list(t, &lanes, err);
    return st == LT_OK ? measure_list(t, &counters, err) : st;
}

/* ---- into the second visit ---- */

/* Was the outbound (else the inbound) knob of this lane, or of a lane of this counter, turned? */
static bool is_turned(const cli_tune_live_job *t, bool counters, unsigned number, bool outbound)
{
    for (size_t i = 0; i < t->before.count; i++) {
        const lt_dialled_lane *d = &t->lanes[i];
        const unsigned own = counters ? t->before.survey->lanes[i].lane->counter : d->lane;
        const double by_db = outbound ? d->outbound_to_db - d->outbound_from_db : d->inbound_to_db - d->inbound_from_db;
        if (d->dialled && own == number && fabs(by_db) > 0.0)
            return true;
    }
    return false;
}

/* A lane's speaker hangs on its outbound line, a counter's on the inbound ones; the microphones on the other. */
static bool is_spoilt(const cli_tune_live_job *t, bool counters, unsigned to, unsigned from)
{
    return is_turned(t, counters, from, !counters) || is_turned(t, counters, to, counters);
}

lt_status cli_tune_between_carry(const cli_tune_live_job *t, lt_error *err)
{
    const lt_site *s = t->before.survey->site;
    lt_status st = LT_OK;
    for (int counters = 0; counters < 2; counters++) {
        const size_t count = counters ? s->counter_count : s->lane_count;
        for (size_t i = 0; i < count && st == LT_OK; i++)
            for (size_t k = 0; k < count && st == LT_OK; k++) {
                const unsigned to = counters ? s->counters[i].counter : s->lanes[i].tune.lane;
                const unsigned from = counters ? s->counters[k].counter : s->lanes[k].tune.lane;
                if (i != k && !is_spoilt(t, counters != 0, to, from))
                    st = lt_visit_carry_between(t->dir, t->first, t->second, counters != 0, to, from, err);
            }
    }
    return st;
}

/* The lane of that number, or the first of that counter, that was dialled in; else the first of all. */
static lt_dialled_lane *told_with(const cli_tune_live_job *t, bool counters, unsigned to, unsigned from)
{
    for (size_t i = 0; i < t->before.count; i++) {
        lt_dialled_lane *d = &t->lanes[i];
        const unsigned own = counters ? t->before.survey->lanes[i].lane->counter : d->lane;
        if (d->dialled && (own == to || own == from))
            return d;
    }
    return &t->lanes[0];
}

static lt_status again(cli_tune_live_job *t, bool counters, unsigned to, const lt_recording *r, lt_error *err)
{
    cli_tune_step s = step_of(t->second, counters, to, r->from);
    lt_status st = LT_OK;
    if (!is_spoilt(t, counters, to, r->from))
        return LT_OK;
    s.skipped = true;
    if (r->condition[0] == '\0')
        st = measure(t, &s, err);
    if (st == LT_OK && s.skipped)
        cli_tune_remember_missed(told_with(t, counters, to, r->from), r);
    return st;
}

lt_status cli_tune_between_again(cli_tune_live_job *t, lt_error *err)
{
    const lt_survey *s = t->before.survey;
    lt_status st = LT_OK;
    t->between_left_out = t->live.without_asking; /* what was left out before was not recorded at all */
    for (size_t i = 0; i < s->lane_count; i++)
        for (size_t k = 0; k < s->lanes[i].recording_count && st == LT_OK; k++) {
            const lt_recording *r = &s->lanes[i].recordings[k];
            if (!r->shared && is_between(r, r->from))
                st = again(t, false, s->lanes[i].tune.lane, r, err);
        }
    for (size_t k = 0; k < s->counter_recording_count && st == LT_OK; k++) {
        const lt_recording *r = &s->counter_recordings[k];
        if (is_between(r, r->from))
            st = again(t, true, r->number, r, err);
    }
    return st;
}
