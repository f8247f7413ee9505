/* SPDX-License-Identifier: MIT
 * Margins of several open lanes from the files of a visit: couplings between lanes and counters recorded, stated in
 * site.yaml, or neither. Every way is a flat gain and a delay, so all figures are closed forms. */
#include <lanetune/site.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include <math.h>
#include <string.h>
#include <sys/stat.h>

#define VISIT "visits/2024-05-14/"
static const double own = 0.1;     /* lane coupling of both lanes */
static const double counter = 0.3; /* each counter's own */
static const double to_1 = 0.02, to_2 = 0.03;
static const double rate_hz = 16000.0;

typedef struct {
    scratch dir;
    scratch_names *names;
    lt_signal *sweep;
} yard;

static void write_text(yard *y, const char *name, const char *text)
{
    assert_true(scratch_write(scratch_at(&y->dir, y->names, name), text, strlen(text)));
}

/* The sweep through one tap, as a recorder of this rate writes it. */
static void record(yard *y, const char *name, double gain, size_t delay, double at_hz)
{
    lt_signal *s = NULL;
    lt_signal *changed = NULL;
    lt_error err = {0};
    assert_int_equal(lt_signal_create(y->sweep->count, rate_hz, &s, &err), LT_OK);
    for (size_t i = delay; i < s->count; i++)
        s->samples[i] = gain * y->sweep->samples[i - delay];
    if (at_hz < rate_hz)
        assert_int_equal(lt_resample(s, at_hz, &changed, &err), LT_OK);
    const lt_signal *const channels[] = {changed != NULL ? changed : s};
    if (lt_audio_save(scratch_at(&y->dir, y->names, name), channels, 1, LT_AUDIO_FLOAT, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
    lt_signal_free(s);
    lt_signal_free(changed);
}

static void remove_file(yard *y, const char *name)
{
    assert_int_equal(remove(scratch_at(&y->dir, y->names, name)), 0);
}

#define LANES                                                                                                          \
    "counters: [{counter: 1, coupling_db: -10.458}, {counter: 2, coupling_db: -10.458}]\n"                             \
    "lanes: [{lane: 1, counter: 1}, {lane: 2, counter: 2}]\n"
#define APART "{between: counters, from: 1, to: 2, level_db: -200}"

static int setup(void **state)
{
    static yard y;
    static scratch_names names;
    static const char *const folders[] = {"visits",       VISIT "",          VISIT "lane-1",
                                          VISIT "lane-2", VISIT "counter-1", VISIT "counter-2"};
    lt_sweep_options o = lt_sweep_default_options();
    o.rate_hz = rate_hz;
    o.from_hz = 200.0; /* a sweep this short ripples by 0.1 dB at 50 Hz */
    o.to_hz = 6000.0;
    o.seconds = 1.0;
    o.lead_s = o.tail_s = o.gap_s = 0.3;
    y = (yard){.dir = scratch_make(), .names = &names};
    assert_int_equal(lt_sweep_create(&o, &y.sweep, NULL), LT_OK);
    for (size_t i = 0; i < COUNT(folders); i++)
        assert_int_equal(mkdir(scratch_at(&y.dir, y.names, folders[i]), 0755), 0);
    record(&y, VISIT "stimulus.wav", 1.0, 0, rate_hz);
    record(&y, VISIT "lane-1/lane-coupling.wav", own, 16, rate_hz);
    record(&y, VISIT "lane-2/lane-coupling.wav", own, 16, rate_hz);
    record(&y, VISIT "lane-1/cross-coupling-from-2.wav", to_1, 200, rate_hz);
    record(&y, VISIT "lane-2/cross-coupling-from-1.wav", to_2, 264, rate_hz);
    write_text(&y, "site.yaml", LANES "couplings: [" APART "]\n");
    *state = &y;
    return 0;
}

static int teardown(void **state)
{
    yard *y = *state;
    lt_signal_free(y->sweep);
    scratch_remove(&y->dir);
    return 0;
}

static lt_open_margin *margins(yard *y, const lt_dials *dials)
{
    lt_survey *s = NULL;
    lt_open_margin *m = NULL;
    lt_error err = {0};
    if (lt_survey_measure(y->dir.path, NULL, 0, NULL, NULL, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    if (lt_survey_open_margin(s, dials, 6.0, &m, &err) != LT_OK)
        fail_msg("%s", err.what);
    lt_survey_free(s);
    return m;
}

static double safe_db(const lt_open_margin *m, unsigned open)
{
    for (size_t i = 0; i < m->set_count; i++)
        if (m->sets[i].open == open)
            return m->sets[i].safe_margin_db;
    return (double)NAN;
}

static bool says(const lt_notes *n, const char *code, const char *part)
{
    for (size_t i = 0; i < n->count; i++)
        if (strcmp(n->items[i].code, code) == 0 && strstr(n->items[i].message, part) != NULL)
            return true;
    return false;
}

/* Largest singular value of c (a, b; d, a): the ways' delays differ, so somewhere in the band all phases agree. */
static double both_db(double a, double b, double d)
{
    const double p = a * a + b * b;
    const double q = a * a + d * d;
    const double r = a * (b + d);
    return -20.0 * log10(counter * sqrt(0.5 * (p + q + sqrt((p - q) * (p - q) + 4.0 * r * r))));
}

static void recorded_couplings_count(void **state)
{
    yard *y = *state;
    lt_open_margin *m = margins(y, NULL);
    assert_int_equal(m->set_count, 3);
    int bad = !near_abs("lane 1", safe_db(m, 1), -20.0 * log10(counter * own), 0.1);
    bad += !near_abs("lane 2", safe_db(m, 2), -20.0 * log10(counter * own), 0.1);
    bad += !near_abs("both, recorded", safe_db(m, 3), both_db(own, to_1, to_2), 0.1);
    bad += says(&m->assumptions, "lane-to-lane-assumed", "") || says(&m->assumptions, "lane-to-lane-stated", "");
    bad += !says(&m->assumptions, "counter-to-counter-stated", "-200 dB");
    lt_open_margin_free(m);
    assert_int_equal(bad, 0);
}

/* A counter's folder holds what its microphone heard of the other counter: L = C A with C = (c, e; 0, c). */
static void couplings_between_counters_lie_with_the_counter(void **state)
{
    yard *y = *state;
    const double e = 0.15;
    record(y, VISIT "counter-1/cross-coupling-from-2.wav", e, 90, rate_hz);
    lt_open_margin *m = margins(y, NULL);
    remove_file(y, VISIT "counter-1/cross-coupling-from-2.wav");
    const double a = (counter * own + e * to_2) / counter;
    const double b = (counter * to_1 + e * own) / counter;
    const double p = a * a + b * b;
    const double q = own * own + to_2 * to_2;
    const double r = a * to_2 + b * own;
    const double sigma = counter * sqrt(0.5 * (p + q + sqrt((p - q) * (p - q) + 4.0 * r * r)));
    int bad = !near_abs("with the counters' way", safe_db(m, 3), -20.0 * log10(sigma), 0.1);
    bad += !near_abs("lane 1 alone is the same", safe_db(m, 1), -20.0 * log10(counter * own), 0.1);
    bad += says(&m->assumptions, "counter-to-counter-assumed", "");
    lt_open_margin_free(m);
    assert_int_equal(bad, 0);
}

static void the_gain_of_a_dial_counts(void **state)
{
    yard *y = *state;
    const lt_dials dials[] = {{3.0, 0.0}, {0.0, -2.0}};
    lt_open_margin *m = margins(y, dials);
    int bad = !near_abs("lane 1, 3 dB up", safe_db(m, 1), -20.0 * log10(counter * own) - 3.0, 0.1);
    bad += !near_abs("lane 2, 2 dB down", safe_db(m, 2), -20.0 * log10(counter * own) + 2.0, 0.1);
    lt_open_margin_free(m);
    assert_int_equal(bad, 0);
}

/* A recording that is not there: the other direction's does not stand in for it, what site.yaml states does. */
static void stated_couplings_stand_in(void **state)
{
    yard *y = *state;
    remove_file(y, VISIT "lane-1/cross-coupling-from-2.wav");
    write_text(y, "site.yaml", LANES "couplings: [" APART ", {from: 1, to: 2, level_db: -26}]\n");
    lt_open_margin *m = margins(y, NULL);
    int bad = !near_abs("both, one way stated", safe_db(m, 3), both_db(own, pow(10.0, -26.0 / 20.0), to_2), 0.1);
    bad += !says(&m->assumptions, "lane-to-lane-stated", "lanes 2 and 1");
    bad += says(&m->assumptions, "lane-to-lane-stated", "lanes 1 and 2"); /* that one was recorded */
    lt_open_margin_free(m);
    write_text(y, "site.yaml", LANES "couplings: [" APART "]\n");
    m = margins(y, NULL);
    /* Free field over 4 m from what comes over 0.3 m, the defaults of the site's file. */
    bad += !near_abs("both, one way assumed", safe_db(m, 3), both_db(own, own * 0.3 / 4.0, to_2), 0.1);
    bad += !says(&m->assumptions, "lane-to-lane-assumed", "4 m");
    lt_open_margin_free(m);
    record(y, VISIT "lane-1/cross-coupling-from-2.wav", to_1, 200, rate_hz);
    assert_int_equal(bad, 0);
}

/* A rate of half the stimulus' serves as far as it reaches; one of 2 kHz, which is none for speech, is refused aloud.
 */
static void a_wrong_rate_is_said(void **state)
{
    yard *y = *state;
    record(y, VISIT "lane-1/cross-coupling-from-2.wav", to_1, 200, 8000.0);
    lt_open_margin *m = margins(y, NULL);
    int bad = !near_abs("both, one way at 8 kHz", safe_db(m, 3), both_db(own, to_1, to_2), 0.2);
    lt_open_margin_free(m);
    record(y, VISIT "lane-1/cross-coupling-from-2.wav", to_1, 200, 2000.0);
    m = margins(y, NULL);
    bad += !near_abs("both, one way not usable", safe_db(m, 3), both_db(own, own * 0.3 / 4.0, to_2), 0.1);
    bad += !says(&m->warnings, "recording-unusable", "2000 Hz");
    bad += !says(&m->assumptions, "lane-to-lane-assumed", "");
    lt_open_margin_free(m);
    record(y, VISIT "lane-1/cross-coupling-from-2.wav", to_1, 200, rate_hz);
    assert_int_equal(bad, 0);
}

static void strange_numbers_are_said(void **state)
{
    yard *y = *state;
    record(y, VISIT "lane-2/cross-coupling-from-9.wav", own, 16, rate_hz);
    record(y, VISIT "lane-2/cross-coupling-from-2.wav", own, 16, rate_hz);
    record(y, VISIT "counter-2/cross-coupling-from-7.wav", own, 16, rate_hz);
    lt_open_margin *m = margins(y, NULL);
    int bad = !near_abs("both, as before", safe_db(m, 3), both_db(own, to_1, to_2), 0.1);
    bad += !says(&m->warnings, "file-name", "from-9 in the folder of lane 2 is not used: site.yaml has no such number");
    bad += !says(&m->warnings, "file-name", "from-2 in the folder of lane 2 is not used: it is that lane's");
    bad += !says(&m->warnings, "file-name", "from-7 in the folder of counter 2 is not used");
    lt_open_margin_free(m);
    remove_file(y, VISIT "lane-2/cross-coupling-from-9.wav");
    remove_file(y, VISIT "lane-2/cross-coupling-from-2.wav");
    remove_file(y, VISIT "counter-2/cross-coupling-from-7.wav");
    assert_int_equal(bad, 0);
}

static void too_many_lanes_are_refused(void **state)
{
    (void)state;
    lt_survey s = {.lane_count = LT_OPEN_LANES_MAX + 1};
    lt_open_margin *m = NULL;
    lt_error err = {0};
    assert_int_equal(lt_survey_open_margin(&s, NULL, 6.0, &m, &err), LT_E_ARG);
    assert_null(m);
    assert_non_null(strstr(err.what, "9 lanes"));
}

SUITE(site_open)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(recorded_couplings_count),   cmocka_unit_test(couplings_between_counters_lie_with_the_counter),
        cmocka_unit_test(the_gain_of_a_dial_counts),  cmocka_unit_test(stated_couplings_stand_in),
        cmocka_unit_test(a_wrong_rate_is_said),       cmocka_unit_test(strange_numbers_are_said),
        cmocka_unit_test(too_many_lanes_are_refused),
    };
    return cmocka_run_group_tests_name("site_open", tests, setup, teardown);
}
