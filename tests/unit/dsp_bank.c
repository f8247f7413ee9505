/* SPDX-License-Identifier: MIT
 * Filter bank as it runs: sines, sweeps, impulses and noise through lt_bank_hop(). The limits of the standard are
 * checked in tests/reference/dsp_bank.c on the response that these tests tie to the running filter. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include "dsp/bank.h"

#include <stdlib.h>
#include <string.h>

static lt_bank *new_bank(double rate_hz, int first, int last)
{
    lt_bank *b = NULL;
    assert_int_equal(lt_bank_create(rate_hz, first, last, &b, NULL), LT_OK);
    return b;
}

/* Mean squares of x, averaged over the hops that lie in [from_s, to_s). mean[band_count]. */
static void average(lt_bank *b, const double *x, size_t count, size_t from, double *mean)
{
    double hop[LT_THIRDS];
    const size_t frames = lt_bank_hop_frames(b);
    const size_t bands = lt_bank_band_count(b);
    size_t used = 0;
    memset(mean, 0, bands * sizeof *mean);
    for (size_t i = 0; i + frames <= count; i += frames) {
        lt_bank_hop(b, x + i, hop);
        if (i < from)
            continue;
        used++;
        for (size_t k = 0; k < bands; k++)
            mean[k] += hop[k];
    }
    for (size_t k = 0; k < bands; k++)
        mean[k] /= (double)used;
}

static void bands_present_depend_on_the_rate(void **state)
{
    (void)state;
    static const struct {
        double rate_hz, highest_hz;
        size_t hop;
    } rows[] = {{4000, 1600, 32},      {8000, 3150, 96},     {16000, 6300, 160},  {22050, 8000, 224},
                {32000, 12500, 320},   {44100, 16000, 448},  {48000, 20000, 480}, {96000, 20000, 960},
                {192000, 20000, 1920}, {400000, 20000, 4000}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_bank *b = new_bank(rows[i].rate_hz, LT_THIRD_FIRST, LT_THIRD_LAST);
        const size_t n = lt_bank_band_count(b);
        assert_true(near_abs("first", lt_bank_band(b, 0).nominal_hz, 10.0, 0.0));
        assert_true(near_abs("last", lt_bank_band(b, n - 1).nominal_hz, rows[i].highest_hz, 0.0));
        assert_int_equal((size_t)(lt_bank_band(b, n - 1).index - LT_THIRD_FIRST), n - 1);
        assert_int_equal(lt_bank_hop_frames(b), rows[i].hop);
        assert_int_equal(lt_bank_hop_frames(b) % 32, 0);
        lt_bank_free(b);
    }
    lt_bank *b = new_bank(48000.0, LT_THIRD_SPEECH_FIRST, LT_THIRD_SPEECH_FIRST + LT_SPEECH_BANDS - 1);
    assert_int_equal(lt_bank_band_count(b), LT_SPEECH_BANDS);
    assert_true(near_abs("speech", lt_bank_band(b, 17).nominal_hz, 8000.0, 0.0));
    lt_bank_free(b);
    lt_bank_free(NULL);
}

static void wrong_arguments_are_refused(void **state)
{
    (void)state;
    static const struct {
        double rate_hz;
        int first, last;
    } rows[] = {{3999.9, -10, 0},  {400001.0, -10, 0}, {NAN, -10, 0},   {INFINITY, -10, 0}, {-48000.0, -10, 0},
                {48000.0, -21, 0}, {48000.0, 0, 14},   {48000.0, 1, 0}, {8000.0, 6, 13}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_bank *b = NULL;
        lt_error err = {0};
        assert_int_equal(lt_bank_create(rows[i].rate_hz, rows[i].first, rows[i].last, &b, &err), LT_E_ARG);
        assert_null(b);
        assert_true(err.what[0] != '\0');
    }
}

static lt_status make_bank(void *context, lt_error *err)
{
    (void)context;
    lt_bank *b = NULL;
    const lt_status st = lt_bank_create(48000.0, -5, 5, &b, err);
    assert_true((st == LT_OK) == (b != NULL));
    lt_bank_free(b);
    return st;
}

static void creation_survives_failed_allocations(void **state)
{
    (void)state;
    assert_survives_faults(make_bank, NULL);
}

