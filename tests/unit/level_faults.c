/* SPDX-License-Identifier: MIT
 * Faults: the list, the stream, failing allocations, and the detectors' clearest cases. */
#include "fault.h"
#include "near.h"
#include "suite.h"

#include "level/faults.h"
#include "level/peak.h"
#include "level/predict.h"
#include "level/rank.h"
#include <lanetune/level.h>

#include <stdlib.h>
#include <string.h>

enum { RATE = 16000 };

static double *road(size_t count, double rms, uint64_t seed)
{
    double *x = calloc(count, sizeof *x);
    assert_non_null(x);
    lt_rng r = {.state = seed};
    double y = 0.0;
    for (size_t i = 0; i < count; i++) {
        y = 0.9 * y + lt_rng_gauss(&r);
        x[i] = rms * 0.436 * y; /* sqrt(1 - 0.9^2) */
    }
    return x;
}

static void scan(const double *x, size_t count, size_t block, lt_faults *out)
{
    lt_fault_scan *s = NULL;
    memset(out, 0, sizeof *out);
    assert_int_equal(lt_fault_scan_create(RATE, 1, &s, NULL), LT_OK);
    for (size_t i = 0; i < count; i += block)
        lt_fault_scan_push(s, x + i, block < count - i ? block : count - i);
    assert_int_equal(lt_fault_scan_finish(s, out, NULL), LT_OK);
    lt_fault_scan_free(s);
    lt_faults_sort(out);
}

static const lt_fault *find(const lt_faults *f, lt_fault_code code)
{
    for (size_t i = 0; i < f->count; i++)
        if (f->items[i].code == code)
            return &f->items[i];
    return NULL;
}

static void every_code_has_a_word(void **state)
{
    (void)state;
    for (int i = 0; i < LT_FAULT_CODE_COUNT; i++)
        assert_string_not_equal(lt_fault_code_name((lt_fault_code)i), "unknown");
    assert_string_equal(lt_fault_code_name(LT_FAULT_CODE_COUNT), "unknown");
    assert_string_equal(lt_severity_name(LT_SEVERITY_ERROR), "error");
    assert_string_equal(lt_severity_name(LT_SEVERITY_COUNT), "unknown");
}

static void the_list_is_sorted_and_bounded(void **state)
{
    (void)state;
    lt_faults f = {.count = 0};
    assert_int_equal(lt_faults_worst(&f), LT_SEVERITY_COUNT);
    lt_faults_add(&f, LT_FAULT_WIND, LT_SEVERITY_WARNING, 1, 3.0, "%d", 1);
    lt_faults_add(&f, LT_FAULT_WHINE, LT_SEVERITY_ERROR, 1, 5.0, "%d", 2);
    lt_faults_add(&f, LT_FAULT_CLIPPING, LT_SEVERITY_ERROR, 2, 2.0, "%d", 3);
    lt_faults_add(&f, LT_FAULT_DC_OFFSET, LT_SEVERITY_ERROR, 1, NAN, "%d", 4);
    lt_faults_sort(&f);
    const char order[] = {f.items[0].message[0], f.items[1].message[0], f.items[2].message[0], f.items[3].message[0],
                          0};
    assert_string_equal(order, "4321");
    assert_int_equal(lt_faults_worst(&f), LT_SEVERITY_ERROR);
    for (int i = 0; i < 2 * LT_FAULTS_MAX; i++)
        lt_faults_add(&f, LT_FAULT_WIND, LT_SEVERITY_NOTE, 1, 9.0, "x");
    assert_int_equal(f.count, LT_FAULTS_MAX);
}

