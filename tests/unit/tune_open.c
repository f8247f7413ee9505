/* SPDX-License-Identifier: MIT
 * Several lanes open: which coupling counts, recorded before stated before assumed, and margins of lanes whose
 * couplings are single taps. All figures from closed forms. */
#include "base/alloc.h"
#include "lane_fixture.h"
#include "near.h"
#include "suite.h"
#include "tune/tune_internal.h"

#include <stdio.h>

static const double own = 0.1;          /* lane coupling: one tap */
static const double counter_db = -10.0; /* flat */

typedef struct {
    fixture f[2];
    fixture_path cross[2];
    lt_cross_coupling list[4];
    lt_open_lanes in;
    lt_open_margin out;
} workplace;

static void one_tap(fixture_path *p, size_t at, double value)
{
    double taps[FIXTURE_TAPS] = {0.0};
    double level_db[LT_SPEECH_BANDS];
    memset(p, 0, sizeof *p);
    taps[at] = value;
    fixture_flat(20.0 * log10(value), level_db);
    fixture_bands(p, level_db);
    fixture_taps(p, taps, FIXTURE_TAPS);
}

static lt_cross_coupling coupling(bool counters, unsigned to, unsigned from, double level_db)
{
    return (lt_cross_coupling){
        .counters = counters, .to = to, .from = from, .level_db = level_db, .distance_m = (double)NAN};
}

static void make(workplace *w, unsigned second_counter)
{
    memset(w, 0, sizeof *w);
    w->in.want_db = 6.0;
    w->in.couplings = w->list;
    for (size_t i = 0; i < 2; i++) {
        fixture_make(&w->f[i]);
        lt_tune_lane *l = &w->f[i].lane;
        one_tap(&w->f[i].conditions[0].lane_coupling, 8, own);
        l->lane = (unsigned)i + 1;
        l->condition_count = 1;
        l->recordings[0].lane_coupling = &w->f[i].conditions[0].lane_coupling.response;
        l->recordings[0].counter_coupling = l->recordings[0].loop = NULL;
        l->recordings[0].delay_known = true;
        l->coupling_db = counter_db;
        l->loopback_db = 0.0;
        l->duplex = LT_DUPLEX_FULL;
        w->in.lanes[w->in.lane_count++] = (lt_open_lane_of){.lane = l,
                                                            .counter = i == 0 ? 1 : second_counter,
                                                            .outbound_db = l->outbound.recorded_db,
                                                            .inbound_db = l->inbound.recorded_db};
    }
    w->list[0] = coupling(false, 2, 1, -30.0);
    w->list[1] = coupling(true, 2, 1, -300.0); /* nothing from counter to counter */
    w->in.coupling_count = 2;
}

static const lt_matrix_margin *set_of(const workplace *w, unsigned open)
{
    for (size_t i = 0; i < w->out.set_count; i++)
        if (w->out.sets[i].open == open)
            return &w->out.sets[i];
    fail();
    return NULL;
}

/* Two like lanes: L = c (a, b; b, a), b turning against a over the band, so the largest singular value is c (a + b).
 * With one counter for both, every entry is c (a + b) and the singular value twice that. */
static void two_lanes_in_closed_form(void **state)
{
    (void)state;
    static workplace w;
    const double c = pow(10.0, counter_db / 20.0);
    const double both = c * (own + pow(10.0, -30.0 / 20.0));
    for (unsigned second = 2; second >= 1; second--) {
        make(&w, second);
        assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
        assert_int_equal(w.out.set_count, 3);
        assert_int_equal(w.out.counter_count, second);
        assert_true(near_abs("alone", set_of(&w, 1)->safe_margin_db, -20.0 * log10(c * own), 0.01));
        const double of_both = second == 2 ? both : 2.0 * both;
        assert_true(near_abs("both", set_of(&w, 3)->safe_margin_db, -20.0 * log10(of_both), 0.02));
        assert_int_equal(w.out.sets[0].open, 3);
        assert_true(near_abs("rule", lt_open_rule_db(&w.out, 3), -20.0 * log10(c * own) - 10.0 * log10(2.0), 0.01));
        assert_true(lt_notes_has(&w.out.assumptions, "lane-to-lane-stated"));
    }
}

