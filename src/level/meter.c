/* SPDX-License-Identifier: MIT
 * The level meter as it runs: weightings, detectors, bands, percentiles, history. Full scale = 1.0 in.
 *
 * Work goes hop by hop (about 10 ms), so the block sizes of the caller change nothing. Before the first hop the first
 * half second is played backwards through all filters (its mirror image in time): they are then settled when the
 * recording begins, and neither an offset nor strong low frequencies there cause a click that no microphone heard. */
#include "level/meter.h"
#include "base/alloc.h"
#include "base/vector.h"
#include "dsp/bank.h"

#include <math.h>
#include <string.h>

static const double fast_s = 0.125, slow_s = 1.0;
static const double lead_s = 0.5;      /* made up before the start */
static const double settle_a_s = 0.05; /* until the filters answer in the lead */
/* From this rate on, lines of hum are looked for in what the bank has halved: it is there, and costs half. */
static const double half_rate_from_hz = 28000.0;
static const double settle_min_s = 0.5;   /* of the recording, until its minimum owes nothing to the lead */
static const double history_step_s = 0.1; /* the finest */
enum { OCTAVE_31_5_HZ = -5, OCTAVE_16_KHZ = 4 };

/* ---- creation ---- */

static lt_status allocate(lt_level_meter *m, lt_error *err)
{
    m->hold = ltp_alloc((m->lead_hops + 1) * m->hop, sizeof *m->hold);
    m->lead = ltp_alloc(m->lead_hops * m->hop, sizeof *m->lead);
    m->scratch = ltp_alloc(3 * m->hop + LTP_WEIGHTING_TAPS, sizeof *m->scratch);
    if (m->hold == NULL || m->lead == NULL || m->scratch == NULL)
        return ltp_fail_nomem(err, "a level meter");
    lt_status status = lt_histogram_create(&m->fast_levels, err);
    for (size_t i = 0; i < m->band_count && status == LT_OK; i++)
        status = lt_histogram_create(&m->bands.fast[i], err);
    if (status == LT_OK)
        status = ltp_lead_create((m->lead_hops + 1) * m->hop, m->rate_hz, &m->maker, err);
    if (status == LT_OK)
        status = ltp_line_spectrum_create(m->lines_at_half ? 0.5 * m->rate_hz : m->rate_hz, &m->lines, err);
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
    const lt_bank_bands wanted = {.first = LT_THIRD_50_HZ - LT_LEVEL_LOW_BANDS,
                                  .last = LT_THIRD_16_KHZ,
                                  .octaves = true,
                                  .octave_first = OCTAVE_31_5_HZ,
                                  .octave_last = OCTAVE_16_KHZ};
    lt_status status = lt_bank_create_bands(rate_hz, &wanted, &m->bank, err);
    if (status != LT_OK)
        goto done;
    m->hop = lt_bank_hop_frames(m->bank);
    const double hop_s = (double)m->hop / rate_hz;
    m->lead_hops = (size_t)ceil(lead_s / hop_s);
    m->band_count = lt_bank_band_count(m->bank);
    m->third_count = lt_bank_third_count(m->bank);
    m->low_count = LT_LEVEL_LOW_BANDS;
    m->band_gain = -expm1(-hop_s / fast_s);
    for (size_t i = 0; i < m->band_count; i++)
        m->bands.settle[i] = (size_t)ceil(2.0 * lt_bank_delay_s(m->bank, i) / hop_s);
    const double part_s = hop_s / LTP_PARTS;
    m->fast.gain = m->fast_c.gain = -expm1(-part_s / fast_s);
    m->slow.gain = -expm1(-part_s / slow_s);
    m->lines_at_half = ltp_bank_half(m->bank) != NULL && rate_hz >= half_rate_from_hz;
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
        lt_histogram_free(m->bands.fast[i]);
    lt_histogram_free(m->fast_levels);
    ltp_line_spectrum_free(m->lines);
    ltp_screen_free(m->screen);
    ltp_lead_free(m->maker);
    lt_bank_free(m->bank);
    double *const arrays[] = {m->hold, m->lead, m->scratch};
    for (size_t i = 0; i < LTP_COUNT(arrays); i++)
        ltp_free(arrays[i]);
    ltp_free(m);
}

static void reset_detector(ltp_detector *d)
{
    *d = (ltp_detector){.gain = d->gain};
}

lt_status lt_level_meter_screen(lt_level_meter *m, lt_error *err)
{
    if (m->started || m->held > 0 || m->screen != NULL)
        return ltp_fail(err, LT_E_STATE, "a level meter is asked once, before the first sample, to screen");
    return ltp_screen_create(m->rate_hz, m->lines_at_half, &m->screen, err);
}

void lt_level_meter_screened(const lt_level_meter *m, lt_screened *out)
{
    ltp_screen_result(m->screen, out);
}

