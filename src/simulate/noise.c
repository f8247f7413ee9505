/* SPDX-License-Identifier: MIT
 * Noise of a recording. All broadband sources at once: Gaussian spectra of their summed, time-varying power, block by
 * block, overlapped under a sine window (powers add to one). Tones are added in time. Full scale = 1.0. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

static const double block_s = 0.17;

/* ---- what the recording hears ---- */

static bool hears_lane(lt_scene_path p)
{
    return p == LT_SCENE_OUTBOUND || p == LT_SCENE_LANE_COUPLING || p == LT_SCENE_LOOP || p == LT_SCENE_NOISE_EAR ||
           p == LT_SCENE_NOISE_MIC || p == LT_SCENE_TALK_TEST;
}

static bool hears_by_lane_microphone(lt_scene_path p)
{
    return p == LT_SCENE_LANE_COUPLING || p == LT_SCENE_LOOP || p == LT_SCENE_NOISE_MIC || p == LT_SCENE_TALK_TEST;
}

static bool hears_office(lt_scene_path p)
{
    return p == LT_SCENE_INBOUND || p == LT_SCENE_COUNTER_COUPLING || p == LT_SCENE_LOOP || p == LT_SCENE_NOISE_COUNTER;
}

static double level_or_none(double dba)
{
    return dba > 0.0 ? dba : (double)-INFINITY;
}

/* Long-term level at the listening position or the operator's ear, dB(A). */
static double source_dba(const lt_scene_lane *lane, const lt_scene_condition *c, ltp_noise_kind kind)
{
    switch (kind) {
    case LTP_NOISE_ROAD:
        return level_or_none(lane->road_dba);
    case LTP_NOISE_CAR:
    case LTP_NOISE_TRUCK: {
        const ltp_passes p = ltp_passes_of(lane, kind);
        return lane->passes_per_minute > 0.0 ? lane->pass_dba + lt_db_from_power(ltp_passes_mean(&p))
                                             : (double)-INFINITY;
    }
    case LTP_NOISE_WIND:
        return level_or_none(lane->wind_dba);
    case LTP_NOISE_ENGINE:
        return level_or_none(c->idle_engine_dba) + lt_db_from_power(1.0 - LTP_ENGINE_TONAL_SHARE);
    case LTP_NOISE_OFFICE:
        return level_or_none(lane->counter_noise_dba);
    case LTP_NOISE_KINDS:
        break;
    }
    return (double)-INFINITY;
}

/* Lane microphone re listening position; wind makes its noise at each microphone by itself. */
static double at_microphone_db(const lt_scene_lane *lane, ltp_noise_kind kind)
{
    return kind == LTP_NOISE_WIND ? 0.0 : lane->microphone_noise_db;
}

/* SPL that reads 0 dBFS in this recording. */
static double calibration_db(const ltp_hearing *h, ltp_noise_kind kind)
{
    if (!ltp_path_from_line(h->path))
        return h->lane->mic_cal_db;
    const double spl_db = kind == LTP_NOISE_OFFICE ? LTP_COUNTER_MICROPHONE_DB : h->lane->microphone_line_db;
    return spl_db - h->lane->loopback_db;
}

static void find_levels(ltp_hearing *h)
{
    for (ltp_noise_kind k = LTP_NOISE_ROAD; k < LTP_NOISE_KINDS; k++) {
        const bool heard = k == LTP_NOISE_OFFICE ? hears_office(h->path) : hears_lane(h->path);
        h->level_db[k] = (double)-INFINITY;
        if (!heard)
            continue;
        const double there_db = hears_by_lane_microphone(h->path) ? at_microphone_db(h->lane, k) : 0.0;
        h->level_db[k] =
            source_dba(h->lane, h->condition, k) + there_db - ltp_noise_shape_dba(k) - calibration_db(h, k);
    }
}

/* Power factor of the way from a sound in the lane, or from the counter's room, to the recording. */
static double way_power(const ltp_hearing *h, ltp_noise_kind kind, double hz)
{
    const double rate_hz = h->lane->rate_hz;
    if (kind == LTP_NOISE_OFFICE)
        return ltp_path_from_line(h->path) ? lt_complex_power(ltp_chain_at(&h->counter.microphone, hz, rate_hz)) : 1.0;
    double power = 1.0;
    if (hears_by_lane_microphone(h->path))
        power = lt_complex_power(ltp_chain_at(&h->microphone, hz, rate_hz));
    if (h->path == LT_SCENE_LOOP)
        power *= lt_complex_power(ltp_counter_coupling_at(&h->counter, hz));
    return power;
}

