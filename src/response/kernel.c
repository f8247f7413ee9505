/* SPDX-License-Identifier: MIT
 * Deconvolution H = R conj(S) B / (|S|^2 + reg), regularised outside the stimulus' band.
 * Source: Farina, AES 108th Convention (2000), preprint 5093; the regularisation after Kirkeby and Nelson, J. Audio
 * Eng. Soc. 47 (1999): nothing in band, so that the level of a sweep keeps to 0.001 dB, and enough outside. */
#include "response/kernel.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double in_band = 1e-5;       /* regularisation re |S|^2: 4e-5 dB */
static const double rough_in_band = 1e-2; /* ... of a noise, whose spectrum has deep dips */
static const double rough = 0.3;          /* variance of |S|^2 from here on: a noise */
static const double out_of_band = 0.02;   /* re |S|^2 at the band's edge */
static const double lower_flank = 1.4;    /* H falls to 0 from from_hz to from_hz / this */
static const double upper_flank = 1.12;   /* ... and from to_hz to to_hz times this, at most 0.5 rate */
static const double edge_drop_db = 9.0;   /* the band ends where |S|^2 falls so much within half an octave */
static const double rough_drop_db = 30.0; /* ... of a voice or a noise, which has formants and gaps between them */
static const double bottom_db = -60.0;    /* ... or so far below the loudest octave */
enum { EDGE_STEPS = LTP_GRID_FRACTION / 2 };

double ltp_band_limit(double from_hz, double to_hz, double rate_hz, double hz)
{
    double gain = 1.0;
    if (hz < from_hz)
        gain *= hz > 0.0 ? lt_fade(1.0 - log(from_hz / hz) / log(lower_flank)) : 0.0;
    if (hz > to_hz) {
        const double end_hz = fmin(to_hz * upper_flank, 0.5 * rate_hz);
        gain *= end_hz > to_hz ? lt_fade((end_hz - hz) / (end_hz - to_hz)) : 0.0;
    }
    return gain;
}

static bool is_edge(const double *d, size_t i, size_t inner_first, size_t inner_last, double bottom, double drop_db)
{
    double top = 0.0;
    for (size_t k = inner_first; k <= inner_last; k++)
        top = fmax(top, d[k]);
    return d[i] < top * lt_power_from_db(-drop_db) || d[i] < bottom;
}

/* Walks from the loudest octave both ways until |S|^2 drops. */
static void find_band(ltp_kernel *k, double drop_db)
{
    size_t loudest = 0;
    double best = 0.0;
    for (size_t i = 0; i < k->grid_count; i++) {
        const double per_octave = k->power[i] * ltp_grid_band(i).exact_hz;
        if (per_octave > best) {
            best = per_octave;
            loudest = i;
        }
    }
    const double bottom = k->power[loudest] * lt_power_from_db(bottom_db);
    size_t low = loudest;
    while (low > 0 &&
           !is_edge(k->power, low - 1, low, low + EDGE_STEPS < loudest ? low + EDGE_STEPS : loudest, bottom, drop_db))
        low--;
    size_t high = loudest;
    while (
        high + 1 < k->grid_count &&
        !is_edge(k->power, high + 1, high > loudest + EDGE_STEPS ? high - EDGE_STEPS : loudest, high, bottom, drop_db))
        high++;
    k->from_hz = ltp_grid_band(low).lower_hz;
    k->to_hz = ltp_grid_band(high).upper_hz;
}

/* The part of the band that is not on a flank: |S|^2 changes by less than 1 dB over a twelfth of an octave. */
static void find_level_part(ltp_kernel *k)
{
    enum { TWELFTH = LTP_GRID_FRACTION / 12 };
    const double fall = lt_power_from_db(-1.0);
    size_t low = 0;
    while (low + 1 < k->grid_count && ltp_grid_band(low).lower_hz < k->from_hz)
        low++;
    size_t high = low;
    while (high + 1 < k->grid_count && ltp_grid_band(high + 1).upper_hz <= k->to_hz * (1.0 + 1e-9))
        high++;
    while (low + TWELFTH < high && k->power[low] < fall * k->power[low + TWELFTH])
        low++;
    while (high > low + TWELFTH && k->power[high] < fall * k->power[high - TWELFTH])
        high--;
    k->level_from_hz = fmax(ltp_grid_band(low).lower_hz, k->from_hz);
    k->level_to_hz = fmin(ltp_grid_band(high).upper_hz, k->to_hz);
}

static void smooth_power(ltp_kernel *k, const double *power)
{
    static const double half_width = 1.0292; /* 2^(1/24): a twelfth of an octave in all */
    const double bin_hz = k->rate_hz / (double)k->n;
    for (size_t i = 0; i < k->grid_count; i++) {
        const double hz = ltp_grid_band(i).exact_hz;
        k->power[i] = ltp_band_mean(power, k->bins, bin_hz, hz / half_width, hz * half_width);
    }
}

static double roughness_of(const ltp_kernel *k, const double *power)
{
    const double bin_hz = k->rate_hz / (double)k->n;
    const double from = k->from_hz * 1.2;
    const double to = k->to_hz / 1.2;
    double sum = 0.0;
    size_t n = 0;
    ltp_grid_walk walk = {.count = k->grid_count};
    for (size_t i = (size_t)(from / bin_hz) + 1; i < (size_t)(to / bin_hz) && i < k->bins; i++, n++) {
        const double smooth = k->power[ltp_grid_step(&walk, (double)i * bin_hz)];
        const double d = smooth > 0.0 ? power[i] / smooth - 1.0 : 0.0;
        sum += d * d;
    }
    return n > 0 ? sum / (double)n : 1.0;
}

