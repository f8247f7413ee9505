/* SPDX-License-Identifier: MIT
 * Screening a long recording: what is planted lies in the parts that are named, noise and hum name none, and the
 * detectors find in those parts what was planted. Signals are closed forms in noise of a fixed seed. */
#include "fault.h"
#include "near.h"
#include "rng.h"
#include "suite.h"

#include "level/line_spectrum.h"
#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

enum { SECONDS = 40 };
static const double noise_rms = 0.005;

typedef struct {
    double whine_hz, whine_dbfs, whine_from_s, whine_to_s; /* hz 0: none */
    double burst_from_s, burst_to_s, burst_peak;           /* peak 0: none */
    double hum_hz;                                         /* 0: none */
} planted;

static const struct {
    const char *row;
    double rate_hz;
    planted what;
} rows[] = {
    {"noise", 48000, {.whine_hz = 0}},
    {"noise at a low rate", 8000, {.whine_hz = 0}},
    {"hum of 50 Hz with 40 multiples", 48000, {.hum_hz = 50}},
    {"hum of 60 Hz with 40 multiples", 44100, {.hum_hz = 60}},
    {"whine for four seconds", 48000, {.whine_hz = 9137, .whine_dbfs = -60, .whine_from_s = 21.3, .whine_to_s = 25.3}},
    {"whine to the end", 44100, {.whine_hz = 15020, .whine_dbfs = -60, .whine_from_s = 22, .whine_to_s = SECONDS}},
    {"whine at a high rate", 96000, {.whine_hz = 3000, .whine_dbfs = -58, .whine_from_s = 3, .whine_to_s = 12}},
    {"whine at the upper end", 8000, {.whine_hz = 3870, .whine_dbfs = -55, .whine_from_s = 12, .whine_to_s = 24}},
    {"whine from the start", 16000, {.whine_hz = 6400, .whine_dbfs = -60, .whine_from_s = 0, .whine_to_s = 20}},
    {"half a second of burst buzz", 48000, {.burst_from_s = 33.2, .burst_to_s = 33.7, .burst_peak = 0.02}},
    {"burst buzz and hum", 44100, {.burst_from_s = 33.2, .burst_to_s = 36.2, .burst_peak = 0.03, .hum_hz = 50}},
    {"burst buzz, lags of half samples", 11025, {.burst_from_s = 20, .burst_to_s = 22, .burst_peak = 0.03}},
    {"burst buzz at 22.05 kHz", 22050, {.burst_from_s = 30, .burst_to_s = 32, .burst_peak = 0.03}},
    {"whine beside the comb of a long buzz",
     16000,
     {.whine_hz = 2911,
      .whine_dbfs = -58,
      .whine_from_s = 8,
      .whine_to_s = 36,
      .burst_from_s = 5,
      .burst_to_s = 35,
      .burst_peak = 0.03}},
    {"both",
     32000,
     {.whine_hz = 5200,
      .whine_dbfs = -60,
      .whine_from_s = 10,
      .whine_to_s = 36,
      .burst_from_s = 20,
      .burst_to_s = 22,
      .burst_peak = 0.03}},
};

static double *make(double rate_hz, const planted *p, size_t count)
{
    double *x = calloc(count, sizeof *x);
    assert_non_null(x);
    fill_gauss(x, count, noise_rms, 20240514);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / rate_hz, frame = 0.06 / 13.0; /* 3GPP TS 45.002 */
        if (p->whine_hz > 0.0 && t >= p->whine_from_s && t < p->whine_to_s)
            x[i] += sqrt(2.0) * lt_amplitude_from_db(p->whine_dbfs - 3.0103) * sin(2.0 * LT_PI * p->whine_hz * t);
        if (t >= p->burst_from_s && t < p->burst_to_s && fmod(t, frame) < frame / 8.0)
            x[i] += p->burst_peak;
        for (int h = 1; h <= 40 && p->hum_hz > 0.0; h++)
            x[i] += 0.004 / h * sin(2.0 * LT_PI * h * p->hum_hz * t);
    }
    return x;
}

/* What the meter's screen says, in blocks of any size. */
static void screen(double rate_hz, const double *x, size_t count, size_t block, lt_screened *out)
{
    lt_level_meter *m = NULL;
    lt_levels *l = calloc(1, sizeof *l);
    assert_non_null(l);
    assert_int_equal(lt_level_meter_create(rate_hz, 0.0, &m, NULL), LT_OK);
    assert_int_equal(lt_level_meter_screen(m, NULL), LT_OK);
    for (size_t at = 0; at < count; at += block)
        lt_level_meter_push(m, x + at, count - at < block ? count - at : block);
    assert_int_equal(lt_level_meter_finish(m, l, NULL), LT_OK);
    lt_level_meter_screened(m, out);
    lt_level_meter_free(m);
    free(l);
}

