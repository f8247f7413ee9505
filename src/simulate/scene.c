/* SPDX-License-Identifier: MIT
 * A lane as the sum of its parts: transfer function and impulse response of every path. Recorded full scale per played
 * full scale. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

static const double response_s = 0.3; /* 20 m of way and the ringing of the low cuts */

const char *lt_scene_path_name(lt_scene_path p)
{
    static const char *const names[LT_SCENE_PATH_COUNT] = {[LT_SCENE_OUTBOUND] = "outbound",
                                                           [LT_SCENE_INBOUND] = "inbound",
                                                           [LT_SCENE_LANE_COUPLING] = "lane-coupling",
                                                           [LT_SCENE_COUNTER_COUPLING] = "counter-coupling",
                                                           [LT_SCENE_LOOP] = "loop",
                                                           [LT_SCENE_NOISE_EAR] = "noise-ear",
                                                           [LT_SCENE_NOISE_MIC] = "noise-mic",
                                                           [LT_SCENE_NOISE_COUNTER] = "noise-counter",
                                                           [LT_SCENE_TALK_TEST] = "talk-test"};
    return (unsigned)p < LT_SCENE_PATH_COUNT ? names[p] : "unknown path";
}

bool ltp_path_sounds(lt_scene_path path)
{
    return path != LT_SCENE_NOISE_EAR && path != LT_SCENE_NOISE_MIC && path != LT_SCENE_NOISE_COUNTER;
}

bool ltp_path_from_line(lt_scene_path path)
{
    return path == LT_SCENE_LANE_COUPLING || path == LT_SCENE_COUNTER_COUPLING || path == LT_SCENE_LOOP ||
           path == LT_SCENE_NOISE_MIC || path == LT_SCENE_TALK_TEST;
}

static void add_lane_coupling(ltp_grid *g, const lt_scene_lane *lane, const lt_scene_condition *c, ltp_arrivals *a)
{
    const double hub_s = 1e-3 * lane->hub_delay_ms;
    ltp_arrivals_between(lane, c, ltp_speaker_point(lane), ltp_microphone_point(lane), a);
    if (isfinite(lane->housing_leak_db)) {
        const ltp_arrival inside = {.delay_s = LTP_LEAK_DETOUR * a->items[0].delay_s + hub_s, .gain = a->items[0].gain};
        const ltp_chain resonance = ltp_housing_leak(lane);
        ltp_grid_add_arrivals(g, &inside, 1, lt_amplitude_from_db(lane->housing_leak_db));
        ltp_grid_chain(g, &resonance);
    }
    for (size_t i = 0; i < a->count; i++)
        a->items[i].delay_s += hub_s;
    ltp_grid_add_arrivals(g, a->items, a->count, 1.0);
    const ltp_chain speaker = ltp_lane_speaker(lane);
    const ltp_chain microphone = ltp_lane_microphone(lane);
    ltp_grid_chain(g, &speaker);
    ltp_grid_chain(g, &microphone);
    ltp_grid_scale(g, lt_amplitude_from_db(lane->speaker_spl_db - lane->microphone_line_db));
    if (isfinite(lane->crosstalk_db)) /* in the cable behind the hub: no delay, no filter */
        ltp_grid_add_constant(g, lt_amplitude_from_db(lane->crosstalk_db));
}

static void add_outbound(ltp_grid *g, const lt_scene_lane *lane, const lt_scene_condition *c, ltp_arrivals *a)
{
    const ltp_chain speaker = ltp_lane_speaker(lane);
    ltp_arrivals_between(lane, c, ltp_speaker_point(lane), ltp_ear_point(lane), a);
    ltp_grid_add_arrivals(g, a->items, a->count, lt_amplitude_from_db(lane->speaker_spl_db - lane->mic_cal_db));
    ltp_grid_chain(g, &speaker);
}

/* A mouth radiates freely; the hard panel doubles the pressure at the microphone in it. */
static void add_mouth(ltp_grid *g, const lt_scene_lane *lane, const lt_scene_condition *c, ltp_arrivals *a)
{
    const ltp_chain microphone = ltp_lane_microphone(lane);
    ltp_arrivals_between(lane, c, ltp_microphone_point(lane), ltp_mouth_point(lane), a);
    for (size_t i = 0; i < a->count; i++)
        a->items[i].delay_s += 1e-3 * lane->hub_delay_ms;
    ltp_grid_add_arrivals(g, a->items, a->count, 2.0 * lt_amplitude_from_db(-lane->microphone_line_db));
    ltp_grid_chain(g, &microphone);
}

