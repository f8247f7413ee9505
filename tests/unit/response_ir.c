/* SPDX-License-Identifier: MIT
 * Impulse responses: origin, spectrum, band levels, against their definitions. */
#include "base/alloc.h"
#include "near.h"
#include "suite.h"
#include <lanetune/response.h>

SUITE(response_ir);

enum { LENGTH = 600 };

static lt_ir *make_random(ptrdiff_t origin)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(LENGTH, 48000.0, &s, NULL), LT_OK);
    lt_rng rng = {.state = 3};
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] = lt_rng_gauss(&rng) * exp(-(double)i / 100.0);
    lt_ir *ir = NULL;
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    lt_signal_free(s);
    ir->origin_frames = origin;
    return ir;
}

/* H(f) = sum h[i] exp(-j 2 pi f (i - origin) / rate), in plain double. */
static lt_complex by_definition(const lt_ir *ir, double hz)
{
    lt_complex z = {0.0, 0.0};
    for (size_t i = 0; i < ir->count; i++) {
        const double angle = -2.0 * LT_PI * hz * ((double)i - (double)ir->origin_frames) / ir->rate_hz;
        z.re += ir->samples[i] * cos(angle);
        z.im += ir->samples[i] * sin(angle);
    }
    return z;
}

static void spectrum_has_the_phase_of_time_zero(void **state)
{
    (void)state;
    const ptrdiff_t origins[] = {0, 137, -5000, 200000};
    int bad = 0;
    for (size_t o = 0; o < COUNT(origins); o++) {
        lt_ir *ir = make_random(origins[o]);
        lt_complex spectrum[513];
        assert_int_equal(lt_ir_spectrum(ir, 1024, spectrum, NULL), LT_OK);
        for (size_t k = 0; k <= 512; k += 37) {
            const lt_complex want = by_definition(ir, (double)k * 48000.0 / 1024.0);
            bad += !near_abs("re", spectrum[k].re, want.re, 1e-4); /* the transform is float inside */
            bad += !near_abs("im", spectrum[k].im, want.im, 1e-4);
        }
        const lt_complex at = lt_ir_at(ir, 1234.5);
        const lt_complex want = by_definition(ir, 1234.5);
        bad += !near_abs("at re", at.re, want.re, 1e-8);
        bad += !near_abs("at im", at.im, want.im, 1e-8);
        lt_ir_free(ir);
    }
    assert_int_equal(bad, 0);
}

static void band_level_is_the_mean_power_on_a_linear_axis(void **state)
{
    (void)state;
    lt_ir *ir = make_random(0);
    const int indices[] = {-13, -7, 0, 6, 12};
    int bad = 0;
    for (size_t b = 0; b < COUNT(indices); b++) {
        const lt_band band = lt_third_octave(indices[b]);
        double sum = 0.0;
        enum { STEPS = 400 };
        for (int i = 0; i < STEPS; i++) /* midpoint rule, exact frequencies */
            sum += lt_complex_power(
                by_definition(ir, band.lower_hz + (i + 0.5) / STEPS * (band.upper_hz - band.lower_hz)));
        double level = 0.0;
        assert_int_equal(lt_ir_band_levels(ir, &band, 1, &level, NULL), LT_OK);
        bad += !near_abs("band", level, lt_db_from_power(sum / STEPS), 0.01);
    }
    lt_ir_free(ir);
    assert_int_equal(bad, 0);
}

static void signal_begins_at_time_zero(void **state)
{
    (void)state;
    lt_ir *ir = make_random(100);
    lt_signal *s = NULL;
    assert_int_equal(lt_ir_to_signal(ir, &s, NULL), LT_OK);
    assert_int_equal(s->count, LENGTH - 100);
    assert_memory_equal(s->samples, ir->samples + 100, s->count * sizeof *s->samples);
    lt_signal_free(s);
    ir->origin_frames = -50;
    assert_int_equal(lt_ir_to_signal(ir, &s, NULL), LT_OK);
    assert_int_equal(s->count, LENGTH + 50);
    assert_true(fabs(s->samples[49]) <= 0.0);
    assert_memory_equal(s->samples + 50, ir->samples, LENGTH * sizeof *s->samples);
    lt_signal_free(s);
    ir->origin_frames = LENGTH;
    assert_int_equal(lt_ir_to_signal(ir, &s, NULL), LT_OK);
    assert_int_equal(s->count, 0);
    lt_signal_free(s);
    lt_ir_free(ir);
}

/* One tap through a band of 45 Hz to 20 kHz with flanks, as a measurement leaves it: of linear phase, so that it rings
 * before t = 0. From the file, the levels in the band must be those of the tap; just cut off, they are up to 2 dB
 * wrong. Outside the file may not exceed the tap by more than half a decibel. */
