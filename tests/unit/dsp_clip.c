/* SPDX-License-Identifier: MIT
 * Clipping: what counts as a flat top and what does not. Signals are closed forms, rounded to 16 bit. */
#include <lanetune/dsp.h>

#include "near.h"
#include "suite.h"

enum { RATE = 48000, SAMPLES = 2 * RATE };

typedef enum { SINE, SWEEP, NOISE, LATER_LOUDER } kind;
static const struct {
    const char *row;
    kind what;
    double hz, amplitude, clip_above, clip_below; /* clip 2 = never */
    bool rounded, clipped;
} rows[] = {
    {"50 Hz sine, 16 bit", SINE, 50, 0.5, 2, 2, true, false},
    {"20 Hz sine, 16 bit", SINE, 20, 0.99, 2, 2, true, false},
    {"1 kHz sine, float", SINE, 1000, 0.5, 2, 2, false, false},
    {"slow sweep, 16 bit", SWEEP, 20, 0.5, 2, 2, true, false},
    {"quiet noise of a few steps", NOISE, 0, 5e-5, 2, 2, true, false},
    {"loud noise", NOISE, 0, 0.2, 2, 2, true, false},
    {"50 Hz cut 1 % below its peak", SINE, 50, 0.5, 0.495, 0.495, true, true},
    {"300 Hz cut on both sides", SINE, 300, 0.5, 0.45, 0.45, true, true},
    {"300 Hz cut on one side", SINE, 300, 0.5, 0.3, 2, true, true},
    {"300 Hz cut below only, float", SINE, 300, 0.5, 2, 0.3, false, true},
    {"sweep cut at full scale", SWEEP, 20, 1.3, 1, 1, true, true},
    {"noise cut at full scale", NOISE, 0, 0.5, 1, 1, true, true},
    {"a limit that was passed later is none", LATER_LOUDER, 300, 0.5, 0.3, 0.3, true, false},
};

static double value(size_t row, size_t i, lt_rng *rng)
{
    const double t = (double)i / RATE, octaves = 9.0;
    switch (rows[row].what) {
    case SINE:
    case LATER_LOUDER:
        return rows[row].amplitude * sin(2 * LT_PI * rows[row].hz * t + 0.3);
    case SWEEP:
        return rows[row].amplitude *
               sin(2 * LT_PI * rows[row].hz * 2 / (octaves * log(2)) * (exp2(octaves * t / 2) - 1));
    case NOISE:
    default:
        return rows[row].amplitude * lt_rng_gauss(rng);
    }
}

static void fill(size_t row, lt_signal *s)
{
    lt_rng rng = {20240514};
    for (size_t i = 0; i < s->count; i++) {
        double x = value(row, i, &rng);
        x = fmax(fmin(x, rows[row].clip_above), -rows[row].clip_below);
        if (rows[row].what == LATER_LOUDER && i > s->count / 2)
            x *= 1.5 * (1.0 + 0.01 * sin((double)i)); /* moves: no ceiling in this half */
        s->samples[i] = rows[row].rounded ? round(x * 32767) / 32767 : x;
    }
}

static void flat_tops_count_and_round_peaks_do_not(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(SAMPLES, RATE, &s, NULL), LT_OK);
    int bad = 0;
    for (size_t row = 0; row < COUNT(rows); row++) {
        fill(row, s);
        const size_t count = lt_clipped_samples(s);
        if ((count > 0) == rows[row].clipped)
            continue;
        (void)fprintf(stderr, "%s: %zu samples\n", rows[row].row, count);
        bad++;
    }
    lt_signal_free(s);
    assert_int_equal(bad, 0);
}

static void blocks_give_the_same_count_as_one_push(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(SAMPLES, RATE, &s, NULL), LT_OK);
    fill(7, s);
    lt_clip_meter m = {0};
    for (size_t at = 0, step = 1; at < s->count; at += step, step = step % 777 + 1)
        lt_clip_push(&m, s->samples + at, at + step <= s->count ? step : s->count - at);
    assert_int_equal(lt_clip_count(&m), lt_clipped_samples(s));
    assert_true(lt_clip_count(&m) > 1000);
    lt_signal_free(s);
}

static void silence_and_nothing_are_not_clipped(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(1000, RATE, &s, NULL), LT_OK);
    assert_int_equal(lt_clipped_samples(s), 0);
    s->count = 0;
    assert_int_equal(lt_clipped_samples(s), 0);
    s->count = 1;
    s->samples[0] = 1.0;
    assert_int_equal(lt_clipped_samples(s), 0);
    lt_signal_free(s);
}

/* Whole blocks are looked at in stretches, single samples one by one: the same state must come of it, whatever the
 * recording holds. */
static void stretches_count_as_single_samples_do(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t row = 0; row < COUNT(rows); row++) {
        lt_signal *s = NULL;
        lt_clip_meter whole = {0};
        lt_clip_meter single = {0};
        lt_clip_meter odd = {0};
        assert_int_equal(lt_signal_create(SAMPLES, RATE, &s, &(lt_error){0}), LT_OK);
        fill(row, s);
        lt_clip_push(&whole, s->samples, s->count);
        for (size_t i = 0; i < s->count; i++)
            lt_clip_push(&single, s->samples + i, 1);
        for (size_t i = 0; i < s->count; i += 77)
            lt_clip_push(&odd, s->samples + i, s->count - i < 77 ? s->count - i : 77);
        const lt_clip_meter *const others[] = {&single, &odd};
        for (size_t k = 0; k < 2; k++) {
            const lt_clip_meter *m = others[k];
            bad += m->above.flat != whole.above.flat || m->below.flat != whole.below.flat || m->run != whole.run;
            const double got[] = {m->above.extreme, m->below.extreme, m->value, m->before, m->before_that, m->step};
            const double want[] = {whole.above.extreme, whole.below.extreme, whole.value,
                                   whole.before,        whole.before_that,   whole.step};
            for (size_t i = 0; i < COUNT(got); i++)
                bad += !near_abs(rows[row].row, got[i], want[i], 0.0);
        }
        lt_signal_free(s);
    }
    assert_int_equal(bad, 0);
}

SUITE(dsp_clip)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(stretches_count_as_single_samples_do),
        cmocka_unit_test(flat_tops_count_and_round_peaks_do_not),
        cmocka_unit_test(blocks_give_the_same_count_as_one_push),
        cmocka_unit_test(silence_and_nothing_are_not_clipped),
    };
    return cmocka_run_group_tests_name("dsp_clip", tests, NULL, NULL);
}
