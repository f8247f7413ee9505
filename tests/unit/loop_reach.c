/* SPDX-License-Identifier: MIT
 * Notches that reach a demanded margin: smallest set, claims that hold in the time domain, moving peaks; several lanes
 * in closed form; failing allocations. */
#include "fault.h"
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

enum { N = 4000 };
static const double rate = 16000.0;

/* A flat path with resonances of the given frequencies and heights. */
static void resonant(double *h, const double *hz, const double *boost_db, size_t count)
{
    memset(h, 0, N * sizeof *h);
    h[30] = 0.2;
    for (size_t i = 0; i < count; i++) {
        const lt_biquad b = lt_biquad_peaking(hz[i], 12.0, boost_db[i], rate);
        lt_biquad_state state = {0};
        lt_biquad_run(&b, &state, h, h, N);
    }
}

static lt_loop *loop_of(double *h)
{
    lt_loop *l = NULL;
    const lt_ir ir = {.samples = h, .count = N, .rate_hz = rate, .from_hz = 100.0, .to_hz = 7000.0};
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &l, NULL), LT_OK);
    return l;
}

static lt_notch_set reach(const lt_loop *const *loops, size_t count, const lt_notch_demand *d)
{
    lt_notch_set s;
    assert_int_equal(lt_notches_reach(loops, count, 0.0, d, &s, NULL), LT_OK);
    return s;
}

/* The path run through the biquads, and its safe margin from there. */
static double refiltered_db(const double *h, const lt_notch_set *s)
{
    static double copy[N];
    memcpy(copy, h, sizeof copy);
    for (size_t i = 0; i < s->count; i++) {
        const lt_biquad b = lt_biquad_peaking(s->notches[i].hz, s->notches[i].q, -s->notches[i].cut_db, rate);
        lt_biquad_state state = {0};
        lt_biquad_run(&b, &state, copy, copy, N);
    }
    lt_loop *l = loop_of(copy);
    lt_margin m;
    const lt_margin_options none = {.notches_max = 0};
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){l}, 1, 0.0, &none, &m, NULL), LT_OK);
    lt_loop_free(l);
    return m.safe_margin_db;
}

/* The flat part stands at 13.98 dB; what is asked lies between it and the peaks. */
static void the_demand_is_reached_with_the_fewest(void **state)
{
    (void)state;
    static double h[N];
    int bad = 0;
    const double hz[] = {500.0, 1250.0, 3100.0};
    for (size_t peaks = 0; peaks <= 3; peaks++) {
        resonant(h, hz, (const double[]){8.0, 9.0, 7.0}, peaks);
        lt_loop *l = loop_of(h);
        const lt_notch_demand d = lt_notch_demand_default(11.0);
        const lt_notch_set s = reach((const lt_loop *const[]){l}, 1, &d);
        bad += !s.reached || s.count != peaks;
        bad += !(s.safe_margin_db >= 11.0);
        bad += !near_abs("claim", s.safe_margin_db, refiltered_db(h, &s), 0.02);
        for (size_t i = 0; i < s.count; i++) {
            bad += s.moves[i];
            bad += !near_abs("step", fmod(s.notches[i].cut_db + 1e-9, 0.5), 0.0, 1e-6);
        }
        lt_notch_demand one = d;
        one.notches_max = 1;
        const lt_notch_set fewer = reach((const lt_loop *const[]){l}, 1, &one);
        bad += fewer.reached != (peaks <= 1) || fewer.count > 1;
        lt_loop_free(l);
    }
    assert_int_equal(bad, 0);
}

