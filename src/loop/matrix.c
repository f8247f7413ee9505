/* SPDX-License-Identifier: MIT
 * The loop matrix: couplings of lanes and counters on one frequency grid. Linear scale. */
#include "loop/matrix.h"

#include "base/alloc.h"
#include "loop/loop_internal.h"

#include <math.h>
#include <stdio.h>

enum { AT_ONCE = 4 };
static const double longest_delay_s = 1.0;

double ltp_matrix_hz(const lt_loop_matrix *m, double x)
{
    return x * m->rate_hz / (double)m->n_fft;
}

double ltp_matrix_point(const lt_loop_matrix *m, size_t i)
{
    if (i == 0)
        return m->from_hz / m->rate_hz * (double)m->n_fft;
    if (i + 1 == m->point_count)
        return m->to_hz / m->rate_hz * (double)m->n_fft;
    return (double)(m->first_bin + i - 1);
}

/* ---- values ---- */

static lt_complex turned(double angle)
{
    return (lt_complex){cos(angle), sin(angle)};
}

/* Bin k of a real signal's spectrum for any k. */
static lt_complex bin_at(const lt_loop_matrix *m, const lt_complex *spectrum, size_t apart, ptrdiff_t k)
{
    const ptrdiff_t n = (ptrdiff_t)m->n_fft;
    const ptrdiff_t stride = (ptrdiff_t)apart;
    if (k >= 0 && k <= n / 2)
        return spectrum[k * stride];
    k = ((k % n) + n) % n;
    return k <= n / 2 ? spectrum[k * stride] : ltp_complex_conjugate(spectrum[(n - k) * stride]);
}

/* Lagrange's polynomial through the nearest bins, the phase being counted from the middle of the response, where it
 * turns least: at most 1/16 of a circle a bin, for which 8 nodes are right to 1e-6. */
static void fill_weights(const lt_loop_matrix *m, ptrdiff_t centre_frames, ltp_matrix_place *at)
{
    at->first = (ptrdiff_t)floor(at->x) - LTP_MATRIX_NODES / 2 + 1;
    at->centre_frames = centre_frames;
    at->weighted = true;
    const double inside = at->x - (double)at->first;
    const double turn = 2.0 * LT_PI * (double)centre_frames / (double)m->n_fft;
    const lt_complex step = turned(turn);
    lt_complex phase = turned(-turn * inside);
    for (int i = 0; i < LTP_MATRIX_NODES; i++) {
        double weight = 1.0;
        for (int k = 0; k < LTP_MATRIX_NODES; k++)
            if (k != i)
                weight *= (inside - k) / (double)(i - k);
        at->weight[i] = ltp_complex_scaled(phase, weight);
        phase = ltp_complex_product(phase, step);
    }
}

static lt_complex between(const lt_loop_matrix *m, const lt_complex *spectrum, size_t apart, ptrdiff_t centre_frames,
                          ltp_matrix_place *at)
{
    lt_complex sum = {0.0, 0.0};
    if (!at->weighted || at->centre_frames != centre_frames)
        fill_weights(m, centre_frames, at);
    const ptrdiff_t stride = (ptrdiff_t)apart;
    const bool whole = at->first >= 0 && at->first + LTP_MATRIX_NODES <= (ptrdiff_t)(m->n_fft / 2 + 1);
    for (int i = 0; i < LTP_MATRIX_NODES; i++) {
        const lt_complex z = whole ? spectrum[(at->first + i) * stride] : bin_at(m, spectrum, apart, at->first + i);
        sum = ltp_complex_add(sum, ltp_complex_product(z, at->weight[i]));
    }
    return sum;
}

ltp_matrix_place ltp_matrix_place_of(double x)
{
    const ptrdiff_t bin = (ptrdiff_t)(x + 0.5);
    return (ltp_matrix_place){.x = x, .bin = bin, .on_bin = fabs(x - (double)bin) < 1e-9};
}

lt_complex ltp_matrix_path_at(const lt_loop_matrix *m, const ltp_matrix_path *p, ltp_matrix_place *at)
{
    lt_complex value = {1.0, 0.0};
    if (!p->open)
        return (lt_complex){0.0, 0.0};
    if (p->spectrum != NULL)
        value = at->on_bin ? bin_at(m, p->spectrum, m->response_count, at->bin)
                           : between(m, p->spectrum, m->response_count, p->centre_frames, at);
    if (p->delay_s > 0.0)
        value = ltp_complex_product(value, turned(-2.0 * LT_PI * ltp_matrix_hz(m, at->x) * p->delay_s));
    return ltp_complex_scaled(value, p->gain);
}

