/* SPDX-License-Identifier: MIT
 * What gives no curve: silence, noise, another stimulus, a recording cut off, clipped, or no sound at all. */
#include "fault.h"
#include "near.h"
#include "response_lane.h"
#include "suite.h"

#include <stdio.h>
#include <string.h>

SUITE(response_refuse);

static const lane_path one = {6.4, -6.0, false};

static lt_signal *make_sweep(double seconds)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = seconds;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

/* 1 with a line on standard error unless the pair is refused with this status and a message of one line. */
static int accepted(const char *label, const lt_signal *recording, const lt_signal *stimulus, lt_status want)
{
    const lt_signal *const list[] = {recording};
    const char *const names[] = {"x.wav"};
    const lt_response_options opt = lt_response_default_options();
    lt_response *r = NULL;
    lt_error err = {0};
    const lt_status st = lt_response_measure(list, names, 1, stimulus, &opt, &r, &err);
    const bool fine = st == want && r == NULL && err.status == want && strlen(err.what) > 20;
    if (!fine)
        (void)fprintf(stderr, "%s: status %d, \"%s\"\n", label, (int)st, err.what);
    lt_response_free(r);
    return fine ? 0 : 1;
}

static lt_signal *make_noise(uint64_t seed, double seconds)
{
    lt_noise_options o = lt_noise_default_options();
    o.kind = (lt_noise_kind)(seed % 3);
    o.seconds = seconds;
    o.seed = seed + 500;
    lt_signal *s = NULL;
    assert_int_equal(lt_noise_create(&o, &s, NULL), LT_OK);
    for (size_t i = 0; seed % 2 == 1 && i < s->count; i++) { /* syllables and pauses */
        const double t = (double)i / s->rate_hz;
        s->samples[i] *= pow(sin(9.0 * t) * sin(1.3 * t + (double)seed), 2.0);
    }
    return s;
}

static void noise_alone_is_never_accepted(void **state)
{
    (void)state;
    lt_signal *sweep = make_sweep(3.0);
    lt_signal *pink = NULL;
    lt_noise_options o = lt_noise_default_options();
    o.seconds = 3.0;
    assert_int_equal(lt_noise_create(&o, &pink, NULL), LT_OK);
    int bad = 0;
    for (uint64_t seed = 0; seed < 30; seed++) {
        char label[32];
        (void)snprintf(label, sizeof label, "seed %d", (int)seed);
        lt_signal *r = make_noise(seed, 8.0);
        bad += accepted(label, r, sweep, LT_E_SNR);
        bad += accepted(label, r, pink, LT_E_SNR);
        lt_signal_free(r);
    }
    lt_signal_free(sweep);
    lt_signal_free(pink);
    assert_int_equal(bad, 0);
}

