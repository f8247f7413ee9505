/* SPDX-License-Identifier: MIT
 * Recordings: the path is in them, and the recorder's clock and start; the same lane gives the same bits. */
#include "fault.h"
#include "scene.h"
#include "suite.h"

#include "simulate/model.h"

#include <string.h>

static lt_signal *sweep(double seconds, double peak_dbfs)
{
    lt_sweep_options opt = lt_sweep_default_options();
    opt.seconds = seconds;
    opt.peak_dbfs = peak_dbfs;
    opt.from_hz = 40.0;
    opt.to_hz = 20000.0;
    opt.lead_s = 0.1;
    opt.gap_s = opt.tail_s = 0.2;
    opt.markers = false;
    lt_signal *s = NULL;
    lt_error err = {0};
    if (lt_sweep_create(&opt, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

/* Recording / stimulus by plain division of spectra: mean power of the quotient over a band. */
static void divided_bands(const lt_signal *rec, const lt_signal *stim, double *band_db)
{
    const size_t n = lt_rfft_good_size(rec->count + stim->count);
    lt_rfft *fft = NULL;
    assert_int_equal(lt_rfft_create(n, &fft, NULL), LT_OK);
    lt_complex *y = test_calloc(n / 2 + 1, sizeof *y);
    lt_complex *x = test_calloc(n / 2 + 1, sizeof *x);
    lt_rfft_forward_padded(fft, rec->samples, rec->count, y);
    lt_rfft_forward_padded(fft, stim->samples, stim->count, x);
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_band b = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
        double sum = 0.0;
        size_t count = 0;
        for (size_t k = 1; k < n / 2; k++) {
            const double hz = (double)k * rec->rate_hz / (double)n;
            if (hz < b.lower_hz || hz >= b.upper_hz)
                continue;
            sum += lt_complex_power(y[k]) / lt_complex_power(x[k]);
            count++;
        }
        band_db[i] = lt_db_from_power(sum / (double)count);
    }
    test_free(x);
    test_free(y);
    lt_rfft_free(fft);
}

static void recordings_hold_the_true_response(void **state)
{
    (void)state;
    static const lt_scene_path paths[] = {LT_SCENE_OUTBOUND, LT_SCENE_INBOUND, LT_SCENE_LANE_COUPLING,
                                          LT_SCENE_COUNTER_COUPLING, LT_SCENE_LOOP};
    lt_signal *stim = sweep(3.0, -6.0);
    int bad = 0;
    for (size_t d = 0; d < lt_scene_demo_count(); d++) {
        const lt_scene_lane l = scene_quiet(lt_scene_demo_lane(d));
        for (size_t p = 0; p < COUNT(paths); p++) {
            double got[LT_SPEECH_BANDS];
            double want[LT_SPEECH_BANDS];
            lt_band bands[LT_SPEECH_BANDS];
            for (int i = 0; i < LT_SPEECH_BANDS; i++)
                bands[i] = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
            lt_signal *rec = scene_record(&l, 1, paths[p], stim, 0.0);
            lt_ir *ir = scene_ir(&l, 1, paths[p]);
            divided_bands(rec, stim, got);
            assert_int_equal(lt_ir_band_levels(ir, bands, LT_SPEECH_BANDS, want, NULL), LT_OK);
            for (int i = 0; i < LT_SPEECH_BANDS; i++)
                bad += !near_abs(lt_scene_path_name(paths[p]), got[i], want[i], 0.05);
            lt_ir_free(ir);
            lt_signal_free(rec);
        }
    }
    lt_signal_free(stim);
    assert_int_equal(bad, 0);
}

/* Sample by sample: a unit impulse comes back as the impulse response from t = 0 on. */
static void an_impulse_comes_back_as_the_response(void **state)
{
    (void)state;
    const lt_scene_lane l = scene_quiet(lt_scene_demo_lane(2));
    lt_signal *stim = scene_signal(4800, 48000.0);
    stim->samples[1000] = 1.0;
    lt_signal *rec = scene_record(&l, 0, LT_SCENE_LANE_COUPLING, stim, 0.0);
    lt_ir *ir = scene_ir(&l, 0, LT_SCENE_LANE_COUPLING);
    double largest = 0.0;
    double worst = 0.0;
    for (size_t i = 0; i < ir->count; i++) {
        const size_t at = 1000 + i - (size_t)ir->origin_frames;
        worst = fmax(worst, fabs(rec->samples[at] - ir->samples[i]));
        largest = fmax(largest, fabs(ir->samples[i]));
    }
    lt_ir_free(ir);
    lt_signal_free(rec);
    lt_signal_free(stim);
    assert_true(in_range("worst difference re peak, dB", lt_db_from_amplitude(worst / largest), -400.0, -110.0));
}

static void an_early_start_shifts_by_that_time(void **state)
{
    (void)state;
    lt_scene_lane l = scene_quiet(lt_scene_lane_default());
    lt_signal *stim = sweep(1.0, -12.0);
    lt_signal *plain = scene_record(&l, 0, LT_SCENE_OUTBOUND, stim, 0.0);
    int bad = 0;
    l.start_s = 1.25; /* 60000 frames */
    lt_signal *early = scene_record(&l, 0, LT_SCENE_OUTBOUND, stim, 0.0);
    bad += early->count != plain->count + 60000;
    for (size_t i = 0; i < plain->count; i++)
        bad += !near_abs("shifted sample", early->samples[i + 60000], plain->samples[i], 1e-12);
    for (size_t i = 0; i < 60000; i++)
        bad += fabs(early->samples[i]) > 0.0;
    lt_signal_free(early);
    /* A start between samples: phase at one frequency. */
    l.start_s = 1.0 + 0.4 / 48000.0;
    early = scene_record(&l, 0, LT_SCENE_OUTBOUND, stim, 0.0);
    static const double at_hz[] = {300.0, 1000.0, 4000.0};
    for (size_t k = 0; k < COUNT(at_hz); k++) {
        const lt_complex a = lt_dtft(early->samples + 48000, plain->count, 48000.0, at_hz[k]);
        const lt_complex b = lt_dtft(plain->samples, plain->count, 48000.0, at_hz[k]);
        const lt_complex ratio = lt_complex_multiply(a, (lt_complex){b.re, -b.im});
        bad +=
            !near_abs("late by, frames", -atan2(ratio.im, ratio.re) / (2.0 * LT_PI * at_hz[k]) * 48000.0, 0.4, 0.002);
    }
    lt_signal_free(early);
    lt_signal_free(plain);
    lt_signal_free(stim);
    assert_int_equal(bad, 0);
}

/* A recorder whose clock runs fast by some ppm takes more samples: tones read lower by as much. */
static void drift_stretches_by_its_ppm(void **state)
{
    (void)state;
    enum { SECONDS = 20 };
    lt_scene_lane l = scene_quiet(lt_scene_lane_default());
    const lt_tone_options opt = {.rate_hz = 48000.0, .hz = 1000.0, .seconds = SECONDS, .rms_dbfs = -12.0};
    lt_signal *tone = NULL;
    assert_int_equal(lt_tone_create(&opt, &tone, NULL), LT_OK);
    static const double ppm[] = {-100.0, -7.0, 0.0, 35.0, 100.0};
    int bad = 0;
    for (size_t i = 0; i < COUNT(ppm); i++) {
        l.drift_ppm = ppm[i];
        lt_signal *rec = scene_record(&l, 0, LT_SCENE_OUTBOUND, tone, 0.0);
        /* Phase of the tone in two seconds near the start and near the end, at the expected frequency. */
        const double hz = 1000.0 / (1.0 + 1e-6 * ppm[i]);
        const size_t late = (SECONDS - 4) * 48000;
        const lt_complex a = lt_dtft(rec->samples + 48000, 96000, 48000.0, hz);
        const lt_complex b = lt_dtft(rec->samples + 48000 + late, 96000, 48000.0, hz);
        const double expected = 2.0 * LT_PI * fmod((double)late * hz / 48000.0, 1.0);
        const lt_complex turned = lt_complex_multiply(b, (lt_complex){cos(expected), -sin(expected)});
        const lt_complex slip = lt_complex_multiply(turned, (lt_complex){a.re, -a.im});
        const double ppm_error = atan2(slip.im, slip.re) / (2.0 * LT_PI * 1000.0 * (SECONDS - 4)) * 1e6;
        bad += !near_abs("drift error, ppm", ppm_error, 0.0, 0.01);
        bad += !near_abs("length", (double)rec->count, (SECONDS + 1) * 48000.0 * (1.0 + 1e-6 * ppm[i]), 1.5);
        lt_signal_free(rec);
    }
    lt_signal_free(tone);
    assert_int_equal(bad, 0);
}

static void same_lane_same_bits(void **state)
{
    (void)state;
    lt_scene_lane l = lt_scene_demo_lane(0);
    l.drift_ppm = 20.0;
    lt_signal *stim = sweep(1.0, -12.0);
    lt_signal *speech = NULL;
    assert_int_equal(lt_scene_talker(48000.0, 3.0, 9, &speech, NULL), LT_OK);
    for (lt_scene_path p = LT_SCENE_OUTBOUND; p < LT_SCENE_PATH_COUNT; p++) {
        const lt_signal *played = p == LT_SCENE_TALK_TEST ? speech : ltp_path_sounds(p) ? stim : NULL;
        lt_signal *a = scene_record(&l, 1, p, played, 2.0);
        lt_signal *b = scene_record(&l, 1, p, played, 2.0);
        assert_int_equal(a->count, b->count);
        assert_memory_equal(a->samples, b->samples, a->count * sizeof *a->samples);
        lt_signal_free(a);
        lt_signal_free(b);
    }
    lt_signal_free(stim);
    lt_signal_free(speech);
}

static double correlation(const lt_signal *a, const lt_signal *b)
{
    double sum = 0.0;
    for (size_t i = 0; i < a->count && i < b->count; i++)
        sum += a->samples[i] * b->samples[i];
    return sum / (lt_signal_rms(a) * lt_signal_rms(b) * (double)a->count);
}

static void other_seeds_and_conditions_have_other_noise(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.road_dba = 60.0;
    l.condition_count = 2;
    l.conditions[1] = l.conditions[0];
    lt_scene_lane other = l;
    other.seed++;
    lt_signal *a = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 10.0);
    lt_signal *b = scene_record(&l, 1, LT_SCENE_NOISE_EAR, NULL, 10.0);
    lt_signal *c = scene_record(&other, 0, LT_SCENE_NOISE_EAR, NULL, 10.0);
    const int bad = !near_abs("other condition", correlation(a, b), 0.0, 0.05) +
                    !near_abs("other seed", correlation(a, c), 0.0, 0.05) +
                    !near_abs("itself", correlation(a, a), 1.0, 1e-9);
    lt_signal_free(a);
    lt_signal_free(b);
    lt_signal_free(c);
    assert_int_equal(bad, 0);
}

/* Speech of any level becomes talker_db at 1 m; line level = that + mouth path. */
static void talk_test_has_the_talkers_level(void **state)
{
    (void)state;
    lt_scene_lane l = scene_bare();
    l.talker_db = 70.0;
    lt_signal *speech = NULL;
    assert_int_equal(lt_scene_talker(48000.0, 12.0, 4, &speech, NULL), LT_OK);
    lt_signal *quiet = NULL;
    assert_int_equal(lt_signal_copy(speech, 0, speech->count, &quiet, NULL), LT_OK);
    for (size_t i = 0; i < quiet->count; i++)
        quiet->samples[i] *= 0.01;
    lt_signal *a = scene_record(&l, 0, LT_SCENE_TALK_TEST, speech, 0.0);
    lt_signal *b = scene_record(&l, 0, LT_SCENE_TALK_TEST, quiet, 0.0);
    lt_signal *c = NULL;
    assert_int_equal(lt_scene_record(&l, 0, LT_SCENE_TALK_TEST, speech, 0.0, 76.0, &c, NULL), LT_OK);
    lt_scene_truth t;
    assert_int_equal(lt_scene_truth_of(&l, 0, &t, NULL), LT_OK);
    const lt_band b1k = lt_third_octave(0);
    const double dry = lt_dbfs_from_mean_square(scene_mean_square(speech, b1k.lower_hz, b1k.upper_hz, false));
    const double wet = lt_dbfs_from_mean_square(scene_mean_square(a, b1k.lower_hz, b1k.upper_hz, false)) +
                       lt_db_from_power((double)a->count / (double)speech->count);
    const double dry_spl = dry + 70.0 - ltp_active_level_db(speech);
    int bad = !near_abs("same whatever the file's level", lt_signal_rms(b), lt_signal_rms(a), 1e-3 * lt_signal_rms(a));
    bad += !near_abs("6 dB more", lt_db_from_amplitude(lt_signal_rms(c) / lt_signal_rms(a)), 6.0, 1e-6);
    bad += !near_abs("line level at 1 kHz", wet - l.loopback_db, dry_spl + t.mouth_band_db[8], 0.1);
    lt_signal_free(a);
    lt_signal_free(b);
    lt_signal_free(c);
    lt_signal_free(quiet);
    lt_signal_free(speech);
    assert_int_equal(bad, 0);
}

static void lengths_are_as_promised(void **state)
{
    (void)state;
    const lt_scene_lane l = lt_scene_lane_default();
    lt_signal *stim = sweep(1.0, -12.0);
    lt_signal *a = scene_record(&l, 0, LT_SCENE_OUTBOUND, stim, 0.0);
    lt_signal *b = scene_record(&l, 0, LT_SCENE_OUTBOUND, stim, 6.0);
    lt_signal *c = scene_record(&l, 0, LT_SCENE_NOISE_EAR, NULL, 1.5);
    assert_int_equal(a->count, stim->count + 48000);
    assert_int_equal(b->count, 6 * 48000);
    assert_int_equal(c->count, 72000);
    lt_signal_free(a);
    lt_signal_free(b);
    lt_signal_free(c);
    lt_signal_free(stim);
}

static void demo_recordings_do_not_clip(void **state)
{
    (void)state;
    lt_signal *stim = sweep(2.0, -6.0);
    int bad = 0;
    for (size_t d = 0; d < lt_scene_demo_count(); d++) {
        const lt_scene_lane l = lt_scene_demo_lane(d);
        for (size_t c = 0; c < l.condition_count; c++)
            for (lt_scene_path p = LT_SCENE_OUTBOUND; p <= LT_SCENE_NOISE_COUNTER; p++) {
                lt_signal *s = scene_record(&l, c, p, ltp_path_sounds(p) ? stim : NULL, 5.0);
                bad += !in_range(lt_scene_path_name(p), lt_db_from_amplitude(lt_signal_peak(s)), -80.0, -3.0);
                lt_signal_free(s);
            }
    }
    lt_signal_free(stim);
    assert_int_equal(bad, 0);
}

static void bad_requests_are_refused(void **state)
{
    (void)state;
    const lt_scene_lane l = lt_scene_lane_default();
    lt_signal *silent = scene_signal(48000, 48000.0);
    lt_signal *other_rate = scene_signal(44100, 44100.0);
    lt_signal *empty = scene_signal(0, 48000.0);
    const struct {
        lt_scene_path path;
        const lt_signal *stimulus;
        double seconds;
    } rows[] = {
        {LT_SCENE_OUTBOUND, NULL, 1.0},    {LT_SCENE_OUTBOUND, other_rate, 1.0}, {LT_SCENE_OUTBOUND, empty, 1.0},
        {LT_SCENE_NOISE_EAR, NULL, 0.0},   {LT_SCENE_NOISE_EAR, NULL, -1.0},     {LT_SCENE_NOISE_EAR, NULL, NAN},
        {LT_SCENE_TALK_TEST, silent, 1.0}, {LT_SCENE_NOISE_EAR, NULL, 1e9},      {LT_SCENE_PATH_COUNT, NULL, 1.0}};
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *out = NULL;
        lt_error err = {0};
        assert_int_equal(lt_scene_record(&l, 0, rows[i].path, rows[i].stimulus, rows[i].seconds, NAN, &out, &err),
                         LT_E_ARG);
        assert_null(out);
        assert_true(err.what[0] != '\0');
    }
    lt_signal_free(silent);
    lt_signal_free(other_rate);
    lt_signal_free(empty);
}

