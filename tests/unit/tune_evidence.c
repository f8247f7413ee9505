/* SPDX-License-Identifier: MIT
 * From recordings to evidence: conditions, line levels, loops and echo, settings of the visit, doubts carried on. */
#include "fault.h"
#include "lane_fixture.h"
#include "near.h"
#include "suite.h"

#include "tune/tune_internal.h"

#include <stdio.h>

typedef struct {
    fixture f;
    lt_tune_result r;
} workplace;

static workplace *workplace_create(void)
{
    workplace *w = ltp_alloc(1, sizeof *w);
    assert_non_null(w);
    fixture_make(&w->f);
    return w;
}

static void speech_and_noise_are_spectrum_levels_at_the_ear(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition *c = &w->r.conditions[0];
    int bad = 0;
    /* Flat path of -20 dB and 115 dB SPL for 0 dBFS: speech of -26 dBov = -22.99 dBFS comes out at 72.01 dB SPL. */
    double bands[LT_SPEECH_BANDS];
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        bands[i] = c->speech_ear_db[i] + lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).bandwidth_db;
    bad += !near_abs("overall", lt_db_sum(bands, LT_SPEECH_BANDS), -26.0 + 3.0103 - 20.0 + 115.0, 1e-3);
    /* 15 dB per hertz at 1 kHz, L10 4 dB above; busy counts L10. */
    bad += !near_abs("busy", c->noise_ear_db[8], 15.0 + 4.0, 0.01);
    bad += !near_abs("lane noise", c->lane_noise_operator_db[8], -85.0 + 3.0 - 20.0 + 115.0, 0.01);
    bad += !near_abs("talk", c->speech_operator_db[8], -60.0 - 20.0 + 115.0, 0.01);
    l->noise_case = LT_NOISE_USUAL;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("usual", c->noise_ear_db[8], 15.0, 0.01);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* loopback_db comes off everything recorded from a line: twice off a loop of two recordings, once off loop.wav. */