static void blocks_change_nothing(void **state)
{
    (void)state;
    const size_t count = 9 * RATE;
    double *x = road(count, 0.03, 5);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE;
        x[i] += 0.02 * sin(2.0 * LT_PI * 50.0 * t) + 0.01 * sin(2.0 * LT_PI * 150.0 * t) +
                0.004 * sin(2.0 * LT_PI * 3333.0 * t);
        if (t > 4.0 && t < 4.03)
            x[i] = 0.0;
    }
    lt_faults whole, pieces;
    scan(x, count, count, &whole);
    scan(x, count, 777, &pieces);
    assert_true(whole.count >= 3);
    assert_int_equal(whole.count, pieces.count);
    for (size_t i = 0; i < whole.count; i++) {
        assert_int_equal(whole.items[i].code, pieces.items[i].code);
        assert_string_equal(whole.items[i].message, pieces.items[i].message);
    }
    const lt_fault *gap = find(&whole, LT_FAULT_DROPOUT), *hum = find(&whole, LT_FAULT_MAINS_HUM),
                   *whine = find(&whole, LT_FAULT_WHINE);
    assert_non_null(gap);
    assert_non_null(hum);
    assert_non_null(whine);
    assert_true(near_abs("gap->at_s", gap->at_s, 4.0, 0.002));
    assert_true(isnan(hum->at_s));
    assert_true(isnan(whine->at_s));
    free(x);
}

/* Told when it is 30 dB weaker than the sweep beside it, and waited for until it is as strong. */
static void a_howl_under_a_sweep_is_found(void **state)
{
    (void)state;
    const double from_s = 2.4, rise_db_s = 16.0, top_db = -18.0;
    for (int howls = 0; howls < 2; howls++) {
        const size_t count = 7 * RATE; /* no moment in which the howl is alone */
        double *x = road(count, 1e-4, 11);
        const double growth = 6.0 / log(7000.0 / 100.0);
        for (size_t i = 0; i < count; i++) {
            const double t = (double)i / RATE;
            if (t > 1.0 && t < 7.0)
                x[i] += 0.25 * sin(2.0 * LT_PI * 100.0 * growth * expm1((t - 1.0) / growth));
            if (howls == 1 && t > from_s)
                x[i] += lt_amplitude_from_db(fmin(-59.0 + rise_db_s * (t - from_s), top_db)) *
                        sin(2.0 * LT_PI * 2628.0 * t);
        }
        lt_faults f;
        scan(x, count, 4096, &f);
        const lt_fault *howl = find(&f, LT_FAULT_HOWL);
        if (howls == 0)
            assert_null(howl);
        else {
            assert_non_null(howl);
            assert_true(near_abs("howl->at_s", howl->at_s, from_s, 0.25));
        }
        free(x);
    }
}

/* A path that limits softly bends the growth: it is linear here, and no straight line in dB. The same tone, switched
 * on, is none. */
static void a_howl_that_flattens_is_found(void **state)
{
    (void)state;
    static const double rise_s[] = {3.0, 2.0, 0.02};
    for (size_t k = 0; k < sizeof rise_s / sizeof *rise_s; k++) {
        const size_t count = 10 * RATE;
        double *x = road(count, 0.01, 13 + k);
        for (size_t i = 0; i < count; i++) {
            const double t = (double)i / RATE;
            x[i] += 0.25 * fmin(fmax(t - 3.0, 0.0) / rise_s[k], 1.0) * sin(2.0 * LT_PI * 1432.0 * t);
        }
        lt_faults f;
        scan(x, count, 4096, &f);
        const lt_fault *howl = find(&f, LT_FAULT_HOWL);
        if (rise_s[k] < 1.0) {
            assert_null(howl);
        } else {
            assert_non_null(howl);
            assert_true(near_abs("howl->at_s", howl->at_s, 3.0, 0.3));
        }
        free(x);
    }
}

