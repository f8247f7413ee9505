/* SPDX-License-Identifier: MIT
 * dsp: real FFT, windows, biquads, fractional-octave filter bank, resampling, statistics. No input or output.
 * Scales: forward FFT unscaled, inverse 1/N. */
#ifndef LT_DSP_H
#define LT_DSP_H

#include <lanetune/base.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    double re, im;
} lt_complex;

double lt_complex_power(lt_complex z); /* |z|^2 */
lt_complex lt_complex_multiply(lt_complex a, lt_complex b);

/* ---- real FFT (KissFFT, float inside: about -140 dB re the peak) ---- */

typedef struct lt_rfft lt_rfft;
/** n even, [2, 2^28]. LT_E_ARG, LT_E_NOMEM. One object, one thread. */
LT_NODISCARD lt_status lt_rfft_create(size_t n, lt_rfft **out, lt_error *err);
void lt_rfft_free(lt_rfft *f);
size_t lt_rfft_size(const lt_rfft *f);
/** Smallest even size >= at_least whose only prime factors are 2, 3 and 5 (and that KissFFT does fast). */
size_t lt_rfft_good_size(size_t at_least);
void lt_rfft_forward(lt_rfft *f, const double *x, lt_complex *spectrum); /* x[n] -> spectrum[n/2 + 1] */
/** x shorter than n: zero-padded. */
void lt_rfft_forward_padded(lt_rfft *f, const double *x, size_t count, lt_complex *spectrum);
/** spectrum[n/2 + 1] -> x[n], scaled 1/n. The imaginary parts of bins 0 and n/2 are ignored. */
void lt_rfft_inverse(lt_rfft *f, const lt_complex *spectrum, double *x);

/** Linear convolution out[na + nb - 1] = a * b by FFT, block-wise when one is much longer. */
LT_NODISCARD lt_status lt_convolve(const double *a, size_t na, const double *b, size_t nb, double *out, lt_error *err);
/** One value of the discrete-time Fourier transform: sum x[i] exp(-j 2 pi hz i / rate). Exact, any frequency. */
lt_complex lt_dtft(const double *x, size_t count, double rate_hz, double hz);

/* ---- windows ---- */

void lt_window_hann(double *w, size_t count);            /* periodic */
void lt_window_blackman_harris(double *w, size_t count); /* periodic, 4 terms */
double lt_fade(double position);                         /* raised cosine 0 -> 1 for position 0 -> 1, clamped outside */

/* ---- biquads: Bristow-Johnson, "Cookbook formulae for audio EQ biquad filter coefficients" ---- */

typedef struct {
    double b0, b1, b2, a1, a2; /* a0 = 1 */
} lt_biquad;
typedef struct {
    double s1, s2; /* transposed direct form II */
} lt_biquad_state;

lt_biquad lt_biquad_peaking(double hz, double q, double gain_db, double rate_hz);
lt_biquad lt_biquad_lowpass(double hz, double q, double rate_hz);
lt_biquad lt_biquad_highpass(double hz, double q, double rate_hz);
lt_biquad lt_biquad_lowshelf(double hz, double slope, double gain_db, double rate_hz);
lt_biquad lt_biquad_highshelf(double hz, double slope, double gain_db, double rate_hz);
lt_complex lt_biquad_response(const lt_biquad *b, double hz, double rate_hz);
void lt_biquad_run(const lt_biquad *b, lt_biquad_state *state, const double *in, double *out,
                   size_t count); /* in == out ok */

/* ---- frequency weightings, IEC 61672-1:2013 annex E formulas, dB re 1 kHz ---- */

double lt_weight_a_db(double hz);
double lt_weight_c_db(double hz);

/* ---- fractional-octave filter bank, streaming ---- */

/** Band-pass bank (IEC 61260-1 class 1 shapes), multirate. It delivers, hop by hop (about 10 ms), the mean square of
 * each band. Bands whose upper edge lies above 0.47 rate are absent. push never allocates. */
