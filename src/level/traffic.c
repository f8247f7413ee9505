/* SPDX-License-Identifier: MIT
 * Traffic beside a lane: pass-by events and the busy hour, from the rows of a level history. Levels are dB(A).
 *
 * The background of a moment is the level exceeded 90 % of the time in the five minutes around it. What rises far
 * enough above it is a pass-by; its length is the time within 10 dB of its peak, as is usual for single noise events,
 * and its exposure level is taken over that time. Two vehicles with a clear dip between them are two events. The
 * heights of dip and foot are ours. */
#include "base/alloc.h"
#include <lanetune/level.h>

#include <math.h>
#include <string.h>

enum {
    HALF = 1200,         /* rows of the background on either side: 150 s */
    RING = 2 * HALF + 2, /* rows on hand: the background of a row, and the one that leaves it next */
    EVENT_ROWS = 2400,   /* a longer rise is no pass-by: it is cut */
    BINS = 800,
    MINUTES = 60
};
static const double lowest_db = -200.0, bins_per_db = 2.0;
static const double background_share = 0.1; /* of the rows lie below it: L90 */
static const double foot_db = 3.0;          /* above the background: an event begins and ends */
static const double dip_db = 6.0;           /* below both peaks: two events */
static const double down_db = 10.0;         /* below the peak: its length */

typedef struct {
    double start_s, seconds, level_db, exposure; /* exposure: power ratio times seconds */
    double background_db;
} row;

struct lt_traffic {
    double rise_db;
    row ring[RING];
    uint64_t pushed, looked_at; /* rows */
    uint64_t bins[BINS];        /* of the rows in the window of the background */
    uint64_t in_window, window_from;

    row event[EVENT_ROWS]; /* since it left the background */
    size_t rows, peak, valley;

    double minute_exposure, minute_s;
    double minutes[MINUTES];
    uint64_t minute_count;
};

lt_status lt_traffic_create(double rise_db, lt_traffic **out, lt_error *err)
{
    *out = NULL;
    if (!(rise_db >= 4.0 && rise_db <= 60.0))
        return ltp_fail(err, LT_E_ARG, "a pass-by must rise 4 to 60 dB above the background, not %g dB", rise_db);
    lt_traffic *t = ltp_alloc(1, sizeof *t);
    if (t == NULL)
        return ltp_fail_nomem(err, "the search for pass-bys");
    t->rise_db = rise_db;
    *out = t;
    return LT_OK;
}

void lt_traffic_free(lt_traffic *t)
{
    ltp_free(t);
}

/* ---- events ---- */

/* The list is full: the quietest gives way. */
static lt_passby *place_for(lt_traffic_result *r, double exposure_db)
{
    r->passby_total++;
    if (r->passby_count < LT_PASSBYS_MAX)
        return &r->passbys[r->passby_count++];
    size_t least = 0;
    for (size_t i = 1; i < r->passby_count; i++)
        if (r->passbys[i].exposure_db < r->passbys[least].exposure_db)
            least = i;
    if (r->passbys[least].exposure_db >= exposure_db)
        return NULL;
    memmove(&r->passbys[least], &r->passbys[least + 1], (r->passby_count - least - 1) * sizeof r->passbys[0]);
    return &r->passbys[r->passby_count - 1];
}

/* Rows [0, end) of the event are all of it. */
static void close_event(lt_traffic *t, lt_traffic_result *out, size_t end)
{
    const row *peak = &t->event[t->peak];
    if (end == 0 || peak->level_db < peak->background_db + t->rise_db)
        return;
    size_t from = t->peak;
    size_t to = t->peak;
    while (from > 0 && t->event[from - 1].level_db >= peak->level_db - down_db)
        from--;
    while (to + 1 < end && t->event[to + 1].level_db >= peak->level_db - down_db)
        to++;
    double exposure = 0.0;
    for (size_t i = from; i <= to; i++)
        exposure += t->event[i].exposure;
    const double exposure_db = lt_db_from_power(exposure);
    lt_passby *p = place_for(out, exposure_db);
    if (p == NULL)
        return;
    *p = (lt_passby){.start_s = t->event[from].start_s,
                     .peak_s = peak->start_s + 0.5 * peak->seconds,
                     .duration_s = t->event[to].start_s + t->event[to].seconds - t->event[from].start_s,
                     .peak_dba = peak->level_db,
                     .exposure_db = exposure_db,
                     .background_dba = peak->background_db};
}

