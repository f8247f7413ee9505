/* SPDX-License-Identifier: MIT
 * Clock drift from the two markers: the time between them in the recording against that in the stimulus. Each marker is
 * compressed by its own stimulus, so that noise and other arrivals stay outside a short window; the two compressed
 * markers are the same response twice, whatever it is, and their delay is read from the cross-spectrum. */
#include "response/drift.h"
#include "base/alloc.h"
#include "response/bands.h"
#include "response/shift.h"

#include <math.h>

static const double search_s = 0.025; /* about the place that the play's start says */
static const double keep_before_s = 0.005;
static const double keep_after_s = 0.02;
static const double coherence_least = 0.5;

typedef struct {
    lt_rfft *fft;
    size_t n, bins;
    lt_complex *marker, *spectrum[2];
    double *work;
    double start[2]; /* frames of the recording where each piece begins */
    lt_signal *reference;
} pair;

static void pair_clear(pair *p)
{
    lt_rfft_free(p->fft);
    ltp_free(p->marker);
    ltp_free(p->spectrum[0]);
    ltp_free(p->spectrum[1]);
    ltp_free(p->work);
    lt_signal_free(p->reference);
}

static lt_status pair_make(pair *p, const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s,
                           lt_error *err)
{
    const lt_signal marker = {stimulus->samples + s->marker[0].first, s->marker[0].count, stimulus->rate_hz};
    lt_status st = lt_resample(&marker, recording->rate_hz, &p->reference, err);
    if (st != LT_OK)
        return st;
    p->n = lt_rfft_good_size(p->reference->count + (size_t)(4.0 * search_s * recording->rate_hz));
    p->bins = p->n / 2 + 1;
    st = lt_rfft_create(p->n, &p->fft, err);
    if (st != LT_OK)
        return st;
    p->marker = ltp_alloc(p->bins, sizeof *p->marker);
    p->spectrum[0] = ltp_alloc(p->bins, sizeof *p->spectrum[0]);
    p->spectrum[1] = ltp_alloc(p->bins, sizeof *p->spectrum[1]);
    p->work = ltp_alloc(p->n, sizeof *p->work);
    if (p->marker == NULL || p->spectrum[0] == NULL || p->spectrum[1] == NULL || p->work == NULL)
        return ltp_fail_nomem(err, "the clock drift");
    lt_rfft_forward_padded(p->fft, p->reference->samples, p->reference->count, p->marker);
    return LT_OK;
}

/* Compresses the marker at `expected` frames; keeps a short piece about `peak` (found here in the first one). */
static void compress(pair *p, const lt_signal *recording, double expected, int which, size_t *peak)
{
    const size_t margin = (size_t)(search_s * recording->rate_hz);
    const ptrdiff_t first = (ptrdiff_t)llround(expected) - (ptrdiff_t)margin;
    p->start[which] = (double)first;
    const size_t count = p->reference->count + 3 * margin;
    for (size_t i = 0; i < p->n; i++) {
        const ptrdiff_t at = first + (ptrdiff_t)i;
        const bool inside = i < count && at >= 0 && at < (ptrdiff_t)recording->count;
        p->work[i] = inside ? recording->samples[at] : 0.0;
    }
    lt_complex *x = p->spectrum[which];
    lt_rfft_forward(p->fft, p->work, x);
    for (size_t k = 0; k < p->bins; k++)
        x[k] = ltp_product(x[k], (lt_complex){p->marker[k].re, -p->marker[k].im});
    lt_rfft_inverse(p->fft, x, p->work);
    size_t top = 0;
    for (size_t i = 0; i < 2 * margin; i++)
        if (fabs(p->work[i]) > fabs(p->work[top]))
            top = i;
    if (which == 0)
        *peak = top;
    const double before = keep_before_s * recording->rate_hz;
    const double after = keep_after_s * recording->rate_hz;
    for (size_t i = 0; i < p->n; i++) { /* the second one is cut about its own peak */
        const double t = (double)i - (double)top;
        p->work[i] *= lt_fade(2.0 * (1.0 + t / before)) * lt_fade(2.0 * (1.0 - t / after));
    }
    lt_rfft_forward(p->fft, p->work, x);
}

lt_status ltp_drift_from_markers(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s,
                                 const ltp_play *play, ltp_drift *out, lt_error *err)
{
    *out = (ltp_drift){.drift = 0.0, .sigma = INFINITY};
    if (!s->markers)
        return LT_OK;
    double at[2];
    for (int i = 0; i < 2; i++) {
        at[i] = (play->start_s + (double)s->marker[i].first / stimulus->rate_hz) * recording->rate_hz;
        const double end = at[i] + (double)s->marker[i].count / stimulus->rate_hz * recording->rate_hz;
        if (at[i] < 0.0 || end > (double)recording->count)
            return LT_OK;
    }
    pair p = {0};
    lt_status st = pair_make(&p, recording, stimulus, s, err);
    if (st == LT_OK) {
        size_t peak = 0;
        compress(&p, recording, at[0], 0, &peak);
        compress(&p, recording, at[1], 1, &peak);
        ltp_shift shift;
        st = ltp_shift_find(p.fft, p.spectrum[0], p.spectrum[1], NULL, (size_t)(2.0 * search_s * recording->rate_hz),
                            &shift, err);
        if (st == LT_OK && shift.coherence >= coherence_least) {
            const double played_s = (double)(s->marker[1].first - s->marker[0].first) / stimulus->rate_hz;
            const double recorded = p.start[1] - p.start[0] + shift.frames;
            out->drift = recorded / recording->rate_hz / played_s - 1.0;
            out->sigma = shift.sigma / recording->rate_hz / played_s;
        }
    }
    pair_clear(&p);
    return st;
}

ltp_drift ltp_drift_combine(ltp_drift a, ltp_drift b)
{
    if (!isfinite(a.sigma))
        return b;
    if (!isfinite(b.sigma))
        return a;
    const double wa = 1.0 / (a.sigma * a.sigma + 1e-24);
    const double wb = 1.0 / (b.sigma * b.sigma + 1e-24);
    return (ltp_drift){(wa * a.drift + wb * b.drift) / (wa + wb), 1.0 / sqrt(wa + wb)};
}
