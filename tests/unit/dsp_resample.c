/* SPDX-License-Identifier: MIT
 * Resampling: length, timing, flatness, aliases, and what it refuses. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/dsp.h>

#include <stdlib.h>

static lt_signal *new_signal(double seconds, double rate_hz)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)llround(seconds * rate_hz), rate_hz, &s, NULL), LT_OK);
    return s;
}

static lt_signal *resampled(const lt_signal *s, double rate_hz)
{
    lt_signal *out = NULL;
    assert_int_equal(lt_resample(s, rate_hz, &out, NULL), LT_OK);
    assert_non_null(out);
    return out;
}

static void lengths_and_rates(void **state)
{
    (void)state;
    static const struct {
        size_t count;
        double in_hz, out_hz;
        size_t want;
    } rows[] = {{48000, 48000, 44100, 44100}, {44100, 44100, 48000, 48000},
                {1, 48000, 96000, 2},         {1000, 8000, 8000, 1000},
                {0, 8000, 48000, 0},          {48000, 48000 * (1 + 100e-6), 48000, 47995},
                {1, 48000, 8000, 0},          {100001, 11025, 48000, 435379},
                {3, 1000, 999.5, 3}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = NULL;
        assert_int_equal(lt_signal_create(rows[i].count, rows[i].in_hz, &s, NULL), LT_OK);
        lt_signal *out = resampled(s, rows[i].out_hz);
        assert_int_equal(out->count, rows[i].want);
        assert_true(near_abs("rate", out->rate_hz, rows[i].out_hz, 0.0));
        lt_signal_free(out);
        lt_signal_free(s);
    }
}

static void wrong_rates_are_refused(void **state)
{
    (void)state;
    static const double rates[] = {0.0, -48000.0, NAN, INFINITY, 2e6, 1e300};
    lt_signal *s = new_signal(0.1, 48000.0);
    for (size_t i = 0; i < COUNT(rates); i++) {
        lt_signal *out = NULL;
        lt_error err = {0};
        assert_int_equal(lt_resample(s, rates[i], &out, &err), LT_E_ARG);
        assert_null(out);
        assert_true(err.what[0] != '\0');
    }
    lt_signal_free(s);
}

static lt_status make_resampled(void *context, lt_error *err)
{
    lt_signal *out = NULL;
    const lt_status st = lt_resample(context, 44100.0, &out, err);
    assert_true((st == LT_OK) == (out != NULL));
    lt_signal_free(out);
    return st;
}

static void resampling_survives_failed_allocations(void **state)
{
    (void)state;
    double samples[4800];
    fill_gauss(samples, COUNT(samples), 0.1, 3);
    lt_signal s = {samples, COUNT(samples), 48000.0};
    assert_survives_faults(make_resampled, &s);
}

/* Amplitude and delay of one sine after resampling, from the middle of the signal. */
static void measure_sine(double in_hz, double out_hz, double hz, double *gain_db, double *delay_samples)
{
    lt_signal *s = new_signal(2.0, in_hz);
    fill_sine(s->samples, s->count, in_hz, hz, 0.5, 0.0);
    lt_signal *out = resampled(s, out_hz);
    const size_t n = out->count / 2;
    const size_t first = out->count / 4;
    double *w = calloc(n, sizeof *w);
    lt_window_blackman_harris(w, n);
    const double sum = lt_sum(w, n);
    for (size_t i = 0; i < n; i++)
        w[i] *= out->samples[first + i];
    const lt_complex z = lt_dtft(w, n, out_hz, hz);
    /* sin(w t) has the phase -90 degrees against exp(j w t); t = 0 lies `first` samples before. */
    const double turns = atan2(z.im, z.re) / (2.0 * LT_PI) + 0.25 - fmod((double)first * hz / out_hz, 1.0);
    *delay_samples = -(turns - round(turns)) * out_hz / hz;
    *gain_db = lt_db_from_amplitude(2.0 * sqrt(lt_complex_power(z)) / sum / 0.5);
    free(w);
    lt_signal_free(out);
    lt_signal_free(s);
}

