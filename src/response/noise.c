/* SPDX-License-Identifier: MIT
 * Noises shaped in the frequency domain: white, pink, speech-shaped. Full scale = 1.0.
 * Independent blocks of Gaussian noise are shaped one by one and overlapped with sine windows by half their length:
 * the powers of the windows add to one, so the sum is stationary and any length needs the same memory. */
#include "base/alloc.h"
#include <lanetune/response.h>

#include <math.h>

enum { BLOCK_SECONDS = 2 };
static const double fade_s = 0.01;
static const double flank = 1.12246204831; /* 2^(1/6): the band limits are rounded off over a sixth of an octave */

/* Normal vocal effort, spectrum level in dB, one-third octaves 160 Hz to 8 kHz. Source: ANSI S3.5-1997 table 3. */
static const double speech_db[LT_SPEECH_BANDS] = {32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01,
                                                  23.00, 20.15, 17.32, 13.18, 11.55, 9.33,  5.31,  2.59,  1.13};
static const double speech_outside_db_per_octave = 12.0; /* ours: the standard says nothing outside its bands */

lt_noise_options lt_noise_default_options(void)
{
    return (lt_noise_options){.kind = LT_NOISE_PINK,
                              .rate_hz = 48000.0,
                              .seconds = 10.0,
                              .rms_dbfs = -20.0,
                              .from_hz = 40.0,
                              .to_hz = 18000.0,
                              .seed = 1};
}

static double speech_gain_db(double hz)
{
    const double position = 10.0 * log10(hz / 1000.0) - LT_THIRD_SPEECH_FIRST;
    const double last = LT_SPEECH_BANDS - 1;
    if (position <= 0.0)
        return speech_db[0] + speech_outside_db_per_octave * position / 3.0;
    if (position >= last)
        return speech_db[LT_SPEECH_BANDS - 1] - speech_outside_db_per_octave * (position - last) / 3.0;
    const size_t i = (size_t)position;
    const double share = position - (double)i;
    return (1.0 - share) * speech_db[i] + share * speech_db[i + 1];
}

static double gain_at(const lt_noise_options *o, double hz)
{
    if (hz <= 0.0)
        return 0.0;
    if (o->kind == LT_NOISE_SPEECH)
        return lt_amplitude_from_db(speech_gain_db(hz) - 35.0);
    const double width = log(flank);
    const double limits = lt_fade(1.0 + log(hz / o->from_hz) / width) * lt_fade(1.0 + log(o->to_hz / hz) / width);
    return o->kind == LT_NOISE_PINK ? limits * sqrt(1000.0 / hz) : limits;
}

static lt_status check_noise(const lt_noise_options *o, lt_error *err)
{
    if (!(o->rate_hz >= 8000.0 && o->rate_hz <= 192000.0))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz is out of range; it must be 8000 to 192000 Hz", o->rate_hz);
    if (!(o->seconds > 0.0 && o->seconds <= 3600.0))
        return ltp_fail(err, LT_E_ARG, "noise length %g s is out of range; it must be above 0 and at most 3600 s",
                        o->seconds);
    if (!lt_is_known(o->rms_dbfs))
        return ltp_fail(err, LT_E_ARG, "the level of the noise is no number; give it in dBFS, for example -20");
    if (o->kind != LT_NOISE_WHITE && o->kind != LT_NOISE_PINK && o->kind != LT_NOISE_SPEECH)
        return ltp_fail(err, LT_E_ARG, "unknown kind of noise %d", (int)o->kind);
    if (o->kind != LT_NOISE_SPEECH && !(o->from_hz >= 1.0 && o->from_hz < o->to_hz && o->to_hz <= 0.5 * o->rate_hz))
        return ltp_fail(err, LT_E_ARG, "noise band %g to %g Hz is out of range; it must lie between 1 and %g Hz",
                        o->from_hz, o->to_hz, 0.5 * o->rate_hz);
    return LT_OK;
}

