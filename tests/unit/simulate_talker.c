/* SPDX-License-Identifier: MIT
 * The speech-like signal and its active level. */
#include "fault.h"
#include "rng.h"
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

/* ITU-T P.56 on bursts of a sine: levels by the method's own software tool (G.191), dBov, reached within its
 * interpolation tolerance. 16 kHz. */
static void active_level_of_bursts(void **state)
{
    (void)state;
    static const struct {
        const char *what;
        int times;
        double on_s, off_s, amplitude, active_dbov;
    } rows[] = {{"continuous", 1, 10.0, 0.0, 0.1, -23.0001},
                {"1 s on, 1 s off", 10, 1.0, 1.0, 0.1, -24.0845},
                {"0.5 s on, 0.1 s off", 20, 0.5, 0.1, 0.1, -23.7946},
                {"0.3 s on, 0.3 s off", 40, 0.3, 0.3, 0.1, -25.9474},
                {"2 s on, 3 s off", 4, 2.0, 3.0, 0.1, -23.5625},
                {"loud", 10, 1.0, 1.0, 0.5, -10.0832},
                {"low", 10, 1.0, 1.0, 0.01, -44.0784}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        const size_t on = (size_t)(rows[i].on_s * 16000.0 + 0.5);
        const size_t off = (size_t)(rows[i].off_s * 16000.0 + 0.5);
        lt_signal *s = scene_signal((on + off) * (size_t)rows[i].times, 16000.0);
        for (int k = 0; k < rows[i].times; k++)
            fill_sine(s->samples + (size_t)k * (on + off), on, 16000.0, 1000.0, rows[i].amplitude, 0.0);
        bad += !near_abs(rows[i].what, ltp_active_level_db(s) - 3.0103, rows[i].active_dbov, 0.06);
        lt_signal_free(s);
    }
    lt_signal *silence = scene_signal(16000, 16000.0);
    bad += !near_abs("silence", ltp_active_level_db(silence), -INFINITY, 0.0);
    lt_signal_free(silence);
    assert_int_equal(bad, 0);
}

