/* SPDX-License-Identifier: MIT
 * Mains hum: found with the right frequency and level, and not found where there is none. */
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

enum { SEEDS = 10 };

static lt_signal *make(double rate_hz, double seconds)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)(seconds * rate_hz), rate_hz, &s, &(lt_error){0}), LT_OK);
    return s;
}

/* Road noise: white noise through a first-order low-pass, falling 6 dB an octave above 300 Hz, and passing vehicles. */
static void add_traffic(lt_signal *s, double rms, uint64_t seed)
{
    lt_rng r = {seed};
    const double g = exp(-2.0 * LT_PI * 300.0 / s->rate_hz);
    double y = 0.0;
    double passes[4];
    for (size_t k = 0; k < 4; k++)
        passes[k] = lt_rng_uniform(&r) * (double)s->count / s->rate_hz;
    for (size_t i = 0; i < s->count; i++) {
        const double t = (double)i / s->rate_hz;
        double envelope = 0.3;
        for (size_t k = 0; k < 4; k++)
            envelope += 2.0 / (1.0 + (t - passes[k]) * (t - passes[k]));
        y = g * y + sqrt(1.0 - g * g) * lt_rng_gauss(&r);
        s->samples[i] += rms * envelope * y;
    }
}

static void add_sine(lt_signal *s, double hz, double level_dbfs)
{
    const double amplitude = pow(10.0, level_dbfs / 20.0);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] += amplitude * sin(2.0 * LT_PI * fmod(hz * (double)i / s->rate_hz, 1.0) + 0.7 * hz);
}

/* Firing orders of an engine whose speed hunts by half a percent, or holds perfectly still. */
static void add_engine(lt_signal *s, double hz, double hunt, double rms, uint64_t seed)
{
    lt_rng r = {seed};
    double wander = 0.0;
    double phase = 0.0;
    for (size_t i = 0; i < s->count; i++) {
        wander = 0.9999 * wander + 0.0141 * lt_rng_gauss(&r); /* unit variance, about 0.2 s at 48 kHz */
        phase += 2.0 * LT_PI * hz * (1.0 + hunt * wander) / s->rate_hz;
        double last = 0.0;
        double here = sin(phase);
        for (int k = 1; k <= 16; k++) { /* sin(k phase) by its recurrence */
            s->samples[i] += (k % 3 == 0 ? -rms : rms) / k * here;
            const double next = 2.0 * cos(phase) * here - last;
            last = here;
            here = next;
        }
    }
}

static lt_levels *measure(const lt_signal *s)
{
    lt_levels *l = calloc(1, sizeof *l);
    lt_error err = {0};
    assert_non_null(l);
    if (lt_levels_measure(s, 0.0, l, &err) != LT_OK)
        fail_msg("%s", err.what);
    return l;
}

static double line_at(const lt_levels *l, double hz)
{
    for (size_t i = 0; i < l->line_count; i++)
        if (fabs(l->lines[i].hz - hz) < 0.002 * hz + 0.3)
            return l->lines[i].level_db;
    return (double)NAN;
}

/* ---- what is there ---- */

static const struct {
    const char *what;
    double mains_hz, rate_hz, seconds, noise;
    double clock;       /* recorder's clock and mains: factor on all frequencies */
    double level_db[8]; /* of harmonics 1 .. 8, 0 = none */
} hums[] = {
    {"50 Hz and harmonics", 50, 48000, 30, 0.003, 1.0, {-40, -50, -45, -55, -50}},
    {"60 Hz and harmonics", 60, 44100, 30, 0.003, 1.0, {-40, -50, -45, -55, -50}},
    {"off by 0.2 %", 50, 48000, 30, 0.003, 1.002, {-40, -50, -45, -55, -50, -52, -50}},
    {"off by -0.15 %", 60, 48000, 30, 0.003, 0.9985, {-40, -50, -45, -55, -50}},
    {"fundamental alone", 50, 48000, 20, 0.003, 1.0, {-40}},
    {"fundamental alone", 60, 16000, 20, 0.003, 1.0, {-40}},
    {"buzz without fundamental", 50, 48000, 30, 0.001, 1.0, {0, -50, 0, -50, 0, -50, 0, -55}},
    {"buzz without fundamental", 60, 48000, 30, 0.001, 1.0, {0, -50, 0, -50, 0, -50, 0, -55}},
    {"buzz above the traffic", 60, 48000, 30, 0.01, 1.0, {0, 0, 0, 0, 0, -45, -45, -45}},
    {"short", 50, 48000, 2, 0.001, 1.0, {-30, -35, -35}},
    {"shorter than a block", 60, 48000, 3.3, 0.001, 1.0, {-30, -35, -35}},
    {"low rate", 60, 8000, 15, 0.001, 1.0, {-40, -45, -50}},
    {"lowest rate", 50, 4000, 15, 0.001, 1.0, {-40, -45, -50}},
    {"high rate", 50, 192000, 10, 0.001, 1.0, {-40, -45, -50}},
    {"no noise at all", 50, 48000, 10, 0.0, 1.0, {-40, -60, -80}},
};