static void the_pass_band_is_flat_and_on_time(void **state)
{
    (void)state;
    static const struct {
        double in_hz, out_hz;
    } rows[] = {{44100, 48000},
                {48000, 44100},
                {48000, 8000},
                {8000, 48000},
                {96000, 48000},
                {48000, 48000 * (1 + 100e-6)},
                {48000 * (1 - 37e-6), 48000},
                {44100 * (1 + 100e-6), 48000}};
    static const double shares[] = {0.01, 0.1, 0.5, 0.8, 0.9}; /* of half the lower rate */
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++)
        for (size_t k = 0; k < COUNT(shares); k++) {
            double gain = NAN;
            double delay = NAN;
            measure_sine(rows[i].in_hz, rows[i].out_hz, shares[k] * fmin(rows[i].in_hz, rows[i].out_hz) / 2.0, &gain,
                         &delay);
            char label[80];
            (void)snprintf(label, sizeof label, "%g -> %g Hz at %g", rows[i].in_hz, rows[i].out_hz, shares[k]);
            bad += !near_abs(label, gain, 0.0, 0.001);
            bad += !near_abs(label, delay, 0.0, 1e-4);
        }
    assert_int_equal(bad, 0);
}

/* A click early and one late in twelve seconds: a drift correction must hold its timing to the end. */
static void drift_correction_holds_its_timing(void **state)
{
    (void)state;
    static const double ppm[] = {-100.0, -3.3, 0.5, 100.0};
    const double rate = 48000.0;
    int bad = 0;
    for (size_t i = 0; i < COUNT(ppm); i++) {
        const double recorder_hz = rate * (1.0 + ppm[i] * 1e-6);
        lt_signal *s = new_signal(12.0, recorder_hz);
        static const double at_s[] = {0.25, 6.0, 11.75};
        for (size_t n = 0; n < s->count; n++)
            for (size_t k = 0; k < COUNT(at_s); k++) { /* Gaussian clicks, 0.1 ms wide: inside the band */
                const double u = ((double)n / recorder_hz - at_s[k]) / 1e-4;
                s->samples[n] += fabs(u) < 8.0 ? exp(-0.5 * u * u) : 0.0;
            }
        lt_signal *out = resampled(s, rate);
        for (size_t k = 0; k < COUNT(at_s); k++) {
            double sum = 0.0;
            double moment = 0.0;
            const size_t middle = (size_t)llround(at_s[k] * rate);
            for (size_t n = middle - 60; n < middle + 60; n++) {
                sum += out->samples[n];
                moment += out->samples[n] * ((double)n - at_s[k] * rate);
            }
            char label[64];
            (void)snprintf(label, sizeof label, "%g ppm at %g s", ppm[i], at_s[k]);
            bad += !near_abs(label, moment / sum, 0.0, 1e-3);
        }
        lt_signal_free(out);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void there_and_back_is_the_same(void **state)
{
    (void)state;
    lt_signal *s = new_signal(2.0, 44100.0);
    /* Noise up to 0.85 of half the rate: cut by the resampler itself. */
    fill_gauss(s->samples, s->count, 0.2, 12);
    lt_signal *narrow = resampled(s, 0.85 * 44100.0);
    lt_signal *a = resampled(narrow, 44100.0);
    lt_signal *up = resampled(a, 48000.0);
    lt_signal *b = resampled(up, 44100.0);
    assert_int_equal(b->count, a->count);
    double signal = 0.0;
    double error = 0.0;
    for (size_t i = 2000; i + 2000 < a->count; i++) {
        signal += a->samples[i] * a->samples[i];
        error += (a->samples[i] - b->samples[i]) * (a->samples[i] - b->samples[i]);
    }
    const double db = lt_db_from_power(signal / (error + 1e-300));
    lt_signal_free(s);
    lt_signal_free(narrow);
    lt_signal_free(a);
    lt_signal_free(up);
    lt_signal_free(b);
    assert_true(in_range("there and back, dB", db, 160.0, 400.0));
}

static void what_does_not_fit_is_removed(void **state)
{
    (void)state;
    lt_signal *s = new_signal(1.0, 48000.0);
    fill_sine(s->samples, s->count, 48000.0, 4700.0, 1.0, 0.0); /* would alias to 3300 Hz */
    lt_signal *out = resampled(s, 8000.0);
    for (size_t i = 0; i < 1000; i++) /* the ends of the sine are broad-band */
        out->samples[i] = out->samples[out->count - 1 - i] = 0.0;
    assert_true(in_range("alias, dB", lt_db_from_amplitude(lt_signal_rms(out)), -INFINITY, -170.0));
    lt_signal_free(out);
    lt_signal_free(s);
}

SUITE(dsp_resample)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(lengths_and_rates),
        cmocka_unit_test(wrong_rates_are_refused),
        cmocka_unit_test(resampling_survives_failed_allocations),
        cmocka_unit_test(the_pass_band_is_flat_and_on_time),
        cmocka_unit_test(drift_correction_holds_its_timing),
        cmocka_unit_test(there_and_back_is_the_same),
        cmocka_unit_test(what_does_not_fit_is_removed),
    };
    return cmocka_run_group_tests_name("dsp_resample", tests, NULL, NULL);
}
