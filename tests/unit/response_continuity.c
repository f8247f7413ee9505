/* SPDX-License-Identifier: MIT
 * Continuity of a take: frames that were taken out or put in at random places are found, and nothing is made up where
 * none are missing, with noise, reflections, echoes and another clock. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

#include <stdlib.h>
#include <string.h>

enum { RATE = 48000 };

static const lane_path plain[] = {{5.3, 0.0, false}};
static const lane_path reflecting[] = {{5.3, -3.0, false},  {7.1, -6.0, true},   {9.4, -9.0, false},
                                       {16.2, -8.0, false}, {41.0, -12.0, true}, {120.0, -20.0, false}};

static lt_signal *stimulus_of(double seconds, unsigned repeats)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = seconds;
    o.repeats = repeats;
    o.gap_s = 0.5;
    o.tail_s = 0.5;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

/* frames > 0: taken out at `at`; < 0: the frames before it come twice. */
static lt_signal *with_loss(const lt_signal *s, size_t at, long frames)
{
    lt_signal *out = NULL;
    assert_int_equal(lt_signal_create((size_t)((long)s->count - frames), s->rate_hz, &out, NULL), LT_OK);
    memcpy(out->samples, s->samples, at * sizeof(double));
    const size_t from = (size_t)((long)at + frames);
    memcpy(out->samples + at, s->samples + from, (s->count - from) * sizeof(double));
    return out;
}

static lt_continuity check(const lt_signal *recording, const lt_signal *stimulus, bool one_clock)
{
    lt_continuity c;
    lt_error err = {0};
    const lt_status st = lt_response_continuity(recording, stimulus, one_clock, NULL, 0, &c, &err);
    if (st != LT_OK)
        print_error("%s\n", err.what);
    assert_int_equal(st, LT_OK);
    return c;
}

static lane lane_of(uint64_t seed)
{
    lt_rng r = {.state = seed};
    const bool many = lt_rng_uniform(&r) < 0.7;
    return (lane){.paths = many ? reflecting : plain,
                  .path_count = many ? COUNT(reflecting) : COUNT(plain),
                  .speaker = lt_rng_uniform(&r) < 0.7,
                  .resonant = lt_rng_uniform(&r) < 0.3,
                  .drive = lt_rng_uniform(&r) < 0.3 ? 0.5 : 0.0,
                  .early_s = 0.1 + 0.2 * lt_rng_uniform(&r),
                  .extra_s = 0.5,
                  .noise = true,
                  .noise_db = -15.0 - 35.0 * lt_rng_uniform(&r),
                  .traffic = lt_rng_uniform(&r) < 0.5,
                  .sixteen_bits = lt_rng_uniform(&r) < 0.5,
                  .seed = seed};
}

