/* SPDX-License-Identifier: MIT
 * The place of a step whose size is known. Where the sweep stops being what its response predicts, it is put together
 * again with what is missing put in (or what is there twice taken out); the place at which one response then explains
 * every sample before it and, moved by the step, every sample after it, is the one. */
#include "base/alloc.h"
#include "response/gaps.h"
#include "response/step.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static const double room_s = 0.5;
static const double near_s = 0.03;                   /* about the place where the prediction fails */
static const double certain = 0.6, certain_s = 0.01; /* unexplained energy re that without a step; doubt of the place */
static const double likely = 0.85, likely_s = 0.06;  /* ... where the player lost it, reflections go on for a while */
static const double zone_more_s = 0.1;               /* beside what the phases say */
enum { ROUNDS = 3, JUMPS = 4 };

typedef struct {
    ltp_gap_search *g;
    const lt_signal *recording;
    double zero_s, drift;
    long frames;     /* of the recording */
    ptrdiff_t moved; /* ... of the stimulus */
    size_t from, to; /* zone of the piece */
    double *more;    /* [to - from] squares that the prediction leaves more than the moved one */
} place;

/* The recording with `frames` put in at (or taken out from) frame `at`; fill[|frames|]. */
static lt_status restore(const place *p, size_t at, const double *fill, lt_signal **out, lt_error *err)
{
    const lt_signal *r = p->recording;
    const size_t more = p->frames > 0 ? (size_t)p->frames : 0, less = p->frames < 0 ? (size_t)-p->frames : 0;
    const lt_status st = lt_signal_create(r->count + more - less, r->rate_hz, out, err);
    if (st != LT_OK)
        return st;
    double *x = (*out)->samples;
    memcpy(x, r->samples, at * sizeof *x);
    if (more > 0)
        memcpy(x + at, fill, more * sizeof *x);
    memcpy(x + at + more, r->samples + at + less, (r->count - at - less) * sizeof *x);
    return LT_OK;
}

/* The place that leaves least of what neither the prediction nor the moved prediction explains. */
static size_t compare(place *p, const double *piece, const double *predicted, double *left)
{
    double sum = 0.0;
    size_t best = p->from;
    for (size_t i = p->from; i < p->to; i++) {
        const double a = piece[i] - predicted[i], b = piece[i] - predicted[(ptrdiff_t)i + p->moved];
        p->more[i - p->from] = a * a - b * b;
        sum += b * b;
    }
    *left = sum;
    for (size_t i = p->from; i < p->to; i++) {
        sum += p->more[i - p->from];
        if (sum < *left) {
            *left = sum;
            best = i + 1;
        }
    }
    return best;
}

static double unexplained(const place *p, const double *piece, const double *predicted)
{
    double sum = 0.0;
    for (size_t i = p->from; i < p->to; i++)
        sum += (piece[i] - predicted[i]) * (piece[i] - predicted[i]);
    return sum;
}

/* Frame of the recording for one of the piece. */
static double recorded(const place *p, double at)
{
    const ltp_kernel *k = ltp_gap_search_kernel(p->g);
    return (p->zero_s + (at - (double)k->before) / k->rate_hz * (1.0 + p->drift)) * p->recording->rate_hz;
}

/* What is predicted from frame `at` < `to` of the piece on, as frames of the recording: fill[|frames|]. It ends less
 * than two frames after at + |moved|, for which there is room. */
static void fill_up(const place *p, const double *predicted, size_t at, double *fill)
{
    const double step = ltp_gap_search_kernel(p->g)->rate_hz / p->recording->rate_hz / (1.0 + p->drift);
    for (size_t i = 0; i < (size_t)labs(p->frames); i++) {
        const double from = (double)i * step, below = floor(from);
        const double *x = predicted + at + (size_t)below;
        fill[i] = x[0] + (from - below) * (x[1] - x[0]);
    }
}

