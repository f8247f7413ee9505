/* SPDX-License-Identifier: MIT
 * Stimuli that we did not make, of which only the samples are known: plain exponential and linear sweeps, noises, a
 * maximum-length sequence. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

SUITE(response_foreign);

static const lane_path two[] = {{9.11, -6.0, true}, {13.4, -16.0, false}};

enum { RATE = 48000, SECONDS = 5 };

/* Fades of 10 ms at both ends, a second of silence after it. */
static lt_signal *with_tail(size_t count)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(count + RATE, RATE, &s, NULL), LT_OK);
    return s;
}

static void fade(lt_signal *s, size_t count)
{
    for (size_t i = 0; i < count; i++)
        s->samples[i] *= 0.4 * lt_fade((double)i / 480.0) * lt_fade((double)(count - i) / 480.0);
}

static lt_signal *exponential(double seconds, double from_hz, double to_hz)
{
    const size_t count = (size_t)(seconds * RATE);
    lt_signal *s = with_tail(count);
    const double growth = seconds / log(to_hz / from_hz);
    for (size_t i = 0; i < count; i++)
        s->samples[i] = sin(2.0 * LT_PI * from_hz * growth * expm1((double)i / RATE / growth));
    fade(s, count);
    return s;
}

static lt_signal *exponential_sweep(void)
{
    return exponential(SECONDS, 20.0, 20000.0);
}

/* A drift of 300 ppm bends the phases of this one by no more than half a radian. */
static lt_signal *short_sweep(void)
{
    return exponential(3.7, 70.0, 9000.0);
}

static lt_signal *linear_sweep(void)
{
    const size_t count = (size_t)SECONDS * RATE;
    lt_signal *s = with_tail(count);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE;
        s->samples[i] = sin(2.0 * LT_PI * (20.0 * t + 0.5 * (20000.0 - 20.0) / SECONDS * t * t));
    }
    fade(s, count);
    return s;
}

/* One period of 2^17 - 1 from x^17 + x^3 + 1. */
static lt_signal *maximum_length_sequence(void)
{
    const size_t count = (1U << 17) - 1;
    lt_signal *s = with_tail(count);
    uint32_t shift = 1;
    for (size_t i = 0; i < count; i++) {
        s->samples[i] = (shift & 1U) != 0 ? 0.25 : -0.25;
        const uint32_t bit = (shift ^ (shift >> 14)) & 1U;
        shift = (shift >> 1) | (bit << 16);
    }
    return s;
}

static lt_signal *noise(lt_noise_kind kind)
{
    lt_noise_options o = lt_noise_default_options();
    o.kind = kind;
    o.seconds = SECONDS;
    lt_signal *s = NULL;
    assert_int_equal(lt_noise_create(&o, &s, NULL), LT_OK);
    return s;
}

static lt_signal *pink(void)
{
    return noise(LT_NOISE_PINK);
}

static lt_signal *white(void)
{
    return noise(LT_NOISE_WHITE);
}

static lt_signal *speech_shaped(void)
{
    return noise(LT_NOISE_SPEECH);
}

static void foreign_stimuli_work(void **state)
{
    (void)state;
    const struct {
        const char *label;
        lt_signal *(*make)(void);
        size_t bands;
        bool drift_known;
    } rows[] = {
        {"exponential sweep", exponential_sweep, 20, true},
        {"short sweep", short_sweep, 15, true},
        {"linear sweep", linear_sweep, 14, true},
        {"maximum-length sequence", maximum_length_sequence, 14, true},
        {"pink noise", pink, 18, true},
        {"white noise", white, 12, true},
        {"speech noise", speech_shaped, 10, true},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = rows[i].make();
        for (int other_clock = 0; other_clock < 2; other_clock++) {
            const lane l = {.paths = two,
                            .path_count = COUNT(two),
                            .speaker = true,
                            .early_s = 0.8,
                            .extra_s = 0.6,
                            .drift_ppm = other_clock ? 57.0 : 0.0,
                            .rate_hz = other_clock ? 44100.0 : 0.0,
                            .noise = true,
                            .noise_db = -35.0,
                            .gain_db = -3.0,
                            .seed = 40 + i};
            lt_response *r = lane_measure(rows[i].label, &l, s);
            bad += lane_misses(rows[i].label, &l, s, r, rows[i].bands, rows[i].drift_known);
            lt_response_free(r);
        }
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* The noise beyond the end of a sweep is no noise of its last band: in a flat path with white noise the ratio falls by
 * 10 lg of the frequency, and the level stays. */
static void noise_beyond_the_sweep_does_not_count(void **state)
{
    (void)state;
    static const lane_path flat[] = {{5.0, -6.0, false}};
    static const double to_hz[] = {9000.0, 12000.0, 15000.0}; /* the last bands end at 8913, 11220 and 14125 Hz */
    int bad = 0;
    for (size_t i = 0; i < COUNT(to_hz); i++) {
        lt_signal *s = exponential(SECONDS, 60.0, to_hz[i]);
        const lane l = {
            .paths = flat, .path_count = 1, .extra_s = 0.5, .noise = true, .noise_db = -25.0, .seed = 7 + i};
        lt_response *r = lane_measure("flat", &l, s);
        const lt_response_band *last = &r->bands[r->band_count - 1];
        bad += !near_abs("level", last->level_db, -6.0, 0.2);
        bad += !near_abs("snr", last->snr_db, last[-1].snr_db - 1.0, 1.5);
        lt_response_free(r);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

int response_foreign_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(foreign_stimuli_work),
        cmocka_unit_test(noise_beyond_the_sweep_does_not_count),
    };
    return cmocka_run_group_tests_name("response_foreign", tests, NULL, NULL);
}
