/* SPDX-License-Identifier: MIT
 * The smallest set of notches that reaches a demanded safe margin, at the least cost. dB.
 *
 * Free centres: notch_free.c. Fixed bands (a graphic equalizer): notch_bands.c. Both work on cells; what is claimed is
 * computed anew from the biquads on the full grid, and a shortfall there is added to the demand. */
#include "loop/notch.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { TIGHTENINGS = 6 };
static const double unreached_step_db = 0.25;
static const double same_peak_db = 3.0;        /* lower than that in another condition: another peak */
static const double neighbourhood = 1.0 / 6.0; /* octave: where the same peak is looked for */

lt_notch_demand lt_notch_demand_default(double want_db)
{
    return (lt_notch_demand){.want_db = want_db, .notches_max = 4, .cut_max_db = 12.0, .cut_step_db = 0.5};
}

double ltp_notch_area(const ltp_notch_plan *p)
{
    double area = 0.0;
    for (size_t i = 0; i < p->count; i++)
        area += p->list[i].cut_db / p->list[i].q;
    return area;
}

double ltp_notch_cost(const ltp_notch_task *t, const ltp_notch_plan *p)
{
    const double area = ltp_notch_area(p);
    if (t->demand->cost == NULL)
        return area;
    return t->demand->cost(t->demand->context, p->list, p->count) + 1e-4 * area; /* among equals the smaller */
}

static void magnitudes_of(const ltp_notch_task *t, const ltp_notch_plan *p, ltp_magnitude *m)
{
    for (size_t k = 0; k < p->count; k++)
        m[k] = ltp_notch_magnitude(&p->list[k], t->cells->rate_hz);
}

static double power_behind(const ltp_notch_task *t, const ltp_magnitude *m, size_t count, size_t cell)
{
    double power = t->cells->power[cell];
    for (size_t k = 0; k < count; k++)
        power *= ltp_magnitude_at(&m[k], t->cells->cosine[cell]);
    return power;
}

bool ltp_notch_holds(const ltp_notch_task *t, const ltp_notch_plan *p)
{
    ltp_magnitude m[LT_NOTCHES_MAX];
    magnitudes_of(t, p, m);
    for (size_t i = 0; i < t->hot_count; i++)
        if (power_behind(t, m, p->count, t->hot[i]) > t->target * LTP_NOTCH_ROUNDING)
            return false;
    return true;
}

double ltp_notch_excess(const ltp_notch_task *t, const ltp_notch_plan *p)
{
    ltp_magnitude m[LT_NOTCHES_MAX];
    double sum = 0.0;
    magnitudes_of(t, p, m);
    for (size_t i = 0; i < t->hot_count; i++) {
        const double power = power_behind(t, m, p->count, t->hot[i]);
        if (power > t->target * LTP_NOTCH_ROUNDING) {
            const double db = lt_db_from_power(power / t->target);
            sum += db * db;
        }
    }
    return sum;
}

static void set_target(ltp_notch_task *t, double target_db)
{
    t->target = lt_power_from_db(target_db);
    t->hot_count = 0;
    for (size_t i = 0; i < t->cells->count; i++)
        if (t->cells->power[i] > t->target)
            t->hot[t->hot_count++] = i;
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

static bool start(const ltp_notch_task *t, ltp_notch_plan *p)
{
    return t->demand->band_count > 0 ? ltp_bands_start(t, p) : ltp_notches_start(t, p);
}

static void settle(const ltp_notch_task *t, ltp_notch_plan *p)
{
    if (t->demand->band_count > 0)
        ltp_bands_settle(t, p);
    else
        ltp_notches_settle(t, p);
}

/* The plan for a peak of target power; where it cannot be reached, for the lowest one that can, found by halving. */
static bool plan_for(ltp_notch_task *t, double peak_db, double target_db, ltp_notch_plan *p)
{
    set_target(t, target_db);
    *p = (ltp_notch_plan){0};
    if (start(t, p)) {
        settle(t, p);
        return true;
    }
    ltp_notch_plan best = {0};
    double best_db = peak_db;
    size_t low = 0; /* steps above the target: not reached */
    size_t high = (size_t)ceil(fmax(peak_db - target_db, 0.0) / unreached_step_db);
    while (high > low + 1) {
        const size_t middle = low + (high - low) / 2;
        const double middle_db = target_db + (double)middle * unreached_step_db;
        set_target(t, middle_db);
        if (start(t, p)) {
            high = middle;
            best = *p;
            best_db = middle_db;
        } else {
            low = middle;
        }
    }
    set_target(t, best_db);
    *p = best;
    if (p->count > 0)
        settle(t, p);
    return false;
}

static lt_status search(ltp_notch_task *t, const lt_loop *const *loops, size_t count, double gain_db, lt_notch_set *out,
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
    ltp_notch_task t = {.cells = c, .demand = demand};
    t.hot = ltp_alloc(LTP_CELLS_MAX, sizeof *t.hot);
    t.power = ltp_alloc(LTP_CELLS_MAX, sizeof *t.power);
    if (c == NULL || t.hot == NULL || t.power == NULL) {
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
    ltp_free(t.hot);
    ltp_free(t.power);
    return st;
}
