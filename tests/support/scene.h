/* SPDX-License-Identifier: MIT
 * Virtual lanes for tests: bare ones, in which only what a test is about is left. Full scale = 1.0. */
#ifndef LT_TESTS_SCENE_H
#define LT_TESTS_SCENE_H

#include "near.h"
#include <lanetune/simulate.h>

/** Speaker, microphone and ear in front of a panel, nothing else: no noise, no reflection, no distortion. */
static inline lt_scene_lane scene_bare(void)
{
    lt_scene_lane l = lt_scene_lane_default();
    l.speaker_height_m = l.microphone_height_m = l.ear_height_m = 1.2;
    l.ground_reflection = 0.0;
    l.canopy_height_m = 0.0;
    l.wall_distance_m = 0.0;
    l.clip_line_dbfs = NAN;
    l.housing_leak_db = l.crosstalk_db = -INFINITY;
    l.road_dba = l.passes_per_minute = l.wind_dba = l.hum_hz = l.counter_noise_dba = 0.0;
    l.recorder_noise_dbfs = -INFINITY;
    l.condition_count = 1;
    return l;
}

/** The same lane as it is, with all noise and the soft clipping taken away. */
static inline lt_scene_lane scene_quiet(lt_scene_lane l)
{
    l.clip_line_dbfs = NAN;
    l.road_dba = l.passes_per_minute = l.wind_dba = l.hum_hz = l.counter_noise_dba = 0.0;
    l.recorder_noise_dbfs = -INFINITY;
    for (size_t i = 0; i < l.condition_count; i++)
        l.conditions[i].idle_engine_dba = 0.0;
    return l;
}

static inline lt_ir *scene_ir(const lt_scene_lane *l, size_t condition, lt_scene_path path)
{
    lt_ir *ir = NULL;
    lt_error err = {0};
    if (lt_scene_ir(l, condition, path, &ir, &err) != LT_OK)
        fail_msg("%s", err.what);
    return ir;
}

static inline lt_signal *scene_record(const lt_scene_lane *l, size_t condition, lt_scene_path path,
                                      const lt_signal *stimulus, double seconds)
{
    lt_signal *s = NULL;
    lt_error err = {0};
    if (lt_scene_record(l, condition, path, stimulus, seconds, NAN, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

static inline lt_signal *scene_signal(size_t count, double rate_hz)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(count, rate_hz, &s, NULL), LT_OK);
    return s;
}

/** Power spectrum of a whole signal: [bins] mean squares (Parseval), bin k at k rate / (2 (bins - 1)). */
typedef struct {
    double *power;
    size_t bins;
    double bin_hz;
} scene_spectrum;

static inline scene_spectrum scene_spectrum_of(const lt_signal *s)
{
    const size_t n = lt_rfft_good_size(s->count);
    lt_rfft *fft = NULL;
    assert_int_equal(lt_rfft_create(n, &fft, NULL), LT_OK);
    lt_complex *x = test_calloc(n / 2 + 1, sizeof *x);
    scene_spectrum p = {test_calloc(n / 2 + 1, sizeof *p.power), n / 2 + 1, s->rate_hz / (double)n};
    lt_rfft_forward_padded(fft, s->samples, s->count, x);
    for (size_t k = 1; k < n / 2; k++)
        p.power[k] = 2.0 * lt_complex_power(x[k]) / ((double)n * (double)s->count);
    test_free(x);
    lt_rfft_free(fft);
    return p;
}

static inline double scene_sum(const scene_spectrum *p, double from_hz, double to_hz, bool a_weighted)
{
    double sum = 0.0;
    for (size_t k = (size_t)ceil(from_hz / p->bin_hz); k < p->bins && (double)k * p->bin_hz < to_hz; k++)
        sum += p->power[k] * (a_weighted ? lt_power_from_db(lt_weight_a_db((double)(k > 0 ? k : 1) * p->bin_hz)) : 1.0);
    return sum;
}

/** Mean square of a signal between two frequencies. */
static inline double scene_mean_square(const lt_signal *s, double from_hz, double to_hz, bool a_weighted)
{
    const scene_spectrum p = scene_spectrum_of(s);
    const double sum = scene_sum(&p, from_hz, to_hz, a_weighted);
    test_free(p.power);
    return sum;
}

static inline double scene_dba(const lt_signal *s)
{
    return lt_dbfs_from_mean_square(scene_mean_square(s, 20.0, 20000.0, true));
}

/** Levels of the 18 bands of speech, dBFS. */
static inline void scene_bands(const lt_signal *s, double level_db[LT_SPEECH_BANDS])
{
    const scene_spectrum p = scene_spectrum_of(s);
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
        level_db[i] = lt_dbfs_from_mean_square(scene_sum(&p, b.lower_hz, b.upper_hz, false));
    }
    test_free(p.power);
}

#endif
