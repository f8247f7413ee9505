/* SPDX-License-Identifier: MIT
 * What a set of open lanes makes of the couplings: the loop matrix at one frequency, its bounds over a cell. */
#include "loop/matrix.h"

#include <math.h>
#include <string.h>

ltp_open_set ltp_open_set_of(const lt_loop_matrix *m, unsigned open, unsigned talking)
{
    ltp_open_set s = {.matrix = m};
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
        s.outbound[s.n] = m->outbound[l] * (talks ? 1.0 : m->switching[l]);
        s.inbound[s.n] = m->inbound[l] * (talks ? m->switching[l] : 1.0);
        s.n++;
    }
    return s;
}

/* Lane j's own way to its own counter, where it was measured as a whole. */
static bool is_measured_whole(const ltp_open_set *s, size_t c, size_t i, size_t j)
{
    return i == j && s->row_of[j] == c && s->matrix->loop[s->lane[j]].open;
}

lt_complex ltp_open_way(const ltp_open_set *s, double x, size_t c, size_t i, size_t j)
{
    const lt_loop_matrix *m = s->matrix;
    const double gain = s->outbound[j] * s->inbound[i];
    if (is_measured_whole(s, c, i, j))
        return ltp_complex_scaled(ltp_matrix_path_at(m, &m->loop[s->lane[j]], x), gain);
    const lt_complex lane = ltp_matrix_path_at(m, &m->lane[s->lane[i]][s->lane[j]], x);
    const lt_complex counter = ltp_matrix_path_at(m, &m->counter[s->counter[c]][s->counter[s->row_of[i]]], x);
    return ltp_complex_scaled(lt_complex_multiply(lane, counter), gain);
}

/* ways [k][n][n]: counter row, microphone, speaker. Each path is looked up once. */
static void all_ways(const ltp_open_set *s, double x, lt_complex *ways)
{
    const lt_loop_matrix *m = s->matrix;
    lt_complex counter[LTP_MATRIX * LTP_MATRIX];
    for (size_t c = 0; c < s->k; c++)
        for (size_t d = 0; d < s->k; d++)
            counter[c * s->k + d] = ltp_matrix_path_at(m, &m->counter[s->counter[c]][s->counter[d]], x);
    for (size_t i = 0; i < s->n; i++)
        for (size_t j = 0; j < s->n; j++) {
            const lt_complex lane = ltp_complex_scaled(ltp_matrix_path_at(m, &m->lane[s->lane[i]][s->lane[j]], x),
                                                       s->outbound[j] * s->inbound[i]);
            for (size_t c = 0; c < s->k; c++)
                ways[(c * s->n + i) * s->n + j] = is_measured_whole(s, c, i, j)
                                                      ? ltp_open_way(s, x, c, i, j)
                                                      : lt_complex_multiply(lane, counter[c * s->k + s->row_of[i]]);
        }
}

void ltp_open_response(const ltp_open_set *s, double x, lt_complex *r)
{
    lt_complex ways[LTP_MATRIX * LTP_MATRIX * LTP_MATRIX];
    all_ways(s, x, ways);
    for (size_t c = 0; c < s->k; c++)
        for (size_t j = 0; j < s->n; j++) {
            lt_complex sum = {0.0, 0.0};
            for (size_t i = 0; i < s->n; i++)
                sum = ltp_complex_add(sum, ways[(c * s->n + i) * s->n + j]);
            r[c * s->n + j] = sum;
        }
}

void ltp_open_reduce(const ltp_open_set *s, const lt_complex *r, lt_complex *out)
{
    memset(out, 0, s->k * s->k * sizeof *out);
    for (size_t c = 0; c < s->k; c++)
        for (size_t j = 0; j < s->n; j++) {
            lt_complex *to = &out[c * s->k + s->row_of[j]];
            *to = ltp_complex_add(*to, r[c * s->n + j]);
        }
}

/* Open lanes on each counter: so often does L repeat that row of R. */
static void row_counts(const ltp_open_set *s, double count[LTP_MATRIX])
{
    memset(count, 0, LTP_MATRIX * sizeof *count);
    for (size_t j = 0; j < s->n; j++)
        count[s->row_of[j]] += 1.0;
}

double ltp_open_singular(const ltp_open_set *s, double x)
{
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    double count[LTP_MATRIX];
    ltp_open_response(s, x, r);
    row_counts(s, count);
    for (size_t c = 0; c < s->k; c++)
        for (size_t j = 0; j < s->n; j++)
            r[c * s->n + j] = ltp_complex_scaled(r[c * s->n + j], sqrt(count[c]));
    return ltp_largest_singular_value(r, s->k, s->n);
}

double ltp_open_any_phase(const ltp_open_set *s, double x)
{
    lt_complex ways[LTP_MATRIX * LTP_MATRIX * LTP_MATRIX];
    double sum[LTP_MATRIX * LTP_MATRIX] = {0.0};
    all_ways(s, x, ways);
    for (size_t c = 0; c < s->k; c++)
        for (size_t i = 0; i < s->n; i++)
            for (size_t j = 0; j < s->n; j++)
                sum[c * s->k + s->row_of[j]] += ltp_complex_abs(ways[(c * s->n + i) * s->n + j]);
    return ltp_perron_root(sum, s->k);
}

static double path_top(const ltp_matrix_path *p, size_t cell)
{
    if (!p->open)
        return 0.0;
    return p->cell_top != NULL ? p->gain * p->cell_top[cell] : p->gain;
}

static double way_top(const ltp_open_set *s, size_t cell, size_t c, size_t i, size_t j)
{
    const lt_loop_matrix *m = s->matrix;
    const double gain = s->outbound[j] * s->inbound[i];
    if (is_measured_whole(s, c, i, j))
        return gain * path_top(&m->loop[s->lane[j]], cell);
    return gain * path_top(&m->lane[s->lane[i]][s->lane[j]], cell) *
           path_top(&m->counter[s->counter[c]][s->counter[s->row_of[i]]], cell);
}

void ltp_open_cell_bounds(const ltp_open_set *s, size_t cell, double *eigenvalue, double *singular)
{
    double sum[LTP_MATRIX * LTP_MATRIX] = {0.0};
    double count[LTP_MATRIX];
    double squares = 0.0;
    row_counts(s, count);
    for (size_t c = 0; c < s->k; c++)
        for (size_t j = 0; j < s->n; j++) {
            double entry = 0.0;
            for (size_t i = 0; i < s->n; i++)
                entry += way_top(s, cell, c, i, j);
            sum[c * s->k + s->row_of[j]] += entry;
            squares += count[c] * entry * entry;
        }
    *eigenvalue = ltp_perron_bound(sum, s->k);
    *singular = sqrt(squares);
}

void lt_loop_matrix_at(const lt_loop_matrix *m, unsigned open, double hz, lt_complex *out)
{
    const unsigned all = (1u << m->lane_count) - 1u;
    ltp_open_set s = ltp_open_set_of(m, open & all, 0);
    lt_complex r[LTP_MATRIX * LTP_MATRIX];
    for (size_t i = 0; i < s.n; i++) {
        s.outbound[i] = m->outbound[s.lane[i]];
        s.inbound[i] = m->inbound[s.lane[i]];
    }
    ltp_open_response(&s, hz / m->rate_hz * (double)m->n_fft, r);
    for (size_t i = 0; i < s.n; i++)
        for (size_t j = 0; j < s.n; j++)
            out[i * s.n + j] = r[s.row_of[i] * s.n + j];
}
