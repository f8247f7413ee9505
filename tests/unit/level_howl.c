/* SPDX-License-Identifier: MIT
 * Howl detector: loops that have just become unstable are told in time and at their frequency; sweeps, hum, steady and
 * switched tones, speech-like sounds and noise are not. */
#include "near.h"
#include "suite.h"

#include <lanetune/level.h>

#include <stdlib.h>

enum { RATE = 48000 };

/* Where it was told, seconds; -1 = never. Blocks of changing sizes, as a device delivers them. */
static double told_at(const double *x, const double *played, size_t count, double rate_hz, lt_howl_event *event)
{
    lt_howl *h = NULL;
    assert_int_equal(lt_howl_create(rate_hz, &h, NULL), LT_OK);
    double at = -1.0;
    for (size_t i = 0, n = 1; i < count && at < 0.0; i += n) {
        n = (i * 7 + 13) % 1500 + 1;
        n = n < count - i ? n : count - i;
        if (lt_howl_push(h, x + i, played != NULL ? played + i : NULL, n, event))
            at = (double)(i + n) / rate_hz;
    }
    lt_howl_free(h);
    return at;
}

/* 1 where a howl was told, and which. */
static int is_told(const char *label, double number, const double *x, const double *played, size_t count)
{
    lt_howl_event e = {0};
    if (told_at(x, played, count, RATE, &e) < 0.0)
        return 0;
    print_error("%s %g: %g Hz at %g s, %g dB/s\n", label, number, e.hz, e.at_s, e.rise_db_per_s);
    return 1;
}

static double *zeros(size_t count)
{
    double *x = calloc(count, sizeof *x);
    assert_non_null(x);
    return x;
}

static void add_noise(double *x, size_t count, double rms, uint64_t seed)
{
    lt_rng r = {.state = seed};
    for (size_t i = 0; i < count; i++)
        x[i] += rms * lt_rng_gauss(&r);
}

/* Noise that falls by 6 dB an octave above 60 Hz, like a road. */
static void add_road(double *x, size_t count, double rate_hz, double rms, uint64_t seed)
{
    lt_rng r = {.state = seed};
    double y = 0.0;
    const double a = exp(-2.0 * LT_PI * 60.0 / rate_hz), scale = rms * sqrt(1.0 - a * a) / (1.0 - a);
    for (size_t i = 0; i < count; i++) {
        y = a * y + (1.0 - a) * lt_rng_gauss(&r);
        x[i] += scale * y;
    }
}

/* Level grows from floor_db at db_per_s until it reaches the limiter at 0.8. */
static void add_howl(double *x, size_t count, double rate_hz, double hz, double from_s, double floor_db,
                     double db_per_s)
{
    for (size_t i = (size_t)(from_s * rate_hz); i < count; i++) {
        const double t = (double)i / rate_hz - from_s;
        const double a = lt_amplitude_from_db(fmin(floor_db + db_per_s * t, -2.0));
        x[i] += a * sin(2.0 * LT_PI * hz * t);
    }
}

static void add_sweep(double *x, size_t count, double rate_hz, double from_hz, double to_hz, double peak,
                      double delay_s)
{
    const double seconds = (double)count / rate_hz, growth = seconds / log(to_hz / from_hz);
    for (size_t i = (size_t)(delay_s * rate_hz); i < count; i++) {
        const double t = (double)i / rate_hz - delay_s;
        x[i] += peak * sin(2.0 * LT_PI * from_hz * growth * (exp(t / growth) - 1.0));
    }
}