/* Misses: 1 where [from_s, to_s] does not lie within one part of the list, or nothing was planted and the list names
 * something. The comb of a buzz may be a whine to the screen. */
static int not_named(const char *row, const lt_suspects *list, bool planted_here, bool may, double from_s, double to_s)
{
    bool within = !planted_here && (may || list->count == 0);
    for (size_t i = 0; i < list->count && planted_here; i++)
        within = within || (list->items[i].from_s <= from_s && list->items[i].to_s >= fmin(to_s, SECONDS - 2.0));
    for (size_t i = 0; i < list->count; i++)
        within = within && list->items[i].to_s <= SECONDS;
    if (within)
        return 0;
    print_error("%s: %zu parts; planted %g to %g s\n", row, list->count, from_s, to_s);
    for (size_t i = 0; i < list->count; i++)
        print_error("    %g to %g s\n", list->items[i].from_s, list->items[i].to_s);
    return 1;
}

static void hear(double rate_hz, const double *x, size_t count, const lt_suspects *list, unsigned seek,
                 lt_interference_result *all)
{
    const double burst_s = (seek & LT_SEEK_BURST) != 0 ? 0.0 : all->burst_s;
    for (size_t i = 0; i < list->count; i++) {
        lt_interference *d = NULL;
        lt_interference_result part;
        const size_t from = (size_t)(list->items[i].from_s * rate_hz), to = (size_t)(list->items[i].to_s * rate_hz);
        assert_int_equal(lt_interference_create(rate_hz, 0.0, seek, &d, NULL), LT_OK);
        lt_interference_push(d, x + from, (to < count ? to : count) - from);
        assert_int_equal(lt_interference_finish(d, NAN, burst_s, &part, NULL), LT_OK);
        lt_interference_free(d);
        lt_interference_add(all, &part, list->items[i].from_s);
    }
}

static int compare(const char *row, const planted *p, const lt_interference_result *r)
{
    int bad = 0;
    if (r->whine_count != (p->whine_hz > 0.0 ? 1U : 0U)) {
        print_error("%s: %zu whines\n", row, r->whine_count);
        return 1;
    }
    if (p->whine_hz > 0.0) {
        const lt_whine *w = &r->whines[0];
        bad += !near_abs(row, w->hz, p->whine_hz, 0.5);
        bad += !near_abs(row, w->level_db, p->whine_dbfs, 1.0); /* dBFS of a sine, AES17 */
        bad += !near_abs(row, w->from_s, p->whine_from_s, 0.25);
        bad += !near_abs(row, w->to_s, p->whine_to_s, 0.25);
    }
    if (p->burst_peak > 0.0) {
        bad += !near_abs(row, r->burst_from_s, p->burst_from_s, 0.25);
        bad += !near_abs(row, r->burst_s, p->burst_to_s - p->burst_from_s, 0.35);
    } else {
        bad += lt_is_known(r->burst_from_s);
    }
    return bad;
}

static void what_is_planted_is_named_and_found(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < LTP_COUNT(rows); k++) {
        const planted *p = &rows[k].what;
        const size_t count = (size_t)(SECONDS * rows[k].rate_hz);
        double *x = make(rows[k].rate_hz, p, count);
        lt_screened s;
        screen(rows[k].rate_hz, x, count, 32768, &s);
        bad += not_named(rows[k].row, &s.whine, p->whine_hz > 0.0, p->burst_peak > 0.0, p->whine_from_s, p->whine_to_s);
        bad += not_named(rows[k].row, &s.burst, p->burst_peak > 0.0, false, p->burst_from_s, p->burst_to_s);
        lt_interference_result all = lt_interference_screened(&s, SECONDS);
        bad += lt_is_known(all.wind_from_s);
        hear(rows[k].rate_hz, x, count, &s.burst, LT_SEEK_BURST, &all);
        hear(rows[k].rate_hz, x, count, &s.whine, LT_SEEK_WHINE, &all);
        bad += compare(rows[k].row, p, &all);
        free(x);
    }
    assert_int_equal(bad, 0);
}

