/* SPDX-License-Identifier: MIT
 * Echo paths between two recorders that run and start apart, and what is no pair of lines at all. The returned signal
 * is made here by a windowed sinc at the times of the other clock. */
#include "bursts.h"
#include "fault.h"
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <math.h>

enum { RATE = BURSTS_RATE_HZ };

/* x between its samples. */
static double between(const lt_signal *x, double at)
{
    enum { HALF = 16 };
    const ptrdiff_t base = (ptrdiff_t)floor(at);
    double y = 0.0;
    for (ptrdiff_t i = base - HALF + 1; i <= base + HALF; i++) {
        const double t = LT_PI * (at - (double)i);
        if (i >= 0 && (size_t)i < x->count)
            y += x->samples[i] * (fabs(t) < 1e-9 ? 1.0 : sin(t) / t * (0.5 + 0.5 * cos(t / (HALF + 1))));
    }
    return y;
}

/* A direct sound after 2 ms at -20 dB and a copy after 14 ms at -26 dB, noise, a loud talker at the other end during a
 * fifth of the time; recorded by a clock that runs `ppm` fast and was started `late` frames later. */
static lt_signal *other_clock(const lt_signal *sent, double ppm, ptrdiff_t late)
{
    lt_signal *s = NULL;
    lt_rng r = {99};
    assert_int_equal(lt_signal_create((size_t)((ptrdiff_t)sent->count - late), RATE, &s, NULL), LT_OK);
    lt_signal *talk = bursts(s->count / RATE, 77); /* as long as what is made: early recorders run on after `sent` */
    for (size_t i = 0; i < s->count; i++) {
        const double at = ((double)i + (double)late) / (1.0 + ppm * 1e-6);
        s->samples[i] = 0.1 * between(sent, at - 16.0) + 0.05 * between(sent, at - 112.0) + 0.001 * lt_rng_gauss(&r);
        if (i % (5 * RATE) < RATE)
            s->samples[i] += 0.2 * talk->samples[i];
    }
    lt_signal_free(talk);
    return s;
}

static lt_echo *measure(const lt_signal *sent, const lt_signal *returned, bool one_clock)
{
    lt_echo_options o = lt_echo_default_options();
    o.one_clock = one_clock;
    lt_echo *e = NULL;
    lt_error err = {0};
    if (lt_echo_measure(sent, returned, &o, &e, &err) != LT_OK)
        fail_msg("%s", err.what);
    return e;
}

/* Echo loss of the two taps, in closed form but for the grid: G.122 over lg f. */
static double loss_of_taps(void)
{
    enum { STEPS = 20000 };
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++) {
        const double hz = 300.0 * pow(3400.0 / 300.0, (i + 0.5) / STEPS);
        const double w = 2.0 * LT_PI * hz * 96.0 / RATE;
        sum += (0.1 + 0.05 * cos(w)) * (0.1 + 0.05 * cos(w)) + 0.05 * 0.05 * sin(w) * sin(w);
    }
    return -10.0 * log10(sum / STEPS);
}

static void a_drifting_clock_is_found_to_a_millionth(void **state)
{
    (void)state;
    static const double ppm[] = {70.0, -12.0, 4.0};
    int bad = 0;
    for (size_t i = 0; i < COUNT(ppm); i++) {
        lt_signal *sent = bursts(12, 5 + i);
        lt_signal *returned = other_clock(sent, ppm[i], 0);
        lt_echo *e = measure(sent, returned, false);
        bad += !near_abs("drift", e->drift_ppm, ppm[i], 1.0);
        bad += !near_abs("delay", e->delay_ms, 2.0, 0.05);
        bad += !near_abs("loss", e->echo_loss_db, loss_of_taps(), 0.2);
        lt_echo_free(e);
        lt_signal_free(sent);
        lt_signal_free(returned);
    }
    assert_int_equal(bad, 0);
}

static void recorders_may_start_far_apart(void **state)
{
    (void)state;
    static const ptrdiff_t late[] = {6 * RATE, -6 * RATE};
    int bad = 0;
    for (size_t i = 0; i < COUNT(late); i++) {
        lt_signal *sent = bursts(16, 21);
        /* The same sentence said twice looks like an echo at a wrong lag. */
        for (size_t k = 0; k < 2 * RATE; k++)
            sent->samples[9 * RATE + k] = sent->samples[3 * RATE + 800 + k];
        lt_signal *returned = other_clock(sent, 40.0, late[i]);
        lt_echo *e = measure(sent, returned, false);
        /* The lag of what was sent first, in the time of the sent recording's clock. */
        bad += !near_abs("delay", e->delay_ms, 2.0 - 1e3 * (double)late[i] / RATE / (1.0 + 40e-6), 0.1);
        bad += !near_abs("loss", e->echo_loss_db, loss_of_taps(), 0.2);
        bad += !near_abs("drift", e->drift_ppm, 40.0, 1.0);
        assert_true(lt_notes_has(&e->notes, "recorder-offset"));
        lt_echo_free(e);
        lt_signal_free(sent);
        lt_signal_free(returned);
    }
    assert_int_equal(bad, 0);
}

