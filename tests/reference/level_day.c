/* SPDX-License-Identifier: MIT
 * A day through the whole level meter, against sums in long double over every sample and every row, and against what
 * the signal was made of: a 1 kHz tone with noise 30 dB below it, whose level changes by the hour, with a vehicle in
 * each hour, and one louder hour from twenty past. All else repeats exactly with each row of twelve seconds (whole
 * hops at any rate), so no row may change.
 *
 * As a test three hours at 8 kHz; by hand also a day and more, past 2^32 frames: reference_level_day 48000 26 */
#include "near.h"
#include "rng.h"

#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

enum { ROW_S = 12, HOUR_S = 3600, HOURS_MAX = 100, VEHICLE_S = 1817 /* into each hour, + 0.35 s */ };
static const double vehicle_half_s = 4.0, vehicle_db = 20.0, busy_db = 6.0;

typedef struct {
    lt_traffic *finder;
    lt_traffic_result *found;
    double *row_db, *row_band_db, *row_start_s, *row_seconds; /* [rows_max] */
    size_t rows, rows_max, band_count;
} keeper;

typedef struct {
    size_t rate, hours, seconds, busy_from_s;
    double *block; /* [ROW_S rate] */
    long double square, sum;
    double frames;
} stream;

static double hour_db(const stream *s, size_t second)
{
    const bool busy = second >= s->busy_from_s && second < s->busy_from_s + HOUR_S;
    return -40.0 + 3.0 * (double)(second / HOUR_S % 4) + (busy ? busy_db : 0.0);
}

static double vehicle_at(size_t hour)
{
    return (double)(hour * HOUR_S + VEHICLE_S) + 0.35;
}

static bool has_vehicle(double from_s, double to_s, double margin_s)
{
    const double at = vehicle_at((size_t)(from_s / HOUR_S));
    return to_s > at - vehicle_half_s && from_s < at + vehicle_half_s + margin_s;
}

static void make_second(stream *s, size_t second, double *x)
{
    const double *from = s->block + second % ROW_S * s->rate;
    const double db = hour_db(s, second), gain = pow(10.0, db / 20.0);
    const bool vehicle = has_vehicle((double)second, (double)second + 1.0, 0.0);
    for (size_t i = 0; i < s->rate; i++) {
        double g = gain;
        if (vehicle) {
            const double away = ((double)second + (double)i / (double)s->rate - vehicle_at(second / HOUR_S));
            const double part = 1.0 - away * away / (vehicle_half_s * vehicle_half_s);
            g *= part > 0.0 ? pow(10.0, vehicle_db * part / 20.0) : 1.0;
        }
        x[i] = g * from[i];
        s->sum += x[i];
        s->square += (long double)x[i] * x[i];
    }
}

static void keep_row(void *context, const lt_level_row *row)
{
    keeper *k = context;
    assert_true(k->rows < k->rows_max);
    k->band_count = row->band_count;
    k->row_db[k->rows] = row->laeq_db;
    k->row_start_s[k->rows] = row->start_s;
    k->row_seconds[k->rows] = row->seconds;
    memcpy(k->row_band_db + k->rows * LT_LEVEL_BANDS_MAX, row->band_leq_db, row->band_count * sizeof(double));
    k->rows++;
}

static void keep_traffic(void *context, const lt_level_row *row)
{
    keeper *k = context;
    lt_traffic_push(k->finder, row, k->found);
}

