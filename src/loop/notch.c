/* SPDX-License-Identifier: MIT
 * Notch proposals: few and narrow peaking biquads (Bristow-Johnson's cookbook) that lower the peaks of |L|. dB.
 *
 * |L| of all loops is condensed to cells of 1/192 octave. For a reduction of d dB the cells above (peak - d) are
 * covered greedily, from the highest on, by the notch of the least cut/Q that brings a whole run of cells down. The d
 * that is worth most, each notch being charged 1 dB, gives the proposal. The search is ours; the margin claimed for
 * it is computed anew on the full grid. */
#include "base/alloc.h"
#include "loop/loop_internal.h"

#include <math.h>
#include <string.h>

enum { CELLS_PER_OCTAVE = 192, CELLS_MAX = 16 * CELLS_PER_OCTAVE, BRIDGE_CELLS = 16 /* 1/12 octave */ };
static const double lowest_hz = 16.0;
static const double step_db = 0.25;    /* of the reduction tried */
static const double cut_step_db = 0.5; /* of the notches proposed */
static const double charge_db = 1.0;   /* a notch must promise this much to be set up at all */
static const double qs[] = {3.2, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5, 16.0, 20.0, 25.0, 30.0};

typedef struct {
    double hz[CELLS_MAX];
    double level_db[CELLS_MAX]; /* largest |L| in the cell, -INFINITY where none */
    size_t count;
    double rate_hz;
} cells;

typedef struct {
    lt_notch list[LT_NOTCHES_MAX];
    size_t count;
} plan;

static void fill_cells(cells *c, const lt_loop *l)
{
    const double bin_hz = l->ir.rate_hz / (double)l->n_fft;
    for (size_t k = 1; k < l->n_fft / 2; k++) {
        const double hz = (double)k * bin_hz;
        if (hz < fmax(l->ir.from_hz, lowest_hz) || hz > l->ir.to_hz)
            continue;
        const size_t cell = (size_t)(log2(hz / lowest_hz) * CELLS_PER_OCTAVE);
        if (cell >= CELLS_MAX)
            break;
        const double level = lt_db_from_power(lt_complex_power(l->spectrum[k]));
        if (level > c->level_db[cell]) {
            c->level_db[cell] = level;
            c->hz[cell] = hz;
        }
        c->count = cell + 1 > c->count ? cell + 1 : c->count;
    }
}

static double notch_db(const lt_notch *n, double hz, double rate_hz)
{
    const lt_biquad b = lt_biquad_peaking(n->hz, n->q, -n->cut_db, rate_hz);
    return lt_db_from_power(lt_complex_power(lt_biquad_response(&b, hz, rate_hz)));
}

static size_t highest(const cells *c, const double *level_db)
{
    size_t top = 0;
    for (size_t i = 1; i < c->count; i++)
        if (level_db[i] > level_db[top])
            top = i;
    return top;
}

/* Cells above the target around `top`, across gaps shorter than 1/12 octave: [*first, *last]. */
static void run_around(const cells *c, const double *level_db, size_t top, double target_db, size_t *first,
                       size_t *last)
{
    *first = *last = top;
    for (size_t i = top; i > 0 && *first - (i - 1) <= BRIDGE_CELLS; i--)
        if (level_db[i - 1] > target_db)
            *first = i - 1;
    for (size_t i = top + 1; i < c->count && i - *last <= BRIDGE_CELLS; i++)
        if (level_db[i] > target_db)
            *last = i;
}

/* Cells of the run that stay above the target behind this notch. */
static size_t left_over(const cells *c, const double *level_db, size_t first, size_t last, double target_db,
                        const lt_notch *n)
{
    const lt_biquad b = lt_biquad_peaking(n->hz, n->q, -n->cut_db, c->rate_hz);
    size_t left = 0;
    for (size_t i = first; i <= last; i++)
        if (level_db[i] > target_db &&
            level_db[i] + lt_db_from_power(lt_complex_power(lt_biquad_response(&b, c->hz[i], c->rate_hz))) >
                target_db + 1e-6)
            left++;
    return left;
}

static double round_hz(double hz)
{
    return hz >= 100.0 ? round(hz) : round(hz * 10.0) / 10.0;
}