/* ---- building ---- */

static lt_status check(const lt_matrix_paths *p, lt_error *err)
{
    if (p->lane_count < 1 || p->lane_count > LTP_MATRIX || p->counter_count < 1 || p->counter_count > LTP_MATRIX)
        return ltp_fail(err, LT_E_ARG, "a loop matrix of %zu lanes and %zu counters: 1 to %d of each", p->lane_count,
                        p->counter_count, (int)LTP_MATRIX);
    for (size_t i = 0; i < p->lane_count; i++) {
        if (p->counter_of[i] >= p->counter_count)
            return ltp_fail(err, LT_E_ARG, "lane %zu of the loop matrix has no counter", i);
        if (!lt_is_known(p->outbound_db[i]) || !lt_is_known(p->inbound_db[i]))
            return ltp_fail(err, LT_E_ARG, "lane %zu of the loop matrix needs gains in dB that are numbers", i);
        if (!(p->switching_db[i] >= 0.0))
            return ltp_fail(err, LT_E_ARG, "lane %zu of the loop matrix: switching attenuates by 0 dB or more", i);
    }
    return LT_OK;
}

static lt_status check_coupling(const lt_coupling *c, const char *what, lt_error *err)
{
    if (isnan(c->level_db) || (isinf(c->level_db) && c->level_db > 0.0))
        return ltp_fail(err, LT_E_ARG, "the %s coupling of the loop matrix needs a level in dB", what);
    if (!(c->delay_s >= 0.0 && c->delay_s <= longest_delay_s))
        return ltp_fail(err, LT_E_ARG, "the %s coupling of the loop matrix has a delay of %g s: 0 to %g s", what,
                        c->delay_s, longest_delay_s);
    return c->ir != NULL ? ltp_ir_check(c->ir, what, err) : LT_OK;
}

static bool is_open(const lt_coupling *c)
{
    return !isinf(c->level_db);
}

/* Place of a response in the list, entered when it is new. */
static size_t response_index(lt_loop_matrix *m, const lt_ir *ir)
{
    for (size_t i = 0; i < m->response_count; i++)
        if (m->response[i].ir == ir)
            return i;
    m->response[m->response_count].ir = ir;
    return m->response_count++;
}

typedef lt_status (*visitor)(lt_loop_matrix *m, const lt_coupling *c, ltp_matrix_path *p, const char *what,
                             lt_error *err);

/* Every coupling that counts, and its place. */
static lt_status for_each(lt_loop_matrix *m, const lt_matrix_paths *p, visitor visit, lt_error *err)
{
    lt_status st = LT_OK;
    for (size_t i = 0; i < p->lane_count && st == LT_OK; i++) {
        for (size_t j = 0; j < p->lane_count && st == LT_OK; j++)
            st = visit(m, &p->lane[i][j], &m->lane[i][j], "lane", err);
        if (st == LT_OK && p->loop[i].ir != NULL)
            st = visit(m, &p->loop[i], &m->loop[i], "loop", err);
    }
    for (size_t i = 0; i < p->counter_count && st == LT_OK; i++)
        for (size_t j = 0; j < p->counter_count && st == LT_OK; j++)
            st = visit(m, &p->counter[i][j], &m->counter[i][j], "counter", err);
    return st;
}

static lt_status enter(lt_loop_matrix *m, const lt_coupling *c, ltp_matrix_path *p, const char *what, lt_error *err)
{
    const lt_status st = check_coupling(c, what, err);
    if (st != LT_OK || !is_open(c))
        return st;
    *p = (ltp_matrix_path){.open = true, .gain = lt_amplitude_from_db(c->level_db), .delay_s = c->delay_s};
    if (c->ir != NULL)
        (void)response_index(m, c->ir);
    return LT_OK;
}

static lt_status connect(lt_loop_matrix *m, const lt_coupling *c, ltp_matrix_path *p, const char *what, lt_error *err)
{
    (void)what;
    (void)err;
    if (!is_open(c) || c->ir == NULL)
        return LT_OK;
    const size_t i = response_index(m, c->ir);
    p->spectrum = m->spectra + i;
    p->cell_top = m->response[i].cell_top;
    p->centre_frames = m->response[i].centre_frames;
    return LT_OK;
}

