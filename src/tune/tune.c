/* SPDX-License-Identifier: MIT
 * Recommended settings of all lanes: evidence, groups of tied lanes, search, and what goes with the result. dB. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <string.h>

/* ---- shared knobs ---- */

static const lt_adjuster *adjuster_of(const lt_tune_lane *lanes, size_t i)
{
    const lt_tune_lane *l = &lanes[i / 2];
    return i % 2 == 0 ? &l->outbound : &l->inbound;
}

static bool same_knob(const lt_adjuster *a, const lt_adjuster *b)
{
    return a->shared[0] != '\0' && strncmp(a->shared, b->shared, sizeof a->shared) == 0;
}

/* One knob has one scale. */
static lt_status check_shared(const lt_tune_lane *lanes, size_t count, lt_error *err)
{
    for (size_t i = 0; i < 2 * count; i++)
        for (size_t k = 0; k < i; k++) {
            const lt_adjuster *a = adjuster_of(lanes, i);
            const lt_adjuster *b = adjuster_of(lanes, k);
            if (!same_knob(a, b))
                continue;
            bool equal = a->step_count == b->step_count;
            for (size_t s = 0; equal && s < a->step_count; s++)
                equal = fabs(a->steps_db[s] - b->steps_db[s]) < 1e-9;
            if (!equal)
                return ltp_fail(err, LT_E_ARG,
                                "lanes %u and %u share the knob \"%.31s\" but offer different settings on it: "
                                "give both the same steps",
                                lanes[k / 2].lane, lanes[i / 2].lane, a->shared);
        }
    return LT_OK;
}

/* Lanes that hang together through shared words, in group numbers; the number is the first lane's index. */
static void find_groups(const lt_tune_lane *lanes, size_t count, size_t *group)
{
    for (size_t l = 0; l < count; l++)
        group[l] = l;
    for (size_t i = 0; i < 2 * count; i++)
        for (size_t k = 0; k < i; k++) {
            const size_t a = group[i / 2];
            const size_t b = group[k / 2];
            if (a == b || !same_knob(adjuster_of(lanes, i), adjuster_of(lanes, k)))
                continue;
            for (size_t l = 0; l < count; l++)
                if (group[l] == a || group[l] == b)
                    group[l] = a < b ? a : b;
        }
}

/* Number of the shared knob of adjuster i, or LTP_FREE; words get numbers in order of appearance within the group. */
static int knob_of(const lt_tune_lane *const *members, size_t count, size_t i, size_t *knobs, const char **words)
{
    const lt_adjuster *a = i % 2 == 0 ? &members[i / 2]->outbound : &members[i / 2]->inbound;
    size_t uses = 0;
    for (size_t k = 0; k < 2 * count; k++)
        uses += same_knob(a, k % 2 == 0 ? &members[k / 2]->outbound : &members[k / 2]->inbound) ? 1 : 0;
    if (uses < 2)
        return LTP_FREE;
    for (size_t k = 0; k < *knobs; k++)
        if (strncmp(words[k], a->shared, sizeof a->shared) == 0)
            return (int)k;
    if (*knobs < LT_TUNE_LANES_MAX)
        words[*knobs] = a->shared;
    return (int)(*knobs)++;
}

/* ---- one group ---- */

static void set_up_problems(ltp_group *g)
{
    const lt_tune_lane *members[LT_TUNE_LANES_MAX];
    const char *words[LT_TUNE_LANES_MAX];
    for (size_t l = 0; l < g->count; l++)
        members[l] = g->evidence[l]->lane;
    g->knobs = 0;
    for (size_t l = 0; l < g->count; l++) {
        ltp_problem *p = &g->problems[l];
        *p = (ltp_problem){.grid = &g->offered[l],
                           .out_zero_db = members[l]->outbound.recorded_db,
                           .in_zero_db = members[l]->inbound.recorded_db,
                           .target_sii = members[l]->target_sii};
        memcpy(p->slack_db, g->evidence[l]->slack_db, sizeof p->slack_db);
        p->out_knob = knob_of(members, g->count, 2 * l, &g->knobs, words);
        p->in_knob = knob_of(members, g->count, 2 * l + 1, &g->knobs, words);
    }
}

static lt_status solve_group(ltp_group *g, lt_error *err)
{
    lt_status st = LT_OK;
    for (size_t l = 0; l < g->count && st == LT_OK; l++) {
        st = ltp_settings_grid_offered(g->evidence[l], &g->offered[l], err);
        if (st == LT_OK)
            st = ltp_settings_grid_fine(g->evidence[l], &g->fine[l], err);
    }
    if (st != LT_OK)
        return st;
    set_up_problems(g);
    return ltp_search(g->problems, g->count, g->knobs, g->choices, err);
}

