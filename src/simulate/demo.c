/* SPDX-License-Identifier: MIT
 * The demonstration site: an invented pharmacy with three drive-up lanes, each with a trouble of its own. */
#include "simulate/model.h"

#include <math.h>
#include <stdio.h>

static const lt_scene_condition lane_empty = {.name = ""};
static const lt_scene_condition saloon = {
    .name = "car", .car_distance_m = 0.7, .car_height_m = 1.45, .car_reflection = 0.6, .idle_engine_dba = 50.0};

lt_scene_lane lt_scene_lane_default(void)
{
    lt_scene_lane l = {.lane = 1,
                       .name = "Lane",
                       .seed = 1,
                       .rate_hz = 48000.0,
                       .temperature_c = 20.0,
                       .speaker_height_m = 1.15,
                       .microphone_height_m = 1.0,
                       .speaker_to_microphone_m = 0.3,
                       .ear_distance_m = 0.9,
                       .ear_height_m = 1.05,
                       .ground_reflection = 0.85,
                       .canopy_height_m = 3.2,
                       .canopy_reflection = 0.7,
                       .speaker_low_hz = 280.0,
                       .speaker_resonance_q = 1.1,
                       .speaker_high_hz = 8000.0,
                       .speaker_spl_db = 92.0,
                       .microphone_line_db = 114.0,
                       .microphone_low_hz = 240.0,
                       .microphone_high_hz = 12000.0,
                       .clip_line_dbfs = 0.0,
                       .housing_leak_db = -12.0,
                       .crosstalk_db = -75.0,
                       .hub_delay_ms = 0.0,
                       .road_dba = 60.0,
                       .passes_per_minute = 4.0,
                       .pass_dba = 66.0,
                       .wind_dba = 30.0,
                       .microphone_noise_db = 3.0,
                       .hum_hz = 60.0,
                       .hum_line_dbfs = -75.0,
                       .talker_db = 68.0,
                       .counter_spl_db = 100.0,
                       .counter_coupling_db = -12.0,
                       .counter_noise_dba = 48.0,
                       .mic_cal_db = 118.0,
                       .loopback_db = -1.5,
                       .recorder_noise_dbfs = -96.0,
                       .drift_ppm = 0.0,
                       .start_s = 0.0,
                       .condition_count = 2};
    l.conditions[0] = lane_empty;
    l.conditions[1] = saloon;
    return l;
}

/* Beside a highway: customers cannot hear, and raise their voices. The microphone sits apart from the loudspeaker under
 * a hood that faces away from the road; the operator has a handset. */
static lt_scene_lane highway_lane(void)
{
    lt_scene_lane l = lt_scene_lane_default();
    l.lane = 1;
    (void)snprintf(l.name, sizeof l.name, "Highway side");
    l.seed = 101;
    l.speaker_height_m = 1.25;
    l.microphone_height_m = 0.95;
    l.speaker_to_microphone_m = 0.55;
    l.speaker_spl_db = 94.7;
    l.microphone_line_db = 114.0;
    l.housing_leak_db = (double)-INFINITY;
    l.clip_line_dbfs = 1.0;
    l.road_dba = 67.0;
    l.passes_per_minute = 8.0;
    l.pass_dba = 73.0;
    l.wind_dba = 34.0;
    l.microphone_noise_db = -8.0;
    l.talker_db = 76.0;
    l.counter_spl_db = 87.0;
    l.counter_coupling_db = -26.0;
    l.counter_noise_dba = 50.0;
    l.conditions[1].idle_engine_dba = 56.0;
    return l;
}

/* Through a digital hub: the loudspeaker's sound comes back to the operator late and loud. A desk unit with a close
 * microphone. */
static lt_scene_lane echo_lane(void)
{
    lt_scene_lane l = lt_scene_lane_default();
    l.lane = 2;
    (void)snprintf(l.name, sizeof l.name, "Middle");
    l.seed = 202;
    l.speaker_to_microphone_m = 0.4;
    l.speaker_spl_db = 106.0;
    l.microphone_line_db = 130.6;
    l.housing_leak_db = -14.0;
    l.hub_delay_ms = 45.0;
    l.hum_line_dbfs = -84.0;
    l.road_dba = 53.0;
    l.passes_per_minute = 3.0;
    l.pass_dba = 60.0;
    l.microphone_noise_db = -4.0;
    l.talker_db = 71.0;
    l.counter_spl_db = 101.0;
    l.counter_coupling_db = -22.0;
    l.counter_noise_dba = 44.0;
    return l;
}

/* Loudspeaker close to the microphone in a leaky housing; the operator listens by a loudspeaker on the desk. */
static lt_scene_lane feedback_lane(void)
{
    lt_scene_lane l = lt_scene_lane_default();
    l.lane = 3;
    (void)snprintf(l.name, sizeof l.name, "Window side");
    l.seed = 303;
    l.speaker_to_microphone_m = 0.16;
    l.microphone_height_m = 1.05;
    l.speaker_spl_db = 93.0;
    l.microphone_line_db = 118.0;
    l.housing_leak_db = -2.0;
    l.road_dba = 56.0;
    l.passes_per_minute = 3.0;
    l.pass_dba = 62.0;
    l.microphone_noise_db = -4.0;
    l.talker_db = 71.0;
    l.counter_spl_db = 89.0;
    l.counter_coupling_db = -6.5;
    l.conditions[1].car_distance_m = 0.55;
    l.conditions[1].car_reflection = 0.75;
    return l;
}

size_t lt_scene_demo_count(void)
{
    return 3;
}

lt_scene_lane lt_scene_demo_lane(size_t i)
{
    switch (i) {
    case 0:
        return highway_lane();
    case 1:
        return echo_lane();
    case 2:
        return feedback_lane();
    default:
        return lt_scene_lane_default();
    }
}
