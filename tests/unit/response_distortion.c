/* SPDX-License-Identifier: MIT
 * Harmonic distortion from the sweep against steady sines through the same amplifier and lane. */
#include "near.h"
#include "response_lane.h"
#include "suite.h"

SUITE(response_distortion);

static const lane_path two[] = {{8.5, -6.0, false}, {11.9, -15.0, false}};

enum { STEPS = 4096, HARMONICS = 5 };

/* Fourier coefficients of the clipped steady sine: what a sine at any frequency gives behind the amplifier. */
static void clipped_sine(double drive, double peak, double amplitude[HARMONICS + 1])
{
    for (int n = 1; n <= HARMONICS; n++) {
        double sum = 0.0;
        for (int i = 0; i < STEPS; i++) {
            const double phase = 2.0 * LT_PI * (i + 0.5) / STEPS;
            sum += tanh(drive * peak * sin(phase)) / drive * sin(n * phase);
        }
        amplitude[n] = 2.0 * sum / STEPS;
    }
}

static double steady_thd_percent(const lane *l, double peak, double hz, double end_hz)
{
    double a[HARMONICS + 1];
    clipped_sine(l->drive, peak, a);
    double sum = 0.0;
    for (int n = 2; n <= HARMONICS && n * hz <= end_hz; n++)
        sum += a[n] * a[n] * lt_complex_power(lane_gain(l, n * hz, 48000.0));
    return 100.0 * sqrt(sum / (a[1] * a[1] * lt_complex_power(lane_gain(l, hz, 48000.0))));
}

static void distortion_agrees_with_steady_sines(void **state)
{
    (void)state;
    const struct {
        double drive, seconds, noise_db;
    } rows[] = {{1.0, 10.0, -200.0}, {2.5, 10.0, -40.0}, {2.0, 5.0, -50.0}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_sweep_options o = lt_sweep_default_options();
        o.seconds = rows[i].seconds;
        lt_signal *s = NULL;
        assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
        const lane l = {.paths = two,
                        .path_count = COUNT(two),
                        .speaker = true,
                        .drive = rows[i].drive,
                        .extra_s = 0.5,
                        .noise = rows[i].noise_db > -200.0,
                        .noise_db = rows[i].noise_db,
                        .drift_ppm = 30.0,
                        .gain_db = -6.0,
                        .seed = i};
        lt_response *r = lane_measure("distortion", &l, s);
        size_t checked = 0;
        for (size_t b = 0; b < r->band_count; b++) {
            const double hz = r->bands[b].band.exact_hz;
            const double want = steady_thd_percent(&l, lt_amplitude_from_db(o.peak_dbfs), hz, o.to_hz);
            if (2.0 * hz > 20000.0)
                bad += !isnan(r->bands[b].thd_percent);
            if (r->bands[b].snr_db < 30.0 || want < 0.2 || 3.0 * hz > o.to_hz)
                continue;
            char label[48];
            (void)snprintf(label, sizeof label, "drive %g, %g Hz", rows[i].drive, r->bands[b].band.nominal_hz);
            bad += !near_rel(label, r->bands[b].thd_percent, want, 0.1);
            checked++;
        }
        bad += !in_range("bands checked", (double)checked, 15.0, 26.0);
        lt_response_free(r);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void clean_lane_has_no_distortion(void **state)
{
    (void)state;
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = 5.0;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    const lane l = {.paths = two, .path_count = COUNT(two), .speaker = true, .extra_s = 0.5, .sixteen_bits = true};
    lt_response *r = lane_measure("clean", &l, s);
    int bad = 0;
    for (size_t b = 6; b < r->band_count; b++) /* from 200 Hz on, where the lane passes */
        if (!isnan(r->bands[b].thd_percent))
            bad += !in_range("thd", r->bands[b].thd_percent, 0.0, 0.05);
    lt_response_free(r);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_distortion_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(distortion_agrees_with_steady_sines),
        cmocka_unit_test(clean_lane_has_no_distortion),
    };
    return cmocka_run_group_tests_name("response_distortion", tests, NULL, NULL);
}
