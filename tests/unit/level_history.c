/* SPDX-License-Identifier: MIT
 * Level history, further detectors and long sums of the level meter. */
#include "near.h"
#include "rng.h"
#include "suite.h"

#include "base/sum.h"
#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

enum { ROWS_MAX = 400 };
typedef struct {
    lt_level_row rows[ROWS_MAX];
    double band_db[ROWS_MAX];
    size_t count;
} history;

static void keep(void *context, const lt_level_row *row)
{
    history *h = context;
    assert_true(h->count < ROWS_MAX);
    h->band_db[h->count] = row->bands == NULL ? 0.0 : row->band_leq_db[LT_LEVEL_LOW_BANDS - LT_THIRD_50_HZ];
    if (row->bands != NULL)
        assert_int_equal(row->bands[LT_LEVEL_LOW_BANDS - LT_THIRD_50_HZ].index, 0); /* 1 kHz */
    h->rows[h->count++] = *row;
}

static void measure(const lt_signal *s, double interval_s, size_t block, history *h, lt_levels *l)
{
    lt_level_meter *m = NULL;
    lt_error err = {0};
    memset(h, 0, sizeof *h);
    assert_int_equal(lt_level_meter_create(s->rate_hz, 100.0, &m, &err), LT_OK);
    assert_int_equal(lt_level_meter_watch(m, interval_s, true, keep, h, &err), LT_OK);
    for (size_t at = 0; at < s->count; at += block)
        lt_level_meter_push(m, s->samples + at, s->count - at < block ? s->count - at : block);
    assert_int_equal(lt_level_meter_finish(m, l, &err), LT_OK);
    lt_level_meter_free(m);
}

static void rows_cover_the_recording(void **state)
{
    (void)state;
    static const double rates_hz[] = {8000, 44100, 48000};
    static const double intervals_s[] = {0.125, 1.0, 0.7};
    history *h = calloc(1, sizeof *h);
    history *again = calloc(1, sizeof *again);
    lt_levels *l = calloc(1, sizeof *l);
    int bad = 0;
    for (size_t r = 0; r < COUNT(rates_hz); r++) {
        lt_signal *s = NULL;
        assert_int_equal(lt_signal_create((size_t)(10.337 * rates_hz[r]), rates_hz[r], &s, &(lt_error){0}), LT_OK);
        fill_gauss(s->samples, s->count, 0.05, r + 1);
        for (size_t i = 0; i < s->count; i++)
            s->samples[i] = s->samples[i] * (1.0 + (double)(i / (s->count / 7))) + 0.02;
        for (size_t k = 0; k < COUNT(intervals_s); k++) {
            double exposure = 0.0;
            double max_db = -(double)INFINITY;
            double peak_db = -(double)INFINITY;
            measure(s, intervals_s[k], s->count, h, l);
            measure(s, intervals_s[k], 1237, again, l);
            bad += memcmp(h->rows, again->rows, offsetof(lt_level_row, bands)) != 0 || h->count != again->count;
            bad += !near_abs("rows", (double)h->count, ceil(l->seconds / intervals_s[k]), 0.0);
            for (size_t i = 0; i < h->count; i++) {
                const lt_level_row *row = &h->rows[i];
                bad += !near_abs("start", row->start_s, (double)i * intervals_s[k], 0.0062); /* half a hop: no drift */
                bad += i > 0 && !near_abs("gap", row->start_s, row[-1].start_s + row[-1].seconds, 1e-9);
                exposure += lt_power_from_db(row->laeq_db) * row->seconds;
                max_db = fmax(max_db, row->lafmax_db);
                peak_db = fmax(peak_db, row->lcpeak_db);
            }
            const lt_level_row *last = &h->rows[h->count - 1];
            bad += !near_abs("end", last->start_s + last->seconds, l->seconds, 1e-9);
            bad += !near_abs("exposure", lt_db_from_power(exposure), l->lae_db, 1e-9);
            bad += !near_abs("maximum", max_db, l->lafmax_db, 1e-9);
            bad += !near_abs("peak", peak_db, l->lcpeak_db, 1e-9);
        }
        lt_signal_free(s);
    }
    free(l);
    free(again);
    free(h);
    assert_int_equal(bad, 0);
}

static void steps_show_in_the_rows(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    history *h = calloc(1, sizeof *h);
    lt_levels *l = calloc(1, sizeof *l);
    int bad = 0;
    assert_int_equal(lt_signal_create(48000 * 8, 48000.0, &s, &(lt_error){0}), LT_OK);
    fill_sine(s->samples, s->count, 48000.0, 1000.0, 1.0, 0.0);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] = s->samples[i] * (i / 96000 % 2 == 0 ? 0.01 : 0.1) + 0.003; /* the offset is no sound */
    measure(s, 2.0, s->count, h, l);
    assert_int_equal(h->count, 4);
    for (size_t i = 0; i < 4; i++) {
        const double want_db = i % 2 == 0 ? 60.0 : 80.0;
        bad += !near_abs("LAeq", h->rows[i].laeq_db, want_db, i % 2 == 0 ? 0.3 : 0.05);
        bad += !near_abs("LZeq", h->rows[i].lzeq_db, want_db, 0.05);
        bad += !near_abs("band", h->band_db[i], want_db, i == 2 ? 1.5 : 0.5); /* the filter rings on */
        if (i != 2) /* which begins with the end of the loud one, late by the filter's delay */
            bad += !near_abs("LCpeak", h->rows[i].lcpeak_db, (i == 0 ? 60.0 : 80.0) + 3.01, i == 0 ? 0.3 : 1.0);
    }
    bad += !near_abs("LAFmin", l->lafmin_db, 60.0, 0.1);
    bad += !near_abs("LASmax", l->lasmax_db, 80.0 + lt_db_from_power(1.0 - 0.99 * exp(-2.0)), 0.2);
    bad += !near_abs("exposure", l->lae_db, l->laeq_db + lt_db_from_power(8.0), 1e-9);
    lt_signal_free(s);
    free(l);
    free(h);
    assert_int_equal(bad, 0);
}

