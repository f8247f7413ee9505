/* SPDX-License-Identifier: MIT
 * The level meter on signals whose levels are known. dBFS: a full-scale sine reads 0. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

static lt_signal *make(double rate_hz, double seconds)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)(seconds * rate_hz), rate_hz, &s, &(lt_error){0}), LT_OK);
    return s;
}

static lt_levels *measure(const lt_signal *s, double cal_db)
{
    lt_levels *l = calloc(1, sizeof *l);
    lt_error err = {0};
    assert_non_null(l);
    if (lt_levels_measure(s, cal_db, l, &err) != LT_OK)
        fail_msg("%s", err.what);
    return l;
}

static lt_signal *noise(double rate_hz, double seconds, double rms, uint64_t seed)
{
    lt_signal *s = make(rate_hz, seconds);
    fill_gauss(s->samples, s->count, rms, seed);
    return s;
}

/* A calibrated 1 kHz tone reads its level everywhere: weightings, percentiles, band, maximum. */
static void calibrator_tone_reads_its_level(void **state)
{
    (void)state;
    static const double rates_hz[] = {4000, 8000, 44100, 48000, 96000};
    int bad = 0;
    for (size_t r = 0; r < COUNT(rates_hz); r++) {
        lt_signal *s = make(rates_hz[r], 12.0);
        fill_sine(s->samples, s->count, s->rate_hz, 1000.0, 0.1, 1.0);
        lt_levels *l = measure(s, 114.0);
        const lt_level_band *b = lt_levels_band(l, 0);
        bad += !near_abs("LAeq", l->laeq_db, 94.0, 0.05);
        bad += !near_abs("LCeq", l->lceq_db, 94.0, 0.05);
        bad += !near_abs("LAFmax", l->lafmax_db, 94.0, 0.05);
        bad += !near_abs("LA10", l->la10_db, 94.0, 0.06);
        bad += !near_abs("LA90", l->la90_db, 94.0, 0.06);
        assert_non_null(b);
        bad += !near_abs("band", b->leq_db, 94.0, 0.05);
        bad += !near_abs("band L50", b->l50_db, 94.0, 0.06);
        bad += rates_hz[r] > 40000.0 && !near_abs("peak", l->peak_dbfs, -20.0, 0.02);
        bad += !near_abs("seconds", l->seconds, 12.0, 1e-9);
        bad += l->hum;
        bad += l->notes.count != 0;
        free(l);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* White noise: density times bandwidth. The standard deviation of a band level is 4.34 / sqrt(B T) dB. */
static void white_noise_fills_each_band_by_its_width(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *s = noise(48000.0, 60.0, 0.05, 7);
    lt_levels *l = measure(s, 0.0);
    assert_int_equal(l->band_count, LT_THIRD_16_KHZ - LT_THIRD_50_HZ + 1);
    for (size_t i = 0; i < l->band_count; i++) {
        const lt_band b = l->bands[i].band;
        const double width = b.upper_hz - b.lower_hz;
        char row[32];
        (void)snprintf(row, sizeof row, "%g Hz", b.nominal_hz);
        bad += b.index != LT_THIRD_50_HZ + (int)i;
        bad += !near_abs(row, l->bands[i].leq_db, lt_dbfs_from_mean_square(0.0025 * width / 24000.0),
                         0.05 + 3.0 * 4.343 / sqrt(width * 60.0));
        /* Fast noise is nearly normal in dB, with 2 B tau degrees of freedom: L10 - L90 = 2 x 1.28 sigma. B is the
         * statistical bandwidth, (integral of |H|^2)^2 over that of |H|^4: 2 n / (2 n - 1) of the width for a
         * Butterworth filter of n pole pairs; most bands have three. */
        const double sigma_db = 4.343 / sqrt(2.0 * 1.2 * width * 0.125);
        if (width > 200.0)
            bad += !near_abs(row, l->bands[i].l10_db - l->bands[i].l90_db, 2.563 * sigma_db, 0.2 * sigma_db + 0.05);
    }
    free(l);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Ten pieces of a second agree, on average, with one long recording: the start of a file weighs nothing extra. */
static void short_recordings_are_not_biased(void **state)
{
    (void)state;
    enum { PIECES = 40 };
    lt_signal *all = noise(16000.0, 2.0 * PIECES, 0.1, 99);
    lt_levels *whole = measure(all, 0.0);
    double sum[7] = {0.0};
    for (size_t k = 0; k < PIECES; k++) {
        lt_signal *piece = NULL;
        assert_int_equal(lt_signal_copy(all, k * 32000, 32000, &piece, &(lt_error){0}), LT_OK);
        lt_levels *l = measure(piece, 0.0);
        const lt_level_band *b = lt_levels_band(l, 0);
        const lt_level_band *low = lt_levels_band(l, LT_THIRD_50_HZ);
        const double got[7] = {l->la10_db, l->la50_db, l->la90_db, b->l10_db, b->l50_db, b->l90_db, low->l50_db};
        for (size_t i = 0; i < 7; i++)
            sum[i] += got[i] / PIECES;
        assert_true(lt_notes_has(&l->notes, "short"));
        free(l);
        lt_signal_free(piece);
    }
    const lt_level_band *b = lt_levels_band(whole, 0);
    const lt_level_band *low = lt_levels_band(whole, LT_THIRD_50_HZ);
    const double want[7] = {whole->la10_db, whole->la50_db, whole->la90_db, b->l10_db,
                            b->l50_db,      b->l90_db,      low->l50_db};
    int bad = 0;
    for (size_t i = 0; i < 7; i++)
        bad += !near_abs("mean of the pieces", sum[i], want[i], i < 3 ? 0.15 : i < 6 ? 0.2 : 0.5);
    free(whole);
    lt_signal_free(all);
    assert_int_equal(bad, 0);
}

/* ---- streaming ---- */

static bool same_bits(const double *a, const double *b, size_t count)
{
    return memcmp(a, b, count * sizeof *a) == 0;
}

/* Field by field: what lies between the fields of a structure is nobody's. */
static bool same_levels(const lt_levels *a, const lt_levels *b)
{
    bool same = a->band_count == b->band_count && a->line_count == b->line_count && a->hum == b->hum &&
                a->history_count == b->history_count && a->notes.count == b->notes.count;
    same = same && same_bits(&a->seconds, &b->seconds, 1) && same_bits(&a->laeq_db, &b->laeq_db, 6) &&
           same_bits(&a->peak_dbfs, &b->peak_dbfs, 1) && same_bits(&a->mains_hz, &b->mains_hz, 2) &&
           same_bits(&a->history_step_s, &b->history_step_s, 1) &&
           same_bits(a->history_dba, b->history_dba, a->history_count);
    for (size_t i = 0; same && i < a->band_count; i++)
        same = same_bits(&a->bands[i].leq_db, &b->bands[i].leq_db, 4);
    for (size_t i = 0; same && i < a->line_count; i++)
        same = same_bits(&a->lines[i].hz, &b->lines[i].hz, 2);
    return same;
}

static void block_sizes_change_no_bit(void **state)
{
    (void)state;
    static const size_t sizes[] = {1, 7, 480, 481, 4096, 100000};
    lt_signal *s = noise(44100.0, 5.3, 0.1, 5);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] += 0.05 * sin(2.0 * LT_PI * 50.0 * (double)i / 44100.0);
    lt_levels *once = measure(s, 100.0);
    assert_true(once->hum && once->line_count > 0);
    lt_level_meter *m = NULL;
    lt_levels *parts = calloc(1, sizeof *parts);
    assert_int_equal(lt_level_meter_create(44100.0, 100.0, &m, &(lt_error){0}), LT_OK);
    for (size_t k = 0; k < COUNT(sizes); k++) { /* the same meter again and again: reset is part of it */
        for (size_t at = 0; at < s->count; at += sizes[k])
            lt_level_meter_push(m, s->samples + at, s->count - at < sizes[k] ? s->count - at : sizes[k]);
        assert_int_equal(lt_level_meter_finish(m, parts, &(lt_error){0}), LT_OK);
        assert_true(same_levels(once, parts));
        lt_level_meter_reset(m);
    }
    lt_level_meter_free(m);
    free(parts);
    free(once);
    lt_signal_free(s);
}

/* ---- maxima, percentiles, history ---- */

/* A level that steps every 10 s: percentiles and history are the steps. */
static void steps_show_in_percentiles_and_history(void **state)
{
    (void)state;
    static const double amplitude[] = {0.001, 0.01, 0.01, 0.01, 0.1};
    const double rate = 8000.0;
    lt_signal *s = make(rate, 50.0);
    fill_sine(s->samples, s->count, rate, 1000.0, 1.0, 0.0);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= amplitude[i / 80000];
    lt_levels *l = measure(s, 0.0);
    int bad = 0;
    bad += !near_abs("L10", l->la10_db, -20.0, 0.06);
    bad += !near_abs("L50", l->la50_db, -40.0, 0.06);
    bad += !near_abs("L90", l->la90_db, -60.0, 0.06);
    bad += !near_abs("LAeq", l->laeq_db, 10.0 * log10((1e-6 + 3e-4 + 1e-2) / 5.0), 0.05);
    bad += !near_abs("LAFmax", l->lafmax_db, -20.0, 0.05);
    bad += !in_range("step", l->history_step_s, 0.05, 0.15);
    bad += !in_range("history", (double)l->history_count * l->history_step_s, 49.8, 50.0);
    for (size_t i = 0; i < l->history_count; i++) {
        const double at = (double)i * l->history_step_s;
        const size_t step = (size_t)(at / 10.0);
        if (fmod(at, 10.0) > 0.2 && fmod(at, 10.0) < 9.8)
            bad += !near_abs("history", l->history_dba[i], 20.0 * log10(amplitude[step]), 0.05);
    }
    free(l);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* The history merges pairs when it is full; its power sum stays that of the recording. */
static void long_history_keeps_the_energy(void **state)
{
    (void)state;
    lt_signal *s = noise(4000.0, 500.0, 0.1, 3);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= (double)i / (double)s->count;
    lt_levels *l = measure(s, 0.0);
    int bad = 0;
    double sum = 0.0;
    bad += !in_range("count", (double)l->history_count, 300.0, 600.0);
    bad += !in_range("covered", (double)l->history_count * l->history_step_s, 500.0 - l->history_step_s, 500.0);
    for (size_t i = 0; i < l->history_count; i++) {
        const double share = ((double)i + 0.5) * l->history_step_s / 500.0;
        sum += lt_power_from_db(l->history_dba[i]) / (double)l->history_count;
        if (share > 0.05)
            bad += !near_abs("ramp", l->history_dba[i] - l->laeq_db, lt_db_from_power(3.0 * share * share), 1.0);
    }
    bad += !near_abs("energy", lt_db_from_power(sum), l->laeq_db, 0.03);
    free(l);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* ---- notes and odd input ---- */

static void notes_say_what_is_wrong(void **state)
{
    (void)state;
    lt_signal *s = make(16000.0, 11.0);
    fill_sine(s->samples, s->count, s->rate_hz, 440.0, 1.0, 0.0);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] = fmax(-0.5, fmin(0.5, s->samples[i]));
    lt_levels *l = measure(s, 0.0);
    assert_true(lt_notes_has(&l->notes, "clipping"));
    assert_int_equal(l->notes.count, 1);
    free(l);
    fill_gauss(s->samples, s->count, 0.01, 1);
    l = measure(s, 0.0);
    const double without_db = l->lceq_db;
    assert_int_equal(l->notes.count, 0);
    free(l);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] += 0.1;
    l = measure(s, 0.0);
    assert_true(lt_notes_has(&l->notes, "dc-offset"));
    assert_int_equal(l->notes.count, 1);
    assert_true(near_abs("an offset is no sound", l->lceq_db, without_db, 0.01));
    free(l);
    lt_signal_free(s);
}

static void silence_is_minus_infinity(void **state)
{
    (void)state;
    lt_signal *s = make(48000.0, 1.0);
    lt_levels *l = measure(s, 120.0);
    int bad = 0;
    const double got[] = {l->laeq_db, l->lceq_db, l->lafmax_db, l->la10_db, l->la50_db, l->la90_db, l->peak_dbfs};
    for (size_t i = 0; i < COUNT(got); i++)
        bad += !near_abs("silence", got[i], -(double)INFINITY, 0.0);
    for (size_t i = 0; i < l->band_count; i++) {
        bad += !near_abs("band", l->bands[i].leq_db, -(double)INFINITY, 0.0);
        bad += !near_abs("band L10", l->bands[i].l10_db, -(double)INFINITY, 0.0);
        bad += !near_abs("band L90", l->bands[i].l90_db, -(double)INFINITY, 0.0);
    }
    for (size_t i = 0; i < l->history_count; i++)
        bad += !near_abs("history", l->history_dba[i], -(double)INFINITY, 0.0);
    assert_true(lt_notes_has(&l->notes, "silent"));
    assert_true(lt_notes_has(&l->notes, "short"));
    assert_false(l->hum);
    free(l);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* From one sample up nothing is NaN, and steady noise keeps its level. */
static void very_short_recordings_have_levels(void **state)
{
    (void)state;
    static const size_t counts[] = {1, 2, 100, 479, 480, 481, 960, 5000, 24000};
    int bad = 0;
    for (size_t k = 0; k < COUNT(counts); k++) {
        lt_signal *s = make(48000.0, 1.0);
        fill_gauss(s->samples, s->count, 0.1, 77);
        s->count = counts[k];
        lt_levels *l = measure(s, 0.0);
        const double top_hz = lt_levels_band(l, LT_THIRD_16_KHZ)->leq_db;
        const double values[] = {l->laeq_db, l->lceq_db, l->lafmax_db, l->la50_db, top_hz, l->history_dba[0]};
        for (size_t i = 0; i < COUNT(values); i++)
            bad += !in_range("value", values[i], -300.0, 10.0);
        for (size_t i = 0; i < l->band_count; i++)
            bad += isnan(l->bands[i].l50_db) || isnan(l->bands[i].leq_db);
        if (counts[k] >= 480)
            bad += !near_abs("LAeq", l->laeq_db, -18.5, 1.5); /* A-weighting takes 1.5 dB from white noise at 48 kHz */
        bad += l->history_count != 1 && counts[k] < 4800;
        free(l);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void bad_input_is_refused(void **state)
{
    (void)state;
    lt_level_meter *m = NULL;
    lt_error err = {0};
    lt_levels l;
    assert_int_equal(lt_level_meter_create(3999.0, 0.0, &m, &err), LT_E_ARG);
    assert_null(m);
    assert_true(err.what[0] != '\0');
    assert_int_equal(lt_level_meter_create(1e6, 0.0, &m, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_level_meter_create((double)NAN, 0.0, &m, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_level_meter_create(48000.0, (double)NAN, &m, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_level_meter_create(48000.0, (double)INFINITY, &m, &(lt_error){0}), LT_E_ARG);
    assert_null(m);
    assert_int_equal(lt_level_meter_create(48000.0, 0.0, &m, &(lt_error){0}), LT_OK);
    err = (lt_error){0};
    assert_int_equal(lt_level_meter_finish(m, &l, &err), LT_E_ARG);
    assert_true(strstr(err.what, "empty") != NULL);
    lt_level_meter_reset(m);
    const double broken[3] = {0.1, (double)NAN, 0.2};
    lt_level_meter_push(m, broken, 3);
    assert_int_equal(lt_level_meter_finish(m, &l, &(lt_error){0}), LT_E_ARG);
    lt_level_meter_free(m);
    lt_level_meter_free(NULL);
    lt_signal *s = make(48000.0, 0.0);
    assert_int_equal(lt_levels_measure(s, 0.0, &l, &(lt_error){0}), LT_E_ARG);
    lt_signal_free(s);
}

static lt_status make_meter(void *context, lt_error *err)
{
    (void)context;
    lt_level_meter *m = NULL;
    const lt_status status = lt_level_meter_create(48000.0, 0.0, &m, err);
    assert_true((status == LT_OK) == (m != NULL));
    lt_level_meter_free(m);
    return status;
}

static lt_status measure_short(void *context, lt_error *err)
{
    (void)context;
    lt_signal *s = NULL;
    lt_levels l;
    lt_status status = lt_signal_create(16000, 8000.0, &s, err);
    if (status == LT_OK) {
        fill_gauss(s->samples, s->count, 0.1, 1);
        status = lt_levels_measure(s, 0.0, &l, err);
    }
    lt_signal_free(s);
    return status;
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    assert_survives_faults(make_meter, NULL);
    assert_survives_faults(measure_short, NULL);
}

SUITE(level_meter)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(calibrator_tone_reads_its_level),
        cmocka_unit_test(white_noise_fills_each_band_by_its_width),
        cmocka_unit_test(short_recordings_are_not_biased),
        cmocka_unit_test(block_sizes_change_no_bit),
        cmocka_unit_test(steps_show_in_percentiles_and_history),
        cmocka_unit_test(long_history_keeps_the_energy),
        cmocka_unit_test(notes_say_what_is_wrong),
        cmocka_unit_test(silence_is_minus_infinity),
        cmocka_unit_test(very_short_recordings_have_levels),
        cmocka_unit_test(bad_input_is_refused),
        cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("level_meter", tests, NULL, NULL);
}
