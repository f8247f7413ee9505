/* SPDX-License-Identifier: MIT
 * Exact search over all offered settings, for one lane or for lanes tied by shared knobs. dB, SII.
 *
 * Objective of a lane: min(SII outbound, SII inbound), each counted up to the target. Of tied lanes the lowest
 * objective is made as high as it can be, then their sum, then the gains as low as possible; differences up to 0.002 a
 * lane count as equal. The shared knobs are tried in all combinations, branches that cannot win are left out; with them
 * fixed the lanes no longer depend on each other. A lane whose limits are violated everywhere stands at its lowest
 * settings. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>

enum { ANY = -1 };                         /* position of a knob that is not fixed yet: one before the first */
static const double infeasible = -1.0;     /* below any objective */
static const double never_the_worst = 2.0; /* objective given to a lane that stands at its lowest anyway */
static const uint64_t most_nodes = UINT64_C(50000000);

/* Objective of every pair of settings of one lane and its largest values along each side. */
typedef struct {
    const ltp_problem *p;
    size_t rows, columns; /* outbound, inbound settings */
    double *objective;    /* [rows x columns] */
    double *row_best;     /* [rows] */
    double *column_best;  /* [columns] */
    double best;
    bool feasible;
} table;

typedef enum { HIGHEST_MIN, HIGHEST_SUM, QUIETEST } goal;

typedef struct {
    table *tables;
    size_t count, knobs;
    size_t positions[LTP_KNOBS_MAX]; /* settings of each knob */
    int at[LTP_KNOBS_MAX];           /* ANY or position */
    goal goal;
    double least_min, least_sum; /* what the earlier goals demand */
    double best_value;           /* of the present goal: min, sum, or loudness */
    double best_out_db;          /* QUIETEST: sum of the outbound settings */
    int best_at[LTP_KNOBS_MAX];
    uint64_t nodes;
} search;

static double objective_at(const ltp_problem *p, size_t i, size_t j)
{
    const ltp_axis *out = &p->grid->out;
    const ltp_axis *in = &p->grid->in;
    if (!ltp_holds_all(p->slack_db, out->db[i] - p->out_zero_db, in->db[j] - p->in_zero_db))
        return infeasible;
    return fmin(fmin(out->sii[i], p->target_sii), fmin(in->sii[j], p->target_sii));
}

static void table_free(table *t)
{
    ltp_free(t->objective);
    ltp_free(t->row_best);
    ltp_free(t->column_best);
}

static void fill(table *t)
{
    const bool one_knob = t->p->out_knob != LTP_FREE && t->p->out_knob == t->p->in_knob;
    t->best = infeasible;
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->columns; j++) {
            t->objective[i * t->columns + j] = one_knob && i != j ? infeasible : objective_at(t->p, i, j);
            t->best = fmax(t->best, t->objective[i * t->columns + j]);
        }
    t->feasible = t->best > infeasible;
    if (!t->feasible)
        t->best = t->objective[0] = never_the_worst;
    for (size_t i = 0; i < t->rows; i++)
        t->row_best[i] = infeasible;
    for (size_t j = 0; j < t->columns; j++)
        t->column_best[j] = infeasible;
    for (size_t i = 0; i < t->rows; i++)
        for (size_t j = 0; j < t->columns; j++) {
            const double one = t->objective[i * t->columns + j];
            t->row_best[i] = fmax(t->row_best[i], one);
            t->column_best[j] = fmax(t->column_best[j], one);
        }
}

static lt_status table_create(const ltp_problem *p, table *t, lt_error *err)
{
    *t = (table){.p = p,
                 .rows = p->beyond ? p->grid->out.count : p->grid->out.offered,
                 .columns = p->beyond ? p->grid->in.count : p->grid->in.offered};
    t->objective = ltp_alloc(t->rows * t->columns, sizeof *t->objective);
    t->row_best = ltp_alloc(t->rows, sizeof *t->row_best);
    t->column_best = ltp_alloc(t->columns, sizeof *t->column_best);
    if (t->objective == NULL || t->row_best == NULL || t->column_best == NULL)
        return ltp_fail_nomem(err, "a search");
    fill(t);
    return LT_OK;
}

