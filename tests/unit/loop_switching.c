/* SPDX-License-Identifier: MIT
 * Voice switches made of bursts of noise: every time is known by construction. Real speech: tests/reference. */
#include "fault.h"
#include "near.h"
#include "suite.h"

#include "base/alloc.h"

#include <lanetune/loop.h>

#include <string.h>

#define RATE_HZ 8000.0
enum { SECONDS = 12 };

typedef struct {
    double attack_s, hold_s, release_s, attenuation_db;
    bool opposite, truck;
} plan;

static double gain_at(const plan *p, double since_off, bool on, double *state_db)
{
    const bool talks = on || since_off < p->hold_s;
    const double up = p->attenuation_db / (p->attack_s * RATE_HZ), down = p->attenuation_db / (p->release_s * RATE_HZ);
    *state_db += talks ? up : -down; /* 0 = talks, -attenuation = does not */
    *state_db = fmin(0.0, fmax(-p->attenuation_db, *state_db));
    return lt_amplitude_from_db(p->opposite ? -p->attenuation_db - *state_db : *state_db);
}

/* Bursts of 0.5 s every 1.2 s over a quiet noise. */
static void make(const plan *p, lt_signal **sent, lt_signal **returned)
{
    const size_t count = (size_t)(SECONDS * RATE_HZ);
    lt_rng rng = {3};
    double state_db = -p->attenuation_db, since_off = 1e9;
    assert_int_equal(lt_signal_create(count, RATE_HZ, sent, NULL), LT_OK);
    assert_int_equal(lt_signal_create(count, RATE_HZ, returned, NULL), LT_OK);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE_HZ;
        const bool truck = p->truck && t > 5.7 && t < 9.2;
        const bool on = (fmod(t, 1.2) > 0.6 && fmod(t, 1.2) < 1.1 && !(p->truck && t > 5.4 && t < 9.4)) || truck;
        since_off = on ? 0.0 : since_off + 1.0 / RATE_HZ;
        const double g = gain_at(p, since_off, on, &state_db);
        const double x = (on ? 0.1 : 0.001) * lt_rng_gauss(&rng);
        (*sent)->samples[i] = x;
        (*returned)->samples[i] = g * (p->opposite ? 0.01 * lt_rng_gauss(&rng) : x) + 1e-7 * lt_rng_gauss(&rng);
    }
}

static lt_switching *measure(const plan *p)
{
    lt_signal *sent, *returned;
    lt_switching *s = ltp_alloc(1, sizeof *s);
    assert_non_null(s);
    make(p, &sent, &returned);
    assert_int_equal(lt_switching_measure(sent, returned, LT_SWITCHING_AUTO, s, NULL), LT_OK);
    lt_signal_free(sent);
    lt_signal_free(returned);
    return s;
}

static void times_and_attenuation_come_back(void **state)
{
    (void)state;
    static const plan plans[] = {{0.008, 0.12, 0.09, 15.0, false, false}, {0.02, 0.2, 0.06, 20.0, true, false}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(plans); i++) {
        lt_switching *s = measure(&plans[i]);
        bad += !s->switched + (s->direction != (plans[i].opposite ? LT_SWITCHING_OPPOSITE : LT_SWITCHING_SAME));
        bad += !near_abs("attack", s->attack_ms, 1000.0 * plans[i].attack_s, 5.0);
        bad += !near_abs("hold", s->hold_ms, 1000.0 * plans[i].hold_s, 5.0);
        bad += !near_abs("release", s->release_ms, 1000.0 * plans[i].release_s, 5.0);
        bad += !near_abs("attenuation", s->attenuation_db, plans[i].attenuation_db, 0.5);
        bad += s->talk_off_count != 0;
        bad += s->attack_shape != LT_RAMP_DB || s->release_shape != LT_RAMP_DB;
        if (!plans[i].opposite)
            bad += !near_abs("cut", s->clipped_mean_ms, 1000.0 * plans[i].attack_s * 0.8, 4.0);
        ltp_free(s);
    }
    assert_int_equal(bad, 0);
}

static void steady_noise_that_holds_the_switch_is_told(void **state)
{
    (void)state;
    lt_switching *s = measure(&(plan){0.008, 0.12, 0.09, 15.0, false, true});
    int bad = s->talk_off_count != 1;
    bad += !near_abs("from", s->talk_offs[0].at_s, 5.7, 0.3);
    bad += !near_abs("for", s->talk_offs[0].seconds, 3.5, 0.5);
    bad += !near_abs("level", s->talk_offs[0].level_dbfs, -20.0 + 3.01, 1.0);
    ltp_free(s);
    assert_int_equal(bad, 0);
}

static void one_gain_is_no_switch(void **state)
{
    (void)state;
    lt_switching *s = measure(&(plan){0.008, 0.12, 0.09, 0.0, false, false});
    assert_false(s->switched);
    assert_true(lt_notes_has(&s->notes, "no-switching"));
    ltp_free(s);
}

static void bad_recordings_are_refused(void **state)
{
    (void)state;
    lt_signal *sent, *returned, *brief;
    lt_switching *s = ltp_alloc(1, sizeof *s);
    lt_error err = {0};
    assert_non_null(s);
    make(&(plan){0.008, 0.12, 0.09, 15.0, false, false}, &sent, &returned);
    assert_int_equal(lt_signal_copy(sent, 0, 8000, &brief, NULL), LT_OK);
    assert_int_equal(lt_switching_measure(sent, brief, LT_SWITCHING_AUTO, s, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "returned"));
    memset(returned->samples, 0, returned->count * sizeof(double));
    err = (lt_error){0};
    assert_int_equal(lt_switching_measure(sent, returned, LT_SWITCHING_AUTO, s, &err), LT_E_SNR);
    err = (lt_error){0};
    sent->rate_hz = 4000.0;
    assert_int_equal(lt_switching_measure(sent, returned, LT_SWITCHING_AUTO, s, &err), LT_E_ARG);
    lt_signal_free(sent);
    lt_signal_free(returned);
    lt_signal_free(brief);
    ltp_free(s);
}

typedef struct {
    lt_signal *sent, *returned;
    lt_switching *s;
} pair;

static lt_status again(void *context, lt_error *err)
{
    pair *p = context;
    return lt_switching_measure(p->sent, p->returned, LT_SWITCHING_AUTO, p->s, err);
}

static void memory_may_run_out(void **state)
{
    (void)state;
    pair p = {.s = ltp_alloc(1, sizeof(lt_switching))};
    assert_non_null(p.s);
    make(&(plan){0.008, 0.12, 0.09, 15.0, false, false}, &p.sent, &p.returned);
    p.sent->count = p.returned->count = (size_t)(3.2 * RATE_HZ);
    assert_survives_faults(again, &p);
    lt_signal_free(p.sent);
    lt_signal_free(p.returned);
    ltp_free(p.s);
}

SUITE(loop_switching)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(times_and_attenuation_come_back),
        cmocka_unit_test(steady_noise_that_holds_the_switch_is_told),
        cmocka_unit_test(one_gain_is_no_switch),
        cmocka_unit_test(bad_recordings_are_refused),
        cmocka_unit_test(memory_may_run_out),
    };
    return cmocka_run_group_tests_name("loop_switching", tests, NULL, NULL);
}
