/* SPDX-License-Identifier: MIT
 * The demonstration's lanes, measured through their own noise with another clock, late starts, 16 bits and a 44.1 kHz
 * recorder: levels, delay and drift are the model's own, and distortion is that of steady sines. */
#include "near.h"
#include <lanetune/response.h>
#include <lanetune/simulate.h>

static const lt_scene_path paths[] = {LT_SCENE_OUTBOUND, LT_SCENE_INBOUND, LT_SCENE_LANE_COUPLING,
                                      LT_SCENE_COUNTER_COUPLING};

static lt_signal *sweep_of(double seconds, double peak_dbfs)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = seconds;
    o.peak_dbfs = peak_dbfs;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

/* What another recorder would have written: its rate, 16 bits. */
static lt_signal *recorded(const lt_scene_lane *lane, size_t condition, lt_scene_path path, const lt_signal *stimulus,
                           double rate_hz)
{
    lt_signal *whole = NULL;
    lt_signal *out = NULL;
    assert_int_equal(lt_scene_record(lane, condition, path, stimulus, 0.0, NAN, &whole, NULL), LT_OK);
    assert_int_equal(lt_resample(whole, rate_hz, &out, NULL), LT_OK);
    for (size_t i = 0; i < out->count; i++)
        out->samples[i] = round(out->samples[i] * 32767.0) / 32767.0;
    lt_signal_free(whole);
    return out;
}

static lt_response *measured(const char *label, const lt_signal *recording, const lt_signal *stimulus)
{
    lt_response *r = NULL;
    lt_error err = {0};
    if (lt_response_measure(&recording, NULL, 1, stimulus, NULL, &r, &err) != LT_OK)
        fail_msg("%s: %s", label, err.what);
    return r;
}

/* Bands above 20 dB SNR within 0.2 dB of the truth; *clear counts them. */
static int level_misses(const char *label, const lt_response *r, const lt_ir *truth, size_t *clear)
{
    int bad = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        double want = NAN;
        assert_int_equal(lt_ir_band_levels(truth, &b->band, 1, &want, NULL), LT_OK);
        if (!(b->snr_db > 20.0))
            continue;
        char row[160];
        (void)snprintf(row, sizeof row, "%s, %.0f Hz at %.0f dB SNR", label, b->band.nominal_hz, b->snr_db);
        bad += !near_abs(row, b->level_db, want, 0.2);
        (*clear)++;
    }
    return bad;
}

static int misses(lt_scene_lane lane, size_t condition, size_t k, const lt_signal *stimulus, size_t *clear)
{
    lane.drift_ppm = (double)(k * 37 % 200) - 100.0;
    lane.start_s = 0.317 * (double)(k % 10);
    const lt_scene_path path = paths[k % COUNT(paths)];
    char label[120];
    (void)snprintf(label, sizeof label, "lane %u '%s' %s, %+.0f ppm", lane.lane, lane.conditions[condition].name,
                   lt_scene_path_name(path), lane.drift_ppm);
    lt_signal *rec = recorded(&lane, condition, path, stimulus, k % 3 == 1 ? 44100.0 : 48000.0);
    lt_response *r = measured(label, rec, stimulus);
    lt_ir *truth = NULL;
    lt_response *ideal = NULL;
    assert_int_equal(lt_scene_ir(&lane, condition, path, &truth, NULL), LT_OK);
    assert_int_equal(lt_response_from_ir(truth, &ideal, NULL), LT_OK);
    int bad = level_misses(label, r, truth, clear);
    bad += !near_abs(label, r->drift_ppm, lane.drift_ppm, 2.0);
    bad += !near_abs(label, r->delay_ms, 1e3 * lane.start_s + ideal->delay_ms, 0.03); /* start_s: recorder's time */
    bad += !near_abs(label, r->polarity, ideal->polarity, 0.0);
    lt_response_free(ideal);
    lt_ir_free(truth);
    lt_response_free(r);
    lt_signal_free(rec);
    return bad;
}

static void demo_lanes_are_recovered(void **state)
{
    (void)state;
    lt_signal *stimulus = sweep_of(6.0, -12.0);
    int bad = 0;
    size_t clear = 0;
    size_t k = 0;
    for (size_t i = 0; i < lt_scene_demo_count(); i++) {
        const lt_scene_lane lane = lt_scene_demo_lane(i);
        for (size_t c = 0; c < lane.condition_count; c++)
            for (size_t p = 0; p < COUNT(paths); p++)
                bad += misses(lane, c, k++, stimulus, &clear);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    assert_true(clear > 10 * k); /* most bands of most paths are good enough to count */
}

static void distortion_is_that_of_steady_sines(void **state)
{
    (void)state;
    const double peak_dbfs = -6.0;
    lt_signal *stimulus = sweep_of(10.0, peak_dbfs);
    int bad = 0;
    size_t compared = 0;
    for (size_t i = 0; i < lt_scene_demo_count(); i++) {
        lt_scene_lane lane = lt_scene_demo_lane(i);
        lane.clip_line_dbfs = -4.0;
        lane.road_dba = 30.0;
        lane.passes_per_minute = lane.wind_dba = lane.hum_hz = 0.0;
        lt_signal *rec = recorded(&lane, 0, LT_SCENE_OUTBOUND, stimulus, 48000.0);
        lt_response *r = measured("distortion", rec, stimulus);
        for (size_t b = 0; b < r->band_count; b++) {
            double want = NAN;
            assert_int_equal(
                lt_scene_thd(&lane, 0, LT_SCENE_OUTBOUND, r->bands[b].band.exact_hz, peak_dbfs, 18000.0, &want, NULL),
                LT_OK);
            if (!(r->bands[b].snr_db > 30.0) || !(want > 0.5))
                continue;
            char row[80];
            (void)snprintf(row, sizeof row, "lane %u, %.0f Hz, distortion", lane.lane, r->bands[b].band.nominal_hz);
            bad += !near_rel(row, r->bands[b].thd_percent, want, 0.1);
            compared++;
        }
        lt_response_free(r);
        lt_signal_free(rec);
    }
    lt_signal_free(stimulus);
    assert_int_equal(bad, 0);
    assert_true(compared >= 20);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(demo_lanes_are_recovered),
        cmocka_unit_test(distortion_is_that_of_steady_sines),
    };
    return cmocka_run_group_tests_name("demo_responses", tests, NULL, NULL);
}
