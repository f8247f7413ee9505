/* SPDX-License-Identifier: MIT
 * The echo path between two signals made here: noise in bursts, sent through a few taps. */
#include "bursts.h"
#include "fault.h"
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <math.h>
#include <string.h>

enum { RATE = BURSTS_RATE_HZ, SECONDS = 6, COUNT_FRAMES = RATE * SECONDS };

typedef struct {
    size_t at;
    double gain;
} tap;

/* Noise of the same colour everywhere, and the taps of what was sent. */
static lt_signal *back(const lt_signal *sent, const tap *taps, size_t count, double noise)
{
    lt_signal *s = NULL;
    lt_rng r = {99};
    assert_int_equal(lt_signal_create(sent->count, sent->rate_hz, &s, NULL), LT_OK);
    for (size_t i = 0; i < s->count; i++) {
        s->samples[i] = noise * lt_rng_gauss(&r);
        for (size_t k = 0; k < count; k++)
            s->samples[i] += i >= taps[k].at ? taps[k].gain * sent->samples[i - taps[k].at] : 0.0;
    }
    return s;
}

static lt_echo *measure(const tap *taps, size_t count, double noise)
{
    lt_signal *sent = bursts(SECONDS, 1);
    lt_signal *returned = back(sent, taps, count, noise);
    lt_echo_options o = lt_echo_default_options();
    o.one_clock = true;
    lt_echo *e = NULL;
    lt_error err = {0};
    if (lt_echo_measure(sent, returned, &o, &e, &err) != LT_OK)
        fail_msg("%s", err.what);
    lt_signal_free(sent);
    lt_signal_free(returned);
    return e;
}

static void a_single_tap_is_found_where_it_is(void **state)
{
    (void)state;
    const tap late[] = {{800, 0.1}};
    lt_echo *e = measure(late, 1, 0.0005);
    int bad = 0;
    bad += !near_abs("delay", e->delay_ms, 100.0, 0.02);
    bad += !near_abs("loss", e->echo_loss_db, 20.0, 0.2);
    bad += !near_abs("TELR", e->talker.telr_db, 30.0, 0.2);
    bad += !near_abs("one way", e->talker.one_way_ms, 50.0, 0.02);
    bad += !(e->tail_ms < 5.0);
    assert_int_equal(bad, 0);
    assert_int_equal(e->finding, LT_ECHO_PROCESSING);
    assert_int_equal(e->arrival_count, 1);
    assert_int_equal(e->polarity, 1);
    assert_true(e->advice.count > 0 && e->evidence.count > 0);
    lt_echo_free(e);
}

static void a_wire_is_crosstalk(void **state)
{
    (void)state;
    const tap wire[] = {{0, -0.05}};
    lt_echo *e = measure(wire, 1, 0.0005);
    assert_int_equal(e->finding, LT_ECHO_CROSSTALK);
    assert_true(near_abs("loss", e->echo_loss_db, 26.02, 0.2));
    assert_int_equal(e->polarity, -1);
    lt_echo_free(e);
}

static void a_strong_copy_is_a_reflection_with_its_path(void **state)
{
    (void)state;
    const tap taps[] = {{8, 0.1}, {8 + 112, 0.08}}; /* 14 ms: 4.8 m */
    lt_echo *e = measure(taps, 2, 0.0005);
    int bad = 0;
    assert_int_equal(e->finding, LT_ECHO_REFLECTION);
    assert_int_equal(e->arrival_count, 2);
    bad += !near_abs("delay", e->arrivals[1].delay_ms, 15.0, 0.05);
    bad += !near_abs("level", e->arrivals[1].level_db, 20.0 * log10(0.8), 0.3);
    bad += !near_abs("path", e->arrivals[1].path_m, 0.014 * 343.2, 0.02);
    bad += !near_abs("tail", e->tail_ms, 14.0, 1.0);
    assert_int_equal(bad, 0);
    lt_echo_free(e);
}

