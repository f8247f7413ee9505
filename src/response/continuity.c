/* SPDX-License-Identifier: MIT
 * Was every sample kept? On one clock the distance of the markers is exact; repeats must agree with each other; and a
 * gap shows as a moment when the sweep, as the measured response predicts it, is missing. Frames of the recording
 * unless a name says otherwise. */
#include "base/alloc.h"
#include "response/gaps.h"
#include "response/step.h"

#include <math.h>

static const double whole_frames = 0.5;      /* a loss is at least one frame */
static const double sigma_most_frames = 0.1; /* what the markers must be known to */
static const double far_s = 0.02;            /* markers farther off than this are looked for in a wide window */
static const double search_s = 1.0;
static const double stands_out = 8.0;                       /* correlation peak over its RMS */
static const double sigmas = 4.0;                           /* of doubt */
static const double whole_least = 0.25, whole_share = 0.01; /* how near to a whole number */
static const double clean_frames = 0.3;
static const double step_near = 2.0; /* frames: a step along the sweep and what one clock's markers say */
static const double room_s = 0.5;    /* of a piece, before and after its sweep */

typedef struct {
    const lt_signal *recording, *stimulus;
    ltp_structure structure;
    double start_s;
    double rate_hz;    /* of the recording */
    ltp_drift markers; /* sigma infinite: not known */
    double distance;   /* of the markers as played */
    bool narrowed;
    bool all_there; /* every sweep lies in the recording */
    lt_continuity *out;
} check;

static void found(check *c, double frames, double from_s, double to_s)
{
    if (c->out->verdict == LT_CONTINUITY_BROKEN)
        return; /* the first evidence is the best */
    c->out->verdict = LT_CONTINUITY_BROKEN;
    c->out->frames = frames;
    c->out->from_s = from_s;
    c->out->to_s = to_s;
}

/* Correlation of the whole recording with the first marker: x[lags]. */
static lt_status correlate(const check *c, double **out, size_t *lags, lt_error *err)
{
    const ltp_span *m = &c->structure.marker[0];
    const lt_signal span = {c->stimulus->samples + m->first, m->count, c->stimulus->rate_hz};
    lt_signal *marker = NULL;
    lt_rfft *fft = NULL;
    *lags = 0;
    *out = NULL;
    lt_status st = lt_resample(&span, c->rate_hz, &marker, err);
    if (st != LT_OK)
        return st;
    const size_t n = lt_rfft_good_size(c->recording->count + marker->count);
    st = lt_rfft_create(n, &fft, err);
    lt_complex *a = ltp_alloc(n / 2 + 1, sizeof *a), *b = ltp_alloc(n / 2 + 1, sizeof *b);
    double *x = ltp_alloc(n, sizeof *x);
    if (st == LT_OK && (a == NULL || b == NULL || x == NULL))
        st = ltp_fail_nomem(err, "the markers");
    if (st == LT_OK) {
        lt_rfft_forward_padded(fft, c->recording->samples, c->recording->count, a);
        lt_rfft_forward_padded(fft, marker->samples, marker->count, b);
        for (size_t k = 0; k <= n / 2; k++)
            a[k] = ltp_product(a[k], (lt_complex){b[k].re, -b[k].im});
        lt_rfft_inverse(fft, a, x);
        *lags = c->recording->count > marker->count ? c->recording->count - marker->count : 0;
        *out = x;
        x = NULL;
    }
    ltp_free(a);
    ltp_free(b);
    ltp_free(x);
    lt_rfft_free(fft);
    lt_signal_free(marker);
    return st;
}

static size_t highest(const double *x, size_t count, double from, double to)
{
    size_t top = from > 0.0 ? (size_t)from : 0;
    for (size_t i = top; i < count && (double)i <= to; i++)
        top = fabs(x[i]) > fabs(x[top]) ? i : top;
    return top;
}

/* Both markers, wherever they are: the highest peak, and the highest at about the right distance on either side. */
static lt_status find_markers(const check *c, double *place, bool *clear, lt_error *err)
{
    double *x = NULL;
    size_t lags = 0;
    *clear = false;
    const lt_status st = correlate(c, &x, &lags, err);
    if (st != LT_OK || lags == 0) {
        ltp_free(x);
        return st;
    }
    double sum = 0.0;
    for (size_t i = 0; i < lags; i++)
        sum += x[i] * x[i];
    const double least = stands_out * sqrt(sum / (double)lags), reach = search_s * c->rate_hz;
    const size_t top = highest(x, lags, 0.0, INFINITY);
    const double at = (double)top;
    size_t mate = lags;
    for (int side = -1; side <= 1; side += 2) {
        const double about = at + side * c->distance;
        if (about + reach < 0.0 || about - reach >= (double)lags)
            continue;
        const size_t k = highest(x, lags, about - reach, about + reach);
        mate = mate == lags || fabs(x[k]) > fabs(x[mate]) ? k : mate;
    }
    if (mate < lags) {
        *clear = fabs(x[top]) > least && fabs(x[mate]) > least;
        place[0] = (double)(mate < top ? mate : top);
        place[1] = (double)(mate < top ? top : mate);
    }
    ltp_free(x);
    return LT_OK;
}