static void a_sweep_and_a_road_have_no_fault(void **state)
{
    (void)state;
    const size_t count = 10 * RATE;
    double *x = road(count, 0.001, 6);
    lt_faults f;
    scan(x, count, 4096, &f);
    const lt_fault *low = find(&f, LT_FAULT_LOW_LEVEL); /* -57 dBFS is all that it has */
    assert_non_null(low);
    assert_int_equal(f.count, 1);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE;
        x[i] += t < 1.0 || t > 9.0
                    ? 0.0
                    : 0.3 * sin(2.0 * LT_PI * 60.0 * 8.0 / log(100.0) * (exp((t - 1.0) / 8.0 * log(100.0)) - 1.0));
    }
    scan(x, count, 4096, &f);
    for (size_t i = 0; i < f.count; i++) /* that it ends at 6 kHz may be noted */
        assert_int_equal(f.items[i].code, LT_FAULT_BAND_LIMITED);
    assert_true(f.count == 0 || lt_faults_worst(&f) == LT_SEVERITY_NOTE);
    free(x);
}

static void interference_is_measured(void **state)
{
    (void)state;
    const size_t count = 12 * RATE;
    double *x = road(count, 0.002, 7);
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / RATE, frame = 0.06 / 13.0;
        x[i] += 0.02 * sin(2.0 * LT_PI * 59.94 * t) + 0.005 * sin(2.0 * LT_PI * 179.82 * t);
        x[i] += t < 3.0 ? 0.0 : 0.01 * sin(2.0 * LT_PI * 5000.0 * t);
        x[i] += t > 6.0 && t < 7.0 && fmod(t - 6.0, frame) < frame / 8.0 ? 0.1 : 0.0;
    }
    lt_interference *s = NULL;
    lt_interference_result r;
    assert_int_equal(lt_interference_create(RATE, 0.0, LT_SEEK_ALL, &s, NULL), LT_OK);
    lt_interference_push(s, x, count);
    assert_int_equal(lt_interference_finish(s, NAN, 0.0, &r, NULL), LT_OK);
    lt_interference_free(s);
    assert_true(near_abs("r.mains_exact_hz", r.mains_exact_hz, 59.94, 0.02));
    assert_true(isnan(r.hum_from_s));
    assert_int_equal(r.whine_count, 1); /* the lines of the buzz are none */
    assert_true(near_abs("r.whines[0].hz", r.whines[0].hz, 5000.0, 0.5));
    assert_true(
        near_abs("r.whines[0].level_db", r.whines[0].level_db, -40.0, 0.5)); /* a sine of amplitude 0.01, AES17 */
    assert_true(near_abs("r.whines[0].from_s", r.whines[0].from_s, 3.0, 0.2));
    assert_true(near_abs("r.burst_from_s", r.burst_from_s, 6.0, 0.2));
    assert_true(near_abs("r.burst_s", r.burst_s, 1.0, 0.25));
    free(x);
}

static void round_to(double *x, size_t count, double steps)
{
    for (size_t i = 0; i < count; i++)
        x[i] = round(x[i] * steps) / steps;
}

/* A hole in the noise of an empty lane, at -63 dBFS in 16 bits; silence that was faded in and out is none. */
static void a_hole_in_faint_noise_is_a_dropout(void **state)
{
    (void)state;
    const size_t count = 8 * RATE, at = 4 * RATE, fade = RATE / 100;
    double *x = road(count, 0.0005, 8);
    lt_faults f;
    memset(x + at, 0, RATE / 50 * sizeof *x);
    round_to(x, count, 32768.0);
    scan(x, count, 4096, &f);
    const lt_fault *gap = find(&f, LT_FAULT_DROPOUT);
    assert_non_null(gap);
    assert_true(near_abs("gap->at_s", gap->at_s, 4.0, 0.001));
    free(x);
    x = road(count, 0.02, 9);
    for (size_t i = 0; i < RATE / 2; i++)
        x[at + i] *= i < fade              ? 1.0 - (double)i / (double)fade
                     : i < RATE / 2 - fade ? 0.0
                                           : (double)(i + fade - RATE / 2) / (double)fade;
    round_to(x, count, 32768.0);
    scan(x, count, 4096, &f);
    assert_null(find(&f, LT_FAULT_DROPOUT));
    free(x);
}