static void losses_on_one_clock_are_found(void **state)
{
    (void)state;
    static const long sizes[] = {1, 7, 64, 256, 4000, -1, -7, -64, -256, -4000};
    int bad = 0, narrow = 0;
    lt_signal *stimulus = stimulus_of(2.0, 1);
    lt_rng rng = {.state = 77};
    for (size_t i = 0; i < 60; i++) {
        const long frames = sizes[i % COUNT(sizes)];
        const lane l = lane_of(1000 + i);
        lt_signal *whole = lane_record(&l, stimulus);
        /* anywhere between the ends of the markers */
        const double first_s = l.early_s + 0.5 + 0.15 + 0.02, last_s = l.early_s + 0.5 + 0.15 + 0.5 + 2.0 + 0.5;
        const double at_s = first_s + (last_s - first_s - 0.1) * lt_rng_uniform(&rng);
        lt_signal *broken = with_loss(whole, (size_t)(at_s * RATE), frames);
        const lt_continuity c = check(broken, stimulus, true);
        char label[80];
        (void)snprintf(label, sizeof label, "run %zu: %ld frames at %.3f s (noise %.0f dB)", i, frames, at_s,
                       l.noise_db);
        bad += !near_abs(label, (double)c.verdict, (double)LT_CONTINUITY_BROKEN, 0.0);
        if (!isnan(c.frames)) /* a gap is told without its size */
            bad += !near_abs(label, c.frames, (double)frames, 1.01);
        bad += !in_range(label, at_s, c.from_s - 0.02, c.to_s + 0.02);
        narrow += labs(frames) >= 64 && c.to_s - c.from_s < 0.6;
        lt_signal_free(whole);
        lt_signal_free(broken);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    print_message("%d of 36 large losses are told to half a second\n", narrow);
    assert_true(narrow >= 8);
}

static void nothing_is_made_up(void **state)
{
    (void)state;
    int bad = 0, unclear = 0;
    for (uint64_t seed = 1; seed <= 200; seed++) {
        lt_signal *stimulus = stimulus_of(seed % 2 == 0 ? 1.0 : 2.0, seed % 5 == 0 ? 2 : 1);
        lane l = lane_of(seed);
        const bool one_clock = seed % 3 != 0;
        if (!one_clock)
            l.drift_ppm = (double)(seed % 7) * 40.0 - 120.0;
        if (seed % 4 == 0)
            l.burst_s = l.early_s + 1.4; /* a loud noise of two seconds in the middle */
        lt_signal *recording = lane_record(&l, stimulus);
        const lt_continuity c = check(recording, stimulus, one_clock);
        unclear += c.verdict == LT_CONTINUITY_UNCLEAR;
        if (c.verdict == LT_CONTINUITY_BROKEN) {
            print_error("seed %d: %g frames from %g s to %g s, drift %g ppm, noise %g dB\n", (int)seed, c.frames,
                        c.from_s, c.to_s, c.drift_ppm, l.noise_db);
            bad++;
        }
        lt_signal_free(recording);
        lt_signal_free(stimulus);
    }
    assert_int_equal(bad, 0);
    assert_true(unclear < 10);
}

/* With two clocks the repeats tell. */
static void losses_between_repeats_on_two_clocks(void **state)
{
    (void)state;
    static const long sizes[] = {1, 7, 64, 256, -1, -7, -64, -256};
    int bad = 0;
    lt_signal *stimulus = stimulus_of(1.5, 3);
    for (size_t i = 0; i < 16; i++) {
        lane l = lane_of(300 + i);
        l.noise_db = fmin(l.noise_db, -25.0);
        l.drift_ppm = (double)i * 10.0 - 80.0;
        lt_signal *whole = lane_record(&l, stimulus);
        const double at_s = l.early_s + 0.5 + 0.15 + 0.5 + 1.5 + 0.3 + 1.9 * (double)i / 16.0;
        lt_signal *broken = with_loss(whole, (size_t)(at_s * RATE), sizes[i % COUNT(sizes)]);
        const lt_continuity c = check(broken, stimulus, false);
        char label[80];
        (void)snprintf(label, sizeof label, "two clocks, %ld frames at %.2f s", sizes[i % COUNT(sizes)], at_s);
        bad += !near_abs(label, (double)c.verdict, (double)LT_CONTINUITY_BROKEN, 0.0);
        lt_signal_free(whole);
        lt_signal_free(broken);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
}

/* Frames are lost (> 0) or repeated after this part of a single sweep of 5 s. Returns the misses of what is told. */
static int lose_one(const lane *l, const lt_signal *stimulus, double part, long frames, double *told_to_s)
{
    const double rate_hz = l->rate_hz > 0.0 ? l->rate_hz : RATE;
    const double at_s = l->early_s + 0.5 + 0.15 + 0.5 + 5.0 * part;
    lt_signal *whole = lane_record(l, stimulus);
    lt_signal *broken = with_loss(whole, (size_t)(at_s * rate_hz), frames);
    const lt_continuity c = check(broken, stimulus, false);
    char label[100];
    (void)snprintf(label, sizeof label, "seed %d, %g Hz: %ld frames at %.3f s (noise %.0f dB)", (int)l->seed, rate_hz,
                   frames, at_s, l->noise_db);
    int bad = !near_abs(label, (double)c.verdict, (double)LT_CONTINUITY_BROKEN, 0.0);
    bad += !near_abs(label, c.frames, (double)frames, 1.01);
    bad += !near_abs(label, c.drift_ppm, l->drift_ppm, 2.0);
    /* of a repeated block nobody can tell which of the two is the copy */
    const double copy_s = frames < 0 ? -(double)frames / rate_hz : 0.0;
    bad += !in_range(label, at_s, c.from_s - copy_s - 0.01, c.to_s + copy_s + 0.01);
    *told_to_s = c.to_s - c.from_s;
    lt_signal_free(whole);
    lt_signal_free(broken);
    return bad;
}

/* Blocks as devices lose and repeat them, once in a single sweep: to the markers it looks like drift, or like no clock
 * that works. Size and place are told as soon as the lane passes what the sweep plays at that moment. */
static void losses_in_one_sweep_on_two_clocks(void **state)
{
    (void)state;
    static const double drifts_ppm[] = {0.0, 300.0, -300.0};
    enum { RUNS = 12 };
    int bad = 0, near = 0;
    lt_signal *stimulus = stimulus_of(5.0, 1);
    for (size_t i = 0; i < RUNS; i++) {
        lt_rng rng = {.state = 900 + i};
        lane l = lane_of(900 + i);
        l.noise_db = -20.0 - 20.0 * lt_rng_uniform(&rng);
        l.drift_ppm = drifts_ppm[i % COUNT(drifts_ppm)];
        double told_to_s = 0.0;
        const long size = lround(64.0 * pow(64.0, (double)i / (RUNS - 1.0)));
        const long frames = lt_rng_uniform(&rng) < 0.5 ? size : -size;
        bad += lose_one(&l, stimulus, 0.05 + 0.9 * lt_rng_uniform(&rng), frames, &told_to_s);
        near += told_to_s < 0.021;
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    print_message("%d of %d are told to 20 ms\n", near, (int)RUNS);
    assert_true(near >= RUNS / 2);
}

/* A recorder at another rate than the stimulus: what was lost is filled up at its rate. */
static void losses_at_another_rate(void **state)
{
    (void)state;
    static const double rates_hz[] = {16000.0, 44100.0, 96000.0};
    enum { RUNS = 9 };
    int bad = 0, near = 0;
    lt_signal *stimulus = stimulus_of(5.0, 1);
    for (size_t i = 0; i < RUNS; i++) {
        lt_rng rng = {.state = 200 + i};
        lane l = lane_of(200 + i);
        l.noise_db = -40.0;
        l.traffic = false;
        l.drift_ppm = i % 2 == 0 ? 0.0 : 200.0;
        l.rate_hz = rates_hz[i % COUNT(rates_hz)];
        double told_to_s = 0.0;
        const double at_part = 0.3 + 0.5 * lt_rng_uniform(&rng);
        bad += lose_one(&l, stimulus, at_part, lround(0.02 * l.rate_hz), &told_to_s);
        near += told_to_s < 0.021;
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    print_message("%d of %d are told to 20 ms\n", near, (int)RUNS);
    assert_true(near >= RUNS / 2);
}

/* A drift alone, however large, is none: with bursts, reflections, resonances and soft clipping. */
static void drift_is_no_loss(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *stimulus = stimulus_of(2.0, 1);
    for (uint64_t seed = 1; seed <= 30; seed++) {
        lane l = lane_of(2000 + seed);
        l.noise_db = fmin(l.noise_db, -20.0);
        l.drift_ppm = -450.0 + 30.0 * (double)seed;
        if (seed % 3 == 0) { /* a door */
            l.burst_s = l.early_s + 1.2 + 0.06 * (double)seed;
            l.burst_length_s = 0.02 + 0.01 * (double)seed;
        }
        lt_signal *recording = lane_record(&l, stimulus);
        const lt_continuity c = check(recording, stimulus, false);
        char label[40];
        (void)snprintf(label, sizeof label, "seed %d", (int)seed);
        bad += !near_abs(label, (double)c.verdict, (double)LT_CONTINUITY_WHOLE, 0.0);
        bad += !near_abs(label, c.drift_ppm, l.drift_ppm, 2.0);
        bad += !in_range(label, c.least_frames, 1.0, 16.0);
        lt_signal_free(recording);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
}

/* What was lost was filled up with silence: the markers keep their distance. */
static void filled_gaps_are_found(void **state)
{
    (void)state;
    static const size_t lengths[] = {256, 512, 1024, 4800};
    int bad = 0, unseen = 0;
    lt_signal *stimulus = stimulus_of(3.0, 1);
    for (size_t i = 0; i < 24; i++) {
        lane l = lane_of(500 + i);
        l.noise_db = fmin(l.noise_db, -35.0);
        lt_signal *r = lane_record(&l, stimulus);
        const size_t n = lengths[i % COUNT(lengths)];
        const double at_s = l.early_s + 0.5 + 0.15 + 0.5 + 1.2 + 1.5 * (double)i / 24.0;
        const size_t at = (size_t)(at_s * RATE);
        memset(r->samples + at, 0, n * sizeof(double));
        lt_continuity c;
        const uint64_t suspect = at;
        assert_int_equal(lt_response_continuity(r, stimulus, true, &suspect, 1, &c, NULL), LT_OK);
        char label[80];
        (void)snprintf(label, sizeof label, "gap of %zu at %.2f s", n, at_s);
        bad += !near_abs(label, (double)c.verdict, (double)LT_CONTINUITY_BROKEN, 0.0);
        bad += !in_range(label, at_s, c.from_s - 0.05, c.to_s + 0.05);
        if (n >= 1024) { /* nobody said so: most of the long ones are seen all the same */
            c = check(r, stimulus, true);
            unseen += c.verdict != LT_CONTINUITY_BROKEN;
        }
        lt_signal_free(r);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    assert_true(unseen <= 6); /* of 12 */
}

/* A report of the device alone is no loss. */
static void a_suspicion_is_no_verdict(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *stimulus = stimulus_of(3.0, 1);
    for (uint64_t seed = 1; seed <= 40; seed++) {
        lane l = lane_of(700 + seed);
        l.resonant = false; /* a strong resonance may be taken for a disturbance: then the take is repeated */
        lt_signal *r = lane_record(&l, stimulus);
        uint64_t suspects[12];
        for (size_t i = 0; i < COUNT(suspects); i++)
            suspects[i] = (uint64_t)((0.3 * (double)i + 0.9) * RATE);
        lt_continuity c;
        assert_int_equal(lt_response_continuity(r, stimulus, true, suspects, COUNT(suspects), &c, NULL), LT_OK);
        if (c.verdict == LT_CONTINUITY_BROKEN) {
            print_error("seed %d: from %g to %g s, noise %g dB\n", (int)seed, c.from_s, c.to_s, l.noise_db);
            bad++;
        }
        lt_signal_free(r);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
}

static void refusals(void **state)
{
    (void)state;
    lt_continuity c;
    lt_error err = {0};
    lt_signal *stimulus = stimulus_of(1.5, 1), *noise = NULL;
    assert_int_equal(lt_signal_create(4 * RATE, RATE, &noise, NULL), LT_OK);
    assert_int_not_equal(lt_response_continuity(noise, stimulus, true, NULL, 0, &c, &err), LT_OK);
    lt_rng r = {.state = 1};
    for (size_t i = 0; i < noise->count; i++)
        noise->samples[i] = 0.1 * lt_rng_gauss(&r);
    err = (lt_error){0};
    assert_int_equal(lt_response_continuity(noise, stimulus, true, NULL, 0, &c, &err), LT_E_SNR);
    noise->samples[7] = (double)NAN;
    assert_int_equal(lt_response_continuity(noise, stimulus, true, NULL, 0, &c, NULL), LT_E_FORMAT);
    assert_int_not_equal(lt_response_continuity(stimulus, noise, true, NULL, 0, &c, NULL), LT_OK);
    lt_signal_free(noise);
    lt_signal_free(stimulus);
}

SUITE(response_continuity)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(losses_on_one_clock_are_found),
        cmocka_unit_test(losses_between_repeats_on_two_clocks),
        cmocka_unit_test(losses_in_one_sweep_on_two_clocks),
        cmocka_unit_test(losses_at_another_rate),
        cmocka_unit_test(drift_is_no_loss),
        cmocka_unit_test(filled_gaps_are_found),
        cmocka_unit_test(a_suspicion_is_no_verdict),
        cmocka_unit_test(refusals),
        cmocka_unit_test(nothing_is_made_up),
    };
    return cmocka_run_group_tests_name("response_continuity", tests, NULL, NULL);
}
