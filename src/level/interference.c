/* SPDX-License-Identifier: MIT
 * Interference beside the levels: the detectors of faults that come in over wires and air, together, on a recording or
 * on the parts of it that the screen named. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

struct lt_interference {
    ltp_mains *mains; /* each NULL: not looked for */
    ltp_whine *whine;
    ltp_burst *burst;
    ltp_wind *wind;
    uint64_t frames;
    double rate_hz, cal_db;
};

void lt_interference_free(lt_interference *s)
{
    if (s == NULL)
        return;
    ltp_mains_free(s->mains);
    ltp_whine_free(s->whine);
    ltp_burst_free(s->burst);
    ltp_wind_free(s->wind);
    ltp_free(s);
}

lt_status lt_interference_create(double rate_hz, double cal_db, unsigned seek, lt_interference **out, lt_error *err)
{
    *out = NULL;
    lt_status st = ltp_faults_check_rate(rate_hz, err);
    if (st != LT_OK)
        return st;
    lt_interference *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the search for interference");
    s->rate_hz = rate_hz;
    s->cal_db = cal_db;
    if ((seek & LT_SEEK_HUM) != 0)
        st = ltp_mains_create(rate_hz, &s->mains, err);
    if (st == LT_OK && (seek & LT_SEEK_WHINE) != 0)
        st = ltp_whine_create(rate_hz, &s->whine, err);
    if (st == LT_OK && (seek & LT_SEEK_BURST) != 0)
        st = ltp_burst_create(rate_hz, &s->burst, err);
    if (st == LT_OK && (seek & LT_SEEK_WIND) != 0)
        st = ltp_wind_create(rate_hz, &s->wind, err);
    if (st != LT_OK) {
        lt_interference_free(s);
        return st;
    }
    *out = s;
    return LT_OK;
}

void lt_interference_push(lt_interference *s, const double *x, size_t count)
{
    if (s->mains != NULL)
        ltp_mains_push(s->mains, x, count);
    if (s->whine != NULL)
        ltp_whine_push(s->whine, x, count);
    if (s->burst != NULL)
        ltp_burst_push(s->burst, x, count);
    if (s->wind != NULL)
        ltp_wind_push(s->wind, x, count);
    s->frames += count;
}

static const double wind_least_s = 0.5, wind_least_part = 0.005;
static const lt_interference_result nothing = {.mains_exact_hz = (double)NAN,
                                               .hum_from_s = (double)NAN,
                                               .burst_from_s = (double)NAN,
                                               .burst_db = -(double)INFINITY,
                                               .wind_from_s = (double)NAN,
                                               .wind_below_hz = (double)NAN};

/* Half a second at least, as a fault; in a long recording gusts of less than a two-hundredth of it move no level, and a
 * few frames of traffic may look like them. */
static void set_wind(lt_interference_result *out, const lt_screened *wind, double seconds)
{
    if (!lt_is_known(wind->wind_from_s) || wind->wind_s < fmax(wind_least_s, wind_least_part * seconds))
        return;
    out->wind_percent = fmin(100.0, 100.0 * wind->wind_s / seconds);
    out->wind_from_s = wind->wind_from_s;
    out->wind_below_hz = wind->wind_below_hz;
}

lt_status lt_interference_finish(lt_interference *s, double mains_hz, double burst_s, lt_interference_result *out,
                                 lt_error *err)
{
    *out = nothing;
    out->mains_exact_hz = mains_hz;
    if (s->mains != NULL) {
        ltp_mains_result mains;
        const lt_status st = ltp_mains_result_of(s->mains, &mains, err);
        if (st != LT_OK)
            return st;
        out->mains_exact_hz = mains.exact_hz;
        out->hum_from_s = mains.from_s;
    }
    if (s->burst != NULL) {
        ltp_burst_result burst;
        ltp_burst_result_of(s->burst, &burst);
        out->burst_s = burst_s = burst.seconds;
        out->burst_from_s = burst.from_s;
        out->burst_db = burst.level_dbfs + s->cal_db;
    }
    if (s->whine != NULL)
        out->whine_count = ltp_whine_list(s->whine, out->mains_exact_hz, burst_s, out->whines);
    for (size_t i = 0; i < out->whine_count; i++)
        out->whines[i].level_db += s->cal_db;
    if (s->wind != NULL) {
        ltp_wind_result wind;
        ltp_wind_result_of(s->wind, &wind);
        const lt_screened blown = {.wind_s = wind.seconds, .wind_from_s = wind.from_s, .wind_below_hz = wind.below_hz};
        set_wind(out, &blown, (double)s->frames / s->rate_hz);
    }
    return LT_OK;
}

/* ---- in parts ---- */

static const double same_whine = 0.002; /* of the frequency: supplies drift a little as they warm up */

lt_interference_result lt_interference_screened(const lt_screened *s, double seconds)
{
    lt_interference_result r = nothing;
    set_wind(&r, s, seconds);
    return r;
}

static void add_whine(lt_interference_result *all, lt_whine w)
{
    for (size_t i = 0; i < all->whine_count; i++) {
        const lt_whine old = all->whines[i];
        if (fabs(old.hz - w.hz) > same_whine * w.hz)
            continue;
        const bool longer = old.to_s - old.from_s > w.to_s - w.from_s;
        w = (lt_whine){.hz = longer ? old.hz : w.hz,
                       .level_db = longer ? old.level_db : w.level_db,
                       .from_s = fmin(old.from_s, w.from_s),
                       .to_s = fmax(old.to_s, w.to_s)};
        all->whine_count--;
        memmove(all->whines + i, all->whines + i + 1, (all->whine_count - i) * sizeof *all->whines);
        break;
    }
    ltp_whine_insert(all->whines, &all->whine_count, &w);
}

static double power_time(double level_db, double seconds)
{
    return seconds > 0.0 ? seconds * lt_power_from_db(level_db) : 0.0;
}

static void add_burst(lt_interference_result *all, const lt_interference_result *part, double from_s)
{
    const double power = power_time(all->burst_db, all->burst_s) + power_time(part->burst_db, part->burst_s);
    if (!lt_is_known(part->burst_from_s))
        return;
    if (!lt_is_known(all->burst_from_s) || part->burst_from_s + from_s < all->burst_from_s)
        all->burst_from_s = part->burst_from_s + from_s;
    all->burst_s += part->burst_s;
    all->burst_db = all->burst_s > 0.0 ? lt_db_from_power(power / all->burst_s) : part->burst_db;
}

void lt_interference_add(lt_interference_result *all, const lt_interference_result *part, double from_s)
{
    add_burst(all, part, from_s);
    for (size_t i = 0; i < part->whine_count; i++) {
        lt_whine w = part->whines[i];
        w.from_s += from_s;
        w.to_s += from_s;
        if (!ltp_burst_has_line(w.hz, w.to_s - w.from_s, all->burst_s))
            add_whine(all, w);
    }
}
