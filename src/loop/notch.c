/* SPDX-License-Identifier: MIT
 * Notch proposals: few and narrow peaking biquads (Bristow-Johnson's cookbook) that lower the peaks of |L|. dB.
 *
 * |L| of all loops is condensed to cells of 1/192 octave. For a reduction of d dB the cells above (peak - d) are
 * covered greedily, from the highest on, by the notch of the least cut/Q that brings a whole run of cells down. The d
 * that is worth most, each notch being charged 1 dB, gives the proposal. The search is ours; the margin claimed for
 * it is computed anew on the full grid. */
#include "loop/notch.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { BRIDGE_CELLS = 16 /* 1/12 octave */ };
static const double lowest_hz = 16.0;
static const double step_db = 0.25;    /* of the reduction tried */
static const double cut_step_db = 0.5; /* of the notches proposed */
static const double charge_db = 1.0;   /* a notch must promise this much to be set up at all */
static const double qs[] = {3.2, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 30.0};

static void fill_from(ltp_cells *c, const lt_loop *l)
{
    const double bin_hz = l->ir.rate_hz / (double)l->n_fft;
    for (size_t k = 1; k < l->n_fft / 2; k++) {
        const double hz = (double)k * bin_hz;
        if (hz < fmax(l->ir.from_hz, lowest_hz) || hz > l->ir.to_hz)
            continue;
        const size_t cell = (size_t)(log2(hz / lowest_hz) * LTP_CELLS_PER_OCTAVE);
        if (cell >= LTP_CELLS_MAX)
            break;
        const double power = lt_complex_power(l->spectrum[k]);
        if (power > c->power[cell]) {
            c->power[cell] = power;
            c->hz[cell] = hz;
        }
        c->count = cell + 1 > c->count ? cell + 1 : c->count;
    }
}

ltp_magnitude ltp_notch_magnitude(const lt_notch *n, double rate_hz)
{
    const lt_biquad b = lt_biquad_peaking(n->hz, n->q, -n->cut_db, rate_hz);
    return (ltp_magnitude){
        .above = {(b.b0 - b.b2) * (b.b0 - b.b2) + b.b1 * b.b1, 2.0 * b.b1 * (b.b0 + b.b2), 4.0 * b.b0 * b.b2},
        .below = {(1.0 - b.a2) * (1.0 - b.a2) + b.a1 * b.a1, 2.0 * b.a1 * (1.0 + b.a2), 4.0 * b.a2}};
}

static double quadratic(const double f[3], double x)
{
    return f[0] + x * (f[1] + x * f[2]);
}

double ltp_magnitude_at(const ltp_magnitude *m, double cosine)
{
    return quadratic(m->above, cosine) / quadratic(m->below, cosine);
}

size_t ltp_cells_highest(const ltp_cells *c, const double *power)
{
    size_t top = 0;
    for (size_t i = 1; i < c->count; i++)
        if (power[i] > power[top])
            top = i;
    return top;
}

/* Cells above the target around `top`, across gaps shorter than 1/12 octave: [*first, *last]. */
static void run_around(const ltp_cells *c, const double *power, size_t top, double target, size_t *first, size_t *last)
{
    *first = *last = top;
    for (size_t i = top; i > 0 && *first - (i - 1) <= BRIDGE_CELLS; i--)
        if (power[i - 1] > target)
            *first = i - 1;
    for (size_t i = top + 1; i < c->count && i - *last <= BRIDGE_CELLS; i++)
        if (power[i] > target)
            *last = i;
}

/* Cells of the run that stay above the target behind this notch; counting stops beyond `most`. */
static size_t left_over(const ltp_cells *c, const double *power, size_t first, size_t last, double target,
                        const lt_notch *n, size_t most)
{
    const ltp_magnitude m = ltp_notch_magnitude(n, c->rate_hz);
    size_t left = 0;
    for (size_t i = first; i <= last && left <= most; i++)
        if (power[i] > target && power[i] * quadratic(m.above, c->cosine[i]) >
                                     target * LTP_NOTCH_ROUNDING * quadratic(m.below, c->cosine[i]))
            left++;
    return left;
}

static double round_hz(double hz)
{
    return hz >= 100.0 ? round(hz) : round(hz * 10.0) / 10.0;
}

/* The notch of the least cut/Q that leaves the fewest cells of the run above the target. */
static lt_notch best_notch(const ltp_cells *c, const double *power, size_t top, double target, double cut_max_db)
{
    size_t first = 0;
    size_t last = 0;
    run_around(c, power, top, target, &first, &last);
    const double highest_hz = LTP_NOTCH_HIGHEST * c->rate_hz;
    const double centres[2] = {fmin(round_hz(c->hz[top]), highest_hz),
                               fmin(round_hz(sqrt(c->hz[first] * c->hz[last])), highest_hz)};
    lt_notch best = {.hz = centres[0], .q = qs[0], .cut_db = cut_max_db};
    size_t best_left = SIZE_MAX;
    const double least_db = lt_db_from_power(power[top] / target);
    for (size_t k = 0; k < 2; k++)
        for (size_t q = 0; q < LTP_COUNT(qs); q++)
            for (int step = (int)ceil(least_db / cut_step_db); step * cut_step_db <= cut_max_db; step++) {
                const lt_notch n = {.hz = centres[k], .q = qs[q], .cut_db = step * cut_step_db};
                const size_t left = left_over(c, power, first, last, target, &n, best_left);
                const bool narrower = n.cut_db / n.q < best.cut_db / best.q;
                if (left < best_left || (left == best_left && narrower)) {
                    best = n;
                    best_left = left;
                }
                if (left == 0)
                    break; /* deeper would only cost more */
            }
    return best;
}

