/* SPDX-License-Identifier: MIT
 * Play and record over a sound card in memory (tests/support/fake_device.h): takes, files, a device that fails, and
 * each allocation that fails. A real sound server is tests/live. */
#include "fake_device.h"
#include "fault.h"
#include "scratch.h"
#include "suite.h"

#include <lanetune/audio.h>

#include <math.h>
#include <string.h>

static const fake_options usual = {.gain = 0.5, .delay_frames = 100, .noise = 1e-5};

static lt_live_options options(void)
{
    lt_live_options o = lt_live_default_options();
    o.rate_hz = 48000.0;
    o.input_channels = 2;
    o.ceiling_dbfs = 0.0;
    o.ramp_s = 0.0;
    return o;
}

static lt_signal *ramp(size_t count)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(count, 48000.0, &s, NULL), LT_OK);
    for (size_t i = 0; i < count; i++)
        s->samples[i] = 0.5 * (double)(i % 1000) / 1000.0;
    return s;
}

static void what_is_played_comes_back(void **state)
{
    (void)state;
    fake_device = usual;
    fake_device.noise = 0.0;
    const lt_live_options o = options();
    lt_signal *played = ramp(20000);
    lt_take *t = NULL;
    lt_error err = {0};
    assert_int_equal(lt_live_play_record(&o, played, 0.1, NULL, NULL, &t, &err), LT_OK);
    assert_true(t->complete);
    assert_int_equal(t->channel_count, 2);
    assert_string_equal(t->used.input, "loop");
    const size_t late = 100 + 256; /* a block later by the loop's own nature */
    double worst = 0.0;
    for (size_t i = 0; i < played->count; i++)
        worst = fmax(worst, fabs(t->channels[1]->samples[i + late] - 0.5 * played->samples[i]));
    assert_true(near_abs("difference", worst, 0.0, 1e-6));
    lt_take_free(t);
    lt_signal_free(played);
}

static void a_device_that_fails_is_told(void **state)
{
    (void)state;
    static const struct {
        fake_fault fault;
        const char *says;
    } rows[] = {
        {FAKE_ABSENT, "no input device"}, {FAKE_OTHER_RATE, "does not run at 48000 Hz"}, {FAKE_CRASHES, "crashed"}};
    const lt_live_options o = options();
    lt_signal *played = ramp(20000);
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_take *t = NULL;
        lt_error err = {0};
        fake_device = usual;
        fake_device.fault = rows[i].fault;
        assert_int_equal(lt_live_play_record(&o, played, 0.1, NULL, NULL, &t, &err), LT_E_IO);
        if (strstr(err.what, rows[i].says) == NULL)
            fail_msg("'%s' instead of '%s'", err.what, rows[i].says);
        lt_take_free(t);
    }
    /* A library that hangs when everything is there takes nothing away. */
    lt_take *t = NULL;
    lt_error err = {0};
    fake_device = usual;
    fake_device.fault = FAKE_CLOSE_HANGS;
    assert_int_equal(lt_live_play_record(&o, played, 0.1, NULL, NULL, &t, &err), LT_OK);
    assert_true(t->complete);
    lt_take_free(t);
    lt_signal_free(played);
}

typedef struct {
    double stop_at_s; /* NaN = never */
    uint64_t lead_frames;
} witness;

static bool see(void *context, const lt_live_view *v)
{
    witness *w = context;
    w->lead_frames = v->lead_frames;
    return !(v->channels > 0 && (double)v->frames / v->rate_hz > w->stop_at_s);
}

/* A library may drop what its buffers hold when a stream ends: behind the fade there is silence for as long as they
 * are.
 */
static void the_end_of_a_fade_is_heard(void **state)
{
    (void)state;
    static const double latency_s[] = {0.0, 0.05, 90000.0};
    static const size_t least[] = {512, 2400, 512}; /* frames of silence; nonsense is none */
    lt_signal *played = ramp(480000);
    for (size_t i = 0; i < COUNT(latency_s); i++) {
        lt_live_options o = options();
        lt_take *t = NULL;
        lt_error err = {0};
        witness w = {.stop_at_s = 0.5};
        fake_device = usual;
        fake_device.pause_us = 500;
        fake_device.latency_s = latency_s[i];
        assert_int_equal(lt_live_play_record(&o, played, 0.1, see, &w, &t, &err), LT_OK);
        assert_false(t->complete);
        const lt_signal *x = t->channels[0];
        size_t last = x->count;
        while (last > 0 && fabs(x->samples[last - 1]) < 1e-4)
            last--;
        assert_true(last > 12000);
        const size_t silent = x->count - last + 100 + 256; /* the loop comes back so late */
        if (silent < least[i] || silent > least[i] + 2048)
            fail_msg("%zu frames of silence for %g s of latency", silent, latency_s[i]);
        lt_take_free(t);
    }
    lt_signal_free(played);
}

/* ---- two devices ---- */

static lt_live_options apart(fake_fault fault)
{
    lt_live_options o = options();
    o.input = "loop";
    o.output = "player";
    fake_device = usual;
    fake_device.second = true;
    fake_device.pause_us = 500;
    fake_device.fault = fault;
    return o;
}

