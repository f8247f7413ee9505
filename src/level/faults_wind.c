/* SPDX-License-Identifier: MIT
 * Wind on a microphone: turbulence below about 150 Hz that comes in gusts, with no tone in it.
 *
 * Frames of 0.1 s. A frame may be wind if its level below 100 Hz exceeds that from 300 Hz to 3 kHz by 6 dB (or, beside
 * voices and music up to 10 dB louder, if most of it lies from 10 to 45 Hz for half a second, where roads have a third)
 * and it has no period between 12 and 60 ms (an engine, hum or a bass note has one). Over the last five seconds, those
 * levels must span 9 dB and cross their middle at least three times: a truck or a road rises and falls slowly. */
#include "base/alloc.h"
#include "base/vector.h"
#include "level/faults.h"

#include <string.h>

enum { DEPTH = 50, LEAST = 12, PERIOD = 512 /* at most */ };
static const double frame_s = 0.1;
static const double low_hz = 100.0, mid_low_hz = 300.0, mid_high_hz = 3000.0, slow_rate_hz = 1000.0;
static const double low_over_mid = 4.0;                                 /* 6 dB */
static const double deep_of_low = 0.55, low_of_mid = 0.1, forget = 0.8; /* of the frames before: half a second */
static const double least_db = -58.0;                                   /* mean square */
static const double span_db = 9.0, gust_db = 5.0, loudest_db = 9.0, hysteresis_db = 2.0;
static const double period_shortest_s = 0.012, period_longest_s = 0.06, period_window_s = 0.25, periodic = 0.65;
static const double gust_share = 0.2;
static const double deep_s = 0.05, deep_low_hz = 10.0, deep_high_hz = 45.0;
static const double counts = 0.1; /* of the power of strong gusts: what comes up to that belongs to the wind */
static const double over_before = 1.6;
enum { DEEP = 300, SMOOTH = 3, AFTER = 100, BACK = 60, PAUSE = 60, EARLIER = 100, EARLIER_LEAST = 10 };
enum { CROSSINGS = 3, NEXT = 4, COMPANY = 2 /* other gusty frames so near */ };

typedef struct {
    double level_db;
    bool wind; /* low, without period */
} frame;

/* Second-order sections of three bands side by side: below 100 Hz; 300 Hz to 3 kHz; and 10 to 45 Hz, where voices and
 * music have next to nothing, to find the beginning. */
enum { LOW, MID, DEEP_BAND, BANDS, LANES = 4, STAGES = 2 };
typedef struct {
    double b0[LANES], b1[LANES], b2[LANES], a1[LANES], a2[LANES], s1[LANES], s2[LANES];
} stage;

struct ltp_wind {
    double rate_hz;
    stage stages[STAGES];
    size_t n, filled, factor;
    size_t until_slow;                            /* samples until the next of slow[] */
    double low_energy, mid_energy, bottom_energy; /* of the frame */
    double low_lately, bottom_lately;
    double slow[PERIOD]; /* the last quarter second of the low band, decimated */
    size_t slow_count, slow_at, slow_n;
    frame ring[DEPTH];
    size_t frames;
    size_t last_wind;               /* frames up to the last one that may be wind; 0: none */
    size_t counted_to;              /* frames before this one have been counted */
    double deep_energy, deep[DEEP]; /* mean squares, ring */
    size_t deep_n, deep_filled, deep_count;
    ltp_wind_result result;
    double energy, mid_sum;
    size_t gusts;
};

void ltp_wind_free(ltp_wind *d)
{
    ltp_free(d);
}

static void set_section(stage *s, size_t band, lt_biquad c)
{
    s->b0[band] = c.b0;
    s->b1[band] = c.b1;
    s->b2[band] = c.b2;
    s->a1[band] = c.a1;
    s->a2[band] = c.a2;
}

