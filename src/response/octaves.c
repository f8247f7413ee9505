/* SPDX-License-Identifier: MIT
 * Do all octaves of a response arrive together? A recording of another sweep than the stimulus deconvolves to something
 * that looks clean band by band, but each octave lies at its own delay. */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

enum { OCTAVE_FIRST = -1, OCTAVE_LAST = 3, OCTAVES = OCTAVE_LAST - OCTAVE_FIRST + 1 }; /* 500 Hz to 8 kHz */
static const double usable_snr_db = 15.0;
static const double onset_level = 0.25;   /* of the octave's peak */
static const double step_least_ms = 3.0;  /* between neighbours; the filters' own rise is below 2 ms */
static const double pair_least_ms = 12.0; /* where only two octaves are usable */
static const double step_ratio = 4.0;     /* the steps of a wrong sweep are alike */

static bool usable(lt_band octave, const ltp_view *v, const lt_response_band *bands, size_t count)
{
    size_t inside = 0;
    for (size_t i = 0; i < count; i++)
        if (bands[i].band.exact_hz > octave.lower_hz && bands[i].band.exact_hz < octave.upper_hz) {
            if (!(bands[i].snr_db >= usable_snr_db))
                return false;
            inside++;
        }
    return inside == 3 && octave.upper_hz < 0.45 * v->rate_hz;
}

/* Time (ms from h[0]) when the octave's part of h first reaches a share of its peak. Its spectrum alone goes back to
 * time, at the rate that it needs. */
static lt_status onset(const ltp_view *v, lt_band octave, double *at_ms, lt_error *err)
{
    const double bin_hz = v->rate_hz / (double)v->n;
    const size_t size = lt_rfft_good_size((size_t)(2.5 * octave.upper_hz / bin_hz));
    const size_t bins = size / 2 + 1 < v->bins ? size / 2 + 1 : v->bins;
    lt_rfft *fft = NULL;
    const lt_status st = lt_rfft_create(size, &fft, err);
    if (st != LT_OK)
        return st;
    lt_complex *part = ltp_alloc(size / 2 + 1, sizeof *part);
    double *x = ltp_alloc(size, sizeof *x);
    if (part != NULL && x != NULL) {
        for (size_t i = 1; i < bins; i++) {
            const double octaves = log2((double)i * bin_hz / octave.exact_hz);
            const double gain = lt_fade(2.5 * (0.7 - fabs(octaves)));
            part[i] = (lt_complex){gain * v->spectrum[i].re, gain * v->spectrum[i].im};
        }
        lt_rfft_inverse(fft, part, x);
        const size_t used = (size_t)((double)v->count * (double)size / (double)v->n);
        double top = 0.0;
        for (size_t i = 0; i < used; i++)
            top = fmax(top, fabs(x[i]));
        size_t first = 0;
        while (first + 1 < used && fabs(x[first]) < onset_level * top)
            first++;
        *at_ms = 1e3 * (double)first / ((double)size * bin_hz);
    }
    const bool ok = part != NULL && x != NULL;
    ltp_free(part);
    ltp_free(x);
    lt_rfft_free(fft);
    return ok ? LT_OK : ltp_fail_nomem(err, "the octaves of a response");
}

lt_status ltp_octaves_agree(const ltp_view *v, const lt_response_band *bands, size_t count, bool *ok, double *apart_ms,
                            lt_error *err)
{
    double at_ms[OCTAVES];
    size_t n = 0;
    *ok = true;
    for (int i = OCTAVE_FIRST; i <= OCTAVE_LAST; i++) {
        const lt_band octave = lt_octave(i);
        if (!usable(octave, v, bands, count))
            continue;
        const lt_status st = onset(v, octave, &at_ms[n], err);
        if (st != LT_OK)
            return st;
        n++;
    }
    if (n < 2)
        return LT_OK;
    double least = INFINITY;
    double most = 0.0;
    bool one_way = true;
    for (size_t i = 1; i < n; i++) {
        const double step = at_ms[i] - at_ms[i - 1];
        one_way = one_way && (step > 0.0) == (at_ms[1] > at_ms[0]);
        least = fmin(least, fabs(step));
        most = fmax(most, fabs(step));
    }
    *apart_ms = fabs(at_ms[n - 1] - at_ms[0]);
    *ok = !(one_way && most < step_ratio * least && least > (n > 2 ? step_least_ms : pair_least_ms));
    return LT_OK;
}
