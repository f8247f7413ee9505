/* SPDX-License-Identifier: MIT
 * Mains hum in time: hum.c says which lines, this says since when and at what exact frequency.
 *
 * Beside the averaged spectrum, the levels of the first 20 multiples of 50 and 60 Hz are kept in steps of 0.1 s (frames
 * of 0.2 s, Hann) as half decibels. Hum is there from the moment from which seven of ten lines stay within 5 dB of
 * their usual levels for a second. A history that is full is halved: of two steps the lower level stays. */
#include "base/alloc.h"
#include "base/vector.h"
#include "level/faults.h"
#include "level/frames.h"

#include <string.h>

enum { LANES = 8, CHUNK = 256 };
enum { COMBS = 2, HARMONICS = 20, STEPS_MAX = 6000, OVERLAP = 2, LEVELS = 32 };
static const double mains_hz[COMBS] = {50.0, 60.0};
static const double frame_s = 0.2, stay_s = 1.0, low_rate_hz = 3200.0, corner_hz = 1300.0;
static const double within_db = 5.0;
static const double usual_db = 15.0; /* levels so far below the highest make the usual one */
static const double most_lines = 0.7;
static const double from_start_s = 0.6;
static const double bottom_db = -127.0;

static const char subject[] = "the search for mains hum";

struct ltp_mains {
    ltp_line_spectrum *lines;
    double rate_hz; /* decimated */
    size_t factor, phase;
    lt_biquad low[2];
    lt_biquad_state state[2];
    ltp_frames frames;
    double turn[COMBS * HARMONICS]; /* 2 cos of each line's step */
    uint8_t *history;               /* [STEPS_MAX x COMBS x HARMONICS] */
    size_t steps, per_step, in_step;
    double *line, *there; /* [STEPS_MAX] scratch */
};

void ltp_mains_free(ltp_mains *d)
{
    if (d == NULL)
        return;
    ltp_line_spectrum_free(d->lines);
    ltp_frames_close(&d->frames);
    ltp_free(d->history);
    ltp_free(d->line);
    ltp_free(d->there);
    ltp_free(d);
}

static double line_hz(size_t i)
{
    return mains_hz[i / HARMONICS] * (double)(i % HARMONICS + 1);
}