static void run_day(stream *s, keeper *k, lt_levels *l, double *share)
{
    lt_level_meter *m = NULL;
    double *x = calloc(s->rate, sizeof *x);
    assert_non_null(x);
    assert_int_equal(lt_traffic_create(10.0, &k->finder, NULL), LT_OK);
    assert_int_equal(lt_level_meter_create((double)s->rate, 0.0, &m, NULL), LT_OK);
    assert_int_equal(lt_level_meter_watch(m, ROW_S, true, keep_row, k, NULL), LT_OK);
    assert_int_equal(lt_level_meter_watch(m, LT_TRAFFIC_STEP_S, false, keep_traffic, k, NULL), LT_OK);
    for (size_t second = 0; second < s->seconds; second++) {
        make_second(s, second, x);
        lt_level_meter_push(m, x, s->rate);
    }
    assert_int_equal(lt_level_meter_finish(m, l, NULL), LT_OK);
    lt_traffic_finish(k->finder, k->found);
    *share = lt_level_meter_share_above(m, -32.5);
    lt_traffic_free(k->finder);
    lt_level_meter_free(m);
    free(x);
}

static double db_of(long double mean_square_ratio)
{
    return (double)(10.0L * log10l(mean_square_ratio));
}

/* Leq of the rows from a column of levels, long double. */
static double rows_db(const keeper *k, const double *column, size_t step, size_t from, size_t to)
{
    long double energy = 0.0L, seconds = 0.0L;
    for (size_t i = from; i < to; i++) {
        energy += k->row_seconds[i] * powl(10.0L, column[i * step] / 10.0L);
        seconds += k->row_seconds[i];
    }
    return db_of(energy / seconds);
}

static double show(const char *what, double got, double want)
{
    print_message("  %-34s %15.9f, direct %15.9f\n", what, got, want);
    return got;
}

static int check_sums(const stream *s, const keeper *k, const lt_levels *l)
{
    const long double mean = s->sum / (long double)s->frames;
    const double z = db_of(2.0L * (s->square / (long double)s->frames - mean * mean));
    const double a = rows_db(k, k->row_db, 1, 0, k->rows);
    double worst = 0.0;
    int bad = !near_abs("seconds", l->seconds, (double)s->seconds, 0.0);
    bad += !near_abs("LZeq", show("LZeq, every sample", l->lzeq_db, z), z, 1e-9);
    bad += !near_abs("LAeq", show("LAeq, every row", l->laeq_db, a), a, 1e-9);
    const double e = a + db_of((long double)s->seconds);
    bad += !near_abs("LAE", show("LAE", l->lae_db, e), e, 1e-9);
    for (size_t i = 0; i < k->band_count; i++) {
        const lt_level_band *b = i < l->low_band_count ? &l->low_bands[i] : &l->bands[i - l->low_band_count];
        const double want = rows_db(k, k->row_band_db + i, LT_LEVEL_BANDS_MAX, 0, k->rows);
        worst = fmax(worst, fabs(b->leq_db - want));
        bad += !near_abs("band", b->leq_db, want, 1e-9);
    }
    print_message("  %zu bands, largest difference       %.3g dB\n", k->band_count, worst);
    /* the history of 600 points: equal steps, so its mean is the level of the time that it covers */
    long double energy = 0.0L;
    for (size_t i = 0; i < l->history_count; i++)
        energy += powl(10.0L, l->history_dba[i] / 10.0L);
    const size_t covered = (size_t)((double)l->history_count * l->history_step_s / ROW_S + 0.5);
    const double h = db_of(energy / (long double)l->history_count);
    const double want = rows_db(k, k->row_db, 1, 0, covered < k->rows ? covered : k->rows);
    bad += !near_abs("history", show("history, mean", h, want), want, 0.05); /* it may end between two rows */
    return bad;
}

