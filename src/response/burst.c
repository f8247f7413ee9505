/* SPDX-License-Identifier: MIT
 * The bursts of level finding: short exponential sweeps, their energies per band, and the images of harmonics that they
 * leave before the response. Source: Farina, AES 108th Convention (2000), preprint 5093: harmonic n appears L ln n
 * earlier, L = duration / ln(frequency ratio). */
#include "response/burst.h"

#include "base/alloc.h"

#include <math.h>

/* Of the band that is looked at for harmonics: half a third octave of fade at each end. */
static const double edge_ratio = 1.25;
/* Windows re the direct arrival, s: the response itself; images of harmonics 2 to 5; nothing but noise. The image of
 * harmonic 5 lies L ln 5 = 105 ms before the response, that of harmonic 2 45 ms. */
static const double linear_from_s = -0.010, linear_to_s = 0.090;
static const double images_from_s = -0.115, images_to_s = -0.015;
static const double noise_from_s = 0.350, noise_to_s = 0.550; /* before it, clipping leaves harmonics of any order */
static const double heard_ratio = 10.0;

lt_status lt_level_burst(double rate_hz, double peak_dbfs, lt_signal **out, lt_error *err)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.rate_hz = rate_hz;
    o.from_hz = LTP_BURST_FROM_HZ;
    o.to_hz = fmin(LTP_BURST_TO_HZ, floor(0.45 * rate_hz));
    o.seconds = LTP_BURST_S;
    o.peak_dbfs = peak_dbfs;
    o.lead_s = 0.05;
    o.tail_s = 0.0;
    o.gap_s = 0.1;
    o.markers = false;
    return lt_sweep_create(&o, out, err);
}

lt_status ltp_band_energies(const lt_signal *s, double energy[LT_SPEECH_BANDS], lt_error *err)
{
    const size_t n = lt_rfft_good_size(s->count);
    lt_rfft *fft = NULL;
    lt_complex *x = ltp_alloc(n / 2 + 1, sizeof *x);
    lt_status st = x == NULL ? ltp_fail_nomem(err, "level finding") : lt_rfft_create(n, &fft, err);
    if (st == LT_OK) {
        lt_rfft_forward_padded(fft, s->samples, s->count, x);
        for (int i = 0; i < LT_SPEECH_BANDS; i++) {
            const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
            double sum = 0.0;
            const size_t last = (size_t)fmin(ceil(b.upper_hz * (double)n / s->rate_hz), (double)(n / 2));
            for (size_t k = (size_t)ceil(b.lower_hz * (double)n / s->rate_hz); k < last; k++)
                sum += lt_complex_power(x[k]);
            energy[i] = 2.0 * sum / ((double)n * s->rate_hz); /* Parseval, both sides of the spectrum */
        }
    }
    ltp_free(x);
    lt_rfft_free(fft);
    return st;
}

/* 1 inside the burst's band, a raised cosine over log frequency at its edges. */
static double inside(double hz, double to_hz)
{
    const double low = log(hz / LTP_BURST_FROM_HZ) / log(edge_ratio), high = log(to_hz / hz) / log(edge_ratio);
    const double depth = fmin(fmin(low, high), 1.0);
    return depth > 0.0 ? 0.5 - 0.5 * cos(LT_PI * depth) : 0.0;
}

/* y := y / x in the burst's band. */
static void divide(lt_complex *y, const lt_complex *x, size_t bins, double bin_hz, double to_hz)
{
    y[0] = (lt_complex){0};
    for (size_t k = 1; k < bins; k++) {
        const double w = inside((double)k * bin_hz, to_hz), power = lt_complex_power(x[k]);
        const lt_complex a = y[k];
        y[k] = (lt_complex){0};
        if (w > 0.0 && power > 0.0) {
            const double g = w / power;
            y[k].re = (float)(g * ((double)a.re * (double)x[k].re + (double)a.im * (double)x[k].im));
            y[k].im = (float)(g * ((double)a.im * (double)x[k].re - (double)a.re * (double)x[k].im));
        }
    }
}

/* Energy of h, which goes round, between two times re sample `at`. */
static double energy_of(const double *h, size_t n, size_t at, double rate_hz, double from_s, double to_s)
{
    double sum = 0.0;
    const long from = lround(from_s * rate_hz), to = lround(to_s * rate_hz);
    for (long i = from; i < to; i++) {
        const double x = h[((size_t)((long)at + i + (long)n)) % n];
        sum += x * x;
    }
    return sum;
}

static size_t peak_of(const double *h, size_t count)
{
    size_t at = 0;
    for (size_t i = 1; i < count; i++)
        if (fabs(h[i]) > fabs(h[at]))
            at = i;
    return at;
}

lt_status ltp_burst_distortion(const lt_signal *back, double peak_dbfs, double *distortion, double *noise,
                               lt_error *err)
{
    lt_signal *burst = NULL;
    lt_rfft *fft = NULL;
    lt_complex *x = NULL, *y = NULL;
    double *h = NULL;
    *distortion = *noise = 0.0;
    lt_status st = lt_level_burst(back->rate_hz, peak_dbfs, &burst, err);
    if (st != LT_OK)
        return st;
    const size_t n = lt_rfft_good_size(back->count + burst->count);
    const double bin_hz = back->rate_hz / (double)n;
    x = ltp_alloc(n / 2 + 1, sizeof *x);
    y = ltp_alloc(n / 2 + 1, sizeof *y);
    h = ltp_alloc(n, sizeof *h);
    st = x == NULL || y == NULL || h == NULL ? ltp_fail_nomem(err, "level finding") : lt_rfft_create(n, &fft, err);
    if (st == LT_OK) {
        lt_rfft_forward_padded(fft, burst->samples, burst->count, x);
        lt_rfft_forward_padded(fft, back->samples, back->count, y);
        divide(y, x, n / 2 + 1, bin_hz, fmin(LTP_BURST_TO_HZ, floor(0.45 * back->rate_hz)));
        lt_rfft_inverse(fft, y, h);
        /* A later arrival would leave no time for the noise. */
        const double last_s = (double)back->count / back->rate_hz - noise_to_s - LTP_BURST_S;
        const size_t at = peak_of(h, (size_t)(fmax(last_s, 0.05) * back->rate_hz));
        const double linear = energy_of(h, n, at, back->rate_hz, linear_from_s, linear_to_s);
        const double images = energy_of(h, n, at, back->rate_hz, images_from_s, images_to_s);
        const double quiet = energy_of(h, n, at, back->rate_hz, noise_from_s, noise_to_s) *
                             (images_to_s - images_from_s) / (noise_to_s - noise_from_s);
        const bool heard = linear > heard_ratio * quiet && linear > 0.0;
        *distortion = heard ? fmax(images - quiet, 0.0) / linear : 0.0;
        *noise = heard ? quiet / linear : HUGE_VAL;
    }
    ltp_free(x);
    ltp_free(y);
    ltp_free(h);
    lt_rfft_free(fft);
    lt_signal_free(burst);
    return st;
}
