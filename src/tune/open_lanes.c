/* SPDX-License-Identifier: MIT
 * Margins of every set of open lanes, the worst first, and each lane alone with the notches that would help it. dB. */
#include "base/alloc.h"
#include "base/parallel.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double default_want_db = 6.0; /* common practice */

/* ---- each lane alone ---- */

static bool has_loop(const lt_tune_lane *l)
{
    for (size_t c = 0; c < l->condition_count; c++)
        if (l->recordings[c].loop != NULL || l->recordings[c].lane_coupling != NULL)
            return true;
    return false;
}

lt_status ltp_evidence_of_loops(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err)
{
    *out = NULL;
    ltp_evidence *e = ltp_alloc(1, sizeof *e);
    if (e == NULL)
        return ltp_fail_nomem(err, "a lane's loops");
    e->lane = lane;
    e->count = lane->condition_count < LT_CONDITIONS_MAX ? lane->condition_count : LT_CONDITIONS_MAX;
    for (size_t c = 0; c < e->count; c++) {
        const lt_tune_recordings *r = &lane->recordings[c];
        e->rec[c] = (lt_tune_recordings){.lane_coupling = r->lane_coupling,
                                         .counter_coupling = r->counter_coupling,
                                         .loop = r->loop,
                                         .delay_known = r->delay_known};
        memcpy(e->rec[c].name, r->name, sizeof r->name);
        memcpy(e->cond[c].name, r->name, sizeof r->name);
    }
    ltp_recordings_borrow(e);
    ltp_recordings_doubts(e);
    const lt_status st = ltp_paths(e, err);
    if (st != LT_OK) {
        ltp_evidence_free(e);
        return st;
    }
    *out = e;
    return LT_OK;
}

/* Echo is no part of a margin. */
static void carry(const lt_notes *from, unsigned lane, lt_notes *to)
{
    for (size_t i = 0; i < from->count; i++)
        if (strncmp(from->items[i].code, "echo-", 5) != 0)
            lt_notes_add(to, from->items[i].code, "Lane %u: %.200s", lane, from->items[i].message);
}

/* The notches of a lane belong to its margin, wherever they were found. */
static void take_notches(lt_open_lane *l)
{
    const lt_notch_set *s = &l->notch.set;
    memcpy(l->margin.notches, s->notches, sizeof l->margin.notches);
    l->margin.notch_count = s->count;
    l->margin.safe_margin_with_notches_db = s->safe_margin_db;
    l->margin.margin_with_notches_db = s->margin_db;
}

typedef struct {
    const lt_open_lane_of *in;
    double want_db;
    lt_open_lane *out;
    lt_notes warnings, assumptions;
    lt_status status;
    lt_error error;
} lane_work;

static lt_status one_lane(lane_work *w, lt_error *err)
{
    const lt_open_lane_of *in = w->in;
    lt_open_lane *out = w->out;
    const lt_tune_lane *l = in->lane;
    const double d_out_db = in->outbound_db - l->outbound.recorded_db;
    const double d_in_db = in->inbound_db - l->inbound.recorded_db;
    const double limit_db = lt_is_known(l->safe_margin_limit_db) ? l->safe_margin_limit_db : default_want_db;
    ltp_evidence *loops = NULL;
    ltp_evidence *speech = NULL;
    out->lane = l->lane;
    memcpy(out->name, l->name, sizeof out->name);
    out->want_db = lt_is_known(w->want_db) ? w->want_db : limit_db;
    lt_status st = ltp_evidence_of_loops(l, &loops, err);
    if (st != LT_OK)
        return st;
    const lt_margin_options opt = {.notches_max = 0};
    st = lt_margin_compute((const lt_loop *const *)loops->loops, loops->loop_count,
                           d_out_db + d_in_db - loops->attenuation_db, &opt, &out->margin, err);
    out->needed_attenuation_db =
        lt_needed_attenuation_db(out->margin.safe_margin_db - loops->attenuation_db, out->want_db);
    /* What the loss of speech needs may not have been recorded; then the notches are judged by their width. */
    if (st == LT_OK && ltp_evidence_create(l, &speech, NULL) == LT_E_NOMEM)
        st = ltp_fail_nomem(err, "a lane's evidence");
    if (st == LT_OK)
        st = ltp_lane_notches(loops, speech, d_out_db, d_in_db, out->want_db, &out->notch, err);
    if (st == LT_OK) {
        take_notches(out);
        ltp_notches_doubts(&out->notch.set, l->lane, &w->warnings);
        carry(&loops->assumptions, l->lane, &w->assumptions);
        carry(&loops->warnings, l->lane, &w->warnings);
    }
    ltp_evidence_free(loops);
    ltp_evidence_free(speech);
    return st;
}