/* Common rate (the lowest) and band. */
static lt_status choose_grid(lt_loop_matrix *m, lt_error *err)
{
    if (m->response_count == 0)
        return ltp_fail(err, LT_E_ARG, "a loop matrix needs at least one measured coupling");
    m->rate_hz = m->response[0].ir->rate_hz;
    for (size_t i = 0; i < m->response_count; i++)
        m->rate_hz = fmin(m->rate_hz, m->response[i].ir->rate_hz);
    m->to_hz = m->rate_hz / 2.0;
    for (size_t i = 0; i < m->response_count; i++) {
        m->from_hz = fmax(m->from_hz, m->response[i].ir->from_hz);
        m->to_hz = fmin(m->to_hz, m->response[i].ir->to_hz);
    }
    if (!(m->from_hz < m->to_hz))
        return ltp_fail(err, LT_E_ARG, "the couplings have no band in common: use one stimulus for all of them");
    return LT_OK;
}

static void fill_points(lt_loop_matrix *m)
{
    const double bin_hz = m->rate_hz / (double)m->n_fft;
    m->first_bin = (size_t)floor(m->from_hz / bin_hz) + 1;
    size_t end = m->first_bin;
    while (end <= m->n_fft / 2 && (double)end * bin_hz < m->to_hz)
        end++;
    m->point_count = end - m->first_bin + 2;
    m->cell_count = (m->point_count - 1 + LTP_CELL_POINTS - 1) / LTP_CELL_POINTS;
    m->block_count = (m->cell_count + LTP_BLOCK_CELLS - 1) / LTP_BLOCK_CELLS;
}

static double top_of_cell(const lt_loop_matrix *m, size_t index, const lt_complex *spectrum, size_t cell)
{
    double top = 0.0;
    for (size_t i = cell * LTP_CELL_POINTS; i <= (cell + 1) * LTP_CELL_POINTS && i < m->point_count; i++) {
        ltp_matrix_place at = ltp_matrix_place_of(ltp_matrix_point(m, i));
        const bool edge = i == 0 || i + 1 == m->point_count;
        const lt_complex z =
            edge ? between(m, spectrum, 1, m->response[index].centre_frames, &at) : spectrum[m->first_bin + i - 1];
        top = fmax(top, ltp_complex_power(z));
    }
    return sqrt(top);
}

static void fill_cell_tops(const lt_loop_matrix *m, size_t index, const lt_complex *spectrum)
{
    double *cell = m->response[index].cell_top;
    double *block = cell + m->cell_count;
    for (size_t i = 0; i < m->cell_count; i++) {
        cell[i] = top_of_cell(m, index, spectrum, i);
        block[i / LTP_BLOCK_CELLS] = fmax(block[i / LTP_BLOCK_CELLS], cell[i]);
    }
}

static lt_status transform(lt_loop_matrix *m, size_t index, lt_rfft *fft, lt_complex *spectrum, lt_error *err)
{
    const lt_ir *ir = m->response[index].ir;
    lt_ir at_rate = *ir;
    if (ir->rate_hz > m->rate_hz * (1.0 + 1e-9)) {
        const lt_status st = ltp_ir_resampled(ir, m->rate_hz, &at_rate, err);
        if (st != LT_OK)
            return st;
    }
    m->response[index].centre_frames = (ptrdiff_t)(at_rate.count / 2) - at_rate.origin_frames;
    m->response[index].cell_top = ltp_alloc(m->cell_count + m->block_count, sizeof(double));
    lt_status st = m->response[index].cell_top == NULL ? ltp_fail_nomem(err, "a loop matrix") : LT_OK;
    if (st == LT_OK)
        st = lt_ir_spectrum_by(&at_rate, fft, spectrum, err);
    if (st == LT_OK)
        fill_cell_tops(m, index, spectrum);
    if (at_rate.samples != ir->samples)
        ltp_free(at_rate.samples);
    return st;
}

