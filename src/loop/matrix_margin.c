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

enum { HALVINGS = 9, ROOT_STEPS = 60, GOLDEN_STEPS = 28, CROSSINGS_MAX = 512 };
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
    lt_complex value[LTP_MATRIX];
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
    double *eigen_bound, *singular_bound; /* [cells] */
} search;

static locus_point eigenvalues_at(const ltp_open_set *s, double x)
{
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    lt_complex a[LTP_MATRIX * LTP_MATRIX];
    locus_point p = {.n = s->k, .x = x};
    ltp_open_response(s, x, r);
    ltp_open_reduce(s, r, a);
    ltp_eigenvalues(a, p.n, p.value);
    const lt_loop_matrix *m = s->matrix;
    const double nyquist = 0.5 * (double)m->n_fft;
    if (x < 1e-9 || x > nyquist * (1.0 - 1e-12)) /* L is real there: what is real by nature, whatever rounding says */
        for (size_t i = 0; i < p.n; i++)
            if (fabs(p.value[i].im) <= 1e-6 * fabs(p.value[i].re))
                p.value[i].im = 0.0;
    return p;
}

/* ---- crossings ---- */

/* Below this level nothing is of interest any more. */
static double least_level(const search *q)
{
    return q->list ? q->crossing.level * listed_within : q->crossing.level;
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
        return;
    }
    size_t least = 0;
    for (size_t i = 1; i < CROSSINGS_MAX; i++)
        if (q->found[i].margin_db < q->found[least].margin_db)
            least = i;
    if (level > q->found[least].margin_db)
        q->found[least] = one;
}

static lt_complex nearest_to(const locus_point *p, lt_complex z)
{
    size_t best = 0;
    for (size_t i = 1; i < p->n; i++)
        if (lt_complex_power(ltp_complex_subtract(p->value[i], z)) <
            lt_complex_power(ltp_complex_subtract(p->value[best], z)))
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
                const double d = lt_complex_power(ltp_complex_subtract(a->value[i], b->value[k]));
                if (!used_b[k] && d < best) {
                    best = d;
                    at_a = i;
                    at_b = k;
                }
            }
        used_a[at_a] = used_b[at_b] = true;
        m.from[at_b] = at_a;
        const double size = fmax(lt_complex_power(a->value[at_a]), lt_complex_power(b->value[at_b]));
        if (size < least * least)
            continue;
        m.plain = m.plain && best < 0.64 * size;
        for (size_t i = 0; i < a->n; i++) {
            const double to_b = lt_complex_power(ltp_complex_subtract(a->value[i], b->value[at_b]));
            const double to_a = lt_complex_power(ltp_complex_subtract(a->value[at_a], b->value[i]));
            m.plain = m.plain && (i == at_a || to_b > 2.25 * best) && (i == at_b || to_a > 2.25 * best);
        }
    }
    return m;
}

