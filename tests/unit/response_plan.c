/* SPDX-License-Identifier: MIT
 * Level finding and plan against synthetic lanes: quiet, noisy, with an amplifier or a capture that clips, with a limit
 * of the sound level. Expected figures: from the gain, noise and limits that are put in. */
#include "near.h"
#include "suite.h"

#include <lanetune/response.h>

#include <math.h>
#include <string.h>

typedef struct {
    const char *label;
    double gain_db, noise_rms, amplifier_at, cal_db,
        max_spl_db; /* amplifier_at: soft clip of what is played; 0 = none */
    lt_level_end end;
    double lowest_dbfs, highest_dbfs; /* of the level that is found */
    unsigned fewest, most;            /* sweeps */
    bool enough;
} lane;

static lt_signal *through(const lane *l, const lt_signal *played, double seconds, lt_rng *rng)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create((size_t)(seconds * 48000.0), 48000.0, &s, NULL), LT_OK);
    for (size_t i = 0; i < s->count; i++) {
        double x = played != NULL && i >= 300 && i - 300 < played->count ? played->samples[i - 300] : 0.0;
        if (l->amplifier_at > 0.0)
            x = l->amplifier_at * tanh(x / l->amplifier_at);
        x = lt_amplitude_from_db(l->gain_db) * x + l->noise_rms * lt_rng_gauss(rng);
        s->samples[i] = x > 1.0 ? 1.0 : x < -1.0 ? -1.0 : x;
    }
    return s;
}

static void levels_are_found(void **state)
{
    (void)state;
    static const lane lanes[] = {
        {"quiet", -20.0, 3e-4, 0, (double)NAN, 0, LT_LEVEL_ENOUGH, -45.0, -15.0, 1, 1, true},
        {"very quiet", 0.0, 1e-7, 0, (double)NAN, 0, LT_LEVEL_ENOUGH, -50.0, -50.0, 1, 1, true},
        {"noisy", -20.0, 0.006, 0, (double)NAN, 0, LT_LEVEL_HIGHEST, -6.5, -5.5, 2, 16, true},
        {"hopeless", -40.0, 0.1, 0, (double)NAN, 0, LT_LEVEL_HIGHEST, -6.5, -5.5, 16, 16, false},
        {"capture", 25.0, 0.05, 0, (double)NAN, 0, LT_LEVEL_CAPTURE, -33.0, -27.0, 1, 16, true},
        {"amplifier", -10.0, 0.001, 0.01, (double)NAN, 0, LT_LEVEL_AMPLIFIER, -60.0, -48.0, 16, 16, false},
        {"limit of SPL", -10.0, 0.01, 0, 110.0, 80.0, LT_LEVEL_SPL, -24.0, -19.0, 1, 16, false},
    };
    for (size_t k = 0; k < COUNT(lanes); k++) {
        const lane *l = &lanes[k];
        lt_error err = {0};
        lt_rng rng = {.state = 3};
        lt_level_finder f = {.highest_dbfs = -6.0, .cal_db = l->cal_db, .max_spl_db = l->max_spl_db};
        lt_plan p;
        double last_dbfs = -HUGE_VAL;
        lt_signal *x = through(l, NULL, 1.5, &rng);
        assert_int_equal(lt_level_finder_start(&f, x, &err), LT_OK);
        lt_signal_free(x);
        while (f.end == LT_LEVEL_GO_ON) {
            lt_signal *burst = NULL;
            assert_true(f.level_dbfs - last_dbfs <= 6.0 + 1e-9 || f.bursts == 0);
            last_dbfs = f.level_dbfs;
            assert_int_equal(lt_level_burst(48000.0, f.level_dbfs, &burst, &err), LT_OK);
            assert_true(near_abs(l->label, lt_db_from_amplitude(lt_signal_peak(burst)), f.level_dbfs, 0.1));
            x = through(l, burst, (double)burst->count / 48000.0 + 0.7, &rng);
            assert_int_equal(lt_level_finder_push(&f, x, &err), LT_OK);
            lt_signal_free(burst);
            lt_signal_free(x);
            assert_true(f.bursts < 20);
        }
        lt_plan_make(&f, &p);
        if (f.end != l->end || p.enough != l->enough || p.sweeps < l->fewest || p.sweeps > l->most)
            fail_msg("%s: %s at %.1f dBFS, %u sweeps of %.0f s, %.1f dB at %.0f Hz", l->label, lt_level_end_name(f.end),
                     f.level_dbfs, p.sweeps, p.seconds, p.snr_db, p.hz);
        assert_true(in_range(l->label, f.level_dbfs, l->lowest_dbfs, l->highest_dbfs));
    }
}