/* The distance of the markers to a small part of a frame. place[2]: roughly, from find_markers(). */
static lt_status check_markers(check *c, const double *place, bool one_clock, lt_error *err)
{
    const ltp_structure *s = &c->structure;
    const ltp_play play = {.start_s = c->start_s};
    const double from_s = place[0] / c->rate_hz;
    const double to_s = (place[1] + (double)s->marker[1].count / c->stimulus->rate_hz * c->rate_hz) / c->rate_hz;
    const double rough = place[1] - place[0] - c->distance;
    if (fabs(rough) > fmax(far_s * c->rate_hz, LTP_DRIFT_MOST * c->distance)) {
        found(c, -rough, from_s, to_s);
        return LT_OK;
    }
    const lt_status st = ltp_drift_from_markers(c->recording, c->stimulus, s, &play, &c->markers, err);
    const double longer = c->markers.drift * c->distance, sigma = c->markers.sigma * c->distance;
    if (st != LT_OK || !isfinite(sigma))
        return st;
    c->out->drift_ppm = 1e6 * c->markers.drift;
    const double limit = one_clock ? whole_frames : LTP_DRIFT_MOST * c->distance;
    if (sigma > sigma_most_frames * fmax(1.0, limit))
        return LT_OK;
    c->out->least_frames = fmax(limit, 1.0);
    /* On one clock only whole frames can be missing; anything else is a marker that noise has bent. */
    const bool whole = fabs(longer - round(longer)) < whole_least + whole_share * fabs(longer);
    if (fabs(longer) > limit + sigmas * sigma && (whole || !one_clock))
        found(c, one_clock ? -round(longer) : (double)NAN, from_s, to_s);
    else if (fabs(longer) < fmax(limit, one_clock ? clean_frames : 0.0))
        c->out->verdict = LT_CONTINUITY_WHOLE;
    return LT_OK;
}

/* A step along the sweep: what the markers alone cannot tell from drift, and where it happened. */
static lt_status check_step(check *c, const double *place, bool one_clock, lt_error *err)
{
    lt_continuity *o = c->out;
    const bool broken = o->verdict == LT_CONTINUITY_BROKEN;
    const double longer =
        isfinite(c->markers.sigma) ? c->markers.drift * c->distance : place[1] - place[0] - c->distance;
    ltp_step step;
    if (one_clock && !broken)
        return LT_OK; /* the markers have told all */
    const lt_status st = ltp_step_find(c->recording, c->stimulus, &c->structure, c->start_s, &step, err);
    if (st != LT_OK || !step.known || (one_clock && !(fabs(step.frames + longer) < step_near)))
        return st;
    if (!one_clock)
        o->least_frames = fmin(isnan(o->least_frames) ? (double)INFINITY : o->least_frames, step.least_frames);
    if (!step.found)
        return LT_OK;
    o->verdict = LT_CONTINUITY_BROKEN;
    o->frames = one_clock ? -round(longer) : step.frames;
    o->from_s = step.from_s;
    o->to_s = step.to_s;
    o->drift_ppm = one_clock ? o->drift_ppm : 1e6 * step.drift;
    return LT_OK;
}

/* Delay of sweep j against the first one. */
static void judge_delay(check *c, size_t j, const ltp_gap_result *r, bool one_clock, double from_s, double to_s)
{
    const bool settled = one_clock || isfinite(c->markers.sigma); /* the drift is known */
    const double apart = (double)(c->structure.sweeps[j].first - c->structure.sweeps[0].first);
    const double per_frame = c->rate_hz / c->stimulus->rate_hz;
    const double limit = settled ? whole_frames : LTP_DRIFT_MOST * apart * per_frame;
    const double moved = r->late_frames * per_frame;
    if (fabs(moved) > limit)
        found(c, -round(moved), from_s, to_s);
    else if (c->out->verdict == LT_CONTINUITY_UNCLEAR && c->all_there)
        c->out->verdict = LT_CONTINUITY_WHOLE;
    if (isnan(c->out->least_frames) || c->out->least_frames > fmax(limit, 1.0))
        c->out->least_frames = fmax(limit, 1.0);
}

/* What the markers have told happened where a sweep is disturbed. */
static void narrow(check *c, const ltp_gap_result *r)
{
    lt_continuity *o = c->out;
    if (o->verdict == LT_CONTINUITY_BROKEN && r->burst_from_s > o->from_s && r->burst_to_s < o->to_s && !c->narrowed) {
        o->from_s = r->burst_from_s;
        o->to_s = r->burst_to_s;
        c->narrowed = true;
    }
}

