/* SPDX-License-Identifier: MIT
 * Howl where a sweep has just passed. The lane's own return falls there: by 100 dB/s at 0.6 s of reverberation, by
 * 91 dB/s at a resonance of Q 30 at 100 Hz (27.3 f/Q). What stays or grows, and was not there before, is none of it.
 * The limits are ours, set on simulated loops, lanes and music. */
#include "level/howl.h"

#include <math.h>

enum {
    BEFORE = 4, /* means before the sweep */
    ATTACK = 4, /* hops: a window's length */
    DROWN = 12, /* means: half a second */
};
static const double least_db_s = -15.0, scatter_most_db = 0.6; /* of the level over LTP_HOWL_LINGER */
static const double over_loudest_db = 6.0; /* a howl at its limit is louder than the return, a note need not be */
static const double woken_below_db = 45.0; /* a sweep wakes a loop no farther below its own return */
static const double new_db = 14.0;         /* over what was there before */
static const double attack = 16.0;         /* power in one window's time: 280 dB/s */
static const double on_its_way_db = 8.0;   /* ... and over where its rise would have begun */
static const double bend_db = 0.2, bend_of_scatter = 0.5; /* a note's attack flattens */
static const double longer_scatter_db = 2.5, longer_least_db_s = 10.0, longer_bend_db = 0.3; /* LTP_HOWL_LONGER */
static const double below_pass_db = 10.0; /* what a lane rings on has fallen by 15 dB meanwhile */
static const double since_pass_db = 6.0;  /* a howl at its limit has been there since the sweep passed */
static const double drown_db = 6.0, steady_db = 3.0;

double ltp_howl_wide_power(const lt_complex *x, size_t k)
{
    double sum = 0.0;
    for (size_t j = k - 2; j <= k + 2; j++)
        sum += lt_complex_power(x[j]);
    return sum;
}

/* Of what came back, without what a howl may have added lately. -INFINITY: nothing yet. */
static double loudest_db(const lt_howl *h)
{
    double power = h->loudest[2];
    if (!(power > 0.0))
        power = h->loudest[1] > 0.0 ? fmin(h->loudest[1], h->loudest[0] > 0.0 ? h->loudest[0] : (double)INFINITY)
                                    : h->loudest[0];
    return power > 0.0 ? ltp_howl_level(h, power) : (double)-INFINITY;
}

double ltp_howl_stands_out_db(const lt_howl *h, size_t k)
{
    const size_t low = k > LTP_HOWL_FAR ? k - LTP_HOWL_FAR : 1,
                 high = k + LTP_HOWL_FAR < h->bins ? k + LTP_HOWL_FAR : h->bins - 1;
    size_t count = 0;
    for (size_t j = low; j <= high; j++)
        if ((j + LTP_HOWL_NEAR < k || j > k + LTP_HOWL_NEAR) && h->hops >= h->flank_until[j])
            h->sorted[count++] = h->power[j];
    return count > 0 ? lt_db_from_power(h->power[k] / (lt_median(h->sorted, count) + 1e-30)) : 0.0;
}

/* Not before the sweep passed: neither as loud, nor on its way. */
static bool is_new(const lt_howl *h, size_t k, double now_db, double slope_db_s)
{
    const size_t n = h->means < LTP_HOWL_MEANS ? h->means : LTP_HOWL_MEANS;
    double past[LTP_HOWL_MEANS], before = INFINITY;
    ltp_howl_history(h, k, n, past);
    bool passed = false;
    size_t seen = 0;
    for (size_t i = n; i-- > 0 && seen < BEFORE;) {
        passed = passed || isnan(past[i]);
        if (passed && !isnan(past[i])) {
            const double ago_s = (double)((n - 1 - i) * LTP_HOWL_MEAN * h->hop) / h->rate_hz;
            if (seen == 0 && past[i] > now_db - fmax(slope_db_s, 0.0) * ago_s - on_its_way_db)
                return false;
            before = fmin(before, past[i]);
            seen++;
        }
    }
    return seen > 0 && now_db - before > new_db;
}

/* A sweep passed bin k lately, upwards. */
static bool was_passed(const lt_howl *h, size_t k)
{
    return h->swept_until[k] > 0 && h->hops < h->swept_until[k] + LTP_HOWL_AFTER && !h->chirped[k] &&
           !(h->tone_bin > 0 && k >= h->tone_bin);
}

static bool flattens_by(const ltp_howl_line *l, double db)
{
    return l->third[2] - l->third[1] < l->third[1] - l->third[0] - db;
}

/* Bin k over the last n hops, where its level is near a line that does not fall as a lane does. *level_db: of the tone,
 * dBFS; *now_db: the same as mean square. */
static bool goes_on(const lt_howl *h, size_t k, size_t n, double scatter_db, ltp_howl_line *l, double *slope_db_s,
                    double *level_db, double *now_db)
{
    double y[LTP_HOWL_LONGER];
    for (size_t i = 0; i < n; i++)
        y[i] = ltp_howl_level(h, ltp_howl_wide_power(ltp_howl_spectrum(h, n - 1 - i), k));
    *now_db = y[n - 1];
    *level_db = y[n - 1] + 3.0103;
    if (!ltp_howl_fit(y, n, l) || l->scatter_db > scatter_db)
        return false;
    *slope_db_s = l->rise_db * h->rate_hz / ((double)h->hop * (double)(n - 1));
    return *slope_db_s >= least_db_s && *slope_db_s <= LTP_HOWL_STEEPEST_DB_S;
}