static void multiply_counter(ltp_grid *g, const ltp_counter *counter)
{
    for (size_t k = 0; k < g->bins; k++)
        g->h[k] = lt_complex_multiply(g->h[k], ltp_counter_coupling_at(counter, ltp_grid_hz(g, k)));
}

static void add_receive(ltp_grid *g, const lt_scene_lane *lane, const ltp_counter *counter)
{
    const double gain = lt_amplitude_from_db(lane->counter_spl_db - lane->mic_cal_db);
    for (size_t k = 0; k < g->bins; k++)
        g->h[k] = ltp_counter_receive_at(counter, ltp_grid_hz(g, k));
    ltp_grid_scale(g, gain);
}

static void add_path(ltp_grid *g, const lt_scene_lane *lane, const lt_scene_condition *c, lt_scene_path path,
                     ltp_arrivals *arrivals, ltp_counter *counter)
{
    ltp_counter_of(lane, counter);
    switch (path) {
    case LT_SCENE_OUTBOUND:
        add_outbound(g, lane, c, arrivals);
        break;
    case LT_SCENE_INBOUND:
        add_receive(g, lane, counter);
        break;
    case LT_SCENE_LANE_COUPLING:
        add_lane_coupling(g, lane, c, arrivals);
        break;
    case LT_SCENE_COUNTER_COUPLING:
        ltp_grid_add_constant(g, 1.0);
        multiply_counter(g, counter);
        break;
    case LT_SCENE_LOOP:
        add_lane_coupling(g, lane, c, arrivals);
        multiply_counter(g, counter);
        break;
    case LT_SCENE_TALK_TEST:
        add_mouth(g, lane, c, arrivals);
        break;
    case LT_SCENE_NOISE_EAR:
    case LT_SCENE_NOISE_MIC:
    case LT_SCENE_NOISE_COUNTER:
    case LT_SCENE_PATH_COUNT:
        break;
    }
    if (ltp_path_from_line(path))
        ltp_grid_scale(g, lt_amplitude_from_db(lane->loopback_db));
}

lt_status ltp_path_grid(const lt_scene_lane *lane, size_t condition, lt_scene_path path, ltp_grid **out, lt_error *err)
{
    *out = NULL;
    lt_status st = ltp_scene_check(lane, condition, err);
    if (st != LT_OK)
        return st;
    if ((unsigned)path >= LT_SCENE_PATH_COUNT || !ltp_path_sounds(path))
        return ltp_fail(err, LT_E_ARG, "%s has no impulse response: nothing is played there", lt_scene_path_name(path));
    ltp_grid *g = NULL;
    ltp_arrivals *arrivals = ltp_alloc(1, sizeof *arrivals);
    ltp_counter *counter = ltp_alloc(1, sizeof *counter);
    if (arrivals == NULL || counter == NULL)
        st = ltp_fail_nomem(err, "a path of the virtual lane");
    else
        st = ltp_grid_create(lane->rate_hz, response_s + 1e-3 * lane->hub_delay_ms, &g, err);
    if (st == LT_OK)
        add_path(g, lane, &lane->conditions[condition], path, arrivals, counter);
    ltp_free(arrivals);
    ltp_free(counter);
    *out = g;
    return st;
}

lt_status lt_scene_ir(const lt_scene_lane *lane, size_t condition, lt_scene_path path, lt_ir **out, lt_error *err)
{
    *out = NULL;
    ltp_grid *g = NULL;
    lt_signal *samples = NULL;
    lt_status st = ltp_path_grid(lane, condition, path, &g, err);
    if (st == LT_OK)
        st = lt_signal_create(g->n, lane->rate_hz, &samples, err);
    if (st == LT_OK) {
        ltp_grid_samples(g, LTP_ORIGIN_FRAMES, samples->samples);
        st = lt_ir_from_signal(samples, out, err);
    }
    if (st == LT_OK)
        (*out)->origin_frames = LTP_ORIGIN_FRAMES;
    lt_signal_free(samples);
    ltp_grid_free(g);
    return st;
}