/* With the margin demanded at hand, notches are worth what more they can give; without it, they must reach it. */
static lt_status notches_after(const ltp_evidence *e, double d_out_db, double d_in_db, lt_tune_result *r, lt_error *err)
{
    static const double graphic_worth_db = 3.0; /* asked of a graphic equalizer where nothing is missing */
    const lt_tune_lane *l = e->lane;
    const lt_margin *m = &r->margin;
    const bool graphic = l->eq.kind == LT_EQ_GRAPHIC;
    r->safe_margin_with_notches_db = r->notch_sii_loss = NAN;
    if ((l->eq_filters == 0 && !graphic) || !lt_is_known(m->safe_margin_db))
        return LT_OK;
    double want_db = graphic ? m->safe_margin_db + graphic_worth_db : m->safe_margin_with_notches_db;
    if (lt_is_known(l->safe_margin_limit_db))
        want_db = fmax(want_db, l->safe_margin_limit_db);
    lt_lane_notches found;
    const lt_status st = ltp_lane_notches(e, e, d_out_db, d_in_db, want_db, &found, err);
    if (st != LT_OK || found.set.count == 0)
        return st;
    memcpy(r->notches, found.set.notches, sizeof r->notches);
    r->notch_count = found.set.count;
    r->safe_margin_with_notches_db = found.set.safe_margin_db;
    r->notch_sii_loss = found.judged ? found.sii_loss : (double)NAN;
    r->notches_inbound = found.inbound;
    ltp_notches_doubts(&found.set, l->lane, &r->warnings);
    return LT_OK;
}

static lt_status margin_after(const ltp_evidence *e, double d_out_db, double d_in_db, lt_tune_result *r, lt_error *err)
{
    lt_margin_options opt = lt_margin_default_options();
    if (e->lane->eq_filters > 0)
        opt.notches_max = e->lane->eq_filters < LT_NOTCHES_MAX ? e->lane->eq_filters : (unsigned)LT_NOTCHES_MAX;
    const lt_loop *const *loops = (const lt_loop *const *)e->loops;
    const lt_status st =
        lt_margin_compute(loops, e->loop_count, d_out_db + d_in_db - e->attenuation_db, &opt, &r->margin, err);
    const double limit_db = e->lane->safe_margin_limit_db;
    r->needed_attenuation_db = lt_needed_attenuation_db(r->margin.safe_margin_db - e->attenuation_db, limit_db);
    if (!lt_is_known(limit_db))
        r->needed_attenuation_db = NAN;
    return st == LT_OK ? notches_after(e, d_out_db, d_in_db, r, err) : st;
}

/* Operator and bystander: nothing that settings are chosen by. */
static lt_status people(const lt_tune_lane *l, double d_out_db, double d_in_db, lt_tune_result *r, lt_error *err)
{
    ltp_evidence *usual = NULL;
    lt_status st = ltp_evidence_of_usual_noise(l, &usual, err);
    if (st == LT_OK)
        st = ltp_operator_exposure(usual, l->inbound.now_db - l->inbound.recorded_db, d_in_db, &r->exposure, err);
    if (st == LT_OK)
        st = ltp_bystander_privacy(usual, l->outbound.now_db - l->outbound.recorded_db, d_out_db, &r->privacy, err);
    ltp_evidence_free(usual);
    return st;
}

static lt_status fill_result(const ltp_evidence *e, const ltp_choice *choice, lt_tune_result *r, lt_error *err)
{
    const lt_tune_lane *l = e->lane;
    r->lane = l->lane;
    memcpy(r->name, l->name, sizeof r->name);
    r->name[LT_NAME_MAX - 1] = '\0';
    r->outbound_now_db = l->outbound.now_db;
    r->inbound_now_db = l->inbound.now_db;
    r->outbound_step = choice->out;
    r->inbound_step = choice->in;
    r->outbound_recommended_db = l->outbound.steps_db[choice->out];
    r->inbound_recommended_db = l->inbound.steps_db[choice->in];
    r->condition_count = e->count;
    memcpy(r->conditions, e->cond, e->count * sizeof *r->conditions);
    r->assumptions = e->assumptions;
    r->warnings = e->warnings;
    const double d_out_db = r->outbound_recommended_db - l->outbound.recorded_db;
    const double d_in_db = r->inbound_recommended_db - l->inbound.recorded_db;
    lt_status st = ltp_figures(e, l->outbound.now_db - l->outbound.recorded_db,
                               l->inbound.now_db - l->inbound.recorded_db, &r->before, err);
    if (st == LT_OK)
        st = ltp_figures(e, d_out_db, d_in_db, &r->after, err);
    if (st == LT_OK)
        st = margin_after(e, d_out_db, d_in_db, r, err);
    if (st == LT_OK)
        st = people(l, d_out_db, d_in_db, r, err);
    if (st == LT_OK && !choice->feasible)
        ltp_unmet(e, r);
    return st;
}

