/* SPDX-License-Identifier: MIT
 * Margin of several open lanes. Phase-true: with all gains risen by k the loop begins to howl where an eigenvalue of
 * k L(f) first reaches +1, so k = 1 / max{lambda real, > 0: lambda eigenvalue of L(f)} (generalised Nyquist criterion).
 *
 * Eigenvalues are followed from point to point of the grid. Where it is not plain which belongs to which - they turned
 * far, or come close to each other - the interval is halved; what is left undecided then lies so close together that
 * either answer is right. Crossings are refined by root finding. Cells of 16 intervals whose bound lies below what has
 * been found already are passed over. */
#include "loop/loop_internal.h"
#include "loop/matrix.h"

#include "base/alloc.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { HALVINGS = 9, ROOT_STEPS = 60, CROSSINGS_MAX = 512, FLOOR_STEP = 16 };
static const double cell_slack = 1.05;    /* 0.42 dB: what a peak between two points may have over them */
static const double pass_step = 0.84;     /* cells are looked at from the highest down, in passes of 1.5 dB */
static const double listed_within = 0.25; /* candidates: 12 dB */
static const double spacing_octaves = 1.0 / 24.0;

double lt_open_microphones_db(size_t n)
{
    return n > 0 ? 10.0 * log10((double)n) : 0.0;
}

typedef struct {
    size_t n;
    double x;
    lt_complex matrix[LTP_MATRIX * LTP_MATRIX];
    lt_complex value[LTP_MATRIX];
    bool known; /* the values */
} locus_point;

typedef struct {
    double level, x;
    size_t condition;
    ltp_open_set set; /* in which it is */
} extreme;

typedef struct {
    const ltp_open_set *set;
    size_t condition;
    extreme crossing, singular, any_phase;
    bool list;
    lt_ring_candidate *found; /* [CROSSINGS_MAX] hz, level while searching */
    size_t found_count;
    double floor; /* level of the last candidate that would be listed, once there are enough of them */
    double *eigen_bound, *singular_bound;         /* [cells, then blocks] */
    double *any_eigen_bound, *any_singular_bound; /* [blocks] whatever the state of the switches */
} search;

static locus_point point_at(const ltp_open_set *s, double x)
{
    locus_point p = {.n = s->k, .x = x};
    ltp_open_reduced(s, x, p.matrix);
    return p;
}

static void find_values(const lt_loop_matrix *m, locus_point *p)
{
    lt_complex a[LTP_MATRIX * LTP_MATRIX];
    if (p->known)
        return;
    memcpy(a, p->matrix, p->n * p->n * sizeof *a);
    ltp_eigenvalues(a, p->n, p->value);
    p->known = true;
    const double nyquist = 0.5 * (double)m->n_fft;
    if (p->x < 1e-9 || p->x > nyquist * (1.0 - 1e-12)) /* L is real there: what is real by nature, whatever rounding
                                                          says */
        for (size_t i = 0; i < p->n; i++)
            if (fabs(p->value[i].im) <= 1e-6 * fabs(p->value[i].re))
                p->value[i].im = 0.0;
}

static locus_point eigenvalues_at(const ltp_open_set *s, double x)
{
    locus_point p = point_at(s, x);
    find_values(s->matrix, &p);
    return p;
}

/* ---- crossings ---- */

/* Below this level nothing is of interest any more. */
static double least_level(const search *q)
{
    return q->list ? fmax(q->crossing.level * listed_within, q->floor) : q->crossing.level;
}

static int by_level(const void *a, const void *b)
{
    const lt_ring_candidate *x = a;
    const lt_ring_candidate *y = b;
    if (x->margin_db > y->margin_db || x->margin_db < y->margin_db)
        return x->margin_db > y->margin_db ? -1 : 1;
    return (x->hz > y->hz) - (x->hz < y->hz);
}

/* Of those found, sorted by this, the highest that lie far enough from each other. */
static size_t choose_candidates(search *q, size_t chosen[LT_CANDIDATES_MAX])
{
    size_t count = 0;
    if (q->found_count > 0)
        qsort(q->found, q->found_count, sizeof *q->found, by_level);
    for (size_t i = 0; i < q->found_count && count < LT_CANDIDATES_MAX; i++) {
        const lt_ring_candidate *c = &q->found[i];
        bool close = c->margin_db < listed_within * q->crossing.level;
        for (size_t k = 0; k < count; k++)
            close |= fabs(log2(fmax(c->hz, 1e-3) / fmax(q->found[chosen[k]].hz, 1e-3))) < spacing_octaves;
        if (!close)
            chosen[count++] = i;
    }
    return count;
}

