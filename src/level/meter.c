/* SPDX-License-Identifier: MIT
 * The level meter: weightings, Fast, bands, percentiles, history, hum. Full scale = 1.0 in, dBFS + cal_db out.
 *
 * Work goes hop by hop (about 10 ms), so the block sizes of the caller change nothing. Before the first hop the first
 * half second is played backwards through all filters (its mirror image in time): they are then settled when the
 * recording begins, and neither an offset nor strong low frequencies there cause a click that no microphone heard. */
#include "base/alloc.h"
#include "level/hum.h"
#include "level/lead.h"
#include "level/line_spectrum.h"
#include "level/weighting.h"
#include <lanetune/level.h>

#include <math.h>
#include <string.h>

enum { SUBSTEPS = 8 }; /* of a hop, for the A-weighted Fast level: 1.25 ms */
static const double fast_s = 0.125;
static const double lead_s = 0.5;         /* made up before the start */
static const double settle_a_s = 0.05;    /* until the filters answer in the lead */
static const double history_step_s = 0.1; /* the finest */
static const double short_s = 10.0;
static const double silent_dbfs = -100.0;
static const double offset_part = 0.01; /* of full scale */

typedef struct {
    double power; /* mean square, Fast */
    bool seeded;
    double sum;    /* of the mean squares of the hops */
    size_t settle; /* hops until the filter answers */
    lt_histogram *fast;
} band_state;

typedef struct {
    double gain;      /* 1 - exp(-1 / (rate fast_s)) */
    double power;     /* starts from the lead: for percentiles */
    double from_zero; /* starts from zero, as a meter that is switched on: for the maximum */
    double max;
    bool seeded;
    lt_histogram *levels;
} fast_state;

typedef struct {
    size_t hops; /* of one interval */
    size_t filled;
    double sum;
    size_t count;
    double energy[LT_HISTORY_MAX];
} history_state;

struct lt_level_meter {
    double rate_hz, cal_db;
    size_t hop, lead_hops;
    bool started;
    size_t held;  /* frames in `hold` */
    double *hold; /* [(lead_hops + 1) hop]; one hop once started */
    double *lead; /* [lead_hops hop] */
    ltp_lead *maker;
    double *a, *c, *scratch; /* [hop], scratch some more */
    size_t hops;             /* seen, the lead included */
    size_t counted_hops;     /* in the sums of the bands */

    lt_bank *bank;
    double band_gain; /* 1 - exp(-hop time / fast_s) */
    size_t band_count;
    band_state bands[LT_LEVEL_BANDS_MAX];
    double mean_square[LT_LEVEL_BANDS_MAX];

    ltp_weighting weighting;
    fast_state fast;
    double a_energy, c_energy;

    history_state history;
    ltp_line_spectrum *lines;
    lt_clip_meter clip;
    uint64_t frames;
    double sum, energy, peak; /* unweighted */
};

/* ---- creation ---- */

static lt_status allocate(lt_level_meter *m, lt_error *err)
{
    m->hold = ltp_alloc((m->lead_hops + 1) * m->hop, sizeof *m->hold);
    m->lead = ltp_alloc(m->lead_hops * m->hop, sizeof *m->lead);
    m->a = ltp_alloc(m->hop, sizeof *m->a);
    m->c = ltp_alloc(m->hop, sizeof *m->c);
    m->scratch = ltp_alloc(m->hop + LTP_WEIGHTING_TAPS, sizeof *m->scratch);
    if (m->hold == NULL || m->lead == NULL || m->a == NULL || m->c == NULL || m->scratch == NULL)
        return ltp_fail_nomem(err, "a level meter");
    lt_status status = lt_histogram_create(&m->fast.levels, err);
    for (size_t i = 0; i < m->band_count && status == LT_OK; i++)
        status = lt_histogram_create(&m->bands[i].fast, err);
    if (status == LT_OK)
        status = ltp_lead_create((m->lead_hops + 1) * m->hop, m->rate_hz, &m->maker, err);
    if (status == LT_OK)
        status = ltp_line_spectrum_create(m->rate_hz, &m->lines, err);
    return status;
}

