/* SPDX-License-Identifier: MIT
 * Clock drift between two recordings. The correlations of short blocks are shifted along a line of lag against time and
 * added up with their signs: at the true slope every arrival of the path adds up, at any other they fall apart. The sum
 * of fourth powers over the lags is the score, so that single arrivals count and the noise between them does not. */
#include "base/alloc.h"
#include "loop/echo_search.h"

#include <math.h>
#include <string.h>

enum { BLOCKS_MAX = 128, UP = 4, GROUPS = 8 };
static const double block_s = 1.0;
static const double before_s = 0.01, after_s = 0.05; /* lags about the strongest arrival that are added up */
static const double reach_ppm = 100.0;               /* about the slope that the search for the lag has found */
static const double most_ppm = 1000.0;               /* no sound card is that far off */
static const double step_frames = 0.3;               /* at the outermost block, from one slope to the next */

typedef struct {
    ltp_echo_search s;
    size_t n, bins; /* of the finer grid of lags */
    lt_rfft *fft;
    lt_complex *spectrum;  /* [bins] */
    double *x;             /* [n] */
    double *of_block;      /* [blocks][lags] correlation on the finer grid, of RMS 1 */
    double *sum;           /* [4][lags] room for sums */
    double at[BLOCKS_MAX]; /* middle of each block from that of all, finer frames */
    double middle;         /* frames of the search */
    size_t blocks, lags;
} drift;

static void drift_clear(drift *d)
{
    ltp_echo_search_clear(&d->s);
    lt_rfft_free(d->fft);
    ltp_free(d->spectrum);
    ltp_free(d->x);
    ltp_free(d->of_block);
    ltp_free(d->sum);
}

static lt_status drift_make(const ltp_echo_pair *p, const ltp_echo_lag *lag, drift *d, lt_error *err)
{
    const double rate = p->rate_hz;
    const double reach = 0.5e-6 * reach_ppm * (double)p->sent->count;
    const double centre = lag->lag + 0.5e-6 * lag->drift_ppm * (double)p->sent->count;
    const double spare = reach + 0.5e-6 * fabs(lag->drift_ppm) * (double)p->sent->count;
    lt_status st = ltp_echo_search_make(p, fmin(block_s, (double)p->sent->count / rate / GROUPS),
                                        centre - before_s * rate - spare, centre + after_s * rate + spare, &d->s, err);
    if (st != LT_OK)
        return st;
    d->n = UP * d->s.n;
    d->bins = d->n / 2 + 1;
    d->lags = UP * d->s.range;
    d->spectrum = ltp_alloc(d->bins, sizeof *d->spectrum);
    d->x = ltp_alloc(d->n, sizeof *d->x);
    d->of_block = ltp_alloc(BLOCKS_MAX * d->lags, sizeof *d->of_block);
    d->sum = ltp_alloc(4 * d->lags, sizeof *d->sum);
    if (d->spectrum == NULL || d->x == NULL || d->of_block == NULL || d->sum == NULL)
        return ltp_fail_nomem(err, "the clock drift of an echo");
    return lt_rfft_create(d->n, &d->fft, err);
}

static void run_blocks(drift *d)
{
    ltp_echo_search *s = &d->s;
    const size_t fit = s->sent->count > s->block ? 2 * (s->sent->count - s->block) / s->block + 1 : 1;
    const size_t used = fit < BLOCKS_MAX ? fit : BLOCKS_MAX;
    d->middle = 0.5 * (double)s->sent->count;
    for (size_t b = 0; b < used; b++) {
        const double at = used > 1 ? floor((double)(s->sent->count - s->block) * (double)b / (double)(used - 1)) : 0.0;
        if (ltp_echo_is_quiet(s, (size_t)at))
            continue;
        ltp_echo_correlate(s, (size_t)at);
        memset(d->spectrum, 0, d->bins * sizeof *d->spectrum);
        memcpy(d->spectrum, s->b, s->bins * sizeof *s->b);
        lt_rfft_inverse(d->fft, d->spectrum, d->x);
        double mean = 0.0;
        for (size_t i = 0; i < d->lags; i++)
            mean += d->x[i] * d->x[i] / (double)d->lags;
        if (!(mean > 0.0))
            continue;
        for (size_t i = 0; i < d->lags; i++)
            d->of_block[d->blocks * d->lags + i] = d->x[i] / sqrt(mean);
        d->at[d->blocks++] = UP * (at + 0.5 * (double)s->block - d->middle);
    }
}

/* out[i] += gain x of_block(i + slope at): lags in the middle of the recording. Cubic (Catmull and Rom): a straight
 * line between the samples would be lower there, and slopes that need none would win. */
