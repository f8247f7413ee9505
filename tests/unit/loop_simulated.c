/* SPDX-License-Identifier: MIT
 * The predicted margin against a closed loop that is run sample by sample: growth begins where margin_db says. */
#include "closed_loop.h"
#include "near.h"
#include "suite.h"
#include <lanetune/loop.h>

#include <string.h>

enum { TAPS_MAX = 640 };

typedef struct {
    double h[TAPS_MAX];
    size_t count;
    double rate_hz;
} path;

static void pure_delay(path *p, size_t delay, double gain)
{
    p->count = delay + 1;
    p->h[delay] = gain;
}

/* Delay and a one-pole low-pass, b / (1 - a z^-1), cut off where it has died away. */
static void one_pole(path *p, size_t delay, double gain, double a)
{
    p->count = delay + 200;
    for (size_t i = 0; i < 200; i++)
        p->h[delay + i] = gain * (1.0 - a) * pow(a, (double)i);
}

static void run_biquad(path *p, lt_biquad b)
{
    lt_biquad_state state = {0};
    lt_biquad_run(&b, &state, p->h, p->h, p->count);
}

/* A small loudspeaker in a small box: a direct sound, sparse decaying reflections, band-passed. */
static void reflections(path *p, uint64_t seed, size_t direct, double gain, size_t spread, double sign)
{
    lt_rng r = {seed};
    p->count = TAPS_MAX;
    p->h[direct] = sign * gain;
    for (int i = 0; i < 14; i++) {
        const size_t at = direct + 1 + (size_t)(lt_rng_uniform(&r) * (double)spread);
        p->h[at] += gain * lt_rng_gauss(&r) * exp(-3.0 * (double)(at - direct) / (double)spread);
    }
    run_biquad(p, lt_biquad_highpass(350.0, 0.9, p->rate_hz));
    run_biquad(p, lt_biquad_lowpass(2600.0, 0.8, p->rate_hz));
    run_biquad(p, lt_biquad_peaking(900.0, 4.0, 7.0, p->rate_hz));
    for (size_t i = TAPS_MAX - 100; i < TAPS_MAX; i++)
        p->h[i] *= lt_fade((double)(TAPS_MAX - i) / 100.0);
}

static void short_taps(path *p, const double *h, size_t count)
{
    memcpy(p->h, h, count * sizeof *h);
    p->count = count;
}

enum { CASES = 16 };

static const char *make_case(int which, path *p)
{
    static const double taps_a[] = {0, 0.5, 0.3};
    static const double taps_b[] = {0, 0, 0, 0.9, 0.1, -0.8};
    static const double taps_c[] = {0, -0.6, 0.1, 0.45, 0.2, -0.33, 0.7, -0.1};
    *p = (path){.rate_hz = 8000.0};
    switch (which) {
    case 0:
        return pure_delay(p, 37, 0.4), "delay, positive";
    case 1:
        return pure_delay(p, 37, -0.4), "delay, negative";
    case 2:
        return pure_delay(p, 150, 1.7), "delay, unstable as it is";
    case 3:
        return one_pole(p, 20, 0.8, 0.7), "one pole, positive";
    case 4:
        return one_pole(p, 20, -0.8, 0.7), "one pole, negative";
    case 5:
        return one_pole(p, 3, -0.8, 0.95), "one pole, short and negative";
    case 6:
        return short_taps(p, taps_a, COUNT(taps_a)), "three taps";
    case 7:
        return short_taps(p, taps_b, COUNT(taps_b)), "six taps";
    case 8:
        return short_taps(p, taps_c, COUNT(taps_c)), "eight taps";
    case 9:
        return reflections(p, 11, 8, 0.3, 200, 1.0), "panel 1";
    case 10:
        return reflections(p, 12, 8, 0.3, 200, -1.0), "panel 2, negative";
    case 11:
        return reflections(p, 13, 60, 0.2, 420, 1.0), "panel 3, late";
    case 12:
        return reflections(p, 14, 4, 0.9, 60, 1.0), "panel 4, tight";
    case 13:
        return reflections(p, 15, 25, 0.5, 360, -1.0), "panel 5, negative";
    case 14:
        return reflections(p, 16, 100, 2.5, 400, 1.0), "panel 6, howling";
    default:
        return reflections(p, 17, 1, 0.4, 30, -1.0), "panel 7, no delay to speak of";
    }
}

static void prediction_is_where_growth_begins(void **state)
{
    (void)state;
    int bad = 0;
    for (int i = 0; i < CASES; i++) {
        path p;
        const char *name = make_case(i, &p);
        const lt_ir ir = {.samples = p.h, .count = p.count, .rate_hz = p.rate_hz, .to_hz = p.rate_hz / 2.0};
        lt_loop *loop = NULL;
        lt_margin m;
        assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
        assert_int_equal(lt_margin_compute((const lt_loop *const[]){loop}, 1, 0.0, NULL, &m, NULL), LT_OK);
        lt_loop_free(loop);
        const closed_loop truth = {p.h, p.count, 150000};
        const double onset_db = closed_loop_onset_db(&truth, -30.0, 40.0, 0.02);
        bad += !near_abs(name, m.margin_db, onset_db, 0.1);
        bad += !in_range(name, m.safe_margin_db, -100.0, m.margin_db + 1e-6);
        bad += m.stable != (onset_db > 0.0);
    }
    assert_int_equal(bad, 0);
}

/* The candidates are real: cutting the worst one out with a deep notch moves the onset to the next of them. */
static void the_worst_candidate_is_the_tone_that_rings(void **state)
{
    (void)state;
    path p;
    (void)make_case(11, &p);
    const lt_ir ir = {.samples = p.h, .count = p.count, .rate_hz = p.rate_hz, .to_hz = p.rate_hz / 2.0};
    lt_loop *loop = NULL;
    lt_margin m;
    assert_int_equal(lt_loop_create(&ir, NULL, 0.0, 0.0, &loop, NULL), LT_OK);
    assert_int_equal(lt_margin_compute((const lt_loop *const[]){loop}, 1, 0.0, NULL, &m, NULL), LT_OK);
    lt_loop_free(loop);
    /* 1 dB beyond the margin: what grows is a tone at ring_hz. Counted by zero crossings. */
    enum { FRAMES = 200000, TAIL = 8000 };
    const double k = lt_amplitude_from_db(m.margin_db + 0.3);
    double *y = ltp_alloc(FRAMES, sizeof *y);
    for (size_t n = 0; n < FRAMES; n++) {
        y[n] = n == 0 ? 1e-6 : 0.0;
        for (size_t j = 1; j < p.count && j <= n; j++)
            y[n] += k * p.h[j] * y[n - j];
    }
    size_t rises = 0;
    for (size_t n = FRAMES - TAIL; n < FRAMES; n++)
        rises += y[n - 1] < 0.0 && y[n] >= 0.0;
    ltp_free(y);
    assert_true(near_abs("ring_hz", (double)rises * p.rate_hz / TAIL, m.ring_hz, 2.0));
}

SUITE(loop_simulated)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(prediction_is_where_growth_begins),
        cmocka_unit_test(the_worst_candidate_is_the_tone_that_rings),
    };
    return cmocka_run_group_tests_name("loop_simulated", tests, NULL, NULL);
}
