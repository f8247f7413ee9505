/* SPDX-License-Identifier: MIT
 * Active speech level: against the method written out plainly, scaling, odd input. The results of the ITU-T tool
 * are in tests/reference. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/speech.h>

static lt_signal *make(double rate_hz, double seconds)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)(seconds * rate_hz), rate_hz, &s, &(lt_error){0}), LT_OK);
    return s;
}

static lt_active_level measure(const lt_signal *s)
{
    lt_active_level a;
    lt_error err = {0};
    if (lt_active_level_measure(s, &a, &err) != LT_OK)
        fail_msg("%s", err.what);
    return a;
}

/* Syllables of random length and level, with pauses. */
static lt_signal *babble(double rate_hz, double seconds, double rms, uint64_t seed)
{
    lt_signal *s = make(rate_hz, seconds);
    lt_rng r = {seed};
    size_t i = 0;
    while (i < s->count) {
        const size_t on = (size_t)(rate_hz * (0.05 + 0.3 * lt_rng_uniform(&r)));
        const size_t off = (size_t)(rate_hz * (lt_rng_uniform(&r) < 0.2 ? 1.0 : 0.05));
        const double level = rms * pow(10.0, -lt_rng_uniform(&r));
        for (size_t k = 0; k < on && i < s->count; k++, i++)
            s->samples[i] = level * lt_rng_gauss(&r) * sin(LT_PI * (double)k / (double)on);
        i += off;
    }
    return s;
}

/* Method B word by word: fifteen counters, each with its own hangover counter. dBov. */
static double plain_method_b(const lt_signal *s)
{
    enum { N = 15 };
    const double g = exp(-1.0 / (s->rate_hz * 0.03));
    const size_t hang = (size_t)(0.2 * s->rate_hz + 0.5);
    double p = 0.0;
    double q = 0.0;
    double sum = 0.0;
    size_t active[N] = {0};
    size_t since[N];
    for (size_t j = 0; j < N; j++)
        since[j] = hang;
    for (size_t n = 0; n < s->count; n++) {
        sum += s->samples[n] * s->samples[n];
        p = g * p + (1.0 - g) * fabs(s->samples[n]);
        q = g * q + (1.0 - g) * p;
        for (size_t j = 0; j < N; j++) {
            if (q >= ldexp(1.0, (int)j - 15))
                since[j] = 0;
            else if (since[j] < hang)
                since[j]++;
            else
                continue;
            active[j]++;
        }
    }
    double last_a = 0.0;
    double last_d = 0.0;
    for (size_t j = 0; j < N && active[j] > 0; j++) {
        const double a = 10.0 * log10(sum / (double)active[j]);
        const double d = a - 20.0 * log10(ldexp(1.0, (int)j - 15));
        if (d <= 15.9)
            return last_a + (15.9 - last_d) / (d - last_d) * (a - last_a);
        last_a = a;
        last_d = d;
    }
    return (double)NAN;
}

