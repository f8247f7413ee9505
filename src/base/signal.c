/* SPDX-License-Identifier: MIT
 * Signals: one channel, full scale = 1.0, checked sizes. */
#include "base/alloc.h"

#include <inttypes.h>
#include <math.h>
#include <string.h>

static const double max_rate_hz = 1e6;

lt_status lt_signal_create(size_t count, double rate_hz, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz > 0.0 && rate_hz <= max_rate_hz))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz is out of range; it must be above 0 and at most %g Hz",
                        rate_hz, max_rate_hz);
    if (count > LT_SIGNAL_MAX_COUNT)
        return ltp_fail(err, LT_E_ARG, "a signal of %zu samples is too long; at most %d are handled, cut it first",
                        count, (int)LT_SIGNAL_MAX_COUNT);
    lt_signal *s = ltp_alloc(1, sizeof *s);
    double *samples = ltp_alloc(count, sizeof *samples);
    if (s == NULL || samples == NULL) {
        ltp_free(s);
        ltp_free(samples);
        return ltp_fail_nomem(err, "a signal");
    }
    *s = (lt_signal){.samples = samples, .count = count, .rate_hz = rate_hz};
    *out = s;
    return LT_OK;
}

lt_status lt_signal_copy(const lt_signal *s, size_t first, size_t count, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (first > s->count || count > s->count - first)
        return ltp_fail(err, LT_E_ARG, "samples %zu to %zu were asked of a signal that has %zu", first, first + count,
                        s->count);
    const lt_status st = lt_signal_create(count, s->rate_hz, out, err);
    if (*out != NULL && count > 0)
        memcpy((*out)->samples, s->samples + first, count * sizeof *s->samples);
    return st;
}

void lt_signal_free(lt_signal *s)
{
    if (s == NULL)
        return;
    ltp_free(s->samples);
    ltp_free(s);
}

double lt_signal_rms(const lt_signal *s)
{
    if (s->count == 0)
        return 0.0;
    /* Blocks keep the rounding error of long recordings small. */
    double total = 0.0;
    for (size_t i = 0; i < s->count;) {
        const size_t end = s->count - i > 4096 ? i + 4096 : s->count;
        double block = 0.0;
        for (; i < end; i++)
            block += s->samples[i] * s->samples[i];
        total += block;
    }
    return sqrt(total / (double)s->count);
}

double lt_signal_peak(const lt_signal *s)
{
    double peak = 0.0;
    for (size_t i = 0; i < s->count; i++) {
        const double a = fabs(s->samples[i]);
        if (!(a <= peak)) /* a NaN gets through, and stays */
            peak = a;
        if (isnan(peak))
            break;
    }
    return peak;
}
