/* SPDX-License-Identifier: MIT
 * The echo the other way: who talks into the returned line hears what the far end sends back. Both ways share the two
 * recordings, so the echo of the first way is taken off before its line counts as what was sent. dB where named. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>

static const double frame_s = 0.02;
static const double talk_over_pause_db = 9.0;  /* loud frames over quiet ones: speech; traffic stays below */
static const double talk_over_echo_db = -10.0; /* of the echo taken off: what is left of it lies lower */

/* returned -= sent through the path; the mean square of what was taken off. */
static lt_status take_off(const lt_ir *ir, ltp_echo_pair *p, double *echo, lt_error *err)
{
    const size_t count = p->sent->count + ir->count - 1;
    double *y = ltp_alloc(count, sizeof *y);
    *echo = 0.0;
    if (y == NULL)
        return ltp_fail_nomem(err, "an echo the other way");
    const lt_status st = lt_convolve(p->sent->samples, p->sent->count, ir->samples, ir->count, y, err);
    for (size_t i = 0; i < p->returned->count && st == LT_OK; i++) {
        const ptrdiff_t at = (ptrdiff_t)i + ir->origin_frames;
        if (at < 0 || (size_t)at >= count)
            continue;
        p->returned->samples[i] -= y[at];
        *echo += y[at] * y[at] / (double)p->returned->count;
    }
    ltp_free(y);
    return st;
}

/* Does somebody talk here, with pauses, and well above what may be left of an echo? */
static lt_status is_talk(const lt_signal *s, double echo, bool *talk, lt_error *err)
{
    const size_t per = (size_t)(frame_s * s->rate_hz);
    const size_t frames = s->count / per;
    *talk = false;
    double *level = ltp_alloc(frames > 0 ? frames : 1, sizeof *level);
    if (level == NULL)
        return ltp_fail_nomem(err, "an echo the other way");
    for (size_t f = 0; f < frames; f++)
        for (size_t i = f * per; i < (f + 1) * per; i++)
            level[f] += s->samples[i] * s->samples[i] / (double)per;
    if (frames > 20) {
        const double loud = lt_quantile(level, frames, 0.95);
        const double quiet = lt_quantile(level, frames, 0.2);
        *talk =
            loud > lt_power_from_db(talk_over_pause_db) * quiet && loud > lt_power_from_db(talk_over_echo_db) * echo;
    }
    ltp_free(level);
    return LT_OK;
}

/* At the counter nothing of the lane's hardware is to blame. Common practice. */
static void advise(lt_echo *e)
{
    static const char *const next[] = {
        [LT_ECHO_NONE] = "Nothing to do at this end.",
        [LT_ECHO_CROSSTALK] = "Unplug the earpiece at the counter and record again: if this echo stays, it is in the "
                              "wires or the hub; re-terminate them there.",
        [LT_ECHO_ACOUSTIC] = "Turn the counter's earpiece or monitor speaker down 6 dB and record again: this echo "
                             "must fall as much; then move its microphone away from it.",
        [LT_ECHO_REFLECTION] = "Turn the counter's monitor speaker away from hard surfaces, or use a headset, and "
                               "record again.",
        [LT_ECHO_PROCESSING] = "Record at the hub with the counter's side bypassed: the device whose removal takes the "
                               "delay away sends this echo back.",
        [LT_ECHO_NEAR_HOWL] = "Lower either direction 3 dB and record again: the repeats must die away faster.",
        [LT_ECHO_UNCLEAR] = "Unplug the earpiece at the counter and record again: an echo that stays is electrical, "
                            "one that goes came through the air.",
    };
    e->advice = (lt_notes){0};
    lt_notes_add(&e->advice, "other-way", "%s", next[e->finding]);
}

lt_status lt_echo_measure_back(const lt_signal *sent, const lt_signal *returned, const lt_echo *echo,
                               const lt_echo_options *opt, lt_echo **out, lt_error *err)
{
    *out = NULL;
    lt_echo_options o = opt != NULL ? *opt : lt_echo_default_options();
    o.distance_known = false; /* that is the lane's */
    if (echo->source != LT_ECHO_FROM_SPEECH || !o.one_clock)
        return ltp_fail(err, LT_E_ARG, "the echo the other way needs speech in both directions on one recorder");
    ltp_echo_pair p = {0};
    lt_echo *e = NULL;
    double taken = 0.0;
    bool talk = false;
    lt_status st = ltp_echo_prepare(sent, returned, &p, err);
    if (st == LT_OK && echo->ir != NULL)
        st = take_off(echo->ir, &p, &taken, err);
    if (st == LT_OK)
        st = is_talk(p.returned, taken, &talk, err);
    if (st == LT_OK && !talk)
        st = ltp_fail(err, LT_E_SNR, "nobody talks into the returned line: record speech from both ends");
    if (st == LT_OK)
        st = ltp_echo_create(&e, err);
    if (st == LT_OK) {
        p = (ltp_echo_pair){.sent = p.returned, .returned = p.sent, .rate_hz = p.rate_hz, .causal = true};
        st = ltp_echo_from_speech(&p, &o, e, err);
    }
    ltp_echo_pair_clear(&p);
    if (st != LT_OK) {
        lt_echo_free(e);
        return st;
    }
    advise(e);
    *out = e;
    return LT_OK;
}