/* Steady sine at the centre of each band, of twelve seconds in the lowest ones. */
static void sines_at_the_centres_read_true(void **state)
{
    (void)state;
    static const double rates[] = {8000.0, 44100.0, 48000.0};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rates); r++) {
        lt_bank *b = new_bank(rates[r], LT_THIRD_FIRST, LT_THIRD_LAST);
        const size_t bands = lt_bank_band_count(b);
        double mean[LT_THIRDS];
        for (size_t i = 0; i < bands; i++) {
            const lt_band band = lt_bank_band(b, i);
            const size_t settle = (size_t)((40.0 / band.exact_hz + 0.1) * rates[r]);
            const size_t count = settle + (size_t)((80.0 / band.exact_hz + 0.1) * rates[r]);
            double *x = calloc(count, sizeof *x);
            fill_sine(x, count, rates[r], band.exact_hz, 0.1, 0.7);
            lt_bank_reset(b);
            average(b, x, count, settle, mean);
            free(x);
            char label[64];
            (void)snprintf(label, sizeof label, "rate %g, %g Hz", rates[r], band.nominal_hz);
            bad += !near_abs(label, lt_dbfs_from_mean_square(mean[i]), -20.0, 0.02);
        }
        lt_bank_free(b);
    }
    assert_int_equal(bad, 0);
}

/* The response that the reference tests examine is the one that the running filter has: pass band, skirts, aliases. */
static void the_running_filter_has_the_stated_response(void **state)
{
    (void)state;
    static const double hz[] = {89.0, 500.0, 1130.0, 2718.0, 5000.0, 9700.0, 13000.0, 18500.0, 21700.0, 23500.0};
    const double rate = 48000.0;
    enum { N = 96000 };
    double *x = calloc(N, sizeof *x);
    double mean[LT_THIRDS];
    int bad = 0;
    lt_bank *b = new_bank(rate, -13, LT_THIRD_LAST);
    for (size_t k = 0; k < COUNT(hz); k++) {
        fill_sine(x, N, rate, hz[k], 1.0, 0.0);
        /* Faded in, or the onset would ring louder than the far stop bands. */
        for (size_t i = 0; i < N / 4; i++)
            x[i] *= lt_fade((double)i / (N / 4.0));
        lt_bank_reset(b);
        average(b, x, N, N / 2, mean);
        for (size_t i = 0; i < lt_bank_band_count(b); i++) {
            const double want_db = lt_db_from_power(0.5 * ltp_bank_power(b, i, hz[k]));
            char label[64];
            (void)snprintf(label, sizeof label, "%g Hz in band %g", hz[k], lt_bank_band(b, i).nominal_hz);
            if (want_db > -90.0)
                bad += !near_abs(label, lt_db_from_power(mean[i]), want_db, 0.02);
            else
                bad += !in_range(label, lt_db_from_power(mean[i]), -INFINITY, -89.0);
        }
    }
    lt_bank_free(b);
    free(x);
    assert_int_equal(bad, 0);
}

/* Energy of an impulse in a band = its share of the spectrum: white noise without its chance. */
static void an_impulse_shows_the_widths(void **state)
{
    (void)state;
    static const double rates[] = {16000.0, 44100.0, 48000.0, 96000.0};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rates); r++) {
        lt_bank *b = new_bank(rates[r], LT_THIRD_FIRST, LT_THIRD_LAST);
        const size_t count = (size_t)(4.0 * rates[r]);
        double *x = calloc(count, sizeof *x);
        x[1234] = 1.0;
        double mean[LT_THIRDS];
        average(b, x, count, 0, mean);
        free(x);
        const double used = floor((double)count / (double)lt_bank_hop_frames(b)) * (double)lt_bank_hop_frames(b);
        for (size_t i = 0; i < lt_bank_band_count(b); i++) {
            const lt_band band = lt_bank_band(b, i);
            const double share = (band.upper_hz - band.lower_hz) / (rates[r] / 2.0);
            char label[64];
            (void)snprintf(label, sizeof label, "rate %g, %g Hz", rates[r], band.nominal_hz);
            bad += !near_abs(label, lt_db_from_power(mean[i] * used / share), 0.0, 0.05);
        }
        lt_bank_free(b);
    }
    assert_int_equal(bad, 0);
}

/* An exponential sweep spends the same energy in every band: pink noise without its chance, and the standard's own
 * measure of the effective bandwidth. */
