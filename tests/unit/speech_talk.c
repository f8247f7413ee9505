/* SPDX-License-Identifier: MIT
 * Talk test on synthetic sentences: bursts of shaped noise over steady noise, both of known band levels. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/speech.h>

#include <stdlib.h>

enum { BANDS = LT_THIRD_16_KHZ - LT_THIRD_50_HZ + 1 };

static lt_signal *make(double rate_hz, double seconds)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)(seconds * rate_hz), rate_hz, &s, &(lt_error){0}), LT_OK);
    return s;
}

/* Noise through a first-order low-pass, scaled to rms: falls 6 dB an octave above `corner_hz`. */
static void add_noise(lt_signal *s, double corner_hz, double rms, uint64_t seed)
{
    lt_rng r = {seed};
    const double g = exp(-2.0 * LT_PI * corner_hz / s->rate_hz);
    double y = 0.0;
    for (int i = 0; i < 1000; i++)
        y = g * y + sqrt(1.0 - g * g) * lt_rng_gauss(&r);
    for (size_t i = 0; i < s->count; i++) {
        y = g * y + sqrt(1.0 - g * g) * lt_rng_gauss(&r);
        s->samples[i] += rms * y;
    }
}

/* `talk` seconds of sentence, then `rest` seconds of nothing, again and again; 20 ms ramps. */
static void gate(lt_signal *s, double talk, double rest)
{
    for (size_t i = 0; i < s->count; i++) {
        const double t = fmod((double)i / s->rate_hz + rest, talk + rest) - rest;
        s->samples[i] *= t < 0.0 ? 0.0 : lt_fade(t / 0.02) * lt_fade((talk - t) / 0.02);
    }
}

static void band_levels(const lt_signal *s, double share, double out[BANDS])
{
    lt_bank *b = NULL;
    double mean_square[BANDS];
    double sum[BANDS] = {0.0};
    size_t hops = 0;
    assert_int_equal(lt_bank_create(s->rate_hz, LT_THIRD_50_HZ, LT_THIRD_16_KHZ, &b, &(lt_error){0}), LT_OK);
    const size_t hop = lt_bank_hop_frames(b);
    for (size_t at = 0; at + hop <= s->count; at += hop, hops++) {
        lt_bank_hop(b, s->samples + at, mean_square);
        for (size_t i = 0; i < lt_bank_band_count(b); i++)
            sum[i] += mean_square[i];
    }
    for (size_t i = 0; i < lt_bank_band_count(b); i++)
        out[i] = lt_dbfs_from_mean_square(sum[i] / (double)hops / share);
    lt_bank_free(b);
}

static lt_talk_test *measure(const lt_signal *s)
{
    lt_talk_test *t = calloc(1, sizeof *t);
    lt_error err = {0};
    assert_non_null(t);
    if (lt_talk_test_measure(s, t, &err) != LT_OK)
        fail_msg("%s", err.what);
    return t;
}

static const struct {
    double rate_hz, speech, noise, talk_s, rest_s;
    const char *note; /* expected one, NULL = none at all */
} talks[] = {
    {16000, 0.1, 0.0003, 1.5, 1.0, NULL}, {48000, 0.1, 0.003, 1.5, 1.0, NULL},
    {8000, 0.05, 0.005, 2.0, 2.0, NULL},  {44100, 1e-5, 1e-7, 1.5, 1.0, NULL}, /* a very quiet float file */
    {16000, 0.1, 0.002, 0.4, 2.0, NULL},                                       /* hardly ever, over noise */
};