static void add_condition(lt_open_margin *out, const char *name)
{
    for (size_t k = 0; k < out->condition_count; k++)
        if (strcmp(out->conditions[k], name) == 0)
            return;
    if (out->condition_count == LT_CONDITIONS_MAX) {
        lt_notes_add(&out->warnings, "too-many-conditions",
                     "The condition '%.40s' is left out: at most %d are compared.", name, (int)LT_CONDITIONS_MAX);
        return;
    }
    memcpy(out->conditions[out->condition_count++], name, LT_NAME_MAX);
}

typedef struct {
    lt_open_margin *out;
    lane_work *work;
} all_lanes;

static void work_on_lane(void *context, size_t i)
{
    lane_work *w = &((const all_lanes *)context)->work[i];
    w->status = one_lane(w, &w->error);
}

static bool take_lane(void *context, size_t i)
{
    const all_lanes *a = context;
    const lane_work *w = &a->work[i];
    lt_open_margin *out = a->out;
    if (w->status != LT_OK)
        return false;
    lt_notes_append(&out->warnings, &w->warnings);
    lt_notes_append(&out->assumptions, &w->assumptions);
    for (size_t c = 0; c < w->in->lane->condition_count; c++)
        add_condition(out, w->in->lane->recordings[c].name);
    const double safe_db = w->out->margin.safe_margin_db;
    const double worst_db = out->lanes[out->worst_lane].margin.safe_margin_db;
    if (safe_db < worst_db || (isnan(worst_db) && !isnan(safe_db)))
        out->worst_lane = i;
    out->lane_count++;
    return true;
}

static lt_status each_lane(const lt_open_lanes *in, lt_open_margin *out, lt_error *err)
{
    lane_work *work = ltp_alloc(in->lane_count, sizeof *work);
    if (work == NULL)
        return ltp_fail_nomem(err, "the lanes");
    for (size_t i = 0; i < in->lane_count; i++)
        work[i] = (lane_work){.in = &in->lanes[i], .want_db = in->want_db, .out = &out->lanes[i]};
    all_lanes a = {.out = out, .work = work};
    ltp_parallel_run(&(ltp_parallel){.count = in->lane_count, .context = &a, .work = work_on_lane, .take = take_lane});
    lt_status st = LT_OK;
    for (size_t i = 0; i < in->lane_count && st == LT_OK; i++)
        st = work[i].status == LT_OK ? LT_OK : ltp_fail(err, work[i].status, "%s", work[i].error.what);
    ltp_free(work);
    return st;
}

/* ---- all sets ---- */

static void list_counters(const lt_open_lanes *in, lt_open_margin *out)
{
    for (size_t i = 0; i < in->lane_count; i++) {
        bool known = false;
        for (size_t k = 0; k < out->counter_count; k++)
            known |= out->counters[k] == in->lanes[i].counter;
        if (!known)
            out->counters[out->counter_count++] = in->lanes[i].counter;
    }
}

static int worst_first(const void *a, const void *b)
{
    const lt_matrix_margin *x = a;
    const lt_matrix_margin *y = b;
    const double keys[2][2] = {{x->margin_db, y->margin_db}, {x->safe_margin_db, y->safe_margin_db}};
    for (int k = 0; k < 2; k++) {
        if (isnan(keys[k][0]) != isnan(keys[k][1]))
            return isnan(keys[k][0]) ? 1 : -1;
        if (keys[k][0] < keys[k][1] || keys[k][0] > keys[k][1])
            return keys[k][0] < keys[k][1] ? -1 : 1;
    }
    return (x->open > y->open) - (x->open < y->open);
}

typedef struct {
    const lt_loop_matrix *const *matrices;
    lt_open_margin *out;
    lt_status status[LT_OPEN_SETS_MAX];
    lt_error error[LT_OPEN_SETS_MAX];
} set_work;

static void work_on_set(void *context, size_t i)
{
    set_work *w = context;
    w->status[i] = lt_loop_matrix_margin(w->matrices, w->out->condition_count, (unsigned)i + 1, false, &w->out->sets[i],
                                         &w->error[i]);
}

static bool take_set(void *context, size_t i)
{
    const set_work *w = context;
    w->out->set_count = i + 1;
    return w->status[i] == LT_OK;
}