/* One round: what was lost is filled up with fill[], which becomes what is predicted there. */
static lt_status improve(place *p, const lt_signal *piece, double *fill, size_t *at, double *left, lt_error *err)
{
    const double frame = recorded(p, (double)*at);
    const size_t size = (size_t)labs(p->frames);
    double zero_s = p->zero_s;
    lt_signal *fixed = NULL, *whole = NULL;
    if (!(frame >= 0.0 && frame + (double)size < (double)p->recording->count)) {
        *left = INFINITY;
        return LT_OK;
    }
    lt_status st = restore(p, (size_t)frame, fill, &fixed, err);
    if (st == LT_OK)
        st = ltp_piece_cut(fixed, &zero_s, p->drift, ltp_gap_search_kernel(p->g), &whole, err);
    if (st == LT_OK) {
        const double *predicted = ltp_gap_search_predict(p->g, whole);
        *at = compare(p, piece->samples, predicted, left);
        fill_up(p, predicted, *at, fill);
    }
    lt_signal_free(fixed);
    lt_signal_free(whole);
    return st;
}

/* Looks closely about jump_s after the sweep's start: what is unexplained with the step, re without. */
static lt_status look_closely(place *p, const lt_signal *piece, double *jump_s, double *unexplained_share,
                              lt_error *err)
{
    const ltp_kernel *k = ltp_gap_search_kernel(p->g);
    const double middle = (double)k->before + *jump_s * k->rate_hz, near = near_s * k->rate_hz;
    const double room = near + (double)labs(p->frames) + (double)labs((long)p->moved) + 2.0;
    *unexplained_share = INFINITY;
    if (middle < room || middle + room > (double)(k->before + k->sweep + k->after))
        return LT_OK;
    p->from = (size_t)(middle - near);
    p->to = (size_t)(middle + near);
    double *fill = ltp_alloc((size_t)labs(p->frames) + 1, sizeof *fill); /* silence */
    p->more = ltp_alloc(p->to - p->from, sizeof *p->more);
    lt_status st = fill != NULL && p->more != NULL ? LT_OK : ltp_fail_nomem(err, "the place of a step");
    size_t at = (size_t)middle;
    double left = INFINITY;
    const double before = st == LT_OK ? unexplained(p, piece->samples, ltp_gap_search_predict(p->g, piece)) : 0.0;
    for (int round = 0; st == LT_OK && round < ROUNDS; round++)
        st = improve(p, piece, fill, &at, &left, err);
    *unexplained_share = st == LT_OK && before > 0.0 ? left / before : (double)INFINITY;
    if (*unexplained_share < likely)
        *jump_s = ((double)at - (double)k->before) / k->rate_hz;
    ltp_free(fill);
    ltp_free(p->more);
    p->more = NULL;
    return st;
}

lt_status ltp_step_place(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, double zero_s,
                         ltp_step *step, lt_error *err)
{
    const double scale = 1.0 + step->drift, rate = stimulus->rate_hz;
    place p = {.recording = recording, .zero_s = zero_s, .drift = step->drift, .frames = lround(step->frames)};
    p.moved = (ptrdiff_t)lround(step->frames * rate / recording->rate_hz);
    lt_signal *piece = NULL;
    lt_status st = ltp_gap_search_create(stimulus, s, (size_t)(room_s * rate), &p.g, err);
    if (st == LT_OK)
        st = ltp_piece_cut(recording, &p.zero_s, p.drift, ltp_gap_search_kernel(p.g), &piece, err);
    if (st == LT_OK) {
        const double from_s = (step->from_s - p.zero_s) / scale - zone_more_s;
        const double to_s = (step->to_s - p.zero_s) / scale + zone_more_s;
        double jumps[JUMPS];
        const size_t count = ltp_gap_search_jumps(p.g, piece, (double)p.moved, from_s, to_s, jumps, JUMPS);
        double least = likely;
        for (size_t i = 0; st == LT_OK && i < count; i++) {
            double share = INFINITY;
            st = look_closely(&p, piece, &jumps[i], &share, err);
            if (!(share < least))
                continue;
            const double at_s = p.zero_s + jumps[i] * scale, doubt_s = share < certain ? certain_s : likely_s;
            least = share;
            step->from_s = at_s - doubt_s;
            step->to_s = at_s + doubt_s;
        }
    }
    lt_signal_free(piece);
    ltp_gap_search_free(p.g);
    return st;
}
