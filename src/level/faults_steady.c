/* SPDX-License-Identifier: MIT
 * A constant offset, a level that is too low, a channel that carries nothing; and the level over time.
 *
 * Offset: the mean of the last quarter second keeps its sign and stays above a limit for two seconds or the whole file,
 * and is larger than it moves (the slow swing of wind changes its sign). Levels in dBFS, frames of 20 ms. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

enum { MEANS = 5 };
static const double frame_s = 0.02, mean_s = 0.05;
static const double offset_least = 0.004; /* of full scale */
static const double offset_warning = 0.01, offset_error = 0.05;
static const double offset_hold_s = 2.0;
static const double offset_start_s = 0.4; /* from here on it counts as there from the start */
static const double low_db = -50.0, very_low_db = -72.0;
static const double dead_dbfs = -84.0; /* 5 % of the time are louder than this, or the channel is dead */

typedef struct {
    double from_s, to_s;
    double sum, square; /* of the means, while the sign stays */
    size_t count;
} stretch;

struct ltp_steady {
    double rate_hz;
    uint64_t frames;
    double peak;
    lt_histogram *levels;
    size_t frame, in_frame;
    double energy;

    size_t mean_frames, in_mean; /* block of 50 ms */
    double sum;
    double recent[MEANS]; /* means of the last blocks */
    size_t blocks;
    stretch now, longest;

    size_t per_step, in_step; /* history: frames of 20 ms in one interval */
    double step_energy;
    double history[LT_HISTORY_MAX];
    size_t history_count;
};

void ltp_steady_free(ltp_steady *d)
{
    if (d == NULL)
        return;
    lt_histogram_free(d->levels);
    ltp_free(d);
}

