/* SPDX-License-Identifier: MIT
 * Pass-bys, busy hour and noise criterion on levels whose answers follow from their making. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/level.h>

#include <stdlib.h>

/* Rows of a level over time, as the meter would give them for it. */
static lt_traffic_result *follow(double (*level_db)(double t), double seconds, double rise_db)
{
    lt_traffic *t = NULL;
    lt_traffic_result *out = calloc(1, sizeof *out);
    assert_non_null(out);
    assert_int_equal(lt_traffic_create(rise_db, &t, &(lt_error){0}), LT_OK);
    for (size_t i = 0; (double)i * LT_TRAFFIC_STEP_S < seconds; i++) {
        const double start = (double)i * LT_TRAFFIC_STEP_S;
        const double db = level_db(start + 0.5 * LT_TRAFFIC_STEP_S);
        const lt_level_row row = {.start_s = start, .seconds = LT_TRAFFIC_STEP_S, .laeq_db = db, .lafmax_db = db};
        lt_traffic_push(t, &row, out);
    }
    lt_traffic_finish(t, out);
    lt_traffic_free(t);
    return out;
}

/* A point source that passes at speed v and distance d: power p / (1 + (t / tau)^2), tau = d / v. */
static double passing(double t, double at, double tau, double peak_db)
{
    return lt_power_from_db(peak_db) / (1.0 + (t - at) * (t - at) / (tau * tau));
}

static double three_cars(double t)
{
    return lt_db_from_power(lt_power_from_db(45.0) + passing(t, 60.0, 1.5, 75.0) + passing(t, 100.0, 2.0, 70.0) +
                            passing(t, 112.0, 1.0, 72.0));
}

/* Closed forms: within 10 dB for 6 tau, exposure there 10 lg(2 tau atan 3) over the peak. */
static void a_car_that_passes_is_measured(void **state)
{
    (void)state;
    static const struct {
        double at, tau, peak_db;
    } cars[] = {{60.0, 1.5, 75.0}, {100.0, 2.0, 70.0}, {112.0, 1.0, 72.0}};
    lt_traffic_result *r = follow(three_cars, 400.0, 10.0);
    int bad = 0;
    assert_int_equal(r->passby_count, 3);
    assert_int_equal(r->passby_total, 3);
    assert_false(r->busy_hour);
    for (size_t i = 0; i < 3; i++) {
        const lt_passby *p = &r->passbys[i];
        const double tau = cars[i].tau;
        bad += !near_abs("peak", p->peak_dba, cars[i].peak_db, 0.4);
        bad += !near_abs("when", p->peak_s, cars[i].at, 0.1);
        bad += !near_abs("exposure", p->exposure_db - cars[i].peak_db, lt_db_from_power(2.0 * tau * atan(3.0)),
                         i == 0 ? 0.1 : 0.6);
        bad += !near_abs("length", p->duration_s, 6.0 * tau, i == 0 ? 0.3 : 1.5); /* the other two overlap */
        bad += !near_abs("background", p->background_dba, 45.7, 0.8);
        bad += !in_range("start", p->peak_s - p->start_s, 0.0, p->duration_s);
    }
    free(r);
    assert_int_equal(bad, 0);
}

static double steady(double t)
{
    return 60.0 + 2.0 * sin(37.0 * t) * sin(11.3 * t);
}

static double slow_rise(double t)
{
    return 50.0 + 20.0 * t / 3600.0; /* the background goes along */
}

static double jam(double t)
{
    return t > 1000.0 && t < 3000.0 ? 75.0 : 50.0; /* an engine that runs for half an hour passes nobody */
}

static void what_does_not_pass_is_no_event(void **state)
{
    (void)state;
    double (*const levels[])(double) = {steady, slow_rise};
    for (size_t i = 0; i < COUNT(levels); i++) {
        lt_traffic_result *r = follow(levels[i], 3600.5, 10.0);
        assert_int_equal(r->passby_total, 0);
        free(r);
    }
    lt_traffic_result *r = follow(jam, 4000.0, 10.0);
    assert_in_range(r->passby_total, 0, 2); /* its beginning, until the background knows */
    for (size_t i = 0; i < r->passby_count; i++)
        assert_true(in_range("length", r->passbys[i].duration_s, 0.0, 310.0));
    free(r);
}

static double rush(double t)
{
    return t >= 7260.0 && t < 10860.0 ? 70.0 : 60.0;
}

