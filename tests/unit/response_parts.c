/* SPDX-License-Identifier: MIT
 * Inner parts: the structure of a stimulus, the search, delays between spectra, least squares. */
#include "near.h"
#include "suite.h"

#include "response/find.h"
#include "response/kernel.h"
#include "response/shift.h"
#include <lanetune/response.h>

SUITE(response_parts);

static lt_signal *make_sweep(double seconds, unsigned repeats, bool markers)
{
    lt_sweep_options o = lt_sweep_default_options();
    o.seconds = seconds;
    o.repeats = repeats;
    o.markers = markers;
    lt_signal *s = NULL;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

/* The file's samples alone tell markers, repeats and the sweep's law. L = T / ln(f2 / f1) with f1 = 50 / 1.45 and
 * f2 = 18000 x 1.06 Hz. */
static void structure_is_told_from_the_samples(void **state)
{
    (void)state;
    const struct {
        double seconds;
        unsigned repeats;
        bool markers, sixteen_bits;
    } rows[] = {{10.0, 1, true, false}, {2.0, 3, true, true},   {0.5, 2, true, false},
                {3.0, 1, false, true},  {1.0, 4, false, false}, {0.3, 1, true, true}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *s = make_sweep(rows[i].seconds, rows[i].repeats, rows[i].markers);
        for (size_t k = 0; rows[i].sixteen_bits && k < s->count; k++)
            s->samples[k] = round(s->samples[k] * 32768.0) / 32768.0;
        ltp_structure st;
        assert_int_equal(ltp_structure_find(s, &st, NULL), LT_OK);
        char label[32];
        (void)snprintf(label, sizeof label, "row %zu", i);
        bad += !near_abs(label, st.kind, LTP_EXPONENTIAL, 0.0);
        bad += !near_abs(label, (double)st.sweep_count, rows[i].repeats, 0.0);
        bad += !near_abs(label, st.markers, rows[i].markers, 0.0);
        bad += !near_rel(label, st.growth_s, rows[i].seconds / log(18000.0 * 1.06 / (50.0 / 1.45)), 0.002);
        if (st.markers)
            bad += !near_abs(label, (double)(st.marker[1].first - st.marker[0].first) / 48000.0,
                             0.15 + 1.0 + rows[i].repeats * (rows[i].seconds + 1.0), 1e-9);
        for (size_t k = 1; k < st.sweep_count; k++)
            bad += !near_abs(label, (double)(st.sweeps[k].first - st.sweeps[k - 1].first) / 48000.0,
                             rows[i].seconds + 1.0, 1e-9);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

/* Copies are copies however little silence the file has at its ends. */
static void structure_does_not_depend_on_lead_and_tail(void **state)
{
    (void)state;
    static const double rates[] = {48000.0, 44100.0, 16000.0, 96000.0};
    lt_rng rng = {.state = 5};
    int bad = 0;
    for (int i = 0; i < 60; i++) {
        lt_sweep_options o = lt_sweep_default_options();
        o.rate_hz = rates[i % 4];
        o.from_hz = 30.0 + 200.0 * lt_rng_uniform(&rng);
        o.to_hz = fmin(0.45 * o.rate_hz, 3000.0 + 16000.0 * lt_rng_uniform(&rng));
        o.seconds = 0.4 + 4.0 * lt_rng_uniform(&rng) * lt_rng_uniform(&rng);
        o.gap_s = 0.1 + 1.5 * lt_rng_uniform(&rng);
        o.repeats = 1 + (unsigned)i % 3;
        o.lead_s = i % 5 == 0 ? 0.0 : 0.2 * lt_rng_uniform(&rng);
        o.tail_s = i % 7 == 0 ? 0.0 : 0.2 * lt_rng_uniform(&rng);
        o.markers = i % 2 == 1;
        lt_signal *s = NULL;
        ltp_structure st;
        assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
        assert_int_equal(ltp_structure_find(s, &st, NULL), LT_OK);
        char label[32];
        (void)snprintf(label, sizeof label, "stimulus %d", i);
        bad += !near_abs(label, st.kind, LTP_EXPONENTIAL, 0.0);
        bad += !near_abs(label, (double)st.sweep_count, o.repeats, 0.0);
        bad += !near_abs(label, st.markers, o.markers, 0.0);
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

static void noise_is_no_sweep(void **state)
{
    (void)state;
    for (int kind = LT_NOISE_WHITE; kind <= LT_NOISE_SPEECH; kind++) {
        lt_noise_options o = lt_noise_default_options();
        o.kind = (lt_noise_kind)kind;
        o.seconds = 3.0;
        lt_signal *s = NULL;
        assert_int_equal(lt_noise_create(&o, &s, NULL), LT_OK);
        ltp_structure st;
        assert_int_equal(ltp_structure_find(s, &st, NULL), LT_OK);
        assert_int_equal(st.kind, LTP_OTHER);
        assert_false(st.markers);
        assert_int_equal(st.sweep_count, 1);
        assert_int_equal(st.sweeps[0].count, s->count);
        lt_signal_free(s);
    }
}

/* A delay put in by a phase ramp comes back, far finer than a frame, also in noise. */
static void shift_is_found_between_frames(void **state)
{
    (void)state;
    enum { N = 4096, BINS = N / 2 + 1 };
    const double shifts[] = {0.0, 0.37, -12.81, 200.5};
    static lt_complex a[BINS];
    static lt_complex b[BINS];
    lt_rfft *fft = NULL;
    assert_int_equal(lt_rfft_create(N, &fft, NULL), LT_OK);
    lt_rng rng = {.state = 11};
    int bad = 0;
    for (size_t s = 0; s < COUNT(shifts); s++) {
        for (size_t k = 0; k < BINS; k++) {
            const bool in_band = k > 50 && k < 900;
            a[k] = in_band ? (lt_complex){lt_rng_gauss(&rng), lt_rng_gauss(&rng)} : (lt_complex){0.0, 0.0};
            b[k] = a[k];
        }
        ltp_shift_apply(b, N, shifts[s]);
        for (size_t k = 0; k < BINS; k++)
            b[k].re += 0.1 * lt_rng_gauss(&rng);
        ltp_shift got;
        assert_int_equal(ltp_shift_find(fft, a, b, NULL, 400, &got, NULL), LT_OK);
        bad += !near_abs("shift", got.frames, shifts[s], 0.02);
        bad += !in_range("sigma", got.sigma, 1e-6, 0.02);
        bad += !in_range("coherence", got.coherence, 0.9, 1.0);
    }
    lt_rfft_free(fft);
    assert_int_equal(bad, 0);
}

static void search_finds_each_play(void **state)
{
    (void)state;
    lt_signal *s = make_sweep(2.0, 1, true);
    const double starts[] = {2.0, 10.5, 19.25};
    lt_signal *r = NULL;
    assert_int_equal(lt_signal_create(27 * 48000, 48000.0, &r, NULL), LT_OK);
    lt_rng rng = {.state = 4};
    for (size_t i = 0; i < r->count; i++)
        r->samples[i] = 0.2 * lt_rng_gauss(&rng);
    for (size_t p = 0; p < COUNT(starts); p++)
        for (size_t i = 0; i < s->count; i++)
            r->samples[(size_t)(starts[p] * 48000.0) + i] += 0.1 * s->samples[i];
    ltp_structure st;
    assert_int_equal(ltp_structure_find(s, &st, NULL), LT_OK);
    ltp_play plays[LTP_PLAYS_MAX];
    size_t count = 0;
    assert_int_equal(ltp_find(r, s, &st, plays, &count, NULL), LT_OK);
    int bad = !near_abs("plays", (double)count, COUNT(starts), 0.0);
    for (size_t p = 0; p < count && p < COUNT(starts); p++)
        bad += !near_abs("start", plays[p].start_s, starts[p], 0.002);
    lt_signal_free(r);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

/* Least squares against the impulse response that made the recording. */
static void least_squares_recover_a_short_response(void **state)
{
    (void)state;
    enum { TAPS = 64, EARLY = 10 };
    lt_signal *s = NULL;
    lt_noise_options o = lt_noise_default_options();
    o.kind = LT_NOISE_WHITE;
    o.seconds = 0.5;
    o.from_hz = 20.0;
    o.to_hz = 23900.0;
    assert_int_equal(lt_noise_create(&o, &s, NULL), LT_OK);
    double truth[TAPS] = {0};
    truth[12] = 1.0;
    truth[13] = -0.6;
    truth[40] = 0.25;
    ltp_kernel *k = NULL;
    assert_int_equal(ltp_kernel_create(s, 100, 200, 24000.0, &k, NULL), LT_OK);
    assert_true(ltp_kernel_is_rough(k));
    lt_signal *piece = NULL;
    assert_int_equal(lt_signal_create(100 + s->count + 200, 48000.0, &piece, NULL), LT_OK);
    for (size_t i = 0; i < s->count; i++)
        for (size_t t = 0; t < TAPS; t++)
            piece->samples[100 + i + t - EARLY] += truth[t] * s->samples[i];
    double h[TAPS];
    double noise[LTP_GRID_MAX];
    assert_int_equal(ltp_kernel_solve(k, piece->samples, piece->count, -EARLY, TAPS, h, noise, NULL), LT_OK);
    int bad = 0;
    for (size_t t = 0; t < TAPS; t++)
        bad += !near_abs("tap", h[t], truth[t], 0.02); /* the end of the band, 100 Hz below Nyquist, is left out */
    ltp_kernel_free(k);
    lt_signal_free(piece);
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

int response_parts_tests(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(structure_is_told_from_the_samples),
        cmocka_unit_test(structure_does_not_depend_on_lead_and_tail),
        cmocka_unit_test(noise_is_no_sweep),
        cmocka_unit_test(shift_is_found_between_frames),
        cmocka_unit_test(search_finds_each_play),
        cmocka_unit_test(least_squares_recover_a_short_response),
    };
    return cmocka_run_group_tests_name("response_parts", tests, NULL, NULL);
}