static void histories_are_refused_when_they_make_no_sense(void **state)
{
    (void)state;
    lt_level_meter *m = NULL;
    history *h = calloc(1, sizeof *h);
    const double x[4] = {0.0};
    assert_int_equal(lt_level_meter_create(48000.0, 0.0, &m, &(lt_error){0}), LT_OK);
    assert_int_equal(lt_level_meter_watch(m, 0.001, true, keep, h, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_level_meter_watch(m, 1e9, true, keep, h, &(lt_error){0}), LT_E_ARG);
    assert_int_equal(lt_level_meter_watch(m, (double)NAN, true, keep, h, &(lt_error){0}), LT_E_ARG);
    for (int i = 0; i < 4; i++)
        assert_int_equal(lt_level_meter_watch(m, 1.0, true, keep, h, &(lt_error){0}), LT_OK);
    assert_int_equal(lt_level_meter_watch(m, 1.0, true, keep, h, &(lt_error){0}), LT_E_STATE);
    lt_level_meter_free(m);
    assert_int_equal(lt_level_meter_create(48000.0, 0.0, &m, &(lt_error){0}), LT_OK);
    lt_level_meter_push(m, x, 4);
    assert_int_equal(lt_level_meter_watch(m, 1.0, true, keep, h, &(lt_error){0}), LT_E_STATE);
    lt_level_meter_free(m);
    free(h);
}

/* L1 .. L99 of a level that rises evenly in dB over 60 s: percentile p is met (100 - p) % of the way up. */
static void percentiles_follow_a_ramp(void **state)
{
    (void)state;
    const double rate = 8000.0;
    lt_signal *s = NULL;
    lt_level_meter *m = NULL;
    lt_levels *l = calloc(1, sizeof *l);
    int bad = 0;
    assert_int_equal(lt_signal_create((size_t)(60.0 * rate), rate, &s, &(lt_error){0}), LT_OK);
    fill_sine(s->samples, s->count, rate, 1000.0, 1.0, 0.0);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= lt_amplitude_from_db(-60.0 + 40.0 * (double)i / (double)s->count);
    assert_int_equal(lt_level_meter_create(rate, 0.0, &m, &(lt_error){0}), LT_OK);
    lt_level_meter_push(m, s->samples, s->count);
    assert_int_equal(lt_level_meter_finish(m, l, &(lt_error){0}), LT_OK);
    const lt_level_band *band = lt_levels_band(l, 0);
    for (int p = 2; p <= 98; p++) {
        const double want_db = -60.0 + 40.0 * (100.0 - p) / 100.0 - 0.08; /* Fast lags by 125 ms */
        bad += !near_abs("LA", l->la_exceeded_db[p - 1], want_db, 0.1);
        bad += !near_abs("band", band->exceeded_db[p - 1], want_db, 0.2);
    }
    bad += !near_abs("share", lt_level_meter_share_above(m, -30.08), 0.25, 0.003);
    bad += !near_abs("none", lt_level_meter_share_above(m, 0.0), 0.0, 0.0);
    bad += !near_abs("all", lt_level_meter_share_above(m, -100.0), 1.0, 0.0);
    lt_level_meter_free(m);
    lt_signal_free(s);
    free(l);
    assert_int_equal(bad, 0);
}

/* A day of 10 ms hops whose energies are whole multiples of 2^-70: their sum is exact in 128-bit integers, and the
 * running sum must be its nearest double. A plain one is off. */
static void a_day_of_sums_loses_nothing(void **state)
{
    (void)state;
    enum { HOPS = 24 * 3600 * 100 };
    __extension__ typedef unsigned __int128 wide;
    lt_rng rng = {11};
    ltp_sum sum = {0.0, 0.0};
    double plain = 0.0;
    wide exact = 0;
    for (int i = 0; i < HOPS; i++) {
        const uint64_t value = lt_rng_next(&rng) >> (i < 1000 ? 11 : 20 + (unsigned)(i % 24));
        const double energy = ldexp((double)value, -70);
        ltp_sum_add(&sum, energy);
        plain += energy;
        exact += value;
    }
    const double want = ldexp((double)(uint64_t)(exact >> 20), -50) + ldexp((double)(uint64_t)(exact & 0xfffff), -70);
    assert_true(near_rel("compensated", ltp_sum_value(&sum), want, 3e-16));
    assert_false(fabs(plain / want - 1.0) < 1e-14);
}

SUITE(level_history)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(rows_cover_the_recording),
        cmocka_unit_test(steps_show_in_the_rows),
        cmocka_unit_test(histories_are_refused_when_they_make_no_sense),
        cmocka_unit_test(percentiles_follow_a_ramp),
        cmocka_unit_test(a_day_of_sums_loses_nothing),
    };
    return cmocka_run_group_tests_name("level_history", tests, NULL, NULL);
}