static void what_rings_before_zero_costs_no_level(void **state)
{
    (void)state;
    enum { N = 65536, ORIGIN = 7200, LEFT = 31200 };
    static const size_t at[] = {0, 48, 240};
    lt_complex *spectrum = ltp_alloc(N / 2 + 1, sizeof *spectrum);
    double *h = ltp_alloc(N, sizeof *h);
    lt_rfft *fft = NULL;
    int bad = 0;
    assert_int_equal(lt_rfft_create(N, &fft, NULL), LT_OK);
    for (size_t c = 0; c < COUNT(at); c++) {
        for (size_t k = 0; k <= N / 2; k++) {
            const double hz = (double)k * 48000.0 / N;
            const double turn = -2.0 * LT_PI * fmod((double)k * (double)(ORIGIN + at[c]) / N, 1.0);
            const double low = hz < 45.0 ? lt_fade(1.0 - log(45.0 / fmax(hz, 1e-3)) / log(1.4)) : 1.0;
            const double size = 0.5 * low * (hz > 20000.0 ? lt_fade((22400.0 - hz) / 2400.0) : 1.0);
            spectrum[k] = (lt_complex){size * cos(turn), size * sin(turn)};
        }
        lt_rfft_inverse(fft, spectrum, h);
        lt_ir ir = {.samples = h,
                    .count = LEFT,
                    .rate_hz = 48000.0,
                    .origin_frames = ORIGIN,
                    .from_hz = 45.0,
                    .to_hz = 20000.0};
        lt_signal *s = NULL;
        lt_ir *again = NULL;
        assert_int_equal(lt_ir_to_signal(&ir, &s, NULL), LT_OK);
        assert_int_equal(s->count, LEFT - ORIGIN);
        assert_int_equal(lt_ir_from_signal(s, &again, NULL), LT_OK);
        for (int i = -13; i <= 12; i++) {
            const lt_band band = lt_third_octave(i);
            double level = 0.0;
            assert_int_equal(lt_ir_band_levels(again, &band, 1, &level, NULL), LT_OK);
            bad += !near_abs("level", level, 20.0 * log10(0.5), i < -7 ? 0.25 : 0.1);
        }
        for (double hz = 2.0; hz < 45.0; hz += 3.0)
            bad += !(lt_complex_power(lt_ir_at(again, hz)) < 0.25 * pow(10.0, 0.05));
        lt_ir_free(again);
        lt_signal_free(s);
    }
    lt_rfft_free(fft);
    ltp_free(spectrum);
    ltp_free(h);
    assert_int_equal(bad, 0);
}

static void odd_calls_are_refused(void **state)
{
    (void)state;
    lt_signal *empty = NULL;
    lt_ir *ir = NULL;
    assert_int_equal(lt_signal_create(0, 48000.0, &empty, NULL), LT_OK);
    assert_int_equal(lt_ir_from_signal(empty, &ir, NULL), LT_E_ARG);
    assert_null(ir);
    lt_signal_free(empty);
    ir = make_random(0);
    lt_complex spectrum[65];
    assert_int_equal(lt_ir_spectrum(ir, 128, spectrum, NULL), LT_E_ARG);
    lt_ir_free(ir);
    lt_ir_free(NULL);
}

/* A given response measures as itself; one that is no number or silent is refused. */
static void given_response_is_evaluated(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(9600, 48000.0, &s, NULL), LT_OK);
    s->samples[480] = -0.5;
    lt_ir *ir = NULL;
    lt_response *r = NULL;
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_OK);
    int bad = !near_abs("delay", r->delay_ms, 10.0, 1e-3);
    bad += !near_abs("1 kHz", lt_response_band_level(r, 0), -6.0206, 1e-3);
    bad += !near_abs("absent", lt_response_band_level(r, 0) - lt_response_band_level(r, LT_THIRD_50_HZ), 0.0, 1e-3);
    assert_int_equal(r->polarity, -1);
    assert_int_equal(r->arrival_count, 0);
    assert_true(isnan(r->bands[0].snr_db) && isnan(r->drift_ppm) && isnan(r->bands[0].thd_percent));
    assert_true(isnan(lt_response_band_level(r, LT_THIRD_LAST)));
    lt_response_free(r);
    ir->samples[480] = 0.0;
    assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_E_SNR);
    assert_null(r);
    ir->samples[480] = (double)NAN;
    assert_int_equal(lt_response_from_ir(ir, &r, NULL), LT_E_ARG);
    assert_null(r);
    lt_ir_free(ir);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_ir_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(spectrum_has_the_phase_of_time_zero),
        cmocka_unit_test(band_level_is_the_mean_power_on_a_linear_axis),
        cmocka_unit_test(signal_begins_at_time_zero),
        cmocka_unit_test(what_rings_before_zero_costs_no_level),
        cmocka_unit_test(odd_calls_are_refused),
        cmocka_unit_test(given_response_is_evaluated),
    };
    return cmocka_run_group_tests_name("response_ir", tests, NULL, NULL);
}
