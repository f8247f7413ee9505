/* SPDX-License-Identifier: MIT
 * Lag and clock drift between two recordings, and the part of them that is used. Frames of the analysis rate. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

static const double longest_s = 90.0; /* of speech that counts: more does not make it better, only slower */
static const double path_s = 4.0;     /* of the return behind the end of what was sent */
static const double drift_least_ppm = 0.7;
static const double near_from_s = -1.5, near_to_s = 4.0; /* lags tried first */
/* A peak this clear, in this share of the blocks, needs no search farther away: the same sentence said twice makes a
 * clear peak as well, but not in block after block. */
static const double near_contrast = 5.0, near_share = 0.8;
static const double far_contrast = 1.6; /* among so many lags chance reaches more */
static const double far_about_s = 2.5;
static const double far_returned_s = 600.0;     /* of the return at a time: bounds the memory */
static const double frame_s = 0.1, hop_s = 5.0; /* in which the busiest part is looked for */
static const double busy_share = 0.05;          /* of the mean power */

lt_status ltp_echo_correct_drift(ltp_echo_pair *p, double ppm, lt_error *err)
{
    lt_signal *changed = NULL;
    const double rate_hz = p->returned->rate_hz;
    p->returned->rate_hz = rate_hz * (1.0 + ppm * 1e-6);
    const lt_status st = lt_resample(p->returned, rate_hz, &changed, err);
    p->returned->rate_hz = rate_hz;
    if (st != LT_OK)
        return st;
    lt_signal_free(p->returned);
    p->returned = changed;
    return LT_OK;
}

/* A part of the pair without a copy. */
typedef struct {
    lt_signal sent, returned;
    ltp_echo_pair pair;
} part;

/* `count` frames of sent from `from`; of the return from `back` to as far as their echo reaches. */
static void part_make(const ltp_echo_pair *p, size_t from, size_t count, size_t back, size_t back_count, part *out)
{
    *out = (part){.sent = *p->sent, .returned = *p->returned};
    out->sent.samples += from;
    out->sent.count = count;
    out->returned.samples += back;
    out->returned.count = p->returned->count - back < back_count ? p->returned->count - back : back_count;
    out->pair = *p;
    out->pair.sent = &out->sent;
    out->pair.returned = &out->returned;
}

/* Where most is said within [from, to) of what was sent: the beginning of `length` frames. */
static lt_status busiest(const lt_signal *s, size_t from, size_t to, size_t length, size_t *begin, lt_error *err)
{
    const size_t per = (size_t)(frame_s * s->rate_hz);
    const size_t frames = (to - from) / per;
    const size_t window = length / per;
    *begin = from;
    if (to - from <= length || window >= frames)
        return LT_OK;
    double *power = ltp_alloc(frames, sizeof *power);
    if (power == NULL)
        return ltp_fail_nomem(err, "an echo");
    double mean = 0.0;
    for (size_t f = 0; f < frames; f++) {
        for (size_t i = from + f * per; i < from + (f + 1) * per; i++)
            power[f] += s->samples[i] * s->samples[i];
        mean += power[f] / (double)frames;
    }
    size_t best = 0;
    for (size_t at = 0; at + window <= frames; at += (size_t)(hop_s / frame_s)) {
        size_t busy = 0;
        for (size_t f = at; f < at + window; f++)
            busy += power[f] > busy_share * mean;
        if (busy > best) {
            best = busy;
            *begin = from + at * per;
        }
    }
    ltp_free(power);
    return LT_OK;
}

/* In the return from frame `back`: roughly, then around what was found. */
static lt_status find_behind(const ltp_echo_pair *p, size_t from, size_t count, size_t back, ltp_echo_lag *lag,
                             lt_error *err)
{
    part all;
    part_make(p, from, count, back, (size_t)(far_returned_s * p->rate_hz), &all);
    ltp_echo_lag far = {.drifts = true};
    lt_status st = ltp_echo_lag_find(&all.pair, -(double)all.sent.count, (double)all.returned.count, true, &far, err);
    if (st != LT_OK || far.contrast < far_contrast)
        return st;
    const double about = far_about_s * p->rate_hz;
    const double middle = far.lag;
    far = (ltp_echo_lag){.drifts = true};
    st = ltp_echo_lag_find(&all.pair, middle - about, middle + about, false, &far, err);
    if (st == LT_OK && far.contrast * (far.share + 0.1) > 1.2 * lag->contrast * (lag->share + 0.1)) {
        *lag = far;
        lag->lag += (double)back - (double)from;
    }
    return st;
}

/* Recorders that were started at quite different times: everywhere. The parts of the return overlap by what was sent,
 * so that one of them holds all of its echo. */
static lt_status find_far(const ltp_echo_pair *p, size_t from, size_t count, ltp_echo_lag *lag, lt_error *err)
{
    const size_t step = (size_t)((far_returned_s - longest_s) * p->rate_hz);
    lt_status st = LT_OK;
    for (size_t back = 0; st == LT_OK && (back == 0 || back + count < p->returned->count); back += step)
        st = find_behind(p, from, count, back, lag, err);
    return st;
}

