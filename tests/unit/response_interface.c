/* SPDX-License-Identifier: MIT
 * The interface's own response comes off a measurement: a known path behind converters with a known roll-off (first
 * order, as coupling capacitors and reconstruction filters have). Truth: the closed forms of the path and the
 * roll-off. */
#include "near.h"
#include "suite.h"

#include <lanetune/response.h>

#include <stdlib.h>
#include <string.h>

enum { RATE = 48000, DELAY = 317 };

/* One pole and, for the high pass, a zero at 0 Hz; bilinear, so the closed form is that of the program below. */
static void first_order(double *x, size_t count, double hz, bool high)
{
    const double w = tan(LT_PI * hz / RATE), a = (w - 1.0) / (w + 1.0), b = high ? 1.0 / (1.0 + w) : w / (1.0 + w);
    double before = 0.0, y = 0.0;
    for (size_t i = 0; i < count; i++) {
        y = b * (x[i] + (high ? -before : before)) - a * y;
        before = x[i];
        x[i] = y;
    }
}

static double first_order_db(double hz, double corner_hz, bool high)
{
    const double t = tan(LT_PI * hz / RATE) / tan(LT_PI * corner_hz / RATE);
    return 10.0 * log10((high ? t * t : 1.0) / (1.0 + t * t));
}

/* Through the interface, and through the path between its output and its input if there is one. */
static lt_signal *through(const lt_signal *played, bool path, double noise_rms)
{
    lt_signal *s = NULL;
    lt_rng r = {.state = 5};
    assert_int_equal(lt_signal_create(played->count + RATE, RATE, &s, NULL), LT_OK);
    for (size_t i = 0; i < played->count; i++) {
        s->samples[i + DELAY] += 0.5 * played->samples[i] * (path ? 0.3 : 1.0);
        if (path)
            s->samples[i + DELAY + 96] -= 0.5 * 0.12 * played->samples[i];
    }
    first_order(s->samples, s->count, 120.0, true);
    first_order(s->samples, s->count, 7000.0, false);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] += noise_rms * lt_rng_gauss(&r);
    return s;
}

static lt_response *measure(const lt_signal *recording, const lt_signal *played, const lt_interface *f)
{
    lt_response_options o = lt_response_default_options();
    lt_response *r = NULL;
    const lt_signal *const recordings[] = {recording};
    const char *const names[] = {"it"};
    o.interface = f;
    assert_int_equal(lt_response_measure(recordings, names, 1, played, &o, &r, NULL), LT_OK);
    return r;
}

static lt_signal *sweep(double to_hz)
{
    lt_sweep_options o = lt_sweep_default_options();
    lt_signal *s = NULL;
    o.rate_hz = RATE;
    o.seconds = 4.0;
    o.to_hz = to_hz;
    o.peak_dbfs = -6.0;
    assert_int_equal(lt_sweep_create(&o, &s, NULL), LT_OK);
    return s;
}

/* |0.3 - 0.12 exp(-j w 96)|^2 over the band, on a fine axis, dB; times the interface's gain at 1 kHz. */
static double truth_db(const lt_band *b)
{
    double sum = 0.0;
    enum { POINTS = 2000 };
    for (int i = 0; i < POINTS; i++) {
        const double hz = b->lower_hz + (b->upper_hz - b->lower_hz) * (i + 0.5) / POINTS;
        sum += 0.3 * 0.3 + 0.12 * 0.12 - 2.0 * 0.3 * 0.12 * cos(2.0 * LT_PI * hz * 96.0 / RATE);
    }
    return 10.0 * log10(sum / POINTS);
}

static void a_known_roll_off_comes_off(void **state)
{
    (void)state;
    int bad = 0;
    lt_signal *played = sweep(20000.0), *loop = through(played, false, 1e-6), *take = through(played, true, 1e-5);
    lt_response *l = measure(loop, played, NULL), *raw = measure(take, played, NULL);
    lt_interface *f = NULL;
    assert_int_equal(lt_interface_create(l, &f, NULL), LT_OK);
    lt_response *r = measure(take, played, f);
    assert_true(lt_notes_has(&r->notes, "interface-removed"));
    assert_false(lt_notes_has(&raw->notes, "interface-removed"));
    const double gain_db = lt_response_band_level(l, 0);
    double most_raw = 0.0;
    for (size_t i = 0; i < r->band_count; i++) {
        char label[60];
        (void)snprintf(label, sizeof label, "%g Hz", r->bands[i].band.nominal_hz);
        if (l->bands[i].snr_db >= 20.0) /* the edge of what its loopback says */
            bad += !near_abs(label, r->bands[i].level_db, truth_db(&r->bands[i].band) + gain_db, 0.1);
        most_raw = fmax(most_raw, fabs(raw->bands[i].level_db - truth_db(&r->bands[i].band) - gain_db));
        /* noise is filtered alike: what it is worth stays */
        bad += !near_abs(label, r->bands[i].snr_db, raw->bands[i].snr_db, 1.0);
    }
    assert_true(most_raw > 5.0); /* it was worth it: 50 Hz and 16 kHz */
    bad += !near_abs("largest deviation", lt_interface_most_db(f),
                     fabs(first_order_db(16000.0, 7000.0, false) - first_order_db(1000.0, 7000.0, false)), 0.4);
    bad += !near_abs("direct arrival, ms", r->delay_ms, round(l->delay_ms * 48.0) / 48.0, 0.005);
    bad += r->polarity != 1;
    assert_int_equal(bad, 0);
    lt_interface_free(f);
    lt_response_free(r);
    lt_response_free(raw);
    lt_response_free(l);
    lt_signal_free(take);
    lt_signal_free(loop);
    lt_signal_free(played);
}

static void what_says_nothing_is_not_used(void **state)
{
    (void)state;
    lt_error err = {0};
    lt_interface *f = NULL;
    lt_signal *played = sweep(20000.0), *narrow = sweep(9000.0);
    lt_signal *noisy = through(played, false, 0.003), *clean = through(narrow, false, 1e-6);
    lt_response *l = measure(noisy, played, NULL);
    assert_int_equal(lt_interface_create(l, &f, &err), LT_E_SNR);
    assert_null(f);
    assert_non_null(strstr(err.what, "above the noise"));
    /* Beyond the band of its loopback nothing is made up: the response there is as recorded. */
    lt_response *n = measure(clean, narrow, NULL);
    assert_int_equal(lt_interface_create(n, &f, NULL), LT_OK);
    lt_signal *take = through(played, true, 1e-6);
    lt_response *raw = measure(take, played, NULL), *r = measure(take, played, f);
    int bad = 0;
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.lower_hz > 9000.0 * 1.2)
            bad += !near_abs("outside", r->bands[i].level_db, raw->bands[i].level_db, 0.05);
    assert_int_equal(bad, 0);
    lt_response_free(raw);
    lt_response_free(r);
    lt_response_free(n);
    lt_response_free(l);
    lt_interface_free(f);
    lt_interface_free(NULL);
    lt_signal_free(take);
    lt_signal_free(noisy);
    lt_signal_free(clean);
    lt_signal_free(narrow);
    lt_signal_free(played);
}

SUITE(response_interface)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_known_roll_off_comes_off),
        cmocka_unit_test(what_says_nothing_is_not_used),
    };
    return cmocka_run_group_tests_name("response_interface", tests, NULL, NULL);
}