static void even_repeats_are_a_loop(void **state)
{
    (void)state;
    tap taps[8];
    for (size_t k = 0; k < 8; k++)
        taps[k] = (tap){16 + 160 * k, 0.1 * pow(0.6, (double)k)};
    lt_echo *e = measure(taps, 8, 0.0003);
    assert_int_equal(e->finding, LT_ECHO_NEAR_HOWL);
    assert_true(near_abs("distance", e->repeat_ms, 20.0, 0.1));
    assert_true(near_abs("step", e->repeat_db, 20.0 * log10(0.6), 0.5));
    lt_echo_free(e);
}

static void noise_alone_is_no_echo(void **state)
{
    (void)state;
    lt_echo *e = measure(NULL, 0, 0.01);
    assert_int_equal(e->finding, LT_ECHO_NONE);
    assert_true(isnan(e->delay_ms) && isnan(e->echo_loss_db) && isnan(e->tail_ms));
    assert_int_equal(e->talker.verdict, LT_ECHO_ACCEPTABLE);
    assert_null(e->ir);
    lt_echo_free(e);
}

static void one_recording_shows_its_own_repeats(void **state)
{
    (void)state;
    const tap taps[] = {{0, 1.0}, {400, 0.4}};
    lt_signal *sent = bursts(SECONDS, 3);
    lt_signal *s = back(sent, taps, 2, 0.0);
    lt_echo *e = NULL;
    assert_int_equal(lt_echo_blind(s, NULL, &e, NULL), LT_OK);
    assert_true(near_abs("delay", e->delay_ms, 50.0, 0.1));
    assert_true(near_abs("loss", e->echo_loss_db, 20.0 * log10(1.0 / 0.4), 1.0));
    assert_true(lt_notes_has(&e->notes, "one-recording"));
    assert_true(e->confidence < 0.7);
    lt_echo_free(e);
    assert_int_equal(lt_echo_blind(sent, NULL, &e, NULL), LT_OK);
    assert_int_equal(e->finding, LT_ECHO_NONE);
    lt_echo_free(e);
    lt_signal_free(s);
    lt_signal_free(sent);
}

/* What taking the true path off would reach: echo over noise, both known here, in the frames of the second half in
 * which the echo has four times the noise's power. dB. */
static double known_erle_db(const lt_signal *sent, const tap *taps, size_t count, double noise)
{
    lt_signal *echo = back(sent, taps, count, 0.0);
    double with = 0.0, without = 0.0;
    const lt_biquad rumble = lt_biquad_highpass(130.0, sqrt(0.5), RATE); /* what the measurement takes off first */
    lt_biquad_state state = {0};
    lt_biquad_run(&rumble, &state, echo->samples, echo->samples, echo->count);
    for (size_t at = COUNT_FRAMES / 2; at + 64 <= COUNT_FRAMES; at += 64) {
        double e = 0.0;
        for (size_t i = at; i < at + 64; i++)
            e += echo->samples[i] * echo->samples[i];
        const double n = 64.0 * noise * noise;
        with += e > 4.0 * n ? e + n : 0.0;
        without += e > 4.0 * n ? n : 0.0;
    }
    lt_signal_free(echo);
    return 10.0 * log10(with / without);
}

/* The canceller of libspeexdsp against paths that are known: two taps of known distance. It cannot do better than
 * taking the path off, a tail that covers only the first tap leaves the second one's energy, and the shortest
 * sufficient tail is the first one on the list that is longer than the path. */
