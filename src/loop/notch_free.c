/* SPDX-License-Identifier: MIT
 * Notches with free centres and widths: a greedy start, fewer by merging neighbours, then all of them moved together.
 *
 * A cut never raises |L|, so only cells above the target matter, and each trial costs little. Feasible: no cell is left
 * above the target. Where a start is not, it is mended by a pattern search on the sum of squared excess; where it is,
 * the same moves lower the cost as long as it stays feasible. Tests compare with a brute-force search. dB. */
#include "loop/notch.h"

#include <math.h>

enum { ROUNDS = 40, SCALES = 3, MOVES = 10, PAIR_MOVES = 4 };
static const double scales[SCALES] = {1.0, 0.4, 0.15};
static const double narrowest_q = 30.0;
static const double widest_q = 3.2; /* a wider cut is a tone control, no notch */

/* ---- moves ---- */

static bool within(const ltp_notch_task *t, const lt_notch *n)
{
    return n->q >= widest_q && n->q <= narrowest_q && n->cut_db > 1e-9 && n->cut_db <= t->demand->cut_max_db + 1e-9 &&
           n->hz > 1.0 && n->hz < LTP_NOTCH_HIGHEST * t->cells->rate_hz;
}

/* One notch moved, narrowed, deepened, or two of these at once. */
static bool moved(const ltp_notch_task *t, double scale, int which, lt_notch *n)
{
    const double factor = 1.0 + 0.4 * scale;
    const double aside = 0.35 * scale * n->hz / n->q;
    const double step_db = t->demand->cut_step_db * fmax(1.0, round(3.0 * scale));
    static const int q[MOVES] = {1, -1, 0, 0, 0, 0, 1, -1, 1, 1};
    static const int cut[MOVES] = {0, 0, -1, 1, 0, 0, 1, -1, 0, 0};
    static const int hz[MOVES] = {0, 0, 0, 0, 1, -1, 0, 0, 1, -1};
    n->q *= q[which] > 0 ? factor : q[which] < 0 ? 1.0 / factor : 1.0;
    n->cut_db += cut[which] * step_db;
    n->hz += hz[which] * aside;
    return within(t, n);
}

/* Two notches against each other: one gives what the other takes. */
static bool traded(const ltp_notch_task *t, double scale, int which, lt_notch *a, lt_notch *b)
{
    const double factor = 1.0 + 0.4 * scale;
    const double step_db = t->demand->cut_step_db * fmax(1.0, round(3.0 * scale));
    const double towards = b->hz > a->hz ? 1.0 : -1.0;
    switch (which) {
    case 0:
        a->cut_db += step_db;
        b->cut_db -= step_db;
        break;
    case 1:
        a->cut_db += step_db;
        b->q *= factor;
        break;
    case 2:
        a->q /= factor;
        b->q *= factor;
        break;
    default:
        a->q /= factor;
        a->hz += towards * 0.35 * scale * a->hz / a->q;
        b->cut_db -= step_db;
        break;
    }
    return within(t, a) && within(t, b);
}

/* ---- searches ---- */

typedef double (*objective)(const ltp_notch_task *t, const ltp_notch_plan *p);

static bool take_if_better(const ltp_notch_task *t, objective value, const ltp_notch_plan *trial, ltp_notch_plan *p,
                           double *best)
{
    const double now = value(t, trial);
    if (!(now < *best - 1e-9))
        return false;
    *best = now;
    *p = *trial;
    return true;
}

static bool improve_once(const ltp_notch_task *t, objective value, double scale, ltp_notch_plan *p, double *best)
{
    bool better = false;
    for (size_t i = 0; i < p->count; i++)
        for (int which = 0; which < MOVES; which++) {
            ltp_notch_plan trial = *p;
            if (moved(t, scale, which, &trial.list[i]))
                better |= take_if_better(t, value, &trial, p, best);
        }
    for (size_t i = 0; i < p->count; i++)
        for (size_t k = 0; k < p->count; k++)
            for (int which = 0; which < PAIR_MOVES && k != i; which++) {
                ltp_notch_plan trial = *p;
                if (traded(t, scale, which, &trial.list[i], &trial.list[k]))
                    better |= take_if_better(t, value, &trial, p, best);
            }
    return better;
}

static double improve(const ltp_notch_task *t, objective value, ltp_notch_plan *p, double enough)
{
    double best = value(t, p);
    for (int k = 0; k < SCALES && best > enough; k++)
        for (int round = 0; round < ROUNDS && best > enough; round++)
            if (!improve_once(t, value, scales[k], p, &best))
                break;
    return best;
}

