/* SPDX-License-Identifier: MIT
 * Histogram of levels in constant memory: 0.05 dB from -200 to +200 dB. */
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <math.h>
#include <string.h>

enum { BINS = 8000 };
static const double lowest_db = -200.0;
static const double bins_per_db = 20.0;

struct lt_histogram {
    uint64_t count;
    uint64_t below, above; /* outside the bins; silence is below */
    uint64_t bins[BINS];
};

lt_status lt_histogram_create(lt_histogram **out, lt_error *err)
{
    *out = ltp_alloc(1, sizeof **out);
    return *out == NULL ? ltp_fail_nomem(err, "a level histogram") : LT_OK;
}

void lt_histogram_free(lt_histogram *h)
{
    ltp_free(h);
}

void lt_histogram_reset(lt_histogram *h)
{
    memset(h, 0, sizeof *h);
}

void lt_histogram_add(lt_histogram *h, double level_db)
{
    if (isnan(level_db))
        return;
    const double position = (level_db - lowest_db) * bins_per_db;
    h->count++;
    if (position < 0.0)
        h->below++;
    else if (position >= (double)BINS)
        h->above++;
    else
        h->bins[(size_t)position]++;
}

uint64_t lt_histogram_count(const lt_histogram *h)
{
    return h->count;
}

double lt_histogram_exceeded(const lt_histogram *h, double percent)
{
    if (h->count == 0 || !(percent >= 0.0 && percent <= 100.0))
        return NAN;
    const double wanted = (double)h->count * (percent / 100.0);
    double passed = (double)h->above;
    if (h->above > 0 && passed >= wanted)
        return lowest_db + BINS / bins_per_db;
    for (size_t i = BINS; i-- > 0;) {
        if (h->bins[i] == 0)
            continue;
        const double here = (double)h->bins[i];
        if (passed + here >= wanted)
            return lowest_db + ((double)(i + 1) - (wanted - passed) / here) / bins_per_db;
        passed += here;
    }
    return -INFINITY;
}

void lt_histogram_percentiles(const lt_histogram *h, double exceeded_db[LT_PERCENTILES])
{
    if (h->count == 0) {
        for (int p = 0; p < LT_PERCENTILES; p++)
            exceeded_db[p] = NAN;
        return;
    }
    double passed = (double)h->above;
    int p = 0;
    for (; p < LT_PERCENTILES && h->above > 0 && passed >= (double)h->count * ((p + 1) / 100.0); p++)
        exceeded_db[p] = lowest_db + BINS / bins_per_db;
    for (size_t i = BINS; i-- > 0 && p < LT_PERCENTILES;) {
        const double here = (double)h->bins[i];
        for (; p < LT_PERCENTILES && here > 0.0; p++) {
            const double wanted = (double)h->count * ((p + 1) / 100.0);
            if (passed + here < wanted)
                break;
            exceeded_db[p] = lowest_db + ((double)(i + 1) - (wanted - passed) / here) / bins_per_db;
        }
        passed += here;
    }
    for (; p < LT_PERCENTILES; p++)
        exceeded_db[p] = -INFINITY;
}

double lt_histogram_share_above(const lt_histogram *h, double level_db)
{
    if (h->count == 0 || isnan(level_db))
        return NAN;
    const double position = (level_db - lowest_db) * bins_per_db;
    double above = (double)h->above;
    for (size_t i = BINS; i-- > 0;) {
        const double part = fmin(1.0, (double)(i + 1) - position); /* of the bin that lies above the level */
        if (part <= 0.0)
            break;
        above += part * (double)h->bins[i];
    }
    return above / (double)h->count;
}
