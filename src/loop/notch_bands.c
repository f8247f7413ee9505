/* SPDX-License-Identifier: MIT
 * Notches within a graphic equalizer: its bands and steps alone. dB.
 *
 * The band that lowers the cells above the target most for its cost goes down by one step, until the plan holds; then
 * bands go up again, are traded against each other as long as the cost falls, and the whole is begun anew from each
 * band that matters at each depth. Tests compare with all settings of a small equalizer. */
#include "loop/notch.h"

#include <math.h>

enum { ROUNDS = 60, TRADE_STEPS = 3, STARTS = 3 };
static const double near_times = 1.5; /* the best cost: worth trading */

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
static bool lower_band(const ltp_notch_task *t, ltp_notch_plan *p, size_t i)
{
    const lt_notch_demand *d = t->demand;
    if (!(d->bands_hz[i] < LTP_NOTCH_HIGHEST * t->cells->rate_hz))
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

/* Raise band `i` by one step; at 0 dB it is out of the plan. */
static void raise_band(const ltp_notch_task *t, ltp_notch_plan *p, size_t i)
{
    p->list[i].cut_db -= t->demand->cut_step_db;
    if (!(p->list[i].cut_db > 1e-9))
        ltp_notch_drop(p, i);
}

/* The bands are there anyway: what counts is the cost alone. */
static bool is_better(const ltp_notch_task *t, const ltp_notch_plan *a, const ltp_notch_plan *b)
{
    return ltp_notch_cost(t, a) < ltp_notch_cost(t, b) - 1e-9;
}

/* One band up by a step or two, another down by as many or none: the first trade that helps. */
static bool trade(const ltp_notch_task *t, ltp_notch_plan *p)
{
    for (size_t i = 0; i < p->count; i++)
        for (size_t k = 0; k <= t->demand->band_count; k++)
            for (int up = 1; up <= TRADE_STEPS; up++)
                for (int down = 0; down <= TRADE_STEPS; down++) {
                    ltp_notch_plan next = *p;
                    const double hz = p->list[i].hz;
                    bool possible = k < t->demand->band_count || down == 0;
                    for (int step = 0; step < down && possible; step++)
                        possible = lower_band(t, &next, k);
                    for (int step = 0; step < up && i < next.count && fabs(next.list[i].hz - hz) < 1e-9; step++)
                        raise_band(t, &next, i);
                    if (possible && ltp_notch_holds(t, &next) && is_better(t, &next, p)) {
                        *p = next;
                        return true;
                    }
                }
    return false;
}

/* Bands down, the one first that lowers the excess most for what it weighs, until the plan holds; then up again as far
 * as may be. quick: weighed by cut / q alone. */
static bool fill(const ltp_notch_task *t, bool quick, ltp_notch_plan *p)
{
    while (!ltp_notch_holds(t, p)) {
        const double before = ltp_notch_excess(t, p);
        const double cost = quick ? ltp_notch_area(p) : ltp_notch_cost(t, p);
        ltp_notch_plan best = *p;
        double best_worth = 0.0;
        for (size_t i = 0; i < t->demand->band_count; i++) {
            ltp_notch_plan next = *p;
            if (!lower_band(t, &next, i))
                continue;
            const double more = (quick ? ltp_notch_area(&next) : ltp_notch_cost(t, &next)) - cost;
            const double worth = (before - ltp_notch_excess(t, &next)) / fmax(more, 1e-6);
            if (worth > best_worth) {
                best_worth = worth;
                best = next;
            }
        }
        if (!(best_worth > 0.0))
            return false;
        *p = best;
    }
    for (size_t i = p->count; i-- > 0;)
        while (i < p->count) {
            ltp_notch_plan less = *p;
            raise_band(t, &less, i);
            if (!ltp_notch_holds(t, &less))
                break;
            *p = less;
        }
    return true;
}

bool ltp_bands_start(const ltp_notch_task *t, ltp_notch_plan *p)
{
    *p = (ltp_notch_plan){0};
    return fill(t, false, p);
}

static void trade_all(const ltp_notch_task *t, ltp_notch_plan *p)
{
    for (int round = 0; round < ROUNDS && trade(t, p); round++)
        continue;
}

/* Does a band take part in the plan, or lie beside one that does? */
static bool takes_part(const ltp_notch_task *t, const ltp_notch_plan *p, size_t i)
{
    const double *hz = t->demand->bands_hz;
    for (size_t k = 0; k < p->count; k++)
        if (p->list[k].hz >= hz[i > 0 ? i - 1 : i] - 1e-9 &&
            p->list[k].hz <= hz[i + 1 < t->demand->band_count ? i + 1 : i] + 1e-9)
            return true;
    return false;
}

/* Each band that matters at each depth, as a start of its own. */
static bool start_anew(const ltp_notch_task *t, ltp_notch_plan *p)
{
    const ltp_notch_plan from = *p;
    double best = ltp_notch_cost(t, p);
    bool better = false;
    for (size_t i = 0; i < t->demand->band_count; i++) {
        ltp_notch_plan first = {0};
        while (takes_part(t, &from, i) && lower_band(t, &first, i)) {
            ltp_notch_plan next = first;
            if (!fill(t, true, &next) || ltp_notch_cost(t, &next) > near_times * best)
                continue;
            trade_all(t, &next);
            if (is_better(t, &next, p)) {
                *p = next;
                best = ltp_notch_cost(t, p);
                better = true;
            }
        }
    }
    return better;
}

void ltp_bands_settle(const ltp_notch_task *t, ltp_notch_plan *p)
{
    trade_all(t, p);
    for (int round = 0; round < STARTS && start_anew(t, p); round++)
        continue;
}
