/* SPDX-License-Identifier: MIT
 * What a recorder at the lane would bring home: stimulus through amplifier and path, noise, the recorder's clock, its
 * early start and its own noise. Full scale = 1.0; 0 dBFS = RMS of a full-scale sine. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double tail_s = 1.0;
static const double longest_s = 3600.0;

static lt_status check_request(const lt_scene_lane *lane, lt_scene_path path, const lt_signal *stimulus, double seconds,
                               lt_error *err)
{
    if ((unsigned)path >= LT_SCENE_PATH_COUNT)
        return ltp_fail(err, LT_E_ARG, "path number %d is unknown", (int)path);
    if (!(seconds >= 0.0 && seconds <= longest_s))
        return ltp_fail(err, LT_E_ARG, "a recording of %g s: must be 0 to %g s", seconds, longest_s);
    if (!ltp_path_sounds(path))
        return seconds * lane->rate_hz >= 1.0
                   ? LT_OK
                   : ltp_fail(err, LT_E_ARG, "%s needs a length of some seconds", lt_scene_path_name(path));
    if (stimulus == NULL || stimulus->count == 0)
        return ltp_fail(err, LT_E_ARG, "%s needs a stimulus", lt_scene_path_name(path));
    if (fabs(stimulus->rate_hz - lane->rate_hz) > 1e-6 * lane->rate_hz)
        return ltp_fail(err, LT_E_ARG, "the stimulus has %g Hz, the virtual lane %g Hz; resample it first",
                        stimulus->rate_hz, lane->rate_hz);
    return LT_OK;
}

/* What enters the path: the line behind the amplifier's curve, the plain line, or speech in sound pressure. */
static lt_status make_input(const lt_scene_lane *lane, lt_scene_path path, const lt_signal *stimulus, double talker_db,
                            lt_signal **out, lt_error *err)
{
    lt_status st = lt_signal_copy(stimulus, 0, stimulus->count, out, err);
    if (st != LT_OK)
        return st;
    if (path == LT_SCENE_OUTBOUND || path == LT_SCENE_LANE_COUPLING || path == LT_SCENE_LOOP)
        return ltp_amplify(lane->clip_line_dbfs, (*out)->samples, (*out)->count, err);
    if (path != LT_SCENE_TALK_TEST)
        return LT_OK;
    const double active_db = ltp_active_level_db(stimulus);
    if (!isfinite(active_db))
        return ltp_fail(err, LT_E_ARG, "the talk test's speech is silent");
    const double gain = lt_amplitude_from_db((isnan(talker_db) ? lane->talker_db : talker_db) - active_db);
    for (size_t i = 0; i < (*out)->count; i++)
        (*out)->samples[i] *= gain;
    return LT_OK;
}

/* input through the path, `tail_s` longer; advance_s shifts it by part of a sample. */
static lt_status play(const lt_scene_lane *lane, size_t condition, lt_scene_path path, const lt_signal *input,
                      double delay_s, lt_signal **out, lt_error *err)
{
    *out = NULL;
    ltp_grid *g = NULL;
    lt_signal *ir = NULL;
    lt_signal *whole = NULL;
    lt_status st = ltp_path_grid(lane, condition, path, &g, err);
    if (st == LT_OK)
        st = lt_signal_create(g->n, lane->rate_hz, &ir, err);
    if (st == LT_OK)
        st = lt_signal_create(input->count + g->n - 1, lane->rate_hz, &whole, err);
    if (st == LT_OK)
        st = lt_signal_create(input->count + (size_t)(tail_s * lane->rate_hz), lane->rate_hz, out, err);
    if (st != LT_OK)
        goto done;
    if (delay_s > 0.0)
        ltp_grid_delay(g, delay_s);
    ltp_grid_samples(g, LTP_ORIGIN_FRAMES, ir->samples);
    st = lt_convolve(input->samples, input->count, ir->samples, ir->count, whole->samples, err);
    if (st == LT_OK) {
        const size_t heard = whole->count - LTP_ORIGIN_FRAMES;
        memcpy((*out)->samples, whole->samples + LTP_ORIGIN_FRAMES,
               (heard < (*out)->count ? heard : (*out)->count) * sizeof *whole->samples);
    }
done:
    lt_signal_free(ir);
    lt_signal_free(whole);
    ltp_grid_free(g);
    if (st != LT_OK) {
        lt_signal_free(*out);
        *out = NULL;
    }
    return st;
}

/* The same sound seen by the recorder's clock. Replaces *s. */
static lt_status drift(double ppm, lt_signal **s, lt_error *err)
{
    if (fabs(ppm) < 1e-9)
        return LT_OK;
    lt_signal *stretched = NULL;
    const double rate_hz = (*s)->rate_hz;
    const lt_status st = lt_resample(*s, rate_hz * (1.0 + 1e-6 * ppm), &stretched, err);
    if (st != LT_OK)
        return st;
    stretched->rate_hz = rate_hz;
    lt_signal_free(*s);
    *s = stretched;
    return LT_OK;
}

static lt_status record_sound(const lt_scene_lane *lane, size_t condition, lt_scene_path path,
                              const lt_signal *stimulus, double seconds, double talker_db, lt_signal **out,
                              lt_error *err)
{
    lt_signal *input = NULL;
    lt_signal *sound = NULL;
    const double start = lane->start_s * lane->rate_hz;
    const double whole = floor(start + 1e-9);
    const double rest = fmax(start - whole, 0.0);
    lt_status st = make_input(lane, path, stimulus, talker_db, &input, err);
    if (st == LT_OK)
        st = play(lane, condition, path, input, rest / lane->rate_hz, &sound, err);
    if (st == LT_OK)
        st = drift(lane->drift_ppm, &sound, err);
    if (st == LT_OK) {
        const size_t early = (size_t)whole;
        const size_t least = (size_t)ceil(seconds * lane->rate_hz);
        const size_t count = early + sound->count > least ? early + sound->count : least;
        st = lt_signal_create(count, lane->rate_hz, out, err);
        if (st == LT_OK)
            memcpy((*out)->samples + early, sound->samples, sound->count * sizeof *sound->samples);
    }
    lt_signal_free(input);
    lt_signal_free(sound);
    return st;
}

lt_status lt_scene_record(const lt_scene_lane *lane, size_t condition, lt_scene_path path, const lt_signal *stimulus,
                          double seconds, double talker_db, lt_signal **out, lt_error *err)
{
    *out = NULL;
    ltp_hearing *hearing = NULL;
    lt_signal *recording = NULL;
    lt_status st = check_request(lane, path, stimulus, seconds, err);
    if (st == LT_OK)
        st = ltp_hearing_create(lane, condition, path, &hearing, err);
    if (st == LT_OK && ltp_path_sounds(path))
        st = record_sound(lane, condition, path, stimulus, seconds, talker_db, &recording, err);
    else if (st == LT_OK)
        st = lt_signal_create((size_t)floor(seconds * lane->rate_hz + 0.5), lane->rate_hz, &recording, err);
    if (st == LT_OK)
        st = ltp_noise_add(hearing, condition, recording->samples, recording->count, err);
    ltp_hearing_free(hearing);
    if (st != LT_OK) {
        lt_signal_free(recording);
        return st;
    }
    *out = recording;
    return LT_OK;
}