static lt_signal *talker(double rate_hz, double seconds, uint64_t seed)
{
    lt_signal *s = NULL;
    lt_error err = {0};
    if (lt_scene_talker(rate_hz, seconds, seed, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

/* Levels of consecutive blocks, dB re the loudest. */
static size_t block_levels(const lt_signal *s, double block_s, double *level_db, size_t most)
{
    const size_t n = (size_t)(block_s * s->rate_hz);
    size_t count = 0;
    for (size_t at = 0; at + n <= s->count && count < most; at += n) {
        double sum = 0.0;
        for (size_t i = 0; i < n; i++)
            sum += s->samples[at + i] * s->samples[at + i];
        level_db[count++] = lt_dbfs_from_mean_square(sum / (double)n);
    }
    return count;
}

/* ANSI S3.5-1997 table 3, normal effort (spectrum levels) and its bandwidths, a second copy; power while active. */
static void talker_has_the_standard_spectrum(void **state)
{
    (void)state;
    static const double spectrum_db[] = {32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01,
                                         23.00, 20.15, 17.32, 13.18, 11.55, 9.33,  5.31,  2.59,  1.13};
    static const double bandwidth_db[] = {15.65, 16.65, 17.65, 18.65, 19.65, 20.65, 21.65, 22.65, 23.65,
                                          24.65, 25.65, 26.65, 27.65, 28.65, 29.65, 30.65, 31.65, 32.65};
    int bad = 0;
    static const double rates_hz[] = {44100.0, 48000.0};
    for (uint64_t seed = 1; seed <= 4; seed++) {
        lt_signal *s = talker(rates_hz[seed % 2], 20.0, seed);
        double got[LT_SPEECH_BANDS];
        double want[LT_SPEECH_BANDS];
        scene_bands(s, got);
        for (int i = 0; i < LT_SPEECH_BANDS; i++)
            want[i] = spectrum_db[i] + bandwidth_db[i];
        const double total = lt_db_sum(got, LT_SPEECH_BANDS) - lt_db_sum(want, LT_SPEECH_BANDS);
        for (int i = 0; i < LT_SPEECH_BANDS; i++)
            bad += !near_abs("band", got[i] - total, want[i], 0.5);
        bad += !near_abs("active level, dBov", ltp_active_level_db(s) - 3.0103, -26.0, 0.02);
        bad += !in_range("peak", lt_signal_peak(s), 0.1, 0.95);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void talker_pauses_between_sentences(void **state)
{
    (void)state;
    enum { MOST = 4000 };
    static double level_db[MOST];
    int bad = 0;
    for (uint64_t seed = 1; seed <= 3; seed++) {
        lt_signal *s = talker(16000.0, 60.0, seed);
        const size_t count = block_levels(s, 0.05, level_db, MOST);
        size_t silent = 0;
        size_t run = 0;
        size_t pauses = 0;
        for (size_t i = 0; i < count; i++) {
            const bool pause = level_db[i] < -63.0; /* 40 dB below the active level */
            silent += pause;
            run = pause ? run + 1 : 0;
            pauses += run == 20; /* a second of silence */
        }
        bad += !in_range("share of pauses, %", 100.0 * (double)silent / (double)count, 33.0, 50.0);
        bad += !in_range("pauses of a second in a minute", (double)pauses, 10.0, 20.0);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* Syllables: the envelope's spectrum has its weight at 3 to 5 Hz, as running speech has. */
static void talker_has_syllables(void **state)
{
    (void)state;
    enum { MOST = 4000 };
    static double level_db[MOST];
    static double envelope[MOST];
    lt_signal *s = talker(16000.0, 60.0, 2);
    const size_t count = block_levels(s, 0.02, level_db, MOST);
    for (size_t i = 0; i < count; i++)
        envelope[i] = lt_power_from_db(0.5 * level_db[i]);
    const double mean = lt_mean(envelope, count);
    for (size_t i = 0; i < count; i++)
        envelope[i] -= mean;
    double syllables = 0.0;
    double faster = 0.0;
    for (double hz = 3.0; hz < 5.0; hz += 0.02)
        syllables += lt_complex_power(lt_dtft(envelope, count, 50.0, hz));
    for (double hz = 9.0; hz < 11.0; hz += 0.02)
        faster += lt_complex_power(lt_dtft(envelope, count, 50.0, hz));
    lt_signal_free(s);
    assert_true(in_range("3 to 5 Hz re 9 to 11 Hz, dB", lt_db_from_power(syllables / faster), 5.0, 60.0));
}

static void talker_is_deterministic(void **state)
{
    (void)state;
    lt_signal *a = talker(48000.0, 4.0, 7);
    lt_signal *b = talker(48000.0, 4.0, 7);
    lt_signal *c = talker(48000.0, 4.0, 8);
    assert_int_equal(a->count, 192000);
    assert_memory_equal(a->samples, b->samples, a->count * sizeof *a->samples);
    assert_memory_not_equal(a->samples, c->samples, a->count * sizeof *a->samples);
    lt_signal_free(a);
    lt_signal_free(b);
    lt_signal_free(c);
}

static void talker_refuses_what_it_cannot_do(void **state)
{
    (void)state;
    static const double bad_requests[][2] = {{8000.0, 10.0}, {NAN, 10.0}, {1e6, 10.0}, {48000.0, 0.0}, {48000.0, 1e6}};
    for (size_t i = 0; i < COUNT(bad_requests); i++) {
        lt_signal *s = NULL;
        lt_error err = {0};
        assert_int_equal(lt_scene_talker(bad_requests[i][0], bad_requests[i][1], 1, &s, &err), LT_E_ARG);
        assert_null(s);
        assert_true(err.what[0] != '\0');
    }
}

static lt_status make_talker(void *context, lt_error *err)
{
    (void)context;
    lt_signal *s = NULL;
    const lt_status st = lt_scene_talker(16000.0, 2.0, 1, &s, err);
    assert_true((st == LT_OK) == (s != NULL));
    lt_signal_free(s);
    return st;
}

static void talker_survives_every_failed_allocation(void **state)
{
    (void)state;
    assert_survives_faults(make_talker, NULL);
}

SUITE(simulate_talker)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(active_level_of_bursts),
        cmocka_unit_test(talker_has_the_standard_spectrum),
        cmocka_unit_test(talker_pauses_between_sentences),
        cmocka_unit_test(talker_has_syllables),
        cmocka_unit_test(talker_is_deterministic),
        cmocka_unit_test(talker_refuses_what_it_cannot_do),
        cmocka_unit_test(talker_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("simulate_talker", tests, NULL, NULL);
}
