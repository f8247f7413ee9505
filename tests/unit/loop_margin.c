/* SPDX-License-Identifier: MIT
 * Feedback margin in closed form, against eigenvalues, between bins, over several loops. */
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

static lt_ir plain(double *h, size_t count, double rate_hz)
{
    return (lt_ir){.samples = h, .count = count, .rate_hz = rate_hz, .to_hz = rate_hz / 2.0};
}

static lt_margin margin_of(const lt_ir *ir, double gain_db)
{
    lt_loop *loop = NULL;
    lt_margin m;
    assert_int_equal(lt_loop_create(ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){loop}, 1, gain_db, NULL, &m, NULL), LT_OK);
    lt_loop_free(loop);
    return m;
}

/* Onset of instability from the eigenvalues of the companion matrix (numpy.roots of z^n - k sum h[m] z^(n-m),
 * bisected until the spectral radius is 1). */
static void short_loops_match_the_eigenvalues(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        double h[8];
        size_t count;
        double onset_db;
    } rows[] = {
        {"positive tap", {0, 0.5}, 2, 6.020599913},
        {"negative tap", {0, -0.5}, 2, 6.020599913},
        {"two taps", {0, 0.5, 0.3}, 3, 1.938200260},
        {"three taps", {0, 0.2, -0.7, 0.4}, 4, 1.938200260},
        {"late taps", {0, 0, 0, 0.9, 0.1, -0.8}, 6, -3.963349581},
        {"six taps", {0, 0.3, 0.3, 0.3, -0.5, 0.2, 0.1}, 7, 3.098039200},
        {"seven taps", {0, -0.6, 0.1, 0.45, 0.2, -0.33, 0.7, -0.1}, 8, -3.973141739},
        {"unstable", {0, 0, 1.5, -1.1, 0.2}, 5, -8.943160627},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        double h[8];
        memcpy(h, rows[i].h, sizeof h);
        const lt_ir ir = plain(h, rows[i].count, 8000.0);
        const lt_margin m = margin_of(&ir, 0.0);
        bad += !near_abs(rows[i].row, m.margin_db, rows[i].onset_db, 1e-4);
        bad += m.stable != (rows[i].onset_db > 0.0);
    }
    assert_int_equal(bad, 0);
}

/* A delay of D samples with gain g: L = g exp(-j w D), real and positive at k rate/D (g > 0), (k + 1/2) rate/D (g < 0).
 */
static void delays_ring_where_the_phase_says(void **state)
{
    (void)state;
    enum { DELAY = 441 };
    double h[DELAY + 1] = {0};
    int bad = 0;
    h[DELAY] = -0.25;
    lt_ir ir = plain(h, DELAY + 1, 44100.0);
    lt_margin m = margin_of(&ir, 0.0);
    bad += !near_abs("margin", m.margin_db, 12.0412, 1e-3);
    bad += !near_abs("safe", m.safe_margin_db, 12.0412, 1e-3);
    bad += !near_abs("odd multiples of 50 Hz", fmod(m.ring_hz, 100.0), 50.0, 0.01);
    m = margin_of(&ir, 5.0);
    bad += !near_abs("gain counts", m.margin_db, 7.0412, 1e-3);
    m = margin_of(&ir, 13.0);
    bad += m.stable || !near_abs("too much gain", m.margin_db, -0.9588, 1e-3);
    bad += m.candidate_count != LT_CANDIDATES_MAX;
    for (size_t i = 0; i < m.candidate_count; i++)
        for (size_t k = 0; k < i; k++)
            bad += !(fabs(log2(m.candidates[i].hz / m.candidates[k].hz)) >= 1.0 / 24.0 - 1e-9);
    /* The same delay told by the origin instead of zeros. */
    double one[1] = {-0.25};
    const lt_ir moved = {.samples = one, .count = 1, .rate_hz = 44100.0, .origin_frames = -DELAY, .to_hz = 22050.0};
    const lt_margin n = margin_of(&moved, 13.0);
    bad += !near_abs("origin", n.margin_db, m.margin_db, 1e-4);
    bad += !near_abs("origin, ring", fmod(n.ring_hz, 100.0), 50.0, 0.01);
    assert_int_equal(bad, 0);
}