lt_status lt_level_meter_create(double rate_hz, double cal_db, lt_level_meter **out, lt_error *err)
{
    *out = NULL;
    if (!isfinite(cal_db))
        return ltp_fail(err, LT_E_ARG, "calibration: must be a finite number of dB");
    lt_level_meter *m = ltp_alloc(1, sizeof *m);
    if (m == NULL)
        return ltp_fail_nomem(err, "a level meter");
    m->rate_hz = rate_hz;
    m->cal_db = cal_db;
    lt_status status = lt_bank_create(rate_hz, LT_THIRD_50_HZ, LT_THIRD_16_KHZ, &m->bank, err);
    if (status != LT_OK)
        goto done;
    m->hop = lt_bank_hop_frames(m->bank);
    const double hop_s = (double)m->hop / rate_hz;
    m->lead_hops = (size_t)ceil(lead_s / hop_s);
    m->band_count = lt_bank_band_count(m->bank);
    m->band_gain = -expm1(-hop_s / fast_s);
    for (size_t i = 0; i < m->band_count; i++)
        m->bands[i].settle = (size_t)ceil(2.0 * lt_bank_delay_s(m->bank, i) / hop_s);
    m->fast.gain = -expm1(-1.0 / (rate_hz * fast_s));
    ltp_weighting_design(&m->weighting, rate_hz);
    status = allocate(m, err);
    if (status != LT_OK)
        goto done;
    lt_level_meter_reset(m);
    *out = m;
    m = NULL;
done:
    lt_level_meter_free(m);
    return status;
}

void lt_level_meter_free(lt_level_meter *m)
{
    if (m == NULL)
        return;
    for (size_t i = 0; i < m->band_count; i++)
        lt_histogram_free(m->bands[i].fast);
    lt_histogram_free(m->fast.levels);
    ltp_line_spectrum_free(m->lines);
    ltp_lead_free(m->maker);
    lt_bank_free(m->bank);
    double *const arrays[] = {m->hold, m->lead, m->a, m->c, m->scratch};
    for (size_t i = 0; i < LTP_COUNT(arrays); i++)
        ltp_free(arrays[i]);
    ltp_free(m);
}

void lt_level_meter_reset(lt_level_meter *m)
{
    lt_bank_reset(m->bank);
    ltp_weighting_reset(&m->weighting);
    ltp_line_spectrum_reset(m->lines);
    for (size_t i = 0; i < m->band_count; i++) {
        band_state *b = &m->bands[i];
        lt_histogram_reset(b->fast);
        *b = (band_state){.settle = b->settle, .fast = b->fast};
    }
    lt_histogram_reset(m->fast.levels);
    m->fast = (fast_state){.gain = m->fast.gain, .levels = m->fast.levels};
    const double hop_s = (double)m->hop / m->rate_hz;
    memset(&m->history, 0, sizeof m->history);
    m->history.hops = (size_t)fmax(1.0, round(history_step_s / hop_s));
    m->clip = (lt_clip_meter){0};
    m->started = false;
    m->held = m->hops = m->counted_hops = 0;
    m->frames = 0;
    m->a_energy = m->c_energy = m->sum = m->energy = m->peak = 0.0;
}

/* ---- one hop ---- */

static double square_sum(const double *x, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += x[i] * x[i];
    return sum;
}

/* Fast level of the A-weighted signal; percentiles see it every SUBSTEPS-th part of a hop. */
static void run_fast(fast_state *f, const double *a, size_t count, size_t step)
{
    const double gain = f->gain;
    double power = f->power;
    double from_zero = f->from_zero;
    double max = f->max;
    for (size_t at = 0; at < count; at += step) {
        const size_t end = at + step < count ? at + step : count;
        for (size_t i = at; i < end; i++) {
            const double square = a[i] * a[i];
            power += gain * (square - power);
            from_zero += gain * (square - from_zero);
            max = from_zero > max ? from_zero : max;
        }
        if (end == at + step || lt_histogram_count(f->levels) == 0)
            lt_histogram_add(f->levels, lt_dbfs_from_mean_square(power));
    }
    f->power = power > 1e-60 ? power : 0.0; /* no denormal numbers */
    f->from_zero = from_zero > 1e-60 ? from_zero : 0.0;
    f->max = max;
}