static void agrees_with_the_plain_method(void **state)
{
    (void)state;
    static const double rates_hz[] = {8000, 16000, 44100};
    int bad = 0;
    for (uint64_t seed = 1; seed <= 6; seed++) {
        lt_signal *s = babble(rates_hz[seed % 3], 12.0, 0.3 / (double)seed, seed);
        bad += !near_abs("active", measure(s).active_level_db - 10.0 * log10(2.0), plain_method_b(s), 1e-9);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* Any power of two moves the level and nothing else, far below and above the sixteen-bit thresholds too. */
static void scaling_moves_the_level_alone(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *s = babble(16000.0, 10.0, 0.2, 11);
    const lt_active_level at_0 = measure(s);
    for (int power = -60; power <= 12; power += 4) {
        lt_signal *t = NULL;
        assert_int_equal(lt_signal_copy(s, 0, s->count, &t, &(lt_error){0}), LT_OK);
        for (size_t i = 0; i < t->count; i++)
            t->samples[i] = ldexp(t->samples[i], power);
        const lt_active_level a = measure(t);
        const double change_db = 20.0 * log10(2.0) * power;
        bad += !near_abs("active", a.active_level_db, at_0.active_level_db + change_db, 1e-9);
        bad += !near_abs("long-term", a.long_term_level_db, at_0.long_term_level_db + change_db, 1e-9);
        bad += !near_abs("activity", a.activity_percent, at_0.activity_percent, 1e-9);
        bad += !near_abs("threshold", a.threshold, ldexp(at_0.threshold, power), 1e-9 * ldexp(1.0, power));
        lt_signal_free(t);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* activity = long-term power over active power, by definition; a steady tone is active nearly all the time. */
static void activity_ties_the_two_levels(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *s = babble(8000.0, 20.0, 0.1, 21);
    lt_active_level a = measure(s);
    bad +=
        !near_abs("activity", 10.0 * log10(a.activity_percent / 100.0), a.long_term_level_db - a.active_level_db, 1e-9);
    bad += !in_range("activity", a.activity_percent, 40.0, 99.0);
    lt_signal_free(s);
    s = make(48000.0, 10.0);
    fill_sine(s->samples, s->count, 48000.0, 1000.0, 1.0, 0.0);
    a = measure(s);
    bad += !near_abs("tone", a.long_term_level_db, 0.0, 1e-6);
    bad += !near_abs("tone", a.active_level_db, 0.0, 0.02);
    bad += !in_range("tone", a.activity_percent, 99.5, 100.0);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void silence_clicks_and_single_samples(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *s = make(16000.0, 2.0);
    lt_active_level a = measure(s);
    bad += !near_abs("silence", a.active_level_db, -(double)INFINITY, 0.0);
    bad += !near_abs("silence", a.long_term_level_db, -(double)INFINITY, 0.0);
    bad += !near_abs("silence", a.activity_percent, 0.0, 0.0);
    s->samples[16000] = 1.0; /* a click: its envelope never comes within 15.9 dB of its power */
    a = measure(s);
    bad += !near_abs("click", a.long_term_level_db, 10.0 * log10(2.0 / 32000.0), 1e-9);
    bad += !in_range("click", a.active_level_db, a.long_term_level_db, 0.0);
    bad += !in_range("click", a.activity_percent, 5.0, 40.0);
    s->count = 1;
    s->samples[0] = 0.5;
    a = measure(s);
    bad += !in_range("one sample", a.active_level_db, -20.0, 0.0);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void bad_input_is_refused(void **state)
{
    (void)state;
    lt_active_level a;
    lt_error err = {0};
    lt_signal *s = make(8000.0, 1.0);
    s->samples[100] = (double)NAN;
    assert_int_equal(lt_active_level_measure(s, &a, &err), LT_E_ARG);
    assert_true(err.what[0] != '\0');
    s->samples[100] = (double)INFINITY;
    assert_int_equal(lt_active_level_measure(s, &a, &(lt_error){0}), LT_E_ARG);
    s->count = 0;
    assert_int_equal(lt_active_level_measure(s, &a, &(lt_error){0}), LT_E_ARG);
    s->count = 100;
    s->rate_hz = 500.0;
    assert_int_equal(lt_active_level_measure(s, &a, &(lt_error){0}), LT_E_ARG);
    lt_signal_free(s);
}

static lt_status measure_once(void *context, lt_error *err)
{
    (void)context;
    lt_signal *s = NULL;
    lt_active_level a;
    lt_status status = lt_signal_create(8000, 8000.0, &s, err);
    if (status == LT_OK) {
        fill_gauss(s->samples, s->count, 0.1, 3);
        status = lt_active_level_measure(s, &a, err);
    }
    lt_signal_free(s);
    return status;
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    assert_survives_faults(measure_once, NULL);
}

SUITE(speech_p56)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(agrees_with_the_plain_method), cmocka_unit_test(scaling_moves_the_level_alone),
        cmocka_unit_test(activity_ties_the_two_levels), cmocka_unit_test(silence_clicks_and_single_samples),
        cmocka_unit_test(bad_input_is_refused),         cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("speech_p56", tests, NULL, NULL);
}