static void blocks_change_nothing(void **state)
{
    (void)state;
    static const size_t blocks[] = {1, 77, 480, 5000};
    const planted p = rows[LTP_COUNT(rows) - 1].what;
    const size_t count = 30 * 16000;
    double *x = make(16000, &p, count);
    lt_screened want;
    screen(16000, x, count, count, &want);
    assert_true(want.whine.count > 0 && want.burst.count > 0);
    for (size_t i = 0; i < LTP_COUNT(blocks); i++) {
        lt_screened got;
        screen(16000, x, count, blocks[i], &got);
        assert_memory_equal(&got, &want, sizeof got);
    }
    free(x);
}

/* More parts than a list holds: the nearest become one, nothing is left out. */
static void a_full_list_leaves_nothing_out(void **state)
{
    (void)state;
    enum { RATE = 8000, BURSTS = 90, EVERY = 5 };
    const size_t count = (size_t)BURSTS * EVERY * RATE;
    double *x = make(RATE, &(planted){.whine_hz = 0}, count);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE, frame = 0.06 / 13.0;
        x[i] += fmod(t, EVERY) > 2.0 && fmod(t, EVERY) < 2.5 && fmod(t, frame) < frame / 8.0 ? 0.05 : 0.0;
    }
    lt_screened s;
    screen(RATE, x, count, 4096, &s);
    free(x);
    assert_int_equal(s.burst.count, LT_SUSPECTS_MAX);
    for (size_t k = 0; k < BURSTS; k++) {
        const double at_s = (double)(k * EVERY) + 2.0;
        bool named = false;
        for (size_t i = 0; i < s.burst.count; i++)
            named = named || (s.burst.items[i].from_s <= at_s && s.burst.items[i].to_s >= at_s + 0.5);
        assert_true(named);
    }
    for (size_t i = 1; i < s.burst.count; i++)
        assert_true(s.burst.items[i].from_s > s.burst.items[i - 1].to_s);
}

static void parts_are_added_up(void **state)
{
    (void)state;
    const lt_screened none = {.wind_s = 6.0, .wind_from_s = 3.0, .wind_below_hz = 200.0};
    lt_interference_result all = lt_interference_screened(&none, 600.0);
    assert_true(near_abs("wind", all.wind_percent, 1.0, 1e-9));
    assert_true(isnan(all.burst_from_s) && isnan(all.hum_from_s) && all.whine_count == 0);
    lt_interference_result part = all;
    part.burst_from_s = 4.0;
    part.burst_s = 1.0;
    part.burst_db = -30.0;
    lt_interference_add(&all, &part, 200.0);
    part.burst_s = 3.0;
    part.burst_db = -40.0;
    lt_interference_add(&all, &part, 300.0);
    part = (lt_interference_result){.burst_from_s = (double)NAN, .whine_count = 3};
    part.whines[0] = (lt_whine){.hz = 5000.0, .level_db = -50.0, .from_s = 1.0, .to_s = 9.0};
    part.whines[1] = (lt_whine){.hz = 1083.4, .level_db = -55.0, .from_s = 1.0, .to_s = 4.0};  /* 5 x 216.67 Hz */
    part.whines[2] = (lt_whine){.hz = 1300.1, .level_db = -56.0, .from_s = 1.0, .to_s = 30.0}; /* longer than a buzz */
    lt_interference_add(&all, &part, 100.0);
    assert_int_equal(all.whine_count, 2);
    part.whines[0] = (lt_whine){.hz = 5003.0, .level_db = -48.0, .from_s = 2.0, .to_s = 5.0};
    part.whine_count = 1;
    lt_interference_add(&all, &part, 300.0);
    assert_int_equal(all.whine_count, 2);
    assert_true(near_abs("hz", all.whines[0].hz, 5000.0, 1e-9));
    assert_true(near_abs("level", all.whines[0].level_db, -50.0, 1e-9)); /* of the longest part */
    assert_true(near_abs("from", all.whines[0].from_s, 101.0, 1e-9));
    assert_true(near_abs("to", all.whines[0].to_s, 305.0, 1e-9));
    assert_true(near_abs("burst from", all.burst_from_s, 204.0, 1e-9));
    assert_true(near_abs("burst", all.burst_s, 4.0, 1e-9));
    assert_true(near_abs("burst level", all.burst_db, lt_db_from_power((1e-3 + 3e-4) / 4.0), 1e-9));
}