static void a_canceller_reaches_what_its_tail_allows(void **state)
{
    (void)state;
    static const struct {
        size_t last; /* frames */
        double sufficient_ms;
    } paths[] = {{16 + 80, 16.0}, {16 + 320, 64.0}, {16 + 800, 128.0}}; /* 12, 42 and 102 ms */
    const double noise = 0.0005;
    int bad = 0;
    for (size_t p = 0; p < COUNT(paths); p++) {
        const tap taps[] = {{16, 0.2}, {paths[p].last, 0.15}};
        lt_signal *sent = bursts(SECONDS, 1);
        lt_signal *returned = back(sent, taps, 2, noise);
        lt_echo_options o = lt_echo_default_options();
        o.one_clock = true;
        lt_echo *e = NULL;
        lt_canceller c = {0};
        assert_int_equal(lt_echo_measure(sent, returned, &o, &e, NULL), LT_OK);
        assert_int_equal(lt_canceller_try(sent, returned, e, &c, NULL), LT_OK);
        const double known_db = known_erle_db(sent, taps, 2, noise);
        bad += !near_abs("the path taken off", c.path_db, known_db, 0.5);
        bad += !near_abs("sufficient", c.sufficient_ms, paths[p].sufficient_ms, 1e-9);
        assert_true(c.count > 4);
        assert_true(c.best_db < known_db + 0.5 && c.best_db > 10.0);
        for (size_t i = 0; i < c.count; i++)
            if (c.tails[i].tail_ms * 1e-3 * RATE < (double)paths[p].last)
                bad += !near_abs("a tail too short", c.tails[i].erle_db,
                                 10.0 * log10((0.2 * 0.2 + 0.15 * 0.15) / (0.15 * 0.15)), 1.0);
        lt_echo_free(e);
        lt_signal_free(sent);
        lt_signal_free(returned);
    }
    assert_int_equal(bad, 0);
}

static void what_cannot_be_measured_is_refused(void **state)
{
    (void)state;
    lt_signal *sent = bursts(SECONDS, 1), *silent = NULL, *brief = NULL;
    lt_echo *e = NULL;
    lt_echo_options o = lt_echo_default_options();
    assert_int_equal(lt_signal_create(COUNT_FRAMES, RATE, &silent, NULL), LT_OK);
    assert_int_equal(lt_signal_copy(sent, 0, RATE / 10, &brief, NULL), LT_OK);
    assert_int_equal(lt_echo_measure(sent, silent, NULL, &e, NULL), LT_E_SNR);
    assert_int_equal(lt_echo_measure(silent, sent, NULL, &e, NULL), LT_E_SNR);
    assert_int_equal(lt_echo_measure(sent, brief, NULL, &e, NULL), LT_E_ARG);
    assert_int_equal(lt_echo_blind(brief, NULL, &e, NULL), LT_E_ARG);
    o.speaker_to_microphone_m = 0.0;
    assert_int_equal(lt_echo_measure(sent, sent, &o, &e, NULL), LT_E_ARG);
    assert_null(e);
    lt_echo_free(NULL);
    lt_signal_free(sent);
    lt_signal_free(silent);
    lt_signal_free(brief);
}

static lt_status all_of_it(void *context, lt_error *err)
{
    const lt_signal *const *pair = context;
    lt_echo_options o = lt_echo_default_options();
    lt_echo *e = NULL, *blind = NULL;
    lt_canceller c;
    lt_status st = lt_echo_measure(pair[0], pair[1], &o, &e, err);
    if (st == LT_OK)
        st = lt_canceller_try(pair[0], pair[1], e, &c, err);
    if (st == LT_OK)
        st = lt_echo_blind(pair[1], &o, &blind, err);
    lt_echo_free(e);
    lt_echo_free(blind);
    return st;
}

static void memory_may_run_out_anywhere(void **state)
{
    (void)state;
    const tap taps[] = {{16, 0.2}};
    lt_signal *sent = bursts(SECONDS, 1);
    lt_signal *returned = back(sent, taps, 1, 0.001);
    sent->count = returned->count = (size_t)(4.2 * RATE);
    lt_signal *pair[] = {sent, returned};
    assert_survives_faults(all_of_it, pair);
    lt_signal_free(sent);
    lt_signal_free(returned);
}

SUITE(loop_echo_path)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(a_single_tap_is_found_where_it_is),
                                       cmocka_unit_test(a_wire_is_crosstalk),
                                       cmocka_unit_test(a_strong_copy_is_a_reflection_with_its_path),
                                       cmocka_unit_test(even_repeats_are_a_loop),
                                       cmocka_unit_test(noise_alone_is_no_echo),
                                       cmocka_unit_test(one_recording_shows_its_own_repeats),
                                       cmocka_unit_test(a_canceller_reaches_what_its_tail_allows),
                                       cmocka_unit_test(what_cannot_be_measured_is_refused),
                                       cmocka_unit_test(memory_may_run_out_anywhere)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}