lt_status ltp_mains_create(double rate_hz, ltp_mains **out, lt_error *err)
{
    static const double q[] = {0.5412, 1.3066}; /* Butterworth of fourth order */
    *out = NULL;
    ltp_mains *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->factor = rate_hz < 2.0 * low_rate_hz ? 1 : (size_t)(rate_hz / low_rate_hz);
    d->rate_hz = rate_hz / (double)d->factor;
    for (size_t i = 0; i < 2; i++)
        d->low[i] = lt_biquad_lowpass(corner_hz, q[i], rate_hz);
    const size_t hop = (size_t)round(frame_s * d->rate_hz) / OVERLAP, n = hop * OVERLAP;
    d->per_step = 1;
    for (size_t i = 0; i < COMBS * HARMONICS; i++)
        d->turn[i] = 2.0 * cos(2.0 * LT_PI * line_hz(i) / d->rate_hz);
    d->history = ltp_alloc((size_t)STEPS_MAX * COMBS * HARMONICS, 1);
    d->line = ltp_alloc(STEPS_MAX, sizeof *d->line);
    d->there = ltp_alloc(STEPS_MAX, sizeof *d->there);
    lt_status st = d->history != NULL && d->line != NULL && d->there != NULL
                       ? ltp_frames_open(&d->frames, n, hop, lt_window_hann, subject, err)
                       : ltp_fail_nomem(err, subject);
    if (st == LT_OK)
        st = ltp_line_spectrum_create(rate_hz, &d->lines, err);
    if (st != LT_OK) {
        ltp_mains_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

static uint8_t *step_at(const ltp_mains *d, size_t step)
{
    return d->history + step * COMBS * HARMONICS;
}

static void halve(ltp_mains *d)
{
    for (size_t i = 0; i < STEPS_MAX / 2; i++)
        for (size_t k = 0; k < COMBS * HARMONICS; k++) {
            const uint8_t a = step_at(d, 2 * i)[k], b = step_at(d, 2 * i + 1)[k];
            step_at(d, i)[k] = a < b ? a : b;
        }
    d->steps = STEPS_MAX / 2;
    d->per_step *= 2;
}

/* Goertzel's recurrence, eight lines side by side: power[LANES] for the steps turn[LANES] over x[n]. */
LTP_WIDE static void lines_of(const double *x, size_t n, const double *turn, double *power)
{
    const ltp_vector turn_a = *(const ltp_quad *)turn, turn_b = *(const ltp_quad *)(turn + 4);
    ltp_vector a1 = {0.0, 0.0, 0.0, 0.0};
    ltp_vector a2 = a1, b1 = a1, b2 = a1;
    for (size_t i = 0; i < n; i++) {
        const ltp_vector in = {x[i], x[i], x[i], x[i]};
        const ltp_vector a = in + turn_a * a1 - a2, b = in + turn_b * b1 - b2;
        a2 = a1;
        a1 = a;
        b2 = b1;
        b1 = b;
    }
    *(ltp_quad *)power = a1 * a1 + a2 * a2 - turn_a * a1 * a2;
    *(ltp_quad *)(power + 4) = b1 * b1 + b2 * b2 - turn_b * b1 * b2;
}

static void end_frame(ltp_mains *d)
{
    if (d->steps == STEPS_MAX)
        halve(d);
    uint8_t *step = step_at(d, d->steps);
    const double n = (double)d->frames.n;
    double power[COMBS * HARMONICS];
    ltp_frames_window(&d->frames);
    for (size_t i = 0; i < COMBS * HARMONICS; i += LANES)
        lines_of(d->frames.work, d->frames.n, d->turn + i, power + i);
    for (size_t i = 0; i < COMBS * HARMONICS; i++) {
        /* a sine of amplitude 1 gives |X| = n / 4, mean square 1 / 2 */
        const double level_db = lt_db_from_power(line_hz(i) < 0.45 * d->rate_hz ? 8.0 * power[i] / (n * n) : 0.0);
        const double half_db = 2.0 * (fmax(bottom_db, fmin(0.0, level_db)) - bottom_db);
        const uint8_t kept = (uint8_t)half_db;
        step[i] = d->in_step > 0 && step[i] < kept ? step[i] : kept;
    }
    if (++d->in_step == d->per_step) {
        d->steps++;
        d->in_step = 0;
    }
}

void ltp_mains_push(ltp_mains *d, const double *x, size_t count)
{
    double y[CHUNK];
    ltp_line_spectrum_push(d->lines, x, count);
    for (size_t at = 0; at < count; at += CHUNK) {
        const size_t part = count - at < CHUNK ? count - at : CHUNK;
        lt_biquad_run(&d->low[0], &d->state[0], x + at, y, part);
        lt_biquad_run(&d->low[1], &d->state[1], y, y, part);
        size_t kept = 0;
        for (size_t i = 0; i < part; i++) {
            if (d->phase == 0)
                y[kept++] = y[i];
            d->phase = d->phase + 1 == d->factor ? 0 : d->phase + 1;
        }
        const double *low = y;
        while (ltp_frames_take(&d->frames, &low, &kept))
            end_frame(d);
    }
}

/* Adds one to d->there at each step from which the line's level stays near its usual one. */
static void follow_line(ltp_mains *d, size_t at, size_t count, size_t stay)
{
    double most = -INFINITY, level[LEVELS] = {0}, all = 0.0;
    for (size_t s = 0; s < count; s++) {
        d->line[s] = INFINITY;
        for (size_t k = 0; k < stay; k++)
            d->line[s] = fmin(d->line[s], 0.5 * step_at(d, s + k)[at]);
        most = fmax(most, d->line[s]);
    }
    for (size_t s = 0; s < count; s++)
        if (d->line[s] > most - usual_db) {
            level[(size_t)(2.0 * (most - d->line[s]))] += 1.0;
            all += 1.0;
        }
    double above = 0.0, usual = most;
    for (size_t i = 0; i < LEVELS && above < 0.6 * all; i++) { /* music hides the hum at times: a low quantile */
        above += level[i];
        usual = most - 0.5 * (double)i;
    }
    for (size_t s = 0; s < count; s++)
        d->there[s] += d->line[s] >= usual - within_db ? 1.0 : 0.0;
}

/* Time since which most lines stay; NaN if that is the start. */
static double since(ltp_mains *d, const ltp_hum *hum)
{
    const double step_s = frame_s / OVERLAP * (double)d->per_step;
    const size_t stay = (size_t)fmax(1.0, round(stay_s / step_s));
    const size_t comb = hum->mains_hz > 55.0 ? 1 : 0;
    double lines = 0.0;
    if (d->steps < 2 * stay)
        return NAN;
    const size_t count = d->steps - stay + 1;
    memset(d->there, 0, count * sizeof *d->there);
    for (size_t i = 0; i < hum->line_count; i++) {
        const size_t h = (size_t)round(hum->lines[i].hz / hum->mains_hz);
        if (h < 1 || h > HARMONICS)
            continue;
        follow_line(d, comb * HARMONICS + h - 1, count, stay);
        lines += 1.0;
    }
    for (size_t s = 0; s < count; s++)
        if (lines > 0.0 && d->there[s] >= most_lines * lines) {
            const double at_s = (double)s * step_s + 0.5 * frame_s;
            return at_s < from_start_s ? (double)NAN : at_s;
        }
    return NAN;
}

lt_status ltp_mains_result_of(ltp_mains *d, ltp_mains_result *out, lt_error *err)
{
    ltp_line_view view;
    *out = (ltp_mains_result){.exact_hz = NAN, .level_dbfs = -INFINITY, .from_s = NAN};
    const lt_status st = ltp_line_spectrum_finish(d->lines, &view, err);
    if (st != LT_OK)
        return st;
    ltp_hum_find(&view, &out->hum);
    if (out->hum.line_count == 0) {
        out->hum.mains_hz = 0.0;
        return LT_OK;
    }
    double levels_db[LT_HUM_LINES_MAX];
    for (size_t i = 0; i < out->hum.line_count; i++)
        levels_db[i] = out->hum.lines[i].level_db;
    out->level_dbfs = lt_db_sum(levels_db, out->hum.line_count);
    out->exact_hz = lt_hum_exact_hz(out->hum.mains_hz, out->hum.lines, out->hum.line_count);
    out->from_s = since(d, &out->hum);
    return LT_OK;
}

/* Of the first ten multiples, which every hum and buzz has: beeps at regular times and modems have lines higher up,
 * some of which fall on multiples of the mains frequency. */
static double low_multiples_dbfs(const ltp_hum *hum)
{
    double levels_db[LT_HUM_LINES_MAX];
    size_t count = 0;
    for (size_t i = 0; i < hum->line_count; i++)
        if (hum->lines[i].hz < 10.5 * hum->mains_hz)
            levels_db[count++] = hum->lines[i].level_db;
    return count > 0 ? lt_db_sum(levels_db, count) : -(double)INFINITY;
}

void ltp_mains_finish(const ltp_mains_result *r, const ltp_scan_end *end)
{
    if (!(r->hum.mains_hz > 0.0))
        return;
    const double low_dbfs = low_multiples_dbfs(&r->hum);
    const bool grave = low_dbfs > -40.0 && low_dbfs > end->active_db - 25.0;
    const lt_severity severity = grave                   ? LT_SEVERITY_ERROR
                                 : r->level_dbfs > -70.0 ? LT_SEVERITY_WARNING
                                                         : LT_SEVERITY_NOTE;
    lt_faults_add(end->out, LT_FAULT_MAINS_HUM, severity, end->channel, r->from_s,
                  "hum of %.2f Hz mains, %zu line%s with %.1f dBFS together: %s", r->exact_hz, r->hum.line_count,
                  r->hum.line_count == 1 ? "" : "s", r->level_dbfs,
                  lt_hum_entry_point(r->hum.mains_hz, r->hum.lines, r->hum.line_count));
}
