/* SPDX-License-Identifier: MIT
 * Margins of single loops and of several lanes against the onset of growth in the time domain, and what must hold for
 * any loop matrix. */
#include "closed_loop.h"
#include "closed_matrix.h"
#include "near.h"
#include <lanetune/loop.h>

#include <string.h>

enum { TAPS = 240, CASES = 30, SPARSE = 8 };
static const double rate = 16000.0;

static lt_ir plain(double *h, size_t count)
{
    return (lt_ir){.samples = h, .count = count, .rate_hz = rate, .to_hz = rate / 2.0};
}

/* A few arrivals, the first after 20 samples or later, decaying. */
static void random_arrivals(lt_rng *r, closed_path *p, double *h)
{
    memset(h, 0, TAPS * sizeof *h);
    p->count = SPARSE;
    for (size_t t = 0; t < SPARSE; t++) {
        p->at[t] = 20 + (size_t)(lt_rng_uniform(r) * (TAPS - 20));
        p->value[t] = 0.3 * lt_rng_gauss(r) * exp(-(double)p->at[t] / 120.0);
        h[p->at[t]] += p->value[t];
    }
}

static void single_loops_match_the_onset_in_time(void **state)
{
    (void)state;
    lt_rng r = {11};
    int bad = 0;
    for (int i = 0; i < CASES; i++) {
        double h[TAPS];
        closed_path p;
        lt_loop *l = NULL;
        lt_margin m;
        random_arrivals(&r, &p, h);
        const lt_ir ir = plain(h, TAPS);
        const closed_loop truth = {.h = h, .count = TAPS, .frames = 40000};
        assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &l, NULL), LT_OK);
        assert_int_equal(lt_margin_compute((const lt_loop *const[]){l}, 1, 0.0, NULL, &m, NULL), LT_OK);
        char row[32];
        (void)snprintf(row, sizeof row, "single loop %d", i);
        const double onset_db = closed_loop_onset_db(&truth, m.margin_db - 1.5, m.margin_db + 1.5, 0.01);
        bad += !near_abs(row, m.margin_db, onset_db, 0.1);
        lt_loop_free(l);
    }
    assert_int_equal(bad, 0);
}

typedef struct {
    double h[CLOSED_LINES_MAX][CLOSED_LINES_MAX][TAPS];
    lt_ir ir[CLOSED_LINES_MAX][CLOSED_LINES_MAX];
    closed_matrix truth;
    lt_matrix_paths paths;
} random_matrix;

/* n lanes, each with a counter of its own that couples at 0 dB with itself alone: L is the lanes' matrix. */
static void random_lanes(lt_rng *r, random_matrix *m, size_t n, size_t frames)
{
    memset(m, 0, sizeof *m);
    m->truth.n = n;
    m->truth.frames = frames;
    m->paths.lane_count = m->paths.counter_count = n;
    for (size_t i = 0; i < n; i++) {
        m->paths.counter_of[i] = i;
        for (size_t j = 0; j < n; j++) {
            random_arrivals(r, &m->truth.path[i][j], m->h[i][j]);
            m->ir[i][j] = plain(m->h[i][j], TAPS);
            m->paths.lane[i][j] = (lt_coupling){.ir = &m->ir[i][j]};
            m->paths.counter[i][j].level_db = i == j ? 0.0 : -(double)INFINITY;
        }
    }
}

static lt_matrix_margin margin_of(const lt_matrix_paths *p, unsigned open, bool candidates)
{
    lt_loop_matrix *m = NULL;
    lt_matrix_margin out;
    assert_int_equal(lt_loop_matrix_create(p, &m, NULL), LT_OK);
    assert_int_equal(lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, open, candidates, &out, NULL), LT_OK);
    lt_loop_matrix_free(m);
    return out;
}

static void several_lanes_match_the_onset_in_time(void **state)
{
    (void)state;
    static random_matrix m;
    lt_rng r = {12};
    int bad = 0;
    for (int i = 0; i < CASES; i++) {
        const size_t n = 2 + (size_t)i % 3;
        random_lanes(&r, &m, n, 40000);
        const lt_matrix_margin got = margin_of(&m.paths, (1u << n) - 1u, i % 2 == 0);
        char row[32];
        (void)snprintf(row, sizeof row, "%zu x %zu, case %d", n, n, i);
        const double onset_db = closed_matrix_onset_db(&m.truth, got.margin_db - 1.5, got.margin_db + 1.5, 0.01);
        bad += !near_abs(row, got.margin_db, onset_db, 0.1);
        bad += !(got.safe_margin_db <= got.margin_db + 1e-6) || !(got.any_phase_margin_db <= got.margin_db + 1e-6);
        bad += !got.path.known;
    }
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(single_loops_match_the_onset_in_time),
        cmocka_unit_test(several_lanes_match_the_onset_in_time),
    };
    return cmocka_run_group_tests_name("loop_matrix", tests, NULL, NULL);
}
