/* SPDX-License-Identifier: MIT
 * Two visits of a lane made by hand: which finding follows from which change, and that nothing follows from none. Whole
 * visits with recordings: tests/e2e/test_compare.py. */
#include "lane_fixture.h"
#include "near.h"
#include "suite.h"

#include "base/alloc.h"

#include <string.h>

typedef struct {
    fixture before, after;
    lt_compare_lane out;
} pair;

static pair *pair_create(void)
{
    pair *p = ltp_alloc(1, sizeof *p);
    assert_non_null(p);
    fixture_make(&p->before);
    fixture_make(&p->after);
    return p;
}

static lt_status compare(pair *p)
{
    const lt_compare_side b = {.lane = &p->before.lane, .date = "2024-05-14"};
    const lt_compare_side a = {.lane = &p->after.lane, .date = "2025-04-02", .weather = "Rain all night"};
    return lt_compare(&b, &a, NULL, &p->out, NULL);
}

static void shift(fixture_path *f, double db)
{
    for (size_t i = 0; i < f->response.band_count; i++)
        f->response.bands[i].level_db += db;
}

static bool has(const pair *p, lt_finding_code code)
{
    for (size_t i = 0; i < p->out.finding_count; i++)
        if (p->out.findings[i].code == code)
            return true;
    return false;
}

static void nothing_changed(void **state)
{
    (void)state;
    pair *p = pair_create();
    assert_int_equal(compare(p), LT_OK);
    assert_int_equal(p->out.finding_count, 1);
    assert_int_equal(p->out.findings[0].code, LT_FINDING_NOTHING);
    assert_false(p->out.worse);
    ltp_free(p);
}

/* What changes alike in outbound and lane coupling lies in what they share. */
static void a_shared_loss_is_told_once(void **state)
{
    (void)state;
    pair *p = pair_create();
    shift(&p->after.conditions[0].outbound, -6.0);
    shift(&p->after.conditions[0].lane_coupling, -6.0);
    assert_int_equal(compare(p), LT_OK);
    assert_int_equal(p->out.findings[0].code, LT_FINDING_OUTBOUND_LEVEL);
    assert_true(near_abs("change", p->out.findings[0].change, -6.0, 1e-6));
    assert_true(p->out.findings[0].probability >= 0.85 && p->out.worse);
    assert_false(has(p, LT_FINDING_LANE_COUPLING));
    assert_false(has(p, LT_FINDING_MICROPHONE_LEVEL));
    ltp_free(p);
}

static void a_rise_of_the_coupling_alone_is_the_gasket(void **state)
{
    (void)state;
    pair *p = pair_create();
    shift(&p->after.conditions[0].lane_coupling, 5.0);
    assert_int_equal(compare(p), LT_OK);
    assert_int_equal(p->out.findings[0].code, LT_FINDING_LANE_COUPLING);
    assert_int_equal(p->out.findings[0].kind, LT_FINDING_WORSE);
    assert_non_null(strstr(p->out.findings[0].cause, "gasket"));
    ltp_free(p);
}

static void settings_and_calibrations_are_taken_out(void **state)
{
    (void)state;
    pair *p = pair_create();
    shift(&p->after.conditions[0].outbound, 4.0 - 6.0);
    shift(&p->after.conditions[0].lane_coupling, 4.0);
    shift(&p->after.conditions[0].inbound, -6.0);
    p->after.lane.outbound.recorded_db += 4.0;
    p->after.lane.mic_cal_db += 6.0;
    assert_int_equal(compare(p), LT_OK);
    for (size_t i = 0; i < p->out.finding_count; i++)
        assert_int_equal(p->out.findings[i].kind, LT_FINDING_NOTE);
    assert_true(has(p, LT_FINDING_SETTINGS) && has(p, LT_FINDING_CALIBRATION));
    ltp_free(p);
}

static void polarity_and_hum(void **state)
{
    (void)state;
    pair *p = pair_create();
    p->after.conditions[0].outbound.response.polarity = -1;
    p->after.conditions[0].lane_coupling.response.polarity = -1;
    p->after.conditions[0].noise_mic.hum = true;
    p->after.conditions[0].noise_mic.mains_hz = 60.0;
    p->after.conditions[0].noise_mic.hum_level_db = -45.0;
    assert_int_equal(compare(p), LT_OK);
    assert_true(has(p, LT_FINDING_POLARITY) && has(p, LT_FINDING_HUM));
    for (size_t i = 0; i < p->out.finding_count; i++)
        if (p->out.findings[i].code == LT_FINDING_HUM)
            assert_non_null(strstr(p->out.findings[i].cause, "wet weather"));
    ltp_free(p);
}

static void what_cannot_be_compared_is_refused(void **state)
{
    (void)state;
    pair *p = pair_create();
    lt_error err = {0};
    const lt_compare_side s = {.lane = &p->before.lane};
    const lt_compare_options opt = {.worse_db = 0.0, .worse_sii = 0.05};
    assert_int_equal(lt_compare(&s, &s, &opt, &p->out, &err), LT_E_ARG);
    memset(p->after.lane.recordings, 0, sizeof p->after.lane.recordings);
    assert_int_equal(compare(p), LT_E_ARG);
    ltp_free(p);
}

/* ---- isolation test ---- */

static void a_jump_between_two_points_names_the_part(void **state)
{
    (void)state;
    pair *p = pair_create();
    lt_isolation *r = ltp_alloc(1, sizeof *r);
    assert_non_null(r);
    const lt_response *a = &p->before.conditions[0].outbound.response, *b = &p->after.conditions[0].outbound.response;
    shift(&p->after.conditions[0].outbound, -8.0);
    lt_isolate_point points[5] = {
        {.name = "a", .response = a}, {.name = "b"}, {.name = "c"}, {.name = "d"}, {.name = "e", .response = b}};
    assert_int_equal(lt_isolate(points, 5, 0, 0, r, NULL), LT_OK);
    assert_int_equal(r->fault_count, 1);
    assert_int_equal(r->faults[0].kind, LT_ISOLATE_LOSS);
    assert_true(near_abs("loss", r->faults[0].change, 8.0, 1e-6));
    assert_true(r->next_known && r->next_point == 2);
    points[2].response = b;
    assert_int_equal(lt_isolate(points, 5, 0, 0, r, NULL), LT_OK);
    assert_true(r->next_known && r->next_point == 1 && r->faults[0].to == 2);
    points[1].response = a;
    assert_int_equal(lt_isolate(points, 5, 0, 0, r, NULL), LT_OK);
    assert_true(!r->next_known && r->faults[0].from == 1 && r->faults[0].to == 2);
    assert_int_equal(lt_isolate(points, 1, 0, 0, r, NULL), LT_E_ARG);
    assert_int_equal(lt_isolate(points, 5, 3, 2, r, NULL), LT_E_ARG);
    ltp_free(r);
    ltp_free(p);
}

SUITE(tune_compare)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(nothing_changed),
        cmocka_unit_test(a_shared_loss_is_told_once),
        cmocka_unit_test(a_rise_of_the_coupling_alone_is_the_gasket),
        cmocka_unit_test(settings_and_calibrations_are_taken_out),
        cmocka_unit_test(polarity_and_hum),
        cmocka_unit_test(what_cannot_be_compared_is_refused),
        cmocka_unit_test(a_jump_between_two_points_names_the_part),
    };
    return cmocka_run_group_tests_name("tune_compare", tests, NULL, NULL);
}