/* What repeats with every row reads the same in the first and in the last hour; times are exact. */
static int check_rows(const stream *s, const keeper *k)
{
    double worst = 0.0, worst_band = 0.0, first = (double)NAN, first_band = 0.0;
    size_t compared = 0;
    int bad = !near_abs("rows", (double)k->rows, (double)(s->seconds / ROW_S), 0.0);
    const size_t tone = k->band_count > 16 ? 16 : 0; /* 1 kHz: 25 Hz is the first */
    for (size_t i = 1; i < k->rows; i++) {
        const size_t from = i * ROW_S;
        bad += fabs(k->row_start_s[i] - (double)from) > 0.0 || fabs(k->row_seconds[i] - ROW_S) > 0.0;
        const double db = hour_db(s, from);
        if (fabs(db - hour_db(s, from - ROW_S)) > 0.0 || has_vehicle((double)from, (double)from + ROW_S, ROW_S))
            continue;
        const double off = k->row_db[i] - db, off_band = k->row_band_db[i * LT_LEVEL_BANDS_MAX + tone] - db;
        if (isnan(first)) {
            first = off;
            first_band = off_band;
        }
        worst = fmax(worst, fabs(off - first));
        worst_band = fmax(worst_band, fabs(off_band - first_band));
        compared++;
    }
    print_message("  %zu of %zu rows alike within          %.3g dB(A), %.3g dB at 1 kHz\n", compared, k->rows, worst,
                  worst_band);
    bad += !in_range("rows compared", (double)compared, 0.9 * (double)k->rows, (double)k->rows);
    bad += !near_abs("rows alike", worst, 0.0, 1e-9);
    bad += !near_abs("rows alike, 1 kHz", worst_band, 0.0, 1e-9);
    bad += !near_abs("tone, A", first, 0.0, 0.03);
    bad += !near_abs("tone, band", first_band, 0.0, 0.03);
    return bad;
}

static int compare_doubles(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return (x < y) - (x > y); /* loudest first */
}

/* Percentiles where the timetable stays at one level for at least 0.7 % to either side. */
static int check_percentiles(const stream *s, const lt_levels *l, double share)
{
    const size_t minutes = s->seconds / 60;
    double *by_level = calloc(minutes, sizeof *by_level);
    const lt_level_band *tone = lt_levels_band(l, 0);
    double worst = 0.0, loud = 0.0;
    int bad = 0, compared = 0;
    assert_non_null(by_level);
    assert_non_null(tone);
    for (size_t i = 0; i < minutes; i++) {
        by_level[i] = hour_db(s, 60 * i);
        loud += by_level[i] > -32.5 ? 1.0 / (double)minutes : 0.0;
    }
    qsort(by_level, minutes, sizeof *by_level, compare_doubles);
    for (int p = 1; p < LT_PERCENTILES; p++) {
        const double from = by_level[(size_t)((p - 0.7) / 100.0 * (double)minutes)];
        const double to = by_level[(size_t)((p + 0.7) / 100.0 * (double)minutes)];
        if (from > to)
            continue;
        worst = fmax(worst, fabs(l->la_exceeded_db[p - 1] - to));
        bad += !near_abs("L_p", l->la_exceeded_db[p - 1], to, 0.06);
        bad += !near_abs("L_p at 1 kHz", tone->exceeded_db[p - 1], to, 0.06);
        compared++;
    }
    print_message("  %d percentiles, largest difference  %.3g dB\n", compared, worst);
    bad += compared < 70;
    bad += !near_abs("share above -32.5", share, loud, 0.003);
    double loudest = -(double)INFINITY;
    for (size_t hour = 0; hour < s->hours; hour++)
        loudest = fmax(loudest, hour_db(s, hour * HOUR_S + VEHICLE_S) + vehicle_db);
    bad += !near_abs("LAFmax", l->lafmax_db, loudest, 0.1);
    free(by_level);
    return bad;
}