static void merge_pairs(history_state *h)
{
    for (size_t i = 0; i < LT_HISTORY_MAX / 2; i++)
        h->energy[i] = h->energy[2 * i] + h->energy[2 * i + 1];
    h->count = LT_HISTORY_MAX / 2;
    h->hops *= 2;
}

static void add_history(history_state *h, double energy)
{
    h->sum += energy;
    if (++h->filled < h->hops)
        return;
    if (h->count == LT_HISTORY_MAX) {
        merge_pairs(h); /* the interval just filled is now the first half of one twice as long */
        return;
    }
    h->energy[h->count++] = h->sum;
    h->sum = 0.0;
    h->filled = 0;
}

static void update_band(lt_level_meter *m, band_state *b, double mean_square)
{
    if (m->hops < b->settle)
        return;
    if (!b->seeded)
        b->power = mean_square;
    b->seeded = true;
    b->power += m->band_gain * (mean_square - b->power);
}

/* A hop of the lead: filters and detectors run, nothing is counted. */
static void run_lead_hop(lt_level_meter *m, const double *x)
{
    lt_bank_hop(m->bank, x, m->mean_square);
    for (size_t i = 0; i < m->band_count; i++)
        update_band(m, &m->bands[i], m->mean_square[i]);
    ltp_weighting_run(&m->weighting, x, m->hop, m->scratch, m->a, m->c);
    fast_state *f = &m->fast;
    if ((double)(m->hops * m->hop) >= settle_a_s * m->rate_hz) {
        if (!f->seeded)
            f->power = square_sum(m->a, m->hop) / (double)m->hop;
        f->seeded = true;
        for (size_t i = 0; i < m->hop; i++)
            f->power += f->gain * (m->a[i] * m->a[i] - f->power);
    }
    m->hops++;
}

static void add_raw(lt_level_meter *m, const double *x, size_t count)
{
    double sum = 0.0;
    double peak = m->peak;
    for (size_t i = 0; i < count; i++) {
        sum += x[i];
        const double size = fabs(x[i]);
        peak = size > peak ? size : peak;
    }
    m->sum += sum;
    m->energy += square_sum(x, count);
    m->peak = peak;
    m->frames += count;
    lt_clip_push(&m->clip, x, count);
    ltp_line_spectrum_push(m->lines, x, count);
}

static void run_bands(lt_level_meter *m, const double *x)
{
    lt_bank_hop(m->bank, x, m->mean_square);
    for (size_t i = 0; i < m->band_count; i++) {
        band_state *b = &m->bands[i];
        b->sum += m->mean_square[i];
        update_band(m, b, m->mean_square[i]);
        if (b->seeded)
            lt_histogram_add(b->fast, lt_dbfs_from_mean_square(b->power));
    }
    m->counted_hops++;
}

static void run_weighted(lt_level_meter *m, const double *x, size_t count)
{
    ltp_weighting_run(&m->weighting, x, count, m->scratch, m->a, m->c);
    const double a_energy = square_sum(m->a, count);
    m->a_energy += a_energy;
    m->c_energy += square_sum(m->c, count);
    if (!m->fast.seeded)
        m->fast.power = a_energy / (double)count;
    m->fast.seeded = true;
    run_fast(&m->fast, m->a, count, m->hop / SUBSTEPS);
    if (count == m->hop)
        add_history(&m->history, a_energy);
}

static void run_hop(lt_level_meter *m, const double *x)
{
    add_raw(m, x, m->hop);
    run_bands(m, x);
    run_weighted(m, x, m->hop);
    m->hops++;
}

/* ---- stream ---- */

/* hold[held] is the beginning of the recording: its lead first, then itself. Leaves less than a hop in hold. */
static void start(lt_level_meter *m)
{
    const size_t hops = m->held == 0 ? 0 : (m->held - 1) / m->hop;
    ltp_lead_make(m->maker, m->hold, m->held, m->lead, hops * m->hop);
    for (size_t h = 0; h < hops; h++)
        run_lead_hop(m, m->lead + h * m->hop);
    size_t at = 0;
    for (; at + m->hop <= m->held; at += m->hop)
        run_hop(m, m->hold + at);
    memmove(m->hold, m->hold + at, (m->held - at) * sizeof *m->hold);
    m->held -= at;
    m->started = true;
}