bool ltp_kernel_is_rough(const ltp_kernel *k)
{
    return k->roughness > rough;
}

double ltp_kernel_floor(const ltp_kernel *k, double hz)
{
    if (hz < k->from_hz)
        return out_of_band * k->low_edge;
    return hz > k->to_hz ? out_of_band * k->high_edge : 0.0;
}

void ltp_kernel_about(const ltp_kernel *k, double hz, double *from_hz, double *to_hz)
{
    static const double half_width = 1.122462; /* 2^(1/6) */
    static const double flank_width = 1.0292;  /* 2^(1/24): as |S|^2 is smoothed */
    if (hz < k->level_from_hz || hz > k->level_to_hz) {
        *from_hz = hz / flank_width;
        *to_hz = hz * flank_width;
        return;
    }
    *from_hz = fmin(fmax(hz / half_width, k->level_from_hz), hz / flank_width);
    *to_hz = fmax(fmin(hz * half_width, k->level_to_hz), hz * flank_width);
}

/* Turns S, which inverse[] holds, into the inverse. |S|^2 between the points of the grid is not needed: the
 * regularisation may have steps of half a decibel. */
static void make_inverse(ltp_kernel *k, const double *power)
{
    const double bin_hz = k->rate_hz / (double)k->n;
    const double share = ltp_kernel_is_rough(k) ? rough_in_band : in_band;
    ltp_grid_walk walk = {.count = k->grid_count};
    for (size_t i = 0; i < k->bins; i++) {
        const double hz = (double)i * bin_hz;
        const double limit = ltp_band_limit(k->from_hz, k->to_hz, k->rate_hz, hz);
        const double smooth = k->power[ltp_grid_step(&walk, hz)];
        const double den = fmax(power[i] + share * smooth, ltp_kernel_floor(k, hz));
        const double scale = den > 0.0 ? limit / den : 0.0;
        k->inverse[i] = (lt_complex){k->inverse[i].re * scale, -k->inverse[i].im * scale};
    }
}

/* A noise needs S itself later. */
static bool keep_stimulus(ltp_kernel *k)
{
    if (!ltp_kernel_is_rough(k))
        return true;
    k->stimulus = ltp_alloc(k->bins, sizeof *k->stimulus);
    if (k->stimulus != NULL)
        memcpy(k->stimulus, k->inverse, k->bins * sizeof *k->stimulus);
    return k->stimulus != NULL;
}

lt_status ltp_kernel_create(const lt_signal *sweep, size_t before, size_t after, double highest_hz, ltp_kernel **out,
                            lt_error *err)
{
    *out = NULL;
    ltp_kernel *k = ltp_alloc(1, sizeof *k);
    if (k == NULL)
        return ltp_fail_nomem(err, "the deconvolution");
    k->n = lt_rfft_good_size(before + sweep->count + after);
    k->bins = k->n / 2 + 1;
    k->before = before;
    k->sweep = sweep->count;
    k->after = after;
    k->rate_hz = sweep->rate_hz;
    k->grid_count = ltp_grid_count(sweep->rate_hz);
    const lt_status st = lt_rfft_create(k->n, &k->fft, err);
    k->inverse = ltp_alloc(k->bins, sizeof *k->inverse);
    k->work = ltp_alloc(k->bins, sizeof *k->work);
    double *power = ltp_alloc(k->bins, sizeof *power);
    if (st != LT_OK || k->inverse == NULL || k->work == NULL || power == NULL) {
        ltp_kernel_free(k);
        ltp_free(power);
        return st != LT_OK ? st : ltp_fail_nomem(err, "the deconvolution");
    }
    lt_rfft_forward_padded(k->fft, sweep->samples, sweep->count, k->inverse);
    for (size_t i = 0; i < k->bins; i++)
        power[i] = lt_complex_power(k->inverse[i]);
    smooth_power(k, power);
    find_band(k, edge_drop_db);
    k->roughness = roughness_of(k, power);
    if (ltp_kernel_is_rough(k))
        find_band(k, rough_drop_db);
    find_level_part(k);
    k->to_hz = fmin(k->to_hz, highest_hz);
    k->low_edge = k->power[ltp_grid_index(k->from_hz * 1.03, k->grid_count)];
    k->high_edge = k->power[ltp_grid_index(k->to_hz / 1.03, k->grid_count)];
    const bool ok = keep_stimulus(k);
    make_inverse(k, power);
    ltp_free(power);
    if (!ok) {
        ltp_kernel_free(k);
        return ltp_fail_nomem(err, "the deconvolution");
    }
    *out = k;
    return LT_OK;
}

void ltp_kernel_free(ltp_kernel *k)
{
    if (k == NULL)
        return;
    lt_rfft_free(k->fft);
    ltp_free(k->inverse);
    ltp_free(k->stimulus);
    ltp_free(k->work);
    ltp_free(k);
}

void ltp_kernel_apply(ltp_kernel *k, const double *piece, size_t count, double *h)
{
    lt_rfft_forward_padded(k->fft, piece, count, k->work);
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = ltp_product(k->work[i], k->inverse[i]);
    lt_rfft_inverse(k->fft, k->work, h);
}
