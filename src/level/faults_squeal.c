/* SPDX-License-Identifier: MIT
 * Howl in a recording: lt_howl tells a tone that grows; it counts only if the tone then stays. Where it began is traced
 * back in the last seconds of sound. Full scale = 1.0. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"
#include "level/peak.h"

#include <string.h>

enum { FRAMES = 400 };
static const double ring_s = 7.0, stay_s = 0.5, shortest_stay_s = 0.1;
static const double frame_s = 0.04, step_s = 0.02;
static const double fall = 0.25;         /* power: it may fall by 6 dB while it stays */
static const double share_least = 0.05;  /* of all power */
static const double on_and_on = 0.5;     /* of the growth that was told: as long as it goes on so, it is waited for */
static const double before_told_s = 1.5; /* of the ring, to trace back */
static const double loud_db = -30.0, alone = 0.25;
enum { SURE = 8 /* steps: the quarter second in which it was seen to grow */, WEAK = 3, PRIOR = 100 };
/* A tenth of the time, the power of noise in a bin is 9.8 dB below its mean: -10 lg(-ln 0.9). */
static const double above_floor_db = 9.8;
static const double on_line_db = 6.0, least_growth_db_s = 8.0, faintest_db = -70.0;

static const double tone_s = 0.17, look_s = 0.1, lowest_hz = 200.0;
static const double settled_share = 0.3, same_bins = 0.25, same_db = 1.5;
static const double knee_db = 3.0, rise_seen_db = 25.0, back_up_db = 3.0, rise_least_db = 11.0, scatter_db = 1.5;
static const double rise_slowest_db_s = 10.0;
static const double bent_rise_db = 17.0; /* a rise this high and long need not be straight: the path limits it slowly */
enum { TOP = 20, SETTLED = 8, LEAST_STEPS = 6, BENT_STEPS = 30 };

static const char subject[] = "the search for howl";

struct ltp_squeal {
    double rate_hz;
    lt_howl *howl;
    double *ring; /* [n] */
    size_t n, at;
    uint64_t pushed;
    double *frame; /* [frame_n] scratch */
    size_t frame_n, step_n;
    bool waiting, found, covered;
    lt_howl_event event; /* at_s in the recording's time */
    uint64_t restarted;  /* frames before the detector's own start */
    uint64_t decide_at;
    double told_power; /* of the tone, mean square, when it was last looked at; 0: not yet */
    double from_s, level_db, share;
    size_t refused;
    /* a tone that stays, for a howl whose growth was covered */
    ltp_frames newest;
    double *power; /* [bins] */
    size_t look_n, looks_due, settled;
    double tone_bin, tone_db;
};

void ltp_squeal_free(ltp_squeal *d)
{
    if (d == NULL)
        return;
    lt_howl_free(d->howl);
    ltp_free(d->ring);
    ltp_free(d->frame);
    ltp_frames_close(&d->newest);
    ltp_free(d->power);
    ltp_free(d);
}

