/* SPDX-License-Identifier: MIT
 * Recommended settings against a brute force that shares nothing with the search, on random lanes; and against the
 * closed loop itself, run in time. */
#include "brute_lane.h"
#include "closed_loop.h"
#include "near.h"
#include "random_lane.h"
#include "suite.h"

#include <stdio.h>

enum { LANES = 200, FIRST_SEED = 1000 };

typedef struct {
    fixture f;
    lt_tune_result r;
} workplace;

static workplace *workplace_create(void)
{
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    return w;
}

static int compare_figures(const char *row, const lt_tune_lane *l, const lt_tune_figures *got,
                           const brute_figures *want)
{
    int bad = 0;
    bad += !near_abs(row, got->sii_outbound, want->sii_out, 1e-6);
    bad += !near_abs(row, got->sii_inbound, want->sii_in, 1e-6);
    bad += !near_abs(row, got->ear_dba, want->ear_dba, 1e-6);
    bad += !near_abs(row, got->operator_dba, want->operator_dba, 1e-6);
    if (l->duplex != LT_DUPLEX_PUSH_TO_TALK) {
        bad += !near_abs(row, got->safe_margin_db, want->safe_margin_db, 0.005);
        bad += !near_abs(row, got->echo_telr_db, want->telr_db, 0.005);
        bad += !near_abs(row, got->echo_weighted_db, want->weighted_db, 0.005);
    } else {
        bad += !isnan(got->safe_margin_db) || !isnan(got->margin_db) || !isnan(got->echo_telr_db);
    }
    if (!isnan(want->headroom_db))
        bad += !near_abs(row, got->headroom_db, want->headroom_db, 1e-6);
    if (!isnan(want->power_w))
        bad += !near_rel(row, got->speaker_power_w, want->power_w, 1e-6);
    if (!isnan(want->property_dba))
        bad += !near_abs(row, got->property_line_dba, want->property_dba, 1e-6);
    return bad;
}

static int compare_unmet(const char *row, const lt_tune_lane *l, const lt_tune_result *r, const brute_paths *p)
{
    double by_db[LT_LIMIT_RANGE];
    const brute_figures low = brute_figures_at(l, p, l->outbound.steps_db[0], l->inbound.steps_db[0]);
    unsigned want = brute_violated(l, &low, by_db);
    int bad = 0;
    for (size_t i = 0; i < r->unmet_count; i++) {
        const unsigned bit = 1u << r->unmet[i].limit;
        bad += (want & bit) == 0;
        want &= ~bit;
        bad += !near_abs(row, r->unmet[i].by_db, by_db[r->unmet[i].limit], 0.005);
        const size_t length = strlen(r->unmet[i].advice);
        bad += length < 20 || length >= sizeof r->unmet[i].advice - 1 || r->unmet[i].advice[length - 1] != '.';
    }
    if (bad + (want != 0) > 0)
        (void)fprintf(stderr, "%s: unmet limits differ\n", row);
    return bad + (want != 0);
}