typedef struct {
    lt_scene_lane lane;
    const lt_signal *stimulus;
} request;

static lt_status make_recording(void *context, lt_error *err)
{
    const request *r = context;
    lt_signal *s = NULL;
    const lt_status st = lt_scene_record(&r->lane, 1, LT_SCENE_LOOP, r->stimulus, 0.0, NAN, &s, err);
    assert_true((st == LT_OK) == (s != NULL));
    lt_signal_free(s);
    return st;
}

static void record_survives_every_failed_allocation(void **state)
{
    (void)state;
    double samples[2000] = {0.5}; /* not allocated: skipping jumps out of here */
    const lt_signal stim = {samples, COUNT(samples), 48000.0};
    request r = {lt_scene_lane_default(), &stim};
    r.lane.drift_ppm = 50.0;
    assert_survives_faults(make_recording, &r);
}

SUITE(simulate_record)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(recordings_hold_the_true_response),
        cmocka_unit_test(an_impulse_comes_back_as_the_response),
        cmocka_unit_test(an_early_start_shifts_by_that_time),
        cmocka_unit_test(drift_stretches_by_its_ppm),
        cmocka_unit_test(same_lane_same_bits),
        cmocka_unit_test(other_seeds_and_conditions_have_other_noise),
        cmocka_unit_test(talk_test_has_the_talkers_level),
        cmocka_unit_test(lengths_are_as_promised),
        cmocka_unit_test(demo_recordings_do_not_clip),
        cmocka_unit_test(bad_requests_are_refused),
        cmocka_unit_test(record_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("simulate_record", tests, NULL, NULL);
}