static void raise_floor(search *q)
{
    size_t chosen[LT_CANDIDATES_MAX];
    if (choose_candidates(q, chosen) == LT_CANDIDATES_MAX)
        q->floor = q->found[chosen[LT_CANDIDATES_MAX - 1]].margin_db;
}

static void note_crossing(search *q, double x, double level)
{
    if (!(level > 0.0))
        return;
    if (level > q->crossing.level)
        q->crossing = (extreme){.level = level, .x = x, .condition = q->condition, .set = *q->set};
    if (!q->list || level < least_level(q))
        return;
    const lt_ring_candidate one = {.hz = ltp_matrix_hz(q->set->matrix, x), .margin_db = level};
    if (q->found_count < CROSSINGS_MAX) {
        q->found[q->found_count++] = one;
        if (q->found_count % FLOOR_STEP == 0)
            raise_floor(q);
        return;
    }
    raise_floor(q); /* sorted then */
    q->found_count = CROSSINGS_MAX / 2;
    q->found[q->found_count++] = one;
}

static lt_complex nearest_to(const locus_point *p, lt_complex z)
{
    size_t best = 0;
    for (size_t i = 1; i < p->n; i++)
        if (ltp_complex_power(ltp_complex_subtract(p->value[i], z)) <
            ltp_complex_power(ltp_complex_subtract(p->value[best], z)))
            best = i;
    return p->value[best];
}

/* Regula falsi (Illinois) on the imaginary part of one eigenvalue, which goes from za to zb. */
static void refine(search *q, double xa, lt_complex za, double xb, lt_complex zb)
{
    double fa = za.im;
    double fb = zb.im;
    double x = xa;
    lt_complex z = za;
    int side = 0;
    for (int k = 0; k < ROOT_STEPS; k++) {
        x = xb - fb * (xb - xa) / (fb - fa);
        const double t = (x - xa) / (xb - xa);
        const lt_complex guess = {za.re + t * (zb.re - za.re), za.im + t * (zb.im - za.im)};
        const locus_point p = eigenvalues_at(q->set, x);
        z = nearest_to(&p, guess);
        if (fabs(z.im) <= 1e-9 * fabs(z.re) || xb - xa < 1e-7)
            break;
        if ((z.im >= 0.0) == (zb.im >= 0.0)) {
            xb = x;
            zb = z;
            fb = z.im;
            fa = side == 1 ? fa / 2.0 : fa;
            side = 1;
        } else {
            xa = x;
            za = z;
            fa = z.im;
            fb = side == -1 ? fb / 2.0 : fb;
            side = -1;
        }
    }
    note_crossing(q, x, z.re);
}

typedef struct {
    size_t from[LTP_MATRIX]; /* value of a that became value i of b */
    bool plain;
} matching;

/* Pairs by rising distance. Plain: each that matters moved little, and much less than to its next best partner. */
static matching match(const locus_point *a, const locus_point *b, double least)
{
    matching m = {.plain = true};
    bool used_a[LTP_MATRIX] = {false};
    bool used_b[LTP_MATRIX] = {false};
    for (size_t round = 0; round < a->n; round++) {
        double best = (double)INFINITY;
        size_t at_a = 0;
        size_t at_b = 0;
        for (size_t i = 0; i < a->n; i++)
            for (size_t k = 0; k < b->n && !used_a[i]; k++) {
                const double d = ltp_complex_power(ltp_complex_subtract(a->value[i], b->value[k]));
                if (!used_b[k] && d < best) {
                    best = d;
                    at_a = i;
                    at_b = k;
                }
            }
        used_a[at_a] = used_b[at_b] = true;
        m.from[at_b] = at_a;
        const double size = fmax(ltp_complex_power(a->value[at_a]), ltp_complex_power(b->value[at_b]));
        if (size < least * least)
            continue;
        m.plain = m.plain && best < 0.64 * size;
        for (size_t i = 0; i < a->n; i++) {
            const double to_b = ltp_complex_power(ltp_complex_subtract(a->value[i], b->value[at_b]));
            const double to_a = ltp_complex_power(ltp_complex_subtract(a->value[at_a], b->value[i]));
            m.plain = m.plain && (i == at_a || to_b > 2.25 * best) && (i == at_b || to_a > 2.25 * best);
        }
    }
    return m;
}

static bool all_below(const locus_point *p, double level)
{
    for (size_t i = 0; i < p->n; i++)
        if (ltp_complex_power(p->value[i]) > level * level)
            return false;
    return true;
}