/* The largest |L| of a resonance far narrower than any bin: a decaying sine, whose response is a closed form. */
static void narrow_peaks_are_found_between_bins(void **state)
{
    (void)state;
    enum { N = 40000 };
    const double rate = 16000.0;
    int bad = 0;
    for (int i = 0; i < 7; i++) {
        const double hz = 1000.0 + 0.31 * (double)i;
        const double decay = 2.5e-4; /* per sample: the peak is 1.3 Hz wide */
        double *h = NULL;
        lt_signal *s = NULL;
        assert_int_equal(lt_signal_create(N, rate, &s, NULL), LT_OK);
        h = s->samples;
        for (size_t n = 1; n < N; n++)
            h[n] = 1e-3 * exp(-decay * (double)n) * sin(2.0 * LT_PI * hz / rate * (double)n);
        const lt_ir ir = plain(h, N, rate);
        const lt_margin m = margin_of(&ir, 0.0);
        double best = 0.0;
        for (double f = hz - 1.0; f < hz + 1.0; f += 0.002)
            best = fmax(best, lt_complex_power(lt_dtft(h, N, rate, f)));
        bad += !near_abs("peak", m.safe_margin_db, -lt_db_from_power(best), 0.002);
        bad += !near_abs("place", m.safe_hz, hz, 0.05);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void nothing_outside_the_band_counts(void **state)
{
    (void)state;
    double h[3] = {0, 0.5, 0.3}; /* largest at 0 Hz: 0.8 */
    lt_ir ir = plain(h, 3, 8000.0);
    ir.from_hz = 300.0;
    ir.to_hz = 3000.0;
    const lt_margin m = margin_of(&ir, 0.0);
    int bad = 0;
    const double at_300 = lt_complex_power(lt_ir_at(&ir, 300.0));
    bad += !near_abs("edge", m.safe_margin_db, -lt_db_from_power(at_300), 1e-4);
    bad += !near_abs("edge place", m.safe_hz, 300.0, 1e-6);
    bad += !isnan(m.margin_db) || !isnan(m.ring_hz) || !m.stable; /* no crossing inside the band */
    assert_int_equal(bad, 0);
}

static void no_loop_has_no_margin(void **state)
{
    (void)state;
    double h[64] = {0};
    const lt_ir ir = plain(h, 64, 8000.0);
    const lt_margin m = margin_of(&ir, 0.0);
    assert_true(m.stable && isnan(m.margin_db) && isnan(m.safe_margin_db) && isnan(m.ring_hz) && isnan(m.safe_hz));
    assert_int_equal(m.candidate_count, 0);
    assert_int_equal(m.notch_count, 0);
    lt_margin none;
    assert_int_equal(lt_margin_compute(NULL, 0, 0.0, NULL, &none, NULL), LT_OK);
    assert_true(none.stable && isnan(none.margin_db));
}

static void the_worst_loop_counts(void **state)
{
    (void)state;
    double a[30] = {0};
    double b[41] = {0};
    a[29] = 0.5;
    b[40] = -0.8;
    const lt_ir ia = plain(a, 30, 8000.0);
    const lt_ir ib = plain(b, 41, 16000.0);
    lt_loop *la = NULL;
    lt_loop *lb = NULL;
    assert_int_equal(lt_loop_create(&ia, NULL, 0.0, 0.0, &la, NULL), LT_OK);
    assert_int_equal(lt_loop_create(&ib, NULL, 0.0, 0.0, &lb, NULL), LT_OK);
    lt_margin m;
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){la, lb}, 2, 0.0, NULL, &m, NULL), LT_OK);
    int bad = 0;
    bad += !near_abs("margin", m.margin_db, -20.0 * log10(0.8), 1e-3);
    bad += !near_abs("ring", fmod(m.ring_hz, 400.0), 200.0, 0.01);
    lt_loop_free(la);
    lt_loop_free(lb);
    assert_int_equal(bad, 0);
}

static void bad_arguments_are_refused(void **state)
{
    (void)state;
    double h[4] = {0, NAN, 0, 0};
    lt_ir ir = plain(h, 4, 8000.0);
    lt_loop *loop = NULL;
    lt_error err = {0};
    lt_margin m;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, &err), LT_E_ARG);
    assert_null(loop);
    assert_non_null(strstr(err.what, "no number"));
    h[1] = 0.5;
    assert_int_equal(lt_loop_create(&ir, NULL, NAN, 0.0, &loop, NULL), LT_E_ARG);
    ir.from_hz = 5000.0;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_E_ARG);
    ir.from_hz = 0.0;
    ir.count = 0;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_E_ARG);
    ir.count = 4;
    lt_ir low = ir;
    lt_ir high = ir;
    low.to_hz = 1000.0;
    high.from_hz = 1500.0;
    err = (lt_error){0};
    assert_int_equal(lt_loop_create(&low, &high, 0.0, 0.0, &loop, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "in common"));
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
    const lt_margin_options wrong = {.notches_max = LT_NOTCHES_MAX + 1, .cut_max_db = 12.0};
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){loop}, 1, 0.0, &wrong, &m, NULL), LT_E_ARG);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){loop}, 1, NAN, NULL, &m, NULL), LT_E_ARG);
    lt_loop_free(loop);
    lt_loop_free(NULL);
}

SUITE(loop_margin)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(short_loops_match_the_eigenvalues),
        cmocka_unit_test(delays_ring_where_the_phase_says),
        cmocka_unit_test(narrow_peaks_are_found_between_bins),
        cmocka_unit_test(nothing_outside_the_band_counts),
        cmocka_unit_test(no_loop_has_no_margin),
        cmocka_unit_test(the_worst_loop_counts),
        cmocka_unit_test(bad_arguments_are_refused),
    };
    return cmocka_run_group_tests_name("loop_margin", tests, NULL, NULL);
}