lt_status ltp_wind_create(double rate_hz, ltp_wind **out, lt_error *err)
{
    static const double q[] = {0.5412, 1.3066};
    *out = NULL;
    ltp_wind *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for wind");
    d->rate_hz = rate_hz;
    for (size_t i = 0; i < STAGES; i++)
        set_section(&d->stages[i], LOW, lt_biquad_lowpass(low_hz, q[i], rate_hz));
    set_section(&d->stages[0], MID, lt_biquad_highpass(mid_low_hz, 0.7071, rate_hz));
    set_section(&d->stages[1], MID, lt_biquad_lowpass(fmin(mid_high_hz, 0.4 * rate_hz), 0.7071, rate_hz));
    set_section(&d->stages[0], DEEP_BAND, lt_biquad_lowpass(deep_high_hz, 0.7071, rate_hz));
    set_section(&d->stages[1], DEEP_BAND, lt_biquad_highpass(deep_low_hz, 0.7071, rate_hz));
    d->n = (size_t)round(frame_s * rate_hz);
    d->deep_n = (size_t)round(deep_s * rate_hz);
    d->factor = (size_t)(rate_hz / slow_rate_hz);
    d->until_slow = 1;
    d->slow_n = (size_t)fmin(PERIOD, period_window_s * rate_hz / (double)d->factor);
    d->result = (ltp_wind_result){.from_s = NAN, .level_dbfs = -INFINITY, .below_hz = NAN};
    *out = d;
    return LT_OK;
}

/* Largest normalised autocorrelation that is a maximum, between the shortest and the longest period. */
LTP_WIDE static bool has_period(const ltp_wind *d)
{
    double x[PERIOD], energy[PERIOD + 1] = {0.0}; /* of the first i samples */
    const size_t n = d->slow_n;
    if (d->slow_count < n)
        return false;
    for (size_t i = 0; i < n; i++) {
        x[i] = d->slow[(d->slow_at + i) % n];
        energy[i + 1] = energy[i] + x[i] * x[i];
    }
    const double rate = d->rate_hz / (double)d->factor;
    const size_t from = (size_t)(period_shortest_s * rate), to = (size_t)(period_longest_s * rate);
    double before = 3.0, here = 2.5; /* above any: the first lag is no maximum */
    for (size_t lag = from; lag <= to + 1; lag++) {
        const double later = energy[n] - energy[lag] + 1e-30, earlier = energy[n - lag] + 1e-30;
        const double r = ltp_dot(x + lag, x, n - lag) / sqrt(later * earlier);
        if (here > periodic && here >= before && here > r)
            return true;
        before = here;
        here = r;
    }
    return false;
}

static const frame *frame_at(const ltp_wind *d, size_t number)
{
    return &d->ring[number % DEPTH];
}

/* The levels of the last frames without their straight line. */
static void spread_of(const ltp_wind *d, size_t count, double *low_db, double *high_db, size_t *crossings)
{
    double y[DEPTH], sorted[DEPTH], moment = 0.0, weight = 0.0;
    const double centre = 0.5 * (double)(count - 1);
    for (size_t i = 0; i < count; i++) {
        y[i] = fmax(frame_at(d, d->frames - count + i)->level_db, -90.0);
        moment += ((double)i - centre) * y[i];
        weight += ((double)i - centre) * ((double)i - centre);
    }
    for (size_t i = 0; i < count; i++) {
        y[i] -= moment / weight * ((double)i - centre);
        sorted[i] = y[i];
    }
    *low_db = lt_quantile(sorted, count, 0.1);
    *high_db = lt_quantile(sorted, count, 0.9);
    const double middle = 0.5 * (*low_db + *high_db);
    int side = 0;
    *crossings = 0;
    for (size_t i = 0; i < count; i++) {
        const int now = y[i] > middle + hysteresis_db ? 1 : y[i] < middle - hysteresis_db ? -1 : side;
        *crossings += side != 0 && now != side;
        side = now;
    }
}

static void look(ltp_wind *d)
{
    const size_t count = d->frames < DEPTH ? d->frames : DEPTH;
    double low_db, high_db;
    size_t crossings, gusts = 0;
    if (count < LEAST || d->frames - d->last_wind > count)
        return;
    spread_of(d, count, &low_db, &high_db, &crossings);
    if (high_db - low_db < span_db || crossings < CROSSINGS)
        return;
    double level_db[DEPTH];
    for (size_t i = 0; i < count; i++)
        level_db[i] = frame_at(d, d->frames - count + i)->level_db;
    const double low = lt_quantile(level_db, count, 0.1), high = lt_quantile(level_db, count, 0.9);
    const double gust = fmax(low + gust_db, high - loudest_db);
    for (size_t i = d->frames - count; i < d->frames; i++)
        gusts += frame_at(d, i)->wind && frame_at(d, i)->level_db > gust;
    if ((double)gusts < gust_share * (double)count)
        return;
    for (size_t i = d->frames - count; i < d->frames; i++) {
        if (i < d->counted_to || !frame_at(d, i)->wind || frame_at(d, i)->level_db <= gust)
            continue;
        size_t company = 0;
        for (size_t k = i > NEXT ? i - NEXT : 0; k <= i + NEXT && k < d->frames; k++)
            company += k != i && k + count >= d->frames && frame_at(d, k)->wind && frame_at(d, k)->level_db > gust;
        if (company < COMPANY)
            continue;
        if (isnan(d->result.from_s))
            d->result.from_s = (double)i * frame_s;
        d->gusts++;
        d->energy += lt_power_from_db(frame_at(d, i)->level_db);
    }
    d->counted_to = d->frames;
}

