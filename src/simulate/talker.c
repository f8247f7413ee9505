/* SPDX-License-Identifier: MIT
 * A speech-like signal: sentences and pauses, syllables of an unvoiced onset and a voiced vowel with two formants and a
 * gliding pitch; its long-term third-octave spectrum is then brought to the standard one. Full scale = 1.0. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

static const double first_pause_s = 0.5;
static const double active_dbov = -26.0; /* ITU-T practice */

static double between(lt_rng *r, double lowest, double highest)
{
    return lowest + (highest - lowest) * lt_rng_uniform(r);
}

/* ---- voice ---- */

typedef struct {
    lt_rng rng;
    double rate_hz;
    double cycle; /* of the glottis, 0 to 1 */
    double slow;  /* state of the pulse's low-pass */
} voice;

/* Pulses of the glottis, low-passed at 500 Hz, with some breath. */
static double voiced_sample(voice *v, double pitch_hz)
{
    v->cycle += pitch_hz / v->rate_hz;
    double pulse = 0.0;
    if (v->cycle >= 1.0) {
        v->cycle -= 1.0;
        pulse = 10.0 * (1.0 + 0.05 * lt_rng_gauss(&v->rng));
    }
    v->slow += (pulse - v->slow) * (1.0 - exp(-2.0 * LT_PI * 500.0 / v->rate_hz));
    return v->slow + 0.01 * lt_rng_gauss(&v->rng);
}

/* x[count] = a vowel: two formants as peaks, rise and fall within the syllable. */
static void add_vowel(voice *v, double *x, size_t count, double pitch_hz, double gain)
{
    const double glide = between(&v->rng, 0.75, 1.35);
    const lt_biquad formants[] = {lt_biquad_peaking(between(&v->rng, 300.0, 800.0), 4.0, 12.0, v->rate_hz),
                                  lt_biquad_peaking(between(&v->rng, 900.0, 2400.0), 6.0, 14.0, v->rate_hz)};
    lt_biquad_state states[2] = {0};
    for (size_t i = 0; i < count; i++) {
        const double at = (double)i / (double)count;
        const double seconds = (double)i / v->rate_hz;
        const double left = (double)(count - i) / v->rate_hz;
        double y = gain * voiced_sample(v, pitch_hz * pow(glide, at));
        for (size_t f = 0; f < LTP_COUNT(formants); f++)
            lt_biquad_run(&formants[f], &states[f], &y, &y, 1);
        x[i] += y * lt_fade(seconds / 0.03) * lt_fade(left / 0.07);
    }
}

static void add_consonant(voice *v, double *x, size_t count, double gain)
{
    const lt_biquad colour = lt_biquad_highpass(between(&v->rng, 1500.0, 4500.0), 0.8, v->rate_hz);
    lt_biquad_state state = {0};
    for (size_t i = 0; i < count; i++) {
        const double seconds = (double)i / v->rate_hz;
        const double left = (double)(count - i) / v->rate_hz;
        double y = gain * lt_rng_gauss(&v->rng);
        lt_biquad_run(&colour, &state, &y, &y, 1);
        x[i] += y * lt_fade(seconds / 0.02) * lt_fade(left / 0.02);
    }
}

static void add_sentence(voice *v, double *x, size_t count)
{
    size_t at = 0;
    while (at < count) {
        const double rest_s = (double)(count - at) / v->rate_hz;
        double syllable_s = between(&v->rng, 0.2, 0.31); /* 3.2 to 5 a second */
        if (rest_s < syllable_s + 0.15)
            syllable_s = rest_s;
        const size_t length = rest_s > syllable_s ? (size_t)(syllable_s * v->rate_hz) : count - at;
        const double loudness = lt_amplitude_from_db(between(&v->rng, -4.0, 3.0));
        const double falling = 1.15 - 0.3 * (double)at / (double)count; /* the melody of a statement */
        const size_t onset = lt_rng_uniform(&v->rng) < 0.7 ? (size_t)(between(&v->rng, 0.2, 0.35) * (double)length) : 0;
        add_consonant(v, x + at, onset, 0.35 * loudness);
        const size_t tail = length / 12; /* a short closure between syllables */
        if (length > onset + tail)
            add_vowel(v, x + at + onset, length - onset - tail, between(&v->rng, 90.0, 190.0) * falling, loudness);
        at += length;
    }
}

/* Returns the number of samples inside sentences. */
static size_t add_sentences(voice *v, lt_signal *s)
{
    size_t active = 0;
    double at_s = first_pause_s;
    const double end_s = (double)s->count / s->rate_hz;
    while (at_s + 0.5 < end_s) {
        const double length_s = fmin(between(&v->rng, 2.0, 3.2), end_s - at_s);
        const size_t first = (size_t)(at_s * s->rate_hz);
        size_t count = (size_t)(length_s * s->rate_hz);
        if (count > s->count - first)
            count = s->count - first;
        add_sentence(v, s->samples + first, count);
        active += count;
        at_s += length_s + between(&v->rng, 1.3, 2.0);
    }
    return active;
}

/* ---- spectrum ---- */