static void lines_that_are_mixed_up_are_not_judged(void **state)
{
    (void)state;
    lt_signal *sent = bursts(8, 3);
    lt_signal *returned = other_clock(sent, 0.0, 0);
    lt_echo *e = measure(returned, sent, true);
    assert_int_equal(e->finding, LT_ECHO_UNCLEAR);
    assert_true(lt_notes_has(&e->notes, "swapped"));
    assert_true(lt_notes_has(&e->advice, "swap"));
    lt_echo_free(e);
    e = measure(sent, sent, true);
    assert_int_equal(e->finding, LT_ECHO_CROSSTALK);
    assert_true(near_abs("delay", e->delay_ms, 0.0, 0.01));
    assert_true(near_abs("loss", e->echo_loss_db, 0.0, 0.05));
    assert_true(lt_notes_has(&e->notes, "same-signal"));
    lt_echo_free(e);
    for (size_t i = 0; i < returned->count; i++)
        returned->samples[i] = 0.1; /* a line without sound, but with an offset */
    lt_echo_options o = lt_echo_default_options();
    lt_error err = {0};
    e = NULL;
    assert_int_equal(lt_echo_measure(sent, returned, &o, &e, &err), LT_E_SNR);
    assert_null(e);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

/* Two recorders, the second one started later and recording hotter: nothing is mixed up, and the delay says nothing. */
static void a_hot_recorder_that_started_late_is_not_swapped(void **state)
{
    (void)state;
    lt_signal *sent = bursts(16, 4);
    lt_signal *returned = other_clock(sent, 0.0, 2 * RATE);
    for (size_t i = 0; i < returned->count; i++)
        returned->samples[i] *= 20.0;
    lt_echo *e = measure(sent, returned, false);
    assert_true(near_abs("loss", e->echo_loss_db, loss_of_taps() - 26.02, 0.2));
    assert_true(lt_notes_has(&e->notes, "recorder-offset"));
    assert_false(lt_notes_has(&e->advice, "swap"));
    assert_true(isnan(e->talker.r_with)); /* no rating of a delay that is not known */
    lt_echo_free(e);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

/* The return is looked through in parts of ten minutes; this one begins behind the first. */
static void a_recorder_that_started_eleven_minutes_early_is_found(void **state)
{
    (void)state;
    enum { EARLY = 660 * RATE };
    lt_signal *sent = bursts(12, 8), *returned = NULL;
    lt_signal *echo = other_clock(sent, 0.0, 0);
    lt_rng r = {5};
    assert_int_equal(lt_signal_create(EARLY + echo->count, RATE, &returned, NULL), LT_OK);
    for (size_t i = 0; i < returned->count; i++)
        returned->samples[i] = i < EARLY ? 0.001 * lt_rng_gauss(&r) : echo->samples[i - EARLY];
    lt_echo *e = measure(sent, returned, false);
    assert_true(near_abs("delay", e->delay_ms, 660000.0 + 2.0, 0.1));
    assert_true(near_abs("loss", e->echo_loss_db, loss_of_taps(), 0.2));
    lt_echo_free(e);
    lt_signal_free(sent);
    lt_signal_free(echo);
    lt_signal_free(returned);
}

static lt_status two_clocks(void *context, lt_error *err)
{
    const lt_signal *const *pair = context;
    lt_echo *e = NULL;
    const lt_status st = lt_echo_measure(pair[0], pair[1], NULL, &e, err);
    lt_echo_free(e);
    return st;
}

static void memory_may_run_out_anywhere(void **state)
{
    (void)state;
    lt_signal *sent = bursts(2, 4);
    lt_signal *returned = other_clock(sent, 0.0, 0);
    sent->rate_hz = returned->rate_hz = RATE / 2.0; /* 4 s */
    lt_signal *pair[] = {sent, returned};
    assert_survives_faults(two_clocks, pair);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

SUITE(loop_echo_clocks)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_drifting_clock_is_found_to_a_millionth),
                                       cmocka_unit_test(recorders_may_start_far_apart),
                                       cmocka_unit_test(lines_that_are_mixed_up_are_not_judged),
                                       cmocka_unit_test(a_hot_recorder_that_started_late_is_not_swapped),
                                       cmocka_unit_test(a_recorder_that_started_eleven_minutes_early_is_found),
                                       cmocka_unit_test(memory_may_run_out_anywhere)};
    return cmocka_run_group_tests_name("loop_echo_clocks", tests, NULL, NULL);
}
