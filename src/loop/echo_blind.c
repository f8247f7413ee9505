/* SPDX-License-Identifier: MIT
 * Echo in one recording alone, by its power cepstrum (Bogert, Healy and Tukey, 1963): the logarithm of the long-term
 * spectrum ripples with the distance of a copy. A single copy of amplitude a gives +a at its delay and -a^2/2 at twice
 * that; repeats around a loop give +a and +a^2/2. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

static const double frame_s = 2.0;
static const double from_ms = 1.5, to_ms = 400.0; /* nearer, the voice's own formants */
static const double pitch_ms = 16.0;              /* up to here the voice's pitch can stand out, too */
static const double usable_db = -50.0;            /* of the long-term spectrum */
static const double over_chance = 8.0;            /* peak re the RMS about it */
static const double over_chance_pitch = 14.0;
static const double shortest_s = 4.0;

typedef struct {
    size_t n, bins, frames;
    double rate_hz;
    double *log_power, *power; /* [bins] means */
    double *cepstrum;          /* [n] */
    double share;              /* of the band that counts */
} cepstrum;

static void cepstrum_clear(cepstrum *c)
{
    ltp_free(c->log_power);
    ltp_free(c->power);
    ltp_free(c->cepstrum);
}

static void add_frames(cepstrum *c, const lt_signal *s, lt_rfft *fft, double *x, lt_complex *spectrum)
{
    const double least = 1e-3 * lt_signal_rms(s) * lt_signal_rms(s);
    for (size_t at = 0; at + c->n <= s->count; at += c->n / 2) {
        double energy = 0.0;
        for (size_t i = 0; i < c->n; i++) {
            x[i] = s->samples[at + i] * (0.5 - 0.5 * cos(2.0 * LT_PI * (double)i / (double)c->n));
            energy += x[i] * x[i];
        }
        if (energy < least * (double)c->n)
            continue;
        lt_rfft_forward(fft, x, spectrum);
        for (size_t i = 0; i < c->bins; i++) {
            const double p = lt_complex_power(spectrum[i]) / energy;
            c->power[i] += p;
            c->log_power[i] += log(p + 1e-12);
        }
        c->frames++;
    }
}

/* The logarithm without its slow course, in the usable band, back to time. */
static void transform(cepstrum *c, lt_rfft *fft, lt_complex *spectrum)
{
    double top = 0.0;
    const double bin_hz = c->rate_hz / (double)c->n;
    const size_t wide = (size_t)(40.0 / bin_hz);
    for (size_t i = (size_t)(200.0 / bin_hz); i < c->bins; i++)
        top = fmax(top, c->power[i]);
    double inside = 0.0;
    double sum = 0.0; /* of power over a window, to judge what is usable */
    for (size_t i = 0; i < c->bins; i++) {
        sum += c->power[i] - (i >= wide ? c->power[i - wide] : 0.0);
        const double hz = (double)i * bin_hz;
        const bool usable =
            sum / (double)wide > top * lt_power_from_db(usable_db) && hz > 200.0 && hz < 0.47 * c->rate_hz;
        spectrum[i] = (lt_complex){usable ? c->log_power[i] / (double)c->frames : (double)NAN, 0.0};
        inside += usable ? 1.0 : 0.0;
    }
    c->share = inside / (double)c->bins;
    double mean = 0.0;
    for (size_t i = 0; i < c->bins; i++)
        mean += lt_is_known(spectrum[i].re) ? spectrum[i].re / fmax(inside, 1.0) : 0.0;
    for (size_t i = 0; i < c->bins; i++)
        spectrum[i].re = lt_is_known(spectrum[i].re) ? spectrum[i].re - mean : 0.0;
    lt_rfft_inverse(fft, spectrum, c->cepstrum);
    for (size_t i = 0; i < c->n && c->share > 0.0; i++)
        c->cepstrum[i] /= c->share;
}

static lt_status cepstrum_make(const lt_signal *s, cepstrum *c, lt_error *err)
{
    c->rate_hz = s->rate_hz;
    c->n = lt_rfft_good_size((size_t)(frame_s * s->rate_hz));
    c->bins = c->n / 2 + 1;
    c->log_power = ltp_alloc(c->bins, sizeof(double));
    c->power = ltp_alloc(c->bins, sizeof(double));
    c->cepstrum = ltp_alloc(c->n, sizeof(double));
    double *x = ltp_alloc(c->n, sizeof *x);
    lt_complex *spectrum = ltp_alloc(c->bins, sizeof *spectrum);
    lt_rfft *fft = NULL;
    lt_status st = c->log_power == NULL || c->power == NULL || c->cepstrum == NULL || x == NULL || spectrum == NULL
                       ? ltp_fail_nomem(err, "a cepstrum")
                       : lt_rfft_create(c->n, &fft, err);
    if (st == LT_OK) {
        add_frames(c, s, fft, x, spectrum);
        if (c->frames > 0)
            transform(c, fft, spectrum);
    }
    lt_rfft_free(fft);
    ltp_free(x);
    ltp_free(spectrum);
    return st;
}

/* RMS of the cepstrum about i, without i itself. */
static double around(const cepstrum *c, size_t i)
{
    const size_t far = (size_t)(0.004 * c->rate_hz), near = (size_t)(0.0004 * c->rate_hz) + 1;
    double sum = 0.0;
    size_t n = 0;
    for (size_t j = i > far ? i - far : 1; j < i + far && j < c->n / 2; j++)
        if (j + near < i || j > i + near) {
            sum += c->cepstrum[j] * c->cepstrum[j];
            n++;
        }
    return n > 0 ? sqrt(sum / (double)n) : (double)INFINITY;
}