static void brute_force_agrees_on_random_lanes(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    size_t unmet = 0;
    size_t kinds[LT_DUPLEX_COUNT] = {0};
    for (uint64_t i = 0; i < LANES; i++) {
        char row[32];
        (void)snprintf(row, sizeof row, "seed %u", (unsigned)(FIRST_SEED + i));
        random_lane(&w->f, FIRST_SEED + i);
        const lt_tune_lane *l = &w->f.lane;
        lt_error err = {0};
        if (lt_tune(l, 1, &w->r, &err) != LT_OK)
            fail_msg("%s: %s", row, err.what);
        brute_paths p;
        brute_paths_fill(l, &p);
        const brute_choice want = brute_search(l, &p, 0, false);
        const bool same = w->r.outbound_step == want.out && w->r.inbound_step == want.in;
        if (!same)
            (void)fprintf(stderr, "%s: got step %zu, %zu, want %zu, %zu\n", row, w->r.outbound_step, w->r.inbound_step,
                          want.out, want.in);
        bad += !same || (w->r.unmet_count == 0) != want.feasible;
        const brute_figures before = brute_figures_at(l, &p, l->outbound.now_db, l->inbound.now_db);
        const brute_figures after =
            brute_figures_at(l, &p, l->outbound.steps_db[want.out], l->inbound.steps_db[want.in]);
        bad += compare_figures(row, l, &w->r.before, &before);
        bad += compare_figures(row, l, &w->r.after, &after);
        bad += compare_unmet(row, l, &w->r, &p);
        bad += want.feasible && brute_violated(l, &after, NULL) != 0;
        unmet += w->r.unmet_count > 0;
        kinds[l->duplex]++;
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
    /* The lanes really are of all kinds. */
    assert_in_range(unmet, 15, LANES - 60);
    assert_true(kinds[0] > 60 && kinds[1] > 20 && kinds[2] > 10);
}

/* The product of both couplings as taps, gains included. */
static size_t loop_taps(const lt_tune_lane *l, const lt_tune_recordings *r, double gain_db, double *taps)
{
    const double gain = pow(10.0, gain_db / 20.0);
    const lt_ir *a = r->loop != NULL ? r->loop->ir : r->lane_coupling->ir;
    const lt_ir *b = r->loop == NULL && r->counter_coupling != NULL ? r->counter_coupling->ir : NULL;
    double flat_db = 0.0;
    if (r->loop == NULL && b == NULL)
        flat_db = isnan(l->coupling_db) ? (const double[]){-10.0, -30.0, -40.0}[l->listening] : l->coupling_db;
    const size_t count = a->count + (b != NULL ? b->count - 1 : 0);
    memset(taps, 0, count * sizeof *taps);
    for (size_t i = 0; i < a->count; i++)
        for (size_t k = 0; k < (b != NULL ? b->count : 1); k++)
            taps[i + k] += gain * pow(10.0, flat_db / 20.0) * a->samples[i] * (b != NULL ? b->samples[k] : 1.0);
    return count;
}

/* Run the loop of each condition at the recommended settings, raised by the margin demanded less 0.1 dB: it must die
 * away. Raised by more than the phase-true margin found, it must grow. */
static void recommended_settings_do_not_howl(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    size_t checked = 0;
    for (uint64_t i = 0; i < 60; i++) {
        random_lane(&w->f, FIRST_SEED + i);
        lt_tune_lane *l = &w->f.lane;
        l->loopback_db = 0.0;
        assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
        if (l->duplex == LT_DUPLEX_PUSH_TO_TALK || w->r.unmet_count > 0)
            continue;
        const double less = l->duplex == LT_DUPLEX_VOICE_SWITCHED ? l->switching_attenuation_db : 0.0;
        const double both = w->r.outbound_recommended_db - l->outbound.recorded_db + w->r.inbound_recommended_db -
                            l->inbound.recorded_db - less;
        for (size_t c = 0; c < l->condition_count; c++) {
            double taps[2 * FIXTURE_TAPS];
            const closed_loop loop = {taps, loop_taps(l, &l->recordings[c], both, taps), 60000};
            bad += closed_loop_grows(&loop, pow(10.0, (l->safe_margin_limit_db - 0.1) / 20.0));
            checked++;
        }
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
    assert_true(checked > 40);
}

/* More demanded margin never means more gain nor a better objective. */
static void demands_act_in_their_direction(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    int bad = 0;
    for (uint64_t i = 0; i < 40; i++) {
        random_lane(&w->f, FIRST_SEED + 500 + i);
        lt_tune_lane *l = &w->f.lane;
        double last_sum = INFINITY;
        double last_objective = 2.0;
        l->target_sii = 1.0; /* not reached: the objective itself is seen */
        for (double demand = 0.0; demand <= 24.0; demand += 4.0) {
            l->safe_margin_limit_db = demand;
            assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
            const double objective = fmin(w->r.after.sii_outbound, w->r.after.sii_inbound);
            const double sum = w->r.outbound_recommended_db + w->r.inbound_recommended_db;
            const bool met = w->r.unmet_count == 0;
            bad += !(sum <= last_sum + 1e-9);
            bad += met && !(objective <= last_objective + 0.002 + 1e-9);
            bad += met && w->r.after.safe_margin_db < demand - 1e-6;
            last_objective = met ? objective : last_objective;
            last_sum = sum;
        }
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void figures_at_any_setting(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    random_lane(&w->f, FIRST_SEED + 3);
    brute_paths p;
    brute_paths_fill(&w->f.lane, &p);
    int bad = 0;
    for (double db = -7.3; db < 9.0; db += 5.1) {
        lt_tune_figures got;
        assert_int_equal(lt_tune_figures_at(&w->f.lane, db, 1.5 - db, &got, NULL), LT_OK);
        const brute_figures want = brute_figures_at(&w->f.lane, &p, db, 1.5 - db);
        bad += compare_figures("figures", &w->f.lane, &got, &want);
    }
    lt_tune_figures none;
    assert_int_equal(lt_tune_figures_at(&w->f.lane, NAN, 0.0, &none, NULL), LT_E_ARG);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

SUITE(tune_search)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(brute_force_agrees_on_random_lanes),
        cmocka_unit_test(recommended_settings_do_not_howl),
        cmocka_unit_test(demands_act_in_their_direction),
        cmocka_unit_test(figures_at_any_setting),
    };
    return cmocka_run_group_tests_name("tune_search", tests, NULL, NULL);
}
