/* SPDX-License-Identifier: MIT
 * What a set of open lanes makes of the couplings: the loop matrix at one frequency, its bounds over a cell. */
#include "loop/matrix.h"

#include <math.h>
#include <string.h>

ltp_open_set ltp_open_set_of(const lt_loop_matrix *m, unsigned open, unsigned talking)
{
    ltp_open_set s = {.matrix = m};
    double outbound[LTP_MATRIX];
    double inbound[LTP_MATRIX];
    for (size_t l = 0; l < m->lane_count; l++) {
        if ((open >> l & 1u) == 0)
            continue;
        size_t row = 0;
        while (row < s.k && s.counter[row] != m->counter_of[l])
            row++;
        if (row == s.k)
            s.counter[s.k++] = m->counter_of[l];
        const bool talks = (talking >> l & 1u) != 0;
        s.lane[s.n] = l;
        s.row_of[s.n] = row;
        outbound[s.n] = m->outbound[l] * (talks ? 1.0 : m->switching[l]);
        inbound[s.n] = m->inbound[l] * (talks ? m->switching[l] : 1.0);
        s.n++;
    }
    for (size_t i = 0; i < s.n; i++)
        for (size_t j = 0; j < s.n; j++)
            s.gain[i][j] = inbound[i] * outbound[j];
    return s;
}

ltp_open_set ltp_open_set_any_state(const lt_loop_matrix *m, unsigned open)
{
    ltp_open_set s = ltp_open_set_of(m, open, 0);
    for (size_t i = 0; i < s.n; i++)
        for (size_t j = 0; j < s.n; j++)
            s.gain[i][j] = m->inbound[s.lane[i]] * m->outbound[s.lane[j]] * (i == j ? m->switching[s.lane[i]] : 1.0);
    return s;
}

/* Lane j's own way to its own counter, where it was measured as a whole. */
static bool is_measured_whole(const ltp_open_set *s, size_t c, size_t i, size_t j)
{
    return i == j && s->row_of[j] == c && s->matrix->loop[s->lane[j]].open;
}

lt_complex ltp_open_way(const ltp_open_set *s, ltp_matrix_place *at, size_t c, size_t i, size_t j)
{
    const lt_loop_matrix *m = s->matrix;
    const double gain = s->gain[i][j];
    if (is_measured_whole(s, c, i, j))
        return ltp_complex_scaled(ltp_matrix_path_at(m, &m->loop[s->lane[j]], at), gain);
    const lt_complex lane = ltp_matrix_path_at(m, &m->lane[s->lane[i]][s->lane[j]], at);
    const lt_complex counter = ltp_matrix_path_at(m, &m->counter[s->counter[c]][s->counter[s->row_of[i]]], at);
    return ltp_complex_scaled(ltp_complex_product(lane, counter), gain);
}

/* r += a b: [k x k] times [k x columns] */
static void add_product(size_t k, size_t columns, const lt_complex *a, const lt_complex *b, lt_complex *r)
{
    for (size_t c = 0; c < k; c++)
        for (size_t d = 0; d < k; d++) {
            const lt_complex x = a[c * k + d];
            lt_complex *to = r + c * columns;
            for (size_t j = 0; j < columns; j++)
                to[j] = ltp_complex_add(to[j], ltp_complex_product(x, b[d * columns + j]));
        }
}

/* The counters' couplings times the lanes' summed by microphone row, in columns by speaker or by counter. Where a whole
 * loop was measured it replaces the product of the two. */
static void response(const ltp_open_set *s, ltp_matrix_place *at, bool reduced, lt_complex *r)
{
    const lt_loop_matrix *m = s->matrix;
    const size_t columns = reduced ? s->k : s->n;
    lt_complex counter[LTP_MATRIX * LTP_MATRIX];
    lt_complex lane[LTP_MATRIX * LTP_MATRIX];
    memset(lane, 0, sizeof lane);
    memset(r, 0, s->k * columns * sizeof *r);
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++)
            counter[c * s->k + d] = ltp_matrix_path_at(m, &m->counter[s->counter[c]][s->counter[d]], at);
    for (size_t i = 0; i < s->n; i++)
        for (size_t j = 0; j < s->n; j++) {
            const size_t column = reduced ? s->row_of[j] : j;
            if (is_measured_whole(s, s->row_of[j], i, j)) {
                for (size_t c = 0; c < s->k; c++)
                    r[c * columns + column] = ltp_complex_add(r[c * columns + column], ltp_open_way(s, at, c, i, j));
                continue;
            }
            lt_complex *to = &lane[s->row_of[i] * columns + column];
            *to = ltp_complex_add(
                *to, ltp_complex_scaled(ltp_matrix_path_at(m, &m->lane[s->lane[i]][s->lane[j]], at), s->gain[i][j]));
        }
    add_product(s->k, columns, counter, lane, r);
}