/* Loss of the fundamental of a sine of this peak, dB: closed forms of the clipping curve's describing function by
 * quadrature. */
static double sine_loss_db(double (*curve)(double, double), double at, double peak)
{
    double sum = 0.0;
    const int n = 2000;
    for (int i = 0; i < n; i++) {
        const double s = sin(2.0 * LT_PI * (i + 0.5) / n);
        sum += curve(at, peak * s) * s;
    }
    return -lt_db_from_amplitude(2.0 * sum / (n * peak));
}

static double soft(double at, double x)
{
    return at * tanh(x / at);
}

static double hard(double at, double x)
{
    return fmax(-at, fmin(at, x));
}

static double quartic(double at, double x)
{
    const double u = x / at;
    return x / sqrt(sqrt(1.0 + u * u * u * u));
}

static double linear(double at, double x)
{
    (void)at;
    return x;
}

/* A sweep at the level that was found must not lose more than 0.2 dB (and what the noise hides), the accuracy of a
 * response; and it must not be quieter than need be. A burst at random may fall into a noise twice as loud: a truck
 * that passes. */
static void amplifiers_that_clip_are_found(void **state)
{
    (void)state;
    static double (*const curves[])(double, double) = {soft, hard, quartic, linear};
    static const char *const names[] = {"soft", "hard", "quartic", "linear"};
    static const double knees_dbfs[] = {-40.0, -30.0, -20.0, -11.0}, noises[] = {3e-5, 1e-3};
    int wrong = 0, ended = 0;
    for (size_t c = 0; c < COUNT(curves); c++)
        for (size_t k = 0; k < COUNT(knees_dbfs); k++)
            for (size_t q = 0; q < COUNT(noises); q++)
                for (unsigned truck = 0; truck < 2; truck++) {
                    const double at = lt_amplitude_from_db(knees_dbfs[k]);
                    lt_error err = {0};
                    lt_rng rng = {.state = 11 + k};
                    lt_level_finder f = {.highest_dbfs = -6.0, .cal_db = (double)NAN};
                    lt_signal *x = NULL;
                    for (int turn = -1; turn < 0 || f.end == LT_LEVEL_GO_ON; turn++) {
                        lt_signal *burst = NULL;
                        if (turn >= 0)
                            assert_int_equal(lt_level_burst(48000.0, f.level_dbfs, &burst, &err), LT_OK);
                        assert_int_equal(lt_signal_create(turn < 0 ? 72000 : 55000, 48000.0, &x, &err), LT_OK);
                        const double rms = noises[q] * (truck == 1 && turn == (int)k ? 2.0 : 1.0);
                        for (size_t i = 0; i < x->count; i++) {
                            const double s =
                                burst != NULL && i >= 300 && i - 300 < burst->count ? burst->samples[i - 300] : 0.0;
                            x->samples[i] = 0.1 * curves[c](at, s) + rms * lt_rng_gauss(&rng);
                        }
                        assert_int_equal(
                            turn < 0 ? lt_level_finder_start(&f, x, &err) : lt_level_finder_push(&f, x, &err), LT_OK);
                        lt_signal_free(burst);
                        lt_signal_free(x);
                    }
                    const double peak = lt_amplitude_from_db(f.level_dbfs), loss = sine_loss_db(curves[c], at, peak);
                    const double louder = sine_loss_db(curves[c], at, 8.0 * peak);
                    ended += f.end == LT_LEVEL_AMPLIFIER;
                    const bool right =
                        f.end == LT_LEVEL_AMPLIFIER ? loss <= (truck ? 0.3 : 0.25) && louder > 0.1 : loss <= 0.25;
                    if (!right) {
                        wrong++;
                        print_message("%s at %.0f dBFS, noise %g%s: %s at %.1f dBFS, loss %.2f dB, 18 dB louder %.2f\n",
                                      names[c], knees_dbfs[k], noises[q], truck ? ", truck" : "",
                                      lt_level_end_name(f.end), f.level_dbfs, loss, louder);
                    }
                }
    assert_true(ended > 15);
    assert_int_equal(wrong, 0);
}

SUITE(response_plan)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(levels_are_found),
                                       cmocka_unit_test(amplifiers_that_clip_are_found)};
    return cmocka_run_group_tests_name("response_plan", tests, NULL, NULL);
}