static void a_sweep_gives_the_same_in_every_band(void **state)
{
    (void)state;
    const double rate = 48000.0;
    const double from = 3.0;
    const double to = 24000.0;
    const size_t count = (size_t)(100.0 * rate);
    double *x = calloc(count, sizeof *x);
    const double rise = log(to / from) / (double)count;
    for (size_t i = 0; i < count; i++)
        x[i] = sin(fmod(from / (rate * rise) * expm1(rise * (double)i), 1.0) * 2.0 * LT_PI);
    lt_bank *b = new_bank(rate, LT_THIRD_FIRST, LT_THIRD_LAST);
    double mean[LT_THIRDS];
    average(b, x, count, 0, mean);
    free(x);
    const double frames = floor((double)count / (double)lt_bank_hop_frames(b)) * (double)lt_bank_hop_frames(b);
    int bad = 0;
    for (size_t i = 0; i < lt_bank_band_count(b); i++) {
        const lt_band band = lt_bank_band(b, i);
        const double energy = 0.5 * log(band.upper_hz / band.lower_hz) / rise;
        char label[64];
        (void)snprintf(label, sizeof label, "%g Hz", band.nominal_hz);
        bad += !near_abs(label, lt_db_from_power(mean[i] * frames / energy), 0.0, 0.06);
    }
    lt_bank_free(b);
    assert_int_equal(bad, 0);
}

/* White Gaussian noise, two minutes, through the bands wide enough for 0.1 dB (three standard errors). */
static void noise_reads_its_density(void **state)
{
    (void)state;
    const double rate = 16000.0;
    const size_t count = (size_t)(120.0 * rate);
    double *x = calloc(count, sizeof *x);
    fill_gauss(x, count, 0.1, 4711);
    lt_bank *b = new_bank(rate, 0, LT_THIRD_LAST);
    double mean[LT_THIRDS];
    average(b, x, count, 3200, mean);
    free(x);
    int bad = 0;
    for (size_t i = 0; i < lt_bank_band_count(b); i++) {
        const lt_band band = lt_bank_band(b, i);
        const double want = 0.01 * (band.upper_hz - band.lower_hz) / (rate / 2.0);
        bad += !near_abs("noise", lt_db_from_power(mean[i] / want), 0.0, 0.1);
    }
    lt_bank_free(b);
    assert_int_equal(bad, 0);
}

static void levels_are_linear_over_180_db(void **state)
{
    (void)state;
    enum { N = 48000 };
    double *x = calloc(N, sizeof *x);
    double mean[LT_THIRDS];
    lt_bank *b = new_bank(48000.0, -10, LT_THIRD_LAST);
    double reference[LT_THIRDS];
    int bad = 0;
    for (int db = 0; db >= -180; db -= 60) {
        fill_gauss(x, N, lt_amplitude_from_db(db), 8);
        lt_bank_reset(b);
        average(b, x, N, 0, mean);
        for (size_t i = 0; i < lt_bank_band_count(b); i++) {
            if (db == 0)
                reference[i] = mean[i];
            /* The bands of the full rate, 6.3 kHz and above, run in single precision, whose last digit this is. */
            bad += !near_abs("level", lt_db_from_power(mean[i] / reference[i]), db, i < 18 ? 1e-9 : 2e-6);
        }
    }
    lt_bank_free(b);
    free(x);
    assert_int_equal(bad, 0);
}

static void reset_starts_afresh(void **state)
{
    (void)state;
    enum { N = 48000 };
    double *x = calloc(N, sizeof *x);
    double once[LT_THIRDS];
    double again[LT_THIRDS];
    fill_gauss(x, N, 0.3, 6);
    lt_bank *b = new_bank(44100.0, LT_THIRD_FIRST, LT_THIRD_LAST);
    const size_t bands = lt_bank_band_count(b);
    average(b, x, N, 0, once);
    average(b, x, N, 0, again);
    assert_memory_not_equal(once, again, bands * sizeof *once); /* the past is still in it */
    lt_bank_reset(b);
    average(b, x, N, 0, again);
    assert_memory_equal(once, again, bands * sizeof *once);
    lt_bank_free(b);
    free(x);
}

/* A band reads the same whether its neighbours are there or not. */
static void a_band_does_not_depend_on_its_company(void **state)
{
    (void)state;
    enum { N = 20000 };
    double *x = calloc(N, sizeof *x);
    double all[LT_THIRDS];
    double one[LT_THIRDS];
    fill_gauss(x, N, 0.3, 16);
    lt_bank *b = new_bank(48000.0, LT_THIRD_FIRST, LT_THIRD_LAST);
    average(b, x, N, 0, all);
    lt_bank_free(b);
    for (int index = LT_THIRD_FIRST; index <= LT_THIRD_LAST; index++) {
        lt_bank *single = new_bank(48000.0, index, index);
        average(single, x, N, 0, one);
        lt_bank_free(single);
        assert_memory_equal(one, all + (index - LT_THIRD_FIRST), sizeof *one);
    }
    free(x);
}

