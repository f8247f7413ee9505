/* SPDX-License-Identifier: MIT
 * The average of all recorded sweeps. Each counts in each band with the inverse of its noise there; its noise is what
 * its own noise windows show, or, where that is more, how far it lies from the average of the others: a short
 * disturbance may hit the response and miss the windows beside it. */
#include "response/average.h"
#include "base/alloc.h"
#include "response/shift.h"

#include <math.h>

enum { ROUNDS = 3 };
static const double align_most_s = 0.01;
static const double align_sigma_most = 0.15; /* frames: a worse estimate would do more harm than good */
static const double spoiled_ratio = 8.0;     /* noise power re the median of all repeats */
static const double scatter = 4.0;
enum { SPOILED_LEAST = LTP_GRID_FRACTION / 3 }; /* points of the grid: a third of an octave */

typedef struct {
    size_t *grid_of;               /* [bins] nearest point of the grid */
    double *power;                 /* [bins] */
    double (*noise)[LTP_GRID_MAX]; /* [takes] */
} scratch;

static void scratch_clear(scratch *s)
{
    ltp_free(s->grid_of);
    ltp_free(s->power);
    ltp_free(s->noise);
}

static lt_status scratch_make(scratch *s, size_t count, const ltp_layout *l, const ltp_kernel *k, lt_error *err)
{
    s->grid_of = ltp_alloc(l->bins, sizeof *s->grid_of);
    s->power = ltp_alloc(l->bins, sizeof *s->power);
    s->noise = ltp_alloc(count, sizeof *s->noise);
    if (s->grid_of == NULL || s->power == NULL || s->noise == NULL)
        return ltp_fail_nomem(err, "the average of the repeats");
    ltp_grid_walk walk = {.count = k->grid_count};
    for (size_t i = 0; i < l->bins; i++)
        s->grid_of[i] = ltp_grid_step(&walk, (double)i * k->rate_hz / (double)l->n);
    return LT_OK;
}

/* No noise at all (a computed recording) still needs a finite weight: a little of the response itself. */
static void floor_noise(ltp_take *t, const ltp_layout *l, const ltp_kernel *k, double *power)
{
    static const double floor_ratio = 1e-12;
    double top = 0.0;
    for (size_t i = 0; i < l->bins; i++)
        power[i] = lt_complex_power(t->response[i]);
    const double bin_hz = k->rate_hz / (double)l->n;
    for (size_t i = 0; i < k->grid_count; i++) {
        const lt_band b = ltp_grid_band(i);
        top = fmax(top, ltp_band_mean(power, l->bins, bin_hz, b.lower_hz, b.upper_hz));
    }
    for (size_t i = 0; i < k->grid_count; i++)
        t->noise[i] = fmax(t->noise[i], floor_ratio * top + 1e-30);
}

static size_t quietest(const ltp_take *takes, size_t count, size_t grid_count)
{
    size_t best = 0;
    double least = INFINITY;
    for (size_t i = 0; i < count; i++) {
        double sum = 0.0;
        for (size_t g = 0; g < grid_count; g++)
            sum += log(takes[i].noise[g]);
        if (sum < least) {
            least = sum;
            best = i;
        }
    }
    return best;
}

static lt_status align(ltp_take *takes, size_t count, const ltp_layout *l, const ltp_kernel *k, lt_rfft *fft,
                       const scratch *s, lt_error *err)
{
    const size_t ref = quietest(takes, count, k->grid_count);
    const size_t most = (size_t)(align_most_s * k->rate_hz);
    for (size_t i = 0; i < count; i++) {
        if (i == ref)
            continue;
        for (size_t b = 0; b < l->bins; b++)
            s->power[b] = 1.0 / (takes[i].noise[s->grid_of[b]] + takes[ref].noise[s->grid_of[b]]);
        ltp_shift shift;
        const lt_status st = ltp_shift_find(fft, takes[ref].response, takes[i].response, s->power, most, &shift, err);
        if (st != LT_OK)
            return st;
        if (shift.sigma < align_sigma_most || takes[i].play != takes[ref].play ||
            takes[i].recording != takes[ref].recording)
            ltp_take_move(&takes[i], l->n, -shift.frames);
    }
    return LT_OK;
}

/* Weighted mean of one spectrum of all takes; `without` = count leaves none out. */
static void mean_of(const ltp_take *takes, size_t count, size_t without, const scratch *s, size_t bins, int image,
                    lt_complex *out)
{
    for (size_t b = 0; b < bins; b++) {
        lt_complex sum = {0.0, 0.0};
        double weights = 0.0;
        for (size_t i = 0; i < count; i++) {
            if (i == without)
                continue;
            const lt_complex z = image < 0 ? takes[i].response[b] : takes[i].image[image][b];
            const double w = 1.0 / s->noise[i][s->grid_of[b]];
            sum.re += w * z.re;
            sum.im += w * z.im;
            weights += w;
        }
        out[b] = (lt_complex){sum.re / weights, sum.im / weights};
    }
}

/* Noise of take i from its distance to the mean of the others, less the noise that those still have: with a margin,
 * since the power of a narrow band scatters, and a good repeat must not pay for a bad one. */
static void compare_with_others(const ltp_take *takes, size_t count, size_t i, const scratch *s, const ltp_layout *l,
                                const ltp_kernel *k, lt_complex *mean, double *noise)
{
    mean_of(takes, count, i, s, l->bins, -1, mean);
    for (size_t b = 0; b < l->bins; b++) {
        const lt_complex d = {takes[i].response[b].re - mean[b].re, takes[i].response[b].im - mean[b].im};
        s->power[b] = lt_complex_power(d);
    }
    const double bin_hz = k->rate_hz / (double)l->n;
    for (size_t g = 0; g < k->grid_count; g++) {
        double others = 0.0;
        for (size_t o = 0; o < count; o++)
            others += o == i ? 0.0 : 1.0 / s->noise[o][g];
        const double hz = ltp_grid_band(g).exact_hz;
        double from_hz = 0.0;
        double to_hz = 0.0;
        ltp_kernel_about(k, hz, &from_hz, &to_hz);
        const double apart = ltp_band_mean(s->power, l->bins, bin_hz, from_hz, to_hz);
        noise[g] = fmax(takes[i].noise[g], apart - scatter / others);
    }
}