/* Bin k was masked lately: what a lane rings on there falls, by 90 dB/s and more (reverberation of up to 0.6 s, a
 * resonance of Q 30 at 100 Hz). A tone that does not, and that was not there before, is none of the lane's. */
bool ltp_howl_lingers(const lt_howl *h, size_t k, double *slope_db_s, double *level_db)
{
    ltp_howl_line l;
    double now_db = 0.0;
    if (!was_passed(h, k) || !goes_on(h, k, LTP_HOWL_LINGER, scatter_most_db, &l, slope_db_s, level_db, &now_db))
        return false;
    const bool flattens = flattens_by(&l, bend_db + bend_of_scatter * l.scatter_db);
    if (h->struck[k] ||
        ((*slope_db_s < LTP_HOWL_RISE_DB_S || flattens) && *level_db < loudest_db(h) + 3.0103 + over_loudest_db))
        return false;
    const double since_s = (double)((h->hops - h->swept_until[k] + h->hold_hops) * h->hop) / h->rate_hz;
    if (*level_db - *slope_db_s * since_s < loudest_db(h) + 3.0103 - woken_below_db)
        return false;
    return is_new(h, k, now_db, *slope_db_s);
}

/* The same over a longer time, for a level that wavers: other modes of the loop beat with it. */
bool ltp_howl_outlasts(const lt_howl *h, size_t k, double *slope_db_s, double *level_db)
{
    ltp_howl_line l;
    double now_db = 0.0;
    if (!was_passed(h, k) || h->struck[k] ||
        !goes_on(h, k, LTP_HOWL_LONGER, longer_scatter_db, &l, slope_db_s, level_db, &now_db))
        return false;
    const bool flattens = flattens_by(&l, longer_bend_db);
    if ((*slope_db_s < longer_least_db_s || flattens) && *level_db < loudest_db(h) + 3.0103 + over_loudest_db)
        return false;
    if (l.third[2] < ltp_howl_level(h, h->passed[k]) - below_pass_db)
        return false;
    return is_new(h, k, now_db, *slope_db_s);
}

/* A tone that has been louder for half a second than anything that came back of what is played, and was not before: at
 * its limit a howl rises no more. */
bool ltp_howl_drowns(const lt_howl *h, size_t k, double *level_db)
{
    double y[LTP_HOWL_MEANS], least = INFINITY, most = -INFINITY, before = INFINITY;
    const size_t n = h->means < LTP_HOWL_MEANS ? h->means : LTP_HOWL_MEANS;
    if (!isfinite(loudest_db(h)) || n < 2 * DROWN)
        return false;
    ltp_howl_history(h, k, n, y);
    for (size_t i = 0; i < DROWN; i++) {
        least = fmin(least, y[n - 1 - i]);
        most = fmax(most, y[n - 1 - i]);
        if (isnan(y[n - 1 - i]))
            return false;
    }
    *level_db = y[n - 1] + 3.0103;
    size_t from = n; /* the first one since the sweep passed */
    while (from > 0 && !isnan(y[from - 1]))
        if (y[--from] < y[n - 1] - since_pass_db)
            return false;
    if (from == 0)
        return false;
    for (size_t i = 0; i < from; i++)
        before = fmin(before, y[i]);
    return least > loudest_db(h) + drown_db && most - least < steady_db && y[n - 1] - before > new_db;
}

/* A note or a beep is there at once; what grows out of a loop, or out of what a lane rings on, is not. */
void ltp_howl_watch_attacks(lt_howl *h)
{
    const lt_complex *now = ltp_howl_spectrum(h, 0), *then = ltp_howl_spectrum(h, ATTACK);
    for (size_t k = h->first; k <= h->last && k + 3 < h->bins; k++) {
        const double power = ltp_howl_wide_power(now, k);
        const bool swept = h->hops < h->swept_until[k];
        if (swept) {
            if (h->most[k] >= 0.0)
                h->passed[k] = 0.0;
            h->passed[k] = fmax(h->passed[k], power);
            h->struck[k] = false;
            h->most[k] = -1.0;
            continue;
        }
        h->struck[k] =
            h->struck[k] || (h->most[k] >= 0.0 && power > h->most[k] && power > attack * ltp_howl_wide_power(then, k));
        h->most[k] = fmax(h->most[k], power);
    }
}

void ltp_howl_next_block(lt_howl *h)
{
    h->loudest[2] = fmax(h->loudest[2], h->loudest[1]);
    h->loudest[1] = h->loudest[0];
    h->loudest[0] = 0.0;
}

void ltp_howl_keep_loudest(lt_howl *h, size_t k)
{
    if (h->hops < h->swept_until[k] && h->tone_bin > 0)
        h->loudest[0] = fmax(h->loudest[0], ltp_howl_wide_power(ltp_howl_spectrum(h, 0), k));
}