/* The noise in a window of 35 Hz decides when a tone stands out: 21 dB above that. */
static void growing_howls_are_told_in_time(void **state)
{
    (void)state;
    static const double rises[] = {3.0, 6.0, 12.0, 20.0, 40.0, 80.0, 120.0, 200.0};
    static const double tones[] = {210.0, 437.0, 1003.0, 2512.0, 3777.7, 7900.0};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rises); r++)
        for (size_t f = 0; f < COUNT(tones); f++)
            for (unsigned rate = 0; rate < (rises[r] < 20.0 ? 1 : 2); rate++) {
                const double rate_hz = rate == 0 ? 48000.0 : 44100.0;
                const size_t count = (size_t)((2.0 + 21.0 / rises[r]) * rate_hz);
                double *x = zeros(count);
                add_noise(x, count, 0.003, 5 + f); /* -47.4 dBFS; in 35 Hz, the width of the window: -75.8 dBFS */
                add_howl(x, count, rate_hz, tones[f], 0.5, -75.8, rises[r]);
                const double stands_out_s = 0.5 + 21.0 / rises[r];
                lt_howl_event e = {0};
                const double at = told_at(x, NULL, count, rate_hz, &e);
                char label[80];
                (void)snprintf(label, sizeof label, "%g Hz, %g dB/s at %g Hz: seconds", tones[f], rises[r], rate_hz);
                /* a slow one may be told by what it has risen before it stands out */
                bad += !in_range(label, at - stands_out_s, fmin(-0.35, -5.0 / rises[r]), 0.25);
                bad += !near_rel(label, e.hz, tones[f], 0.01);
                bad += !in_range(label, e.rise_db_per_s / rises[r], 0.5, 2.2);
                bad += !near_abs(label, e.at_s, at, 0.04);
                free(x);
            }
    assert_int_equal(bad, 0);
}

/* When the return of a sweep of 50 Hz to 18 kHz has moved on by 35 Hz, the width of the window: only then can anything
 * tell another tone from it. */
static double left_s(double hz, double sweep_s, double delay_s)
{
    return sweep_s * log((hz + 35.0) / 50.0) / log(360.0) + delay_s;
}

/* A loop that a sweep wakes: it grows from the moment when the sweep passes its frequency, under a loud return, up to a
 * limiter that gives it odd harmonics. Told within a quarter second from where it can be told from the sweep. */
static void howls_under_a_sweep_are_told(void **state)
{
    (void)state;
    static const double rises[] = {30.0, 60.0, 150.0};
    static const double tones[] = {330.0, 1000.0, 2500.0};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rises); r++)
        for (size_t f = 0; f < COUNT(tones); f++) {
            const size_t count = 10 * RATE;
            double *x = zeros(count), *played = zeros(count);
            add_sweep(played, count, RATE, 50.0, 18000.0, 0.1, 0.0);
            const double passes_s = 10.0 * log(tones[f] / 50.0) / log(360.0);
            add_howl(x, count, RATE, tones[f], passes_s, -34.0, rises[r]); /* the return: -34 dB */
            for (size_t i = 0; i < count; i++)
                x[i] = fmax(-0.2, fmin(0.2, x[i]));
            add_sweep(x, count, RATE, 50.0, 18000.0, 0.02, 0.03);
            add_noise(x, count, 0.0003, 3);
            lt_howl_event e = {0};
            const double at = told_at(x, played, count, RATE, &e);
            char label[80];
            (void)snprintf(label, sizeof label, "under a sweep, %g Hz, %g dB/s", tones[f], rises[r]);
            bad += !in_range(label, at - left_s(tones[f], 10.0, 0.03), -0.3, 0.25);
            bad += !near_rel("under a sweep: hertz", e.hz, tones[f], 0.01);
            free(x);
            free(played);
        }
    assert_int_equal(bad, 0);
}

/* A loop that closes as the sweep comes by: its own return, delayed, through a band filter (RBJ, constant peak gain)
 * and amplified so that it grows by db_per_s at hz, where the delay is a whole number of turns; up to a limiter. */