static void two_devices_run_a_stream_each(void **state)
{
    (void)state;
    const lt_live_options o = apart(FAKE_GOOD);
    lt_signal *played = ramp(20000);
    lt_take *t = NULL;
    lt_error err = {0};
    witness w = {.stop_at_s = (double)NAN};
    assert_int_equal(lt_live_play_record(&o, played, 0.1, see, &w, &t, &err), LT_OK);
    assert_true(t->complete && t->used.apart);
    assert_string_equal(t->used.input, "loop");
    assert_string_equal(t->used.output, "player");
    assert_string_equal(t->used.output_host, "memory");
    assert_true(t->channels[0]->count >= played->count + (size_t)(0.6 * 48000.0)); /* it begins 0.5 s earlier */
    assert_true(w.lead_frames > 12000 && w.lead_frames <= 24000);
    lt_take_free(t);
    w.stop_at_s = 0.3;
    assert_int_equal(lt_live_play_record(&o, played, 0.1, see, &w, &t, &err), LT_OK);
    assert_false(t->complete);
    lt_take_free(t);
    lt_signal_free(played);
}

/* The one that plays fills its buffer at once and takes sound out of it later than a hung device is allowed to, or the
 * one that records delivers as late: neither is lost, and nothing is played before both are at work. */
static void one_of_two_may_begin_late(void **state)
{
    (void)state;
    static const fake_fault late[] = {FAKE_PLAYER_FILLS, FAKE_RECORDER_LATE};
    lt_signal *played = ramp(20000);
    for (size_t i = 0; i < COUNT(late); i++) {
        const lt_live_options o = apart(late[i]);
        lt_take *t = NULL;
        lt_error err = {0};
        witness w = {.stop_at_s = (double)NAN};
        if (lt_live_play_record(&o, played, 0.1, see, &w, &t, &err) != LT_OK)
            fail_msg("%s", err.what);
        assert_true(t->complete);
        assert_true(t->start_s > 1.0);                                /* nothing is kept before */
        assert_true(w.lead_frames > 12000 && w.lead_frames <= 24000); /* and nothing sounds before that */
        lt_take_free(t);
    }
    lt_signal_free(played);
}

static void either_of_two_may_fail(void **state)
{
    (void)state;
    static const struct {
        fake_fault fault;
        const char *says;
    } rows[] = {{FAKE_PLAYER_HANGS, "player: stopped answering"},
                {FAKE_PLAYER_ENDS, "player: the device or its sound server went away"},
                {FAKE_RECORDER_ENDS, "loop: the device or its sound server went away"},
                {FAKE_CRASHES, "crashed"}};
    lt_signal *played = ramp(480000);
    for (size_t i = 0; i < COUNT(rows); i++) {
        const lt_live_options o = apart(rows[i].fault);
        lt_take *t = NULL;
        lt_error err = {0};
        assert_int_equal(lt_live_play_record(&o, played, 0.1, NULL, NULL, &t, &err), LT_E_IO);
        if (strstr(err.what, rows[i].says) == NULL)
            fail_msg("'%s' instead of '%s'", err.what, rows[i].says);
        lt_take_free(t);
    }
    const lt_live_options other = {.input_channels = 1, .output_channel = 1, .output_host = "nosuch"};
    lt_take *t = NULL;
    lt_error err = {0};
    assert_int_equal(lt_live_play_record(&other, played, 0.1, NULL, NULL, &t, &err), LT_E_IO);
    assert_non_null(strstr(err.what, "no sound system is called 'nosuch'"));
    lt_signal_free(played);
}

/* ---- each allocation fails ---- */

static lt_status play(void *context, lt_error *err)
{
    const lt_live_options o = options();
    lt_take *t = NULL;
    const lt_status st = lt_live_play_record(&o, context, 0.05, NULL, NULL, &t, err);
    if (st != LT_OK)
        assert_null(t);
    lt_take_free(t);
    return st;
}

static lt_status into_file(void *context, lt_error *err)
{
    const scratch *dir = context;
    scratch_names names = {.next = 0};
    const lt_live_options o = options();
    lt_live_recorded r;
    const char *path = scratch_at(dir, &names, "a.wav");
    const lt_status st = lt_live_record_file(&o, path, 0.3, NULL, NULL, &r, err);
    if (st != LT_OK)
        assert_int_equal(scratch_count(dir->path), 0); /* not even a part of it */
    return st;
}

static void takes_survive_failing_allocations(void **state)
{
    (void)state;
    fake_device = usual;
    lt_signal *played = ramp(4000);
    assert_survives_faults(play, played);
    lt_signal_free(played);
}

static void files_survive_failing_allocations(void **state)
{
    (void)state;
#ifndef LT_FAULTS
    skip();
#endif
    const scratch dir = scratch_make();
    scratch made = dir;
    fake_device = usual;
    fake_device.pause_us = 200;
    assert_survives_faults(into_file, &made);
    scratch_remove(&dir);
}

SUITE(audio_live)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_played_comes_back),         cmocka_unit_test(a_device_that_fails_is_told),
        cmocka_unit_test(two_devices_run_a_stream_each),     cmocka_unit_test(either_of_two_may_fail),
        cmocka_unit_test(the_end_of_a_fade_is_heard),        cmocka_unit_test(one_of_two_may_begin_late),
        cmocka_unit_test(takes_survive_failing_allocations), cmocka_unit_test(files_survive_failing_allocations),
    };
    return cmocka_run_group_tests_name("audio_live", tests, NULL, NULL);
}