/* Noise below 45 Hz in gusts of a second, from 3 s on, alone and with noise above 300 Hz that is 6 dB louder. */
static void wind_is_found_beside_louder_sound(void **state)
{
    (void)state;
    const size_t count = 12 * RATE;
    const double step = 2.0 * LT_PI * 30.0 / RATE, begun_s = 3.0;
    for (int beside = 0; beside < 2; beside++) {
        double *x = road(count, 0.0003, 17), a = 0.0, b = 0.0, c = 0.0, low = 0.0;
        lt_rng rng = {.state = 18};
        for (size_t i = 0; i < count; i++) {
            const double t = (double)i / RATE - begun_s, noise = lt_rng_gauss(&rng);
            a += step * (noise - a);
            b += step * (a - b);
            c += step * (b - c);
            const double gust = t < 0.0 ? 0.0 : 1.0 + 0.9 * cos(2.0 * LT_PI * t);
            x[i] += 0.9 * gust * c;
            const double loud = 0.1 * lt_rng_gauss(&rng);
            low += 0.2 * (loud - low);
            x[i] += beside ? loud - low : 0.0;
        }
        lt_faults f;
        scan(x, count, 4096, &f);
        const lt_fault *wind = find(&f, LT_FAULT_WIND);
        assert_non_null(wind);
        assert_true(near_abs("wind->at_s", wind->at_s, begun_s, 0.25));
        free(x);
    }
}

/* The same hole of 20 ms, with sound as loud and of one kind on both sides; a loud pause that no player would make; and
 * words that fall by 30 dB before an editor or a gate cuts them off. */
static void edited_silence_is_no_error(void **state)
{
    (void)state;
    enum { LOST, PAUSES, WORDS, CASES };
    static const lt_severity expected[CASES] = {LT_SEVERITY_ERROR, LT_SEVERITY_WARNING, LT_SEVERITY_NOTE};
    const size_t count = 8 * RATE, pause = RATE / 5;
    for (int what = LOST; what < CASES; what++) {
        double *x = road(count, 0.05, 15);
        for (size_t word = 1; word < 7; word++) {
            const size_t end = word * RATE, length = what == LOST ? RATE / 50 : pause;
            memset(x + end, 0, length * sizeof *x);
            for (size_t i = 1; i < RATE / 4 && what == WORDS; i++)
                x[end - i] *= lt_amplitude_from_db(-30.0 + 120.0 * (double)i / RATE);
        }
        lt_faults f;
        scan(x, count, 4096, &f);
        const lt_fault *gap = find(&f, LT_FAULT_DROPOUT);
        assert_non_null(gap);
        assert_int_equal(gap->severity, expected[what]);
        assert_true(near_abs("gap->at_s", gap->at_s, 1.0, 0.002));
        free(x);
    }
}

/* Two sines leave nothing; noise leaves all; a piece is like itself at any level, and unlike what has other resonances.
 * Closed form for noise through 1 / (1 - a z^-1), against that through 1 / (1 + a z^-1): each is predicted by the
 * other's filter with the energy 1 + 4 a^2 / (1 - a^2) re its own. */
