/* SPDX-License-Identifier: MIT
 * Feedback margin of one or several loops: phase-true, safe, ring candidates. Levels in dB, L linear.
 * The loop with gain k is stable for k < 1 / max{Re L(f) : Im L(f) = 0, Re L(f) > 0} (Nyquist). */
#include "base/alloc.h"
#include "loop/loop_internal.h"

#include <math.h>
#include <stdlib.h>

static const double spacing_octaves = 1.0 / 24.0;
static const double refine_within = 0.85; /* of the largest level, 1.4 dB: interpolation is better than that */
static const size_t most_refined = 96;    /* of a long delay's thousands; the rest is as good as interpolated */

lt_margin_options lt_margin_default_options(void)
{
    return (lt_margin_options){.notches_max = 4, .cut_max_db = 12.0};
}

double lt_needed_attenuation_db(double safe_margin_db, double want_db)
{
    return lt_is_known(safe_margin_db) ? fmax(want_db - safe_margin_db, 0.0) : (double)NAN;
}

typedef struct {
    ltp_points *points; /* [count] */
    size_t count;
    double gain_db;
} scan;

static void scan_free(scan *s)
{
    for (size_t i = 0; s->points != NULL && i < s->count; i++)
        ltp_points_free(&s->points[i]);
    ltp_free(s->points);
    s->points = NULL;
}

static lt_status scan_create(const lt_loop *const *loops, size_t count, double gain_db, const lt_notch *notches,
                             size_t notch_count, scan *out, lt_error *err)
{
    *out = (scan){.count = count, .gain_db = gain_db};
    out->points = ltp_alloc(count, sizeof *out->points);
    if (out->points == NULL)
        return ltp_fail_nomem(err, "a margin");
    lt_status st = LT_OK;
    for (size_t i = 0; i < count && st == LT_OK; i++)
        st = ltp_points_create(loops[i], notches, notch_count, &out->points[i], err);
    if (st != LT_OK)
        scan_free(out);
    return st;
}

static void safe_margin(const scan *s, double *margin_db, double *hz)
{
    double top = 0.0;
    *hz = NAN;
    for (size_t i = 0; i < s->count; i++) {
        double level = 0.0;
        double at_hz = 0.0;
        ltp_points_peak(&s->points[i], &level, &at_hz);
        if (level > top) {
            top = level;
            *hz = at_hz;
        }
    }
    *margin_db = top > 0.0 ? -lt_db_from_amplitude(top) - s->gain_db : (double)NAN;
}

static int by_level_then_hz(const void *a, const void *b)
{
    const ltp_crossing *x = a;
    const ltp_crossing *y = b;
    if (x->level > y->level || x->level < y->level)
        return x->level > y->level ? -1 : 1;
    return (x->hz > y->hz) - (x->hz < y->hz);
}

static bool too_close(const lt_margin *m, double hz)
{
    for (size_t i = 0; i < m->candidate_count; i++) {
        const double a = fmax(m->candidates[i].hz, 1e-3);
        const double b = fmax(hz, 1e-3);
        if (fabs(log2(a / b)) < spacing_octaves)
            return true;
    }
    return false;
}

static lt_status crossings(const scan *s, lt_margin *m, lt_error *err)
{
    ltp_crossing *list = NULL;
    size_t found = 0;
    const lt_status st = ltp_points_crossings(s->points, s->count, &list, &found, err);
    if (st != LT_OK)
        return st;
    qsort(list, found, sizeof *list, by_level_then_hz);
    const double floor_level = found > 0 ? refine_within * list[0].level : 0.0;
    for (size_t i = 0; i < found && i < most_refined && list[i].level >= floor_level; i++)
        ltp_crossing_refine(&list[i]);
    qsort(list, found, sizeof *list, by_level_then_hz);
    for (size_t i = 0; i < found && m->candidate_count < LT_CANDIDATES_MAX; i++) {
        if (too_close(m, list[i].hz))
            continue;
        ltp_crossing_refine(&list[i]);
        if (!(list[i].level > 0.0))
            continue;
        m->candidates[m->candidate_count++] =
            (lt_ring_candidate){.hz = list[i].hz,
                                .margin_db = -lt_db_from_amplitude(list[i].level) - s->gain_db,
                                .width_hz = ltp_points_width(list[i].points, list[i].hz)};
    }
    ltp_free(list);
    return LT_OK;
}

static int by_margin(const void *a, const void *b)
{
    const lt_ring_candidate *x = a;
    const lt_ring_candidate *y = b;
    if (x->margin_db < y->margin_db || x->margin_db > y->margin_db)
        return x->margin_db < y->margin_db ? -1 : 1;
    return (x->hz > y->hz) - (x->hz < y->hz);
}

