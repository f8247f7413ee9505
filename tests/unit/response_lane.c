/* SPDX-License-Identifier: MIT
 * A lane with a known impulse response. */
#include "response_lane.h"
#include "near.h"

#include <string.h>

enum { TRUTH_LENGTH = 12000, SINC = 64, STAGES = 6 };

static size_t make_stages(const lane *l, double rate_hz, lt_biquad stages[STAGES])
{
    size_t n = 0;
    if (!l->speaker)
        return 0;
    stages[n++] = lt_biquad_highpass(220.0, 0.9, rate_hz); /* loudspeaker in its box */
    stages[n++] = lt_biquad_lowpass(7500.0, 0.7, rate_hz);
    stages[n++] = lt_biquad_peaking(2800.0, 1.5, 4.0, rate_hz);
    stages[n++] = lt_biquad_highpass(70.0, 0.7, rate_hz); /* electret microphone */
    stages[n++] = lt_biquad_lowpass(15000.0, 0.7, rate_hz);
    if (l->resonant)
        stages[n++] = lt_biquad_peaking(700.0, 8.0, 9.0, rate_hz);
    return n;
}

/* An impulse at any place between samples, by a windowed sinc. */
static void add_impulse(double *h, size_t count, double at, double gain)
{
    const ptrdiff_t middle = (ptrdiff_t)floor(at);
    for (ptrdiff_t i = middle - SINC; i <= middle + SINC; i++) {
        if (i < 0 || i >= (ptrdiff_t)count)
            continue;
        const double t = at - (double)i;
        const double sinc = fabs(t) < 1e-12 ? 1.0 : sin(LT_PI * t) / (LT_PI * t);
        h[i] += gain * sinc * lt_fade(1.0 - fabs(t) / (SINC + 1.0));
    }
}

lt_ir *lane_truth(const lane *l, double rate_hz, size_t length)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(length, rate_hz, &s, NULL), LT_OK);
    for (size_t i = 0; i < l->path_count; i++) {
        const double gain = lt_amplitude_from_db(l->paths[i].level_db + l->gain_db);
        add_impulse(s->samples, length, l->paths[i].delay_ms * 1e-3 * rate_hz, l->paths[i].flip ? -gain : gain);
    }
    lt_biquad stages[STAGES];
    const size_t n = make_stages(l, rate_hz, stages);
    for (size_t i = 0; i < n; i++) {
        lt_biquad_state state = {0};
        lt_biquad_run(&stages[i], &state, s->samples, s->samples, length);
    }
    lt_ir *ir = NULL;
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    lt_signal_free(s);
    return ir;
}

lt_complex lane_gain(const lane *l, double hz, double rate_hz)
{
    lt_complex h = {0.0, 0.0};
    for (size_t i = 0; i < l->path_count; i++) {
        const double gain = lt_amplitude_from_db(l->paths[i].level_db + l->gain_db) * (l->paths[i].flip ? -1.0 : 1.0);
        const double angle = -2.0 * LT_PI * fmod(hz * l->paths[i].delay_ms * 1e-3, 1.0);
        h.re += gain * cos(angle);
        h.im += gain * sin(angle);
    }
    lt_biquad stages[STAGES];
    const size_t n = make_stages(l, rate_hz, stages);
    for (size_t i = 0; i < n; i++)
        h = lt_complex_multiply(h, lt_biquad_response(&stages[i], hz, rate_hz));
    return h;
}

static lt_signal *noise_like(const lane *l, size_t count, double rate_hz)
{
    lt_noise_options o = lt_noise_default_options();
    o.rate_hz = rate_hz;
    o.seconds = (double)count / rate_hz + 0.01;
    o.rms_dbfs = -30.0;
    o.from_hz = 20.0;
    o.to_hz = 0.45 * rate_hz;
    o.seed = l->seed + 1000; /* not that of a stimulus */
    lt_signal *n = NULL;
    lt_error err = {0};
    if (lt_noise_create(&o, &n, &err) != LT_OK)
        fail_msg("%s", err.what);
    if (l->traffic) {
        lt_biquad_state state = {0};
        const lt_biquad low = lt_biquad_lowpass(500.0, 0.5, rate_hz);
        lt_biquad_run(&low, &state, n->samples, n->samples, n->count);
        for (size_t i = 0; i < n->count; i++) /* a vehicle every 7 s */
            n->samples[i] *= 1.0 + 2.0 * pow(sin(LT_PI * (double)i / rate_hz / 7.0), 8.0);
    }
    return n;
}

/* Amplifier and linear part, at the stimulus' rate, with the recorder's early start and late stop. */
static lt_signal *play(const lane *l, const lt_signal *stimulus)
{
    const double rate_hz = stimulus->rate_hz;
    lt_ir *truth = lane_truth(l, rate_hz, TRUTH_LENGTH);
    lt_signal *x = NULL;
    assert_int_equal(lt_signal_copy(stimulus, 0, stimulus->count, &x, NULL), LT_OK);
    for (size_t i = 0; l->drive > 0.0 && i < x->count; i++)
        x->samples[i] = tanh(l->drive * x->samples[i]) / l->drive;
    const ptrdiff_t early = (ptrdiff_t)llround(l->early_s * rate_hz);
    const ptrdiff_t total = early + (ptrdiff_t)stimulus->count + (ptrdiff_t)llround(l->extra_s * rate_hz);
    assert_true(total > 0);
    lt_signal *full = NULL;
    lt_signal *y = NULL;
    assert_int_equal(lt_signal_create(x->count + truth->count - 1, rate_hz, &full, NULL), LT_OK);
    assert_int_equal(lt_signal_create((size_t)total, rate_hz, &y, NULL), LT_OK);
    assert_int_equal(lt_convolve(x->samples, x->count, truth->samples, truth->count, full->samples, NULL), LT_OK);
    for (ptrdiff_t i = 0; i < total; i++)
        if (i - early >= 0 && i - early < (ptrdiff_t)full->count)
            y->samples[i] = full->samples[i - early];
    lt_signal_free(full);
    lt_signal_free(x);
    lt_ir_free(truth);
    return y;
}