static void prediction_tells_tones_and_likeness(void **state)
{
    (void)state;
    enum { COUNT = 16384 };
    static double sines[COUNT], noise[COUNT], low[COUNT], high[COUNT];
    const double a = 0.6;
    lt_rng rng = {.state = 16};
    for (size_t i = 0; i < COUNT; i++) {
        noise[i] = lt_rng_gauss(&rng);
        sines[i] = sin(0.3 * (double)i) + 0.7 * sin(0.51 * (double)i);
        low[i] = noise[i] + (i > 0 ? a * low[i - 1] : 0.0);
        high[i] = noise[i] - (i > 0 ? a * high[i - 1] : 0.0);
    }
    ltp_products p, q;
    ltp_products_of(sines, 192, 1, &p);
    assert_true(ltp_unpredicted(&p) < 1e-6);
    ltp_products_of(noise, COUNT, 3, &p);
    assert_true(near_abs("noise", ltp_unpredicted(&p), 1.0, 0.01));
    ltp_products_of(low, COUNT, 1, &p);
    assert_true(near_abs("low", ltp_unpredicted(&p), 1.0 - a * a, 0.02));
    ltp_products_of(high, COUNT, 1, &q);
    assert_true(near_abs("itself", ltp_unlikeness(&p, &p), 0.0, 1e-9));
    assert_true(near_abs("unlike", ltp_unlikeness(&p, &q), log(1.0 + 4.0 * a * a / (1.0 - a * a)), 0.05));
    ltp_products_of(noise, LTP_PREDICT_LAGS, 1, &q);
    assert_true(isinf(ltp_unlikeness(&p, &q)));
    assert_true(near_abs("silence", ltp_unpredicted(&q), 1.0, 0.0));
}

/* Pulses of the phone's frame, 60 / 13 ms (3GPP TS 45.002), whose lines lie near the noise; then pulses of a voice that
 * passes that pitch. */
static void a_faint_buzz_is_found_and_a_voice_is_none(void **state)
{
    (void)state;
    const size_t count = 10 * RATE;
    lt_faults f;
    double *x = road(count, 0.03, 10), phase = 0.0;
    for (size_t i = 4 * RATE; i < 7 * RATE; i++)
        x[i] += fmod((double)i / RATE - 4.0, 0.06 / 13.0) < 0.06 / 104.0 ? 0.025 : 0.0;
    scan(x, count, 4096, &f);
    const lt_fault *buzz = find(&f, LT_FAULT_BURST_BUZZ);
    assert_non_null(buzz);
    assert_true(near_abs("buzz->at_s", buzz->at_s, 4.0, 0.25));
    free(x);
    x = road(count, 0.001, 11);
    for (size_t i = 0; i < count; i++) {
        phase += 1625.0 / 7.5 * (1.0 + 0.03 * sin(2.0 * LT_PI * 0.7 * (double)i / RATE)) / RATE;
        x[i] += phase - floor(phase) < 0.125 ? 0.1 : 0.0;
    }
    scan(x, count, 4096, &f);
    assert_null(find(&f, LT_FAULT_BURST_BUZZ));
    free(x);
}

/* Tops of one or two samples, as in noise of the whole band, end at one value; a tone's do so by themselves. */
static void single_samples_prove_a_ceiling(void **state)
{
    (void)state;
    const size_t count = 8 * RATE;
    double *x = calloc(count, sizeof *x), first_s = 0.0;
    assert_non_null(x);
    lt_rng r = {.state = 12};
    lt_faults f;
    for (size_t i = 0; i < count; i++)
        x[i] = 0.05 * lt_rng_gauss(&r) * (i < 3 * RATE ? 0.3 : 1.0);
    scan(x, count, 4096, &f);
    assert_null(find(&f, LT_FAULT_CLIPPING));
    for (size_t i = 0; i < count; i++) {
        first_s = !(first_s > 0.0) && fabs(x[i]) > 0.12 ? (double)i / RATE : first_s;
        x[i] = fmax(-0.12, fmin(0.12, x[i]));
    }
    scan(x, count, 4096, &f);
    const lt_fault *cut = find(&f, LT_FAULT_CLIPPING);
    assert_non_null(cut);
    assert_true(near_abs("cut->at_s", cut->at_s, first_s, 0.001));
    for (size_t i = 0; i < count; i++) /* 16 samples a period, none of them at the crest */
        x[i] = 0.2 * sin(2.0 * LT_PI * (1000.0 * (double)i / RATE + 0.01));
    scan(x, count, 4096, &f);
    assert_null(find(&f, LT_FAULT_CLIPPING));
    free(x);
}