/* Crossings between two points; those at the second point's own place belong to the next interval. */
static void search_interval(search *q, const locus_point *a, const locus_point *b, int halvings)
{
    const double least = least_level(q) / cell_slack;
    if (all_below(a, least) && all_below(b, least))
        return;
    const matching m = match(a, b, least);
    if (!m.plain && halvings > 0) {
        const locus_point middle = eigenvalues_at(q->set, 0.5 * (a->x + b->x));
        search_interval(q, a, &middle, halvings - 1);
        search_interval(q, &middle, b, halvings - 1);
        return;
    }
    for (size_t i = 0; i < b->n; i++) {
        const lt_complex za = a->value[m.from[i]];
        const lt_complex zb = b->value[i];
        if ((za.im >= 0.0) == (zb.im >= 0.0))
            continue;
        const double t = za.im / (za.im - zb.im);
        const double re = za.re + t * (zb.re - za.re);
        if (re > 0.0 && fmax(ltp_complex_power(za), ltp_complex_power(zb)) > least * least)
            refine(q, a->x, za, b->x, zb);
    }
}

/* At 0 Hz and at half the rate real eigenvalues count like crossings. */
static void search_end(search *q, const locus_point *p)
{
    const double nyquist = 0.5 * (double)q->set->matrix->n_fft;
    if (!(p->x < 1e-9 || p->x > nyquist * (1.0 - 1e-12)))
        return;
    for (size_t i = 0; i < p->n; i++)
        if (fabs(p->value[i].im) <= 1e-6 * fabs(p->value[i].re))
            note_crossing(q, p->x, p->value[i].re);
}

/* The points of a cell, each computed when it is asked for. */
typedef struct {
    locus_point point[LTP_CELL_POINTS + 1];
    bool have[LTP_CELL_POINTS + 1];
    size_t first, count;
} cell_points;

static locus_point *point_of(const search *q, cell_points *c, size_t i)
{
    if (!c->have[i]) {
        c->point[i] = point_at(q->set, ltp_matrix_point(q->set->matrix, c->first + i));
        c->have[i] = true;
    }
    return &c->point[i];
}

static bool far_below(const search *q, cell_points *c, size_t i, double slack)
{
    const locus_point *p = point_of(q, c, i);
    return ltp_eigenvalues_below(p->matrix, p->n, least_level(q) / slack);
}

/* Intervals of `step` points: passed over where both ends are too low for anything between them, else halved. */
static void search_steps(search *q, cell_points *c, size_t i, size_t step)
{
    const double slack = step >= 4 ? LTP_FOUR_SLACK : step == 2 ? LTP_TWO_SLACK : cell_slack;
    if (far_below(q, c, i, slack) && far_below(q, c, i + step, slack))
        return;
    if (step > 1) {
        search_steps(q, c, i, step / 2);
        search_steps(q, c, i + step / 2, step / 2);
        return;
    }
    find_values(q->set->matrix, point_of(q, c, i));
    find_values(q->set->matrix, point_of(q, c, i + 1));
    search_interval(q, point_of(q, c, i), point_of(q, c, i + 1), HALVINGS);
}

static void crossings_of_cell(search *q, size_t cell)
{
    const lt_loop_matrix *m = q->set->matrix;
    cell_points c;
    memset(c.have, 0, sizeof c.have);
    c.first = cell * LTP_CELL_POINTS;
    c.count = m->point_count - 1 - c.first < LTP_CELL_POINTS ? m->point_count - 1 - c.first : LTP_CELL_POINTS;
    if (c.first == 0) {
        find_values(m, point_of(q, &c, 0));
        search_end(q, point_of(q, &c, 0));
    }
    for (size_t i = 0; i < c.count;) {
        const size_t step = i + 4 <= c.count ? 4 : 1;
        search_steps(q, &c, i, step);
        i += step;
    }
    if (c.first + c.count + 1 == m->point_count) {
        find_values(m, point_of(q, &c, c.count));
        search_end(q, point_of(q, &c, c.count));
    }
}

/* ---- one open set ---- */

typedef enum { CROSSINGS, SINGULAR, ANY_PHASE } quantity;

static double found_so_far(const search *q, quantity what)
{
    return what == CROSSINGS ? least_level(q) : what == SINGULAR ? q->singular.level : q->any_phase.level;
}

static void look_for_peak(search *q, size_t cell, ltp_open_height at, extreme *best)
{
    double level = 0.0;
    double x = 0.0;
    if (ltp_open_peak_of_cell(q->set, cell, at, best->level, &level, &x))
        *best = (extreme){.level = level, .x = x, .condition = q->condition, .set = *q->set};
}