/* The notch of the least cut/Q that leaves the fewest cells of the run above the target. */
static lt_notch best_notch(const cells *c, const double *level_db, size_t top, double target_db, double cut_max_db)
{
    size_t first = 0;
    size_t last = 0;
    run_around(c, level_db, top, target_db, &first, &last);
    const double centres[2] = {round_hz(c->hz[top]), round_hz(sqrt(c->hz[first] * c->hz[last]))};
    lt_notch best = {.hz = centres[0], .q = qs[0], .cut_db = cut_max_db};
    size_t best_left = SIZE_MAX;
    const double least_db = level_db[top] - target_db;
    for (size_t k = 0; k < 2; k++)
        for (size_t q = 0; q < LTP_COUNT(qs); q++)
            for (double cut = ceil(least_db / cut_step_db) * cut_step_db; cut <= cut_max_db; cut += cut_step_db) {
                const lt_notch n = {.hz = centres[k], .q = qs[q], .cut_db = cut};
                const size_t left = left_over(c, level_db, first, last, target_db, &n);
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

/* Cover all cells above the target; false when `most` notches do not do it. level_db: [count] scratch. */
static bool cover(const cells *c, double *level_db, double target_db, size_t most, double cut_max_db, plan *out)
{
    *out = (plan){0};
    memcpy(level_db, c->level_db, c->count * sizeof *level_db);
    for (;;) {
        const size_t top = highest(c, level_db);
        if (level_db[top] <= target_db + 1e-6)
            return true;
        if (out->count == most || level_db[top] - target_db > cut_max_db)
            return false;
        const lt_notch n = best_notch(c, level_db, top, target_db, cut_max_db);
        out->list[out->count++] = n;
        for (size_t i = 0; i < c->count; i++)
            level_db[i] += notch_db(&n, c->hz[i], c->rate_hz);
    }
}

static double peak_with(const cells *c, const plan *p, size_t skipped)
{
    double top = -INFINITY;
    for (size_t i = 0; i < c->count; i++) {
        double level = c->level_db[i];
        for (size_t k = 0; k < p->count; k++)
            if (k != skipped && level > top)
                level += notch_db(&p->list[k], c->hz[i], c->rate_hz);
        top = fmax(top, level);
    }
    return top;
}

/* Drop what is not worth its place: a notch whose absence costs less than 0.5 dB. */
static void prune(const cells *c, plan *p)
{
    while (p->count > 0) {
        const double all = peak_with(c, p, SIZE_MAX);
        size_t weakest = 0;
        double least = INFINITY;
        for (size_t k = 0; k < p->count; k++) {
            const double worth = peak_with(c, p, k) - all;
            if (worth < least) {
                least = worth;
                weakest = k;
            }
        }
        if (least >= LTP_NOTCH_LEAST_DB)
            return;
        p->count--;
        memmove(p->list + weakest, p->list + weakest + 1, (p->count - weakest) * sizeof *p->list);
    }
}

static plan search(const cells *c, double *scratch, const lt_margin_options *opt)
{
    plan best = {0};
    double best_score = 0.0;
    const double top = c->level_db[highest(c, c->level_db)];
    for (double d = LTP_NOTCH_LEAST_DB; d <= opt->cut_max_db; d += step_db) {
        plan p;
        if (!cover(c, scratch, top - d, opt->notches_max, opt->cut_max_db, &p))
            break; /* more reduction needs at least as many notches */
        const double score = d - charge_db * (double)p.count;
        if (score > best_score + 1e-9) {
            best = p;
            best_score = score;
        }
    }
    prune(c, &best);
    return best;
}

lt_status ltp_notches_propose(const lt_loop *const *loops, size_t count, const lt_margin_options *opt,
                              lt_notch *notches, size_t *notch_count, lt_error *err)
{
    *notch_count = 0;
    cells *c = ltp_alloc(1, sizeof *c);
    double *scratch = ltp_alloc(CELLS_MAX, sizeof *scratch);
    lt_status st = LT_OK;
    if (c == NULL || scratch == NULL) {
        st = ltp_fail_nomem(err, "notches");
        goto done;
    }
    for (size_t i = 0; i < CELLS_MAX; i++) {
        c->hz[i] = lowest_hz * exp2(((double)i + 0.5) / CELLS_PER_OCTAVE);
        c->level_db[i] = -INFINITY;
    }
    c->rate_hz = loops[0]->ir.rate_hz;
    for (size_t i = 0; i < count; i++) {
        c->rate_hz = fmin(c->rate_hz, loops[i]->ir.rate_hz);
        fill_cells(c, loops[i]);
    }
    if (c->count == 0 || !isfinite(c->level_db[highest(c, c->level_db)]))
        goto done;
    const plan p = search(c, scratch, opt);
    memcpy(notches, p.list, p.count * sizeof *notches);
    *notch_count = p.count;
done:
    ltp_free(c);
    ltp_free(scratch);
    return st;
}
