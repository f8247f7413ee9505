/* SPDX-License-Identifier: MIT
 * What the level meter says at the end: dBFS + cal_db. */
#include "base/alloc.h"
#include "level/hum.h"
#include "level/meter.h"

#include <math.h>
#include <string.h>

static const double short_s = 10.0;
static const double silent_dbfs = -100.0;
static const double offset_part = 0.01; /* of full scale */

static double level_db(const lt_level_meter *m, double mean_square)
{
    return lt_dbfs_from_mean_square(mean_square) + m->cal_db;
}

static void set_band(const lt_level_meter *m, size_t i, lt_level_band *out)
{
    lt_histogram *fast = m->bands.fast[i];
    const double mean_square = ltp_sum_value(&m->bands.sum[i]) / (double)m->counted_hops;
    const bool settled = lt_histogram_count(fast) > 0;
    if (!settled) /* so short that the filter never answered: one level is all there is */
        lt_histogram_add(fast, lt_dbfs_from_mean_square(mean_square));
    out->band = lt_bank_band(m->bank, i);
    out->leq_db = level_db(m, mean_square);
    out->max_db = level_db(m, settled ? m->bands.max[i] : mean_square);
    lt_histogram_percentiles(fast, out->exceeded_db);
    for (size_t p = 0; p < LT_PERCENTILES; p++)
        out->exceeded_db[p] += m->cal_db;
    out->l10_db = out->exceeded_db[10 - 1];
    out->l50_db = out->exceeded_db[50 - 1];
    out->l90_db = out->exceeded_db[90 - 1];
}

static void set_bands(const lt_level_meter *m, lt_levels *out)
{
    out->low_band_count = m->low_count;
    out->band_count = m->third_count - m->low_count;
    out->octave_count = m->band_count - m->third_count;
    for (size_t i = 0; i < m->low_count; i++)
        set_band(m, i, &out->low_bands[i]);
    for (size_t i = 0; i < out->band_count; i++)
        set_band(m, m->low_count + i, &out->bands[i]);
    for (size_t i = 0; i < out->octave_count; i++)
        set_band(m, m->third_count + i, &out->octaves[i]);
}

static void set_weighted(const lt_level_meter *m, lt_levels *out)
{
    const double frames = (double)m->frames;
    const double mean = ltp_sum_value(&m->sum) / frames;
    out->laeq_db = level_db(m, ltp_sum_value(&m->a_energy) / frames);
    out->lceq_db = level_db(m, ltp_sum_value(&m->c_energy) / frames);
    out->lzeq_db = level_db(m, fmax(0.0, ltp_sum_value(&m->energy) / frames - mean * mean));
    out->lae_db = out->laeq_db + lt_db_from_power(out->seconds);
    out->lafmax_db = level_db(m, m->fast.max);
    out->lafmin_db = level_db(m, isfinite(m->fast_min) ? m->fast_min : m->fast.power);
    out->lasmax_db = level_db(m, m->slow.max);
    out->lcfmax_db = level_db(m, m->fast_c.max);
    out->lcpeak_db = level_db(m, m->c_peak);
    lt_histogram_percentiles(m->fast_levels, out->la_exceeded_db);
    for (size_t p = 0; p < LT_PERCENTILES; p++)
        out->la_exceeded_db[p] += m->cal_db;
    out->la10_db = out->la_exceeded_db[10 - 1];
    out->la50_db = out->la_exceeded_db[50 - 1];
    out->la90_db = out->la_exceeded_db[90 - 1];
}

static void set_history(const lt_level_meter *m, lt_levels *out)
{
    const ltp_meter_history *h = &m->history;
    const double frames = (double)(h->hops * m->hop);
    out->history_count = h->count;
    out->history_step_s = frames / m->rate_hz;
    for (size_t i = 0; i < h->count; i++)
        out->history_dba[i] = level_db(m, h->energy[i] / frames);
    if (h->count == 0) { /* shorter than one interval */
        out->history_count = 1;
        out->history_step_s = out->seconds;
        out->history_dba[0] = out->laeq_db;
    }
}

