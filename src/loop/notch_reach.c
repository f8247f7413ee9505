/* SPDX-License-Identifier: MIT
 * The smallest set of notches that reaches a demanded safe margin, at the least cost. dB.
 *
 * Free centres: the greedy cover of notch.c with one notch, two, ... until it holds; then each notch is made narrower,
 * shallower or moved as long as the demand still holds and the cost falls. Fixed bands (a graphic equalizer): the band
 * that lowers the highest cell most for its cost goes down by one step, until the demand holds; then bands go up again
 * where they may. Both searches work on cells; what is claimed is computed anew from the biquads on the full grid, and
 * a shortfall there is added to the demand. */
#include "loop/notch.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { TIGHTENINGS = 6, ROUNDS = 60 };
static const double unreached_step_db = 0.25;
static const double narrowest_q = 30.0;
static const double same_peak_db = 3.0;        /* lower than that in another condition: another peak */
static const double neighbourhood = 1.0 / 6.0; /* octave: where the same peak is looked for */
static const double highest_of_rate = 0.45;    /* a peaking biquad has no width at half the rate */

typedef struct {
    const ltp_cells *cells;
    const lt_notch_demand *demand;
    double *scratch, *power; /* [cells] */
    double target;           /* power */
} task;

lt_notch_demand lt_notch_demand_default(double want_db)
{
    return (lt_notch_demand){.want_db = want_db, .notches_max = 4, .cut_max_db = 12.0, .cut_step_db = 0.5};
}

static double cost_of(const task *t, const ltp_notch_plan *p)
{
    double area = 0.0;
    for (size_t i = 0; i < p->count; i++)
        area += p->list[i].cut_db / p->list[i].q;
    if (t->demand->cost == NULL)
        return area;
    return t->demand->cost(t->demand->context, p->list, p->count) + 1e-4 * area; /* among equals the smaller */
}

static bool holds(const task *t, const ltp_notch_plan *p)
{
    return ltp_cells_peak_db(t->cells, p, SIZE_MAX, t->scratch) <= lt_db_from_power(t->target * LTP_NOTCH_ROUNDING);
}

/* ---- free centres ---- */

/* Cuts as the equipment offers them, never shallower than they must be. */
static void round_cuts(const task *t, ltp_notch_plan *p)
{
    const double step = t->demand->cut_step_db;
    for (size_t i = 0; i < p->count; i++)
        p->list[i].cut_db = fmin(ceil(p->list[i].cut_db / step - 1e-9) * step, t->demand->cut_max_db);
}

static bool variation(const task *t, const lt_notch *n, int which, lt_notch *out)
{
    *out = *n;
    const double width_hz = n->hz / n->q;
    switch (which) {
    case 0:
        out->q = fmin(n->q * 1.12, narrowest_q);
        return out->q > n->q;
    case 1:
        out->cut_db = n->cut_db - t->demand->cut_step_db;
        return out->cut_db > 0.0;
    case 2:
        out->hz = n->hz + 0.1 * width_hz;
        return out->hz < highest_of_rate * t->cells->rate_hz;
    case 3:
        out->hz = n->hz - 0.1 * width_hz;
        return true;
    case 4: /* deeper, but narrower */
        out->cut_db = n->cut_db + t->demand->cut_step_db;
        out->q = fmin(n->q * 1.25, narrowest_q);
        return out->cut_db <= t->demand->cut_max_db;
    default:
        return false;
    }
}

static void polish(const task *t, ltp_notch_plan *p)
{
    double cost = cost_of(t, p);
    bool better = true;
    for (int round = 0; round < ROUNDS && better; round++) {
        better = false;
        for (size_t i = 0; i < p->count; i++)
            for (int which = 0; which < 5; which++) {
                const lt_notch kept = p->list[i];
                if (!variation(t, &kept, which, &p->list[i])) {
                    p->list[i] = kept;
                    continue;
                }
                const double now = holds(t, p) ? cost_of(t, p) : (double)INFINITY;
                if (now < cost - 1e-9) {
                    cost = now;
                    better = true;
                } else {
                    p->list[i] = kept;
                }
            }
    }
    for (size_t i = 0; i < p->count; i++) { /* what a person dials in */
        const lt_notch kept = p->list[i];
        p->list[i].hz = kept.hz >= 100.0 ? round(kept.hz) : round(kept.hz * 10.0) / 10.0;
        p->list[i].q = round(kept.q * 10.0) / 10.0;
        if (!holds(t, p))
            p->list[i] = kept;
    }
}

static bool free_centres(const task *t, ltp_notch_plan *p)
{
    for (size_t most = 1; most <= t->demand->notches_max; most++)
        if (ltp_cells_cover(t->cells, t->power, t->target, most, t->demand->cut_max_db, p)) {
            round_cuts(t, p);
            if (holds(t, p))
                polish(t, p);
            return true;
        }
    return false;
}