static void another_sweep_is_refused(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(5.0);
    const struct {
        double seconds, from_hz, to_hz;
    } rows[] = {{4.0, 50, 18000},  {4.9, 50, 18000},  {5.01, 50, 18000}, {5.1, 50, 18000}, {6.0, 50, 18000},
                {10.0, 50, 18000}, {5.0, 100, 18000}, {5.0, 30, 18000},  {5.0, 50, 9000}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_sweep_options o = lt_sweep_default_options();
        o.seconds = rows[i].seconds;
        o.from_hz = rows[i].from_hz;
        o.to_hz = rows[i].to_hz;
        lt_signal *other = NULL;
        assert_int_equal(lt_sweep_create(&o, &other, NULL), LT_OK);
        char label[96];
        (void)snprintf(label, sizeof label, "%g s from %g to %g Hz", o.seconds, o.from_hz, o.to_hz);
        bad += accepted(label, other, s, LT_E_SNR);
        lt_signal_free(other);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void a_recording_without_the_whole_sweep_is_refused(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(5.0);
    /* The sweep lies between 1.65 and 6.65 s. */
    const struct {
        double from_s, to_s;
    } rows[] = {{0.0, 1.0}, {0.0, 3.0}, {0.0, 5.5}, {0.0, 6.3}, {2.0, 8.6}, {3.5, 8.6}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *cut = NULL;
        const size_t first = (size_t)(rows[i].from_s * 48000.0);
        const size_t end = (size_t)ceil(rows[i].to_s * 48000.0);
        assert_int_equal(lt_signal_copy(s, first, (end < s->count ? end : s->count) - first, &cut, NULL), LT_OK);
        char label[48];
        (void)snprintf(label, sizeof label, "%g to %g s", rows[i].from_s, rows[i].to_s);
        bad += accepted(label, cut, s, LT_E_FORMAT);
        lt_signal_free(cut);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void clipping_is_refused_or_noted(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(3.0);
    const lane l = {.paths = &one, .path_count = 1, .speaker = true, .extra_s = 0.3, .gain_db = 6.0};
    lt_signal *clean = lane_record(&l, s);
    const double peak = lt_signal_peak(clean);
    int bad = 0;
    for (int i = 0; i < 3; i++) { /* flat tops at full scale or anywhere below */
        static const double limits[] = {0.8, 0.5, 0.1};
        lt_signal *cut = NULL;
        assert_int_equal(lt_signal_copy(clean, 0, clean->count, &cut, NULL), LT_OK);
        for (size_t k = 0; k < cut->count; k++)
            cut->samples[k] =
                round(32768.0 * fmax(fmin(cut->samples[k], limits[i] * peak), -limits[i] * peak)) / 32768.0;
        bad += accepted("clipped", cut, s, LT_E_CLIP);
        lt_signal_free(cut);
    }
    /* A soft limit is distortion, which the sweep measures. */
    const lane soft = {
        .paths = &one, .path_count = 1, .speaker = true, .extra_s = 0.3, .drive = 4.0, .sixteen_bits = true};
    lt_response *r = lane_measure("soft", &soft, s);
    bad += !in_range("thd", r->bands[13].thd_percent, 5.0, 60.0);
    bad += lt_notes_has(&r->notes, "clipping");
    lt_response_free(r);
    lt_signal_free(clean);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void odd_inputs_are_refused(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(1.0);
    lt_signal *silent = NULL;
    lt_signal *broken = NULL;
    lt_signal *single = NULL;
    lt_signal *empty = NULL;
    lt_signal *click = NULL;
    assert_int_equal(lt_signal_create(s->count, 48000.0, &silent, NULL), LT_OK);
    assert_int_equal(lt_signal_copy(s, 0, s->count, &broken, NULL), LT_OK);
    assert_int_equal(lt_signal_create(1, 48000.0, &single, NULL), LT_OK);
    assert_int_equal(lt_signal_create(0, 48000.0, &empty, NULL), LT_OK);
    assert_int_equal(lt_signal_create(s->count, 48000.0, &click, NULL), LT_OK);
    broken->samples[1000] = (double)NAN;
    single->samples[0] = 0.5;
    click->samples[70000] = 0.5;
    int bad = 0;
    bad += accepted("silent recording", silent, s, LT_E_SNR);
    bad += accepted("no number in the recording", broken, s, LT_E_FORMAT);
    bad += accepted("one sample", single, s, LT_E_FORMAT);
    bad += accepted("no sample", empty, s, LT_E_FORMAT);
    bad += accepted("a click", click, s, LT_E_SNR);
    bad += accepted("silent stimulus", s, silent, LT_E_ARG);
    bad += accepted("no number in the stimulus", s, broken, LT_E_ARG);
    bad += accepted("stimulus of one sample", s, single, LT_E_ARG);
    bad += accepted("empty stimulus", s, empty, LT_E_ARG);
    lt_response *r = NULL;
    lt_error err = {0};
    lt_response_options opt = lt_response_default_options();
    const lt_signal *const list[] = {s};
    assert_int_equal(lt_response_measure(list, NULL, 0, s, &opt, &r, &err), LT_E_ARG);
    opt.post_s = 6.0;
    assert_int_equal(lt_response_measure(list, NULL, 1, s, &opt, &r, NULL), LT_E_ARG);
    opt.post_s = 0.5;
    opt.pre_s = (double)NAN;
    assert_int_equal(lt_response_measure(list, NULL, 1, s, &opt, &r, NULL), LT_E_ARG);
    assert_null(r);
    lt_signal_free(silent);
    lt_signal_free(broken);
    lt_signal_free(single);
    lt_signal_free(empty);
    lt_signal_free(click);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Frames taken out of one sweep, or put in again: with the place in the message, whatever the clocks do. */
static void lost_and_repeated_blocks_are_refused(void **state)
{
    (void)state;
    static const struct {
        long frames;
        double drift_ppm;
        const char *text;
    } rows[] = {{64, 0.0, "64 frames"}, {-256, 300.0, "256 frames"}, {128, -200.0, "128 frames"}, {4096, 50.0, "4096"}};
    int bad = 0;
    lt_signal *s = make_sweep(4.0);
    for (size_t i = 0; i < COUNT(rows); i++) {
        const lane l = {.paths = &one,
                        .path_count = 1,
                        .speaker = true,
                        .early_s = 0.2,
                        .extra_s = 0.5,
                        .noise = true,
                        .noise_db = -35.0,
                        .drift_ppm = rows[i].drift_ppm,
                        .seed = i};
        lt_signal *r = lane_record(&l, s);
        const size_t at = (size_t)(4.1 * r->rate_hz), from = (size_t)((long)at + rows[i].frames);
        memmove(r->samples + at, r->samples + from, (r->count - (at > from ? at : from)) * sizeof(double));
        r->count -= rows[i].frames > 0 ? (size_t)rows[i].frames : 0;
        const lt_signal *const list[] = {r};
        const char *const names[] = {"x.wav"};
        const lt_response_options opt = lt_response_default_options();
        lt_response *out = NULL;
        lt_error err = {0};
        const lt_status st = lt_response_measure(list, names, 1, s, &opt, &out, &err);
        const bool fine = st == LT_E_XRUN && out == NULL && strstr(err.what, rows[i].text) != NULL &&
                          strstr(err.what, "between 4.") != NULL && strstr(err.what, "x.wav") != NULL;
        if (!fine)
            print_error("%ld frames: status %d, \"%s\"\n", rows[i].frames, (int)st, err.what);
        bad += !fine;
        lt_response_free(out);
        lt_signal_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* What was lost says nothing about the place: the stated time must hold it all the same, wherever it was. */
static void the_place_of_a_long_loss_lies_in_the_stated_time(void **state)
{
    (void)state;
    enum { LOST = 3840, FIRST = 60, TAKES = 8 };
    int bad = 0;
    lt_signal *s = make_sweep(4.0);
    for (size_t i = FIRST; i < FIRST + TAKES; i++) {
        const lane l = {.paths = &one,
                        .path_count = 1,
                        .speaker = true,
                        .early_s = 0.2,
                        .extra_s = 0.5,
                        .noise = true,
                        .noise_db = -25.0 - 7.0 * (double)(i % 4),
                        .seed = 100 + i};
        lt_signal *r = lane_record(&l, s);
        const double at_s = 1.5 + 0.0337 * (double)i;
        const size_t at = (size_t)(at_s * r->rate_hz);
        memmove(r->samples + at, r->samples + at + LOST, (r->count - at - LOST) * sizeof(double));
        r->count -= LOST;
        const lt_signal *const list[] = {r};
        lt_response *out = NULL;
        lt_error err = {0};
        double from_s = NAN, to_s = NAN;
        const lt_status st = lt_response_measure(list, NULL, 1, s, NULL, &out, &err);
        const char *place = strstr(err.what, "between ");
        const bool fine = st == LT_E_XRUN && place != NULL &&
                          sscanf(place, "between %lf s and %lf", &from_s, &to_s) == 2 && at_s > from_s - 0.005 &&
                          at_s < to_s + 0.005;
        if (!fine)
            print_error("%.3f s: status %d, \"%s\"\n", at_s, (int)st, err.what);
        bad += !fine;
        lt_response_free(out);
        lt_signal_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Every allocation of a measurement fails in turn. */
static lt_status measure_once(void *context, lt_error *err)
{
    const lt_signal *const *pair = context;
    const lt_response_options opt = lt_response_default_options();
    lt_response *r = NULL;
    const lt_status st = lt_response_measure(&pair[0], NULL, 1, pair[1], &opt, &r, err);
    assert_true((st == LT_OK) == (r != NULL));
    lt_response_free(r);
    return st;
}

/* ... and of a recording that lacks a block. */
static lt_status refuse_once(void *context, lt_error *err)
{
    const lt_signal *const *pair = context;
    lt_continuity c;
    return lt_response_continuity(pair[0], pair[1], false, NULL, 0, &c, err);
}

static void every_failed_allocation_is_survived(void **state)
{
    (void)state;
#ifndef LT_FAULTS
    skip(); /* before anything is allocated that would be left behind */
#endif
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 0.5;
    o.rate_hz = 8000.0;
    o.to_hz = 3400.0;
    o.from_hz = 200.0;
    o.lead_s = o.tail_s = 0.1;
    o.gap_s = 0.2;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    const lt_signal *pair[] = {s, s};
    assert_survives_faults(measure_once, pair);
    lt_signal *broken = NULL;
    assert_int_equal(lt_signal_copy(s, 0, s->count, &broken, NULL), LT_OK);
    const size_t at = (size_t)(0.75 * s->rate_hz), less = 40;
    memmove(broken->samples + at, broken->samples + at + less, (s->count - at - less) * sizeof(double));
    pair[0] = broken;
    assert_survives_faults(refuse_once, pair);
    lt_signal_free(broken);
    lt_signal_free(s);
}

int response_refuse_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(noise_alone_is_never_accepted),
        cmocka_unit_test(another_sweep_is_refused),
        cmocka_unit_test(a_recording_without_the_whole_sweep_is_refused),
        cmocka_unit_test(clipping_is_refused_or_noted),
        cmocka_unit_test(odd_inputs_are_refused),
        cmocka_unit_test(lost_and_repeated_blocks_are_refused),
        cmocka_unit_test(the_place_of_a_long_loss_lies_in_the_stated_time),
        cmocka_unit_test(every_failed_allocation_is_survived),
    };
    return cmocka_run_group_tests_name("response_refuse", tests, NULL, NULL);
}
