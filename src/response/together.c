/* SPDX-License-Identifier: MIT
 * Do all bands of a response arrive together? A recording of another sweep than the stimulus deconvolves to something
 * that looks clean band by band, but each band lies at its own delay. */
#include "base/alloc.h"
#include "response/analysis.h"

#include <math.h>

enum { LOWEST = -4, PICKED_MOST = 5, PICKED_LEAST = 3 }; /* bands from 400 Hz up, so many of them */
static const double usable_snr_db = 15.0;
static const double onset_level = 0.25;  /* of the band's peak */
static const double rise_cycles = 1.4;   /* the filter reaches that share so many cycles before its peak */
static const double step_least_ms = 1.5; /* between neighbours */
static const double apart_least_ms = 10.0;

/* Up to PICKED_MOST usable bands, spread evenly over all usable ones. */
static size_t pick_bands(const lt_response_band *bands, size_t count, lt_band *picked)
{
    size_t usable = 0;
    for (size_t i = 0; i < count; i++)
        usable += bands[i].band.index >= LOWEST && bands[i].snr_db >= usable_snr_db;
    const size_t wanted = usable < PICKED_MOST ? usable : PICKED_MOST;
    size_t n = 0;
    size_t seen = 0;
    for (size_t i = 0; i < count && n < wanted; i++) {
        if (!(bands[i].band.index >= LOWEST && bands[i].snr_db >= usable_snr_db))
            continue;
        if (wanted == 1 || seen == n * (usable - 1) / (wanted - 1))
            picked[n++] = bands[i].band;
        seen++;
    }
    return n;
}

/* Time (ms from h[0]) when the part of h about a band first reaches a share of its peak. That part of the spectrum
 * alone goes back to time, at the rate that it needs. */
static lt_status onset(const ltp_view *v, lt_band band, double *at_ms, lt_error *err)
{
    const double bin_hz = v->rate_hz / (double)v->n;
    const size_t size = lt_rfft_good_size((size_t)(3.0 * band.upper_hz / bin_hz));
    const size_t bins = size / 2 + 1 < v->bins ? size / 2 + 1 : v->bins;
    lt_rfft *fft = NULL;
    const lt_status st = lt_rfft_create(size, &fft, err);
    if (st != LT_OK)
        return st;
    lt_complex *part = ltp_alloc(size / 2 + 1, sizeof *part);
    double *x = ltp_alloc(size, sizeof *x);
    if (part != NULL && x != NULL) {
        for (size_t i = 1; i < bins; i++) {
            const double octaves = log2((double)i * bin_hz / band.exact_hz);
            const double gain = lt_fade(2.5 * (0.5 - fabs(octaves)));
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
        *at_ms = 1e3 * (double)first / ((double)size * bin_hz) + 1e3 * rise_cycles / band.exact_hz;
    }
    const bool ok = part != NULL && x != NULL;
    ltp_free(part);
    ltp_free(x);
    lt_rfft_free(fft);
    return ok ? LT_OK : ltp_fail_nomem(err, "the bands of a response");
}

lt_status ltp_bands_agree(const ltp_view *v, const lt_response_band *bands, size_t count, bool *ok, double *apart_ms,
                          lt_error *err)
{
    lt_band picked[PICKED_MOST];
    double at_ms[PICKED_MOST];
    const size_t n = pick_bands(bands, count, picked);
    *ok = true;
    *apart_ms = 0.0;
    if (n < PICKED_LEAST)
        return LT_OK;
    for (size_t i = 0; i < n; i++) {
        const lt_status st = onset(v, picked[i], &at_ms[i], err);
        if (st != LT_OK)
            return st;
    }
    /* One after the other, all in the same direction; one step may be missing where a band lies at the window's end. */
    const double direction = at_ms[n - 1] > at_ms[0] ? 1.0 : -1.0;
    size_t steps = 0;
    bool back = false;
    for (size_t i = 1; i < n; i++) {
        const double step = direction * (at_ms[i] - at_ms[i - 1]);
        steps += step > step_least_ms;
        back = back || step < -step_least_ms;
    }
    *apart_ms = fabs(at_ms[n - 1] - at_ms[0]);
    *ok = back || *apart_ms < apart_least_ms || steps + (n > PICKED_LEAST ? 1 : 0) < n - 1;
    return LT_OK;
}