/* Bands of an octave equalizer: only they may be used, in its own steps. */
static void a_graphic_equalizer_keeps_to_its_bands(void **state)
{
    (void)state;
    static double h[N];
    static const double bands[] = {125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0};
    resonant(h, (const double[]){1100.0}, (const double[]){8.0}, 1);
    lt_loop *l = loop_of(h);
    const lt_notch_demand d = {.want_db = 10.0,
                               .notches_max = LT_NOTCHES_MAX,
                               .cut_max_db = 12.0,
                               .cut_step_db = 2.0,
                               .bands_hz = bands,
                               .band_count = COUNT(bands)};
    const lt_notch_set s = reach((const lt_loop *const[]){l}, 1, &d);
    int bad = 0;
    bad += !s.reached || s.count == 0 || !near_abs("claim", s.safe_margin_db, refiltered_db(h, &s), 0.02);
    for (size_t i = 0; i < s.count; i++) {
        bool known = false;
        for (size_t k = 0; k < COUNT(bands); k++)
            known = known || fabs(s.notches[i].hz - bands[k]) < 1e-9;
        bad += !known || !near_abs("q", s.notches[i].q, sqrt(2.0), 1e-3);
        bad += !near_abs("step", fmod(s.notches[i].cut_db + 1e-9, 2.0), 0.0, 1e-6);
    }
    lt_notch_demand deep = d;
    deep.want_db = 40.0; /* more than the flat part allows: six bands of 12 dB do not do it */
    const lt_notch_set most = reach((const lt_loop *const[]){l}, 1, &deep);
    bad += most.reached || !(most.safe_margin_db < 40.0);
    lt_loop_free(l);
    assert_int_equal(bad, 0);
}

/* The same peak elsewhere, or missing, in a second condition. */
static void a_notch_that_chases_a_peak_is_told(void **state)
{
    (void)state;
    static double a[N];
    static double b[N];
    static double c[N];
    resonant(a, (const double[]){1000.0}, (const double[]){9.0}, 1);
    resonant(b, (const double[]){1090.0}, (const double[]){9.0}, 1);
    resonant(c, NULL, NULL, 0);
    lt_loop *la = loop_of(a);
    lt_loop *lb = loop_of(b);
    lt_loop *lc = loop_of(c);
    const lt_notch_demand d = lt_notch_demand_default(10.0);
    int bad = 0;
    const lt_notch_set same = reach((const lt_loop *const[]){la, la}, 2, &d);
    const lt_notch_set moved = reach((const lt_loop *const[]){la, lb}, 2, &d);
    const lt_notch_set missing = reach((const lt_loop *const[]){la, lc}, 2, &d);
    bad += same.count != 1 || same.moves[0];
    bad += moved.count == 0 || !moved.moves[0] || !moved.reached;
    bad += missing.count != 1 || !missing.moves[0];
    lt_loop_free(la);
    lt_loop_free(lb);
    lt_loop_free(lc);
    assert_int_equal(bad, 0);
}

/* ---- several lanes ---- */

static double sample[8] = {0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0};
static const lt_ir delay = {.samples = sample, .count = 8, .rate_hz = 8000.0, .to_hz = 4000.0};

/* n lanes at one counter, own coupling g, cross coupling x, all with the same delay: the counter hears n g + n (n-1) x.
 */
static lt_matrix_paths alike(size_t n, double own_db, double cross_db)
{
    lt_matrix_paths p = {.lane_count = n, .counter_count = 1};
    for (size_t i = 0; i < n; i++)
        for (size_t j = 0; j < n; j++)
            p.lane[i][j] = (lt_coupling){.ir = &delay, .level_db = i == j ? own_db : cross_db};
    return p;
}

static lt_matrix_margin margin_of(const lt_matrix_paths *p, unsigned open)
{
    lt_loop_matrix *m = NULL;
    lt_matrix_margin out;
    assert_int_equal(lt_loop_matrix_create(p, &m, NULL), LT_OK);
    assert_int_equal(lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, open, true, &out, NULL), LT_OK);
    lt_loop_matrix_free(m);
    return out;
}

static void lanes_that_are_alike_add_up(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t n = 1; n <= 8; n++) {
        const lt_matrix_paths p = alike(n, -20.0, -40.0);
        const double count = (double)n;
        const double level = count * 0.1 + count * (count - 1.0) * 0.01;
        const lt_matrix_margin m = margin_of(&p, (1u << n) - 1u);
        bad += !near_abs("margin", m.margin_db, -20.0 * log10(level), 1e-3);
        bad += !near_abs("safe", m.safe_margin_db, -20.0 * log10(level), 1e-3);
        bad += !near_abs("any phase", m.any_phase_margin_db, -20.0 * log10(level), 1e-3);
        bad += !m.path.known || m.path.speaker_lane != m.path.microphone_lane;
        bad += !near_abs("share", m.path.lane_share, 0.1 / level, 1e-3);
    }
    assert_int_equal(bad, 0);
}

