/* SPDX-License-Identifier: MIT
 * Is a lane's description something that the model can work with? Every refusal names field, value and range. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

typedef struct {
    const char *field;
    double value, lowest, highest;
} range;

static lt_status check_ranges(const range *r, size_t count, unsigned lane, lt_error *err)
{
    for (size_t i = 0; i < count; i++)
        if (!(r[i].value >= r[i].lowest && r[i].value <= r[i].highest))
            return ltp_fail(err, LT_E_ARG, "virtual lane %u: %s is %g; it must be %g to %g", lane, r[i].field,
                            r[i].value, r[i].lowest, r[i].highest);
    return LT_OK;
}

static lt_status check_geometry(const lt_scene_lane *l, lt_error *err)
{
    const range r[] = {{"rate_hz", l->rate_hz, 16000.0, 192000.0},
                       {"temperature_c", l->temperature_c, -40.0, 60.0},
                       {"speaker_height_m", l->speaker_height_m, 0.1, 5.0},
                       {"microphone_height_m", l->microphone_height_m, 0.1, 5.0},
                       {"speaker_to_microphone_m", l->speaker_to_microphone_m, 0.02, 5.0},
                       {"ear_distance_m", l->ear_distance_m, 0.1, 10.0},
                       {"ear_height_m", l->ear_height_m, 0.2, 5.0},
                       {"ground_reflection", l->ground_reflection, 0.0, 1.0},
                       {"canopy_height_m", l->canopy_height_m, 0.0, 10.0},
                       {"canopy_reflection", l->canopy_reflection, 0.0, 1.0},
                       {"wall_distance_m", l->wall_distance_m, 0.0, 100.0},
                       {"wall_reflection", l->wall_reflection, 0.0, 0.98}};
    const lt_status st = check_ranges(r, LTP_COUNT(r), l->lane, err);
    if (st != LT_OK)
        return st;
    if (fabs(l->speaker_height_m - l->microphone_height_m) > l->speaker_to_microphone_m + 1e-9)
        return ltp_fail(err, LT_E_ARG,
                        "virtual lane %u: speaker_to_microphone_m is %g, less than the difference of their heights",
                        l->lane, l->speaker_to_microphone_m);
    const double top_m = fmax(fmax(l->speaker_height_m, l->microphone_height_m), l->ear_height_m);
    if (l->canopy_height_m > 0.0 && l->canopy_height_m <= top_m)
        return ltp_fail(err, LT_E_ARG, "virtual lane %u: canopy_height_m is %g; it must be 0 (none) or above %g",
                        l->lane, l->canopy_height_m, top_m);
    return LT_OK;
}

static lt_status check_transducers(const lt_scene_lane *l, lt_error *err)
{
    const double top_hz = 0.45 * l->rate_hz;
    const range r[] = {{"speaker_low_hz", l->speaker_low_hz, 20.0, 2000.0},
                       {"speaker_resonance_q", l->speaker_resonance_q, 0.3, 5.0},
                       {"speaker_high_hz", l->speaker_high_hz, 2000.0, top_hz},
                       {"speaker_spl_db", l->speaker_spl_db, 20.0, 140.0},
                       {"microphone_line_db", l->microphone_line_db, 20.0, 180.0},
                       {"microphone_low_hz", l->microphone_low_hz, 5.0, 2000.0},
                       {"microphone_high_hz", l->microphone_high_hz, 2000.0, top_hz},
                       {"hub_delay_ms", l->hub_delay_ms, 0.0, 1000.0},
                       {"counter_spl_db", l->counter_spl_db, 20.0, 140.0},
                       {"counter_coupling_db", l->counter_coupling_db, -120.0, 40.0},
                       {"mic_cal_db", l->mic_cal_db, 40.0, 200.0},
                       {"loopback_db", l->loopback_db, -80.0, 40.0}};
    const range absent[] = {{"clip_line_dbfs", isnan(l->clip_line_dbfs) ? 0.0 : l->clip_line_dbfs, -60.0, 40.0},
                            {"housing_leak_db", fmax(l->housing_leak_db, -120.0), -120.0, 40.0},
                            {"crosstalk_db", fmax(l->crosstalk_db, -120.0), -120.0, 20.0}};
    const lt_status st = check_ranges(r, LTP_COUNT(r), l->lane, err);
    if (st != LT_OK)
        return st;
    if (isnan(l->housing_leak_db) || isnan(l->crosstalk_db))
        return ltp_fail(err, LT_E_ARG, "virtual lane %u: housing_leak_db and crosstalk_db must be numbers", l->lane);
    return check_ranges(absent, LTP_COUNT(absent), l->lane, err);
}

static lt_status check_noise(const lt_scene_lane *l, const lt_scene_condition *c, lt_error *err)
{
    const range r[] = {{"road_dba", l->road_dba, 0.0, 120.0},
                       {"passes_per_minute", l->passes_per_minute, 0.0, 60.0},
                       {"pass_dba", l->pass_dba, 0.0, 120.0},
                       {"wind_dba", l->wind_dba, 0.0, 100.0},
                       {"microphone_noise_db", l->microphone_noise_db, -40.0, 20.0},
                       {"hum_hz", l->hum_hz, 0.0, 400.0},
                       {"hum_line_dbfs", l->hum_hz > 0.0 ? l->hum_line_dbfs : -60.0, -200.0, 0.0},
                       {"talker_db", l->talker_db, 20.0, 120.0},
                       {"counter_noise_dba", l->counter_noise_dba, 0.0, 120.0},
                       {"recorder_noise_dbfs", fmax(l->recorder_noise_dbfs, -300.0), -300.0, 0.0},
                       {"drift_ppm", l->drift_ppm, -1000.0, 1000.0},
                       {"start_s", l->start_s, 0.0, 60.0},
                       {"car_distance_m", c->car_distance_m, 0.0, 20.0},
                       {"car_height_m", c->car_height_m, 0.0, 5.0},
                       {"car_reflection", c->car_reflection, 0.0, 0.98},
                       {"idle_engine_dba", c->idle_engine_dba, 0.0, 120.0}};
    const lt_status st = check_ranges(r, LTP_COUNT(r), l->lane, err);
    if (st != LT_OK)
        return st;
    if (c->car_distance_m > 0.0 && c->car_distance_m < 0.1)
        return ltp_fail(err, LT_E_ARG, "virtual lane %u: car_distance_m is %g; it must be 0 (no car) or at least 0.1",
                        l->lane, c->car_distance_m);
    if (c->car_distance_m <= 0.0 && l->wall_distance_m > 0.0 && l->wall_distance_m <= l->ear_distance_m)
        return ltp_fail(err, LT_E_ARG,
                        "virtual lane %u: wall_distance_m is %g; it must be 0 (none) or beyond ear_distance_m (%g)",
                        l->lane, l->wall_distance_m, l->ear_distance_m);
    return LT_OK;
}

lt_status ltp_scene_check(const lt_scene_lane *lane, size_t condition, lt_error *err)
{
    if (lane->condition_count < 1 || lane->condition_count > LT_SCENE_CONDITIONS_MAX)
        return ltp_fail(err, LT_E_ARG, "virtual lane %u has %zu conditions; 1 to %d are possible", lane->lane,
                        lane->condition_count, (int)LT_SCENE_CONDITIONS_MAX);
    if (condition >= lane->condition_count)
        return ltp_fail(err, LT_E_ARG, "virtual lane %u has %zu conditions; number %zu was asked (they count from 0)",
                        lane->lane, lane->condition_count, condition);
    lt_status st = check_geometry(lane, err);
    if (st == LT_OK)
        st = check_transducers(lane, err);
    if (st == LT_OK)
        st = check_noise(lane, &lane->conditions[condition], err);
    return st;
}