static void add_noise(const lane *l, lt_signal *y, double signal_rms)
{
    lt_signal *n = noise_like(l, y->count, y->rate_hz);
    const double scale = signal_rms * lt_amplitude_from_db(l->noise_db) / lt_signal_rms(n);
    for (size_t i = 0; i < y->count && l->noise; i++)
        y->samples[i] += scale * n->samples[i];
    const double burst_length_s = l->burst_length_s > 0.0 ? l->burst_length_s : 2.0;
    const double burst = 10.0 * signal_rms / lt_signal_rms(n);
    for (size_t i = 0; i < y->count && l->burst_s > 0.0; i++) {
        const double t = ((double)i / y->rate_hz - l->burst_s) / burst_length_s;
        y->samples[i] += t > 0.0 && t < 1.0 ? burst * sin(LT_PI * t) * n->samples[n->count - 1 - i] : 0.0;
    }
    lt_signal_free(n);
}

lt_signal *lane_record(const lane *l, const lt_signal *stimulus)
{
    lt_signal *y = play(l, stimulus);
    const double signal_rms = lt_signal_rms(y);
    const double rate_hz = l->rate_hz > 0.0 ? l->rate_hz : stimulus->rate_hz;
    if (l->drift_ppm > 0.0 || l->drift_ppm < 0.0 || l->rate_hz > 0.0) {
        lt_signal *z = NULL;
        assert_int_equal(lt_resample(y, rate_hz * (1.0 + 1e-6 * l->drift_ppm), &z, NULL), LT_OK);
        lt_signal_free(y);
        y = z;
        y->rate_hz = rate_hz;
    }
    if (l->noise || l->burst_s > 0.0)
        add_noise(l, y, signal_rms);
    if (l->sixteen_bits)
        for (size_t i = 0; i < y->count; i++)
            y->samples[i] = fmin(fmax(round(y->samples[i] * 32768.0), -32768.0), 32767.0) / 32768.0;
    return y;
}

lt_response *lane_measure(const char *label, const lane *l, const lt_signal *stimulus)
{
    const lt_response_options opt = lt_response_default_options();
    lt_signal *recording = lane_record(l, stimulus);
    const lt_signal *const list[] = {recording};
    lt_response *r = NULL;
    lt_error err = {0};
    const lt_status st = lt_response_measure(list, NULL, 1, stimulus, &opt, &r, &err);
    lt_signal_free(recording);
    if (st != LT_OK)
        fail_msg("%s: status %d, %s", label, (int)st, err.what);
    return r;
}

/* Place of the direct peak of the truth, ms: the largest sample of the first 0.9 ms after the first path's delay, and a
 * parabola through its neighbours. */
static double direct_ms(const lane *l, const lt_ir *truth)
{
    const size_t end = (size_t)((l->paths[0].delay_ms + 0.9) * 1e-3 * truth->rate_hz);
    size_t top = 1;
    for (size_t i = 1; i < end && i + 1 < truth->count; i++)
        if (fabs(truth->samples[i]) > fabs(truth->samples[top]))
            top = i;
    const double left = fabs(truth->samples[top - 1]);
    const double right = fabs(truth->samples[top + 1]);
    const double bend = left - 2.0 * fabs(truth->samples[top]) + right;
    return ((double)top + 0.5 * (left - right) / bend) / truth->rate_hz * 1e3;
}

int lane_misses(const char *label, const lane *l, const lt_signal *stimulus, const lt_response *r, size_t bands,
                bool drift_known)
{
    lt_ir *truth = lane_truth(l, stimulus->rate_hz, TRUTH_LENGTH);
    int bad = 0;
    size_t clear = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        double want = 0.0;
        assert_int_equal(lt_ir_band_levels(truth, &r->bands[i].band, 1, &want, NULL), LT_OK);
        if (!(r->bands[i].snr_db > 20.0))
            continue;
        char text[80];
        (void)snprintf(text, sizeof text, "%s, %g Hz", label, r->bands[i].band.nominal_hz);
        bad += !near_abs(text, r->bands[i].level_db, want, 0.2);
        clear++;
    }
    bad += !in_range(label, (double)clear, (double)bands, (double)r->band_count);
    /* In the recorder's time: its clock is fast by drift_ppm. */
    const double early_ms = 1e3 * round(l->early_s * stimulus->rate_hz) / stimulus->rate_hz;
    bad += !near_abs(label, r->delay_ms, (direct_ms(l, truth) + early_ms) * (1.0 + 1e-6 * l->drift_ppm), 0.03);
    if (drift_known)
        bad += !near_abs(label, r->drift_ppm, l->drift_ppm, 2.0);
    bad += !near_abs(label, r->polarity, l->paths[0].flip ? -1.0 : 1.0, 0.0);
    lt_ir_free(truth);
    return bad;
}