static void look_at(search *q, quantity what, size_t cell)
{
    if (what == CROSSINGS)
        crossings_of_cell(q, cell);
    else if (what == SINGULAR)
        look_for_peak(q, cell, ltp_open_singular, &q->singular);
    else
        look_for_peak(q, cell, ltp_open_any_phase, &q->any_phase);
}

/* Cells from the highest bound down, until the bound lies below what was found. */
static void sweep(search *q, quantity what, const double *bound, size_t first, size_t end)
{
    double top = 0.0;
    for (size_t i = first; i < end; i++)
        top = fmax(top, bound[i]);
    double upper = (double)INFINITY;
    double lower = top * pass_step;
    while (top > 0.0 && upper * cell_slack > found_so_far(q, what) && upper > 1e-9 * top) {
        for (size_t i = first; i < end; i++)
            if (bound[i] >= lower && bound[i] < upper && bound[i] * cell_slack > found_so_far(q, what))
                look_at(q, what, i);
        upper = lower;
        lower *= pass_step;
    }
}

static void sweep_all(search *q, size_t first, size_t end)
{
    sweep(q, CROSSINGS, q->eigen_bound, first, end);
    sweep(q, SINGULAR, q->singular_bound, first, end);
    sweep(q, ANY_PHASE, q->eigen_bound, first, end);
}

/* Can the lanes exceed what has been found where these are the bounds? */
static bool may_matter(const search *q, double eigenvalue, double singular)
{
    return eigenvalue * cell_slack > least_level(q) || eigenvalue * cell_slack > q->any_phase.level ||
           singular * cell_slack > q->singular.level;
}

/* Bounds of the cells of one block; 0 in all where the block cannot matter. */
static void bound_cells(search *q, const ltp_open_set *s, size_t block)
{
    const size_t cells = s->matrix->cell_count;
    const size_t first = block * LTP_BLOCK_CELLS;
    const size_t end = first + LTP_BLOCK_CELLS < cells ? first + LTP_BLOCK_CELLS : cells;
    const bool matters = may_matter(q, q->eigen_bound[cells + block], q->singular_bound[cells + block]);
    for (size_t i = first; i < end; i++) {
        q->eigen_bound[i] = q->singular_bound[i] = 0.0;
        if (matters)
            ltp_open_cell_bounds(s, i, &q->eigen_bound[i], &q->singular_bound[i]);
    }
}

/* The block of the highest bound first: what is found there spares looking closely at most of the others. */
static void search_set(search *q, const ltp_open_set *s)
{
    const size_t cells = s->matrix->cell_count;
    size_t top = 0;
    q->set = s;
    for (size_t b = 0; b < s->matrix->block_count; b++) {
        const size_t i = cells + b;
        q->eigen_bound[i] = q->singular_bound[i] = 0.0;
        if (may_matter(q, q->any_eigen_bound[b], q->any_singular_bound[b]))
            ltp_open_cell_bounds(s, i, &q->eigen_bound[i], &q->singular_bound[i]);
        if (q->eigen_bound[i] > q->eigen_bound[cells + top])
            top = b;
    }
    bound_cells(q, s, top);
    const size_t first = top * LTP_BLOCK_CELLS;
    const size_t end = first + LTP_BLOCK_CELLS < cells ? first + LTP_BLOCK_CELLS : cells;
    sweep_all(q, first, end);
    q->eigen_bound[cells + top] = q->singular_bound[cells + top] = 0.0; /* done */
    for (size_t b = 0; b < s->matrix->block_count; b++)
        bound_cells(q, s, b);
    sweep_all(q, 0, cells);
}

static int bit_count(unsigned bits)
{
    int count = 0;
    for (; bits != 0; bits &= bits - 1)
        count++;
    return count;
}

/* Every state of the switched lanes among the open ones, those first in which as many talk as listen: they are the
 * loudest as a rule, and what they reach spares looking closely at the others. */
static void search_states(search *q, const lt_loop_matrix *m, unsigned open)
{
    unsigned switched = 0;
    for (size_t l = 0; l < m->lane_count; l++)
        if ((open >> l & 1u) != 0 && m->switching[l] < 1.0)
            switched |= 1u << l;
    const int lanes = bit_count(switched);
    const ltp_open_set any = ltp_open_set_any_state(m, open);
    for (size_t b = 0; b < m->block_count; b++) {
        q->any_eigen_bound[b] = q->any_singular_bound[b] = (double)INFINITY;
        if (lanes > 0)
            ltp_open_cell_bounds(&any, m->cell_count + b, &q->any_eigen_bound[b], &q->any_singular_bound[b]);
    }
    for (int unbalance = 0; unbalance <= lanes; unbalance++) {
        unsigned talking = 0;
        do {
            if (abs(2 * bit_count(talking) - lanes) == unbalance) {
                const ltp_open_set s = ltp_open_set_of(m, open, talking);
                search_set(q, &s);
            }
            talking = (talking - switched) & switched; /* the next subset */
        } while (talking != 0);
    }
}