enum { FIRST = -13, BANDS = LT_THIRD_LAST - FIRST }; /* 50 Hz to 16 kHz */

/* One-third-octave band levels of the long-term spectrum: ANSI S3.5-1997 table 3, normal effort, spectrum level plus
 * bandwidth; beyond its range falling steeply (ours). */
static double target_band_db(int i)
{
    static const double spectrum_db[LT_SPEECH_BANDS] = {32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01,
                                                        23.00, 20.15, 17.32, 13.18, 11.55, 9.33,  5.31,  2.59,  1.13};
    int at = i + FIRST - LT_THIRD_SPEECH_FIRST;
    double beyond_db = 0.0;
    if (at < 0) {
        beyond_db = 7.0 * at;
        at = 0;
    } else if (at >= LT_SPEECH_BANDS) {
        beyond_db = -5.0 * (at - LT_SPEECH_BANDS + 1);
        at = LT_SPEECH_BANDS - 1;
    }
    const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + at);
    return spectrum_db[at] + lt_db_from_power(b.upper_hz - b.lower_hz) + beyond_db;
}

typedef struct {
    lt_complex *spectrum;
    size_t bins;
    double bin_hz;
} whole_spectrum;

static void band_levels(const whole_spectrum *w, double level_db[BANDS])
{
    for (int i = 0; i < BANDS; i++) {
        const lt_band b = lt_third_octave(FIRST + i);
        double sum = 0.0;
        for (size_t k = (size_t)ceil(b.lower_hz / w->bin_hz); k < w->bins && (double)k * w->bin_hz < b.upper_hz; k++)
            sum += lt_complex_power(w->spectrum[k]);
        level_db[i] = lt_db_from_power(sum);
    }
}

/* Gains given at the bands' centres, straight lines between them along lg f. */
static void apply_gains(const whole_spectrum *w, const double gain_db[BANDS])
{
    w->spectrum[0] = (lt_complex){0.0, 0.0};
    for (size_t k = 1; k < w->bins; k++) {
        const double place = 10.0 * log10((double)k * w->bin_hz / 1000.0) - FIRST;
        const double clamped = fmin(fmax(place, 0.0), BANDS - 1.0);
        const int low = clamped >= BANDS - 1.0 ? BANDS - 2 : (int)clamped;
        const double db = gain_db[low] + (clamped - low) * (gain_db[low + 1] - gain_db[low]);
        const double gain = lt_amplitude_from_db(db + fmin(0.0, 8.0 * place)); /* little below 50 Hz */
        w->spectrum[k].re *= gain;
        w->spectrum[k].im *= gain;
    }
}

static lt_status shape_spectrum(lt_signal *s, lt_error *err)
{
    const size_t n = lt_rfft_good_size(s->count + (size_t)s->rate_hz / 4);
    whole_spectrum w = {.bins = n / 2 + 1, .bin_hz = s->rate_hz / (double)n};
    lt_rfft *fft = NULL;
    double *time = ltp_alloc(n, sizeof *time);
    w.spectrum = ltp_alloc(w.bins, sizeof *w.spectrum);
    lt_status st = lt_rfft_create(n, &fft, err);
    if (st == LT_OK && (time == NULL || w.spectrum == NULL))
        st = ltp_fail_nomem(err, "a speech-like signal");
    if (st == LT_OK) {
        lt_rfft_forward_padded(fft, s->samples, s->count, w.spectrum);
        for (int round = 0; round < 5; round++) { /* neighbours share an interpolated gain: a few rounds settle it */
            double gain_db[BANDS];
            band_levels(&w, gain_db);
            for (int i = 0; i < BANDS; i++)
                gain_db[i] = isfinite(gain_db[i]) ? target_band_db(i) - gain_db[i] : 0.0;
            apply_gains(&w, gain_db);
        }
        lt_rfft_inverse(fft, w.spectrum, time);
        for (size_t i = 0; i < s->count; i++)
            s->samples[i] = time[i];
    }
    lt_rfft_free(fft);
    ltp_free(time);
    ltp_free(w.spectrum);
    return st;
}

lt_status lt_scene_talker(double rate_hz, double seconds, uint64_t seed, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz >= 16000.0 && rate_hz <= 192000.0))
        return ltp_fail(err, LT_E_ARG, "speech at %g Hz: the rate must be 16000 to 192000 Hz", rate_hz);
    if (!(seconds >= 2.0 && seconds <= 600.0))
        return ltp_fail(err, LT_E_ARG, "speech of %g s: must be 2 to 600 s", seconds);
    lt_signal *s = NULL;
    lt_status st = lt_signal_create((size_t)floor(seconds * rate_hz + 0.5), rate_hz, &s, err);
    if (st == LT_OK) {
        voice v = {.rng = {seed}, .rate_hz = rate_hz};
        (void)add_sentences(&v, s);
        st = shape_spectrum(s, err);
    }
    if (st != LT_OK) {
        lt_signal_free(s);
        return st;
    }
    const double gain = lt_amplitude_from_db(lt_dbfs_from_dbov(active_dbov) - ltp_active_level_db(s));
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= gain;
    *out = s;
    return LT_OK;
}