static void add_block(const drift *d, size_t b, double slope, double gain, double *out)
{
    const double shift = slope * d->at[b];
    const ptrdiff_t whole = (ptrdiff_t)floor(shift);
    const double t = shift - (double)whole;
    const double w[4] = {gain * (-0.5 * t + t * t - 0.5 * t * t * t), gain * (1.0 - 2.5 * t * t + 1.5 * t * t * t),
                         gain * (0.5 * t + 2.0 * t * t - 1.5 * t * t * t), gain * (-0.5 * t * t + 0.5 * t * t * t)};
    const double *in = d->of_block + b * d->lags;
    const ptrdiff_t from = whole < 1 ? 1 - whole : 0;
    const ptrdiff_t to = (ptrdiff_t)d->lags - 2 - (whole > 0 ? whole : 0);
    for (ptrdiff_t i = from; i < to; i++)
        out[i] += w[0] * in[i + whole - 1] + w[1] * in[i + whole] + w[2] * in[i + whole + 1] + w[3] * in[i + whole + 2];
}

static double score(const double *sum, size_t lags)
{
    double total = 0.0;
    for (size_t i = 0; i < lags; i++)
        total += sum[i] * sum[i] * sum[i] * sum[i];
    return total;
}

/* Score of a slope; sum[lags] is what it is the score of. */
static double score_at(const drift *d, double slope, double *sum)
{
    memset(sum, 0, d->lags * sizeof *sum);
    for (size_t b = 0; b < d->blocks; b++)
        add_block(d, b, slope, 1.0, sum);
    return score(sum, d->lags);
}

/* Top of the parabola through three scores, in steps from the middle one. */
static double vertex(const double *y)
{
    const double bend = y[0] - 2.0 * y[1] + y[2];
    return bend < 0.0 ? fmin(fmax(0.5 * (y[0] - y[2]) / bend, -1.0), 1.0) : 0.0;
}

/* Slope around `middle`, from scores one step on either side, and its standard error: the jackknife over GROUPS parts
 * of the recording. */
static double refine(const drift *d, double middle, double step, double *error)
{
    double y[3], place[GROUPS], mean = 0.0;
    for (int k = 0; k < 3; k++)
        y[k] = score_at(d, middle + (k - 1) * step, d->sum + (size_t)k * d->lags);
    for (size_t g = 0; g < GROUPS; g++) {
        double without[3];
        for (int k = 0; k < 3; k++) {
            double *sum = d->sum + 3 * d->lags;
            memcpy(sum, d->sum + (size_t)k * d->lags, d->lags * sizeof *sum);
            for (size_t b = g * d->blocks / GROUPS; b < (g + 1) * d->blocks / GROUPS; b++)
                add_block(d, b, middle + (k - 1) * step, -1.0, sum);
            without[k] = score(sum, d->lags);
        }
        place[g] = vertex(without);
        mean += place[g] / GROUPS;
    }
    double sum = 0.0;
    for (size_t g = 0; g < GROUPS; g++)
        sum += (place[g] - mean) * (place[g] - mean);
    *error = step * sqrt(sum * (GROUPS - 1) / GROUPS);
    return middle + step * vertex(y);
}

/* Lag of the strongest part in the middle of the recording, frames of the search. */
static double lag_at(const drift *d, double slope)
{
    (void)score_at(d, slope, d->sum);
    size_t top = 0;
    for (size_t i = 0; i < d->lags; i++)
        if (fabs(d->sum[i]) > fabs(d->sum[top]))
            top = i;
    return (double)top / UP + (double)d->s.first;
}

static void find(const drift *d, ltp_echo_lag *out)
{
    const double coarse = out->drift_ppm * 1e-6;
    const double step = step_frames / d->middle;
    const int steps = (int)ceil(reach_ppm * 1e-6 / step);
    double best = coarse, top = -1.0;
    for (int k = -steps; k <= steps; k++) {
        const double y = score_at(d, coarse + k * step, d->sum);
        if (y > top) {
            top = y;
            best = coarse + k * step;
        }
    }
    double error = 0.0;
    best = refine(d, best, 0.5 * step, &error);
    best = refine(d, best, 0.25 * step, &error);
    out->drift_ppm = best * 1e6;
    out->drift_error = error * 1e6;
    out->drifts = fabs(best) > 3.0 * error && fabs(best) < most_ppm * 1e-6;
    const double slope = out->drifts ? best : 0.0;
    out->lag = lag_at(d, slope) - slope * d->middle;
}

lt_status ltp_echo_drift_find(const ltp_echo_pair *p, ltp_echo_lag *out, lt_error *err)
{
    drift d = {0};
    out->drifts = false;
    lt_status st = drift_make(p, out, &d, err);
    if (st == LT_OK) {
        run_blocks(&d);
        if (d.blocks >= GROUPS) {
            find(&d, out);
            out->lag *= p->rate_hz / d.s.sent->rate_hz;
        }
    }
    drift_clear(&d);
    return st;
}