void lt_level_meter_push(lt_level_meter *m, const double *x, size_t count)
{
    while (count > 0) {
        if (m->started && m->held == 0 && count >= m->hop) {
            run_hop(m, x); /* no copy */
            x += m->hop;
            count -= m->hop;
            continue;
        }
        const size_t wanted = m->started ? m->hop : (m->lead_hops + 1) * m->hop;
        const size_t part = count < wanted - m->held ? count : wanted - m->held;
        memcpy(m->hold + m->held, x, part * sizeof *x);
        m->held += part;
        x += part;
        count -= part;
        if (m->held < wanted)
            continue;
        if (!m->started) {
            start(m);
        } else {
            run_hop(m, m->hold);
            m->held = 0;
        }
    }
}

/* ---- results ---- */

static double level_db(const lt_level_meter *m, double mean_square)
{
    return lt_dbfs_from_mean_square(mean_square) + m->cal_db;
}

static void set_bands(lt_level_meter *m, lt_levels *out)
{
    out->band_count = m->band_count;
    for (size_t i = 0; i < m->band_count; i++) {
        band_state *b = &m->bands[i];
        const double mean_square = b->sum / (double)m->counted_hops;
        if (lt_histogram_count(b->fast) == 0) /* so short that the filter never settled: one level is all there is */
            lt_histogram_add(b->fast, lt_dbfs_from_mean_square(mean_square));
        out->bands[i] = (lt_level_band){.band = lt_bank_band(m->bank, i),
                                        .leq_db = level_db(m, mean_square),
                                        .l10_db = lt_histogram_exceeded(b->fast, 10.0) + m->cal_db,
                                        .l50_db = lt_histogram_exceeded(b->fast, 50.0) + m->cal_db,
                                        .l90_db = lt_histogram_exceeded(b->fast, 90.0) + m->cal_db};
    }
}

static void set_history(const lt_level_meter *m, lt_levels *out)
{
    const history_state *h = &m->history;
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
    const double mean = m->sum / (double)m->frames;
    const double deviation = fmax(0.0, m->energy / (double)m->frames - mean * mean);
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

/* The rest of less than a hop. The bands leave it out, unless it is all there is: then they hear it and silence. */
static void run_rest(lt_level_meter *m)
{
    const size_t rest = m->held;
    if (rest == 0)
        return;
    add_raw(m, m->hold, rest);
    run_weighted(m, m->hold, rest);
    if (m->counted_hops == 0) {
        memset(m->hold + rest, 0, (m->hop - rest) * sizeof *m->hold);
        run_bands(m, m->hold);
        for (size_t i = 0; i < m->band_count; i++)
            m->bands[i].sum *= (double)m->hop / (double)rest;
    }
    m->held = 0;
}

lt_status lt_level_meter_finish(lt_level_meter *m, lt_levels *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    if (!m->started)
        start(m);
    run_rest(m);
    if (m->frames == 0)
        return ltp_fail(err, LT_E_ARG, "the recording is empty: no levels");
    if (!isfinite(m->energy))
        return ltp_fail(err, LT_E_ARG, "the recording holds samples that are no finite number");
    const double frames = (double)m->frames;
    out->seconds = frames / m->rate_hz;
    out->laeq_db = level_db(m, m->a_energy / frames);
    out->lceq_db = level_db(m, m->c_energy / frames);
    out->lafmax_db = level_db(m, m->fast.max);
    out->la10_db = lt_histogram_exceeded(m->fast.levels, 10.0) + m->cal_db;
    out->la50_db = lt_histogram_exceeded(m->fast.levels, 50.0) + m->cal_db;
    out->la90_db = lt_histogram_exceeded(m->fast.levels, 90.0) + m->cal_db;
    out->peak_dbfs = lt_db_from_amplitude(m->peak);
    set_bands(m, out);
    set_history(m, out);
    add_notes(m, out);
    return set_hum(m, out, err);
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