static int check_hum(size_t k, uint64_t seed)
{
    lt_signal *s = make(hums[k].rate_hz, hums[k].seconds);
    if (hums[k].noise > 0.0)
        add_traffic(s, hums[k].noise, seed);
    double power = 0.0;
    for (size_t h = 0; h < 8; h++) {
        if (hums[k].level_db[h] >= 0.0)
            continue;
        add_sine(s, hums[k].mains_hz * hums[k].clock * (double)(h + 1), hums[k].level_db[h]);
        power += lt_power_from_db(hums[k].level_db[h]);
    }
    lt_levels *l = measure(s);
    int bad = 0;
    char row[96];
    (void)snprintf(row, sizeof row, "%s, %g Hz, seed %u", hums[k].what, hums[k].mains_hz, (unsigned)seed);
    bad += !near_abs(row, l->hum ? l->mains_hz : 0.0, hums[k].mains_hz, 0.0);
    for (size_t h = 0; h < 8 && l->hum; h++)
        if (hums[k].level_db[h] < 0.0)
            bad += !near_abs(row, line_at(l, hums[k].mains_hz * (double)(h + 1)), hums[k].level_db[h], 0.5);
    bad += l->hum && !near_abs(row, l->hum_level_db, lt_db_from_power(power), 0.5);
    for (size_t i = 1; i < l->line_count; i++)
        bad += l->lines[i].hz <= l->lines[i - 1].hz;
    free(l);
    lt_signal_free(s);
    return bad;
}

static void hum_is_found_with_its_lines(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < COUNT(hums); k++)
        for (uint64_t seed = 1; seed <= 3; seed++)
            bad += check_hum(k, seed);
    assert_int_equal(bad, 0);
}

