/* SPDX-License-Identifier: MIT
 * The echo the other way: two talkers on two lines, each line with the echo of the other one, made here. */
#include "bursts.h"
#include "fault.h"
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <math.h>

enum { RATE = BURSTS_RATE_HZ, SECONDS = 12 };

/* Noise in bursts while the talker has the word: turns of `turn_s`, the first one `first`. */
static lt_signal *talker(uint64_t seed, bool first, double turn_s)
{
    lt_signal *s = bursts(SECONDS, seed);
    for (size_t i = 0; i < s->count; i++)
        if (((int)((double)i / RATE / turn_s) % 2 == 0) != first)
            s->samples[i] = 0.0;
    return s;
}

/* Both lines: there[n] goes back after `there_at` frames, here[n] after `here_at`, again and again. */
static void couple(lt_signal *sent, lt_signal *returned, size_t there_at, double there, size_t here_at, double here)
{
    lt_rng r = {7};
    for (size_t i = 0; i < sent->count; i++) {
        sent->samples[i] += 0.0003 * lt_rng_gauss(&r);
        returned->samples[i] += 0.0003 * lt_rng_gauss(&r);
        if (i >= there_at)
            returned->samples[i] += there * sent->samples[i - there_at];
        if (i >= here_at)
            sent->samples[i] += here * returned->samples[i - here_at];
    }
}

static lt_echo_options one_clock(void)
{
    lt_echo_options o = lt_echo_default_options();
    o.one_clock = true;
    return o;
}

static void each_way_is_told_from_the_other(void **state)
{
    (void)state;
    lt_signal *sent = talker(1, true, 2.3), *returned = talker(2, false, 2.3);
    couple(sent, returned, 12, 0.126, 360, 0.063); /* 1.5 ms, 18 dB; 45 ms, 24 dB */
    const lt_echo_options o = one_clock();
    lt_echo *e = NULL, *back = NULL;
    int bad = 0;
    assert_int_equal(lt_echo_measure(sent, returned, &o, &e, NULL), LT_OK);
    bad += !near_abs("delay", e->delay_ms, 1.5, 0.05);
    bad += !near_abs("loss", e->echo_loss_db, -20.0 * log10(0.126), 0.5);
    assert_int_equal(lt_echo_measure_back(sent, returned, e, &o, &back, NULL), LT_OK);
    bad += !near_abs("delay back", back->delay_ms, 45.0, 0.05);
    bad += !near_abs("loss back", back->echo_loss_db, -20.0 * log10(0.063), 0.5);
    assert_int_equal(bad, 0);
    assert_int_equal(back->finding, LT_ECHO_PROCESSING);
    assert_int_equal(back->advice.count, 1);
    assert_true(lt_notes_has(&back->advice, "other-way"));
    lt_echo_free(e);
    lt_echo_free(back);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

static void no_echo_the_other_way_is_none(void **state)
{
    (void)state;
    lt_signal *sent = talker(3, true, 2.3), *returned = talker(4, false, 2.3);
    couple(sent, returned, 12, 0.126, 360, 0.0);
    const lt_echo_options o = one_clock();
    lt_echo *e = NULL, *back = NULL;
    assert_int_equal(lt_echo_measure(sent, returned, &o, &e, NULL), LT_OK);
    assert_int_equal(lt_echo_measure_back(sent, returned, e, &o, &back, NULL), LT_OK);
    assert_int_equal(back->finding, LT_ECHO_NONE);
    assert_true(isnan(back->delay_ms) && isnan(back->echo_loss_db));
    lt_echo_free(e);
    lt_echo_free(back);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

static void what_does_not_tell_the_other_way_is_refused(void **state)
{
    (void)state;
    lt_signal *sent = talker(5, true, 100.0), *returned = talker(6, false, 100.0); /* nobody at the other end */
    couple(sent, returned, 12, 0.126, 360, 0.0);
    lt_echo_options o = one_clock();
    lt_echo *e = NULL, *back = NULL, *blind = NULL;
    lt_error err = {0};
    assert_int_equal(lt_echo_measure(sent, returned, &o, &e, NULL), LT_OK);
    assert_int_equal(lt_echo_measure_back(sent, returned, e, &o, &back, &err), LT_E_SNR);
    assert_null(back);
    assert_true(err.what[0] != '\0');
    o.one_clock = false;
    assert_int_equal(lt_echo_measure_back(sent, returned, e, &o, &back, &err), LT_E_ARG);
    assert_int_equal(lt_echo_measure_back(sent, returned, e, NULL, &back, &err), LT_E_ARG);
    assert_int_equal(lt_echo_blind(sent, NULL, &blind, NULL), LT_OK);
    o.one_clock = true;
    assert_int_equal(lt_echo_measure_back(sent, returned, blind, &o, &back, &err), LT_E_ARG);
    assert_null(back);
    lt_echo_free(e);
    lt_echo_free(blind);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

typedef struct {
    lt_signal *sent, *returned;
    lt_echo *echo;
} case_of;

static lt_status other_way(void *context, lt_error *err)
{
    const case_of *c = context;
    const lt_echo_options o = one_clock();
    lt_echo *back = NULL;
    const lt_status st = lt_echo_measure_back(c->sent, c->returned, c->echo, &o, &back, err);
    assert_true((st == LT_OK) == (back != NULL));
    lt_echo_free(back);
    return st;
}

static void memory_may_run_out_anywhere(void **state)
{
    (void)state;
    case_of c = {.sent = talker(1, true, 0.4), .returned = talker(2, false, 0.4)};
    c.sent->count = c.returned->count = (size_t)3 * RATE;
    couple(c.sent, c.returned, 12, 0.126, 100, 0.063);
    const lt_echo_options o = one_clock();
    assert_int_equal(lt_echo_measure(c.sent, c.returned, &o, &c.echo, NULL), LT_OK);
    assert_survives_faults(other_way, &c);
    lt_echo_free(c.echo);
    lt_signal_free(c.sent);
    lt_signal_free(c.returned);
}

SUITE(loop_echo_back)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_way_is_told_from_the_other), cmocka_unit_test(no_echo_the_other_way_is_none),
        cmocka_unit_test(what_does_not_tell_the_other_way_is_refused), cmocka_unit_test(memory_may_run_out_anywhere)};
    return cmocka_run_group_tests_name("loop_echo_back", tests, NULL, NULL);
}