static void find_peak(lt_traffic *t)
{
    t->peak = t->valley = 0;
    for (size_t i = 1; i < t->rows; i++)
        if (t->event[i].level_db > t->event[t->peak].level_db)
            t->peak = t->valley = i;
}

/* The rows up to the valley were one event; what follows is the beginning of the next. */
static void split_event(lt_traffic *t, lt_traffic_result *out)
{
    const size_t end = t->valley + 1;
    close_event(t, out, end);
    memmove(t->event, t->event + end, (t->rows - end) * sizeof *t->event);
    t->rows -= end;
    find_peak(t);
}

static void follow(lt_traffic *t, lt_traffic_result *out, const row *r)
{
    const bool above = r->level_db > r->background_db + foot_db;
    if (!above || t->rows == EVENT_ROWS) {
        close_event(t, out, t->rows);
        t->rows = t->peak = t->valley = 0;
    }
    if (!above)
        return;
    const size_t i = t->rows++;
    t->event[i] = *r;
    const double peak_db = t->event[t->peak].level_db;
    if (i == 0 || r->level_db > peak_db)
        t->peak = t->valley = i;
    else if (r->level_db < t->event[t->valley].level_db)
        t->valley = i;
    const double valley_db = t->event[t->valley].level_db;
    const bool dipped = t->valley > t->peak && peak_db - valley_db >= dip_db && r->level_db - valley_db >= dip_db;
    if (dipped)
        split_event(t, out);
}

/* ---- background ---- */

static size_t bin_of(double level_db)
{
    const double position = (level_db - lowest_db) * bins_per_db;
    return !(position > 0.0) ? 0 : position >= BINS - 1 ? BINS - 1 : (size_t)position;
}

static double background_db(const lt_traffic *t)
{
    const double wanted = background_share * (double)t->in_window;
    double passed = 0.0;
    for (size_t i = 0; i < BINS; i++) {
        const double here = (double)t->bins[i];
        if (here > 0.0 && passed + here >= wanted)
            return lowest_db + ((double)i + (wanted - passed) / here) / bins_per_db;
        passed += here;
    }
    return lowest_db;
}

/* The next row that has all of its future (or, at the end, what there is of it) around it. */
static void look_at_one(lt_traffic *t, lt_traffic_result *out)
{
    row *r = &t->ring[t->looked_at % RING];
    while (t->window_from + HALF < t->looked_at) {
        t->bins[bin_of(t->ring[t->window_from % RING].level_db)]--;
        t->window_from++;
        t->in_window--;
    }
    r->background_db = background_db(t);
    follow(t, out, r);
    t->looked_at++;
}

/* ---- busy hour ---- */

static void end_minute(lt_traffic *t, lt_traffic_result *out)
{
    t->minutes[t->minute_count++ % MINUTES] = t->minute_exposure;
    t->minute_exposure = t->minute_s = 0.0;
    if (t->minute_count < MINUTES)
        return;
    double sum = 0.0; /* afresh each time, so that nothing builds up */
    for (size_t i = 0; i < MINUTES; i++)
        sum += t->minutes[i];
    const double laeq_db = lt_db_from_power(sum / 3600.0);
    if (out->busy_hour && !(laeq_db > out->busy_hour_laeq_db))
        return;
    out->busy_hour = true;
    out->busy_hour_laeq_db = laeq_db;
    out->busy_hour_start_s = 60.0 * (double)(t->minute_count - MINUTES);
}

/* ---- stream ---- */

void lt_traffic_push(lt_traffic *t, const lt_level_row *in, lt_traffic_result *out)
{
    const double exposure = lt_power_from_db(in->laeq_db) * in->seconds;
    const uint64_t at = t->pushed++;
    t->ring[at % RING] = (row){in->start_s, in->seconds, in->lafmax_db, exposure, 0.0};
    t->bins[bin_of(in->lafmax_db)]++;
    t->in_window++;
    if (t->pushed > HALF)
        look_at_one(t, out);
    t->minute_exposure += exposure;
    t->minute_s += in->seconds;
    if (in->start_s + in->seconds >= 60.0 * (double)(t->minute_count + 1) - 0.03)
        end_minute(t, out);
}

void lt_traffic_finish(lt_traffic *t, lt_traffic_result *out)
{
    while (t->looked_at < t->pushed)
        look_at_one(t, out);
    close_event(t, out, t->rows);
    t->rows = 0;
}