static void silence_is_silence(void **state)
{
    (void)state;
    double x[480] = {0};
    double mean[LT_THIRDS];
    lt_bank *b = new_bank(48000.0, LT_THIRD_FIRST, LT_THIRD_LAST);
    lt_bank_hop(b, x, mean);
    int bad = 0;
    for (size_t i = 0; i < lt_bank_band_count(b); i++)
        bad += !near_abs("silence", mean[i], 0.0, 0.0);
    fill_gauss(x, COUNT(x), 1.0, 2);
    lt_bank_hop(b, x, mean);
    memset(x, 0, sizeof x);
    assert_false(ltp_bank_at_rest(b));
    for (int h = 0; h < 12000; h++) /* two minutes: the 10 Hz band's tail too ends in exact zeros, not in denormals */
        lt_bank_hop(b, x, mean);
    assert_true(ltp_bank_at_rest(b));
    for (size_t i = 0; i < lt_bank_band_count(b); i++)
        bad += !near_abs("after the tail", mean[i], 0.0, 0.0);
    lt_bank_free(b);
    assert_int_equal(bad, 0);
}

static void a_constant_offset_does_not_leak(void **state)
{
    (void)state;
    double x[480];
    double mean[LT_THIRDS];
    for (size_t i = 0; i < COUNT(x); i++)
        x[i] = 0.9;
    lt_bank *b = new_bank(48000.0, LT_THIRD_FIRST, LT_THIRD_LAST);
    for (int h = 0; h < 2000; h++)
        lt_bank_hop(b, x, mean);
    int bad = 0;
    for (size_t i = 0; i < lt_bank_band_count(b); i++)
        bad += !in_range("offset", lt_db_from_power(mean[i]), -INFINITY, -200.0);
    lt_bank_free(b);
    assert_int_equal(bad, 0);
}

/* Centre of gravity of a smooth burst before and after. */
static void the_delay_is_the_measured_one(void **state)
{
    (void)state;
    const double rate = 48000.0;
    int bad = 0;
    for (int index = LT_THIRD_FIRST; index <= LT_THIRD_LAST; index += 3) {
        lt_bank *b = new_bank(rate, index, index);
        const lt_band band = lt_bank_band(b, 0);
        const double length_s = 60.0 / band.exact_hz + 0.2; /* narrow against the band: the delay at its centre */
        const double hop_s = (double)lt_bank_hop_frames(b) / rate;
        double x[480];
        double moment = 0.0;
        double energy = 0.0;
        for (double t = 0.0; t < 2.0 * length_s + 1.0; t += hop_s) {
            double mean = 0.0;
            for (size_t i = 0; i < COUNT(x); i++) {
                const double now = t + (double)i / rate;
                x[i] = lt_fade(2.0 * now / length_s) * lt_fade(2.0 - 2.0 * now / length_s) *
                       sin(2.0 * LT_PI * band.exact_hz * now);
            }
            lt_bank_hop(b, x, &mean);
            energy += mean;
            moment += mean * (t + hop_s / 2.0);
        }
        char label[64];
        (void)snprintf(label, sizeof label, "delay of %g Hz", band.nominal_hz);
        bad += !near_abs(label, moment / energy - length_s / 2.0, lt_bank_delay_s(b, 0),
                         0.03 * lt_bank_delay_s(b, 0) + 2e-4);
        lt_bank_free(b);
    }
    assert_int_equal(bad, 0);
}

SUITE(dsp_bank)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bands_present_depend_on_the_rate),
        cmocka_unit_test(wrong_arguments_are_refused),
        cmocka_unit_test(creation_survives_failed_allocations),
        cmocka_unit_test(sines_at_the_centres_read_true),
        cmocka_unit_test(the_running_filter_has_the_stated_response),
        cmocka_unit_test(an_impulse_shows_the_widths),
        cmocka_unit_test(a_sweep_gives_the_same_in_every_band),
        cmocka_unit_test(noise_reads_its_density),
        cmocka_unit_test(levels_are_linear_over_180_db),
        cmocka_unit_test(reset_starts_afresh),
        cmocka_unit_test(a_band_does_not_depend_on_its_company),
        cmocka_unit_test(silence_is_silence),
        cmocka_unit_test(a_constant_offset_does_not_leak),
        cmocka_unit_test(the_delay_is_the_measured_one),
    };
    return cmocka_run_group_tests_name("dsp_bank", tests, NULL, NULL);
}