void lt_level_meter_reset(lt_level_meter *m)
{
    ltp_screen_free(m->screen);
    m->screen = NULL;
    const ltp_sum zero = {0.0, 0.0};
    lt_bank_reset(m->bank);
    ltp_weighting_reset(&m->weighting);
    ltp_line_spectrum_reset(m->lines);
    for (size_t i = 0; i < m->band_count; i++) {
        lt_histogram_reset(m->bands.fast[i]);
        m->bands.power[i] = m->bands.max[i] = m->bands.gain[i] = 0.0;
        m->bands.sum[i] = zero;
    }
    lt_histogram_reset(m->fast_levels);
    reset_detector(&m->fast);
    reset_detector(&m->slow);
    reset_detector(&m->fast_c);
    m->fast_min = INFINITY;
    m->fast_seeded = m->fast_counted = false;
    m->fast_parts = 0;
    const double hop_s = (double)m->hop / m->rate_hz;
    memset(&m->history, 0, sizeof m->history);
    m->history.hops = (size_t)fmax(1.0, round(history_step_s / hop_s));
    ltp_watchers_reset(m);
    m->clip = (lt_clip_meter){0};
    m->started = false;
    m->held = m->hops = m->counted_hops = 0;
    m->frames = 0;
    m->a_energy = m->c_energy = m->sum = m->energy = zero;
    m->c_peak = 0.0;
}

/* ---- one hop ---- */

/* Both halves of a detector take in a part of mean square `square`. */
static void detect(ltp_detector *d, double square)
{
    d->power += d->gain * (square - d->power);
    d->from_zero += d->gain * (square - d->from_zero);
    d->max = d->from_zero > d->max ? d->from_zero : d->max;
}

/* No denormal numbers. */
static void settle_detector(ltp_detector *d)
{
    d->power = d->power > 1e-60 ? d->power : 0.0;
    d->from_zero = d->from_zero > 1e-60 ? d->from_zero : 0.0;
}

static void merge_pairs(ltp_meter_history *h)
{
    for (size_t i = 0; i < LT_HISTORY_MAX / 2; i++)
        h->energy[i] = h->energy[2 * i] + h->energy[2 * i + 1];
    h->count = LT_HISTORY_MAX / 2;
    h->hops *= 2;
}

static void add_history(ltp_meter_history *h, double energy)
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

/* The detectors of all bands take in a hop. One that has just begun to answer starts from what it hears. */
static void detect_bands(lt_level_meter *m)
{
    ltp_meter_bands *b = &m->bands;
    for (size_t i = 0; i < m->band_count; i++) {
        if (m->hops == b->settle[i] || (m->hops > b->settle[i] && !(b->gain[i] > 0.0))) {
            b->power[i] = m->mean_square[i];
            b->gain[i] = m->band_gain;
        }
        b->power[i] += b->gain[i] * (m->mean_square[i] - b->power[i]);
    }
}

static double a_energy_of(const ltp_weighted *parts, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += parts[i].energy[0];
    return sum;
}

/* A hop of the lead: filters and detectors run, nothing is counted. */
static void run_lead_hop(lt_level_meter *m, const double *x)
{
    const size_t part = m->hop / LTP_PARTS;
    lt_bank_hop(m->bank, x, m->mean_square);
    detect_bands(m);
    ltp_weighting_run(&m->weighting, x, m->hop, part, m->scratch, m->parts);
    if ((double)(m->hops * m->hop) >= settle_a_s * m->rate_hz) {
        if (!m->fast_seeded)
            m->fast.power = a_energy_of(m->parts, LTP_PARTS) / (double)m->hop;
        m->fast_seeded = true;
        for (size_t i = 0; i < LTP_PARTS; i++)
            m->fast.power += m->fast.gain * (m->parts[i].energy[0] / (double)part - m->fast.power);
    }
    m->hops++;
}

/* Sums in four lanes; `count` need not be a multiple of four. */
LTP_WIDE static void sum_raw(const double *x, size_t count, double *sum, double *energy)
{
    ltp_vector sums = {0.0, 0.0, 0.0, 0.0};
    ltp_vector squares = sums;
    size_t i = 0;
    for (; i + 4 <= count; i += 4) {
        const ltp_vector v = *(const ltp_quad *)(x + i);
        sums += v;
        squares += v * v;
    }
    *sum = (sums[0] + sums[1]) + (sums[2] + sums[3]);
    *energy = (squares[0] + squares[1]) + (squares[2] + squares[3]);
    for (; i < count; i++) {
        *sum += x[i];
        *energy += x[i] * x[i];
    }
}

static void add_raw(lt_level_meter *m, const double *x, ltp_hop_sums *h)
{
    sum_raw(x, h->frames, &h->sum, &h->energy);
    ltp_sum_add(&m->sum, h->sum);
    ltp_sum_add(&m->energy, h->energy);
    m->frames += h->frames;
    lt_clip_push(&m->clip, x, h->frames);
    if (!m->lines_at_half)
        ltp_line_spectrum_push(m->lines, x, h->frames);
}