/* Expected: speech mean square over the talk, shared out over talk + 0.2 s of hangover; noise as it is. */
static int check_talk(size_t k)
{
    const double seconds = 40.0;
    lt_signal *speech = make(talks[k].rate_hz, seconds);
    lt_signal *noise = make(talks[k].rate_hz, seconds);
    add_noise(speech, 600.0, talks[k].speech, 1 + k);
    gate(speech, talks[k].talk_s, talks[k].rest_s);
    add_noise(noise, 100.0, talks[k].noise, 100 + k);
    double speech_db[BANDS];
    double noise_db[BANDS];
    const double period = talks[k].talk_s + talks[k].rest_s;
    band_levels(speech, (talks[k].talk_s + 0.2 + 0.03) / period, speech_db); /* 30 ms: the envelope lags */
    band_levels(noise, 1.0, noise_db);
    const double noise_level_db = lt_dbfs_from_rms(lt_signal_rms(noise));
    for (size_t i = 0; i < speech->count; i++)
        speech->samples[i] += noise->samples[i];
    lt_talk_test *t = measure(speech);
    int bad = 0;
    char row[64];
    (void)snprintf(row, sizeof row, "talk %zu", k);
    bad += !near_abs(row, t->noise_level_db, noise_level_db, 0.3);
    bad += !near_abs(row, t->seconds, seconds, 1e-9);
    bad += t->notes.count != (talks[k].note == NULL ? 0 : 1);
    for (size_t i = 0; i < t->band_count; i++) {
        const lt_band b = t->bands[i].band;
        (void)snprintf(row, sizeof row, "talk %zu, %g Hz", k, b.nominal_hz);
        const double talk_time = seconds * talks[k].talk_s / period;
        const double spread = 4.343 / sqrt((b.upper_hz - b.lower_hz) * talk_time);
        bad += !near_abs(row, t->bands[i].noise_db, noise_db[i], 0.3 + 3.0 * spread);
        if (speech_db[i] > noise_db[i] + 6.0)
            bad += !near_abs(row, t->bands[i].speech_db, speech_db[i], 0.6 + spread);
    }
    free(t);
    lt_signal_free(noise);
    lt_signal_free(speech);
    return bad;
}

static void both_spectra_are_recovered(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < COUNT(talks); k++)
        bad += check_talk(k);
    assert_int_equal(bad, 0);
}

/* Bright speech over rumble: where only the rumble is, the difference of the two means leaves next to nothing. */
static void noise_is_taken_off_the_speech(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 60.0);
    fill_gauss(s->samples, s->count, 0.1, 31);
    for (size_t i = s->count; i-- > 1;)
        s->samples[i] -= s->samples[i - 1];
    gate(s, 1.5, 1.0);
    add_noise(s, 100.0, 0.004, 32);
    lt_talk_test *t = measure(s);
    int bad = t->notes.count != 0;
    for (size_t i = 0; i < t->band_count; i++) {
        char row[32];
        (void)snprintf(row, sizeof row, "%g Hz", t->bands[i].band.nominal_hz);
        if (t->bands[i].band.index <= -10) /* up to 100 Hz */
            bad += t->bands[i].speech_db > t->bands[i].noise_db - 6.0;
        if (t->bands[i].band.index >= -3)
            bad += !in_range(row, t->bands[i].speech_db, t->bands[i].noise_db + 6.0, 0.0);
    }
    free(t);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Noise near the speech level keeps the envelope over the threshold: no pauses, and no noise level is made up. */
static void noise_without_pauses_is_said_so(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 30.0);
    add_noise(s, 500.0, 0.1, 4);
    gate(s, 1.5, 1.0);
    add_noise(s, 500.0, 0.05, 5);
    lt_talk_test *t = measure(s);
    assert_true(lt_notes_has(&t->notes, "no-pauses"));
    assert_true(isnan(t->noise_level_db));
    for (size_t i = 0; i < t->band_count; i++) {
        assert_true(isnan(t->bands[i].noise_db));
        assert_true(t->bands[i].speech_db > -100.0);
    }
    free(t);
    lt_signal_free(s);
}