double ltp_hearing_density(const ltp_hearing *h, ltp_noise_kind kind, double hz)
{
    if (isinf(h->level_db[kind]))
        return 0.0;
    const double mean_square = 0.5 * lt_power_from_db(h->level_db[kind] + ltp_noise_shape_db(kind, hz));
    return mean_square * way_power(h, kind, hz);
}

static void find_engine(ltp_hearing *h)
{
    if (!hears_lane(h->path) || !(h->condition->idle_engine_dba > 0.0))
        return;
    double level_db[LTP_ENGINE_ORDERS];
    ltp_engine_orders_db(level_db);
    const double there_db = hears_by_lane_microphone(h->path) ? at_microphone_db(h->lane, LTP_NOISE_ENGINE) : 0.0;
    const double add_db = h->condition->idle_engine_dba + there_db - calibration_db(h, LTP_NOISE_ENGINE);
    h->engine = (ltp_tones){.hz = LTP_ENGINE_FIRING_HZ, .count = LTP_ENGINE_ORDERS, .wander = 0.01};
    for (size_t k = 0; k < LTP_ENGINE_ORDERS; k++) {
        const double hz = LTP_ENGINE_FIRING_HZ * (double)(k + 1);
        h->engine.mean_square[k] = 0.5 * lt_power_from_db(level_db[k] + add_db) * way_power(h, LTP_NOISE_ENGINE, hz);
    }
}

/* Mains hum comes in behind the microphone: odd harmonics above even ones, as rectifiers and transformers leave it. */
static void find_hum(ltp_hearing *h)
{
    static const double relative_db[LTP_HUM_LINES] = {0, -10, -4, -18, -9, -22, -14, -26};
    if (!hears_by_lane_microphone(h->path) || !(h->lane->hum_hz > 0.0))
        return;
    const double total = lt_power_from_db(lt_db_sum(relative_db, LTP_HUM_LINES));
    h->hum = (ltp_tones){.hz = h->lane->hum_hz, .count = LTP_HUM_LINES};
    for (size_t k = 0; k < LTP_HUM_LINES; k++) {
        const double line_db = relative_db[k] + h->lane->hum_line_dbfs + h->lane->loopback_db;
        const double through =
            h->path == LT_SCENE_LOOP
                ? lt_complex_power(ltp_counter_coupling_at(&h->counter, h->lane->hum_hz * (double)(k + 1)))
                : 1.0;
        h->hum.mean_square[k] = 0.5 * lt_power_from_db(line_db) / total * through;
    }
}

lt_status ltp_hearing_create(const lt_scene_lane *lane, size_t condition, lt_scene_path path, ltp_hearing **out,
                             lt_error *err)
{
    *out = NULL;
    const lt_status st = ltp_scene_check(lane, condition, err);
    if (st != LT_OK)
        return st;
    ltp_hearing *h = ltp_alloc(1, sizeof *h);
    if (h == NULL)
        return ltp_fail_nomem(err, "the noise of the virtual lane");
    h->lane = lane;
    h->condition = &lane->conditions[condition];
    h->path = path;
    h->microphone = ltp_lane_microphone(lane);
    ltp_counter_of(lane, &h->counter);
    find_levels(h);
    find_engine(h);
    find_hum(h);
    *out = h;
    return LT_OK;
}

void ltp_hearing_free(ltp_hearing *h)
{
    ltp_free(h);
}

/* ---- making it ---- */

typedef struct {
    size_t n, bins, step, hops; /* block, its bins, half of it, how many */
    lt_rfft *fft;
    lt_rng rng;
    double *bin_power[LTP_NOISE_KINDS]; /* [bins] mean square a bin, long-term; NULL = absent */
    double *law[LTP_NOISE_KINDS];       /* [hops] */
    double recorder;                    /* mean square a bin */
    double *window, *time, *power;      /* [n], [n], [bins] */
    lt_complex *spectrum;               /* [bins] */
} maker;

static void maker_free(maker *m)
{
    for (size_t k = 0; k < LTP_NOISE_KINDS; k++) {
        ltp_free(m->bin_power[k]);
        ltp_free(m->law[k]);
    }
    ltp_free(m->window);
    ltp_free(m->time);
    ltp_free(m->power);
    ltp_free(m->spectrum);
    lt_rfft_free(m->fft);
}

