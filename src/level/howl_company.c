/* SPDX-License-Identifier: MIT
 * Tones beside the one that may be a howl: a voice or an engine has harmonics, a chord has other notes that came with
 * it where no sweep has passed. A loop that a sweep wakes has modes, too, but only where the sweep was.
 * The limits are ours, set on simulated loops, speech and music. */
#include "base/alloc.h"
#include "level/howl.h"

#include <math.h>

enum {
    COMPANY = LTP_HOWL_AFTER + LTP_HOWL_DEPTH, /* hops, from LTP_HOWL_AFTER after a sweep has passed */
    RECENT = 16,                               /* means: 0.7 s */
    CROWD = 6                                  /* hops with others, less those without */
};
static const double valley = 10.0;
static const double mate_db = 25.0;        /* a harmonic that is weaker than this says nothing */
static const double limited_mate_db = 8.0; /* ... an overtone of a tone that may be at a limiter */
static const double company_db = 20.0, company_stands_db = 15.0; /* weaker ones say nothing */
static const double company_rise_db = 6.0;                       /* within RECENT */
static const double steady_hz = 1500.0; /* above, a steady tone is as steady as there; chance is not */

/* A peak with valleys on both sides. */
static bool stands(const lt_howl *h, size_t j)
{
    double left = h->power[j], right = h->power[j];
    if (h->power[j] < h->power[j - 1] || h->power[j] < h->power[j + 1])
        return false;
    for (size_t i = 2; i <= 4; i++) {
        left = fmin(left, h->power[j - i]);
        right = fmin(right, h->power[j + i]);
    }
    return h->power[j] > valley * fmax(left, right);
}

/* A voice or an engine has partials; a young howl stands alone. */
bool ltp_howl_has_mates(const lt_howl *h, size_t k, double hz, bool limited)
{
    static const double ratios[] = {0.5, 2.0, 1.5, 2.0 / 3.0, 3.0, 1.0 / 3.0};
    for (size_t i = 0; i < LTP_COUNT(ratios); i++) {
        const double bin = ratios[i] * hz * (double)h->n / h->rate_hz;
        for (size_t j = (size_t)bin - 1; j <= (size_t)bin + 2; j++) {
            if (bin < 6.0 || j + 5 >= h->bins || h->hops < h->masked_until[j])
                continue;
            const double weaker_db = limited && ratios[i] > 1.9 ? limited_mate_db : mate_db;
            if (stands(h, j) && h->power[j] > h->power[k] * lt_power_from_db(-weaker_db))
                return true;
        }
    }
    return false;
}

/* Peak j is another tone than k, about as loud, where no sweep has passed. */
static bool is_beside(const lt_howl *h, size_t j, size_t k)
{
    if ((j + LTP_HOWL_NEAR >= k && j <= k + LTP_HOWL_NEAR) || j < 3 || j + 3 > h->bins || h->hops < h->flank_until[j] ||
        (h->swept_until[j] > 0 && !h->chirped[j] && h->hops < h->swept_until[j] + LTP_HOWL_AFTER + COMPANY))
        return false;
    return ltp_howl_wide_power(ltp_howl_spectrum(h, 0), j) >
               lt_power_from_db(-company_db) * ltp_howl_wide_power(ltp_howl_spectrum(h, 0), k) &&
           ltp_howl_stands_out_db(h, j) > company_stands_db;
}

static bool came_lately(const lt_howl *h, size_t j)
{
    double past[RECENT];
    const double now = ltp_howl_wide_power(ltp_howl_spectrum(h, 0), j);
    double least = now;
    for (size_t a = 1; a < LTP_HOWL_DEPTH; a++)
        least = fmin(least, ltp_howl_wide_power(ltp_howl_spectrum(h, a), j));
    if (now > least * lt_power_from_db(company_rise_db))
        return true;
    if (h->means < RECENT)
        return false;
    ltp_howl_history(h, j, RECENT, past);
    for (size_t a = 0; a < RECENT; a++)
        if (past[a] + company_rise_db < ltp_howl_level(h, now))
            return true;
    return false;
}

/* Of a tone at bin k that is at its limit. */
static bool is_overtone(size_t j, size_t k)
{
    const double order = round((double)j / (double)k);
    return order > 1.5 && fabs((double)j - order * (double)k) <= 0.5 * order + 1.0;
}

bool ltp_howl_has_company(const lt_howl *h, size_t k, const size_t *peaks, size_t count, bool lately)
{
    double hz;
    for (size_t i = 0; i < count; i++) {
        const size_t j = peaks[i];
        if (is_overtone(j, k) || !is_beside(h, j, k) || (lately && !came_lately(h, j)))
            continue;
        if (ltp_howl_stays(h, j, LTP_HOWL_LINGER + 1, fmin(1.0, steady_hz * (double)h->n / (h->rate_hz * (double)j)),
                           &hz))
            return true;
    }
    return false;
}

bool ltp_howl_watch_company(lt_howl *h, size_t k, const size_t *peaks, size_t count)
{
    const bool crowded = ltp_howl_has_company(h, k, peaks, count, true);
    uint8_t n = 0;
    for (size_t j = k - 1; j <= k + 1; j++)
        n = h->company[j] > n ? h->company[j] : n;
    h->company[k] = crowded && n < CROWD ? (uint8_t)(n + 2) : n;
    for (size_t j = k - 1; j <= k + 1 && h->company[k] >= CROWD; j++)
        h->crowded_until[j] = h->hops + LTP_HOWL_AFTER;
    return crowded || h->hops < h->crowded_until[k];
}

void ltp_howl_forget_company(lt_howl *h)
{
    for (size_t k = 0; k < h->bins; k++)
        h->company[k] = h->company[k] > 0 ? (uint8_t)(h->company[k] - 1) : 0;
}