/* ---- fixed bands ---- */

/* One octave's bands have Q 1.4, one third's 4.3: Q = sqrt(r) / (r - 1) for the ratio r to the next band. */
static double band_q(const lt_notch_demand *d, size_t i)
{
    if (d->band_count < 2)
        return 1.414;
    const double ratio =
        i + 1 < d->band_count ? d->bands_hz[i + 1] / d->bands_hz[i] : d->bands_hz[i] / d->bands_hz[i - 1];
    return sqrt(ratio) / (ratio - 1.0);
}

/* Lower band `i` by one step; false: not possible. */
static bool lower_band(const task *t, ltp_notch_plan *p, size_t i)
{
    const lt_notch_demand *d = t->demand;
    if (!(d->bands_hz[i] < highest_of_rate * t->cells->rate_hz))
        return false;
    for (size_t k = 0; k < p->count; k++)
        if (fabs(p->list[k].hz - d->bands_hz[i]) < 1e-9) {
            p->list[k].cut_db += d->cut_step_db;
            return p->list[k].cut_db <= d->cut_max_db + 1e-9;
        }
    if (p->count == d->notches_max)
        return false;
    p->list[p->count++] = (lt_notch){.hz = d->bands_hz[i], .q = band_q(d, i), .cut_db = d->cut_step_db};
    return d->cut_step_db <= d->cut_max_db + 1e-9;
}

/* How much of the power above the target is left: what one step is judged by. */
static double excess(const task *t, const ltp_notch_plan *p)
{
    (void)ltp_cells_peak_db(t->cells, p, SIZE_MAX, t->scratch);
    double sum = 0.0;
    for (size_t i = 0; i < t->cells->count; i++)
        if (t->scratch[i] > t->target)
            sum += lt_db_from_power(t->scratch[i] / t->target);
    return sum;
}

static bool fixed_bands(const task *t, ltp_notch_plan *p)
{
    *p = (ltp_notch_plan){0};
    while (!holds(t, p)) {
        const double before = excess(t, p);
        const double cost = cost_of(t, p);
        ltp_notch_plan best = *p;
        double best_worth = 0.0;
        for (size_t i = 0; i < t->demand->band_count; i++) {
            ltp_notch_plan next = *p;
            if (!lower_band(t, &next, i))
                continue;
            const double worth = (before - excess(t, &next)) / fmax(cost_of(t, &next) - cost, 1e-6);
            if (worth > best_worth) {
                best_worth = worth;
                best = next;
            }
        }
        if (!(best_worth > 0.0))
            return false;
        *p = best;
    }
    for (size_t i = p->count; i-- > 0;) /* up again as far as may be */
        while (i < p->count && p->list[i].cut_db > 0.0) {
            ltp_notch_plan less = *p;
            less.list[i].cut_db -= t->demand->cut_step_db;
            if (!(less.list[i].cut_db > 1e-9)) {
                less.count--;
                memmove(less.list + i, less.list + i + 1, (less.count - i) * sizeof *less.list);
            }
            if (!holds(t, &less))
                break;
            *p = less;
        }
    return true;
}

/* ---- a peak that moves ---- */

static double peak_near(const lt_loop *l, double hz, double *at_hz)
{
    const double bin_hz = l->ir.rate_hz / (double)l->n_fft;
    const double factor = exp2(neighbourhood);
    double best = 0.0;
    *at_hz = hz;
    for (size_t k = (size_t)ceil(fmax(hz / factor, l->ir.from_hz) / bin_hz);
         k <= l->n_fft / 2 && (double)k * bin_hz <= fmin(hz * factor, l->ir.to_hz); k++)
        if (lt_complex_power(l->spectrum[k]) > best) {
            best = lt_complex_power(l->spectrum[k]);
            *at_hz = (double)k * bin_hz;
        }
    return lt_db_from_power(best);
}

/* The peak lies elsewhere in another loop by more than half the notch's width, or is not there. */
static bool chases(const lt_loop *const *loops, size_t count, const lt_notch *n)
{
    double lowest_hz = (double)INFINITY;
    double highest_hz = 0.0;
    double lowest_db = (double)INFINITY;
    double highest_db = -(double)INFINITY;
    for (size_t i = 0; i < count; i++) {
        double hz = 0.0;
        const double level_db = peak_near(loops[i], n->hz, &hz);
        lowest_hz = fmin(lowest_hz, hz);
        highest_hz = fmax(highest_hz, hz);
        lowest_db = fmin(lowest_db, level_db);
        highest_db = fmax(highest_db, level_db);
    }
    return count > 1 && (highest_hz - lowest_hz > 0.5 * n->hz / n->q || highest_db - lowest_db > same_peak_db);
}