static void run_bands(lt_level_meter *m, const double *x)
{
    ltp_meter_bands *b = &m->bands;
    lt_bank_hop(m->bank, x, m->mean_square);
    if (m->lines_at_half)
        ltp_line_spectrum_push(m->lines, ltp_bank_half(m->bank), m->hop / 2);
    detect_bands(m);
    lt_dbfs_from_mean_squares(b->power, m->band_count, b->level_db);
    for (size_t i = 0; i < m->band_count; i++) {
        ltp_sum_add(&b->sum[i], m->mean_square[i]);
        if (!(b->gain[i] > 0.0))
            continue;
        b->max[i] = b->power[i] > b->max[i] ? b->power[i] : b->max[i];
        lt_histogram_add(b->fast[i], b->level_db[i]);
    }
    m->counted_hops++;
}

static void run_detectors(lt_level_meter *m, size_t heard, ltp_hop_sums *h)
{
    const size_t part = m->hop / LTP_PARTS;
    double level_db[LTP_COUNT(m->fast_power)];
    size_t levels = 0;
    for (size_t at = 0, i = 0; at < heard; at += part, i++) {
        const size_t count = heard - at < part ? heard - at : part;
        const ltp_weighted *w = &m->parts[i];
        h->a_energy += w->energy[0];
        h->c_energy += w->energy[1];
        h->c_peak = w->largest[1] > h->c_peak ? w->largest[1] : h->c_peak;
        const double a = w->energy[0] / (double)count;
        if (!m->fast_seeded)
            m->fast.power = a;
        m->fast_seeded = true;
        detect(&m->fast, a);
        detect(&m->slow, a);
        detect(&m->fast_c, w->energy[1] / (double)count);
        h->fast_max = m->fast.from_zero > h->fast_max ? m->fast.from_zero : h->fast_max;
        h->fast_min = m->fast.power < h->fast_min ? m->fast.power : h->fast_min;
        if (++m->fast_parts == LTP_PARTS_A_LEVEL || !m->fast_counted) {
            m->fast_power[levels++] = m->fast.power;
            m->fast_counted = true;
            m->fast_parts = 0;
        }
    }
    lt_dbfs_from_mean_squares(m->fast_power, levels, level_db);
    for (size_t i = 0; i < levels; i++)
        lt_histogram_add(m->fast_levels, level_db[i]);
    settle_detector(&m->fast);
    settle_detector(&m->slow);
    settle_detector(&m->fast_c);
}

/* A hop, or at the end what is left of one: of x[heard], `count` belong to the recording. Bands want whole hops. */
static void run_hop(lt_level_meter *m, const double *x, size_t count, size_t heard)
{
    const bool bands = heard == m->hop;
    ltp_hop_sums h = {.frames = count, .bands = bands, .fast_min = INFINITY};
    add_raw(m, x, &h);
    if (bands)
        run_bands(m, x);
    if (m->screen != NULL && count == m->hop)
        ltp_screen_push(m->screen, x, count, m->lines_at_half ? ltp_bank_half(m->bank) : NULL);
    ltp_weighting_run(&m->weighting, x, heard, m->hop / LTP_PARTS, m->scratch, m->parts);
    run_detectors(m, heard, &h);
    ltp_sum_add(&m->a_energy, h.a_energy);
    ltp_sum_add(&m->c_energy, h.c_energy);
    m->c_peak = fmax(m->c_peak, h.c_peak);
    if ((double)m->frames > settle_min_s * m->rate_hz)
        m->fast_min = fmin(m->fast_min, h.fast_min);
    if (count == m->hop)
        add_history(&m->history, h.a_energy);
    ltp_watchers_hop(m, &h);
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
        run_hop(m, m->hold + at, m->hop, m->hop);
    memmove(m->hold, m->hold + at, (m->held - at) * sizeof *m->hold);
    m->held -= at;
    m->started = true;
}

void lt_level_meter_push(lt_level_meter *m, const double *x, size_t count)
{
    while (count > 0) {
        if (m->started && m->held == 0 && count >= m->hop) {
            run_hop(m, x, m->hop, m->hop); /* no copy */
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
            run_hop(m, m->hold, m->hop, m->hop);
            m->held = 0;
        }
    }
}

/* The rest of less than a hop. The bands leave it out, unless it is all there is: then everything hears it and silence.
 */
void ltp_meter_drain(lt_level_meter *m)
{
    if (!m->started)
        start(m);
    const size_t rest = m->held;
    const bool all = m->counted_hops == 0;
    if (rest == 0)
        return;
    if (all)
        memset(m->hold + rest, 0, (m->hop - rest) * sizeof *m->hold);
    run_hop(m, m->hold, rest, all ? m->hop : rest);
    for (size_t i = 0; all && i < m->band_count; i++) {
        m->bands.sum[i].sum *= (double)m->hop / (double)rest;
        m->bands.sum[i].rest *= (double)m->hop / (double)rest;
    }
    m->held = 0;
}