static void silence_has_no_speech(void **state)
{
    (void)state;
    lt_signal *s = make(48000.0, 3.0);
    lt_talk_test *t = measure(s);
    int bad = 0;
    bad += !near_abs("active", t->level.active_level_db, -(double)INFINITY, 0.0);
    bad += !near_abs("noise", t->noise_level_db, -(double)INFINITY, 0.0);
    assert_true(t->band_count == BANDS);
    for (size_t i = 0; i < t->band_count; i++) {
        bad += !near_abs("speech", t->bands[i].speech_db, -(double)INFINITY, 0.0);
        bad += !near_abs("noise", t->bands[i].noise_db, -(double)INFINITY, 0.0);
    }
    assert_true(lt_notes_has(&t->notes, "silent"));
    free(t);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void an_offset_hides_no_pause(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 30.0);
    add_noise(s, 600.0, 0.1, 8);
    gate(s, 1.5, 1.0);
    add_noise(s, 600.0, 0.001, 9);
    lt_talk_test *clean = measure(s);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] += 0.2;
    lt_talk_test *t = measure(s);
    assert_true(lt_notes_has(&t->notes, "dc-offset"));
    assert_int_equal(t->notes.count, 1);
    int bad = 0;
    bad += !near_abs("active", t->level.active_level_db, clean->level.active_level_db, 0.01);
    bad += !near_abs("noise", t->noise_level_db, clean->noise_level_db, 0.05);
    free(clean);
    free(t);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void notes_name_the_trouble(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 6.0);
    add_noise(s, 600.0, 0.1, 8);
    gate(s, 0.5, 2.0);
    add_noise(s, 600.0, 0.001, 9);
    lt_talk_test *t = measure(s);
    assert_true(lt_notes_has(&t->notes, "short"));
    free(t);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] = fmax(-0.15, fmin(0.15, s->samples[i]));
    t = measure(s);
    assert_true(lt_notes_has(&t->notes, "clipping"));
    free(t);
    lt_signal_free(s);
}

/* From one sample up: a result without NaN in the levels, or a refusal. */
static void very_short_recordings_do_not_crash(void **state)
{
    (void)state;
    static const size_t counts[] = {0, 1, 2, 159, 160, 161, 1000, 8000};
    lt_signal *s = make(16000.0, 1.0);
    add_noise(s, 600.0, 0.1, 2);
    for (size_t k = 0; k < COUNT(counts); k++) {
        s->count = counts[k];
        lt_talk_test t;
        lt_error err = {0};
        const lt_status status = lt_talk_test_measure(s, &t, &err);
        assert_int_equal(status, counts[k] == 0 ? LT_E_ARG : LT_OK);
        if (status == LT_OK)
            assert_true(!isnan(t.level.active_level_db));
        for (size_t i = 0; i < t.band_count; i++)
            assert_true(!isnan(t.bands[i].speech_db));
    }
    s->count = 100;
    s->rate_hz = 3000.0; /* below the filter bank's lowest */
    assert_int_equal(lt_talk_test_measure(s, &(lt_talk_test){.seconds = 0.0}, &(lt_error){0}), LT_E_ARG);
    lt_signal_free(s);
}

static lt_status measure_once(void *context, lt_error *err)
{
    (void)context;
    lt_signal *s = NULL;
    lt_talk_test t;
    lt_status status = lt_signal_create(8000, 8000.0, &s, err);
    if (status == LT_OK) {
        add_noise(s, 600.0, 0.1, 2);
        status = lt_talk_test_measure(s, &t, err);
    }
    lt_signal_free(s);
    return status;
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    assert_survives_faults(measure_once, NULL);
}

SUITE(speech_talk)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(both_spectra_are_recovered),         cmocka_unit_test(noise_is_taken_off_the_speech),
        cmocka_unit_test(noise_without_pauses_is_said_so),    cmocka_unit_test(silence_has_no_speech),
        cmocka_unit_test(an_offset_hides_no_pause),           cmocka_unit_test(notes_name_the_trouble),
        cmocka_unit_test(very_short_recordings_do_not_crash), cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("speech_talk", tests, NULL, NULL);
}
