/* SPDX-License-Identifier: MIT
 * Later arrivals of known delay and level, behind a loudspeaker; and none where there are none. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

SUITE(response_arrivals);

static lt_signal *make_sweep(void)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 3.0;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

static void reflections_are_found(void **state)
{
    (void)state;
    const struct {
        const char *label;
        size_t count;
        lane_path paths[4];
        bool resonant;
        double noise_db;
    } rows[] = {
        {"ground", 2, {{6.0, -6.0, false}, {7.31, -13.0, false}}, false, -50.0},
        {"ground and door", 3, {{5.2, -6.0, false}, {7.4, -12.0, false}, {12.9, -18.0, false}}, true, -50.0},
        {"strong", 2, {{4.0, -8.0, false}, {9.0, -5.0, false}}, false, -40.0},
        {"reversed", 3, {{4.0, -8.0, true}, {6.5, -14.0, false}, {8.0, -20.0, true}}, true, -50.0},
        {"weak and late", 2, {{4.0, -8.0, false}, {45.0, -33.0, false}}, false, -50.0},
        {"in noise", 3, {{4.0, -8.0, false}, {6.5, -15.0, false}, {19.0, -20.0, false}}, false, -15.0},
    };
    lt_signal *s = make_sweep();
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        const lane l = {.paths = rows[i].paths,
                        .path_count = rows[i].count,
                        .speaker = true,
                        .resonant = rows[i].resonant,
                        .early_s = 0.2,
                        .extra_s = 0.3,
                        .noise = true,
                        .noise_db = rows[i].noise_db,
                        .seed = 70 + i};
        lt_response *r = lane_measure(rows[i].label, &l, s);
        bad += !near_abs(rows[i].label, (double)r->arrival_count, (double)rows[i].count - 1.0, 0.0);
        for (size_t k = 1; k < rows[i].count && k <= r->arrival_count; k++) {
            const lane_path *direct = &rows[i].paths[0];
            const lane_path *path = &rows[i].paths[k];
            bad += !near_abs(rows[i].label, r->arrivals[k - 1].delay_ms, path->delay_ms - direct->delay_ms, 0.1);
            bad += !near_abs(rows[i].label, r->arrivals[k - 1].level_db, path->level_db - direct->level_db, 1.5);
        }
        lt_response_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* A lone direct sound behind a loudspeaker that rings: nothing else arrives. */
static void ringing_is_no_arrival(void **state)
{
    (void)state;
    const lane_path one = {6.4, -6.0, false};
    lt_signal *s = make_sweep();
    int bad = 0;
    for (int i = 0; i < 3; i++) {
        const lane l = {.paths = &one,
                        .path_count = 1,
                        .speaker = true,
                        .resonant = i > 0,
                        .extra_s = 0.3,
                        .noise = true,
                        .noise_db = i == 2 ? -5.0 : -50.0,
                        .seed = 80};
        lt_response *r = lane_measure("ringing", &l, s);
        bad += !near_abs("arrivals", (double)r->arrival_count, 0.0, 0.0);
        lt_response_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_arrivals_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reflections_are_found),
        cmocka_unit_test(ringing_is_no_arrival),
    };
    return cmocka_run_group_tests_name("response_arrivals", tests, NULL, NULL);
}
