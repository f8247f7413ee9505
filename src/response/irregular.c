/* SPDX-License-Identifier: MIT
 * Irregular distortion in the recording of a sweep: a loose part that rattles, a voice coil that rubs.
 *
 * While the sweep passes f, a high-pass of eighth order at 10 f takes away the fundamental and all that smooth
 * distortion makes of it (harmonics up to the fifth by 48 dB and more). What is left is compared, twelfth of an octave
 * by twelfth, with the noise of the pauses above 10 f and with the whole signal. A loose part sounds where it
 * resonates: a remainder that is as high at all frequencies is a clipping amplifier, and no rattle. If the remainder
 * comes once every period it is rub, else rattle. The limits are ours. */
#include "base/alloc.h"
#include "response/structure.h"
#include <lanetune/response.h>

#include <math.h>
#include <string.h>

enum { SECTIONS = 4, STEPS_MAX = 128, PER_OCTAVE = 12, NOISE_FFT = 4096, LEAST_STEPS = 8, PAUSES_MAX = 1024 };
static const double order_of_cutoff = 10.0, lowest_cutoff_hz = 500.0, highest_of_rate = 0.4;
static const double update_s = 0.002;
static const double over_noise_db = 10.0, least_level_db = -60.0, prominent_db = 8.0;
static const double synchronous_least = 0.35;
static const double guard_s = 0.15; /* of a pause, beside the sweep */
static const double quieter = 1.5;
static const double envelope_s = 0.0004;

typedef struct {
    double hz, power, whole, noise, seconds; /* power: mean square after the high-pass */
    double periodic, periodic_weight;
    double at_s;
} step;

typedef struct {
    const double *x;
    size_t count;
    double rate_hz;
    double start_s, seconds, start_hz, growth_s;
    double *noise; /* [NOISE_FFT / 2 + 1] mean square a bin */
    double *rest;  /* [count] after the high-pass, where the sweep is */
} work;

static bool in_pause(const work *w, size_t at)
{
    const double from = (w->start_s - guard_s) * w->rate_hz;
    const double to = (w->start_s + w->seconds + 3.0 * guard_s) * w->rate_hz;
    return (double)(at + NOISE_FFT) <= from || (double)at >= to;
}

static double power_of(const double *x)
{
    double sum = 0.0;
    for (size_t i = 1; i < NOISE_FFT; i++) /* differences: the low frequencies do not matter here */
        sum += (x[i] - x[i - 1]) * (x[i] - x[i - 1]);
    return sum;
}

/* Noise spectrum of what lies before and after the sweep; of that the quieter part, for markers sound there too.
 * False: less than two blocks. */
static bool measure_noise(work *w, lt_rfft *fft, double *block, lt_complex *spectrum)
{
    double window[NOISE_FFT], powers[PAUSES_MAX], square = 0.0, blocks = 0.0;
    size_t count = 0;
    lt_window_hann(window, NOISE_FFT);
    for (size_t i = 0; i < NOISE_FFT; i++)
        square += window[i] * window[i];
    for (size_t at = 0; at + NOISE_FFT <= w->count && count < PAUSES_MAX; at += NOISE_FFT / 2)
        if (in_pause(w, at))
            powers[count++] = power_of(w->x + at);
    const double quiet = quieter * lt_quantile(powers, count, 0.3);
    for (size_t at = 0; at + NOISE_FFT <= w->count && count >= 2; at += NOISE_FFT / 2) {
        if (!in_pause(w, at) || power_of(w->x + at) > quiet)
            continue;
        for (size_t i = 0; i < NOISE_FFT; i++)
            block[i] = w->x[at + i] * window[i];
        lt_rfft_forward(fft, block, spectrum);
        for (size_t k = 0; k <= NOISE_FFT / 2; k++)
            w->noise[k] += 2.0 * lt_complex_power(spectrum[k]) / (NOISE_FFT * square);
        blocks += 1.0;
    }
    for (size_t k = 0; k <= NOISE_FFT / 2; k++)
        w->noise[k] /= fmax(blocks, 1.0);
    return count >= 2;
}

static double noise_above(const work *w, double hz)
{
    double sum = 0.0;
    for (size_t k = (size_t)(hz * NOISE_FFT / w->rate_hz); k <= NOISE_FFT / 2; k++)
        sum += w->noise[k];
    return sum;
}

