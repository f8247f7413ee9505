/* SPDX-License-Identifier: MIT
 * What an echo canceller would achieve: libspeexdsp's (multidelay block frequency domain, after Valin, IEEE Trans. ASLP
 * 15, 2007) is run over the recordings with several tail lengths. dB of echo return loss enhancement (ERLE). */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <speex/speex_echo.h>

#include <math.h>
#include <string.h>

static const double tails_ms[] = {8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0};
_Static_assert(sizeof tails_ms / sizeof *tails_ms <= LT_CANCELLER_TAILS_MAX, "room for each");
static const double frame_s = 0.008;
static const double peak = 16000.0;       /* of the 16-bit samples given to it */
static const double lead_ms = 4.0;        /* left before the first arrival when the delay is taken off */
static const double bulk_from_ms = 30.0;  /* a shorter delay is left to the canceller */
static const double settled = 0.5;        /* of the recording, from where on the result counts */
static const double echo_over_rest = 4.0; /* power: only where the echo dominates */
static const double longest_s = 60.0;
static const double least_gain_db = 3.0;
static const double near_best_db = 2.0; /* that much may be convergence; a tail too short for the path leaves more */

typedef struct {
    size_t frame, frames; /* length and number */
    int16_t *sent, *back, *out;
    double *rest; /* [frames] mean square of what the measured path leaves */
    bool *counts; /* [frames] */
} trial;

static void trial_clear(trial *t)
{
    ltp_free(t->sent);
    ltp_free(t->back);
    ltp_free(t->out);
    ltp_free(t->rest);
    ltp_free(t->counts);
}

static double at_or_zero(const lt_signal *s, ptrdiff_t i)
{
    return i >= 0 && (size_t)i < s->count ? s->samples[i] : 0.0;
}

static int16_t to_16_bit(double x)
{
    return (int16_t)lround(fmin(fmax(x, -32768.0), 32767.0));
}

/* What the path explains and leaves, frame by frame; only frames in which echo dominates count. */
static lt_status weigh_frames(const ltp_echo_pair *p, const lt_ir *path, ptrdiff_t shift, double scale, trial *t,
                              lt_error *err)
{
    double *echo = ltp_alloc(p->sent->count + path->count - 1, sizeof *echo);
    if (echo == NULL)
        return ltp_fail_nomem(err, "a canceller");
    const lt_status st = lt_convolve(p->sent->samples, p->sent->count, path->samples, path->count, echo, err);
    for (size_t f = 0; f < t->frames && st == LT_OK; f++) {
        double explained = 0.0, rest = 0.0;
        for (size_t i = f * t->frame; i < (f + 1) * t->frame; i++) {
            const ptrdiff_t at = (ptrdiff_t)i + shift + path->origin_frames;
            const double y = at >= 0 && (size_t)at < p->sent->count + path->count - 1 ? scale * echo[at] : 0.0;
            const double d = t->back[i] - y;
            explained += y * y;
            rest += d * d;
        }
        t->rest[f] = rest;
        t->counts[f] = explained > echo_over_rest * rest && f >= (size_t)(settled * (double)t->frames);
    }
    ltp_free(echo);
    return st;
}

static lt_status trial_make(const ltp_echo_pair *p, const lt_ir *path, ptrdiff_t shift, trial *t, lt_error *err)
{
    t->frame = (size_t)(frame_s * p->rate_hz);
    const double seconds = fmin((double)p->sent->count / p->rate_hz, longest_s);
    t->frames = (size_t)(seconds * p->rate_hz) / t->frame;
    const size_t count = t->frames * t->frame;
    t->sent = ltp_alloc(count, sizeof *t->sent);
    t->back = ltp_alloc(count, sizeof *t->back);
    t->out = ltp_alloc(count, sizeof *t->out);
    t->rest = ltp_alloc(t->frames, sizeof *t->rest);
    t->counts = ltp_alloc(t->frames, sizeof *t->counts);
    if (t->sent == NULL || t->back == NULL || t->out == NULL || t->rest == NULL || t->counts == NULL)
        return ltp_fail_nomem(err, "a canceller");
    const double scale = peak / fmax(fmax(lt_signal_peak(p->sent), lt_signal_peak(p->returned)), 1e-9);
    for (size_t i = 0; i < count; i++) {
        t->sent[i] = to_16_bit(scale * at_or_zero(p->sent, (ptrdiff_t)i));
        t->back[i] = to_16_bit(scale * at_or_zero(p->returned, (ptrdiff_t)i + shift));
    }
    return weigh_frames(p, path, shift, scale, t, err);
}