static double feasible_cost(const ltp_notch_task *t, const ltp_notch_plan *p)
{
    return ltp_notch_holds(t, p) ? ltp_notch_cost(t, p) : (double)INFINITY;
}

static bool mend(const ltp_notch_task *t, ltp_notch_plan *p)
{
    return improve(t, ltp_notch_excess, p, 0.0) <= 0.0 && ltp_notch_holds(t, p);
}

/* Cuts as the equipment offers them, never shallower than they must be. */
static void round_cuts(const ltp_notch_task *t, ltp_notch_plan *p)
{
    const double step = t->demand->cut_step_db;
    const double deepest = floor(t->demand->cut_max_db / step + 1e-9) * step;
    for (size_t i = 0; i < p->count; i++)
        p->list[i].cut_db = fmin(ceil(p->list[i].cut_db / step - 1e-9) * step, deepest);
}

/* Any plan that holds: the greedy cover of the fewest notches, or one that is mended. */
bool ltp_notches_start(const ltp_notch_task *t, ltp_notch_plan *p)
{
    for (size_t most = 1; most <= t->demand->notches_max; most++) {
        (void)ltp_cells_cover(t->cells, t->power, t->target, most, t->demand->cut_max_db, p);
        round_cuts(t, p);
        if (p->count > 0 && (ltp_notch_holds(t, p) || mend(t, p)))
            return true;
    }
    return false;
}

static int by_hz(const lt_notch *a, const lt_notch *b)
{
    return (a->hz > b->hz) - (a->hz < b->hz);
}

static void sort_by_hz(ltp_notch_plan *p)
{
    for (size_t i = 1; i < p->count; i++)
        for (size_t k = i; k > 0 && by_hz(&p->list[k - 1], &p->list[k]) > 0; k--) {
            const lt_notch kept = p->list[k];
            p->list[k] = p->list[k - 1];
            p->list[k - 1] = kept;
        }
}

/* One notch for two neighbours: from the lower edge of one to the upper edge of the other. */
static lt_notch merged(const lt_notch *a, const lt_notch *b)
{
    const double lower = a->hz * (1.0 - 0.5 / a->q);
    const double upper = b->hz * (1.0 + 0.5 / b->q);
    const double hz = sqrt(a->hz * b->hz);
    return (lt_notch){
        .hz = hz, .q = fmin(fmax(hz / (upper - lower), widest_q), narrowest_q), .cut_db = fmax(a->cut_db, b->cut_db)};
}

/* One notch less, by merging neighbours or by leaving one out; the cheapest that can be mended. */
static bool one_less(const ltp_notch_task *t, ltp_notch_plan *p)
{
    ltp_notch_plan best = *p;
    double least = (double)INFINITY;
    sort_by_hz(p);
    for (size_t i = 0; i < 2 * p->count - 1; i++) {
        ltp_notch_plan trial = *p;
        const size_t k = i / 2;
        if (i % 2 == 1)
            trial.list[k + 1] = merged(&p->list[k], &p->list[k + 1]);
        ltp_notch_drop(&trial, k);
        if (!mend(t, &trial))
            continue;
        const double cost = ltp_notch_cost(t, &trial);
        if (cost < least) {
            least = cost;
            best = trial;
        }
    }
    *p = best;
    return isfinite(least);
}

/* What a person dials in. */
static void round_dials(const ltp_notch_task *t, ltp_notch_plan *p)
{
    for (size_t i = 0; i < p->count; i++) {
        const lt_notch kept = p->list[i];
        p->list[i].hz = kept.hz >= 100.0 ? round(kept.hz) : round(kept.hz * 10.0) / 10.0;
        p->list[i].q = round(kept.q * 10.0) / 10.0;
        if (!ltp_notch_holds(t, p))
            p->list[i] = kept;
    }
}

void ltp_notches_settle(const ltp_notch_task *t, ltp_notch_plan *p)
{
    while (p->count > 1 && one_less(t, p))
        continue;
    ltp_notch_plan other;
    (void)improve(t, feasible_cost, p, -(double)INFINITY);
    /* The greedy cover of that many may lie in a better valley. */
    if (ltp_cells_cover(t->cells, t->power, t->target, p->count, t->demand->cut_max_db, &other)) {
        round_cuts(t, &other);
        if (other.count == p->count && (ltp_notch_holds(t, &other) || mend(t, &other)) &&
            improve(t, feasible_cost, &other, -(double)INFINITY) < feasible_cost(t, p))
            *p = other;
    }
    sort_by_hz(p);
    round_dials(t, p);
}