/* ---- the result ---- */

static void fill_candidates(search *q, lt_matrix_margin *out)
{
    size_t chosen[LT_CANDIDATES_MAX];
    out->candidate_count = choose_candidates(q, chosen);
    for (size_t i = 0; i < out->candidate_count; i++) {
        const lt_ring_candidate *c = &q->found[chosen[i]];
        out->candidates[i] =
            (lt_ring_candidate){.hz = c->hz, .margin_db = -lt_db_from_amplitude(c->margin_db), .width_hz = NAN};
    }
}

static void fill(search *q, lt_matrix_margin *out)
{
    if (q->crossing.level > 0.0) {
        out->margin_db = -lt_db_from_amplitude(q->crossing.level);
        out->ring_hz = ltp_matrix_hz(q->crossing.set.matrix, q->crossing.x);
        out->condition = q->crossing.condition;
        out->path = ltp_open_ring_path(&q->crossing.set, q->crossing.x, q->crossing.level);
    }
    if (q->singular.level > 0.0) {
        out->safe_margin_db = -lt_db_from_amplitude(q->singular.level);
        out->safe_hz = ltp_matrix_hz(q->singular.set.matrix, q->singular.x);
        out->safe_condition = q->singular.condition;
    }
    if (q->any_phase.level > 0.0)
        out->any_phase_margin_db = -lt_db_from_amplitude(q->any_phase.level);
    out->stable = !(out->margin_db <= 0.0);
    fill_candidates(q, out);
}

static lt_status check(const lt_loop_matrix *const *matrices, size_t count, unsigned open, lt_error *err)
{
    if (count < 1 || matrices == NULL)
        return ltp_fail(err, LT_E_ARG, "a margin of several lanes needs at least one loop matrix");
    for (size_t i = 0; i < count; i++)
        if ((open & ((1u << matrices[i]->lane_count) - 1u)) == 0 || open >> matrices[i]->lane_count != 0)
            return ltp_fail(err, LT_E_ARG, "a margin of several lanes: at least one lane of the matrix must be open");
    return LT_OK;
}

lt_status lt_loop_matrix_margin(const lt_loop_matrix *const *matrices, size_t count, unsigned open, bool candidates,
                                lt_matrix_margin *out, lt_error *err)
{
    *out = (lt_matrix_margin){.open = open,
                              .stable = true,
                              .margin_db = NAN,
                              .ring_hz = NAN,
                              .safe_margin_db = NAN,
                              .safe_hz = NAN,
                              .any_phase_margin_db = NAN};
    lt_status st = check(matrices, count, open, err);
    if (st != LT_OK)
        return st;
    size_t cells = 0;
    for (size_t i = 0; i < count; i++) {
        const size_t both = matrices[i]->cell_count + matrices[i]->block_count;
        cells = both > cells ? both : cells;
    }
    search q = {.list = candidates};
    q.eigen_bound = ltp_alloc(cells, sizeof *q.eigen_bound);
    q.singular_bound = ltp_alloc(cells, sizeof *q.singular_bound);
    q.any_eigen_bound = ltp_alloc(cells, sizeof *q.any_eigen_bound);
    q.any_singular_bound = ltp_alloc(cells, sizeof *q.any_singular_bound);
    q.found = candidates ? ltp_alloc(CROSSINGS_MAX, sizeof *q.found) : NULL;
    if (q.eigen_bound == NULL || q.singular_bound == NULL || q.any_eigen_bound == NULL ||
        q.any_singular_bound == NULL || (candidates && q.found == NULL)) {
        st = ltp_fail_nomem(err, "a margin of several lanes");
        goto done;
    }
    for (size_t i = 0; i < count; i++) {
        q.condition = i;
        search_states(&q, matrices[i], open);
    }
    fill(&q, out);
done:
    ltp_free(q.eigen_bound);
    ltp_free(q.singular_bound);
    ltp_free(q.any_eigen_bound);
    ltp_free(q.any_singular_bound);
    ltp_free(q.found);
    return st;
}