static bool known_beginning(const ltp_wind *d)
{
    return !isnan(d->result.from_s) && (double)d->deep_count * deep_s > d->result.from_s + AFTER * deep_s;
}

static void end_frame(ltp_wind *d)
{
    const double low = d->low_energy / (double)d->n, mid = d->mid_energy / (double)d->n,
                 bottom = d->bottom_energy / (double)d->n;
    const double level_db = lt_db_from_power(low);
    frame *f = &d->ring[d->frames % DEPTH];
    f->level_db = level_db;
    d->low_lately = forget * d->low_lately + low;
    d->bottom_lately = forget * d->bottom_lately + bottom;
    const bool steep =
        low > low_over_mid * mid || (d->bottom_lately > deep_of_low * d->low_lately && low > low_of_mid * mid);
    const bool loud = level_db > least_db, tonal = loud && has_period(d);
    f->wind = loud && steep && !tonal;
    if (tonal && !known_beginning(d))
        d->deep[(d->deep_count + DEEP - 1) % DEEP] = d->deep[(d->deep_count + DEEP - 2) % DEEP] = 0.0;
    d->frames++;
    d->last_wind = f->wind ? d->frames : d->last_wind;
    d->filled = 0;
    d->low_energy = d->mid_energy = d->bottom_energy = 0.0;
    look(d);
}

static double deep_at(const ltp_wind *d, size_t i)
{
    double sum = 0.0;
    for (size_t k = 0; k < SMOOTH; k++)
        sum += d->deep[(i + DEEP - k) % DEEP] / SMOOTH;
    return sum;
}

static double deep_quantile(const ltp_wind *d, size_t from, size_t to, double p)
{
    double y[DEEP];
    size_t count = 0;
    for (size_t i = from; i < to && count < DEEP; i++)
        y[count++] = deep_at(d, i);
    return lt_quantile(y, count, p);
}

/* The first gust that comes up to the strong ones, from what lies below voices and music: there it shows sooner than
 * in whole frames of wind, and what only looked like it falls away. */
static double beginning(const ltp_wind *d)
{
    const size_t oldest = (d->deep_count > DEEP ? d->deep_count - DEEP : 0) + SMOOTH;
    const size_t from = (size_t)(d->result.from_s / deep_s + 0.5);
    if (from < oldest || from + AFTER / 5 > d->deep_count)
        return d->result.from_s;
    const size_t to = from + AFTER < d->deep_count ? from + AFTER : d->deep_count;
    const size_t before = from > oldest + EARLIER ? from - EARLIER : oldest, before_end = from > BACK ? from - BACK : 0;
    double enough = counts * deep_quantile(d, from, to, 0.9);
    if (before_end > before + EARLIER_LEAST)
        enough = fmax(enough, over_before * deep_quantile(d, before, before_end, 0.75));
    size_t begun = from;
    while (begun < to && deep_at(d, begun) < enough)
        begun++;
    if (begun == to)
        return d->result.from_s;
    for (size_t i = begun; i > oldest && i + BACK > from && i + PAUSE > begun; i--)
        if (deep_at(d, i) >= enough)
            begun = i;
    return fmax(0.0, ((double)begun + 1.0 - 0.5 * SMOOTH) * deep_s);
}

static void end_deep(ltp_wind *d)
{
    if (!known_beginning(d)) /* else what lies about the beginning is kept */
        d->deep[d->deep_count++ % DEEP] = d->deep_energy / (double)d->deep_n;
    d->deep_energy = 0.0;
    d->deep_filled = 0;
}

/* Both sections of all bands, equations of lt_biquad_run(), lane by lane: adds the squares of what comes out to
 * energy[LANES]; last[LANES] is its last sample. */
