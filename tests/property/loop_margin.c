/* SPDX-License-Identifier: MIT
 * Feedback margin: what must hold for any loop. */
#include "near.h"
#include <lanetune/loop.h>

#include <string.h>

enum { TAPS = 400, CASES = 40 };

static void random_path(lt_rng *r, double *h)
{
    memset(h, 0, TAPS * sizeof *h);
    const size_t first = 1 + (size_t)(lt_rng_uniform(r) * 100.0);
    for (size_t i = first; i < TAPS; i++)
        h[i] = 0.1 * lt_rng_gauss(r) * exp(-(double)(i - first) / 40.0);
}

static lt_ir path(double *h, size_t count, ptrdiff_t origin)
{
    return (lt_ir){
        .samples = h, .count = count, .rate_hz = 16000.0, .origin_frames = origin, .from_hz = 60.0, .to_hz = 7000.0};
}

static lt_margin margin_of(const lt_ir *lane, const lt_ir *counter, double gain_db)
{
    lt_loop *l = NULL;
    lt_margin m;
    assert_int_equal(lt_loop_create(lane, counter, 0.0, 0.0, &l, NULL), LT_OK);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){l}, 1, gain_db, NULL, &m, NULL), LT_OK);
    lt_loop_free(l);
    return m;
}

static void gain_moves_every_margin_by_itself(void **state)
{
    (void)state;
    lt_rng r = {1};
    int bad = 0;
    for (int i = 0; i < CASES; i++) {
        double h[TAPS];
        random_path(&r, h);
        const lt_ir ir = path(h, TAPS, 0);
        const lt_margin a = margin_of(&ir, NULL, 0.0);
        const lt_margin b = margin_of(&ir, NULL, 7.25);
        bad += !near_abs("margin", b.margin_db, a.margin_db - 7.25, 1e-9);
        bad += !near_abs("safe", b.safe_margin_db, a.safe_margin_db - 7.25, 1e-9);
        bad += !near_abs("with notches", b.safe_margin_with_notches_db, a.safe_margin_with_notches_db - 7.25, 1e-9);
        bad += !(a.margin_db >= a.safe_margin_db - 1e-6);
        bad += a.stable != !(a.margin_db <= 0.0);
        bad += !(a.safe_margin_with_notches_db >= a.safe_margin_db + 0.5 * (double)a.notch_count - 1e-9);
        for (size_t k = 1; k < a.candidate_count; k++)
            bad += !(a.candidates[k].margin_db >= a.candidates[k - 1].margin_db);
    }
    assert_int_equal(bad, 0);
}

/* Delay and polarity move the crossings, never |L|. */
static void delay_and_polarity_leave_the_safe_margin(void **state)
{
    (void)state;
    lt_rng r = {2};
    int bad = 0;
    for (int i = 0; i < CASES; i++) {
        double h[TAPS];
        random_path(&r, h);
        lt_ir ir = path(h, TAPS, 0);
        const lt_margin a = margin_of(&ir, NULL, 0.0);
        ir.origin_frames = -(ptrdiff_t)(lt_rng_uniform(&r) * 900.0);
        const lt_margin late = margin_of(&ir, NULL, 0.0);
        for (size_t k = 0; k < TAPS; k++)
            h[k] = -h[k];
        const lt_margin inverted = margin_of(&ir, NULL, 0.0);
        bad += !near_abs("late", late.safe_margin_db, a.safe_margin_db, 1e-4);
        bad += !near_abs("inverted", inverted.safe_margin_db, a.safe_margin_db, 1e-4);
        bad += !(late.margin_db >= a.safe_margin_db - 1e-4) || !(inverted.margin_db >= a.safe_margin_db - 1e-4);
    }
    assert_int_equal(bad, 0);
}

/* Lane and counter are interchangeable, and their product is one path convolved by hand. */
static void the_product_does_not_care_for_order(void **state)
{
    (void)state;
    lt_rng r = {3};
    int bad = 0;
    for (int i = 0; i < 10; i++) {
        double a[TAPS];
        double b[TAPS];
        double both[2 * TAPS] = {0};
        random_path(&r, a);
        random_path(&r, b);
        for (size_t k = 0; k < TAPS; k++)
            for (size_t m = 0; m < TAPS; m++)
                both[k + m] += a[k] * b[m];
        const lt_ir ia = path(a, TAPS, 30);
        const lt_ir ib = path(b, TAPS, -4);
        const lt_ir product = path(both, 2 * TAPS - 1, 26);
        const lt_margin ab = margin_of(&ia, &ib, 0.0);
        const lt_margin ba = margin_of(&ib, &ia, 0.0);
        const lt_margin one = margin_of(&product, NULL, 0.0);
        bad += !near_abs("order", ab.margin_db, ba.margin_db, 1e-4);
        bad += !near_abs("product", ab.margin_db, one.margin_db, 1e-3);
        bad += !near_abs("product, safe", ab.safe_margin_db, one.safe_margin_db, 1e-3);
    }
    assert_int_equal(bad, 0);
}

static void another_loop_never_adds_margin(void **state)
{
    (void)state;
    lt_rng r = {4};
    int bad = 0;
    for (int i = 0; i < CASES / 2; i++) {
        double h[3][TAPS];
        lt_loop *loops[3] = {NULL};
        lt_margin m[3];
        for (int k = 0; k < 3; k++) {
            random_path(&r, h[k]);
            const lt_ir ir = path(h[k], TAPS, 0);
            assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loops[k], NULL), LT_OK);
            assert_int_equal(lt_margin_compute((const lt_loop *const *)loops, (size_t)k + 1, 0.0, NULL, &m[k], NULL),
                             LT_OK);
            bad += k > 0 && !(m[k].safe_margin_db <= m[k - 1].safe_margin_db + 1e-9);
            bad += k > 0 && !(m[k].margin_db <= m[k - 1].margin_db + 1e-9);
        }
        const lt_loop *const turned[] = {loops[2], loops[0], loops[1]};
        lt_margin other;
        assert_int_equal(lt_margin_compute(turned, 3, 0.0, NULL, &other, NULL), LT_OK);
        bad += !near_abs("order", other.margin_db, m[2].margin_db, 1e-9);
        bad += other.notch_count != m[2].notch_count;
        for (int k = 0; k < 3; k++)
            lt_loop_free(loops[k]);
    }
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(gain_moves_every_margin_by_itself),
        cmocka_unit_test(delay_and_polarity_leave_the_safe_margin),
        cmocka_unit_test(the_product_does_not_care_for_order),
        cmocka_unit_test(another_loop_never_adds_margin),
    };
    return cmocka_run_group_tests_name("loop_margin", tests, NULL, NULL);
}