static double power_of(const int16_t *x, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += (double)x[i] * (double)x[i];
    return sum;
}

/* ERLE of one tail length, NaN if no frame counts. */
static lt_status run(trial *t, double rate_hz, double tail_ms, double *erle_db, lt_error *err)
{
    const size_t taps = (size_t)(tail_ms * 1e-3 * rate_hz);
    SpeexEchoState *state = speex_echo_state_init((int)t->frame, (int)taps);
    if (state == NULL)
        return ltp_fail_nomem(err, "a canceller");
    int rate = (int)lround(rate_hz);
    (void)speex_echo_ctl(state, SPEEX_ECHO_SET_SAMPLING_RATE, &rate);
    double before = 0.0, after = 0.0;
    for (size_t f = 0; f < t->frames; f++) {
        const size_t at = f * t->frame;
        speex_echo_cancellation(state, t->back + at, t->sent + at, t->out + at);
        if (t->counts[f]) {
            before += power_of(t->back + at, t->frame);
            after += power_of(t->out + at, t->frame);
        }
    }
    speex_echo_state_destroy(state);
    *erle_db = before > 0.0 ? lt_db_from_power(before / fmax(after, 1.0)) : (double)NAN;
    return LT_OK;
}

static void summarise(const trial *t, lt_canceller *out)
{
    double before = 0.0, rest = 0.0;
    for (size_t f = 0; f < t->frames; f++)
        if (t->counts[f]) {
            before += power_of(t->back + f * t->frame, t->frame);
            rest += t->rest[f];
        }
    out->path_db = before > 0.0 ? lt_db_from_power(before / fmax(rest, 1.0)) : (double)NAN;
    out->best_db = out->sufficient_ms = NAN;
    for (size_t i = 0; i < out->count; i++)
        if (!(out->tails[i].erle_db <= out->best_db))
            out->best_db = out->tails[i].erle_db;
    for (size_t i = out->count; i-- > 0 && out->best_db >= least_gain_db;)
        if (out->tails[i].erle_db >= out->best_db - near_best_db)
            out->sufficient_ms = out->tails[i].tail_ms;
}

lt_status lt_canceller_try(const lt_signal *sent, const lt_signal *returned, const lt_echo *echo, lt_canceller *out,
                           lt_error *err)
{
    *out = (lt_canceller){.best_db = NAN, .sufficient_ms = NAN, .path_db = NAN};
    if (echo->ir == NULL || echo->source != LT_ECHO_FROM_SPEECH)
        return LT_OK; /* nothing to cancel, or no speech to adapt to */
    ltp_echo_pair p = {0};
    trial t = {0};
    lt_status st = ltp_echo_prepare(sent, returned, &p, err);
    if (st == LT_OK && lt_is_known(echo->drift_ppm) && fabs(echo->drift_ppm) > 0.0)
        st = ltp_echo_correct_drift(&p, echo->drift_ppm, err);
    if (st == LT_OK) {
        const bool bulk = echo->delay_ms > bulk_from_ms || echo->delay_ms < 0.0;
        out->bulk_ms = bulk ? echo->delay_ms - lead_ms : 0.0;
        st = trial_make(&p, echo->ir, (ptrdiff_t)lround(out->bulk_ms * 1e-3 * p.rate_hz), &t, err);
    }
    for (size_t i = 0; i < LTP_COUNT(tails_ms) && st == LT_OK; i++) {
        out->tails[i].tail_ms = tails_ms[i];
        st = run(&t, p.rate_hz, tails_ms[i], &out->tails[i].erle_db, err);
        out->count = i + 1;
    }
    if (st == LT_OK)
        summarise(&t, out);
    trial_clear(&t);
    ltp_echo_pair_clear(&p);
    return st;
}
