/* SPDX-License-Identifier: MIT
 * Stimuli: the sweep's formula and structure, noises of the right spectrum, level and length. */
#include "near.h"
#include "suite.h"
#include <lanetune/response.h>

#include <string.h>

SUITE(response_stimulus);

static lt_signal *make_sweep(const lt_sweep_options *o)
{
    lt_signal *s = NULL;
    lt_error err = {0};
    if (lt_sweep_create(o, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

/* Mean of |S|^2 f over a band: constant for an exponential sweep (Farina 2000: equal time in each octave). */
static double pink_level_db(const lt_signal *s, lt_band b)
{
    lt_ir *ir = NULL;
    double level = 0.0;
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    assert_int_equal(lt_ir_band_levels(ir, &b, 1, &level, NULL), LT_OK);
    lt_ir_free(ir);
    return level + 10.0 * log10(b.exact_hz);
}

static void sweep_is_at_full_level_in_every_band(void **state)
{
    (void)state;
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 5.0;
    o.markers = false;
    lt_signal *s = make_sweep(&o);
    const double middle = pink_level_db(s, lt_third_octave(0));
    int bad = 0;
    for (int i = LT_THIRD_50_HZ; i <= LT_THIRD_16_KHZ; i++) {
        char label[32];
        (void)snprintf(label, sizeof label, "%g Hz", lt_third_octave(i).nominal_hz);
        bad += !near_abs(label, pink_level_db(s, lt_third_octave(i)), middle, i == LT_THIRD_50_HZ ? 1.0 : 0.3);
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void sweep_has_its_parts_where_they_belong(void **state)
{
    (void)state;
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 1.0;
    o.repeats = 3;
    o.peak_dbfs = -12.0;
    lt_signal *s = make_sweep(&o);
    const double rate = o.rate_hz;
    int bad = 0;
    /* lead, marker, gap, 3 (sweep, gap), marker, tail; a marker lasts 0.15 s */
    bad += !near_abs("length", (double)s->count / rate, 0.5 + 2 * 0.15 + 1.0 + 3 * (1.0 + 1.0) + 1.0, 1e-9);
    bad += !near_abs("peak", lt_db_from_amplitude(lt_signal_peak(s)), -12.0, 0.01);
    const size_t lead = (size_t)(0.5 * rate);
    for (size_t i = 0; i < lead; i++)
        bad += fabs(s->samples[i]) > 0.0;
    const size_t first = lead + (size_t)(1.15 * rate);
    for (size_t i = 0; i < (size_t)rate; i++) /* the sweeps are copies of each other, bit by bit */
        bad += memcmp(&s->samples[first + i], &s->samples[first + i + (size_t)(2.0 * rate)], sizeof(double)) != 0;
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void sweep_options_out_of_range_are_refused(void **state)
{
    (void)state;
    const struct {
        const char *word; /* that the message has to name */
        double rate_hz, from_hz, to_hz, seconds, peak_dbfs, gap_s;
        unsigned repeats;
    } rows[] = {
        {"rate", 7999.0, 50.0, 3000.0, 10.0, -6.0, 1.0, 1},
        {"rate", (double)NAN, 50.0, 3000.0, 10.0, -6.0, 1.0, 1},
        {"start", 48000.0, 5.0, 18000.0, 10.0, -6.0, 1.0, 1},
        {"end", 48000.0, 50.0, 23000.0, 10.0, -6.0, 1.0, 1},
        {"above", 48000.0, 500.0, 400.0, 10.0, -6.0, 1.0, 1},
        {"length", 48000.0, 50.0, 18000.0, 0.1, -6.0, 1.0, 1},
        {"peak", 48000.0, 50.0, 18000.0, 10.0, 0.1, 1.0, 1},
        {"gap", 48000.0, 50.0, 18000.0, 10.0, -6.0, 0.0, 1},
        {"repeats", 48000.0, 50.0, 18000.0, 10.0, -6.0, 1.0, 65},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_sweep_options o = lt_sweep_default_options();
        o.rate_hz = rows[i].rate_hz;
        o.from_hz = rows[i].from_hz;
        o.to_hz = rows[i].to_hz;
        o.seconds = rows[i].seconds;
        o.peak_dbfs = rows[i].peak_dbfs;
        o.gap_s = rows[i].gap_s;
        o.repeats = rows[i].repeats;
        lt_error err = {0};
        lt_signal *s = NULL;
        const lt_status st = lt_sweep_create(&o, &s, &err);
        if (st != LT_E_ARG || s != NULL || strstr(err.what, rows[i].word) == NULL) {
            (void)fprintf(stderr, "row %zu: status %d, \"%s\"\n", i, (int)st, err.what);
            bad++;
        }
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static lt_signal *make_noise(lt_noise_kind kind, double seconds, uint64_t seed)
{
    lt_noise_options o = lt_noise_default_options();
    o.kind = kind;
    o.seconds = seconds;
    o.seed = seed;
    lt_signal *s = NULL;
    lt_error err = {0};
    if (lt_noise_create(&o, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

static double band_db(const lt_signal *s, int index)
{
    lt_ir *ir = NULL;
    double level = 0.0;
    const lt_band b = lt_third_octave(index);
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    assert_int_equal(lt_ir_band_levels(ir, &b, 1, &level, NULL), LT_OK);
    lt_ir_free(ir);
    return level;
}

static void noises_have_their_spectra(void **state)
{
    (void)state;
    /* Density re 1 kHz: white 0, pink -10 lg(f / 1 kHz), speech by ANSI S3.5-1997 table 3, normal effort (second copy:
     * the rows 250 Hz 34.75, 1 kHz 25.01, 4 kHz 9.33, 8 kHz 1.13 dB). */
    const struct {
        lt_noise_kind kind;
        int index;
        double want_db;
    } rows[] = {
        {LT_NOISE_WHITE, -6, 0.0},          {LT_NOISE_WHITE, 9, 0.0},           {LT_NOISE_PINK, -6, 6.0},
        {LT_NOISE_PINK, -10, 10.0},         {LT_NOISE_PINK, 9, -9.0},           {LT_NOISE_SPEECH, -6, 34.75 - 25.01},
        {LT_NOISE_SPEECH, 6, 9.33 - 25.01}, {LT_NOISE_SPEECH, 9, 1.13 - 25.01},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = make_noise(rows[i].kind, 20.0, 5);
        char label[48];
        (void)snprintf(label, sizeof label, "kind %d band %d", (int)rows[i].kind, rows[i].index);
        bad += !near_abs(label, band_db(s, rows[i].index) - band_db(s, 0), rows[i].want_db, 0.5);
        bad += !near_abs("level", lt_dbfs_from_rms(lt_signal_rms(s)), -20.0, 1e-6);
        bad += !in_range("peak", lt_signal_peak(s), 0.05, 1.0);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void noise_depends_on_its_seed_alone(void **state)
{
    (void)state;
    lt_signal *a = make_noise(LT_NOISE_PINK, 5.0, 7);
    lt_signal *b = make_noise(LT_NOISE_PINK, 5.0, 7);
    lt_signal *c = make_noise(LT_NOISE_PINK, 5.0, 8);
    assert_int_equal(a->count, 240000);
    assert_memory_equal(a->samples, b->samples, a->count * sizeof *a->samples);
    double ac = 0.0;
    for (size_t i = 0; i < a->count; i++)
        ac += a->samples[i] * c->samples[i];
    const double r = ac / (double)a->count / lt_signal_rms(a) / lt_signal_rms(c);
    lt_signal_free(a);
    lt_signal_free(b);
    lt_signal_free(c);
    assert_true(fabs(r) < 0.1);
}

static void noise_that_would_clip_is_refused(void **state)
{
    (void)state;
    lt_noise_options o = lt_noise_default_options();
    o.rms_dbfs = -3.0;
    lt_error err = {0};
    lt_signal *s = NULL;
    assert_int_equal(lt_noise_create(&o, &s, &err), LT_E_ARG);
    assert_null(s);
    assert_non_null(strstr(err.what, "clip"));
}

static void tone_has_its_level_and_frequency(void **state)
{
    (void)state;
    const lt_tone_options o = {.rate_hz = 48000.0, .hz = 1000.0, .seconds = 2.0, .rms_dbfs = -18.0};
    lt_signal *s = NULL;
    assert_int_equal(lt_tone_create(&o, &s, NULL), LT_OK);
    const size_t from = 24000; /* away from the fades, whole periods */
    const lt_complex z = lt_dtft(s->samples + from, 48000, 48000.0, 1000.0);
    int bad = !near_abs("level", lt_db_from_amplitude(2.0 * sqrt(lt_complex_power(z)) / 48000.0), -18.0, 1e-9);
    bad += !near_abs("start", s->samples[0], 0.0, 1e-12);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
    const lt_tone_options wrong = {.rate_hz = 48000.0, .hz = 24000.0, .seconds = 2.0, .rms_dbfs = -18.0};
    assert_int_equal(lt_tone_create(&wrong, &s, NULL), LT_E_ARG);
    assert_null(s);
}

int response_stimulus_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(sweep_is_at_full_level_in_every_band),
        cmocka_unit_test(sweep_has_its_parts_where_they_belong),
        cmocka_unit_test(sweep_options_out_of_range_are_refused),
        cmocka_unit_test(noises_have_their_spectra),
        cmocka_unit_test(noise_depends_on_its_seed_alone),
        cmocka_unit_test(noise_that_would_clip_is_refused),
        cmocka_unit_test(tone_has_its_level_and_frequency),
    };
    return cmocka_run_group_tests_name("response_stimulus", tests, NULL, NULL);
}