static void close_loop(double *x, size_t count, double hz, double delay_s, double db_per_s, double from_s)
{
    const double w = 2.0 * LT_PI * hz / RATE, q = 2.0, alpha = sin(w) / (2.0 * q);
    const double b = alpha / (1.0 + alpha), a1 = -2.0 * cos(w) / (1.0 + alpha), a2 = (1.0 - alpha) / (1.0 + alpha);
    const size_t delay = (size_t)lround(delay_s * RATE);
    const double gain = lt_amplitude_from_db(db_per_s * (delay_s + 2.0 * q / (w * RATE))); /* filter: 2Q/w of delay */
    double z1 = 0.0, z2 = 0.0;
    for (size_t i = (size_t)(from_s * RATE); i < count; i++) {
        const double back = x[i - delay], y = b * back + z1;
        z1 = z2 - a1 * y;
        z2 = -b * back - a2 * y;
        x[i] = fmax(-0.9, fmin(0.9, x[i] + gain * y));
    }
}

static void a_loop_that_a_sweep_wakes_is_told(void **state)
{
    (void)state;
    static const struct {
        double hz, delay_s, db_per_s;
    } loops[] = {{250.0, 0.004, 40.0},  {250.0, 0.008, 120.0}, {500.0, 0.002, 20.0},  {800.0, 0.005, 60.0},
                 {1250.0, 0.004, 30.0}, {2000.0, 0.002, 90.0}, {3000.0, 0.003, 25.0}, {4000.0, 0.002, 150.0}};
    int bad = 0;
    for (size_t l = 0; l < COUNT(loops); l++) {
        const size_t count = 8 * RATE;
        double *x = zeros(count), *played = zeros(count);
        add_sweep(played, count, RATE, 50.0, 18000.0, 0.1, 0.0);
        add_sweep(x, count, RATE, 50.0, 18000.0, 0.02, 0.03);
        add_noise(x, count, 0.0003, l);
        close_loop(x, count, loops[l].hz, loops[l].delay_s, loops[l].db_per_s, left_s(loops[l].hz - 35.0, 8.0, 0.0));
        lt_howl_event e = {0};
        const double at = told_at(x, played, count, RATE, &e);
        char label[80];
        (void)snprintf(label, sizeof label, "loop of %g s, %g Hz, %g dB/s", loops[l].delay_s, loops[l].hz,
                       loops[l].db_per_s);
        bad += !in_range(label, at - left_s(loops[l].hz, 8.0, 0.03), -0.3, 0.25);
        /* another mode of the loop may be first */
        bad += !near_abs(label, e.hz * loops[l].delay_s, round(e.hz * loops[l].delay_s), 0.2);
        free(x);
        free(played);
    }
    assert_int_equal(bad, 0);
}

/* The sweep's return in a reverberant lane with resonances: what rings on. T60 of a resonance: 2.2 Q/f. */
static void add_lane(double *x, const double *played, size_t count, uint64_t seed)
{
    lt_rng r = {.state = seed};
    const size_t length = RATE / 2, delay = (size_t)((0.005 + 0.05 * lt_rng_uniform(&r)) * RATE);
    const double decay = log(1000.0) / ((0.2 + 0.4 * lt_rng_uniform(&r)) * RATE);
    const size_t n = lt_rfft_good_size(count + length);
    lt_rfft *fft = NULL;
    assert_int_equal(lt_rfft_create(n, &fft, NULL), LT_OK);
    double *h = zeros(n), *y = zeros(n);
    lt_complex *a = calloc(n / 2 + 1, sizeof *a), *b = calloc(n / 2 + 1, sizeof *b);
    assert_true(a != NULL && b != NULL);
    for (size_t i = 0; i < length; i++)
        h[i] = 0.03 * exp(-decay * (double)i) * lt_rng_gauss(&r);
    h[0] += 1.0;
    for (int k = 0; k < 3; k++) {
        const double hz = 150.0 * pow(20.0, lt_rng_uniform(&r)), w = 2.0 * LT_PI * hz / RATE;
        for (size_t i = 0; i < length; i++)
            h[i] += 3.0 * w / 30.0 * exp(-w * (double)i / 60.0) * sin(w * (double)i); /* Q 30 */
    }
    lt_rfft_forward_padded(fft, h, length, a);
    lt_rfft_forward_padded(fft, played, count, b);
    for (size_t k = 0; k <= n / 2; k++)
        a[k] = lt_complex_multiply(a[k], b[k]);
    lt_rfft_inverse(fft, a, y);
    for (size_t i = delay; i < count; i++)
        x[i] += 0.2 * y[i - delay];
    free(a);
    free(b);
    free(h);
    free(y);
    lt_rfft_free(fft);
}