void ltp_open_response(const ltp_open_set *s, double x, lt_complex *r)
{
    ltp_matrix_place at = ltp_matrix_place_of(x);
    response(s, &at, false, r);
}

void ltp_open_reduced(const ltp_open_set *s, double x, lt_complex *out)
{
    ltp_matrix_place at = ltp_matrix_place_of(x);
    response(s, &at, true, out);
}

/* Open lanes on each counter: so often does L repeat that row of R. */
static void row_counts(const ltp_open_set *s, double count[LTP_MATRIX])
{
    memset(count, 0, LTP_MATRIX * sizeof *count);
    for (size_t j = 0; j < s->n; j++)
        count[s->row_of[j]] += 1.0;
}

double ltp_open_singular(const ltp_open_set *s, double x, double least)
{
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    double count[LTP_MATRIX];
    ltp_open_response(s, x, r);
    row_counts(s, count);
    for (size_t c = 0; c < s->k; c++)
        for (size_t j = 0; j < s->n; j++)
            r[c * s->n + j] = ltp_complex_scaled(r[c * s->n + j], sqrt(count[c]));
    return ltp_singular_below(r, s->k, s->n, least) ? 0.0 : ltp_largest_singular_value(r, s->k, s->n);
}

/* at: a cell's number or a place */
typedef double (*size_of_path)(const lt_loop_matrix *m, const ltp_matrix_path *p, void *at);

/* The reduced matrix of the magnitudes of all ways. */
static void magnitudes(const ltp_open_set *s, size_of_path size, void *at, double *sum)
{
    const lt_loop_matrix *m = s->matrix;
    double lane[LTP_MATRIX * LTP_MATRIX] = {0.0};
    memset(sum, 0, s->k * s->k * sizeof *sum);
    for (size_t i = 0; i < s->n; i++)
        for (size_t j = 0; j < s->n; j++) {
            const size_t column = s->row_of[j];
            const double way = s->gain[i][j] * size(m, &m->lane[s->lane[i]][s->lane[j]], at);
            if (!is_measured_whole(s, column, i, j)) {
                lane[s->row_of[i] * s->k + column] += way;
                continue;
            }
            for (size_t c = 0; c < s->k; c++)
                sum[c * s->k + column] += c == column
                                              ? s->gain[i][j] * size(m, &m->loop[s->lane[j]], at)
                                              : way * size(m, &m->counter[s->counter[c]][s->counter[s->row_of[i]]], at);
        }
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++) {
            const double counter = size(m, &m->counter[s->counter[c]][s->counter[d]], at);
            for (size_t e = 0; e < s->k; e++)
                sum[c * s->k + e] += counter * lane[d * s->k + e];
        }
}

static double size_at(const lt_loop_matrix *m, const ltp_matrix_path *p, void *place)
{
    return sqrt(ltp_complex_power(ltp_matrix_path_at(m, p, place)));
}

double ltp_open_any_phase(const ltp_open_set *s, double x, double least)
{
    double sum[LTP_MATRIX * LTP_MATRIX];
    ltp_matrix_place at = ltp_matrix_place_of(x);
    magnitudes(s, size_at, &at, sum);
    return ltp_perron_bound(sum, s->k) < least ? 0.0 : ltp_perron_root(sum, s->k);
}

static double size_in_cell(const lt_loop_matrix *m, const ltp_matrix_path *p, void *cell)
{
    (void)m;
    if (!p->open)
        return 0.0;
    return p->cell_top != NULL ? p->gain * p->cell_top[*(const size_t *)cell] : p->gain;
}

/* The singular value is at most the Frobenius norm, and that at most what it is with each row's ways added up. */
void ltp_open_cell_bounds(const ltp_open_set *s, size_t cell, double *eigenvalue, double *singular)
{
    double sum[LTP_MATRIX * LTP_MATRIX];
    double count[LTP_MATRIX];
    double squares = 0.0;
    magnitudes(s, size_in_cell, &cell, sum);
    row_counts(s, count);
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++)
            squares += count[c] * sum[c * s->k + d] * sum[c * s->k + d];
    *eigenvalue = ltp_perron_bound(sum, s->k);
    *singular = sqrt(squares);
}

void lt_loop_matrix_at(const lt_loop_matrix *m, unsigned open, double hz, lt_complex *out)
{
    const unsigned all = (1u << m->lane_count) - 1u;
    ltp_open_set s = ltp_open_set_of(m, open & all, 0);
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    for (size_t i = 0; i < s.n; i++)
        for (size_t j = 0; j < s.n; j++)
            s.gain[i][j] = m->inbound[s.lane[i]] * m->outbound[s.lane[j]];
    ltp_open_response(&s, hz / m->rate_hz * (double)m->n_fft, r);
    for (size_t i = 0; i < s.n; i++)
        for (size_t j = 0; j < s.n; j++)
            out[i * s.n + j] = r[s.row_of[i] * s.n + j];
}
