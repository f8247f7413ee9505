/* SPDX-License-Identifier: MIT
 * Lag between two recordings: their blocks' correlations are squared and added along straight lines of lag against
 * time, so that neither clock drift nor a loud talker at the other end hides the peak. */
#include "base/alloc.h"
#include "loop/echo_search.h"

#include <math.h>
#include <string.h>

enum { BLOCKS_MAX = 16, SLOPES = 33, COARSE = 4 };
static const double block_s = 4.0;
static const double slope_step_ppm = 20.0;
static const double apart_before_s = 0.15; /* lags about the peak that chance is not judged by */
static const double apart_after_s = 0.9;
static const double stands_out = 12.0; /* power re the mean over all lags: chance reaches it once in 2000 */

typedef struct {
    ltp_echo_search s;
    size_t thin, range;       /* lags of s that one of ours holds the highest of; how many of ours */
    float *square;            /* [blocks][range] correlation squared, over its mean */
    double start[BLOCKS_MAX]; /* frames, middle of each block */
    size_t blocks;
} search;

static void run_blocks(search *k)
{
    ltp_echo_search *s = &k->s;
    const size_t fit = s->sent->count >= s->block ? (s->sent->count - s->block) / s->block + 1 : 1;
    const size_t used = fit < BLOCKS_MAX ? fit : BLOCKS_MAX;
    for (size_t b = 0; b < used; b++) {
        const size_t at = used > 1 ? (s->sent->count - s->block) / (used - 1) * b : 0;
        if (ltp_echo_is_quiet(s, at))
            continue;
        ltp_echo_correlate(s, at);
        double mean = 0.0;
        for (size_t i = 0; i < s->range; i++)
            mean += s->x[i] * s->x[i];
        float *out = k->square + k->blocks * k->range;
        if (!(mean > 0.0))
            continue;
        for (size_t i = 0; i < k->range; i++) {
            double top = 0.0;
            for (size_t j = i * k->thin; j < (i + 1) * k->thin; j++)
                top = fmax(top, fabs(s->x[j]));
            out[i] = (float)(top * top * (double)s->range / mean);
        }
        k->start[k->blocks++] = (double)at + 0.5 * (double)s->block;
    }
}

/* Sum along a line of slope `drift`; the line's lag is that at the recording's start, re the first one. */
static void add_up(const search *s, double drift, double *sum)
{
    memset(sum, 0, s->range * sizeof *sum);
    for (size_t b = 0; b < s->blocks; b++) {
        const ptrdiff_t shift = (ptrdiff_t)llround(drift * s->start[b] / (double)s->thin);
        const float *in = s->square + b * s->range;
        for (size_t i = 0; i < s->range; i++) {
            const ptrdiff_t at = (ptrdiff_t)i + shift;
            if (at >= 0 && (size_t)at < s->range)
                sum[i] += (double)in[at];
        }
    }
}

/* Peak and its amplitude over what one in a thousand of the far lags exceeds. */
static double judge(const search *s, const double *sum, double *scratch, size_t *peak)
{
    size_t top = 0;
    for (size_t i = 0; i < s->range; i++)
        if (sum[i] > sum[top])
            top = i;
    const double rate = s->s.sent->rate_hz / (double)s->thin;
    size_t n = 0;
    for (size_t i = 0; i < s->range; i++)
        if ((double)i < (double)top - apart_before_s * rate || (double)i > (double)top + apart_after_s * rate)
            scratch[n++] = sum[i];
    *peak = top;
    const double chance = n > 100 ? lt_quantile(scratch, n, 0.999) : (double)NAN;
    return chance > 0.0 ? sqrt(sum[top] / chance) : (double)NAN;
}

static lt_status pick(const search *s, bool drifts, double *lag, double *contrast, double *slope, lt_error *err)
{
    double *sum = ltp_alloc(s->range, sizeof *sum);
    double *scratch = ltp_alloc(s->range, sizeof *scratch);
    *contrast = 0.0;
    const bool ok = sum != NULL && scratch != NULL;
    for (int k = 0; ok && k < (drifts ? SLOPES : 1); k++) {
        const double drift = drifts ? (k - SLOPES / 2) * slope_step_ppm * 1e-6 : 0.0;
        size_t at = 0;
        add_up(s, drift, sum);
        const double c = judge(s, sum, scratch, &at);
        if (c > *contrast * (fabs(drift) < 1e-9 ? 0.97 : 1.0)) {
            *contrast = c;
            *lag = ((double)at + 0.5) * (double)s->thin - 0.5;
            *slope = drift;
        }
    }
    ltp_free(sum);
    ltp_free(scratch);
    return ok ? LT_OK : ltp_fail_nomem(err, "the lag of an echo");
}

/* Share of the blocks in which the lag stands out by itself. */
static double share_at(const search *s, double lag, double slope)
{
    size_t n = 0;
    for (size_t b = 0; b < s->blocks; b++) {
        const ptrdiff_t middle = (ptrdiff_t)llround((lag + slope * s->start[b]) / (double)s->thin);
        double top = 0.0;
        for (ptrdiff_t i = middle - 2; i <= middle + 2; i++)
            if (i >= 0 && (size_t)i < s->range)
                top = fmax(top, (double)s->square[b * s->range + (size_t)i]);
        n += top > stands_out;
    }
    return (double)n / (double)s->blocks;
}

lt_status ltp_echo_lag_find(const ltp_echo_pair *p, double first, double last, bool coarse, ltp_echo_lag *out,
                            lt_error *err)
{
    search s = {.thin = coarse ? COARSE : 1};
    const bool drifts = out->drifts;
    *out = (ltp_echo_lag){.drifts = drifts};
    lt_status st = ltp_echo_search_make(p, block_s, first, last, &s.s, err);
    if (st == LT_OK) {
        s.range = s.s.range / s.thin;
        s.square = ltp_alloc((size_t)BLOCKS_MAX * s.range, sizeof *s.square);
        if (s.square == NULL)
            st = ltp_fail_nomem(err, "the lag of an echo");
    }
    if (st == LT_OK) {
        run_blocks(&s);
        double slope = 0.0, lag = 0.0;
        if (s.blocks > 0) {
            st = pick(&s, drifts && s.blocks > 2, &lag, &out->contrast, &slope, err);
            out->share = share_at(&s, lag, slope);
        }
        out->lag = (lag + (double)s.s.first) * p->rate_hz / s.s.sent->rate_hz;
        out->drift_ppm = slope * 1e6;
    }
    ltp_echo_search_clear(&s.s);
    ltp_free(s.square);
    return st;
}