static void line_recordings_are_lowered_by_the_loopback(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    int bad = 0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition before = w->r.conditions[0];
    l->loopback_db = 2.5;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition *c = &w->r.conditions[0];
    bad += !near_abs("loop", c->safe_margin_db, before.safe_margin_db + 5.0, 1e-3);
    bad += !near_abs("echo", c->echo_telr_db, before.echo_telr_db + 2.5, 1e-9);
    bad += !near_abs("talk", c->speech_operator_db[5], before.speech_operator_db[5] - 2.5, 1e-9);
    bad += !near_abs("lane noise", c->lane_noise_operator_db[5], before.lane_noise_operator_db[5] - 2.5, 1e-9);
    bad += !near_abs("ear", c->speech_ear_db[5], before.speech_ear_db[5], 1e-9);
    bad += !near_abs("counter", c->counter_noise_db[5], before.counter_noise_db[5], 1e-9);
    l->recordings[0].counter_coupling = NULL;
    l->coupling_db = -20.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("stated coupling", c->safe_margin_db, 33.9794 + 20.0 + 2.5, 1e-3);
    l->recordings[0].loop = &w->f.conditions[0].loop.response;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("loop.wav wins", c->safe_margin_db, 33.9794 + 2.5, 1e-3);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void switching_and_push_to_talk(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    int bad = 0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition full = w->r.conditions[0];
    bad += !near_abs("TELR", full.echo_telr_db, 10.0 + 33.9794, 1e-3);
    bad += !near_abs("T", full.echo_one_way_ms, 2.0, 1e-9);
    l->duplex = LT_DUPLEX_VOICE_SWITCHED;
    l->switching_attenuation_db = 12.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition *c = &w->r.conditions[0];
    bad += !near_abs("loop", c->safe_margin_db, full.safe_margin_db + 12.0, 1e-9);
    bad += !near_abs("margin", c->margin_db, full.margin_db + 12.0, 1e-9);
    bad += !near_abs("echo", c->echo_telr_db, full.echo_telr_db + 12.0, 1e-9);
    const double both = w->r.outbound_recommended_db + w->r.inbound_recommended_db;
    bad += !near_abs("margin after", w->r.margin.safe_margin_db, c->safe_margin_db - both, 1e-6);
    bad += !near_abs("figures after", w->r.after.safe_margin_db, c->safe_margin_db - both, 1e-6);
    l->duplex = LT_DUPLEX_PUSH_TO_TALK;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !isnan(c->safe_margin_db) || !isnan(c->margin_db) || !isnan(c->echo_telr_db) || !isnan(c->ring_hz);
    bad += !w->r.margin.stable || !isnan(w->r.margin.safe_margin_db) || !isnan(w->r.after.echo_weighted_db);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* The visit was recorded 3 dB (outbound) and -2 dB (inbound) off now_db: gain changes count from there, `before` is at
 * now_db, and the amplifier's data hold at now_db. */
static void settings_of_the_visit_count(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    l->clip_line_dbfs = -3.0;
    l->volts_at_0_dbfs = 10.0;
    l->speaker_power_w = 5.0;
    int bad = 0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_figures plain = w->r.before;
    l->outbound.recorded_db = 3.0;
    l->inbound.recorded_db = -2.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += !near_abs("ear", w->r.before.ear_dba, plain.ear_dba - 3.0, 1e-9);
    bad += !near_abs("operator", w->r.before.operator_dba, plain.operator_dba + 2.0, 1e-9);
    bad += !near_abs("margin", w->r.before.safe_margin_db, plain.safe_margin_db + 1.0, 1e-9);
    bad += !near_abs("headroom", w->r.before.headroom_db, plain.headroom_db, 1e-9);
    bad += !near_abs("headroom itself", plain.headroom_db, -3.0 - (-26.0 + 3.0103 + 12.0), 1e-3);
    bad += !near_abs("power", w->r.before.speaker_power_w, plain.speaker_power_w, 1e-12);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* Resistance of annealed copper at 20 C by gauge, ohm per km of one conductor (ASTM B258 diameters). */
static void cables_have_the_resistance_of_the_table(void **state)
{
    (void)state;
    static const struct {
        double awg, ohm_per_km;
    } rows[] = {{12, 5.211},  {14, 8.285},  {16, 13.174}, {18, 20.948},
                {20, 33.308}, {22, 52.962}, {24, 84.213}, {26, 133.904}};
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++)
        bad += !near_rel("loop of 500 m", ltp_cable_ohm(rows[i].awg, 500.0), rows[i].ohm_per_km, 1e-4);
    assert_int_equal(bad, 0);
}

static void the_worst_condition_counts(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    fixture_condition *car = &w->f.conditions[1];
    double v[LT_SPEECH_BANDS];
    const double taps[4] = {0, 0, 0, -0.2};
    fixture_taps(&car->lane_coupling, taps, 4);
    fixture_flat(-26.0, v);
    fixture_bands(&car->outbound, v);
    fixture_taps(&car->outbound, taps, 4);
    l->condition_count = 2;
    l->recordings[1] = l->recordings[0];
    (void)snprintf(l->recordings[1].name, sizeof l->recordings[1].name, "car");
    l->recordings[1].lane_coupling = &car->lane_coupling.response;
    l->recordings[1].outbound = &car->outbound.response;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    int bad = 0;
    bad += w->r.condition_count != 2 || strcmp(w->r.conditions[1].name, "car") != 0;
    bad += !near_abs("margin", w->r.before.safe_margin_db, 33.9794 + 13.9794, 1e-3);
    bad += !near_abs("echo", w->r.before.echo_telr_db, 10.0 + 13.9794, 1e-3);
    bad += !near_abs("loudest", w->r.before.ear_dba, lt_speech_dba(w->r.conditions[0].speech_ear_db), 1e-9);
    lt_tune_figures alone;
    l->recordings[0].outbound = l->recordings[1].outbound;
    l->condition_count = 1;
    assert_int_equal(lt_tune_figures_at(l, 0.0, 0.0, &alone, NULL), LT_OK);
    bad += !near_abs("lowest index", w->r.before.sii_outbound, alone.sii_outbound, 1e-12);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* A path that only one condition has serves all, and that is said. */
static void a_missing_plain_recording_is_borrowed(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    l->condition_count = 2;
    l->recordings[1] = l->recordings[0];
    (void)snprintf(l->recordings[1].name, sizeof l->recordings[1].name, "van");
    l->recordings[0].noise_ear = NULL;
    l->recordings[0].lane_coupling = NULL;
    l->recordings[0].delay_known = false;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    int bad = 0;
    bad += !lt_notes_has(&w->r.assumptions, "condition-borrowed");
    bad +=
        lt_notes_has(&w->r.assumptions, "noise-ear-assumed") || lt_notes_has(&w->r.assumptions, "echo-delay-assumed");
    bad += !near_abs("noise", w->r.conditions[0].noise_ear_db[3], w->r.conditions[1].noise_ear_db[3], 1e-12);
    bad += !near_abs("loop", w->r.conditions[0].safe_margin_db, w->r.conditions[1].safe_margin_db, 1e-12);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void doubts_of_recordings_travel_on(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    fixture_condition *c = &w->f.conditions[0];
    lt_notes_add(&c->outbound.response.notes, "drift", "the clocks differ by 80 ppm");
    lt_notes_add(&c->noise_ear.notes, "clipping", "20 samples are clipped");
    lt_notes_add(&c->talk_test.notes, "short", "only 3 s of speech");
    c->inbound.response.bands[7].snr_db = 4.0;
    c->inbound.response.bands[0].snr_db = -3.0; /* 100 Hz: no speech band */
    c->noise_mic.band_count = 14;               /* a recorder of 8 kHz */
    c->inbound.response.band_count -= 2;        /* the stimulus ended at 6.3 kHz */
    c->noise_mic.hum = true;
    c->noise_mic.mains_hz = 60.0;
    c->noise_mic.laeq_db = -50.0;
    c->noise_mic.line_count = 2;
    c->noise_mic.lines[0] = (lt_hum_line){60.0, -60.0};   /* -86 dB(A) */
    c->noise_mic.lines[1] = (lt_hum_line){1020.0, -57.0}; /* the buzz is what is heard */
    l->condition_count = 2;
    l->recordings[1] = l->recordings[0];
    l->recordings[1].name[0] = 'b';
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    int bad = 0;
    static const struct {
        const char *code, *text;
    } wanted[] = {{"drift", "outbound: the clocks"},
                  {"clipping", "noise-ear: 20 samples"},
                  {"short", "talk-test: only"},
                  {"low-snr", "inbound: less than 10 dB above the noise in 500 Hz"},
                  {"band-not-covered", "1 of the 18"}};
    for (size_t i = 0; i < COUNT(wanted); i++) {
        bool found = false;
        for (size_t k = 0; k < w->r.warnings.count; k++)
            found = found || (strcmp(w->r.warnings.items[k].code, wanted[i].code) == 0 &&
                              strstr(w->r.warnings.items[k].message, wanted[i].text) != NULL);
        if (!found)
            (void)fprintf(stderr, "missing: %s\n", wanted[i].code);
        bad += !found;
    }
    bad += w->r.warnings.count != COUNT(wanted); /* each once, though two conditions use the recordings */
    bad += !lt_notes_has(&w->r.assumptions, "noise-band-assumed");
    bad += !near_abs("gap", w->r.conditions[0].lane_noise_operator_db[16],
                     w->r.conditions[0].lane_noise_operator_db[13], 1e-9);
    bad += !(isinf(w->r.conditions[0].speech_operator_db[17]) && w->r.conditions[0].speech_operator_db[17] < 0.0);
    bool hum = false;
    for (size_t i = 0; i < w->r.advice_count; i++)
        hum = hum || (strstr(w->r.advice[i], "hum (60 Hz)") != NULL && strstr(w->r.advice[i], "licensed") != NULL);
    bad += !hum;
    c->noise_mic.lines[1].level_db = -62.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    for (size_t i = 0; i < w->r.advice_count; i++)
        bad += strstr(w->r.advice[i], "hum") != NULL;
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* A resonant coupling, feedback binding: a notch is proposed as a setting only where the equipment has filters. */
static void notches_are_settings_only_with_filters(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    double taps[FIXTURE_TAPS] = {0};
    for (int n = 1; n < FIXTURE_TAPS; n++)
        taps[n] = 0.3 * exp(-n / 14.0) * sin(2.0 * LT_PI * 1500.0 / FIXTURE_RATE_HZ * n);
    fixture_taps(&w->f.conditions[0].lane_coupling, taps, FIXTURE_TAPS);
    l->recordings[0].counter_coupling = NULL;
    l->coupling_db = -6.0;
    l->target_sii = 1.0;
    l->echo_limit = LT_ECHO_LIMIT_OFF;
    l->ear_limit_dba = l->operator_limit_dba = 110.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    int bad = 0;
    bad += w->r.binding[0].limit != LT_LIMIT_SAFE_MARGIN || w->r.notch_count != 0;
    bad += !isnan(w->r.safe_margin_with_notches_db) || w->r.margin.notch_count == 0;
    bad += w->r.advice_count < 3 || strstr(w->r.advice[0], "equaliser") == NULL;
    l->eq_filters = 1;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += w->r.notch_count != 1 || !near_abs("notch", w->r.notches[0].hz, 1500.0, 150.0);
    bad += !(w->r.safe_margin_with_notches_db >= w->r.after.safe_margin_db + 0.5);
    bad += strstr(w->r.advice[0], "Set 1 notch,") == NULL;
    for (size_t i = 0; i < w->r.advice_count; i++) {
        const size_t length = strlen(w->r.advice[i]);
        bad += length < 30 || length > 254 || w->r.advice[i][length - 1] != '.';
    }
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void limits_have_their_names(void **state)
{
    (void)state;
    static const char *const names[] = {"safe-margin", "ear-level", "operator-level", "headroom", "property-line",
                                        "talker-echo", "range",     "noise",          "target"};
    assert_int_equal(COUNT(names), LT_LIMIT_COUNT);
    for (int k = 0; k < LT_LIMIT_COUNT; k++)
        assert_string_equal(lt_limit_name((lt_limit)k), names[k]);
    assert_string_equal(lt_limit_name(LT_LIMIT_COUNT), "unknown");
}

static lt_status tune_once(void *context, lt_error *err)
{
    workplace *w = context;
    return lt_tune(&w->f.lane, 1, &w->r, err);
}

static void every_failed_allocation_is_reported(void **state)
{
    (void)state;
    static workplace w;
    fixture_make(&w.f);
    assert_survives_faults(tune_once, &w);
}

SUITE(tune_evidence)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(speech_and_noise_are_spectrum_levels_at_the_ear),
        cmocka_unit_test(line_recordings_are_lowered_by_the_loopback),
        cmocka_unit_test(switching_and_push_to_talk),
        cmocka_unit_test(settings_of_the_visit_count),
        cmocka_unit_test(cables_have_the_resistance_of_the_table),
        cmocka_unit_test(the_worst_condition_counts),
        cmocka_unit_test(a_missing_plain_recording_is_borrowed),
        cmocka_unit_test(doubts_of_recordings_travel_on),
        cmocka_unit_test(notches_are_settings_only_with_filters),
        cmocka_unit_test(limits_have_their_names),
        cmocka_unit_test(every_failed_allocation_is_reported),
    };
    return cmocka_run_group_tests_name("tune_evidence", tests, NULL, NULL);
}