LTP_WIDE static void run_stages(stage stages[STAGES], const double *x, size_t count, double *energy, double *last)
{
    const ltp_vector p_b0 = *(const ltp_quad *)stages[0].b0, p_b1 = *(const ltp_quad *)stages[0].b1,
                     p_b2 = *(const ltp_quad *)stages[0].b2;
    const ltp_vector p_a1 = *(const ltp_quad *)stages[0].a1, p_a2 = *(const ltp_quad *)stages[0].a2;
    const ltp_vector q_b0 = *(const ltp_quad *)stages[1].b0, q_b1 = *(const ltp_quad *)stages[1].b1,
                     q_b2 = *(const ltp_quad *)stages[1].b2;
    const ltp_vector q_a1 = *(const ltp_quad *)stages[1].a1, q_a2 = *(const ltp_quad *)stages[1].a2;
    ltp_vector p_s1 = *(const ltp_quad *)stages[0].s1, p_s2 = *(const ltp_quad *)stages[0].s2;
    ltp_vector q_s1 = *(const ltp_quad *)stages[1].s1, q_s2 = *(const ltp_quad *)stages[1].s2;
    ltp_vector sum = *(const ltp_quad *)energy, q = {0.0, 0.0, 0.0, 0.0};
    for (size_t i = 0; i < count; i++) {
        const ltp_vector in = {x[i], x[i], x[i], x[i]};
        const ltp_vector p = p_b0 * in + p_s1;
        p_s1 = p_b1 * in - p_a1 * p + p_s2;
        p_s2 = p_b2 * in - p_a2 * p;
        q = q_b0 * p + q_s1;
        q_s1 = q_b1 * p - q_a1 * q + q_s2;
        q_s2 = q_b2 * p - q_a2 * q;
        sum += q * q;
    }
    *(ltp_quad *)energy = sum;
    *(ltp_quad *)last = q;
    *(ltp_quad *)stages[0].s1 = p_s1;
    *(ltp_quad *)stages[0].s2 = p_s2;
    *(ltp_quad *)stages[1].s1 = q_s1;
    *(ltp_quad *)stages[1].s2 = q_s2;
}

/* A tail that has died away would turn into denormal numbers, which are slow. */
static void settle(stage *s)
{
    for (size_t i = 0; i < LANES; i++) {
        s->s1[i] = fabs(s->s1[i]) < 1e-200 ? 0.0 : s->s1[i];
        s->s2[i] = fabs(s->s2[i]) < 1e-200 ? 0.0 : s->s2[i];
    }
}

/* As far as nothing ends: a frame, a mean of the deep band, the step to the next decimated sample. */
static size_t push_stretch(ltp_wind *d, const double *x, size_t count)
{
    double energy[LANES] = {0.0}, last[LANES];
    count = count < d->until_slow ? count : d->until_slow;
    count = count < d->n - d->filled ? count : d->n - d->filled;
    count = count < d->deep_n - d->deep_filled ? count : d->deep_n - d->deep_filled;
    run_stages(d->stages, x, count, energy, last);
    d->low_energy += energy[LOW];
    d->mid_energy += energy[MID];
    d->bottom_energy += energy[DEEP_BAND];
    d->deep_energy += energy[DEEP_BAND];
    d->deep_filled += count;
    d->filled += count;
    d->until_slow -= count;
    if (d->deep_filled == d->deep_n)
        end_deep(d);
    if (d->until_slow == 0) {
        d->slow[d->slow_at] = last[LOW];
        d->slow_at = d->slow_at + 1 == d->slow_n ? 0 : d->slow_at + 1;
        d->slow_count++;
        d->until_slow = d->factor;
    }
    if (d->filled == d->n)
        end_frame(d);
    return count;
}

void ltp_wind_push(ltp_wind *d, const double *x, size_t count)
{
    for (size_t at = 0; at < count;)
        at += push_stretch(d, x + at, count - at);
    settle(&d->stages[0]);
    settle(&d->stages[1]);
}

void ltp_wind_result_of(ltp_wind *d, ltp_wind_result *out)
{
    *out = d->result;
    out->seconds = (double)d->gusts * frame_s;
    if (d->gusts > 0) {
        out->from_s = beginning(d);
        out->level_dbfs = lt_dbfs_from_mean_square(d->energy / (double)d->gusts);
        out->below_hz = 200.0;
    }
}

void ltp_wind_finish(ltp_wind *d, const ltp_scan_end *end)
{
    ltp_wind_result r;
    ltp_wind_result_of(d, &r);
    if (isnan(r.from_s) || r.seconds < 0.5)
        return;
    lt_faults_add(
        end->out, LT_FAULT_WIND, LT_SEVERITY_WARNING, end->channel, r.from_s,
        "gusts below 100 Hz at %.0f dBFS during %.1f of %.1f s, without a tone: wind on the microphone; do not "
        "trust levels below 200 Hz and C-weighted ones, use a windscreen or repeat it on a calm day",
        r.level_dbfs, r.seconds, end->seconds);
}
