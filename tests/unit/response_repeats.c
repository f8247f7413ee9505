/* SPDX-License-Identifier: MIT
 * Repeats: in one stimulus, in one recording, in several; one of them spoiled. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

#include <string.h>

SUITE(response_repeats);

static const lane_path two[] = {{8.5, -6.0, false}, {11.9, -15.0, false}};

static lt_signal *make_sweep(unsigned repeats)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 2.0;
    o.repeats = repeats;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

static lane make_lane(void)
{
    return (lane){.paths = two,
                  .path_count = COUNT(two),
                  .speaker = true,
                  .early_s = 0.5,
                  .extra_s = 0.3,
                  .drift_ppm = 40.0,
                  .noise = true,
                  .noise_db = -30.0,
                  .gain_db = -20.0,
                  .seed = 9};
}

/* A burst 20 dB over the sweeps hits one of four: what comes out is as good as without it. */
static void one_spoiled_repeat_does_not_matter(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(4);
    int bad = 0;
    for (int i = 0; i < 4; i++) {
        lane l = make_lane();
        lt_response *quiet = lane_measure("quiet", &l, s);
        l.burst_s = 2.5 + 3.0 * i;
        lt_response *r = lane_measure("burst", &l, s);
        bad += lane_misses("burst", &l, s, r, 15, true);
        bad += !near_abs("repeats", r->repeats, 4.0, 0.0);
        for (size_t b = 0; b < r->band_count; b++) /* one of four less costs 1.2 dB of noise, not 20 */
            if (quiet->bands[b].snr_db > 25.0)
                bad += !in_range("snr", r->bands[b].snr_db, quiet->bands[b].snr_db - 4.0, 200.0);
        if (!lt_notes_has(&r->notes, "repeat-spoiled")) {
            (void)fprintf(stderr, "burst %d: no note\n", i);
            bad++;
        }
        if (lt_notes_has(&quiet->notes, "repeat-spoiled")) {
            (void)fprintf(stderr, "quiet: a repeat is called spoiled\n");
            bad++;
        }
        lt_response_free(quiet);
        lt_response_free(r);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Four times as many repeats leave half the noise amplitude: 6 dB. */
static void repeats_lower_the_noise(void **state)
{
    (void)state;
    double snr_db[2];
    double rms[2];
    for (int i = 0; i < 2; i++) {
        lt_signal *s = make_sweep(i == 0 ? 1 : 4);
        rms[i] = lt_signal_rms(s);
        lane l = make_lane();
        l.noise_db -= lt_db_from_amplitude(rms[i] / rms[0]); /* the same noise in both */
        lt_response *r = lane_measure("repeats", &l, s);
        double sum = 0.0;
        for (size_t b = 10; b < 20; b++)
            sum += r->bands[b].snr_db;
        snr_db[i] = sum / 10.0;
        lt_response_free(r);
        lt_signal_free(s);
    }
    assert_true(near_abs("gain", snr_db[1] - snr_db[0], 6.0, 1.0));
}

/* Three plays in one recording, at pauses that no one wrote down. */
static void plays_in_one_recording_are_averaged(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(1);
    lane l = make_lane();
    const size_t gaps[] = {0, 12345, 70001};
    lt_signal *r3 = NULL;
    assert_int_equal(lt_signal_create(3 * (s->count + 48000) + 90000, 48000.0, &r3, NULL), LT_OK);
    size_t at = 0;
    for (size_t i = 0; i < COUNT(gaps); i++) {
        l.seed = 9 + i;
        lt_signal *once = lane_record(&l, s);
        at += gaps[i];
        memcpy(r3->samples + at, once->samples, once->count * sizeof *once->samples);
        at += once->count;
        lt_signal_free(once);
    }
    const lt_signal *const list[] = {r3};
    const lt_response_options opt = lt_response_default_options();
    lt_response *r = NULL;
    lt_error err = {0};
    if (lt_response_measure(list, NULL, 1, s, &opt, &r, &err) != LT_OK)
        fail_msg("%s", err.what);
    int bad = lane_misses("three plays", &l, s, r, 15, true);
    bad += !near_abs("repeats", r->repeats, 3.0, 0.0);
    lt_response_free(r);
    lt_signal_free(r3);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Two recordings by different recorders. */
static void recordings_are_averaged(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(1);
    lane a = make_lane();
    lane b = make_lane();
    b.early_s = 1.7;
    b.rate_hz = 44100.0;
    b.seed = 10;
    lt_signal *ra = lane_record(&a, s);
    lt_signal *rb = lane_record(&b, s);
    const lt_signal *const list[] = {ra, rb};
    const char *const names[] = {"a.wav", "b.wav"};
    const lt_response_options opt = lt_response_default_options();
    lt_response *r = NULL;
    lt_error err = {0};
    if (lt_response_measure(list, names, 2, s, &opt, &r, &err) != LT_OK)
        fail_msg("%s", err.what);
    int bad = lane_misses("two recordings", &a, s, r, 15, true); /* delay of the first */
    bad += !near_abs("repeats", r->repeats, 2.0, 0.0);
    lt_response_free(r);
    lt_signal_free(ra);
    lt_signal_free(rb);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_repeats_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(one_spoiled_repeat_does_not_matter),
        cmocka_unit_test(repeats_lower_the_noise),
        cmocka_unit_test(plays_in_one_recording_are_averaged),
        cmocka_unit_test(recordings_are_averaged),
    };
    return cmocka_run_group_tests_name("response_repeats", tests, NULL, NULL);
}