/* Both ends of a lane's own way never are open at once. */
static void a_switch_attenuates_a_lanes_own_way(void **state)
{
    (void)state;
    static workplace w;
    make(&w, 2);
    for (size_t i = 0; i < 2; i++) {
        w.f[i].lane.duplex = LT_DUPLEX_VOICE_SWITCHED;
        w.f[i].lane.switching_attenuation_db = 20.0;
    }
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    assert_true(near_abs("alone", set_of(&w, 2)->safe_margin_db, -20.0 * log10(own) - counter_db + 20.0, 0.01));
    /* One talks, one listens: the way across is open, which is the -30 dB stated. */
    assert_true(set_of(&w, 3)->safe_margin_db < 30.0 - counter_db);
    assert_true(set_of(&w, 3)->safe_margin_db > 30.0 - counter_db - 3.0);
}

static lt_matrix_paths paths_of(workplace *w, const char *condition)
{
    lt_matrix_paths p;
    memset(&w->out, 0, sizeof w->out);
    w->out.counters[0] = 1;
    w->out.counters[1] = 2;
    w->out.counter_count = 2;
    assert_int_equal(ltp_open_paths(&w->in, condition, &w->out, &p, NULL), LT_OK);
    return p;
}

static void recorded_goes_before_stated_before_assumed(void **state)
{
    (void)state;
    static workplace w;
    make(&w, 2);
    for (size_t i = 0; i < 2; i++) {
        one_tap(&w.cross[i], 20, 0.01);
        w.f[i].lane.loopback_db = -1.0;
        w.list[2 + i] = coupling(false, 2, 1, (double)NAN);
        w.list[2 + i].response = &w.cross[i].response;
    }
    (void)snprintf(w.list[3].condition, sizeof w.list[3].condition, "car");
    w.in.coupling_count = 4;
    lt_matrix_paths p = paths_of(&w, "");
    assert_ptr_equal(p.lane[1][0].ir, &w.cross[0].ir);
    assert_true(near_abs("loopback", p.lane[1][0].level_db, 1.0, 1e-9));
    p = paths_of(&w, "car");
    assert_ptr_equal(p.lane[1][0].ir, &w.cross[1].ir);
    assert_null(p.lane[0][1].ir); /* stated of the other direction */
    assert_true(near_abs("stated", p.lane[0][1].level_db, -30.0, 1e-9));
    assert_true(near_abs("counters", p.counter[0][1].level_db, -300.0, 1e-9));
}

/* Free field: 6 dB each doubling from the panel's own distance to 4 m, the mean of both own levels (here equal), and
 * the time the sound needs; 343.2 m/s at 20 degrees (ISO 9613-1, annex A). */
static void assumed_from_the_own_couplings(void **state)
{
    (void)state;
    static workplace w;
    make(&w, 2);
    for (size_t i = 0; i < 2; i++) {
        w.f[i].lane.speaker_to_microphone_m = 0.25;
        w.f[i].lane.temperature_c = 20.0;
    }
    w.in.coupling_count = 0;
    lt_matrix_paths p = paths_of(&w, "");
    assert_ptr_equal(p.lane[1][0].ir, &w.f[0].conditions[0].lane_coupling.ir);
    assert_true(near_abs("4 m", p.lane[1][0].level_db, -20.0 * log10(4.0 / 0.25), 1e-6));
    assert_true(near_abs("delay", p.lane[1][0].delay_s, 3.75 / 343.2, 1e-5));
    assert_true(lt_notes_has(&w.out.assumptions, "lane-to-lane-assumed"));
    assert_true(lt_notes_has(&w.out.assumptions, "counter-to-counter-assumed"));
    w.list[0] = coupling(false, 1, 2, (double)NAN);
    w.list[0].distance_m = 8.0;
    w.in.coupling_count = 1;
    p = paths_of(&w, "");
    assert_true(near_abs("8 m", p.lane[1][0].level_db, -20.0 * log10(8.0 / 0.25), 1e-6));
}

static void a_lane_without_a_loop_is_left_out(void **state)
{
    (void)state;
    static workplace w;
    make(&w, 2);
    w.f[1].lane.recordings[0].lane_coupling = NULL;
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    assert_int_equal(w.out.set_count, 1);
    assert_true(lt_notes_has(&w.out.warnings, "lane-not-recorded"));
    w.f[0].lane.recordings[0].lane_coupling = NULL;
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_E_ARG);
    w.in.lane_count = 0;
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_E_ARG);
}

