/* SPDX-License-Identifier: MIT
 * Decay of an impulse response limited to the 500 Hz, 1 kHz and 2 kHz octaves: EDT, T20, C50.
 * Sources: ISO 3382-1 (definitions), Lundeby et al., Acustica 81 (1995) (where the decay meets the noise). */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

static const double lower_hz = 354.8; /* edges of the octaves, IEC 61260-1 */
static const double upper_hz = 2818.4;
static const double flank = 1.19; /* a quarter of an octave */
static const double early_s = 0.05;
static const double before_s = 0.002; /* the filter rings a little before the direct arrival */
static const double over_noise_db = 10.0;
enum { ROUNDS = 5 };

/* Where the decay meets the noise. */
typedef struct {
    double noise;     /* mean square */
    size_t end;       /* frames from the start: the crossing */
    double per_frame; /* dB a frame, negative; 0 = no decay found */
    double level_db;  /* of the fitted line at the start */
} crossing;

static double fade_log(double ratio)
{
    return lt_fade(1.0 + log(ratio) / log(flank));
}

static lt_status band_limited(const ltp_view *v, double *x, lt_error *err)
{
    lt_complex *s = ltp_alloc(v->bins, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the decay");
    for (size_t i = 1; i < v->bins; i++) {
        const double hz = (double)i * v->rate_hz / (double)v->n;
        const double gain = fade_log(hz / lower_hz) * fade_log(upper_hz / hz);
        s[i] = (lt_complex){gain * v->spectrum[i].re, gain * v->spectrum[i].im};
    }
    lt_rfft_inverse(v->fft, s, x);
    ltp_free(s);
    return LT_OK;
}

static double mean_square(const double *e, size_t from, size_t to)
{
    return to > from ? lt_sum(e + from, to - from) / (double)(to - from) : 0.0;
}

/* Straight line through block levels from the start until they come near the noise. */
static bool fit_blocks(const double *e, size_t count, size_t block, double from_db, double to_db, crossing *c)
{
    double n = 0.0;
    double t = 0.0;
    double y = 0.0;
    double tt = 0.0;
    double ty = 0.0;
    bool begun = false;
    for (size_t i = 0; i + block <= count; i += block) {
        const double level = lt_db_from_power(mean_square(e, i, i + block));
        begun = begun || level <= from_db;
        if (begun && level < to_db)
            break;
        if (!begun)
            continue;
        const double at = (double)i + 0.5 * (double)block;
        n += 1.0;
        t += at;
        y += level;
        tt += at * at;
        ty += at * level;
    }
    const double det = n * tt - t * t;
    if (n < 2.0 || !(det > 0.0))
        return false;
    c->per_frame = (n * ty - t * y) / det;
    c->level_db = (y - c->per_frame * t) / n;
    return c->per_frame < 0.0;
}

static size_t meets(const crossing *c, double noise_db, size_t count)
{
    const double at = (noise_db - c->level_db) / c->per_frame;
    return at < (double)count ? (size_t)fmax(at, 0.0) : count;
}

/* Lundeby's rounds. e[count] = squared samples from the start. */
static void find_crossing(const double *e, size_t count, double rate_hz, crossing *c)
{
    size_t block = (size_t)(0.01 * rate_hz);
    *c = (crossing){.noise = mean_square(e, count - count / 10, count), .end = count};
    double top_db = -INFINITY;
    for (size_t i = 0; i + block <= count; i += block)
        top_db = fmax(top_db, lt_db_from_power(mean_square(e, i, i + block)));
    if (!fit_blocks(e, count, block, top_db, lt_db_from_power(c->noise) + over_noise_db, c)) {
        c->per_frame = 0.0;
        return;
    }
    c->end = meets(c, lt_db_from_power(c->noise), count);
    for (int i = 0; i < ROUNDS; i++) {
        const double per_10_db = -10.0 / c->per_frame;
        block = (size_t)fmin(fmax(per_10_db / 5.0, 0.001 * rate_hz), 0.05 * rate_hz);
        const size_t later = c->end + (size_t)fmin(per_10_db, (double)count);
        const size_t tail = later < count - count / 10 ? later : count - count / 10;
        c->noise = mean_square(e, tail, count);
        const double noise_db = lt_db_from_power(c->noise);
        crossing next = *c;
        if (!fit_blocks(e, count, block, fmin(noise_db + over_noise_db + 20.0, top_db), noise_db + over_noise_db,
                        &next))
            return;
        next.end = meets(&next, noise_db, count);
        const double moved = fabs((double)next.end - (double)c->end);
        *c = next;
        if (moved < 0.001 * rate_hz)
            return;
    }
}

/* Backward integration with the missing tail added; curve[end], linear. */
static void integrate(const double *e, const crossing *c, double *curve)
{
    double sum = 0.0;
    if (c->per_frame < 0.0) /* an exponential decay holds (level at the crossing) x (frames for 4.34 dB) beyond it */
        sum = lt_power_from_db(c->level_db + c->per_frame * (double)c->end) * 4.342944819 / -c->per_frame;
    for (size_t i = c->end; i-- > 0;) {
        sum += fmax(e[i] - c->noise, -0.5 * sum);
        curve[i] = sum;
    }
}

/* 60 dB over the slope between two levels re the start; NaN where the curve does not reach down there. */
static double decay_time(const double *curve, size_t count, double rate_hz, double from_db, double to_db)
{
    double n = 0.0;
    double t = 0.0;
    double y = 0.0;
    double tt = 0.0;
    double ty = 0.0;
    bool reached = false;
    for (size_t i = 0; i < count && !reached; i++) {
        const double level = lt_db_from_power(curve[i] / curve[0]);
        reached = level < to_db;
        if (level > from_db || reached)
            continue;
        n += 1.0;
        t += (double)i;
        y += level;
        tt += (double)i * (double)i;
        ty += (double)i * level;
    }
    const double det = n * tt - t * t;
    if (!reached || n < 3.0 || !(det > 0.0))
        return NAN;
    const double slope = (n * ty - t * y) / det;
    return slope < 0.0 ? -60.0 / slope / rate_hz : (double)NAN;
}

static void evaluate(const double *e, size_t count, const ltp_view *v, size_t early, double *curve, double *edt_s,
                     double *t20_s, double *c50_db)
{
    crossing c;
    find_crossing(e, count, v->rate_hz, &c);
    integrate(e, &c, curve);
    if (c.end < 3 || !(curve[0] > 0.0))
        return;
    /* The range that the noise leaves: ISO 3382-1 asks for 10 dB more than the lower end of the fit. */
    const double noise_energy = c.noise * (double)c.end;
    const double range_db = noise_energy > 0.0 ? lt_db_from_power(curve[0] / noise_energy) : (double)INFINITY;
    if (range_db >= 20.0)
        *edt_s = decay_time(curve, c.end, v->rate_hz, 0.0, -10.0);
    if (range_db >= 35.0)
        *t20_s = decay_time(curve, c.end, v->rate_hz, -5.0, -25.0);
    if (early < c.end && curve[early] > 0.0)
        *c50_db = lt_db_from_power((curve[0] - curve[early]) / curve[early]);
}

lt_status ltp_decay_measure(const ltp_view *v, const ltp_direct *d, double *edt_s, double *t20_s, double *c50_db,
                            lt_error *err)
{
    *edt_s = *t20_s = *c50_db = NAN;
    if (v->from_hz > lower_hz * flank || v->to_hz < upper_hz / flank)
        return LT_OK;
    const size_t before = (size_t)(before_s * v->rate_hz);
    const size_t at = (size_t)fmax(d->at, 0.0);
    const size_t start = at > before ? at - before : 0;
    if (start + (size_t)(early_s * v->rate_hz) >= v->count)
        return LT_OK;
    double *x = ltp_alloc(v->n, sizeof *x);
    double *curve = ltp_alloc(v->n, sizeof *curve);
    lt_status st = x == NULL || curve == NULL ? ltp_fail_nomem(err, "the decay") : band_limited(v, x, err);
    if (st == LT_OK) {
        const size_t count = v->count - start;
        for (size_t i = 0; i < count; i++)
            x[start + i] *= x[start + i];
        evaluate(x + start, count, v, at - start + (size_t)(early_s * v->rate_hz), curve, edt_s, t20_s, c50_db);
    }
    ltp_free(x);
    ltp_free(curve);
    return st;
}