/* Gaps inside each sweep, and the delays of the sweeps against each other. */
static lt_status check_sweeps(check *c, bool one_clock, const uint64_t *suspects, size_t suspect_count, lt_error *err)
{
    const ltp_structure *s = &c->structure;
    const double drift = one_clock || !isfinite(c->markers.sigma) ? 0.0 : c->markers.drift;
    const double end_s = (double)c->recording->count / c->rate_hz;
    ltp_gap_search *g = NULL;
    lt_status st = ltp_gap_search_create(c->stimulus, s, (size_t)(room_s * c->stimulus->rate_hz), &g, err);
    double before_s = c->start_s;
    for (size_t j = 0; st == LT_OK && j < s->sweep_count; j++) {
        const double zero_s = c->start_s + (double)s->sweeps[j].first / c->stimulus->rate_hz * (1.0 + drift);
        const double to_s = zero_s + (double)s->sweeps[j].count / c->stimulus->rate_hz;
        ltp_gap_result r;
        if (zero_s < 0.0 || to_s > end_s) {
            c->all_there = false;
            continue;
        }
        st = ltp_gap_search_sweep(g, c->recording, zero_s, drift, suspects, suspect_count, &r, err);
        if (st == LT_OK && r.gap)
            found(c, (double)NAN, r.from_s, r.to_s);
        if (st == LT_OK && r.burst)
            narrow(c, &r);
        if (st == LT_OK && r.late_known)
            judge_delay(c, j, &r, one_clock, before_s, to_s);
        before_s = zero_s;
    }
    if (!c->all_there && c->out->verdict == LT_CONTINUITY_WHOLE)
        c->out->verdict = LT_CONTINUITY_UNCLEAR;
    ltp_gap_search_free(g);
    return st;
}

/* The best play by the sweeps, where there are no clear markers. */
static lt_status find_by_sweeps(check *c, lt_error *err)
{
    ltp_play *plays = ltp_alloc(LTP_PLAYS_MAX, sizeof *plays);
    size_t count = 0, best = 0;
    if (plays == NULL)
        return ltp_fail_nomem(err, "the check of a recording");
    lt_status st = ltp_find(c->recording, c->stimulus, &c->structure, plays, &count, err);
    if (st == LT_OK && count == 0)
        st = ltp_fail(err, LT_E_SNR, "the stimulus is not in the recording; check cables and levels");
    for (size_t i = 0; i < count; i++)
        best = plays[i].score > plays[best].score ? i : best;
    c->start_s = st == LT_OK ? plays[best].start_s : 0.0;
    ltp_free(plays);
    return st;
}

static lt_status check_all(check *c, bool one_clock, const uint64_t *suspects, size_t suspect_count, lt_error *err)
{
    const ltp_structure *s = &c->structure;
    double place[2] = {0};
    bool clear = false;
    lt_status st = ltp_structure_find(c->stimulus, &c->structure, err);
    if (st == LT_OK && s->markers) {
        c->distance = (double)(s->marker[1].first - s->marker[0].first) / c->stimulus->rate_hz * c->rate_hz;
        st = find_markers(c, place, &clear, err);
    }
    if (st != LT_OK)
        return st;
    if (clear) {
        c->start_s = place[0] / c->rate_hz - (double)s->marker[0].first / c->stimulus->rate_hz;
        st = check_markers(c, place, one_clock, err);
        if (st == LT_OK)
            st = check_step(c, place, one_clock, err);
    } else {
        st = find_by_sweeps(c, err);
    }
    return st == LT_OK ? check_sweeps(c, one_clock, suspects, suspect_count, err) : st;
}

lt_status lt_response_continuity(const lt_signal *recording, const lt_signal *stimulus, bool one_clock,
                                 const uint64_t *suspects, size_t suspect_count, lt_continuity *out, lt_error *err)
{
    *out = (lt_continuity){.verdict = LT_CONTINUITY_UNCLEAR,
                           .frames = (double)NAN,
                           .from_s = (double)NAN,
                           .to_s = (double)NAN,
                           .drift_ppm = (double)NAN,
                           .least_frames = (double)NAN};
    if (!(recording->rate_hz >= 4000.0) || recording->count == 0 || !isfinite(lt_signal_peak(recording)))
        return ltp_fail(err, LT_E_FORMAT, "the recording is empty or holds samples that are no numbers; record again");
    if (lt_signal_peak(recording) <= 0.0)
        return ltp_fail(err, LT_E_SNR, "the recording is silent; check cables and levels");
    check *c = ltp_alloc(1, sizeof *c);
    if (c == NULL)
        return ltp_fail_nomem(err, "the check of a recording");
    *c = (check){.recording = recording,
                 .stimulus = stimulus,
                 .rate_hz = recording->rate_hz,
                 .markers = {.sigma = INFINITY},
                 .all_there = true,
                 .out = out};
    const lt_status st = check_all(c, one_clock, suspects, suspect_count, err);
    ltp_free(c);
    return st;
}