static lt_status set_hum(lt_level_meter *m, lt_levels *out, lt_error *err)
{
    ltp_line_view view;
    ltp_hum hum;
    const lt_status status = ltp_line_spectrum_finish(m->lines, &view, err);
    if (status != LT_OK)
        return status;
    ltp_hum_find(&view, &hum);
    if (hum.line_count == 0)
        return LT_OK;
    double levels_db[LT_HUM_LINES_MAX];
    out->hum = true;
    out->mains_hz = hum.mains_hz;
    out->line_count = hum.line_count;
    for (size_t i = 0; i < hum.line_count; i++) {
        levels_db[i] = hum.lines[i].level_db + m->cal_db;
        out->lines[i] = (lt_hum_line){hum.lines[i].hz, levels_db[i]};
    }
    out->hum_level_db = lt_db_sum(levels_db, hum.line_count);
    return LT_OK;
}

static void add_notes(const lt_level_meter *m, lt_levels *out)
{
    const double mean = ltp_sum_value(&m->sum) / (double)m->frames;
    const double deviation = fmax(0.0, ltp_sum_value(&m->energy) / (double)m->frames - mean * mean);
    const size_t clipped = lt_clip_count(&m->clip);
    if (clipped > 0)
        lt_notes_add(
            &out->notes, "clipping",
            "The recording is clipped (%zu samples): its levels are too low; repeat it with less recording gain.",
            clipped);
    if (out->seconds < short_s)
        lt_notes_add(
            &out->notes, "short",
            "Only %.1f s were recorded: the percentiles are uncertain; record at least %.0f s, better minutes.",
            out->seconds, short_s);
    if (lt_dbfs_from_mean_square(deviation) < silent_dbfs)
        lt_notes_add(
            &out->notes, "silent",
            "The recording is silent (below %.0f dBFS): check the microphone, its cable and the recording level.",
            silent_dbfs);
    if (fabs(mean) > offset_part)
        lt_notes_add(
            &out->notes, "dc-offset",
            "The recording has a constant offset of %.1f %% of full scale: the sound card or the cable is faulty; "
            "the levels leave it out.",
            100.0 * mean);
}

lt_status lt_level_meter_finish(lt_level_meter *m, lt_levels *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    ltp_meter_drain(m);
    ltp_watchers_end(m);
    if (m->frames == 0)
        return ltp_fail(err, LT_E_ARG, "the recording is empty: no levels");
    if (!isfinite(ltp_sum_value(&m->energy)))
        return ltp_fail(err, LT_E_ARG, "the recording holds samples that are no finite number");
    out->seconds = (double)m->frames / m->rate_hz;
    out->peak_dbfs = lt_db_from_amplitude(fmax(m->clip.above.extreme, m->clip.below.extreme));
    set_weighted(m, out);
    set_bands(m, out);
    set_history(m, out);
    add_notes(m, out);
    return set_hum(m, out, err);
}

double lt_level_meter_share_above(const lt_level_meter *m, double level_db)
{
    return lt_histogram_share_above(m->fast_levels, level_db - m->cal_db);
}

lt_status lt_levels_measure(const lt_signal *s, double cal_db, lt_levels *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    lt_level_meter *m = NULL;
    lt_status status = lt_level_meter_create(s->rate_hz, cal_db, &m, err);
    if (status == LT_OK) {
        lt_level_meter_push(m, s->samples, s->count);
        status = lt_level_meter_finish(m, out, err);
    }
    lt_level_meter_free(m);
    return status;
}

const lt_level_band *lt_levels_band(const lt_levels *l, int index)
{
    for (size_t i = 0; i < l->band_count; i++)
        if (l->bands[i].band.index == index)
            return &l->bands[i];
    return NULL;
}
