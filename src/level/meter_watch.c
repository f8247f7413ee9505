/* SPDX-License-Identifier: MIT
 * Level histories: sums of intervals, given out row by row as the recording goes by. */
#include "base/alloc.h"
#include "level/meter.h"

#include <math.h>
#include <string.h>

static const double shortest_s = 0.02, longest_s = 86400.0;

static void start_row(ltp_watcher *w, uint64_t frame)
{
    w->start = frame;
    w->frames = 0;
    w->a_energy = w->c_energy = w->sum = w->energy = w->fast_max = w->c_peak = 0.0;
    w->fast_min = INFINITY;
    w->hops = 0;
    memset(w->band_sum, 0, sizeof w->band_sum);
}

void ltp_watchers_reset(lt_level_meter *m)
{
    for (size_t i = 0; i < m->watcher_count; i++) {
        m->watchers[i].rows = 0;
        start_row(&m->watchers[i], 0);
    }
}

lt_status lt_level_meter_watch(lt_level_meter *m, double interval_s, bool bands, lt_level_watch watch, void *context,
                               lt_error *err)
{
    if (!(interval_s >= shortest_s && interval_s <= longest_s))
        return ltp_fail(err, LT_E_ARG, "interval %g s: must be %g to %g s", interval_s, shortest_s, longest_s);
    if (m->watcher_count == LTP_WATCHERS || m->started || m->held > 0)
        return ltp_fail(err, LT_E_STATE, "a level history must be asked for before the first sample, at most %d",
                        (int)LTP_WATCHERS);
    ltp_watcher *w = &m->watchers[m->watcher_count++];
    *w = (ltp_watcher){.interval_s = interval_s, .watch = watch, .context = context, .bands = bands};
    start_row(w, 0);
    return LT_OK;
}

static double level_db(const lt_level_meter *m, double mean_square)
{
    return lt_dbfs_from_mean_square(mean_square) + m->cal_db;
}

static void give_row(const lt_level_meter *m, ltp_watcher *w)
{
    lt_band bands[LTP_METER_BANDS];
    double leq_db[LTP_METER_BANDS];
    const double frames = (double)w->frames;
    const double mean = w->sum / frames;
    lt_level_row row = {.start_s = (double)w->start / m->rate_hz,
                        .seconds = frames / m->rate_hz,
                        .laeq_db = level_db(m, w->a_energy / frames),
                        .lceq_db = level_db(m, w->c_energy / frames),
                        .lzeq_db = level_db(m, fmax(0.0, w->energy / frames - mean * mean)),
                        .lafmax_db = level_db(m, w->fast_max),
                        .lafmin_db = level_db(m, w->fast_min),
                        .lcpeak_db = level_db(m, w->c_peak)};
    if (w->bands) {
        for (size_t i = 0; i < m->third_count; i++) {
            bands[i] = lt_bank_band(m->bank, i);
            leq_db[i] = w->hops == 0 ? (double)NAN : level_db(m, w->band_sum[i] / (double)w->hops);
        }
        row.bands = bands;
        row.band_leq_db = leq_db;
        row.band_count = m->third_count;
    }
    w->watch(w->context, &row);
    w->rows++;
}

/* The interval ends with this hop if its true end is nearer to the end of this one than to that of the next. */
static bool is_full(const lt_level_meter *m, const ltp_watcher *w)
{
    const double now = (double)m->frames + 0.5 * (double)m->hop;
    return now >= (double)(w->rows + 1) * w->interval_s * m->rate_hz;
}

void ltp_watchers_hop(lt_level_meter *m, const ltp_hop_sums *h)
{
    for (size_t k = 0; k < m->watcher_count; k++) {
        ltp_watcher *w = &m->watchers[k];
        w->frames += h->frames;
        w->a_energy += h->a_energy;
        w->c_energy += h->c_energy;
        w->sum += h->sum;
        w->energy += h->energy;
        w->fast_max = fmax(w->fast_max, h->fast_max);
        w->fast_min = fmin(w->fast_min, h->fast_min);
        w->c_peak = fmax(w->c_peak, h->c_peak);
        if (h->bands && w->bands) {
            for (size_t i = 0; i < m->third_count; i++)
                w->band_sum[i] += m->mean_square[i];
            w->hops++;
        }
        if (is_full(m, w)) {
            give_row(m, w);
            start_row(w, m->frames);
        }
    }
}

void ltp_watchers_end(lt_level_meter *m)
{
    for (size_t k = 0; k < m->watcher_count; k++)
        if (m->watchers[k].frames > 0) {
            give_row(m, &m->watchers[k]);
            start_row(&m->watchers[k], m->frames);
        }
}
