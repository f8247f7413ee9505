/* SPDX-License-Identifier: MIT
 * Calibrator: the level of a tone is read, and everything that makes it worthless is refused with its reason. Expected
 * levels: the amplitude that is put in. */
#include "near.h"
#include "suite.h"

#include <lanetune/level.h>

#include <string.h>

typedef struct {
    const char *label;
    double hz, dbfs, seconds, rate_hz;
    double noise_dbfs, hum_dbfs; /* 0 = none */
    double wobble_db, clip_at;   /* 0 = none */
    lt_status status;
    const char *says;
} calibrator_case;

static lt_signal *tone(const calibrator_case *c)
{
    lt_signal *s = NULL;
    lt_rng rng = {.state = 11};
    assert_int_equal(lt_signal_create((size_t)(c->seconds * c->rate_hz), c->rate_hz, &s, NULL), LT_OK);
    for (size_t i = 0; i < s->count; i++) {
        const double t = (double)i / c->rate_hz;
        const double swing = c->wobble_db / 2.0 * sin(2.0 * LT_PI * 0.3 * t);
        double x = lt_amplitude_from_db(c->dbfs + swing) * sin(2.0 * LT_PI * c->hz * t + 0.3);
        if (c->noise_dbfs < 0.0)
            x += lt_rms_from_dbfs(c->noise_dbfs) * lt_rng_gauss(&rng);
        if (c->hum_dbfs < 0.0)
            for (int k = 1; k <= 5; k += 2)
                x += lt_amplitude_from_db(c->hum_dbfs) / k * sin(2.0 * LT_PI * 50.0 * k * t);
        if (c->clip_at > 0.0)
            x = x > c->clip_at ? c->clip_at : x < -c->clip_at ? -c->clip_at : x;
        s->samples[i] = x;
    }
    return s;
}

static void tones_are_judged(void **state)
{
    (void)state;
    static const calibrator_case cases[] = {
        {"114 dB, clean", 1000.0, -12.0, 3.0, 48000.0, 0, 0, 0, 0, LT_OK, ""},
        {"quiet, other rate", 1003.3, -55.0, 3.0, 44100.0, 0, 0, 0, 0, LT_OK, ""},
        {"19 Hz too high", 1019.0, -20.0, 3.0, 48000.0, 0, 0, 0, 0, LT_OK, ""},
        {"noise 40 dB below", 998.0, -20.0, 4.0, 96000.0, -60.0, 0, 0, 0, LT_OK, ""},
        {"little wobble", 1000.0, -20.0, 5.0, 48000.0, 0, 0, 0.05, 0, LT_OK, ""},
        {"wrong frequency", 1025.0, -20.0, 3.0, 48000.0, 0, 0, 0, 0, LT_E_SNR, "1025 Hz"},
        {"250 Hz calibrator", 250.0, -20.0, 3.0, 48000.0, 0, 0, 0, 0, LT_E_SNR, "250 Hz instead"},
        {"switched off", 1000.0, -90.0, 3.0, 48000.0, -60.0, 0, 0, 0, LT_E_SNR, "no tone"},
        {"switched off, hum", 1000.0, -90.0, 5.0, 48000.0, -75.0, -40.0, 0, 0, LT_E_SNR, "no tone"},
        {"wobble", 1000.0, -20.0, 5.0, 48000.0, 0, 0, 0.4, 0, LT_E_SNR, "moves"},
        {"hum", 1000.0, -20.0, 5.0, 48000.0, 0, -50.0, 0, 0, LT_E_SNR, "hum"},
        {"noise", 1000.0, -40.0, 3.0, 48000.0, -62.0, 0, 0, 0, LT_E_SNR, "dB"},
        {"clipped", 1000.7, 0.0, 3.0, 48000.0, 0, 0, 0, 0.8, LT_E_CLIP, "clips"},
        {"nothing", 1000.0, -100.0, 3.0, 48000.0, 0, 0, 0, 0, LT_E_SNR, "nothing is heard"},
        {"short", 1000.0, -20.0, 1.5, 48000.0, 0, 0, 0, 0, LT_E_ARG, "2 s"},
    };
    for (size_t i = 0; i < COUNT(cases); i++) {
        const calibrator_case *c = &cases[i];
        lt_error err = {0};
        lt_calibrator got;
        lt_signal *s = tone(c);
        const lt_status st = lt_calibrator_measure(s, 114.0, &got, &err);
        lt_signal_free(s);
        if (st != c->status || strstr(err.what, c->says) == NULL)
            fail_msg("%s: %d '%s' (%.3f Hz, other %.1f, hum %.1f, moves %.3f)", c->label, (int)st, err.what, got.hz,
                     got.other_db, got.hum_db, got.unsteady_db);
        if (st == LT_OK) {
            assert_true(near_abs(c->label, got.level_dbfs, c->dbfs, 0.01));
            assert_true(near_abs(c->label, got.mic_cal_db, 114.0 - c->dbfs, 0.01));
            assert_true(near_abs(c->label, got.hz, c->hz, 0.1));
        }
    }
}

SUITE(level_calibrator)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(tones_are_judged)};
    return cmocka_run_group_tests_name("level_calibrator", tests, NULL, NULL);
}