static bool all_below(const locus_point *p, double level)
{
    for (size_t i = 0; i < p->n; i++)
        if (lt_complex_power(p->value[i]) > level * level)
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
        if (re > 0.0 && fmax(lt_complex_power(za), lt_complex_power(zb)) > least * least)
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

static void crossings_of_cell(search *q, size_t cell)
{
    const lt_loop_matrix *m = q->set->matrix;
    locus_point before = eigenvalues_at(q->set, ltp_matrix_point(m, cell * LTP_CELL_POINTS));
    if (cell == 0)
        search_end(q, &before);
    for (size_t i = cell * LTP_CELL_POINTS + 1; i <= (cell + 1) * LTP_CELL_POINTS && i < m->point_count; i++) {
        const locus_point here = eigenvalues_at(q->set, ltp_matrix_point(m, i));
        search_interval(q, &before, &here, HALVINGS);
        if (i + 1 == m->point_count)
            search_end(q, &here);
        before = here;
    }
}

/* ---- peaks of a bound ---- */

typedef double (*height)(const ltp_open_set *s, double x);

static void climb(const ltp_open_set *s, height at, double a, double b, double *level, double *x)
{
    const double golden = 0.6180339887498949; /* (sqrt 5 - 1) / 2 */
    double x1 = b - golden * (b - a);
    double x2 = a + golden * (b - a);
    double y1 = at(s, x1);
    double y2 = at(s, x2);
    for (int k = 0; k < GOLDEN_STEPS; k++) {
        if (y1 > y2) {
            b = x2;
            x2 = x1;
            y2 = y1;
            x1 = b - golden * (b - a);
            y1 = at(s, x1);
        } else {
            a = x1;
            x1 = x2;
            y1 = y2;
            x2 = a + golden * (b - a);
            y2 = at(s, x2);
        }
    }
    *level = fmax(y1, y2);
    *x = y1 > y2 ? x1 : x2;
}

static void peaks_of_cell(search *q, size_t cell, height at, extreme *best)
{
    const lt_loop_matrix *m = q->set->matrix;
    const size_t first = cell * LTP_CELL_POINTS;
    const size_t last = first + LTP_CELL_POINTS < m->point_count ? first + LTP_CELL_POINTS : m->point_count - 1;
    size_t top = first;
    double level = 0.0;
    for (size_t i = first; i <= last; i++) {
        const double y = at(q->set, ltp_matrix_point(m, i));
        if (y > level) {
            level = y;
            top = i;
        }
    }
    if (!(level * cell_slack > best->level))
        return;
    const double lower = ltp_matrix_point(m, top > 0 ? top - 1 : 0);
    const double upper = ltp_matrix_point(m, top + 1 < m->point_count ? top + 1 : top);
    double x = ltp_matrix_point(m, top);
    double refined = 0.0;
    double at_x = x;
    climb(q->set, at, lower, upper, &refined, &at_x);
    if (refined > level) {
        level = refined;
        x = at_x;
    }
    if (level > best->level)
        *best = (extreme){.level = level, .x = x, .condition = q->condition, .set = *q->set};
}

/* ---- one open set ---- */

typedef enum { CROSSINGS, SINGULAR, ANY_PHASE } quantity;

static double found_so_far(const search *q, quantity what)
{
    return what == CROSSINGS ? least_level(q) : what == SINGULAR ? q->singular.level : q->any_phase.level;
}

static void look_at(search *q, quantity what, size_t cell)
{
    if (what == CROSSINGS)
        crossings_of_cell(q, cell);
    else if (what == SINGULAR)
        peaks_of_cell(q, cell, ltp_open_singular, &q->singular);
    else
        peaks_of_cell(q, cell, ltp_open_any_phase, &q->any_phase);
}

/* Cells from the highest bound down, until the bound lies below what was found. */
static void sweep(search *q, quantity what, const double *bound)
{
    const size_t cells = q->set->matrix->cell_count;
    double top = 0.0;
    for (size_t i = 0; i < cells; i++)
        top = fmax(top, bound[i]);
    double upper = (double)INFINITY;
    double lower = top * pass_step;
    while (top > 0.0 && upper * cell_slack > found_so_far(q, what) && upper > 1e-9 * top) {
        for (size_t i = 0; i < cells; i++)
            if (bound[i] >= lower && bound[i] < upper && bound[i] * cell_slack > found_so_far(q, what))
                look_at(q, what, i);
        upper = lower;
        lower *= pass_step;
    }
}

static void search_set(search *q, const ltp_open_set *s)
{
    q->set = s;
    for (size_t i = 0; i < s->matrix->cell_count; i++)
        ltp_open_cell_bounds(s, i, &q->eigen_bound[i], &q->singular_bound[i]);
    sweep(q, CROSSINGS, q->eigen_bound);
    sweep(q, SINGULAR, q->singular_bound);
    sweep(q, ANY_PHASE, q->eigen_bound);
}

/* Every state of the switched lanes among the open ones. */
static void search_states(search *q, const lt_loop_matrix *m, unsigned open)
{
    unsigned switched = 0;
    for (size_t l = 0; l < m->lane_count; l++)
        if ((open >> l & 1u) != 0 && m->switching[l] < 1.0)
            switched |= 1u << l;
    unsigned talking = 0;
    do {
        const ltp_open_set s = ltp_open_set_of(m, open, talking);
        search_set(q, &s);
        talking = (talking - switched) & switched; /* the next subset */
    } while (talking != 0);
}

/* ---- which path rings ---- */

/* d lambda / d ln(path) = (y* dL x) / (y* x) for each lane path and each counter path; the largest real part. */
static lt_ring_path ring_path(const extreme *e)
{
    const ltp_open_set *s = &e->set;
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    lt_complex a[LTP_MATRIX * LTP_MATRIX];
    lt_complex x[LTP_MATRIX];
    lt_complex y[LTP_MATRIX];
    lt_complex counters[LTP_MATRIX * LTP_MATRIX] = {{0.0, 0.0}};
    lt_ring_path out = {.lane_share = -(double)INFINITY, .counter_share = -(double)INFINITY};
    const locus_point p = eigenvalues_at(s, e->x);
    const lt_complex value = nearest_to(&p, (lt_complex){e->level, 0.0});
    ltp_open_response(s, e->x, r);
    ltp_open_reduce(s, r, a);
    ltp_eigenvectors(a, s->k, value, x, y);
    lt_complex product = {0.0, 0.0};
    for (size_t c = 0; c < s->k; c++)
        product = ltp_complex_add(product, lt_complex_multiply(ltp_complex_conjugate(y[c]), x[c]));
    if (!(ltp_complex_abs(product) > 1e-9)) /* two eigenvalues in one: no path can be named */
        return (lt_ring_path){.known = false};
    product = lt_complex_multiply(product, value);
    for (size_t i = 0; i < s->n; i++)
        for (size_t j = 0; j < s->n; j++) {
            lt_complex sum = {0.0, 0.0};
            for (size_t c = 0; c < s->k; c++) {
                const lt_complex way = ltp_open_way(s, e->x, c, i, j);
                const lt_complex part =
                    lt_complex_multiply(lt_complex_multiply(ltp_complex_conjugate(y[c]), way), x[s->row_of[j]]);
                lt_complex *counter = &counters[c * s->k + s->row_of[i]];
                sum = ltp_complex_add(sum, part);
                *counter = ltp_complex_add(*counter, part);
            }
            const double share = ltp_complex_divide(sum, product).re;
            if (share > out.lane_share) {
                out.lane_share = share;
                out.speaker_lane = s->lane[j];
                out.microphone_lane = s->lane[i];
            }
        }
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++) {
            const double share = ltp_complex_divide(counters[c * s->k + d], product).re;
            if (share > out.counter_share) {
                out.counter_share = share;
                out.counter_microphone = s->counter[c];
                out.counter_speaker = s->counter[d];
            }
        }
    out.known = true;
    return out;
}