/* A click of the lips two seconds before a contact that crackles 30 dB louder does not begin the crackle. */
static void crackle_begins_with_its_own_kind(void **state)
{
    (void)state;
    const size_t count = 8 * RATE;
    double *x = road(count, 0.0002, 13);
    lt_faults f;
    x[2 * RATE] += 0.01;
    for (size_t i = 0; i < 8; i++)
        x[4 * RATE + i * 1700] += 0.3;
    scan(x, count, 4096, &f);
    const lt_fault *crackle = find(&f, LT_FAULT_CRACKLE);
    assert_non_null(crackle);
    assert_true(near_abs("crackle->at_s", crackle->at_s, 4.0, 0.01));
    free(x);
}

/* Faint noise with a click in the middle of every gap_s; returns when that ends. */
static double hear_clicks(ltp_click *d, double from_s, size_t clicks, double gap_s, lt_rng *rng)
{
    double x[512];
    const size_t gap = (size_t)(gap_s * RATE), all = clicks * gap;
    for (size_t done = 0; done < all;) {
        const size_t part = all - done < sizeof x / sizeof *x ? all - done : sizeof x / sizeof *x;
        for (size_t i = 0; i < part; i++, done++)
            x[i] = 0.0002 * lt_rng_gauss(rng) + (done % gap == gap / 2 ? 0.3 : 0.0);
        ltp_click_push(d, x, part);
    }
    return from_s + (double)all / RATE;
}

/* A relay clicks alone, all day. A contact that crackles after hundreds of those, or before, is told with the time of
 * its own first click. */
static void crackle_is_found_after_many_single_clicks(void **state)
{
    (void)state;
    enum { NEVER, BEFORE, AFTER, CASES, SINGLE = 300 };
    const double apart_s = 1.6, alone_s = 8.0, close_s = 0.1; /* company: three within 3 s */
    for (int crackles = NEVER; crackles < CASES; crackles++) {
        ltp_click *d = NULL;
        lt_rng rng = {.state = 14};
        lt_faults f = {.count = 0};
        double begun_s = 0.5 * close_s, t = 0.0;
        assert_int_equal(ltp_click_create(RATE, &d, NULL), LT_OK);
        if (crackles == BEFORE)
            t = hear_clicks(d, t, 8, close_s, &rng);
        t = hear_clicks(d, t, SINGLE, apart_s, &rng);
        t = hear_clicks(d, t, 1, alone_s, &rng);
        if (crackles == AFTER) {
            begun_s += t;
            t = hear_clicks(d, t, 8, close_s, &rng);
        }
        t = hear_clicks(d, t, 1, alone_s, &rng);
        ltp_click_finish(d, &(ltp_scan_end){.out = &f, .channel = 1, .seconds = t});
        ltp_click_free(d);
        const lt_fault *crackle = find(&f, LT_FAULT_CRACKLE);
        assert_int_equal(crackle != NULL, crackles != NEVER);
        if (crackle != NULL)
            assert_true(near_abs("crackle->at_s", crackle->at_s, begun_s, 0.001));
    }
}

static lt_status make(void *context, lt_error *err)
{
    (void)context;
    lt_fault_scan *s = NULL;
    lt_pair_scan *pair = NULL;
    lt_interference *other = NULL;
    lt_status st = lt_fault_scan_create(RATE, 1, &s, err);
    assert_true((st == LT_OK) == (s != NULL));
    if (st == LT_OK)
        st = lt_pair_scan_create(RATE, 1, 2, &pair, err);
    if (st == LT_OK)
        st = lt_interference_create(RATE, 0.0, LT_SEEK_ALL, &other, err);
    lt_fault_scan_free(s);
    lt_pair_scan_free(pair);
    lt_interference_free(other);
    return st;
}

