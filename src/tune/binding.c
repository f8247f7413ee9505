/* SPDX-License-Identifier: MIT
 * Which limit binds, and what one dB more of it would buy. SII.
 *
 * A limit binds if a better setting (by more than 0.002) would be offered without it; for `range` the adjusters go on
 * beyond their last step. What one dB buys is the best objective with that limit relaxed by 1 dB less the best without,
 * both with adjusters that have no steps; of tied lanes, with steps of 0.25 dB and the limit relaxed in all.
 */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <string.h>

enum { CANDIDATES = LTP_LIMITS + 1 }; /* the limits and `range` */

typedef struct {
    ltp_problem problems[LT_TUNE_LANES_MAX];
    ltp_choice choices[LT_TUNE_LANES_MAX];
    double base[LT_TUNE_LANES_MAX];                /* without steps, as things are */
    double offered[CANDIDATES][LT_TUNE_LANES_MAX]; /* best objective without the limit */
    double relaxed[CANDIDATES][LT_TUNE_LANES_MAX]; /* without steps, 1 dB more of it */
    double alone[CANDIDATES][LT_TUNE_LANES_MAX];   /* with no other limit than this */
    double all_free[LT_TUNE_LANES_MAX];
} trials;

static void take(const ltp_group *g, bool fine, trials *t)
{
    for (size_t l = 0; l < g->count; l++) {
        t->problems[l] = g->problems[l];
        t->problems[l].grid = fine ? &g->fine[l] : &g->offered[l];
    }
}

static void drop(const ltp_group *g, lt_limit k, trials *t)
{
    for (size_t l = 0; l < g->count; l++) {
        if (k == LT_LIMIT_RANGE)
            t->problems[l].beyond = true;
        else
            t->problems[l].slack_db[k] = (double)INFINITY;
    }
}

static void relax(const ltp_group *g, lt_limit k, trials *t)
{
    for (size_t l = 0; l < g->count; l++) {
        if (k == LT_LIMIT_RANGE)
            t->problems[l].beyond = true; /* for just 1 dB */
        else
            t->problems[l].slack_db[k] += 1.0;
    }
}

static lt_status solve(const ltp_group *g, trials *t, double *best, lt_error *err)
{
    const lt_status st = ltp_search(t->problems, g->count, g->knobs, t->choices, err);
    for (size_t l = 0; l < g->count && st == LT_OK; l++)
        best[l] = t->choices[l].best;
    return st;
}

/* As if there were no steps. */
static lt_status solve_between(const ltp_group *g, trials *t, double *best, lt_error *err)
{
    if (g->knobs > 0)
        return solve(g, t, best, err);
    lt_status st = LT_OK;
    for (size_t l = 0; l < g->count && st == LT_OK; l++)
        st = ltp_best_between(g->evidence[l], &t->problems[l], &best[l], err);
    return st;
}

static lt_status try_each(const ltp_group *g, trials *t, lt_error *err)
{
    take(g, true, t);
    lt_status st = solve_between(g, t, t->base, err);
    for (int k = 0; k < CANDIDATES && st == LT_OK; k++) {
        take(g, false, t);
        drop(g, (lt_limit)k, t);
        st = solve(g, t, t->offered[k], err);
        if (st != LT_OK)
            break;
        take(g, true, t);
        relax(g, (lt_limit)k, t);
        st = solve_between(g, t, t->relaxed[k], err);
    }
    return st;
}

/* Limits that stand behind one another: none binds alone, yet together they do. */
static lt_status try_together(const ltp_group *g, trials *t, lt_error *err)
{
    lt_status st = LT_OK;
    for (int kept = 0; kept <= CANDIDATES && st == LT_OK; kept++) {
        take(g, false, t);
        for (int k = 0; k < CANDIDATES; k++)
            if (k != kept)
                drop(g, (lt_limit)k, t);
        st = solve(g, t, kept < CANDIDATES ? t->alone[kept] : t->all_free, err);
    }
    return st;
}

static void add(lt_tune_result *r, lt_limit limit, double buys)
{
    size_t at = r->binding_count;
    while (at > 0 && r->binding[at - 1].one_db_buys_sii < buys)
        at--;
    memmove(r->binding + at + 1, r->binding + at, (r->binding_count - at) * sizeof *r->binding);
    r->binding[at] = (lt_binding){limit, buys};
    r->binding_count++;
}

static bool is_unmet(const lt_tune_result *r, lt_limit limit)
{
    for (size_t i = 0; i < r->unmet_count; i++)
        if (r->unmet[i].limit == limit)
            return true;
    return false;
}

static void list(const ltp_group *g, size_t l, const trials *t)
{
    lt_tune_result *r = g->results[l];
    const double now = g->choices[l].best;
    if (r->unmet_count == 0 && now >= g->problems[l].target_sii - LTP_EQUAL_SII) {
        add(r, LT_LIMIT_TARGET, 0.0);
        return;
    }
    for (int k = 0; k < CANDIDATES; k++)
        if (is_unmet(r, (lt_limit)k) || t->offered[k][l] - now > LTP_EQUAL_SII)
            add(r, (lt_limit)k, fmax(t->relaxed[k][l] - t->base[l], 0.0));
    if (r->binding_count > 0)
        return;
    if (t->all_free[l] - now > LTP_EQUAL_SII)
        for (int k = 0; k < CANDIDATES; k++)
            if (t->all_free[l] - t->alone[k][l] > LTP_EQUAL_SII)
                add(r, (lt_limit)k, fmax(t->relaxed[k][l] - t->base[l], 0.0));
    if (r->binding_count == 0)
        add(r, LT_LIMIT_NOISE, 0.0);
}

lt_status ltp_binding(const ltp_group *g, lt_error *err)
{
    trials *t = ltp_alloc(1, sizeof *t);
    if (t == NULL)
        return ltp_fail_nomem(err, "the binding limits");
    lt_status st = try_each(g, t, err);
    if (st == LT_OK)
        st = try_together(g, t, err);
    for (size_t l = 0; l < g->count && st == LT_OK; l++)
        list(g, l, t);
    ltp_free(t);
    return st;
}