/* A switched lane alone loses its attenuation in either state, push-to-talk has no loop; two of the latter still ring
 * where one talks and the other listens. */
static void switches_attenuate_one_direction(void **state)
{
    (void)state;
    lt_matrix_paths p = alike(2, -6.0, -10.0);
    int bad = 0;
    p.switching_db[0] = 15.0;
    p.switching_db[1] = (double)INFINITY;
    bad += !near_abs("switched", margin_of(&p, 1u).margin_db, 21.0, 1e-3);
    bad += !isnan(margin_of(&p, 2u).margin_db) || !margin_of(&p, 2u).stable;
    p.switching_db[0] = (double)INFINITY;
    const lt_matrix_margin both = margin_of(&p, 3u);
    bad += !near_abs("one talks, one listens", both.margin_db, 10.0, 1e-3);
    bad += both.path.speaker_lane == both.path.microphone_lane;
    p.outbound_db[0] = p.outbound_db[1] = 2.0;
    p.inbound_db[0] = p.inbound_db[1] = 1.5;
    bad += !near_abs("gains", margin_of(&p, 3u).margin_db, 6.5, 1e-3);
    assert_int_equal(bad, 0);
}

static void bad_matrices_are_refused(void **state)
{
    (void)state;
    lt_loop_matrix *m = NULL;
    lt_matrix_margin out;
    lt_matrix_paths p = alike(2, -6.0, -10.0);
    p.lane_count = 9;
    assert_int_equal(lt_loop_matrix_create(&p, &m, NULL), LT_E_ARG);
    p = alike(2, -6.0, -10.0);
    p.counter_of[1] = 1;
    assert_int_equal(lt_loop_matrix_create(&p, &m, NULL), LT_E_ARG);
    p = alike(2, (double)NAN, -10.0);
    assert_int_equal(lt_loop_matrix_create(&p, &m, NULL), LT_E_ARG);
    p = alike(1, -6.0, 0.0);
    p.lane[0][0].ir = NULL;
    assert_int_equal(lt_loop_matrix_create(&p, &m, NULL), LT_E_ARG);
    assert_null(m);
    p = alike(1, -6.0, 0.0);
    assert_int_equal(lt_loop_matrix_create(&p, &m, NULL), LT_OK);
    assert_int_equal(lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, 0u, false, &out, NULL), LT_E_ARG);
    assert_int_equal(lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, 2u, false, &out, NULL), LT_E_ARG);
    lt_loop_matrix_free(m);
    lt_loop_matrix_free(NULL);
}

static lt_status everything(void *context, lt_error *err)
{
    lt_loop_matrix *m = NULL;
    lt_matrix_margin out;
    lt_notch_set set;
    lt_loop *l = NULL;
    const lt_matrix_paths p = alike(2, -6.0, -10.0);
    const lt_ir ir = {.samples = context, .count = N, .rate_hz = rate, .from_hz = 100.0, .to_hz = 7000.0};
    const lt_notch_demand d = lt_notch_demand_default(10.0);
    lt_status st = lt_loop_matrix_create(&p, &m, err);
    if (st == LT_OK)
        st = lt_loop_matrix_margin((const lt_loop_matrix *const[]){m}, 1, 3u, true, &out, err);
    if (st == LT_OK)
        st = lt_loop_create(&ir, NULL, 0.0, 0.0, &l, err);
    if (st == LT_OK)
        st = lt_notches_reach((const lt_loop *const[]){l}, 1, 0.0, &d, &set, err);
    lt_loop_matrix_free(m);
    lt_loop_free(l);
    return st;
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    static double h[N];
    resonant(h, (const double[]){1000.0}, (const double[]){9.0}, 1);
    assert_survives_faults(everything, h);
}

SUITE(loop_reach)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(the_demand_is_reached_with_the_fewest),
        cmocka_unit_test(a_graphic_equalizer_keeps_to_its_bands),
        cmocka_unit_test(a_notch_that_chases_a_peak_is_told),
        cmocka_unit_test(lanes_that_are_alike_add_up),
        cmocka_unit_test(switches_attenuate_one_direction),
        cmocka_unit_test(bad_matrices_are_refused),
        cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("loop_reach", tests, NULL, NULL);
}