static lt_status weigh(const ltp_take *takes, size_t count, const scratch *s, const ltp_layout *l, const ltp_kernel *k,
                       lt_complex *mean, lt_error *err)
{
    for (size_t i = 0; i < count; i++)
        for (size_t g = 0; g < k->grid_count; g++)
            s->noise[i][g] = takes[i].noise[g];
    if (count < 2)
        return LT_OK;
    double(*next)[LTP_GRID_MAX] = ltp_alloc(count, sizeof *next);
    if (next == NULL)
        return ltp_fail_nomem(err, "the average of the repeats");
    for (int round = 0; round < ROUNDS; round++) {
        for (size_t i = 0; i < count; i++)
            compare_with_others(takes, count, i, s, l, k, mean, next[i]);
        for (size_t i = 0; i < count; i++)
            for (size_t g = 0; g < k->grid_count; g++)
                s->noise[i][g] = next[i][g];
    }
    ltp_free(next);
    return LT_OK;
}

/* One note for a take that is much noisier than the others in some bands of the stimulus. */
static void note_spoiled(const ltp_take *takes, size_t count, size_t i, const scratch *s, const ltp_kernel *k,
                         const char *const *names, lt_notes *notes)
{
    double low_hz = 0.0;
    double high_hz = 0.0;
    size_t spoiled = 0;
    for (size_t g = 0; g < k->grid_count; g++) {
        const double hz = ltp_grid_band(g).exact_hz;
        double usual = 0.0; /* geometric mean of the others */
        for (size_t o = 0; o < count; o++)
            usual += o == i ? 0.0 : log(s->noise[o][g]) / (double)(count - 1);
        if (hz < k->from_hz || hz > k->to_hz || !(s->noise[i][g] > spoiled_ratio * exp(usual)))
            continue;
        if (!(low_hz > 0.0))
            low_hz = hz;
        high_hz = hz;
        spoiled++;
    }
    if (spoiled >= SPOILED_LEAST)
        lt_notes_add(notes, "repeat-spoiled",
                     "repeat %zu of %.80s was disturbed between %.0f and %.0f Hz and counts less there",
                     takes[i].play + takes[i].sweep + 1, names == NULL ? "the recording" : names[takes[i].recording],
                     low_hz, high_hz);
}

static lt_status average_spectra(const ltp_take *takes, size_t count, const scratch *s, const ltp_layout *l,
                                 ltp_average *out, lt_error *err)
{
    out->response = ltp_alloc(l->bins, sizeof *out->response);
    if (out->response == NULL)
        return ltp_fail_nomem(err, "the average of the repeats");
    mean_of(takes, count, count, s, l->bins, -1, out->response);
    for (int i = 0; i < LTP_IMAGES; i++) {
        if (l->image[i].count == 0)
            continue;
        out->image[i] = ltp_alloc(l->bins, sizeof *out->image[i]);
        if (out->image[i] == NULL)
            return ltp_fail_nomem(err, "the average of the repeats");
        mean_of(takes, count, count, s, l->bins, i, out->image[i]);
    }
    for (size_t g = 0; g < out->grid_count; g++) {
        double weights = 0.0;
        double quiet[LTP_IMAGES] = {0.0};
        for (size_t i = 0; i < count; i++) {
            const double w = 1.0 / s->noise[i][g];
            weights += w;
            for (size_t n = 0; n < LTP_IMAGES; n++)
                quiet[n] += w * w * takes[i].image_noise[n][g];
        }
        out->noise[g] = 1.0 / weights;
        for (size_t n = 0; n < LTP_IMAGES; n++)
            out->image_noise[n][g] = quiet[n] / (weights * weights);
    }
    return LT_OK;
}

lt_status ltp_average_make(ltp_take *takes, size_t count, const ltp_layout *l, const ltp_kernel *k, lt_rfft *fft,
                           const char *const *names, ltp_average *out, lt_notes *notes, lt_error *err)
{
    *out = (ltp_average){.n = l->n, .bins = l->bins, .grid_count = k->grid_count};
    scratch s = {0};
    lt_complex *mean = ltp_alloc(l->bins, sizeof *mean);
    lt_status st = mean == NULL ? ltp_fail_nomem(err, "the average of the repeats") : LT_OK;
    if (st == LT_OK)
        st = scratch_make(&s, count, l, k, err);
    if (st == LT_OK) {
        for (size_t i = 0; i < count; i++)
            floor_noise(&takes[i], l, k, s.power);
        st = align(takes, count, l, k, fft, &s, err);
    }
    if (st == LT_OK)
        st = weigh(takes, count, &s, l, k, mean, err);
    if (st == LT_OK)
        st = average_spectra(takes, count, &s, l, out, err);
    for (size_t i = 0; st == LT_OK && count > 1 && i < count; i++)
        note_spoiled(takes, count, i, &s, k, names, notes);
    scratch_clear(&s);
    ltp_free(mean);
    if (st != LT_OK)
        ltp_average_clear(out);
    return st;
}

void ltp_average_clear(ltp_average *a)
{
    ltp_free(a->response);
    for (size_t i = 0; i < LTP_IMAGES; i++)
        ltp_free(a->image[i]);
    *a = (ltp_average){.n = 0};
}
