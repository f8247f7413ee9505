/* SPDX-License-Identifier: MIT
 * Resampling by libsoxr at its very high quality; linear phase, no delay. */
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <math.h>
#include <soxr.h>
#include <string.h>

static lt_status convert(const lt_signal *in, lt_signal *s, lt_error *err)
{
    const soxr_io_spec_t io = soxr_io_spec(SOXR_FLOAT64_I, SOXR_FLOAT64_I);
    const soxr_quality_spec_t quality = soxr_quality_spec(SOXR_VHQ, SOXR_ROLLOFF_NONE);
    size_t read = 0;
    size_t written = 0;
    const soxr_error_t failure = soxr_oneshot(in->rate_hz, s->rate_hz, 1, in->samples, in->count, &read, s->samples,
                                              s->count, &written, &io, &quality, NULL);
    if (failure != NULL)
        return ltp_fail(err, LT_E_NOMEM, "resampling from %g to %g Hz failed: %s", in->rate_hz, s->rate_hz, failure);
    return LT_OK;
}

lt_status lt_resample(const lt_signal *in, double out_rate_hz, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (!(out_rate_hz > 0.0) || !(in->rate_hz > 0.0))
        return ltp_fail(err, LT_E_ARG, "cannot resample from %g Hz to %g Hz: rates must be above 0", in->rate_hz,
                        out_rate_hz);
    const double count = round((double)in->count * (out_rate_hz / in->rate_hz));
    if (!(count <= (double)LT_SIGNAL_MAX_COUNT))
        return ltp_fail(err, LT_E_ARG, "resampling from %g to %g Hz would give more than %d samples; cut the signal",
                        in->rate_hz, out_rate_hz, (int)LT_SIGNAL_MAX_COUNT);
    lt_signal *s = NULL;
    lt_status st = lt_signal_create((size_t)count, out_rate_hz, &s, err);
    if (st != LT_OK)
        return st;
    if (fabs(out_rate_hz - in->rate_hz) <= 0.0)
        memcpy(s->samples, in->samples, s->count * sizeof *s->samples);
    else if (s->count > 0)
        st = convert(in, s, err);
    if (st == LT_OK)
        *out = s;
    else
        lt_signal_free(s);
    return st;
}