static lt_status compute_sets(const lt_loop_matrix *const *matrices, lt_open_margin *out, lt_error *err)
{
    set_work *w = ltp_alloc(1, sizeof *w);
    if (w == NULL)
        return ltp_fail_nomem(err, "the sets of open lanes");
    w->matrices = matrices;
    w->out = out;
    ltp_parallel_run(
        &(ltp_parallel){.count = (1u << out->lane_count) - 1u, .context = w, .work = work_on_set, .take = take_set});
    const size_t last = out->set_count - 1;
    const lt_status st = w->status[last] == LT_OK ? LT_OK : ltp_fail(err, w->status[last], "%s", w->error[last].what);
    ltp_free(w);
    if (st != LT_OK)
        return st;
    qsort(out->sets, out->set_count, sizeof *out->sets, worst_first);
    return lt_loop_matrix_margin(matrices, out->condition_count, out->sets[0].open, true, &out->sets[0], err);
}

static lt_status all_sets(const lt_open_lanes *in, lt_open_margin *out, lt_error *err)
{
    lt_loop_matrix *matrices[LT_CONDITIONS_MAX] = {NULL};
    lt_status st = LT_OK;
    for (size_t c = 0; c < out->condition_count && st == LT_OK; c++) {
        lt_matrix_paths paths;
        st = ltp_open_paths(in, out->conditions[c], out, &paths, err);
        if (st == LT_OK)
            st = lt_loop_matrix_create(&paths, &matrices[c], err);
    }
    if (st == LT_OK)
        st = compute_sets((const lt_loop_matrix *const *)matrices, out, err);
    for (size_t c = 0; c < out->condition_count; c++)
        lt_loop_matrix_free(matrices[c]);
    return st;
}

/* Phases of recordings that began at different times mean nothing beside each other. */
static void note_phases(const lt_open_lanes *in, lt_open_margin *out)
{
    bool known = true;
    for (size_t i = 0; i < in->lane_count; i++)
        for (size_t c = 0; c < in->lanes[i].lane->condition_count; c++)
            known = known && (in->lanes[i].lane->recordings[c].delay_known ||
                              in->lanes[i].lane->recordings[c].lane_coupling == NULL);
    if (in->lane_count > 1 && !known)
        lt_notes_add(&out->assumptions, "loop-phase-assumed",
                     "Some couplings were not recorded from the start of the playback on: the margins of several lanes "
                     "hold for the phases as recorded; the safe margin does not depend on each lane's own.");
}

static lt_status choose_lanes(const lt_open_lanes *in, lt_open_lanes *kept, lt_open_margin *out, lt_error *err)
{
    *kept = *in;
    kept->lane_count = 0;
    if (in->lane_count < 1 || in->lane_count > LT_OPEN_LANES_MAX)
        return ltp_fail(err, LT_E_ARG, "%zu lanes; the margins of 1 to %d open lanes can be told at once",
                        in->lane_count, (int)LT_OPEN_LANES_MAX);
    for (size_t i = 0; i < in->lane_count; i++) {
        if (has_loop(in->lanes[i].lane))
            kept->lanes[kept->lane_count++] = in->lanes[i];
        else
            lt_notes_add(&out->warnings, "lane-not-recorded",
                         "Lane %u has no usable recording of lane-coupling or loop and is left out.",
                         in->lanes[i].lane->lane);
    }
    if (kept->lane_count == 0)
        return ltp_fail(
            err, LT_E_ARG,
            "no lane has a usable recording of lane-coupling or loop: record lane-coupling (stimulus on the "
            "outbound line, recorded from the inbound line)");
    return LT_OK;
}

lt_status lt_open_margin_compute(const lt_open_lanes *in, lt_open_margin *out, lt_error *err)
{
    lt_open_lanes kept;
    memset(out, 0, sizeof *out);
    lt_status st = choose_lanes(in, &kept, out, err);
    if (st != LT_OK)
        return st;
    list_counters(&kept, out);
    st = each_lane(&kept, out, err);
    if (st == LT_OK)
        st = all_sets(&kept, out, err);
    if (st == LT_OK)
        note_phases(&kept, out);
    return st;
}

double lt_open_rule_db(const lt_open_margin *m, unsigned open)
{
    double least = (double)NAN;
    size_t count = 0;
    for (size_t i = 0; i < m->lane_count; i++) {
        const double safe_db = m->lanes[i].margin.safe_margin_db;
        if ((open >> i & 1u) == 0 || isnan(safe_db))
            continue;
        least = isnan(least) || safe_db < least ? safe_db : least;
        count++;
    }
    return least - lt_open_microphones_db(count);
}