/* ---- the result ---- */

static int by_level(const void *a, const void *b)
{
    const lt_ring_candidate *x = a;
    const lt_ring_candidate *y = b;
    if (x->margin_db > y->margin_db || x->margin_db < y->margin_db)
        return x->margin_db > y->margin_db ? -1 : 1;
    return (x->hz > y->hz) - (x->hz < y->hz);
}

static void fill_candidates(search *q, lt_matrix_margin *out)
{
    qsort(q->found, q->found_count, sizeof *q->found, by_level);
    for (size_t i = 0; i < q->found_count && out->candidate_count < LT_CANDIDATES_MAX; i++) {
        const lt_ring_candidate *c = &q->found[i];
        bool close = c->margin_db < listed_within * q->crossing.level;
        for (size_t k = 0; k < out->candidate_count; k++)
            close |= fabs(log2(fmax(c->hz, 1e-3) / fmax(out->candidates[k].hz, 1e-3))) < spacing_octaves;
        if (!close)
            out->candidates[out->candidate_count++] =
                (lt_ring_candidate){.hz = c->hz, .margin_db = -lt_db_from_amplitude(c->margin_db), .width_hz = NAN};
    }
}

static void fill(search *q, lt_matrix_margin *out)
{
    if (q->crossing.level > 0.0) {
        out->margin_db = -lt_db_from_amplitude(q->crossing.level);
        out->ring_hz = ltp_matrix_hz(q->crossing.set.matrix, q->crossing.x);
        out->condition = q->crossing.condition;
        out->path = ring_path(&q->crossing);
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
    for (size_t i = 0; i < count; i++)
        cells = matrices[i]->cell_count > cells ? matrices[i]->cell_count : cells;
    search q = {.list = candidates};
    q.eigen_bound = ltp_alloc(cells, sizeof *q.eigen_bound);
    q.singular_bound = ltp_alloc(cells, sizeof *q.singular_bound);
    q.found = candidates ? ltp_alloc(CROSSINGS_MAX, sizeof *q.found) : NULL;
    if (q.eigen_bound == NULL || q.singular_bound == NULL || (candidates && q.found == NULL)) {
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
    ltp_free(q.found);
    return st;
}