/* The level of a line of 100 Hz and -40 dBFS that sounds from from_s to to_s, and its ratio. */
static double level_of_line(double rate_hz, size_t seconds, double from_s, double to_s, size_t block, double *ratio)
{
    const size_t count = seconds * (size_t)rate_hz;
    double *x = make(rate_hz, &(planted){.whine_hz = 0}, count);
    ltp_line_spectrum *s = NULL;
    ltp_line_view view;
    for (size_t i = (size_t)(from_s * rate_hz); i < (size_t)(to_s * rate_hz); i++)
        x[i] += 0.01 * sin(2.0 * LT_PI * 100.0 * fmod((double)i / rate_hz, 1.0));
    assert_int_equal(ltp_line_spectrum_create(rate_hz, &s, NULL), LT_OK);
    for (size_t at = 0; at < count; at += block)
        ltp_line_spectrum_push(s, x + at, count - at < block ? count - at : block);
    assert_int_equal(ltp_line_spectrum_finish(s, &view, NULL), LT_OK);
    /* 4 s a block: 60 that overlap by half, 120 that do not, then one in eight. */
    assert_in_range(view.blocks, 180 + (seconds - 600) / 32 - 2, 180 + (seconds - 600) / 32 + 2);
    const size_t at = (size_t)round(100.0 / view.bin_hz);
    const double level_db = lt_db_from_power(2.0 * (view.power[at - 1] + view.power[at] + view.power[at + 1]));
    *ratio = view.ratio[at];
    ltp_line_spectrum_free(s);
    free(x);
    return level_db;
}

/* After ten minutes hum is looked for in one block of eight: its lines still read what they are, and their mean over
 * the time is that of the time, wherever in it they sound. */
static void hum_is_told_in_a_long_recording(void **state)
{
    (void)state;
    enum { RATE = 8000, SECONDS_LONG = 1800 };
    static const struct {
        double from_s, to_s, tolerance_db;
    } heard[] = {{0, 1800, 0.1}, {0, 120, 0.1}, {0, 600, 0.1}, {120, 600, 0.1}, {600, 1800, 0.1}, {1200, 1800, 0.3}};
    double ratio, of_other;
    int bad = 0;
    for (size_t k = 0; k < LTP_COUNT(heard); k++) {
        const double level_db = level_of_line(RATE, SECONDS_LONG, heard[k].from_s, heard[k].to_s, 4096, &ratio);
        const double share = (heard[k].to_s - heard[k].from_s) / SECONDS_LONG;
        bad += !near_abs("line", level_db, -40.0 + 10.0 * log10(share), heard[k].tolerance_db);
        if (k > 0)
            continue;
        const double other_db = level_of_line(RATE, SECONDS_LONG, heard[k].from_s, heard[k].to_s, 333, &of_other);
        assert_memory_equal(&level_db, &other_db, sizeof level_db);
        assert_memory_equal(&ratio, &of_other, sizeof ratio);
    }
    assert_int_equal(bad, 0);
}

static void a_meter_is_asked_in_time(void **state)
{
    (void)state;
    const double x[8] = {0.0};
    lt_level_meter *m = NULL;
    assert_int_equal(lt_level_meter_create(48000, 0.0, &m, NULL), LT_OK);
    lt_level_meter_push(m, x, LTP_COUNT(x));
    assert_int_equal(lt_level_meter_screen(m, NULL), LT_E_STATE);
    lt_level_meter_reset(m);
    assert_int_equal(lt_level_meter_screen(m, NULL), LT_OK);
    assert_int_equal(lt_level_meter_screen(m, NULL), LT_E_STATE);
    lt_level_meter_free(m);
}

static lt_status make_screen(void *context, lt_error *err)
{
    (void)context;
    lt_level_meter *m = NULL;
    lt_status st = lt_level_meter_create(44100, 0.0, &m, err);
    if (st == LT_OK)
        st = lt_level_meter_screen(m, err);
    lt_level_meter_free(m);
    return st;
}

static void every_failed_allocation_is_told(void **state)
{
    (void)state;
    assert_survives_faults(make_screen, NULL);
}

SUITE(level_screen)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_planted_is_named_and_found), cmocka_unit_test(blocks_change_nothing),
        cmocka_unit_test(a_full_list_leaves_nothing_out),     cmocka_unit_test(parts_are_added_up),
        cmocka_unit_test(hum_is_told_in_a_long_recording),    cmocka_unit_test(a_meter_is_asked_in_time),
        cmocka_unit_test(every_failed_allocation_is_told),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