/* A flat loop of 30 dB, less the 6 dB of a peak at 1 kHz: no notches where the demand is met; a graphic
 * equalizer offers its bands, its steps and its depth only. */
static void notches_keep_to_the_equalizer(void **state)
{
    (void)state;
    static workplace w;
    make(&w, 2);
    lt_tune_lane *l = &w.f[0].lane;
    fixture_path *path = &w.f[0].conditions[0].lane_coupling;
    const lt_biquad peak = lt_biquad_peaking(1000.0, 2.0, 6.0, FIXTURE_RATE_HZ);
    lt_biquad_state run = {0};
    lt_biquad_run(&peak, &run, path->taps, path->taps, FIXTURE_TAPS);
    w.in.want_db = 20.0;
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    assert_int_equal(w.out.lanes[0].notch.set.count, 0);
    l->eq = (lt_eq){.kind = LT_EQ_GRAPHIC,
                    .bands_hz = {500.0, 1000.0, 2000.0},
                    .band_count = 3,
                    .min_db = -12.0,
                    .max_db = 6.0,
                    .step_db = 1.0};
    w.in.want_db = 26.5; /* the peak leaves about 24 */
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    const lt_notch_set *s = &w.out.lanes[0].notch.set;
    assert_true(s->reached && s->count >= 1);
    assert_true(s->safe_margin_db >= 26.5);
    for (size_t i = 0; i < s->count; i++) {
        const double hz = s->notches[i].hz;
        assert_true(fabs(log2(hz / 1000.0) - round(log2(hz / 1000.0))) < 1e-9);
        assert_true(near_abs("whole steps", s->notches[i].cut_db, round(s->notches[i].cut_db), 1e-9));
        assert_true(s->notches[i].cut_db <= 12.0);
    }
    w.in.want_db = 60.0; /* out of its reach */
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    assert_false(w.out.lanes[0].notch.set.reached);
}

/* Lanes and sets are worked on by several threads, and by one while an allocation is to fail: the same bits. */
static void the_number_of_threads_does_not_show(void **state)
{
    (void)state;
    static workplace w;
    static lt_open_margin alone;
    make(&w, 2);
    one_tap(&w.cross[0], 40, 0.03);
    w.list[0].response = &w.cross[0].response;
    assert_int_equal(lt_open_margin_compute(&w.in, &w.out, NULL), LT_OK);
    ltp_fault_after(1000000);
    const bool one_thread = ltp_fault_pending();
    assert_int_equal(lt_open_margin_compute(&w.in, &alone, NULL), LT_OK);
    ltp_fault_after(-1);
    if (!one_thread)
        skip();
    assert_int_equal(w.out.set_count, alone.set_count);
    assert_int_equal(w.out.worst_lane, alone.worst_lane);
    assert_int_equal(w.out.warnings.count, alone.warnings.count);
    assert_int_equal(w.out.assumptions.count, alone.assumptions.count);
    for (size_t i = 0; i < alone.set_count; i++) {
        const lt_matrix_margin *a = &w.out.sets[i], *b = &alone.sets[i];
        const double found[2][5] = {{a->margin_db, a->safe_margin_db, a->any_phase_margin_db, a->ring_hz, a->safe_hz},
                                    {b->margin_db, b->safe_margin_db, b->any_phase_margin_db, b->ring_hz, b->safe_hz}};
        assert_int_equal(a->open, b->open);
        assert_memory_equal(found[0], found[1], sizeof found[0]);
    }
    for (size_t i = 0; i < alone.lane_count; i++)
        assert_memory_equal(&w.out.lanes[i].margin.safe_margin_db, &alone.lanes[i].margin.safe_margin_db,
                            sizeof(double));
}

SUITE(tune_open)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(two_lanes_in_closed_form),
        cmocka_unit_test(a_switch_attenuates_a_lanes_own_way),
        cmocka_unit_test(recorded_goes_before_stated_before_assumed),
        cmocka_unit_test(assumed_from_the_own_couplings),
        cmocka_unit_test(a_lane_without_a_loop_is_left_out),
        cmocka_unit_test(notches_keep_to_the_equalizer),
        cmocka_unit_test(the_number_of_threads_does_not_show),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
