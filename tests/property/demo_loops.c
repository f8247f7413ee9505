/* SPDX-License-Identifier: MIT
 * The lanes of the demonstration as closed loops, run sample by sample: growth begins where margin_db says, and a loop
 * that stands at its recommended margin dies away. */
#include "closed_loop.h"
#include "near.h"
#include <lanetune/loop.h>
#include <lanetune/simulate.h>

enum { FRAMES = 4 * 48000 };
static const double kept = 1e-9; /* of the energy: what the cut tail may hold */

/* The true loop of a lane and condition, its quiet ends cut so that a direct sum over its taps stays affordable. */
static lt_signal *loop_of(const lt_scene_lane *lane, size_t condition)
{
    lt_ir *ir = NULL;
    lt_signal *whole = NULL;
    lt_signal *cut = NULL;
    assert_int_equal(lt_scene_ir(lane, condition, LT_SCENE_LOOP, &ir, NULL), LT_OK);
    assert_int_equal(lt_ir_to_signal(ir, &whole, NULL), LT_OK);
    double total = 0.0;
    for (size_t i = 0; i < whole->count; i++)
        total += whole->samples[i] * whole->samples[i];
    size_t end = whole->count;
    for (double tail = 0.0; end > 1 && tail < kept * total; end--)
        tail += whole->samples[end - 1] * whole->samples[end - 1];
    double head = 0.0;
    for (size_t i = 0; i < end && head < kept * total; i++) {
        head += whole->samples[i] * whole->samples[i];
        whole->samples[i] = 0.0;
    }
    assert_int_equal(lt_signal_copy(whole, 0, end, &cut, NULL), LT_OK);
    lt_signal_free(whole);
    lt_ir_free(ir);
    return cut;
}

static void margin_of(const lt_signal *h, lt_margin *m)
{
    lt_ir *ir = NULL;
    lt_loop *loop = NULL;
    assert_int_equal(lt_ir_from_signal(h, &ir, NULL), LT_OK);
    assert_int_equal(lt_loop_create(ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
    const lt_loop *one = loop;
    const lt_margin_options options = {.notches_max = 0, .cut_max_db = 0.0};
    assert_int_equal(lt_margin_compute(&one, 1, 0.0, &options, m, NULL), LT_OK);
    lt_loop_free(loop);
    lt_ir_free(ir);
}

static void demo_lanes_begin_to_grow_at_their_margin(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t i = 0; i < lt_scene_demo_count(); i++) {
        const lt_scene_lane lane = lt_scene_demo_lane(i);
        for (size_t c = 0; c < lane.condition_count; c++) {
            char name[120];
            (void)snprintf(name, sizeof name, "lane %u, condition '%s'", lane.lane, lane.conditions[c].name);
            lt_signal *h = loop_of(&lane, c);
            lt_margin m;
            margin_of(h, &m);
            const closed_loop truth = {.h = h->samples, .count = h->count, .frames = FRAMES};
            const double onset_db = closed_loop_onset_db(&truth, m.margin_db - 0.8, m.margin_db + 0.8, 0.05);
            bad += !near_abs(name, m.margin_db, onset_db, 0.1);
            /* 6 dB below the safe margin: whatever the phase, it dies away. */
            bad += closed_loop_grows(&truth, lt_amplitude_from_db(m.safe_margin_db - 6.0));
            bad += !(m.margin_db >= m.safe_margin_db - 1e-6);
            lt_signal_free(h);
        }
    }
    assert_int_equal(bad, 0);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(demo_lanes_begin_to_grow_at_their_margin)};
    return cmocka_run_group_tests_name("demo_loops", tests, NULL, NULL);
}
