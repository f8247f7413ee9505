/* SPDX-License-Identifier: MIT
 * Levels made even, by running sums of squares. */
#include "dsp/even.h"
#include "base/alloc.h"

#include <math.h>

static const double window_s = 0.2;
static const double floor_share = 0.05; /* re the RMS of all: -26 dB */

lt_status ltp_even_levels(double *x, size_t count, double rate_hz, const char *subject, lt_error *err)
{
    const size_t half = (size_t)(0.5 * window_s * rate_hz);
    const double rms = lt_signal_rms(&(lt_signal){x, count, rate_hz});
    const double least = floor_share * floor_share * rms * rms + 1e-30;
    double *sum = ltp_alloc(count + 1, sizeof *sum);
    if (sum == NULL)
        return ltp_fail_nomem(err, subject);
    for (size_t i = 0; i < count; i++)
        sum[i + 1] = sum[i] + x[i] * x[i];
    for (size_t i = 0; i < count; i++) {
        const size_t from = i > half ? i - half : 0;
        const size_t to = i + half < count ? i + half : count;
        x[i] /= sqrt(fmax((sum[to] - sum[from]) / (double)(to - from), 0.0) + least);
    }
    ltp_free(sum);
    return LT_OK;
}