/* A lane alone, without its shared knobs: what sharing costs it. */
static lt_status judge_sharing(const ltp_group *g, size_t l, lt_error *err)
{
    ltp_problem alone = g->problems[l];
    ltp_choice choice;
    alone.out_knob = alone.in_knob = LTP_FREE;
    const lt_status st = ltp_search(&alone, 1, 0, &choice, err);
    if (st == LT_OK && choice.best > g->choices[l].best + 0.01)
        ltp_advise(
            g->results[l],
            "A shared knob holds this lane back: with its own adjuster the lower of both speech indices would be "
            "%.2f instead of %.2f.",
            choice.best, g->choices[l].best);
    return st;
}

static lt_status tune_group(ltp_group *g, lt_error *err)
{
    lt_status st = solve_group(g, err);
    for (size_t l = 0; l < g->count && st == LT_OK; l++)
        st = fill_result(g->evidence[l], &g->choices[l], g->results[l], err);
    if (st == LT_OK)
        st = ltp_binding(g, err);
    for (size_t l = 0; l < g->count && st == LT_OK; l++) {
        ltp_advice(g->evidence[l], g->results[l]);
        if (g->knobs > 0)
            st = judge_sharing(g, l, err);
    }
    for (size_t l = 0; l < g->count; l++) {
        ltp_settings_grid_free(&g->offered[l]);
        ltp_settings_grid_free(&g->fine[l]);
    }
    return st;
}

typedef struct {
    ltp_evidence *evidence[LT_TUNE_LANES_MAX]; /* owned */
    ltp_group group;
} job;

static lt_status tune_groups(const lt_tune_lane *lanes, size_t count, job *j, lt_tune_result *results, lt_error *err)
{
    size_t group[LT_TUNE_LANES_MAX];
    lt_status st = LT_OK;
    find_groups(lanes, count, group);
    for (size_t first = 0; first < count && st == LT_OK; first++) {
        if (group[first] != first)
            continue;
        ltp_group *g = &j->group;
        *g = (ltp_group){0};
        for (size_t l = first; l < count; l++)
            if (group[l] == first) {
                g->evidence[g->count] = j->evidence[l];
                g->results[g->count++] = &results[l];
            }
        st = tune_group(g, err);
    }
    return st;
}

lt_status lt_tune(const lt_tune_lane *lanes, size_t count, lt_tune_result *results, lt_error *err)
{
    if (count < 1 || count > LT_TUNE_LANES_MAX)
        return ltp_fail(err, LT_E_ARG, "%zu lanes; 1 to %d can be tuned at once", count, (int)LT_TUNE_LANES_MAX);
    memset(results, 0, count * sizeof *results);
    job *j = ltp_alloc(1, sizeof *j);
    if (j == NULL)
        return ltp_fail_nomem(err, "the lanes");
    lt_status st = LT_OK;
    for (size_t l = 0; l < count && st == LT_OK; l++)
        st = ltp_evidence_create(&lanes[l], &j->evidence[l], err);
    if (st == LT_OK)
        st = check_shared(lanes, count, err);
    if (st == LT_OK)
        st = tune_groups(lanes, count, j, results, err);
    for (size_t l = 0; l < count; l++)
        ltp_evidence_free(j->evidence[l]);
    ltp_free(j);
    return st;
}

lt_status lt_tune_figures_at(const lt_tune_lane *lane, double outbound_db, double inbound_db, lt_tune_figures *out,
                             lt_error *err)
{
    *out = (lt_tune_figures){0};
    if (!lt_is_known(outbound_db) || !lt_is_known(inbound_db))
        return ltp_fail(err, LT_E_ARG, "lane %u: figures are asked for a setting that is no number", lane->lane);
    ltp_evidence *e = NULL;
    lt_status st = ltp_evidence_create(lane, &e, err);
    if (st == LT_OK)
        st = ltp_figures(e, outbound_db - lane->outbound.recorded_db, inbound_db - lane->inbound.recorded_db, out, err);
    ltp_evidence_free(e);
    return st;
}