/* The lag at frame *from of what was sent, found from `*count` frames there. */
static lt_status find_lag(const ltp_echo_pair *p, bool one_clock, size_t *from, size_t *count, ltp_echo_lag *lag,
                          lt_error *err)
{
    const double rate = p->rate_hz;
    const size_t most = (size_t)(longest_s * rate);
    const size_t both = p->sent->count < p->returned->count ? p->sent->count : p->returned->count;
    lt_status st = busiest(p->sent, 0, both, most, from, err);
    if (st != LT_OK)
        return st;
    *count = p->sent->count - *from < most ? p->sent->count - *from : most;
    part near;
    part_make(p, *from, *count, *from, *count + (size_t)(path_s * rate), &near);
    *lag = (ltp_echo_lag){.drifts = !one_clock};
    st = ltp_echo_lag_find(&near.pair, p->causal ? 0.0 : near_from_s * rate, near_to_s * rate, false, lag, err);
    const bool sure = lag->contrast >= near_contrast && lag->share >= near_share;
    return st != LT_OK || one_clock || sure ? st : find_far(p, *from, *count, lag, err);
}

/* The part of both recordings that belongs together, at most longest_s. */
static lt_status choose(const ltp_echo_pair *p, const ltp_echo_lag *lag, size_t *from, size_t *count, lt_error *err)
{
    const size_t least = (size_t)p->rate_hz / 2;
    const size_t most = (size_t)(longest_s * p->rate_hz);
    const double begin = fmin(fmax(-lag->lag, 0.0), (double)(p->sent->count - least));
    const double end = fmin((double)p->sent->count, (double)p->returned->count - lag->lag);
    const size_t stop = (size_t)fmax(end, begin + (double)least);
    const lt_status st = busiest(p->sent, (size_t)begin, stop, most, from, err);
    *count = stop - *from < most ? stop - *from : most;
    return st;
}

static void cut_signal(lt_signal *s, size_t from, size_t count)
{
    s->count = s->count - from < count ? s->count - from : count;
    memmove(s->samples, s->samples + from, s->count * sizeof *s->samples);
}

/* Frame of the return that the part's echoes begin behind. */
static size_t back_of(const ltp_echo_pair *p, size_t from, const ltp_echo_lag *lag)
{
    const double at = (double)from + lag->lag - path_s * p->rate_hz;
    const double last = (double)p->returned->count - 0.5 * p->rate_hz;
    return (size_t)fmax(fmin(at, last), 0.0);
}

lt_status ltp_echo_align(ltp_echo_pair *p, const lt_echo_options *o, ltp_echo_lag *lag, lt_echo *e, lt_error *err)
{
    size_t from = 0, count = 0;
    const size_t all = p->sent->count;
    lt_status st = find_lag(p, o->one_clock, &from, &count, lag, err);
    e->seconds = (double)count / p->rate_hz;
    if (st != LT_OK || lag->contrast < LTP_ECHO_CONTRAST_LEAST)
        return st;
    const size_t found_at = from;
    st = choose(p, lag, &from, &count, err);
    lag->lag += lag->drift_ppm * 1e-6 * ((double)from - (double)found_at);
    e->drift_ppm = o->one_clock ? (double)NAN : 0.0;
    for (int round = 0; round < 2 && st == LT_OK && !o->one_clock; round++) {
        part used;
        const size_t back = back_of(p, from, lag);
        part_make(p, from, count, back, count + (size_t)(2.0 * path_s * p->rate_hz), &used);
        const double skew = (double)back - (double)from;
        lag->lag -= skew;
        st = ltp_echo_drift_find(&used.pair, lag, err);
        lag->lag += skew;
        if (st != LT_OK || !lag->drifts || fabs(lag->drift_ppm) < drift_least_ppm)
            break;
        st = ltp_echo_correct_drift(p, lag->drift_ppm, err);
        lag->lag = ((double)from + lag->lag) / (1.0 + lag->drift_ppm * 1e-6) - (double)from;
        e->drift_ppm = ((1.0 + e->drift_ppm * 1e-6) * (1.0 + lag->drift_ppm * 1e-6) - 1.0) * 1e6;
        lag->drift_ppm = 0.0;
    }
    if (st != LT_OK)
        return st;
    const size_t back = back_of(p, from, lag);
    p->skew = (ptrdiff_t)back - (ptrdiff_t)from;
    cut_signal(p->sent, from, count);
    cut_signal(p->returned, back, count + (size_t)(2.0 * path_s * p->rate_hz));
    e->seconds = (double)p->sent->count / p->rate_hz;
    if ((double)all > (longest_s + 1.0) * p->rate_hz)
        lt_notes_add(&e->notes, "busiest-part", "the %.0f s in which most is said were used, from %.0f s on",
                     e->seconds, (double)from / p->rate_hz);
    return LT_OK;
}