lt_status ltp_steady_create(double rate_hz, ltp_steady **out, lt_error *err)
{
    *out = NULL;
    ltp_steady *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for offsets");
    d->rate_hz = rate_hz;
    d->frame = (size_t)round(frame_s * rate_hz);
    d->mean_frames = (size_t)round(mean_s * rate_hz);
    d->per_step = 1;
    const lt_status st = lt_histogram_create(&d->levels, err);
    if (st != LT_OK) {
        ltp_steady_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

static void keep_longest(ltp_steady *d)
{
    if (d->now.count > 0 && d->now.count > d->longest.count)
        d->longest = d->now;
    d->now = (stretch){0};
}

static void end_mean(ltp_steady *d)
{
    d->recent[d->blocks++ % MEANS] = d->sum / (double)d->mean_frames;
    d->sum = 0.0;
    d->in_mean = 0;
    if (d->blocks < MEANS)
        return;
    double mean = 0.0;
    for (size_t i = 0; i < MEANS; i++)
        mean += d->recent[i] / MEANS;
    const double end_s = (double)d->frames / d->rate_hz;
    if (fabs(mean) < offset_least || (d->now.count > 0 && (mean > 0.0) != (d->now.sum > 0.0))) {
        keep_longest(d);
        if (fabs(mean) < offset_least)
            return;
    }
    if (d->now.count == 0)
        d->now.from_s = end_s - 0.5 * MEANS * mean_s; /* half of it is in when the mean passes half of it */
    d->now.to_s = end_s;
    d->now.sum += mean;
    d->now.square += mean * mean;
    d->now.count++;
}

static void add_history(ltp_steady *d, double energy)
{
    d->step_energy += energy;
    if (++d->in_step < d->per_step)
        return;
    if (d->history_count == LT_HISTORY_MAX) { /* what was just filled is the first half of an interval twice as long */
        for (size_t i = 0; i < LT_HISTORY_MAX / 2; i++)
            d->history[i] = d->history[2 * i] + d->history[2 * i + 1];
        d->history_count = LT_HISTORY_MAX / 2;
        d->per_step *= 2;
        return;
    }
    d->history[d->history_count++] = d->step_energy;
    d->step_energy = 0.0;
    d->in_step = 0;
}

void ltp_steady_push(ltp_steady *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const double size = fabs(x[i]);
        d->peak = size > d->peak ? size : d->peak;
        d->energy += x[i] * x[i];
        d->sum += x[i];
        d->frames++;
        if (++d->in_mean == d->mean_frames)
            end_mean(d);
        if (++d->in_frame == d->frame) {
            lt_histogram_add(d->levels, lt_dbfs_from_mean_square(d->energy / (double)d->frame));
            add_history(d, d->energy);
            d->energy = 0.0;
            d->in_frame = 0;
        }
    }
}

void ltp_steady_levels(ltp_steady *d, ltp_scan_end *end)
{
    if (d->frames > 0 && lt_histogram_count(d->levels) == 0)
        lt_histogram_add(d->levels, lt_dbfs_from_mean_square(d->energy / (double)d->in_frame));
    keep_longest(d);
    end->seconds = (double)d->frames / d->rate_hz;
    end->peak = d->peak;
    end->active_db = lt_histogram_exceeded(d->levels, 5.0);
}

static bool find_offset(const ltp_steady *d, const ltp_scan_end *end)
{
    const stretch *s = &d->longest;
    if (s->count == 0)
        return false;
    const double mean = s->sum / (double)s->count;
    const double spread = sqrt(fmax(0.0, s->square / (double)s->count - mean * mean));
    const bool from_start = s->from_s < offset_start_s;
    const bool to_end = s->to_s > end->seconds - 0.3;
    if (s->to_s - s->from_s < fmin(offset_hold_s, 0.8 * end->seconds) || fabs(mean) < 2.0 * spread)
        return false;
    const lt_severity severity = fabs(mean) >= offset_error     ? LT_SEVERITY_ERROR
                                 : fabs(mean) >= offset_warning ? LT_SEVERITY_WARNING
                                                                : LT_SEVERITY_NOTE;
    lt_faults_add(end->out, LT_FAULT_DC_OFFSET, severity, end->channel, from_start && to_end ? (double)NAN : s->from_s,
                  "constant offset of %.1f %% of full scale during %.1f s: likely a fault in the recorder's input, a "
                  "leaking coupling capacitor, or supply voltage for a microphone on this wire",
                  100.0 * mean, s->to_s - s->from_s);
    return true;
}

void ltp_steady_finish(ltp_steady *d, const ltp_scan_end *end)
{
    if (!(d->peak > 0.0)) {
        lt_faults_add(end->out, LT_FAULT_DEAD_CHANNEL, LT_SEVERITY_ERROR, end->channel, NAN,
                      "nothing but digital silence for %.1f s: likely the wrong input or channel, a muted recorder, or "
                      "nothing plugged in",
                      end->seconds);
        return;
    }
    const bool offset = find_offset(d, end);
    if (end->active_db < dead_dbfs) {
        lt_faults_add(end->out, LT_FAULT_DEAD_CHANNEL, LT_SEVERITY_ERROR, end->channel, NAN,
                      "only the recorder's own noise (%.0f dBFS, largest sample %.0f dB): likely an open or shorted "
                      "pair, an unpowered microphone, or the wrong input",
                      end->active_db, lt_db_from_amplitude(d->peak));
    } else if (end->active_db < low_db && !offset) {
        lt_faults_add(
            end->out, LT_FAULT_LOW_LEVEL, end->active_db < very_low_db ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING,
            end->channel, NAN,
            "loudest parts at %.0f dBFS, largest sample %.0f dB below full scale: likely too little recording "
            "gain, a microphone input fed where a line input is meant, or one leg of the pair open; repeat it "
            "with %.0f dB more",
            end->active_db, -lt_db_from_amplitude(d->peak), round(-26.0 - end->active_db));
    }
}

size_t ltp_steady_history(const ltp_steady *d, double *level_db, double *step_s)
{
    const double frames = (double)(d->per_step * d->frame);
    *step_s = frames / d->rate_hz;
    for (size_t i = 0; i < d->history_count; i++)
        level_db[i] = lt_dbfs_from_mean_square(d->history[i] / frames);
    return d->history_count;
}