static double hz_at(const work *w, double t)
{
    return w->start_hz * exp(t / w->growth_s);
}

static double cutoff_of(double hz)
{
    return fmax(order_of_cutoff * hz, lowest_cutoff_hz);
}

/* The high-pass follows the sweep; transposed sections bear slow changes of their coefficients. */
static void filter(work *w, size_t first, size_t last)
{
    static const double q[SECTIONS] = {0.5098, 0.6013, 0.9000, 2.5629}; /* Butterworth of eighth order */
    lt_biquad sections[SECTIONS];
    lt_biquad_state state[SECTIONS] = {{0}};
    const size_t update = (size_t)fmax(1.0, update_s * w->rate_hz);
    for (size_t at = first; at < last; at += update) {
        const size_t n = at + update < last ? update : last - at;
        const double hz = hz_at(w, (double)at / w->rate_hz - w->start_s);
        for (size_t s = 0; s < SECTIONS; s++) {
            sections[s] = lt_biquad_highpass(cutoff_of(hz), q[s], w->rate_hz);
            lt_biquad_run(&sections[s], &state[s], s == 0 ? w->x + at : w->rest + at, w->rest + at, n);
        }
    }
}

/* Autocorrelation of the remainder's envelope at one period of the sweep, about `at`. */
static double periodicity(const work *w, size_t at, size_t last, double hz)
{
    enum { POINTS = 512 };
    double e[POINTS], mean = 0.0, here = 1e-30, product = 0.0, there = 1e-30;
    const size_t part = (size_t)fmax(1.0, envelope_s * w->rate_hz);
    const double step_s = (double)part / w->rate_hz;
    const size_t wanted = (size_t)(6.0 / hz / step_s);
    const size_t n = wanted < POINTS ? wanted : POINTS;
    const double lag = 1.0 / hz / step_s;
    if (lag < 3.0 || (double)n < 3.0 * lag || at + n * part > last)
        return NAN;
    for (size_t i = 0; i < n; i++) {
        e[i] = 0.0;
        for (size_t k = 0; k < part; k++)
            e[i] += fabs(w->rest[at + i * part + k]);
        mean += e[i] / (double)n;
    }
    const size_t whole = (size_t)lag;
    const double share = lag - (double)whole;
    for (size_t i = 0; i + whole + 1 < n; i++) {
        const double later = (1.0 - share) * e[i + whole] + share * e[i + whole + 1] - mean;
        product += (e[i] - mean) * later;
        here += (e[i] - mean) * (e[i] - mean);
        there += later * later;
    }
    return product / sqrt(here * there);
}

static size_t make_steps(const work *w, size_t first, size_t last, step *steps)
{
    const size_t block = (size_t)(0.005 * w->rate_hz);
    size_t count = 0;
    double edge_hz = 0.0;
    for (size_t at = first; at + block <= last && block > 0; at += block) {
        const double t = (double)at / w->rate_hz;
        const double hz = hz_at(w, t - w->start_s);
        if (hz >= edge_hz) {
            if (count == STEPS_MAX)
                break;
            steps[count++] = (step){.hz = hz, .at_s = t, .noise = noise_above(w, cutoff_of(hz))};
            edge_hz = hz * pow(2.0, 1.0 / PER_OCTAVE);
        }
        step *s = &steps[count - 1];
        double power = 0.0, whole = 0.0;
        for (size_t i = 0; i < block; i++) {
            power += w->rest[at + i] * w->rest[at + i] / (double)block;
            whole += w->x[at + i] * w->x[at + i] / (double)block;
        }
        const double periodic = periodicity(w, at, last, hz);
        if (!isnan(periodic)) {
            s->periodic += power * periodic;
            s->periodic_weight += power;
        }
        s->power += power;
        s->whole += whole;
        s->seconds += 1.0;
    }
    for (size_t i = 0; i < count; i++) {
        steps[i].power /= steps[i].seconds;
        steps[i].whole /= steps[i].seconds;
    }
    return count;
}

static double level_db(const step *s)
{
    return lt_db_from_power(s->power / (s->whole + 1e-30) + 1e-20);
}