static void lanes_that_ring_on_are_no_howl(void **state)
{
    (void)state;
    int bad = 0;
    for (uint64_t seed = 1; seed <= 6; seed++) {
        const double sweep_s = 2.0 + (double)seed;
        const size_t count = (size_t)((sweep_s + 1.0) * RATE);
        double *x = zeros(count), *played = zeros(count);
        add_sweep(played, (size_t)(sweep_s * RATE), RATE, 50.0, 16000.0, 0.2, 0.0);
        add_lane(x, played, count, seed);
        add_road(x, count, RATE, 0.002, seed);
        add_noise(x, count, 1e-4, seed);
        bad += is_told("lane", (double)seed, x, played, count);
        free(x);
        free(played);
    }
    assert_int_equal(bad, 0);
}

static void sweeps_are_no_howl(void **state)
{
    (void)state;
    static const double lengths_s[] = {2.0, 5.0, 10.0, 40.0};
    int bad = 0;
    for (size_t l = 0; l < COUNT(lengths_s); l++)
        for (int known = lengths_s[l] > 10.0; known < 2; known++) { /* a slow one stands almost still */
            const size_t count = (size_t)(lengths_s[l] * RATE);
            double *x = zeros(count), *played = zeros(count);
            add_sweep(played, count, RATE, 50.0, 18000.0, 0.5, 0.0);
            add_sweep(x, count, RATE, 50.0, 18000.0, 0.1, 0.02);
            add_sweep(x, count, RATE, 50.0, 18000.0, 0.03, 0.09); /* echoes beat with it */
            add_sweep(x, count, RATE, 50.0, 18000.0, 0.04, 0.027);
            for (size_t i = 0; i < count; i++)
                x[i] += 0.3 * x[i] * x[i]; /* distortion */
            /* fades in over its length, as a loudspeaker does from the bass up */
            for (size_t i = 0; i < count; i++)
                x[i] *= 0.01 + 0.99 * pow((double)i / (double)count, 2.0);
            add_noise(x, count, 1e-4, 9);
            bad += is_told("sweep of seconds", lengths_s[l], x, known ? played : NULL, count);
            free(x);
            free(played);
        }
    assert_int_equal(bad, 0);
}

/* Glottal pulses with a moving pitch through moving resonances, syllables with soft and hard onsets. */
static void add_voice(double *x, size_t count, double rate_hz, uint64_t seed)
{
    lt_rng r = {.state = seed};
    double phase = 0.0, low[3][2] = {{0}};
    size_t at = 0;
    while (at < count) {
        const double pitch = 80.0 + 200.0 * lt_rng_uniform(&r), glide = 0.6 * (lt_rng_uniform(&r) - 0.5);
        const double seconds = 0.08 + 0.3 * lt_rng_uniform(&r), attack = 0.01 + 0.12 * lt_rng_uniform(&r);
        const double formant[3] = {300.0 + 500.0 * lt_rng_uniform(&r), 900.0 + 1300.0 * lt_rng_uniform(&r), 2600.0};
        const bool voiced = lt_rng_uniform(&r) < 0.75;
        const size_t n = (size_t)(seconds * rate_hz);
        for (size_t i = 0; i < n && at < count; i++, at++) {
            const double t = (double)i / rate_hz;
            const double envelope = lt_fade(t / attack) * lt_fade((seconds - t) / 0.05);
            phase += pitch * (1.0 + glide * t / seconds) / rate_hz;
            const bool pulse = phase >= 1.0;
            phase -= pulse ? 1.0 : 0.0;
            double y = voiced ? (pulse ? 8.0 : 0.0) : 0.3 * lt_rng_gauss(&r);
            for (int k = 0; k < 3; k++) { /* resonators with 80 Hz of bandwidth */
                const double radius = exp(-LT_PI * 80.0 / rate_hz);
                const double out = y * (1.0 - radius) +
                                   2.0 * radius * cos(2.0 * LT_PI * formant[k] / rate_hz) * low[k][0] -
                                   radius * radius * low[k][1];
                low[k][1] = low[k][0];
                low[k][0] = out;
            }
            x[at] += 0.2 * envelope * (low[0][0] + 0.6 * low[1][0] + 0.3 * low[2][0]);
        }
        at += (size_t)(0.15 * lt_rng_uniform(&r) * rate_hz);
    }
}