/* ---- both ---- */

/* The plan for a peak of target power; where it cannot be reached, for the lowest one that can. */
static bool plan_for(task *t, double peak_db, double target_db, ltp_notch_plan *p)
{
    const bool fixed = t->demand->band_count > 0;
    for (double least_db = target_db; least_db < peak_db; least_db += unreached_step_db) {
        t->target = lt_power_from_db(least_db);
        if (fixed ? fixed_bands(t, p) : free_centres(t, p))
            return least_db <= target_db;
    }
    *p = (ltp_notch_plan){0};
    return false;
}

static lt_status search(task *t, const lt_loop *const *loops, size_t count, double gain_db, lt_notch_set *out,
                        lt_error *err)
{
    const double peak_db = lt_db_from_power(t->cells->power[ltp_cells_highest(t->cells, t->cells->power)]);
    const double want_db = t->demand->want_db;
    double extra_db = 0.0;
    for (int k = 0; k < TIGHTENINGS; k++) {
        ltp_notch_plan p;
        const bool planned = plan_for(t, peak_db, -gain_db - want_db - extra_db, &p);
        double safe_db = 0.0;
        double margin_db = 0.0;
        const lt_status st = ltp_margin_behind(loops, count, gain_db, p.list, p.count, &safe_db, &margin_db, err);
        if (st != LT_OK)
            return st;
        if (k > 0 && !planned && safe_db < out->safe_margin_db)
            return LT_OK;
        memcpy(out->notches, p.list, sizeof out->notches);
        out->count = p.count;
        out->safe_margin_db = safe_db;
        out->margin_db = margin_db;
        out->reached = safe_db >= want_db;
        if (out->reached || !planned)
            return LT_OK;
        extra_db += want_db - safe_db + 0.01;
    }
    return LT_OK;
}

static lt_status check(const lt_loop *const *loops, size_t count, double gain_db, const lt_notch_demand *d,
                       lt_error *err)
{
    if (count < 1 || loops == NULL || !lt_is_known(gain_db) || !lt_is_known(d->want_db))
        return ltp_fail(err, LT_E_ARG, "notches need a loop, a gain and a demanded margin in dB");
    if (d->notches_max > LT_NOTCHES_MAX || !(d->cut_max_db >= 0.0 && d->cut_max_db <= 60.0) || !(d->cut_step_db > 0.0))
        return ltp_fail(err, LT_E_ARG, "notches: at most %d, of 0 to 60 dB each in steps above 0 (%u, %g, %g dB)",
                        (int)LT_NOTCHES_MAX, d->notches_max, d->cut_max_db, d->cut_step_db);
    for (size_t i = 0; i < d->band_count; i++)
        if (!(d->bands_hz[i] > 0.0) || (i > 0 && !(d->bands_hz[i] > d->bands_hz[i - 1])))
            return ltp_fail(err, LT_E_ARG, "the bands of a graphic equalizer must rise (%g Hz)", d->bands_hz[i]);
    return LT_OK;
}

lt_status lt_notches_reach(const lt_loop *const *loops, size_t count, double gain_db, const lt_notch_demand *demand,
                           lt_notch_set *out, lt_error *err)
{
    *out = (lt_notch_set){.safe_margin_db = NAN, .margin_db = NAN};
    lt_status st = check(loops, count, gain_db, demand, err);
    if (st != LT_OK)
        return st;
    st = ltp_margin_behind(loops, count, gain_db, NULL, 0, &out->safe_margin_db, &out->margin_db, err);
    out->reached = !(out->safe_margin_db < demand->want_db); /* also where there is no loop gain */
    if (st != LT_OK || out->reached || demand->notches_max == 0)
        return st;
    ltp_cells *c = ltp_alloc(1, sizeof *c);
    task t = {.cells = c, .demand = demand};
    t.scratch = ltp_alloc(LTP_CELLS_MAX, sizeof *t.scratch);
    t.power = ltp_alloc(LTP_CELLS_MAX, sizeof *t.power);
    if (c == NULL || t.scratch == NULL || t.power == NULL) {
        st = ltp_fail_nomem(err, "notches");
        goto done;
    }
    ltp_cells_fill(c, loops, count);
    if (c->count > 0)
        st = search(&t, loops, count, gain_db, out, err);
    for (size_t i = 0; i < out->count && st == LT_OK; i++)
        out->moves[i] = chases(loops, count, &out->notches[i]);
done:
    ltp_free(c);
    ltp_free(t.scratch);
    ltp_free(t.power);
    return st;
}