void ltp_cells_apply(const ltp_cells *c, const lt_notch *n, double *power)
{
    const ltp_magnitude m = ltp_notch_magnitude(n, c->rate_hz);
    for (size_t i = 0; i < c->count; i++)
        power[i] *= ltp_magnitude_at(&m, c->cosine[i]);
}

bool ltp_cells_cover(const ltp_cells *c, double *power, double target, size_t most, double cut_max_db,
                     ltp_notch_plan *out)
{
    *out = (ltp_notch_plan){0};
    memcpy(power, c->power, c->count * sizeof *power);
    for (;;) {
        const size_t top = ltp_cells_highest(c, power);
        if (power[top] <= target * LTP_NOTCH_ROUNDING)
            return true;
        if (out->count == most || lt_db_from_power(power[top] / target) > cut_max_db)
            return false;
        const lt_notch n = best_notch(c, power, top, target, cut_max_db);
        out->list[out->count++] = n;
        ltp_cells_apply(c, &n, power);
    }
}

double ltp_cells_peak_db(const ltp_cells *c, const ltp_notch_plan *p, size_t skipped, double *power)
{
    memcpy(power, c->power, c->count * sizeof *power);
    for (size_t k = 0; k < p->count; k++)
        if (k != skipped)
            ltp_cells_apply(c, &p->list[k], power);
    return lt_db_from_power(power[ltp_cells_highest(c, power)]);
}

void ltp_notch_drop(ltp_notch_plan *p, size_t i)
{
    p->count--;
    memmove(p->list + i, p->list + i + 1, (p->count - i) * sizeof *p->list);
}

/* Drop what is not worth its place: a notch whose absence costs less than 0.5 dB. */
static void prune(const ltp_cells *c, double *scratch, ltp_notch_plan *p)
{
    while (p->count > 0) {
        const double all = ltp_cells_peak_db(c, p, SIZE_MAX, scratch);
        size_t weakest = 0;
        double least = (double)INFINITY;
        for (size_t k = 0; k < p->count; k++) {
            const double worth = ltp_cells_peak_db(c, p, k, scratch) - all;
            if (worth < least) {
                least = worth;
                weakest = k;
            }
        }
        if (least >= LTP_NOTCH_LEAST_DB)
            return;
        ltp_notch_drop(p, weakest);
    }
}

static ltp_notch_plan search(const ltp_cells *c, double *scratch, const lt_margin_options *opt)
{
    ltp_notch_plan best = {0};
    double best_score = 0.0;
    const double top = c->power[ltp_cells_highest(c, c->power)];
    for (int step = 0; LTP_NOTCH_LEAST_DB + step * step_db <= opt->cut_max_db; step++) {
        const double d = LTP_NOTCH_LEAST_DB + step * step_db;
        ltp_notch_plan p;
        if (!ltp_cells_cover(c, scratch, top * lt_power_from_db(-d), opt->notches_max, opt->cut_max_db, &p))
            break; /* more reduction needs at least as many notches */
        const double score = d - charge_db * (double)p.count;
        if (score > best_score + 1e-9) {
            best = p;
            best_score = score;
        }
    }
    prune(c, scratch, &best);
    return best;
}

void ltp_cells_fill(ltp_cells *c, const lt_loop *const *loops, size_t count)
{
    c->count = 0;
    for (size_t i = 0; i < LTP_CELLS_MAX; i++) {
        c->hz[i] = lowest_hz * exp2(((double)i + 0.5) / LTP_CELLS_PER_OCTAVE);
        c->power[i] = 0.0;
    }
    c->rate_hz = count > 0 ? loops[0]->ir.rate_hz : 1.0;
    for (size_t i = 0; i < count; i++) {
        c->rate_hz = fmin(c->rate_hz, loops[i]->ir.rate_hz);
        fill_from(c, loops[i]);
    }
    for (size_t i = 0; i < c->count; i++)
        c->cosine[i] = cos(2.0 * LT_PI * c->hz[i] / c->rate_hz);
}

lt_status ltp_notches_propose(const lt_loop *const *loops, size_t count, const lt_margin_options *opt,
                              lt_notch *notches, size_t *notch_count, lt_error *err)
{
    *notch_count = 0;
    ltp_cells *c = ltp_alloc(1, sizeof *c);
    double *scratch = ltp_alloc(LTP_CELLS_MAX, sizeof *scratch);
    lt_status st = LT_OK;
    if (c == NULL || scratch == NULL) {
        st = ltp_fail_nomem(err, "notches");
        goto done;
    }
    ltp_cells_fill(c, loops, count);
    if (c->count == 0 || !(c->power[ltp_cells_highest(c, c->power)] > 0.0))
        goto done;
    const ltp_notch_plan p = search(c, scratch, opt);
    memcpy(notches, p.list, p.count * sizeof *notches);
    *notch_count = p.count;
done:
    ltp_free(c);
    ltp_free(scratch);
    return st;
}
