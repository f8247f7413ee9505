/* SPDX-License-Identifier: MIT
 * Howl where a sweep has just passed. The lane's own return falls there: by 100 dB/s at 0.6 s of reverberation, by
 * 91 dB/s at a resonance of Q 30 at 100 Hz (27.3 f/Q). What stays or grows, and was not there before, is none of it.
 * The limits are ours, set on simulated loops, lanes and music. */
#include "level/howl.h"

#include <math.h>

enum {
    BEFORE = 4, /* means before the sweep */
    ATTACK = 4, /* hops: a window's length */
    DROWN = 12  /* means: half a second */
};
static const double least_db_s = -15.0, scatter_most_db = 0.6; /* of the level over LTP_HOWL_LINGER */
static const double over_loudest_db = 6.0; /* a howl at its limit is louder than the return, a note need not be */
static const double woken_below_db = 45.0; /* a sweep wakes a loop no farther below its own return */
static const double new_db = 14.0;         /* over what was there before */
static const double attack = 16.0;         /* power in one window's time: 280 dB/s */
static const double drown_db = 6.0, steady_db = 3.0;

static double wide_power(const lt_complex *x, size_t k)
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

/* Bin k was masked lately: what a lane rings on there falls, by 90 dB/s and more (reverberation of up to 0.6 s, a
 * resonance of Q 30 at 100 Hz). A tone that does not, and that was not there before, is none of the lane's. */
bool ltp_howl_lingers(const lt_howl *h, size_t k, double *slope_db_s, double *level_db)
{
    double y[LTP_HOWL_LINGER], before = INFINITY;
    ltp_howl_line l;
    if (h->swept_until[k] == 0 || h->hops >= h->swept_until[k] + LTP_HOWL_AFTER ||
        (h->tone_bin > 0 && k >= h->tone_bin))
        return false;
    for (size_t i = 0; i < LTP_HOWL_LINGER; i++)
        y[i] = ltp_howl_level(h, wide_power(ltp_howl_spectrum(h, LTP_HOWL_LINGER - 1 - i), k));
    *level_db = y[LTP_HOWL_LINGER - 1] + 3.0103;
    if (!ltp_howl_fit(y, LTP_HOWL_LINGER, &l) || l.scatter_db > scatter_most_db)
        return false;
    *slope_db_s = l.rise_db * h->rate_hz / ((double)h->hop * (LTP_HOWL_LINGER - 1));
    if (*slope_db_s < least_db_s || *slope_db_s > LTP_HOWL_STEEPEST_DB_S)
        return false;
    if (h->struck[k] || (*slope_db_s < LTP_HOWL_RISE_DB_S && *level_db < loudest_db(h) + 3.0103 + over_loudest_db))
        return false;
    const double since_s = (double)((h->hops - h->swept_until[k] + h->hold_hops) * h->hop) / h->rate_hz;
    if (*level_db - *slope_db_s * since_s < loudest_db(h) + 3.0103 - woken_below_db)
        return false;
    const size_t n = h->means < LTP_HOWL_MEANS ? h->means : LTP_HOWL_MEANS;
    double past[LTP_HOWL_MEANS];
    ltp_howl_history(h, k, n, past);
    bool passed = false;
    size_t seen = 0;
    for (size_t i = n; i-- > 0 && seen < BEFORE;) {
        passed = passed || isnan(past[i]);
        if (passed && !isnan(past[i])) {
            before = fmin(before, past[i]);
            seen++;
        }
    }
    return seen > 0 && y[LTP_HOWL_LINGER - 1] - before > new_db;
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
    for (size_t i = 0; i + DROWN < n; i++)
        before = fmin(before, y[i]);
    *level_db = y[n - 1] + 3.0103;
    return least > loudest_db(h) + drown_db && most - least < steady_db && y[n - 1] - before > new_db;
}

/* A note or a beep is there at once; what grows out of a loop, or out of what a lane rings on, is not. */
void ltp_howl_watch_attacks(lt_howl *h)
{
    const lt_complex *now = ltp_howl_spectrum(h, 0), *then = ltp_howl_spectrum(h, ATTACK);
    for (size_t k = h->first; k <= h->last && k + 3 < h->bins; k++) {
        const double power = wide_power(now, k);
        const bool swept = h->hops < h->swept_until[k];
        if (swept) {
            h->struck[k] = false;
            h->most[k] = power;
            continue;
        }
        h->struck[k] = h->struck[k] || (power > h->most[k] && power > attack * wide_power(then, k));
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
        h->loudest[0] = fmax(h->loudest[0], wide_power(ltp_howl_spectrum(h, 0), k));
}