typedef struct lt_bank lt_bank;
/** first, last: third-octave indices. LT_E_ARG (rate 4000 to 400000 Hz, indices), LT_E_NOMEM. */
LT_NODISCARD lt_status lt_bank_create(double rate_hz, int first, int last, lt_bank **out, lt_error *err);
/** Which bands: one-third octaves first .. last, then, if octaves is set, octaves octave_first .. octave_last. */
typedef struct {
    int first, last; /* lt_third_octave() */
    bool octaves;
    int octave_first, octave_last; /* lt_octave(); each has filters of its own, not sums of thirds */
} lt_bank_bands;
LT_NODISCARD lt_status lt_bank_create_bands(double rate_hz, const lt_bank_bands *wanted, lt_bank **out, lt_error *err);
void lt_bank_free(lt_bank *b);
void lt_bank_reset(lt_bank *b);
size_t lt_bank_band_count(const lt_bank *b);  /* bands present: thirds from `first` up, then octaves */
size_t lt_bank_third_count(const lt_bank *b); /* of them one-third octaves */
lt_band lt_bank_band(const lt_bank *b, size_t i);
size_t lt_bank_hop_frames(const lt_bank *b); /* frames of one hop, a multiple of 32; hop time = this / rate */
/** One whole hop in: x[hop_frames]; mean_square[band_count] out. The bands are not aligned in time (low bands lag). */
void lt_bank_hop(lt_bank *b, const double *x, double *mean_square);
double lt_bank_delay_s(const lt_bank *b, size_t i); /* about the group delay of band i at its centre */

/* ---- resampling (libsoxr, very high quality) ---- */

/** New signal at out_rate_hz with the same duration. Rates may be any positive numbers: a drift correction is
 * lt_resample of a copy whose rate_hz is set to rate (1 + ppm 1e-6). LT_E_ARG, LT_E_NOMEM. */
LT_NODISCARD lt_status lt_resample(const lt_signal *in, double out_rate_hz, lt_signal **out, lt_error *err);

/* ---- statistics ---- */

double lt_sum(const double *x, size_t count); /* compensated */
double lt_mean(const double *x, size_t count);
double lt_median(double *x, size_t count); /* reorders x; NaN if empty */
/** p in [0, 1], linear between order statistics (beside an infinite one: the nearer); reorders x; NaN if empty or if
 * any is NaN. */
double lt_quantile(double *x, size_t count, double p);

/** db[count]: lt_dbfs_from_mean_square() of each, right to 1e-6 dB, several times as fast. */
void lt_dbfs_from_mean_squares(const double *mean_square, size_t count, double *db);

/** Histogram of levels in constant memory: bins of 0.05 dB from -200 to +200 dB, quantile interpolated inside a bin. */
typedef struct lt_histogram lt_histogram;
LT_NODISCARD lt_status lt_histogram_create(lt_histogram **out, lt_error *err);
void lt_histogram_free(lt_histogram *h);
void lt_histogram_reset(lt_histogram *h);
void lt_histogram_add(lt_histogram *h, double level_db); /* -INFINITY counts as below all bins; NaN is not counted */
uint64_t lt_histogram_count(const lt_histogram *h);
/** Level exceeded during `percent` of the time (L10: percent = 10). NaN if empty, -INFINITY if it falls in silence. */
double lt_histogram_exceeded(const lt_histogram *h, double percent);
enum { LT_PERCENTILES = 99 };
/** L1 .. L99 in one pass: exceeded_db[p - 1] = lt_histogram_exceeded(h, p). */
void lt_histogram_percentiles(const lt_histogram *h, double exceeded_db[LT_PERCENTILES]);
/** Share of the levels above level_db, [0, 1], linear inside a bin; NaN if empty. */
double lt_histogram_share_above(const lt_histogram *h, double level_db);

/* ---- clipping ---- */

/** Flat tops at a recording's own extreme, streaming; zero-initialise. The peaks of a slow sine in a 16-bit file do not
 * count; a capture that flattens at any level does. The rule is in clip.c. */
typedef struct {
    double extreme; /* largest |sample| on this side */
    size_t flat;    /* samples in flat tops there */
} lt_clip_side;
typedef struct {
    lt_clip_side above, below;
    double value, before, before_that, step;
    size_t run;
} lt_clip_meter;
void lt_clip_push(lt_clip_meter *m, const double *x, size_t count);
size_t lt_clip_count(const lt_clip_meter *m);
size_t lt_clipped_samples(const lt_signal *s); /* one-shot */

#ifdef __cplusplus
}
#endif
#endif
