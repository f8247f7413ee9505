/* SPDX-License-Identifier: MIT
 * STOI at its edges, and STOI, STIPA and STI when memory runs out. Their values are tested in tests/reference. */
#include "fault.h"
#include "near.h"
#include "suite.h"

#include <lanetune/speech.h>

#include <string.h>

/* Noise in syllables, four a second. */
static lt_signal *babble(size_t count, double rate_hz)
{
    lt_signal *s = NULL;
    lt_rng rng = {5};
    assert_int_equal(lt_signal_create(count, rate_hz, &s, NULL), LT_OK);
    for (size_t i = 0; i < count; i++)
        s->samples[i] = 0.1 * lt_rng_gauss(&rng) * (0.6 + 0.4 * sin(2.0 * LT_PI * 4.0 * (double)i / rate_hz));
    return s;
}

/* ---- STOI ---- */

/* A correlation of a signal with itself, or with itself louder or reversed in sign, is one (the papers' equations 5).
 */
static void a_copy_is_as_clear_as_the_reference(void **state)
{
    (void)state;
    static const double gains[] = {1.0, 0.01, -5.0};
    lt_signal *x = babble(48000, 16000.0);
    lt_signal *y = babble(48000, 16000.0);
    int bad = 0;
    for (size_t k = 0; k < COUNT(gains); k++) {
        lt_stoi_result r;
        for (size_t i = 0; i < x->count; i++)
            y->samples[i] = gains[k] * x->samples[i];
        assert_int_equal(lt_stoi(x, y, &r, NULL), LT_OK);
        bad += !near_abs("STOI", r.stoi, 1.0, 1e-6) + !near_abs("ESTOI", r.estoi, 1.0, 1e-6);
        bad += !isnan(r.delay_ms) + !isnan(r.drift_ppm) + (r.notes.count != 0);
        bad += !near_abs("seconds", r.seconds, 3.0, 0.05);
        assert_int_equal(lt_stoi_measure(x, y, &r, NULL), LT_OK);
        bad += !near_abs("STOI, found", r.stoi, 1.0, 1e-3) + !near_abs("delay", r.delay_ms, 0.0, 0.1);
    }
    lt_signal_free(x);
    lt_signal_free(y);
    assert_int_equal(bad, 0);
}

/* What one signal is longer does not count, and a low rate is said. */
static void lengths_and_rates_may_differ(void **state)
{
    (void)state;
    lt_signal *x = babble(48000, 16000.0);
    lt_signal *y = babble(64000, 16000.0);
    lt_signal *low = NULL;
    lt_stoi_result r;
    memcpy(y->samples, x->samples, x->count * sizeof *x->samples);
    assert_int_equal(lt_stoi(x, y, &r, NULL), LT_OK);
    int bad = !near_abs("longer recording", r.stoi, 1.0, 1e-6);
    assert_int_equal(lt_stoi(y, x, &r, NULL), LT_OK);
    bad += !near_abs("longer reference", r.stoi, 1.0, 1e-6);
    assert_int_equal(lt_resample(x, 8000.0, &low, NULL), LT_OK);
    assert_int_equal(lt_stoi(x, low, &r, NULL), LT_OK);
    bad += !lt_notes_has(&r.notes, "band-limited") + !in_range("8 kHz", r.stoi, 0.9, 0.999);
    lt_signal_free(x);
    lt_signal_free(y);
    lt_signal_free(low);
    assert_int_equal(bad, 0);
}

typedef enum { AS_IT_IS, SILENT, NOT_A_NUMBER, INFINITE, ONE_VALUE } damage;

static void spoil(lt_signal *s, damage d)
{
    for (size_t i = 0; i < s->count && (d == SILENT || d == ONE_VALUE); i++)
        s->samples[i] = d == SILENT ? 0.0 : 0.1;
    if (d == NOT_A_NUMBER || d == INFINITE)
        s->samples[s->count / 2] = d == INFINITE ? (double)INFINITY : (double)NAN;
}

