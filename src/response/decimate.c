/* SPDX-License-Identifier: MIT
 * Fast reduction to about 8 kHz for the search: a short windowed-sinc filter that is only worked out where it is kept.
 */
#include "response/decimate.h"
#include "base/alloc.h"

#include <math.h>

static const double low_rate_hz = 8000.0;
static const double power_share_least = 0.02;
enum { LENGTH = 8 }; /* filter length over the factor */

static void make_filter(double *h, size_t half, size_t factor)
{
    const double cut = 0.42 / (double)factor; /* cycles a frame */
    double sum = 0.0;
    for (size_t i = 0; i <= 2 * half; i++) {
        const double t = (double)i - (double)half;
        const double sinc = i == half ? 2.0 * cut : sin(2.0 * LT_PI * cut * t) / (LT_PI * t);
        h[i] = sinc * lt_fade((double)(i + 1) / (double)(half + 1)) *
               lt_fade((double)(2 * half + 1 - i) / (double)(half + 1));
        sum += h[i];
    }
    for (size_t i = 0; i <= 2 * half; i++)
        h[i] /= sum;
}

static double filtered(const lt_signal *in, const double *h, size_t half, size_t centre)
{
    double sum = 0.0;
    if (centre >= half && centre + half < in->count) {
        const double *x = in->samples + (centre - half);
        double part[4] = {0.0, 0.0, 0.0, 0.0};   /* one sum would wait for itself */
        for (size_t i = 0; i < 2 * half; i += 4) /* half is even: LENGTH is a multiple of 4 */
            for (size_t k = 0; k < 4; k++)
                part[k] += h[i + k] * x[i + k];
        return part[0] + part[1] + part[2] + part[3] + h[2 * half] * x[2 * half];
    }
    for (size_t i = 0; i <= 2 * half; i++)
        if (centre + i >= half && centre + i - half < in->count)
            sum += h[i] * in->samples[centre + i - half];
    return sum;
}

static lt_status decimate(const lt_signal *in, size_t factor, lt_signal **out, lt_error *err)
{
    if (factor <= 1)
        return lt_signal_copy(in, 0, in->count, out, err);
    const size_t half = LENGTH * factor / 2;
    double *h = ltp_alloc(2 * half + 1, sizeof *h);
    if (h == NULL)
        return ltp_fail_nomem(err, "a filter");
    make_filter(h, half, factor);
    const lt_status st = lt_signal_create((in->count + factor - 1) / factor, in->rate_hz / (double)factor, out, err);
    for (size_t i = 0; st == LT_OK && i < (*out)->count; i++)
        (*out)->samples[i] = filtered(in, h, half, i * factor);
    ltp_free(h);
    return st;
}

static size_t factor_for(double rate_hz, double target_hz)
{
    const double f = floor(rate_hz / target_hz * (1.0 + 1e-9));
    return f > 1.0 ? (size_t)f : 1;
}

static lt_status to_rate(const lt_signal *in, double rate_hz, lt_signal **out, lt_error *err)
{
    lt_signal *near = NULL;
    const lt_status st = decimate(in, factor_for(in->rate_hz, rate_hz), &near, err);
    if (st != LT_OK || fabs(near->rate_hz / rate_hz - 1.0) < 1e-9) {
        *out = near;
        return st;
    }
    const lt_status resampled = lt_resample(near, rate_hz, out, err);
    lt_signal_free(near);
    return resampled;
}

lt_status ltp_decimate_pair(const lt_signal *sweep, const lt_signal *recording, lt_signal **low_sweep,
                            lt_signal **low_recording, lt_error *err)
{
    *low_recording = NULL;
    lt_status st = decimate(sweep, factor_for(sweep->rate_hz, low_rate_hz), low_sweep, err);
    if (st != LT_OK)
        return st;
    const double share = pow(lt_signal_rms(*low_sweep) / lt_signal_rms(sweep), 2.0);
    if (share < power_share_least) { /* a stimulus for high frequencies only */
        lt_signal_free(*low_sweep);
        st = lt_signal_copy(sweep, 0, sweep->count, low_sweep, err);
    }
    if (st == LT_OK)
        st = to_rate(recording, (*low_sweep)->rate_hz, low_recording, err);
    return st;
}