static void judge(const step *steps, size_t count, lt_irregular *out)
{
    double sorted[STEPS_MAX];
    for (size_t i = 0; i < count; i++)
        sorted[i] = level_db(&steps[i]);
    const double usual_db = lt_median(sorted, count);
    double periodic = 0.0, weight = 0.0;
    for (size_t i = 0; i < count; i++) {
        const double over_db = lt_db_from_power(steps[i].power / (steps[i].noise + 1e-30));
        const double level = level_db(&steps[i]);
        if (over_db < over_noise_db || level < least_level_db || level < usual_db + prominent_db)
            continue;
        if (!out->found) {
            out->from_hz = steps[i].hz;
            out->at_s = steps[i].at_s;
        }
        out->to_hz = steps[i].hz * pow(2.0, 1.0 / PER_OCTAVE);
        if (!out->found || level > out->level_db) {
            out->level_db = level;
            out->worst_hz = steps[i].hz;
            out->over_noise_db = over_db;
        }
        out->found = true;
        periodic += steps[i].periodic;
        weight += steps[i].periodic_weight;
    }
    out->synchronous = weight > 0.0 && periodic / weight > synchronous_least;
}

static lt_status run(work *w, lt_irregular *out, lt_error *err)
{
    step steps[STEPS_MAX];
    lt_rfft *fft = NULL;
    double *block = ltp_alloc(NOISE_FFT, sizeof *block);
    lt_complex *spectrum = ltp_alloc(NOISE_FFT / 2 + 1, sizeof *spectrum);
    w->noise = ltp_alloc(NOISE_FFT / 2 + 1, sizeof *w->noise);
    w->rest = ltp_alloc(w->count, sizeof *w->rest);
    lt_status status = block && spectrum && w->noise && w->rest ? lt_rfft_create(NOISE_FFT, &fft, err)
                                                                : ltp_fail_nomem(err, "the search for rattle");
    if (status != LT_OK)
        goto done;
    if (!measure_noise(w, fft, block, spectrum)) {
        status = ltp_fail(err, LT_E_SNR,
                          "no pause beside the sweep to know the noise from, so rattle cannot be told; record a second "
                          "before and after it");
        goto done;
    }
    const double highest_hz = highest_of_rate * w->rate_hz / order_of_cutoff;
    const double end_s = fmin(w->seconds, w->growth_s * log(highest_hz / w->start_hz));
    const size_t first = (size_t)fmax(0.0, w->start_s * w->rate_hz);
    const double last = fmin((double)w->count, (w->start_s + end_s) * w->rate_hz);
    if (last <= (double)first)
        goto done;
    filter(w, first, (size_t)last);
    const size_t count = make_steps(w, first, (size_t)last, steps);
    if (count >= LEAST_STEPS)
        judge(steps, count, out);
done:
    lt_rfft_free(fft);
    ltp_free(block);
    ltp_free(spectrum);
    ltp_free(w->noise);
    ltp_free(w->rest);
    return status;
}

lt_status lt_irregular_find(const lt_signal *recording, const lt_signal *stimulus, const lt_response *r,
                            lt_irregular *out, lt_error *err)
{
    *out = (lt_irregular){
        .level_db = NAN, .from_hz = NAN, .to_hz = NAN, .worst_hz = NAN, .over_noise_db = NAN, .at_s = NAN};
    ltp_structure *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the search for rattle");
    lt_status status = ltp_structure_find(stimulus, s, err);
    if (status == LT_OK && s->kind != LTP_EXPONENTIAL)
        status =
            ltp_fail(err, LT_E_ARG, "rattle and rub are told from a rising exponential sweep; the stimulus is none");
    if (status == LT_OK) {
        const double stretch = lt_is_known(r->drift_ppm) ? 1.0 + 1e-6 * r->drift_ppm : 1.0;
        work w = {.x = recording->samples,
                  .count = recording->count,
                  .rate_hz = recording->rate_hz,
                  .start_s = 1e-3 * r->delay_ms + stretch * (double)s->sweeps[0].first / stimulus->rate_hz,
                  .seconds = stretch * (double)s->sweeps[0].count / stimulus->rate_hz,
                  .start_hz = s->start_hz,
                  .growth_s = stretch * s->growth_s};
        status = run(&w, out, err);
    }
    ltp_free(s);
    return status;
}