static int position(const search *s, int knob)
{
    return knob == LTP_FREE ? ANY : s->at[knob];
}

/* The best a lane can reach with the knobs as far as they are fixed: exact once all are. */
static double reachable(const search *s, const table *t)
{
    const int i = position(s, t->p->out_knob);
    const int j = position(s, t->p->in_knob);
    if (i != ANY && j != ANY)
        return t->objective[(size_t)i * t->columns + (size_t)j];
    if (i != ANY)
        return t->row_best[i];
    return j != ANY ? t->column_best[j] : t->best;
}

/* Quietest pair of one lane that reaches `least`: smallest sum, then the smaller outbound setting. */
static void quietest(const search *s, const table *t, double least, size_t *out, size_t *in)
{
    const int fixed_i = position(s, t->p->out_knob);
    const int fixed_j = position(s, t->p->in_knob);
    const ltp_settings_grid *g = t->p->grid;
    double best_db = (double)INFINITY;
    *out = *in = 0;
    for (size_t i = fixed_i == ANY ? 0 : (size_t)fixed_i; i < (fixed_i == ANY ? t->rows : (size_t)fixed_i + 1); i++)
        for (size_t j = fixed_j == ANY ? 0 : (size_t)fixed_j; j < (fixed_j == ANY ? t->columns : (size_t)fixed_j + 1);
             j++) {
            if (t->objective[i * t->columns + j] < least)
                continue;
            const double db = g->out.db[i] + g->in.db[j];
            if (db < best_db - 1e-9) { /* rows rise: an equal sum found later has the larger outbound setting */
                best_db = db;
                *out = i;
                *in = j;
            }
        }
}

static double lane_threshold(const search *s, const table *t)
{
    return fmax(reachable(s, t) - LTP_EQUAL_SII, fmin(s->least_min, reachable(s, t)));
}

static void judge_loudness(search *s)
{
    double total_db = 0.0;
    double out_db = 0.0;
    for (size_t l = 0; l < s->count; l++) {
        const table *t = &s->tables[l];
        size_t i = 0;
        size_t j = 0;
        quietest(s, t, lane_threshold(s, t), &i, &j);
        total_db += t->p->grid->out.db[i] + t->p->grid->in.db[j];
        out_db += t->p->grid->out.db[i];
    }
    const bool quieter = total_db < s->best_value - 1e-9;
    const bool as_quiet = total_db < s->best_value + 1e-9;
    if (!quieter && !(as_quiet && out_db < s->best_out_db - 1e-9))
        return;
    s->best_value = total_db;
    s->best_out_db = out_db;
    for (size_t k = 0; k < s->knobs; k++)
        s->best_at[k] = s->at[k];
}

/* No setting of this branch is quieter than that. */
static double least_loudness(const search *s)
{
    double total_db = 0.0;
    for (size_t l = 0; l < s->count; l++) {
        const ltp_problem *p = s->tables[l].p;
        const int i = position(s, p->out_knob);
        const int j = position(s, p->in_knob);
        total_db += p->grid->out.db[i == ANY ? 0 : i] + p->grid->in.db[j == ANY ? 0 : j];
    }
    return total_db;
}