static int check_traffic(const stream *s, const keeper *k)
{
    const lt_traffic_result *t = k->found;
    const size_t per_hour = HOUR_S / ROW_S;
    double least = (double)INFINITY, most = -(double)INFINITY, loudest = -(double)INFINITY;
    size_t loudest_from = 0;
    int bad = !near_abs("vehicles", (double)t->passby_total, (double)s->hours, 0.0);
    for (size_t i = 0; i < t->passby_count; i++) {
        least = fmin(least, t->passbys[i].peak_s - vehicle_at(i));
        most = fmax(most, t->passbys[i].peak_s - vehicle_at(i));
        bad += !near_abs("duration", t->passbys[i].duration_s, 2.0 * vehicle_half_s * sqrt(10.0 / vehicle_db), 0.3);
    }
    print_message("  %zu vehicles, found %.3f to %.3f s after they passed\n", t->passby_count, least, most);
    bad += !in_range("first", least, -0.125, 0.25);
    bad += !in_range("last", most, -0.125, 0.25);
    for (size_t from = 0; from + per_hour <= k->rows; from += 60 / ROW_S) {
        const double db = rows_db(k, k->row_db, 1, from, from + per_hour);
        if (db > loudest) {
            loudest = db;
            loudest_from = from;
        }
    }
    bad += !t->busy_hour;
    bad += !near_abs("planned", (double)(loudest_from * ROW_S), (double)s->busy_from_s, 0.0);
    bad += !near_abs("busy hour", show("busy hour from", t->busy_hour_start_s, (double)s->busy_from_s),
                     (double)s->busy_from_s, 0.0);
    bad += !near_abs("LAeq", show("its LAeq", t->busy_hour_laeq_db, loudest), loudest, 1e-3); /* a hop at either end */
    return bad;
}

static int day(size_t rate, size_t hours)
{
    stream s = {.rate = rate, .hours = hours, .seconds = hours * HOUR_S};
    keeper k = {.rows_max = s.seconds / ROW_S + 1, .found = calloc(1, sizeof *k.found)};
    lt_levels *l = calloc(1, sizeof *l);
    double share = 0.0;
    /* Begins in an hour of the second level of four and ends in one of the third: no other hour is as loud. */
    const size_t hour = hours * 6 / 10 / 4 * 4 + 1;
    s.busy_from_s = hour * HOUR_S + 1200;
    s.block = calloc(ROW_S * rate, sizeof *s.block);
    k.row_db = calloc(k.rows_max * (LT_LEVEL_BANDS_MAX + 3), sizeof *k.row_db);
    assert_non_null(s.block);
    assert_non_null(k.row_db);
    k.row_start_s = k.row_db + k.rows_max;
    k.row_seconds = k.row_start_s + k.rows_max;
    k.row_band_db = k.row_seconds + k.rows_max;
    fill_gauss(s.block, ROW_S * rate, pow(10.0, -30.0 / 20.0) * sqrt(0.5), 7);
    for (size_t i = 0; i < ROW_S * rate; i++)
        s.block[i] += sin(2.0 * LT_PI * fmod((double)i * (1000.0 / (double)rate), 1.0));
    run_day(&s, &k, l, &share);
    s.frames = (double)s.seconds * (double)rate;
    print_message("%zu h at %zu Hz, %.0f frames\n", hours, rate, s.frames);
    const int bad =
        check_sums(&s, &k, l) + check_rows(&s, &k) + check_percentiles(&s, l, share) + check_traffic(&s, &k);
    free(s.block);
    free(k.row_db);
    free(k.found);
    free(l);
    return bad;
}

static void some_hours_lose_nothing(void **state)
{
    const size_t *rate_and_hours = *state;
    assert_int_equal(day(rate_and_hours[0], rate_and_hours[1]), 0);
}

int main(int argc, char **argv)
{
    size_t rate_and_hours[2] = {8000, 3};
    for (int i = 1; i < argc && i <= 2; i++)
        rate_and_hours[i - 1] = (size_t)strtoul(argv[i], NULL, 10);
    if (rate_and_hours[0] < 8000 || rate_and_hours[1] < 3 || rate_and_hours[1] > HOURS_MAX)
        return 2;
    const struct CMUnitTest tests[] = {cmocka_unit_test_prestate(some_hours_lose_nothing, rate_and_hours)};
    return cmocka_run_group_tests_name("level_day", tests, NULL, NULL);
}