static void fill_laws(maker *m, const ltp_hearing *h, double hop_s)
{
    for (size_t k = 0; k < LTP_NOISE_KINDS; k++)
        for (size_t i = 0; i < m->hops && m->law[k] != NULL; i++)
            m->law[k][i] = k == LTP_NOISE_CAR || k == LTP_NOISE_TRUCK ? 0.0 : 1.0;
    if (m->law[LTP_NOISE_CAR] != NULL)
        ltp_law_passes(&m->rng, h->lane, hop_s, m->law[LTP_NOISE_CAR], m->law[LTP_NOISE_TRUCK], m->hops);
    if (m->law[LTP_NOISE_ROAD] != NULL) /* many vehicles: slow, small */
        ltp_law_fluctuating(&m->rng, 1.5, 2.5, hop_s, m->law[LTP_NOISE_ROAD], m->hops);
    if (m->law[LTP_NOISE_WIND] != NULL) /* gusts */
        ltp_law_fluctuating(&m->rng, 4.0, 1.2, hop_s, m->law[LTP_NOISE_WIND], m->hops);
    if (m->law[LTP_NOISE_OFFICE] != NULL)
        ltp_law_fluctuating(&m->rng, 1.0, 0.6, hop_s, m->law[LTP_NOISE_OFFICE], m->hops);
}

static lt_status maker_prepare(maker *m, const ltp_hearing *h, size_t count, lt_error *err)
{
    const double rate_hz = h->lane->rate_hz;
    m->n = 2 * (lt_rfft_good_size((size_t)(block_s * rate_hz)) / 2);
    m->bins = m->n / 2 + 1;
    m->step = m->n / 2;
    m->hops = count / m->step + 2;
    lt_status st = lt_rfft_create(m->n, &m->fft, err);
    if (st != LT_OK)
        return st;
    m->window = ltp_alloc(m->n, sizeof *m->window);
    m->time = ltp_alloc(m->n, sizeof *m->time);
    m->power = ltp_alloc(m->bins, sizeof *m->power);
    m->spectrum = ltp_alloc(m->bins, sizeof *m->spectrum);
    bool ok = m->window != NULL && m->time != NULL && m->power != NULL && m->spectrum != NULL;
    for (ltp_noise_kind k = LTP_NOISE_ROAD; k < LTP_NOISE_KINDS && ok; k++) {
        if (isinf(h->level_db[k]))
            continue;
        m->bin_power[k] = ltp_alloc(m->bins, sizeof *m->bin_power[k]);
        m->law[k] = ltp_alloc(m->hops, sizeof *m->law[k]);
        ok = m->bin_power[k] != NULL && m->law[k] != NULL;
        for (size_t b = 1; b < m->bins && ok; b++)
            m->bin_power[k][b] = ltp_hearing_density(h, k, (double)b * rate_hz / (double)m->n) * rate_hz / (double)m->n;
    }
    if (!ok)
        return ltp_fail_nomem(err, "the noise of a recording");
    for (size_t i = 0; i < m->n; i++)
        m->window[i] = sin(LT_PI * ((double)i + 0.5) / (double)m->n);
    m->recorder = 0.5 * lt_power_from_db(h->lane->recorder_noise_dbfs) / (double)(m->bins - 1);
    fill_laws(m, h, (double)m->step / rate_hz);
    return LT_OK;
}

/* Two independent normal numbers (Box and Muller) of variance 1 as one complex. */
static lt_complex gauss_pair(lt_rng *r)
{
    const double radius = sqrt(-2.0 * log(1.0 - lt_rng_uniform(r)));
    const double turn = 2.0 * LT_PI * lt_rng_uniform(r);
    return (lt_complex){radius * cos(turn), radius * sin(turn)};
}