/* Music on hold: chords that swell within 20 ms to 2 s and go, with and without vibrato and partials; or short notes of
 * a whistle. */
static void add_music(double *x, size_t count, double rate_hz, bool chords, uint64_t seed)
{
    lt_rng r = {.state = seed + 50};
    for (size_t at = 0; at < count;) {
        const double seconds = chords ? 0.5 + 4.0 * lt_rng_uniform(&r) : 0.15 + 0.5 * lt_rng_uniform(&r);
        const double attack = chords ? 0.02 * pow(100.0, lt_rng_uniform(&r)) : 0.03;
        const size_t n = (size_t)(seconds * rate_hz), voices = chords ? 3 : 1;
        for (size_t v = 0; v < voices; v++) {
            const double hz = 220.0 * pow(2.0, floor(36.0 * lt_rng_uniform(&r)) / 12.0);
            const double vibrato = lt_rng_uniform(&r) < 0.5 ? 0.005 * lt_rng_uniform(&r) : 0.0;
            const int partials = chords ? 1 + (int)(5.0 * lt_rng_uniform(&r)) : 1;
            double phase = 0.0;
            for (size_t i = 0; i < n && at + i < count; i++) {
                const double t = (double)i / rate_hz;
                phase += hz * (1.0 + vibrato * sin(35.0 * t)) / rate_hz;
                for (int p = 1; p <= partials; p++)
                    x[at + i] += 0.03 / (p * p) * lt_fade(t / attack) * lt_fade((seconds - t) / 0.1) *
                                 sin(2.0 * LT_PI * p * phase);
            }
        }
        at += n;
    }
}

/* Chords while a sweep plays, that begin as it passes, too. A tone that swells for a while cannot always be told from a
 * slow howl: one in thirty may stop a sweep. */
static void chords_under_a_sweep_are_no_howl(void **state)
{
    (void)state;
    int alarms = 0;
    const size_t count = 8 * RATE;
    for (uint64_t seed = 1; seed <= 16; seed++) {
        double *x = zeros(count), *played = zeros(count);
        add_sweep(played, count, RATE, 50.0, 18000.0, 0.1, 0.0);
        add_sweep(x, count, RATE, 50.0, 18000.0, 0.02, 0.03);
        add_music(x, count, RATE, true, seed + 100);
        add_noise(x, count, 1e-4, seed);
        alarms += is_told("chords", (double)seed, x, played, count);
        free(x);
        free(played);
    }
    assert_true(alarms <= 1);
}