static void stoi_refuses_what_it_cannot_compare(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        double x_hz, y_hz, x_s, y_s;
        damage x, y;
        lt_status status;
        const char *what;
    } rows[] = {
        {"fine", 8000, 8000, 2, 2, AS_IT_IS, AS_IT_IS, LT_OK, ""},
        {"reference too slow", 7999, 16000, 2, 2, AS_IT_IS, AS_IT_IS, LT_E_ARG, "the reference: sample rate"},
        {"recording too slow", 16000, 4000, 2, 2, AS_IT_IS, AS_IT_IS, LT_E_ARG, "the recording: sample rate"},
        {"reference silent", 16000, 16000, 2, 2, SILENT, AS_IT_IS, LT_E_SNR, "the reference is silence"},
        {"recording silent", 16000, 16000, 2, 2, AS_IT_IS, SILENT, LT_E_SNR, "the recording is silence"},
        {"nothing", 16000, 16000, 2, 0, AS_IT_IS, AS_IT_IS, LT_E_SNR, "the recording is empty"},
        {"NaN", 16000, 16000, 2, 2, NOT_A_NUMBER, AS_IT_IS, LT_E_ARG, "no finite number"},
        {"infinity", 16000, 16000, 2, 2, AS_IT_IS, INFINITE, LT_E_ARG, "no finite number"},
        {"too short", 16000, 16000, 0.39, 2, AS_IT_IS, AS_IT_IS, LT_E_ARG, "STOI needs 30 frames"},
        {"long enough", 10000, 10000, 0.41, 2, AS_IT_IS, AS_IT_IS, LT_OK, ""},
        {"both an offset", 16000, 16000, 2, 2, ONE_VALUE, ONE_VALUE, LT_E_SNR, "nothing to compare"},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_signal *x = babble((size_t)(rows[i].x_s * rows[i].x_hz), rows[i].x_hz);
        lt_signal *y = babble((size_t)(rows[i].y_s * rows[i].y_hz), rows[i].y_hz);
        lt_stoi_result r;
        spoil(x, rows[i].x);
        spoil(y, rows[i].y);
        for (int found = 0; found < 2; found++) {
            lt_error err = {0};
            const lt_status st = found ? lt_stoi_measure(x, y, &r, &err) : lt_stoi(x, y, &r, &err);
            if (st == rows[i].status && strstr(err.what, rows[i].what) != NULL)
                continue;
            print_error("%s, %s: status %d \"%s\"\n", rows[i].row, found ? "measure" : "aligned", (int)st, err.what);
            bad++;
        }
        lt_signal_free(x);
        lt_signal_free(y);
    }
    assert_int_equal(bad, 0);
}

/* ---- failing allocations ---- */

typedef struct {
    const lt_signal *x, *y;
} pair;

static lt_status run_stoi(void *context, lt_error *err)
{
    const pair *p = context;
    lt_stoi_result r;
    return lt_stoi(p->x, p->y, &r, err);
}

static lt_status run_stoi_measure(void *context, lt_error *err)
{
    const pair *p = context;
    lt_stoi_result r;
    return lt_stoi_measure(p->x, p->y, &r, err);
}

static void stoi_survives_every_failed_allocation(void **state)
{
    (void)state;
    lt_signal *x = babble(12000, 16000.0);
    lt_signal *y = NULL;
    assert_int_equal(lt_resample(x, 11025.0, &y, NULL), LT_OK);
    pair p = {x, y};
    assert_survives_faults(run_stoi, &p);
    assert_survives_faults(run_stoi_measure, &p);
    lt_signal_free(x);
    lt_signal_free(y);
}

static lt_status run_stipa(void *context, lt_error *err)
{
    const lt_sti_options opt = lt_sti_default_options();
    lt_sti_result r;
    return lt_stipa_measure(context, &opt, 110.0, &r, err);
}

static lt_status make_stipa(void *context, lt_error *err)
{
    lt_signal *s = NULL;
    const lt_status status = lt_stipa_create(context, &s, err);
    assert_true((status == LT_OK) == (s != NULL));
    lt_signal_free(s);
    return status;
}

static void stipa_survives_every_failed_allocation(void **state)
{
    (void)state;
    lt_stipa_options opt = lt_stipa_default_options();
    lt_signal *s = NULL;
    opt.rate_hz = 22050.0;
    opt.seconds = 10.0; /* after less, what is undisturbed is too short to be evaluated */
    assert_int_equal(lt_stipa_create(&opt, &s, NULL), LT_OK);
    opt.seconds = 1.0;
    assert_survives_faults(run_stipa, s);
    assert_survives_faults(make_stipa, &opt);
    lt_signal_free(s);
}

static lt_status run_ir(void *context, lt_error *err)
{
    static const lt_sti_levels levels = {{60, 60, 60, 60, 60, 60, 60}, {50, 50, 50, 50, 50, 50, 50}};
    lt_sti_options opt = lt_sti_default_options();
    lt_sti_result r;
    opt.levels = &levels;
    return lt_sti_from_ir(context, &opt, &r, err);
}

static void sti_of_a_response_survives_every_failed_allocation(void **state)
{
    (void)state;
    lt_signal *s = babble(4800, 24000.0);
    lt_ir *ir = NULL;
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] *= exp(-(double)i / 400.0);
    assert_int_equal(lt_ir_from_signal(s, &ir, NULL), LT_OK);
    assert_survives_faults(run_ir, ir);
    lt_ir_free(ir);
    lt_signal_free(s);
}

SUITE(speech_stoi)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_copy_is_as_clear_as_the_reference),
        cmocka_unit_test(lengths_and_rates_may_differ),
        cmocka_unit_test(stoi_refuses_what_it_cannot_compare),
        cmocka_unit_test(stoi_survives_every_failed_allocation),
        cmocka_unit_test(stipa_survives_every_failed_allocation),
        cmocka_unit_test(sti_of_a_response_survives_every_failed_allocation),
    };
    return cmocka_run_group_tests_name("speech_stoi", tests, NULL, NULL);
}