static double every_ten_seconds(double t)
{
    return lt_db_from_power(lt_power_from_db(40.0) +
                            passing(fmod(t, 10.0), 5.0, 0.3, 65.0 + fmod(floor(t / 10.0), 20.0)));
}

static void the_busy_hour_is_found(void **state)
{
    (void)state;
    lt_traffic_result *r = follow(rush, 6.0 * 3600.0, 10.0);
    assert_true(r->busy_hour);
    assert_true(near_abs("start", r->busy_hour_start_s, 7260.0, 0.0));
    assert_true(near_abs("level", r->busy_hour_laeq_db, 70.0, 0.01));
    free(r);
    r = follow(every_ten_seconds, 15000.0, 10.0);
    assert_int_equal(r->passby_total, 1500);
    assert_int_equal(r->passby_count, LT_PASSBYS_MAX); /* the loudest, still by start */
    for (size_t i = 1; i < r->passby_count; i++)
        assert_true(r->passbys[i].start_s > r->passbys[i - 1].start_s && r->passbys[i].peak_dba > 70.0);
    free(r);
}

static void traffic_refuses_nonsense(void **state)
{
    (void)state;
    lt_traffic *t = NULL;
    assert_int_equal(lt_traffic_create(3.0, &t, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_traffic_create((double)NAN, &t, &(lt_error){0}), LT_E_ARG);
    assert_null(t);
    lt_traffic_free(NULL);
}

static lt_status make_traffic(void *context, lt_error *err)
{
    (void)context;
    lt_traffic *t = NULL;
    const lt_status status = lt_traffic_create(10.0, &t, err);
    lt_traffic_free(t);
    return status;
}

static void traffic_survives_failed_allocations(void **state)
{
    (void)state;
    assert_survives_faults(make_traffic, NULL);
}

/* ---- noise criterion ---- */

static void a_curve_rates_as_itself(void **state)
{
    (void)state;
    int bad = 0;
    for (int curve = 15; curve <= 70; curve += 5) {
        double octave_db[LT_NC_BANDS];
        lt_nc nc;
        for (size_t i = 0; i < LT_NC_BANDS; i++)
            octave_db[i] = lt_nc_curve_db(curve, i);
        assert_true(lt_nc_rate(octave_db, &nc));
        bad += !near_abs("itself", nc.rating, curve, 1e-9);
        assert_false(nc.below || nc.above);
        octave_db[3] -= 10.0; /* tangent with the others still */
        assert_true(lt_nc_rate(octave_db, &nc));
        bad += !near_abs("still", nc.rating, curve, 1e-9);
    }
    /* 250 Hz halfway between NC-40 and NC-45 decides. */
    double octave_db[LT_NC_BANDS];
    lt_nc nc;
    for (size_t i = 0; i < LT_NC_BANDS; i++)
        octave_db[i] = lt_nc_curve_db(30, i);
    octave_db[3] = 0.5 * (lt_nc_curve_db(40, 3) + lt_nc_curve_db(45, 3));
    assert_true(lt_nc_rate(octave_db, &nc));
    bad += !near_abs("between", nc.rating, 42.5, 1e-9);
    bad += !near_abs("decides", nc.governing_hz, 250.0, 0.0);
    bad += !near_abs("SIL", nc.sil_db, (35.0 + 32.0 + 29.0 + 28.0) / 4.0, 1e-9);
    for (size_t i = 0; i < LT_NC_BANDS; i++)
        octave_db[i] = -(double)INFINITY;
    assert_true(lt_nc_rate(octave_db, &nc) && nc.below);
    octave_db[5] = 90.0;
    assert_true(lt_nc_rate(octave_db, &nc) && nc.above);
    octave_db[0] = (double)NAN;
    assert_false(lt_nc_rate(octave_db, &nc));
    assert_true(isnan(lt_nc_curve_db(17, 0)) && isnan(lt_nc_curve_db(75, 0)) && isnan(lt_nc_curve_db(15, 9)));
    assert_int_equal(bad, 0);
}

SUITE(level_traffic)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_car_that_passes_is_measured),
        cmocka_unit_test(what_does_not_pass_is_no_event),
        cmocka_unit_test(the_busy_hour_is_found),
        cmocka_unit_test(traffic_refuses_nonsense),
        cmocka_unit_test(traffic_survives_failed_allocations),
        cmocka_unit_test(a_curve_rates_as_itself),
    };
    return cmocka_run_group_tests_name("level_traffic", tests, NULL, NULL);
}