/* A bin of X = a (g + j g') gives x a mean square of 4 a^2 / n^2. */
static void make_block(maker *m, size_t hop)
{
    for (size_t b = 0; b < m->bins; b++)
        m->power[b] = m->recorder;
    for (size_t k = 0; k < LTP_NOISE_KINDS; k++) {
        if (m->law[k] == NULL)
            continue;
        const double law = m->law[k][hop];
        for (size_t b = 0; b < m->bins; b++)
            m->power[b] += law * m->bin_power[k][b];
    }
    const double half_n = 0.5 * (double)m->n;
    for (size_t b = 1; b + 1 < m->bins; b++) {
        const lt_complex g = gauss_pair(&m->rng);
        const double a = half_n * sqrt(m->power[b]);
        m->spectrum[b] = (lt_complex){a * g.re, a * g.im};
    }
    m->spectrum[0] = m->spectrum[m->bins - 1] = (lt_complex){0.0, 0.0};
    lt_rfft_inverse(m->fft, m->spectrum, m->time);
}

static void add_blocks(maker *m, double *samples, size_t count)
{
    for (size_t hop = 0; hop < m->hops; hop++) {
        make_block(m, hop);
        for (size_t i = 0; i < m->n; i++) { /* the first block is centred on the first sample */
            const size_t at = hop * m->step + i;
            if (at >= m->step && at - m->step < count)
                samples[at - m->step] += m->window[i] * m->time[i];
        }
    }
}

enum { TONE_BLOCK = 256 };

/* Real part of sum c_k z^k, k = 1 ... count, for a block of pointers z (Horner's scheme, sample by sample in step). */
static void add_polynomial(const lt_complex *c, size_t count, const lt_complex *z, double *samples, size_t length)
{
    lt_complex sum[TONE_BLOCK] = {{0.0, 0.0}};
    for (size_t k = count; k-- > 0;)
        for (size_t i = 0; i < length; i++) {
            const double re = sum[i].re + c[k].re;
            const double im = sum[i].im + c[k].im;
            sum[i].re = re * z[i].re - im * z[i].im;
            sum[i].im = re * z[i].im + im * z[i].re;
        }
    for (size_t i = 0; i < length; i++)
        samples[i] += sum[i].re;
}

/* Harmonics of one rotating pointer; its frequency wanders slowly. */
static void add_tones(lt_rng *r, const ltp_tones *t, double rate_hz, double *samples, size_t count)
{
    lt_complex c[LTP_TONES_MAX];
    for (size_t k = 0; k < t->count; k++) {
        const double turn = 2.0 * LT_PI * lt_rng_uniform(r);
        const double amplitude = sqrt(2.0 * t->mean_square[k]);
        c[k] = (lt_complex){amplitude * cos(turn), amplitude * sin(turn)};
    }
    double turned = 0.0;
    double wander = 0.0;
    for (size_t first = 0; first < count; first += TONE_BLOCK) {
        const size_t length = count - first < TONE_BLOCK ? count - first : TONE_BLOCK;
        wander += 0.05 * (t->wander * lt_rng_gauss(r) - wander);
        const double step = 2.0 * LT_PI * t->hz * (1.0 + wander) / rate_hz;
        const lt_complex advance = {cos(step), sin(step)};
        lt_complex z[TONE_BLOCK];
        z[0] = (lt_complex){cos(turned), sin(turned)};
        for (size_t i = 1; i < length; i++)
            z[i] = (lt_complex){z[i - 1].re * advance.re - z[i - 1].im * advance.im,
                                z[i - 1].re * advance.im + z[i - 1].im * advance.re};
        add_polynomial(c, t->count, z, samples + first, length);
        turned = fmod(turned + step * (double)length, 2.0 * LT_PI);
    }
}

/* Every path and condition hears another stretch of the same noise. */
static uint64_t recording_seed(uint64_t seed, size_t condition, lt_scene_path path)
{
    lt_rng r = {seed};
    const uint64_t mixed =
        lt_rng_next(&r) ^ ((uint64_t)condition * 64 + (uint64_t)path + 1) * UINT64_C(0xd1342543de82ef95);
    return mixed;
}

lt_status ltp_noise_add(const ltp_hearing *h, size_t condition, double *samples, size_t count, lt_error *err)
{
    maker m = {.rng = {recording_seed(h->lane->seed, condition, h->path)}};
    const lt_status st = maker_prepare(&m, h, count, err);
    if (st == LT_OK) {
        add_blocks(&m, samples, count);
        if (h->engine.count > 0)
            add_tones(&m.rng, &h->engine, h->lane->rate_hz, samples, count);
        if (h->hum.count > 0)
            add_tones(&m.rng, &h->hum, h->lane->rate_hz, samples, count);
    }
    maker_free(&m);
    return st;
}