/* Can this branch still reach what is demanded? When all knobs are fixed: take it if it is the best so far. */
static bool promising(search *s, bool leaf)
{
    double lowest = (double)INFINITY;
    double sum = 0.0;
    for (size_t l = 0; l < s->count; l++) {
        const double one = reachable(s, &s->tables[l]);
        if (!(one > infeasible))
            return false;
        lowest = fmin(lowest, one);
        sum += one;
    }
    if (s->goal == HIGHEST_MIN) {
        if (!(lowest > s->best_value))
            return false;
        s->best_value = leaf ? lowest : s->best_value;
        return true;
    }
    if (lowest < s->least_min)
        return false;
    if (s->goal == HIGHEST_SUM) {
        if (!(sum > s->best_value))
            return false;
        s->best_value = leaf ? sum : s->best_value;
        return true;
    }
    if (sum < s->least_sum || least_loudness(s) > s->best_value + 1e-9)
        return false;
    if (leaf)
        judge_loudness(s);
    return true;
}

/* All combinations of the shared knobs, knob by knob; what cannot win is not followed further. */
static void explore(search *s)
{
    if (!promising(s, s->knobs == 0) || s->knobs == 0)
        return;
    size_t knob = 0;
    while (s->nodes++ < most_nodes) {
        s->at[knob]++; /* from ANY to the first position */
        if ((size_t)s->at[knob] == s->positions[knob]) {
            s->at[knob] = ANY;
            if (knob == 0)
                return;
            knob--;
        } else if (promising(s, knob + 1 == s->knobs) && knob + 1 < s->knobs) {
            knob++;
        }
    }
}

static void reach(search *s, goal g)
{
    s->goal = g;
    s->best_value = g == QUIETEST ? (double)INFINITY : infeasible;
    s->best_out_db = (double)INFINITY;
    for (size_t k = 0; k < s->knobs; k++)
        s->at[k] = ANY;
    explore(s);
}

/* All knobs at their lowest is always possible: a feasible lane is feasible there, as limits give way with gain. */
static lt_status run(search *s, ltp_choice *out, lt_error *err)
{
    reach(s, HIGHEST_MIN);
    s->least_min = s->best_value - LTP_EQUAL_SII;
    reach(s, HIGHEST_SUM);
    s->least_sum = s->best_value - LTP_EQUAL_SII * (double)s->count;
    reach(s, QUIETEST);
    if (s->nodes >= most_nodes)
        return ltp_fail(err, LT_E_ARG,
                        "%zu shared knobs tie %zu lanes together: too many to search; use fewer shared words", s->knobs,
                        s->count);
    for (size_t k = 0; k < s->knobs; k++)
        s->at[k] = s->best_at[k];
    for (size_t l = 0; l < s->count; l++) {
        const table *t = &s->tables[l];
        quietest(s, t, lane_threshold(s, t), &out[l].out, &out[l].in);
        out[l].feasible = t->feasible;
        out[l].best =
            t->feasible ? reachable(s, t) : fmin(t->p->target_sii, fmin(t->p->grid->out.sii[0], t->p->grid->in.sii[0]));
    }
    return LT_OK;
}

lt_status ltp_search(const ltp_problem *lanes, size_t count, size_t knobs, ltp_choice *out, lt_error *err)
{
    search s = {.count = count, .knobs = knobs};
    lt_status st = LT_OK;
    if (knobs > LTP_KNOBS_MAX)
        return ltp_fail(err, LT_E_ARG, "%zu shared knobs tie %zu lanes together; at most %d can be searched", knobs,
                        count, (int)LTP_KNOBS_MAX);
    s.tables = ltp_alloc(count, sizeof *s.tables);
    if (s.tables == NULL)
        return ltp_fail_nomem(err, "a search");
    for (size_t l = 0; l < count && st == LT_OK; l++) {
        st = table_create(&lanes[l], &s.tables[l], err);
        if (lanes[l].out_knob != LTP_FREE)
            s.positions[lanes[l].out_knob] = s.tables[l].rows;
        if (lanes[l].in_knob != LTP_FREE)
            s.positions[lanes[l].in_knob] = s.tables[l].columns;
    }
    if (st == LT_OK)
        st = run(&s, out, err);
    for (size_t l = 0; l < count; l++)
        table_free(&s.tables[l]);
    ltp_free(s.tables);
    return st;
}