static void every_failed_allocation_is_told(void **state)
{
    (void)state;
    assert_survives_faults(make, NULL);
}

static void absurd_rates_are_refused(void **state)
{
    (void)state;
    static const double rates[] = {0.0, -1.0, 3999.0, 500000.0, NAN};
    for (size_t i = 0; i < sizeof rates / sizeof *rates; i++) {
        lt_fault_scan *s = NULL;
        lt_interference *other = NULL;
        assert_int_equal(lt_fault_scan_create(rates[i], 1, &s, NULL), LT_E_ARG);
        assert_int_equal(lt_interference_create(rates[i], 0.0, LT_SEEK_ALL, &other, NULL), LT_E_ARG);
        assert_null(s);
    }
}

/* Two ways to the same number: counting below each value, and selecting. With ties, zeros and large values. */
static void medians_by_rank_are_medians(void **state)
{
    (void)state;
    enum { MOST = 128 };
    lt_rng rng = {17};
    size_t wrong = 0;
    for (size_t count = 1; count <= MOST; count++)
        for (int turn = 0; turn < 20; turn++) {
            double x[MOST + LTP_RANK_PADDING], y[MOST];
            for (size_t i = 0; i < count; i++) {
                const double value = exp(20.0 * lt_rng_gauss(&rng));
                x[i] = y[i] = turn % 4 == 0 ? floor(fmin(value, 3.0)) : value;
            }
            const double a = ltp_median_by_rank(x, count), b = lt_median(y, count);
            wrong += a < b || a > b;
        }
    assert_int_equal(wrong, 0);
}

/* The logarithm of a Gaussian is a parabola, so its top is told exactly. Silence and a valley have no top. */
static void a_peak_between_bins_is_placed(void **state)
{
    (void)state;
    for (int i = -5; i <= 5; i++) {
        const double at = 0.1 * i;
        const double left = exp(-1.3 * (-1.0 - at) * (-1.0 - at)), here = exp(-1.3 * at * at),
                     right = exp(-1.3 * (1.0 - at) * (1.0 - at));
        assert_true(near_abs("offset", ltp_peak_offset(1e-7 * left, 1e-7 * here, 1e-7 * right), at, 1e-12));
    }
    assert_true(near_abs("silence", ltp_peak_offset(0.0, 0.0, 0.0), 0.0, 0.0));
    assert_true(near_abs("valley", ltp_peak_offset(2.0, 1.0, 3.0), 0.0, 0.0));
    assert_true(near_abs("slope", ltp_peak_offset(1.0, 2.0, 3.9), 0.5, 0.0));
}

SUITE(level_faults)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_code_has_a_word),
        cmocka_unit_test(the_list_is_sorted_and_bounded),
        cmocka_unit_test(blocks_change_nothing),
        cmocka_unit_test(a_sweep_and_a_road_have_no_fault),
        cmocka_unit_test(a_howl_under_a_sweep_is_found),
        cmocka_unit_test(a_howl_that_flattens_is_found),
        cmocka_unit_test(interference_is_measured),
        cmocka_unit_test(every_failed_allocation_is_told),
        cmocka_unit_test(absurd_rates_are_refused),
        cmocka_unit_test(a_hole_in_faint_noise_is_a_dropout),
        cmocka_unit_test(wind_is_found_beside_louder_sound),
        cmocka_unit_test(edited_silence_is_no_error),
        cmocka_unit_test(prediction_tells_tones_and_likeness),
        cmocka_unit_test(a_faint_buzz_is_found_and_a_voice_is_none),
        cmocka_unit_test(single_samples_prove_a_ceiling),
        cmocka_unit_test(crackle_begins_with_its_own_kind),
        cmocka_unit_test(crackle_is_found_after_many_single_clicks),
        cmocka_unit_test(medians_by_rank_are_medians),
        cmocka_unit_test(a_peak_between_bins_is_placed),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