lt_status ltp_squeal_create(double rate_hz, ltp_squeal **out, lt_error *err)
{
    *out = NULL;
    ltp_squeal *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->rate_hz = rate_hz;
    d->n = (size_t)(ring_s * rate_hz);
    d->frame_n = (size_t)(frame_s * rate_hz);
    d->step_n = (size_t)(step_s * rate_hz);
    d->ring = ltp_alloc(d->n, sizeof *d->ring);
    d->frame = ltp_alloc(d->frame_n, sizeof *d->frame);
    const size_t tone_n = lt_rfft_good_size((size_t)(tone_s * rate_hz));
    d->look_n = d->looks_due = (size_t)(look_s * rate_hz);
    d->power = ltp_alloc(tone_n / 2 + 1, sizeof *d->power);
    lt_status st = d->ring && d->frame && d->power
                       ? ltp_frames_open_spectra(&d->newest, tone_n, tone_n, lt_window_hann, subject, err)
                       : ltp_fail_nomem(err, subject);
    if (st == LT_OK && rate_hz >= 8000.0 && rate_hz <= 200000.0) /* outside, no howl is looked for */
        st = lt_howl_create(rate_hz, &d->howl, err);
    if (st != LT_OK) {
        ltp_squeal_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

/* Mean square of the tone in the frame that begins at `start`, and of everything there. */
static double tone_in(ltp_squeal *d, uint64_t start, double hz, double *all)
{
    *all = 0.0;
    for (size_t i = 0; i < d->frame_n; i++) {
        const double x = d->ring[(start + i) % d->n];
        *all += x * x / (double)d->frame_n;
        d->frame[i] = x * (1.0 - cos(2.0 * LT_PI * (double)i / (double)d->frame_n));
    }
    const lt_complex z = lt_dtft(d->frame, d->frame_n, d->rate_hz, hz);
    return 2.0 * lt_complex_power(z) / ((double)d->frame_n * (double)d->frame_n);
}

/* The tone has not fallen since it was told. Its share is that of the last half second: a howl is told when it is weak
 * beside a sweep or a voice, and grows out of that. *first: its power when it was told, *power: now. */
static bool stays(ltp_squeal *d, double *first, double *power)
{
    const uint64_t told = (uint64_t)(d->event.at_s * d->rate_hz);
    const uint64_t from = told > d->frame_n ? told - d->frame_n : 0;
    const uint64_t lately = (uint64_t)(stay_s * d->rate_hz) + d->frame_n;
    double all, worst_share = 1.0;
    *first = tone_in(d, from, d->event.hz, &all);
    *power = *first;
    for (uint64_t at = from; at + d->frame_n <= d->pushed; at += d->step_n) {
        *power = tone_in(d, at, d->event.hz, &all);
        if (at + lately >= d->pushed)
            worst_share = fmin(worst_share, *power / (all + 1e-30));
        if (*power < fall * *first)
            return false;
    }
    d->level_db = lt_dbfs_from_mean_square(*power);
    d->share = worst_share;
    return (double)(d->pushed - told) >= shortest_stay_s * d->rate_hz;
}

/* Too weak yet beside the rest, but growing as it was told to, and its beginning is still at hand. */
static bool grows_on(const ltp_squeal *d, double before, double power)
{
    const double waited_s = (double)d->pushed / d->rate_hz - d->event.at_s;
    const double growth_db = on_and_on * d->event.rise_db_per_s * stay_s;
    return waited_s + stay_s < ring_s - before_told_s && power > before * lt_power_from_db(growth_db);
}

/* One step back along the straight line in dB on which the tone has grown: x counts steps back. */
typedef struct {
    double n, x, y, xx, xy, yy; /* sums */
} growth;

static void add_step(growth *g, double x, double y)
{
    g->n += 1.0;
    g->x += x;
    g->y += y;
    g->xx += x * x;
    g->xy += x * y;
    g->yy += y * y;
}

static double spread(const growth *g)
{
    return g->xx - g->x * g->x / g->n;
}

/* Expected level at x; the slope as it was told counts as much as the first steps. */
static double expected(const growth *g, double told_slope, double x)
{
    const double slope = (g->xy - g->x * g->y / g->n + PRIOR * told_slope) / (spread(g) + PRIOR);
    return g->y / g->n + fmin(slope, -least_growth_db_s * step_s) * (x - g->x / g->n);
}

/* Back from where it was told, as long as the tone lies on the line of its growth. Where something louder covers it,
 * the search goes on; where the tone is weaker than it had to be, or the line has sunk into the noise, it ends. */
static double beginning(ltp_squeal *d)
{
    double level[FRAMES], sorted[FRAMES], all;
    const uint64_t told = (uint64_t)(d->event.at_s * d->rate_hz);
    const uint64_t oldest = d->pushed > d->n ? d->pushed - d->n : 0;
    size_t count = 0, weak = 0, begun = 0;
    for (; count < FRAMES && told >= oldest + d->frame_n + count * d->step_n; count++)
        level[count] = sorted[count] =
            lt_db_from_power(tone_in(d, told - d->frame_n - count * d->step_n, d->event.hz, &all) + 1e-15);
    const double floor_level = count > 0 ? lt_quantile(sorted, count, 0.1) : 0.0;
    growth g = {0};
    for (size_t i = 0; i < count && weak < WEAK; i++) {
        const double slope = -fmax(d->event.rise_db_per_s, least_growth_db_s) * step_s;
        const double off = i < SURE ? 0.0 : level[i] - expected(&g, slope, (double)i);
        if (i >= SURE && expected(&g, slope, (double)i) < fmax(floor_level + above_floor_db, faintest_db))
            break;
        weak = off < -on_line_db ? weak + 1 : 0;
        if (fabs(off) > on_line_db)
            continue;
        add_step(&g, (double)i, level[i]);
        begun = i;
    }
    return fmax(0.0, ((double)told - 0.5 * (double)d->frame_n - (double)begun * (double)d->step_n) / d->rate_hz);
}

static void decide(ltp_squeal *d)
{
    double first, power;
    const bool still_there = stays(d, &first, &power);
    d->waiting = false;
    if (still_there && d->share > share_least) {
        d->found = true;
        d->from_s = beginning(d);
        return;
    }
    if (still_there && grows_on(d, d->told_power > 0.0 ? d->told_power : first, power)) {
        d->waiting = true;
        d->decide_at = d->pushed + (uint64_t)(stay_s * d->rate_hz);
        d->told_power = power;
        return;
    }
    d->refused++;
    lt_howl_reset(d->howl);
    d->restarted = d->pushed;
}

/* Back from a tone that has settled: down its rise, a straight line in dB, or one that flattens for half a second and
 * more. What is switched on, or played, is there sooner. */
static bool rose(ltp_squeal *d, double hz)
{
    double level[FRAMES], top = 0.0, lowest = INFINITY, all;
    const uint64_t newest = d->pushed - d->frame_n;
    const uint64_t oldest = d->pushed > d->n ? d->pushed - d->n : 0;
    size_t count = 0, from = TOP;
    for (; count < FRAMES && newest >= oldest + count * d->step_n; count++)
        level[count] = lt_db_from_power(tone_in(d, newest - count * d->step_n, hz, &all) + 1e-15);
    for (size_t i = 0; i < TOP && i < count; i++)
        top += level[i] / TOP;
    while (from < count && level[from] > top - knee_db)
        from++;
    growth g = {0};
    for (size_t i = from; i < count && level[i] > top - rise_seen_db && level[i] < lowest + back_up_db; i++) {
        lowest = fmin(lowest, level[i]);
        add_step(&g, (double)(i - from), level[i] - top);
    }
    if (g.n < LEAST_STEPS || lowest > top - rise_least_db)
        return false;
    const double slope = (g.xy - g.x * g.y / g.n) / spread(&g);
    const double scatter = sqrt(fmax(0.0, (g.yy - g.y * g.y / g.n) - slope * slope * spread(&g)) / (g.n - 2.0));
    const double told = (double)newest + (double)d->frame_n - (double)from * (double)d->step_n;
    d->event =
        (lt_howl_event){.hz = hz, .at_s = told / d->rate_hz, .rise_db_per_s = -slope / step_s, .level_dbfs = top};
    const bool bent = g.n >= BENT_STEPS && lowest < top - bent_rise_db;
    return (scatter < scatter_db || bent) && d->event.rise_db_per_s > rise_slowest_db_s;
}

/* Every tenth of a second: is one tone the loudest, and the same as before? */
static void look(ltp_squeal *d)
{
    d->looks_due = d->look_n;
    const size_t tone_n = d->newest.n, bins = d->newest.bins;
    if (d->pushed < tone_n)
        return;
    for (size_t i = 0; i < tone_n; i++)
        d->newest.x[i] = d->ring[(d->pushed - tone_n + i) % d->n];
    ltp_frames_transform(&d->newest);
    const size_t first = (size_t)(lowest_hz * (double)tone_n / d->rate_hz) + 3;
    size_t k = first;
    double total = 1e-30, line = 0.0;
    for (size_t i = 0; i < bins; i++)
        total += d->power[i] = lt_complex_power(d->newest.spectrum[i]);
    for (size_t i = first; i + 3 < bins; i++)
        k = d->power[i] > d->power[k] ? i : k;
    for (size_t i = k - 2; i <= k + 2; i++)
        line += d->power[i];
    const double n = (double)tone_n, level_db = lt_db_from_power(2.0 * line / (0.375 * n * n) + 1e-30);
    const double bin = (double)k + ltp_peak_offset(d->power[k - 1], d->power[k], d->power[k + 1]);
    const bool strong = line > settled_share * total && level_db > loud_db;
    const bool same = fabs(bin - d->tone_bin) < same_bins && fabs(level_db - d->tone_db) < same_db;
    d->settled = !strong ? 0 : same ? d->settled + 1 : 1;
    d->tone_bin = bin;
    d->tone_db = level_db;
    if (d->settled != SETTLED || !rose(d, bin * d->rate_hz / n))
        return;
    d->found = d->covered = true;
    d->level_db = lt_dbfs_from_mean_square(lt_power_from_db(level_db));
    d->from_s = beginning(d);
}

void ltp_squeal_push(ltp_squeal *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count && d->howl != NULL && !d->found; i++) {
        d->ring[d->at] = x[i];
        d->at = d->at + 1 == d->n ? 0 : d->at + 1;
        d->pushed++;
        if (--d->looks_due == 0 && !d->waiting)
            look(d);
        else if (d->looks_due == 0)
            d->looks_due = d->look_n;
        if (d->waiting) {
            if (d->pushed >= d->decide_at)
                decide(d);
        } else if (lt_howl_push(d->howl, x + i, NULL, 1, &d->event)) {
            d->event.at_s += (double)d->restarted / d->rate_hz;
            d->waiting = true;
            d->told_power = 0.0;
            d->decide_at = d->pushed + (uint64_t)(stay_s * d->rate_hz);
        }
    }
}

void ltp_squeal_finish(ltp_squeal *d, const ltp_scan_end *end)
{
    if (d->waiting)
        decide(d);
    if (!d->found)
        return;
    const bool grave = !d->covered && d->level_db > loud_db && d->share > alone;
    lt_faults_add(end->out, LT_FAULT_HOWL, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel, d->from_s,
                  "a tone at %.0f Hz grows by %.0f dB a second and stays, at %.0f dBFS: the loop from speaker to "
                  "microphone and back is unstable; turn one direction down by 6 dB or more, look for a speaker that "
                  "faces its microphone, a missing gasket or foam",
                  d->event.hz, d->event.rise_db_per_s, d->level_db);
}