static void other_sounds_are_no_howl(void **state)
{
    (void)state;
    int bad = 0;
    const size_t count = 20 * RATE;
    for (uint64_t seed = 1; seed <= 6; seed++)
        for (int kind = 0; kind < 7; kind++) {
            double *x = zeros(count);
            if (kind == 0)
                add_voice(x, count, RATE, seed);
            if (kind == 5 || kind == 6)
                add_music(x, count, RATE, kind == 5, seed);
            add_road(x, count, RATE, kind == 1 ? 0.05 : 0.002, seed);
            add_noise(x, count, 1e-4, seed);
            for (size_t i = 0; i < count; i++) {
                const double t = (double)i / RATE;
                if (kind == 2) /* mains hum with partials, slowly changing */
                    for (int k = 1; k <= 9; k++)
                        x[i] += 0.01 / k * (1.0 + 0.3 * sin(0.7 * t + k)) * sin(2.0 * LT_PI * 60.0 * k * t);
                if (kind == 3) /* a tone that is switched on and off, with attacks of 5 to 100 ms */
                    x[i] += 0.05 * lt_fade(fmod(t, 2.0) / (0.005 + 0.095 * fmod(floor(t / 2.0), 7.0) / 7.0)) *
                            lt_fade((1.5 - fmod(t, 2.0)) / 0.02) * sin(2.0 * LT_PI * 1000.0 * t);
                if (kind == 4) /* an engine that comes by: its order rises in level and wanders in pitch */
                    x[i] += 0.05 / (1.0 + pow((t - 10.0) / 4.0, 2.0)) *
                            (sin(2.0 * LT_PI * (95.0 * t + 3.0 * sin(0.9 * t))) +
                             0.5 * sin(4.0 * LT_PI * (95.0 * t + 3.0 * sin(0.9 * t))));
            }
            char label[40];
            (void)snprintf(label, sizeof label, "kind %d, seed", kind);
            bad += is_told(label, (double)seed, x, NULL, count);
            free(x);
        }
    assert_int_equal(bad, 0);
}

/* A calibrator that is switched on, and one that is slid over the microphone within half a second. */
static void a_played_tone_is_no_howl(void **state)
{
    (void)state;
    const size_t count = 4 * RATE;
    double *x = zeros(count), *played = zeros(count);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE;
        played[i] = 0.2 * lt_fade((t - 1.0) / 0.5) * sin(2.0 * LT_PI * 500.0 * t);
        x[i] = lt_amplitude_from_db(fmin(-70.0 + 60.0 * fmax(t - 1.0, 0.0), -20.0)) * sin(2.0 * LT_PI * 500.0 * t);
    }
    add_noise(x, count, 1e-4, 2);
    lt_howl_event e;
    assert_true(told_at(x, played, count, RATE, &e) < 0.0);
    assert_true(told_at(x, NULL, count, RATE, &e) > 1.0); /* the same, not played by us, is one */
    free(x);
    free(played);
}

static void blocks_reset_and_errors(void **state)
{
    (void)state;
    lt_howl *h = NULL;
    lt_error err = {0};
    assert_int_equal(lt_howl_create(7999.0, &h, &err), LT_E_ARG);
    assert_null(h);
    assert_int_equal(lt_howl_create((double)NAN, &h, NULL), LT_E_ARG);
    assert_int_equal(lt_howl_create(RATE, &h, NULL), LT_OK);
    const size_t count = 2 * RATE;
    double *x = zeros(count);
    add_noise(x, count, 1e-3, 1);
    add_howl(x, count, RATE, 800.0, 0.2, -80.0, 100.0);
    x[5] = (double)NAN;
    lt_howl_event whole, parts = {0};
    assert_true(lt_howl_push(h, x, NULL, count, &whole));
    lt_howl_reset(h);
    assert_false(lt_howl_push(h, x, NULL, 0, &parts));
    bool found = false;
    for (size_t i = 0; i < count && !found; i += 64)
        found = lt_howl_push(h, x + i, NULL, 64, &parts);
    assert_true(found);
    assert_memory_equal(&whole, &parts, sizeof whole);
    lt_howl_free(h);
    lt_howl_free(NULL);
    free(x);
}

SUITE(level_howl)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(growing_howls_are_told_in_time),    cmocka_unit_test(howls_under_a_sweep_are_told),
        cmocka_unit_test(a_loop_that_a_sweep_wakes_is_told), cmocka_unit_test(chords_under_a_sweep_are_no_howl),
        cmocka_unit_test(lanes_that_ring_on_are_no_howl),    cmocka_unit_test(sweeps_are_no_howl),
        cmocka_unit_test(other_sounds_are_no_howl),          cmocka_unit_test(a_played_tone_is_no_howl),
        cmocka_unit_test(blocks_reset_and_errors),
    };
    return cmocka_run_group_tests_name("level_howl", tests, NULL, NULL);
}