/* Some responses at a time, so that what is written side by side fills whole lines of the cache. */
static lt_status transform_all(lt_loop_matrix *m, lt_error *err)
{
    const size_t bins = m->n_fft / 2 + 1;
    lt_rfft *fft = NULL;
    lt_complex *some = ltp_alloc(AT_ONCE * bins, sizeof *some);
    m->spectra = ltp_alloc(bins * m->response_count, sizeof *m->spectra);
    lt_status st =
        some == NULL || m->spectra == NULL ? ltp_fail_nomem(err, "a loop matrix") : lt_rfft_create(m->n_fft, &fft, err);
    for (size_t first = 0; first < m->response_count && st == LT_OK; first += AT_ONCE) {
        const size_t left = m->response_count - first;
        const size_t count = left < AT_ONCE ? left : AT_ONCE;
        for (size_t i = 0; i < count && st == LT_OK; i++)
            st = transform(m, first + i, fft, some + i * bins, err);
        for (size_t k = 0; k < bins && st == LT_OK; k++)
            for (size_t i = 0; i < count; i++)
                m->spectra[k * m->response_count + first + i] = some[i * bins + k];
    }
    lt_rfft_free(fft);
    ltp_free(some);
    return st;
}

/* The phase of a product turns as fast as those of both factors together. */
static double farthest_frames(const lt_loop_matrix *m, const lt_matrix_paths *p)
{
    double far = 0.0;
    double delay_s = 0.0;
    for (size_t i = 0; i < m->response_count; i++)
        far = fmax(far, (double)ltp_ir_reach(m->response[i].ir) / m->response[i].ir->rate_hz);
    for (size_t i = 0; i < p->lane_count; i++)
        for (size_t j = 0; j < p->lane_count; j++)
            delay_s = fmax(delay_s, p->lane[i][j].delay_s);
    bool pair = false;
    for (size_t i = 0; i < p->counter_count; i++)
        for (size_t j = 0; j < p->counter_count; j++) {
            pair |= p->counter[i][j].ir != NULL;
            delay_s = fmax(delay_s, p->counter[i][j].delay_s);
        }
    return ceil(((pair ? 2.0 : 1.0) * far + delay_s) * m->rate_hz);
}

static lt_status build(lt_loop_matrix *m, const lt_matrix_paths *p, lt_error *err)
{
    m->lane_count = p->lane_count;
    m->counter_count = p->counter_count;
    for (size_t i = 0; i < p->lane_count; i++) {
        m->counter_of[i] = p->counter_of[i];
        m->outbound[i] = lt_amplitude_from_db(p->outbound_db[i]);
        m->inbound[i] = lt_amplitude_from_db(p->inbound_db[i]);
        m->switching[i] = isinf(p->switching_db[i]) ? 0.0 : lt_amplitude_from_db(-p->switching_db[i]);
    }
    lt_status st = for_each(m, p, enter, err);
    if (st == LT_OK)
        st = choose_grid(m, err);
    if (st == LT_OK)
        st = ltp_fft_size((size_t)farthest_frames(m, p), m->rate_hz, &m->n_fft, err);
    if (st != LT_OK)
        return st;
    fill_points(m);
    st = transform_all(m, err);
    if (st == LT_OK)
        st = for_each(m, p, connect, err);
    for (size_t i = 0; i < m->response_count; i++)
        m->response[i].ir = NULL; /* the caller's */
    return st;
}

lt_status lt_loop_matrix_create(const lt_matrix_paths *paths, lt_loop_matrix **out, lt_error *err)
{
    *out = NULL;
    lt_status st = check(paths, err);
    if (st != LT_OK)
        return st;
    lt_loop_matrix *m = ltp_alloc(1, sizeof *m);
    if (m == NULL)
        return ltp_fail_nomem(err, "a loop matrix");
    st = build(m, paths, err);
    if (st != LT_OK) {
        lt_loop_matrix_free(m);
        return st;
    }
    *out = m;
    return LT_OK;
}

void lt_loop_matrix_free(lt_loop_matrix *m)
{
    if (m == NULL)
        return;
    for (size_t i = 0; i < m->response_count; i++) {
        ltp_free(m->response[i].cell_top);
    }
    ltp_free(m->spectra);
    ltp_free(m);
}

double lt_loop_matrix_from_hz(const lt_loop_matrix *m)
{
    return m->from_hz;
}

double lt_loop_matrix_to_hz(const lt_loop_matrix *m)
{
    return m->to_hz;
}