static lt_status without_notches(const scan *s, lt_margin *m, lt_error *err)
{
    safe_margin(s, &m->safe_margin_db, &m->safe_hz);
    const lt_status st = crossings(s, m, err);
    if (st != LT_OK)
        return st;
    qsort(m->candidates, m->candidate_count, sizeof *m->candidates, by_margin);
    if (m->candidate_count > 0) {
        m->margin_db = m->candidates[0].margin_db;
        m->ring_hz = m->candidates[0].hz;
    }
    m->stable = !(m->margin_db <= 0.0);
    m->safe_margin_with_notches_db = m->safe_margin_db;
    m->margin_with_notches_db = m->margin_db;
    return LT_OK;
}

lt_status ltp_margin_behind(const lt_loop *const *loops, size_t count, double gain_db, const lt_notch *notches,
                            size_t notch_count, double *safe_margin_db, double *margin_db, lt_error *err)
{
    scan s = {0};
    lt_margin then = {.margin_db = NAN};
    double hz = NAN;
    lt_status st = scan_create(loops, count, gain_db, notches, notch_count, &s, err);
    if (st != LT_OK)
        return st;
    safe_margin(&s, &then.safe_margin_db, &hz);
    st = crossings(&s, &then, err);
    qsort(then.candidates, then.candidate_count, sizeof *then.candidates, by_margin);
    *safe_margin_db = then.safe_margin_db;
    *margin_db = then.candidate_count > 0 ? then.candidates[0].margin_db : (double)NAN;
    scan_free(&s);
    return st;
}

static lt_status add_notches(const lt_loop *const *loops, size_t count, double gain_db, const lt_margin_options *opt,
                             lt_margin *m, lt_error *err)
{
    lt_status st = ltp_notches_propose(loops, count, opt, m->notches, &m->notch_count, err);
    if (st != LT_OK || m->notch_count == 0)
        return st;
    st = ltp_margin_behind(loops, count, gain_db, m->notches, m->notch_count, &m->safe_margin_with_notches_db,
                           &m->margin_with_notches_db, err);
    if (st == LT_OK && m->safe_margin_with_notches_db - m->safe_margin_db < LTP_NOTCH_LEAST_DB) {
        m->notch_count = 0; /* the exact figure does not bear the proposal out */
        m->safe_margin_with_notches_db = m->safe_margin_db;
        m->margin_with_notches_db = m->margin_db;
    }
    return st;
}

static lt_status check(const lt_loop *const *loops, size_t count, double gain_db, const lt_margin_options *opt,
                       lt_error *err)
{
    if (count > 0 && loops == NULL)
        return ltp_fail(err, LT_E_ARG, "a margin of %zu loops, but none was given", count);
    if (!lt_is_known(gain_db))
        return ltp_fail(err, LT_E_ARG, "a margin needs a gain in dB that is a number");
    if (opt->notches_max > LT_NOTCHES_MAX || !(opt->cut_max_db >= 0.0 && opt->cut_max_db <= 60.0))
        return ltp_fail(err, LT_E_ARG, "notches: at most %d, of 0 to 60 dB each (%u, %g dB)", (int)LT_NOTCHES_MAX,
                        opt->notches_max, opt->cut_max_db);
    return LT_OK;
}

lt_status lt_margin_compute(const lt_loop *const *loops, size_t count, double gain_db, const lt_margin_options *opt,
                            lt_margin *out, lt_error *err)
{
    const lt_margin_options defaults = lt_margin_default_options();
    opt = opt != NULL ? opt : &defaults;
    *out = (lt_margin){.stable = true,
                       .margin_db = NAN,
                       .safe_margin_db = NAN,
                       .ring_hz = NAN,
                       .safe_hz = NAN,
                       .safe_margin_with_notches_db = NAN,
                       .margin_with_notches_db = NAN,
                       .colouration = {.ripple_db = NAN, .peak_db = NAN, .hz = NAN, .decay_s = NAN}};
    lt_status st = check(loops, count, gain_db, opt, err);
    if (st != LT_OK || count == 0)
        return st;
    scan s = {0};
    st = scan_create(loops, count, gain_db, NULL, 0, &s, err);
    if (st == LT_OK)
        st = without_notches(&s, out, err);
    scan_free(&s);
    if (st == LT_OK && out->stable && lt_is_known(out->safe_margin_db))
        st = lt_colouration_of(loops, count, gain_db, &out->colouration, err);
    if (st == LT_OK && opt->notches_max > 0 && lt_is_known(out->safe_margin_db))
        st = add_notches(loops, count, gain_db, opt, out, err);
    return st;
}