/* One vehicle 40 dB over the rest: the plain average shows no line, the quiet rest does. */
static void hum_is_found_beside_a_passing_truck(void **state)
{
    (void)state;
    int bad = 0;
    for (uint64_t seed = 1; seed <= 3; seed++) {
        lt_signal *s = make(16000.0, 60.0);
        fill_gauss(s->samples, s->count, 0.0003, seed);
        for (size_t i = 300000; i < 380000; i++)
            s->samples[i] *= 300.0;
        add_sine(s, 120.0, -62.0);
        add_sine(s, 240.0, -62.0);
        lt_levels *l = measure(s);
        bad += !near_abs("mains", l->mains_hz, 60.0, 0.0);
        bad += !near_abs("120 Hz", line_at(l, 120.0), -62.0, 0.5);
        bad += !near_abs("240 Hz", line_at(l, 240.0), -62.0, 0.5);
        free(l);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void hum_is_found_beside_an_engine(void **state)
{
    (void)state;
    int bad = 0;
    for (uint64_t seed = 1; seed <= 3; seed++) {
        lt_signal *s = make(16000.0, 30.0);
        add_traffic(s, 0.001, seed);
        add_engine(s, 27.0, 0.0, 0.01, seed);
        for (int h = 1; h <= 5; h++)
            add_sine(s, 60.0 * h, -50.0);
        lt_levels *l = measure(s);
        bad += !near_abs("mains", l->mains_hz, 60.0, 0.0);
        bad += !near_abs("hum", l->hum_level_db, -50.0 + 10.0 * log10(5.0), 0.5);
        free(l);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* A recording that is digital silence but for its second half: the lines' mean over all of it. */
static void hum_of_a_half_silent_recording_is_the_mean(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 64.0);
    add_sine(s, 50.0, -40.0);
    add_sine(s, 150.0, -40.0);
    fill_gauss(s->samples, s->count / 2, 1e-6, 4);
    lt_levels *l = measure(s);
    int bad = 0;
    bad += !near_abs("mains", l->mains_hz, 50.0, 0.0);
    bad += !near_abs("50 Hz", line_at(l, 50.0), -43.0, 0.5);
    bad += !near_abs("150 Hz", line_at(l, 150.0), -43.0, 0.5);
    free(l);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* ---- what is not there ---- */

typedef void (*add_sound)(lt_signal *s, uint64_t seed);

static void only_traffic(lt_signal *s, uint64_t seed)
{
    add_traffic(s, 0.02, seed);
}

static void only_white(lt_signal *s, uint64_t seed)
{
    fill_gauss(s->samples, s->count, 0.02, seed);
}

static void hunting_engine(lt_signal *s, uint64_t seed)
{
    add_traffic(s, 0.001, seed);
    add_engine(s, 22.0 + (double)seed, 0.005, 0.01, seed);
}

static void steady_engine(lt_signal *s, uint64_t seed)
{
    add_traffic(s, 0.001, seed);
    add_engine(s, 27.0 + 0.01 * (double)seed, 0.0, 0.01, seed);
}

static void engine_at_half_the_mains(lt_signal *s, uint64_t seed)
{
    add_traffic(s, 0.0005, seed);
    add_engine(s, seed % 2 == 0 ? 25.0 : 30.0, 0.0, 0.01, seed);
}

static void tone_of_1_khz(lt_signal *s, uint64_t seed)
{
    add_traffic(s, 0.001, seed);
    add_sine(s, 1000.0, -20.0);
}

static void tone_with_distortion(lt_signal *s, uint64_t seed)
{
    only_white(s, seed);
    add_sine(s, 600.0, -20.0);
    add_sine(s, 1200.0, -40.0);
    add_sine(s, 1800.0, -50.0);
}

static void falls_for(const char *what, add_sound add, double rate_hz, double seconds, int *bad)
{
    for (uint64_t seed = 1; seed <= SEEDS; seed++) {
        lt_signal *s = make(rate_hz, seconds);
        add(s, seed);
        lt_levels *l = measure(s);
        if (l->hum) {
            (void)fprintf(stderr, "%s, %g s, seed %u: hum of %g Hz, %zu lines, first %g Hz %.1f dB\n", what, seconds,
                          (unsigned)seed, l->mains_hz, l->line_count, l->lines[0].hz, l->lines[0].level_db);
            ++*bad;
        }
        free(l);
        lt_signal_free(s);
    }
}

static void no_hum_is_made_up(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        add_sound add;
    } sounds[] = {
        {"traffic", only_traffic},
        {"white noise", only_white},
        {"hunting engine", hunting_engine},
        {"steady engine", steady_engine},
        {"engine at half the mains", engine_at_half_the_mains},
        {"1 kHz", tone_of_1_khz},
        {"tone with distortion", tone_with_distortion},
    };
    int bad = 0;
    for (size_t k = 0; k < COUNT(sounds); k++) {
        falls_for(sounds[k].what, sounds[k].add, 8000.0, 30.0, &bad);
        falls_for(sounds[k].what, sounds[k].add, 16000.0, 2.0, &bad);
        falls_for(sounds[k].what, sounds[k].add, 22050.0, 9.0, &bad);
    }
    assert_int_equal(bad, 0);
}

SUITE(level_hum)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(hum_is_found_with_its_lines),
        cmocka_unit_test(hum_is_found_beside_a_passing_truck),
        cmocka_unit_test(hum_is_found_beside_an_engine),
        cmocka_unit_test(hum_of_a_half_silent_recording_is_the_mean),
        cmocka_unit_test(no_hum_is_made_up),
    };
    return cmocka_run_group_tests_name("level_hum", tests, NULL, NULL);
}