typedef struct {
    lt_rfft *fft;
    double *block, *gain;
    lt_complex *spectrum;
} shaper;

static void shaper_free(shaper *s)
{
    lt_rfft_free(s->fft);
    ltp_free(s->block);
    ltp_free(s->gain);
    ltp_free(s->spectrum);
}

static lt_status shaper_create(const lt_noise_options *o, shaper *s, lt_error *err)
{
    const size_t n = lt_rfft_good_size((size_t)(BLOCK_SECONDS * o->rate_hz));
    *s = (shaper){0};
    const lt_status st = lt_rfft_create(n, &s->fft, err);
    if (st != LT_OK)
        return st;
    s->block = ltp_alloc(n, sizeof *s->block);
    s->gain = ltp_alloc(n / 2 + 1, sizeof *s->gain);
    s->spectrum = ltp_alloc(n / 2 + 1, sizeof *s->spectrum);
    if (s->block == NULL || s->gain == NULL || s->spectrum == NULL)
        return ltp_fail_nomem(err, "a noise");
    for (size_t k = 0; k <= n / 2; k++)
        s->gain[k] = gain_at(o, (double)k * o->rate_hz / (double)n);
    return LT_OK;
}

static void shape_block(shaper *s, lt_rng *rng)
{
    const size_t n = lt_rfft_size(s->fft);
    for (size_t i = 0; i < n; i++)
        s->block[i] = lt_rng_gauss(rng);
    lt_rfft_forward(s->fft, s->block, s->spectrum);
    for (size_t k = 0; k <= n / 2; k++) {
        s->spectrum[k].re *= s->gain[k];
        s->spectrum[k].im *= s->gain[k];
    }
    lt_rfft_inverse(s->fft, s->spectrum, s->block);
}

static void overlap_blocks(shaper *s, uint64_t seed, lt_signal *out)
{
    lt_rng rng = {.state = seed};
    const size_t n = lt_rfft_size(s->fft);
    const size_t hop = n / 2;
    for (size_t start = 0; start < out->count + hop; start += hop) {
        shape_block(s, &rng);
        for (size_t i = 0; i < n; i++) /* the first half of the first block lies before the signal */
            if (start + i >= hop && start + i - hop < out->count)
                out->samples[start + i - hop] += s->block[i] * sin(LT_PI * ((double)i + 0.5) / (double)n);
    }
}

/* Fades the ends and sets the level. */
static lt_status finish(const lt_noise_options *o, lt_signal *s, lt_error *err)
{
    const double fade_frames = fmin(fade_s * o->rate_hz, 0.25 * (double)s->count);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= lt_fade((double)i / fade_frames) * lt_fade((double)(s->count - i) / fade_frames);
    const double rms = lt_signal_rms(s);
    const double scale = rms > 0.0 ? lt_rms_from_dbfs(o->rms_dbfs) / rms : 0.0;
    const double peak = scale * lt_signal_peak(s);
    if (peak > 1.0)
        return ltp_fail(err, LT_E_ARG,
                        "noise at %.1f dBFS would clip: its peaks need %.1f dB more; use %.1f dBFS or less",
                        o->rms_dbfs, lt_db_from_amplitude(peak), o->rms_dbfs - lt_db_from_amplitude(peak) - 0.05);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= scale;
    return LT_OK;
}

lt_status lt_noise_create(const lt_noise_options *opt, lt_signal **out, lt_error *err)
{
    *out = NULL;
    shaper sh = {0};
    lt_signal *s = NULL;
    lt_status st = check_noise(opt, err);
    if (st == LT_OK)
        st = lt_signal_create((size_t)llround(opt->seconds * opt->rate_hz), opt->rate_hz, &s, err);
    if (st == LT_OK)
        st = shaper_create(opt, &sh, err);
    if (st == LT_OK) {
        overlap_blocks(&sh, opt->seed, s);
        st = finish(opt, s, err);
    }
    shaper_free(&sh);
    if (st == LT_OK)
        *out = s;
    else
        lt_signal_free(s);
    return st;
}