static double peak_near(const cepstrum *c, size_t at, double sign)
{
    double best = 0.0;
    for (size_t j = at > 3 ? at - 3 : 1; j <= at + 3 && j < c->n / 2; j++)
        best = fmax(best, sign * c->cepstrum[j]);
    return best;
}

/* The clearest copy: index between samples, 0 if none. */
static double find_copy(const cepstrum *c, double *amplitude, double *contrast)
{
    const size_t from = (size_t)(from_ms * 1e-3 * c->rate_hz);
    const size_t to = (size_t)(to_ms * 1e-3 * c->rate_hz);
    size_t best = 0;
    *contrast = 0.0;
    for (size_t i = from; i < to && i + 1 < c->n / 2; i++) {
        const double v = fabs(c->cepstrum[i]);
        if (v < fabs(c->cepstrum[i - 1]) || v < fabs(c->cepstrum[i + 1]))
            continue;
        const double ratio = v / around(c, i);
        const double needed = (double)i < pitch_ms * 1e-3 * c->rate_hz ? over_chance_pitch : over_chance;
        if (ratio > needed && (best == 0 || v > fabs(c->cepstrum[best]))) {
            best = i;
            *contrast = ratio / needed;
        }
    }
    if (best == 0)
        return 0.0;
    const double a = fabs(c->cepstrum[best - 1]), b = fabs(c->cepstrum[best]), d = fabs(c->cepstrum[best + 1]);
    const double bend = a - 2.0 * b + d;
    const double shift = bend < 0.0 ? 0.5 * (a - d) / bend : 0.0;
    *amplitude = c->cepstrum[best] < 0.0 ? -(b - 0.25 * (a - d) * shift) : b - 0.25 * (a - d) * shift;
    return (double)best + shift;
}

static void judge(const cepstrum *c, double at, double amplitude, double contrast, lt_echo *e)
{
    const double loop = peak_near(c, (size_t)(2.0 * at + 0.5), 1.0);
    const double copy = peak_near(c, (size_t)(2.0 * at + 0.5), -1.0);
    const bool repeats = amplitude > 0.15 && loop > 0.25 * amplitude * amplitude && loop > 1.5 * copy;
    e->confidence = fmin(0.3 + 0.1 * contrast, 0.6);
    if (repeats) {
        e->finding = LT_ECHO_NEAR_HOWL;
        e->repeat_ms = e->delay_ms;
        e->repeat_db = lt_db_from_amplitude(amplitude);
    } else if (e->delay_ms >= 60.0) {
        e->finding = LT_ECHO_PROCESSING;
    } else if (e->delay_ms < 24.0) {
        e->finding = LT_ECHO_REFLECTION;
    } else {
        e->finding = LT_ECHO_UNCLEAR;
        e->rival = LT_ECHO_REFLECTION;
    }
    lt_notes_add(&e->evidence, "copy", "the recording holds a copy of its own sound %.2f ms later, %.1f dB down",
                 e->delay_ms, e->echo_loss_db);
    if (repeats)
        lt_notes_add(&e->evidence, "repeats", "and a copy of the copy, as a loop makes it");
}

static void conclude(const cepstrum *c, const lt_echo_options *o, lt_echo *e)
{
    double amplitude = 0.0, contrast = 0.0;
    const double at = find_copy(c, &amplitude, &contrast);
    if (!(at > 0.0)) {
        lt_notes_add(&e->evidence, "no-echo", "no repeats of its own sound stand out of this recording");
        e->talker.verdict = LT_ECHO_ACCEPTABLE;
        e->confidence = 0.4;
        return;
    }
    e->delay_ms = at / c->rate_hz * 1e3;
    e->echo_loss_db = -lt_db_from_amplitude(fmin(fabs(amplitude), 1.0));
    e->polarity = amplitude > 0.0 ? 1 : -1;
    e->arrival_count = 1;
    e->arrivals[0] = (lt_echo_arrival){.delay_ms = e->delay_ms,
                                       .level_db = -e->echo_loss_db,
                                       .path_m = e->delay_ms * 1e-3 * lt_speed_of_sound_m_s(o->temperature_c)};
    lt_talker_echo_rate(e->echo_loss_db, e->delay_ms / 2.0, &e->talker);
    e->double_talk_type = lt_double_talk_type(e->echo_loss_db);
    judge(c, at, amplitude, contrast, e);
}

lt_status lt_echo_blind(const lt_signal *recording, const lt_echo_options *opt, lt_echo **out, lt_error *err)
{
    *out = NULL;
    const lt_echo_options o = opt != NULL ? *opt : lt_echo_default_options();
    ltp_echo_pair p = {0};
    cepstrum c = {0};
    lt_echo *e = NULL;
    lt_status st = ltp_echo_prepare(recording, recording, &p, err);
    if (st == LT_OK && (double)p.sent->count < shortest_s * p.rate_hz)
        st = ltp_fail(err, LT_E_ARG, "%.1f s are too short to find repeats in: record 20 s of speech",
                      (double)p.sent->count / p.rate_hz);
    if (st == LT_OK)
        st = ltp_echo_create(&e, err);
    if (st == LT_OK)
        st = cepstrum_make(p.sent, &c, err);
    if (st == LT_OK) {
        e->source = LT_ECHO_BLIND;
        e->seconds = (double)p.sent->count / p.rate_hz;
        lt_notes_add(
            &e->notes, "one-recording",
            "from one recording alone: delay and level of repeats only, much less certain than sent and returned");
        conclude(&c, &o, e);
        ltp_echo_advise(NULL, &o, e);
        *out = e;
        e = NULL;
    }
    lt_echo_free(e);
    cepstrum_clear(&c);
    ltp_echo_pair_clear(&p);
    return st;
}
