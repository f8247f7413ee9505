/* SPDX-License-Identifier: MIT
 * Two recordings made alike: one rate, no rumble. The same filter on both leaves the path between them as it is. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>

static const double rate_most_hz = 16000.0; /* speech has little above half of this */
static const double highpass_hz = 130.0;    /* mains hum and wind below */
static const double shortest_s = 0.5;
static const double silent_rms = 1e-6; /* -117 dBFS: under the last bit of 16 */

static lt_status check(const lt_signal *s, const char *which, lt_error *err)
{
    if (s == NULL || !(s->rate_hz >= 4000.0))
        return ltp_fail(err, LT_E_ARG,
                        "the %s recording has a sample rate under 4000 Hz: record it again at 8000 Hz or more", which);
    if ((double)s->count < shortest_s * s->rate_hz)
        return ltp_fail(err, LT_E_ARG, "the %s recording is shorter than %.1f s: record 20 s of speech", which,
                        shortest_s);
    for (size_t i = 0; i < s->count; i++)
        if (!isfinite(s->samples[i]))
            return ltp_fail(err, LT_E_ARG, "the %s recording holds a value that is no number (sample %zu)", which, i);
    return LT_OK;
}

/* At rate_hz, without its mean and what lies under speech. */
static lt_status convert(const lt_signal *in, const char *which, double rate_hz, lt_signal **out, lt_error *err)
{
    lt_signal *level = NULL;
    lt_status st = lt_signal_copy(in, 0, in->count, &level, err);
    if (st != LT_OK)
        return st;
    const double mean = lt_mean(level->samples, level->count); /* its step at either end would ring on */
    for (size_t i = 0; i < level->count; i++)
        level->samples[i] -= mean;
    if (fabs(in->rate_hz - rate_hz) < 1e-6 * rate_hz) {
        *out = level;
        level = NULL;
    } else {
        st = lt_resample(level, rate_hz, out, err);
    }
    lt_signal_free(level);
    if (st != LT_OK)
        return st;
    const lt_biquad filter = lt_biquad_highpass(highpass_hz, 0.7071067811865476, rate_hz);
    lt_biquad_state state = {0};
    lt_biquad_run(&filter, &state, (*out)->samples, (*out)->samples, (*out)->count);
    if (!(lt_signal_rms(*out) > silent_rms))
        return ltp_fail(err, LT_E_SNR, "the %s recording is silent: check its cable and channel, then record again",
                        which);
    return LT_OK;
}

lt_status ltp_echo_prepare(const lt_signal *sent, const lt_signal *returned, ltp_echo_pair *out, lt_error *err)
{
    *out = (ltp_echo_pair){0};
    lt_status st = check(sent, "sent", err);
    if (st == LT_OK)
        st = check(returned, "returned", err);
    if (st != LT_OK)
        return st;
    out->rate_hz = fmin(rate_most_hz, fmin(sent->rate_hz, returned->rate_hz));
    st = convert(sent, "sent", out->rate_hz, &out->sent, err);
    if (st == LT_OK)
        st = convert(returned, "returned", out->rate_hz, &out->returned, err);
    if (st != LT_OK)
        ltp_echo_pair_clear(out);
    return st;
}

void ltp_echo_pair_clear(ltp_echo_pair *p)
{
    lt_signal_free(p->sent);
    lt_signal_free(p->returned);
    *p = (ltp_echo_pair){0};
}
