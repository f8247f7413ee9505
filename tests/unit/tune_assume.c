/* SPDX-License-Identifier: MIT
 * What is assumed where nothing was measured: each default, its number in the message, its effect; and what cannot be
 * assumed. */
#include "lane_fixture.h"
#include "near.h"
#include "suite.h"

#include "base/alloc.h"
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

static const char *message(const lt_notes *n, const char *code)
{
    for (size_t i = 0; i < n->count; i++)
        if (strcmp(n->items[i].code, code) == 0)
            return n->items[i].message;
    return "";
}

enum {
    NO_COUNTER_COUPLING = 1,
    NO_INBOUND = 2,
    NO_NOISE_EAR = 4,
    NO_NOISE_MIC = 8,
    NO_NOISE_COUNTER = 16,
    NO_TALK = 32,
    NO_DELAY = 64,
    NO_LANE_COUPLING = 128,
    NO_PAUSES = 256
};

static void take_away(fixture *f, unsigned what)
{
    lt_tune_recordings *r = &f->lane.recordings[0];
    if (what & NO_COUNTER_COUPLING)
        r->counter_coupling = NULL;
    if (what & NO_INBOUND)
        r->inbound = NULL;
    if (what & NO_NOISE_EAR)
        r->noise_ear = NULL;
    if (what & NO_NOISE_MIC)
        r->noise_mic = NULL;
    if (what & NO_NOISE_COUNTER)
        r->noise_counter = NULL;
    if (what & NO_TALK)
        r->talk_test = NULL;
    if (what & NO_DELAY)
        r->delay_known = false;
    if (what & NO_LANE_COUPLING)
        r->lane_coupling = NULL;
    if (what & NO_PAUSES)
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            f->conditions[0].talk_test.bands[i].noise_db = NAN;
}

/* Without the recordings of a row: exactly these codes, each message with its number. */
static void each_default_is_said_with_its_number(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        unsigned without;
        lt_listening listening;
        double coupling_db, lane_mic_cal_db;
        const char *code, *number;
        size_t assumptions; /* with the two on amplifier and speaker */
    } rows[] = {
        {"all there", 0, LT_LISTEN_LOUDSPEAKER, NAN, NAN, NULL, NULL, 2},
        {"loudspeaker", NO_COUNTER_COUPLING, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "counter-coupling-assumed", "-10 dB", 3},
        {"handset", NO_COUNTER_COUPLING, LT_LISTEN_HANDSET, NAN, NAN, "counter-coupling-assumed", "-30 dB", 3},
        {"headset", NO_COUNTER_COUPLING, LT_LISTEN_HEADSET, NAN, NAN, "counter-coupling-assumed", "-40 dB", 3},
        {"stated", NO_COUNTER_COUPLING, LT_LISTEN_HEADSET, -25.0, NAN, "counter-coupling-stated", "-25 dB", 3},
        {"receive", NO_INBOUND, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "receive-response-assumed", "90 dB", 3},
        {"earpiece", NO_INBOUND, LT_LISTEN_HANDSET, NAN, NAN, "receive-response-assumed", "85 dB", 3},
        {"cups", NO_INBOUND, LT_LISTEN_HEADSET, NAN, NAN, "receive-response-assumed", "85 dB", 3},
        {"ear noise", NO_NOISE_EAR, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "noise-ear-assumed", "65 dB(A)", 3},
        {"pauses serve", NO_NOISE_MIC, LT_LISTEN_LOUDSPEAKER, NAN, NAN, NULL, NULL, 2},
        {"no pauses", NO_NOISE_MIC | NO_PAUSES, LT_LISTEN_LOUDSPEAKER, NAN, 99.0, "lane-noise-assumed", "99.0 dB", 3},
        {"no cal", NO_NOISE_MIC | NO_PAUSES, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "lane-mic-cal-assumed", "85.3 dB", 4},
        {"counter noise", NO_NOISE_COUNTER, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "counter-noise-assumed", "45 dB(A)", 3},
        {"effort", NO_TALK, LT_LISTEN_LOUDSPEAKER, NAN, 95.0, "speech-inbound-assumed", "95.0 dB", 3},
        {"effort, no cal", NO_TALK, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "lane-mic-cal-assumed", "85.3 dB", 4},
        {"nothing inbound", NO_TALK | NO_NOISE_MIC, LT_LISTEN_LOUDSPEAKER, NAN, 95.0, "lane-noise-assumed", "95.0 dB",
         4},
        {"delay", NO_DELAY, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "echo-delay-assumed", "0.44 ms", 4},
        {"no coupling", NO_LANE_COUPLING, LT_LISTEN_LOUDSPEAKER, NAN, NAN, "loop-not-measured", "margin", 4},
    };
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        workplace *w = workplace_create();
        take_away(&w->f, rows[i].without);
        w->f.lane.listening = rows[i].listening;
        w->f.lane.coupling_db = rows[i].coupling_db;
        w->f.lane.lane_mic_cal_db = rows[i].lane_mic_cal_db;
        assert_int_equal(lt_tune(&w->f.lane, 1, &w->r, NULL), LT_OK);
        bool good = w->r.assumptions.count == rows[i].assumptions;
        good = good && lt_notes_has(&w->r.assumptions, "headroom-not-checked");
        good = good && lt_notes_has(&w->r.assumptions, "speaker-power-not-checked");
        if (rows[i].code != NULL)
            good = good && strstr(message(&w->r.assumptions, rows[i].code), rows[i].number) != NULL;
        for (size_t k = 0; k < w->r.assumptions.count; k++) {
            const size_t length = strlen(w->r.assumptions.items[k].message);
            good = good && length > 20 && length < sizeof w->r.assumptions.items[k].message - 1 &&
                   w->r.assumptions.items[k].message[length - 1] == '.';
        }
        if (!good) {
            bad++;
            (void)fprintf(stderr, "%s:\n", rows[i].row);
            for (size_t k = 0; k < w->r.assumptions.count; k++)
                (void)fprintf(stderr, "  %s: %s\n", w->r.assumptions.items[k].code, w->r.assumptions.items[k].message);
        }
        ltp_free(w);
    }
    assert_int_equal(bad, 0);
}

static void defaults_act_as_stated(void **state)
{
    (void)state;
    int bad = 0;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    take_away(&w->f,
              NO_COUNTER_COUPLING | NO_INBOUND | NO_NOISE_EAR | NO_NOISE_COUNTER | NO_NOISE_MIC | NO_TALK | NO_DELAY);
    l->vocal_effort = LT_EFFORT_RAISED;
    l->mouth_to_microphone_m = 0.5;
    l->lane_mic_cal_db = 100.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    const lt_tune_condition *c = &w->r.conditions[0];
    /* Taps 0.02 once (-33.98 dB), flat -10 dB at the counter. */
    bad += !near_abs("margin", c->safe_margin_db, 33.9794 + 10.0, 1e-3);
    /* Raised speech has 68.3 dB at 1 m (its printed spectrum), 6.02 dB more at 0.5 m; 100 dB SPL is 0 dBFS, which is 90
     * dB SPL at the ear. A-weighted 66.4 dB at 1 m. */
    bad += !near_abs("operator", w->r.before.operator_dba, 66.4 + 6.02 - 100.0 + 90.0, 0.06);
    bad += !near_abs("road noise", lt_speech_dba(c->noise_ear_db), 65.0, 1e-6);
    bad += !near_abs("office", lt_speech_dba(c->counter_noise_db), 45.0, 1e-6);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        bad += !near_abs("lane noise", c->lane_noise_operator_db[i], c->noise_ear_db[i] - 100.0 + 90.0, 1e-9);
    bad += !near_abs("delay", c->echo_one_way_ms, 0.5e3 * 0.3 / 343.2, 1e-3);
    ltp_free(w);
    assert_int_equal(bad, 0);
}

/* Without any loop the sum of both gains may not rise above what stands now. */
static void an_unmeasured_loop_freezes_the_sum(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane *l = &w->f.lane;
    take_away(&w->f, NO_LANE_COUPLING);
    l->outbound.now_db = l->outbound.recorded_db = -8.0;
    l->inbound.now_db = l->inbound.recorded_db = -16.0;
    l->target_sii = 1.0;
    l->ear_limit_dba = l->operator_limit_dba = 120.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    int bad = 0;
    bad += !(w->r.outbound_recommended_db + w->r.inbound_recommended_db <= -24.0 + 1e-9);
    bad += !isnan(w->r.after.margin_db) || !isnan(w->r.after.safe_margin_db);
    bad += !isnan(w->r.after.echo_telr_db) || w->r.unmet_count != 0;
    bool binds = false;
    for (size_t i = 0; i < w->r.binding_count; i++)
        binds = binds || w->r.binding[i].limit == LT_LIMIT_SAFE_MARGIN;
    bad += !binds;
    /* The lowest settings lie above the present ones: that cannot be called safe. */
    l->outbound.now_db = l->outbound.recorded_db = -30.0;
    l->inbound.now_db = l->inbound.recorded_db = -30.0;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += w->r.unmet_count != 1 || w->r.unmet[0].limit != LT_LIMIT_SAFE_MARGIN;
    bad += !near_abs("by", w->r.unmet[0].by_db, 20.0, 1e-9);
    bad += strstr(w->r.unmet[0].advice, "lane-coupling") == NULL;
    /* Push-to-talk needs no loop. */
    l->duplex = LT_DUPLEX_PUSH_TO_TALK;
    assert_int_equal(lt_tune(l, 1, &w->r, NULL), LT_OK);
    bad += w->r.unmet_count != 0 || lt_notes_has(&w->r.assumptions, "loop-not-measured");
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void what_cannot_be_assumed_is_refused(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    lt_tune_lane good = w->f.lane;
    good.lane = 7;
    lt_tune_lane l = good;
    lt_error err = {0};
    int bad = 0;
#define REFUSED(change, text)                                                                                          \
    do {                                                                                                               \
        l = good;                                                                                                      \
        err = (lt_error){0};                                                                                           \
        change;                                                                                                        \
        bad += lt_tune(&l, 1, &w->r, &err) != LT_E_ARG;                                                                \
        bad += strstr(err.what, "lane 7") == NULL || strstr(err.what, text) == NULL || strchr(err.what, '\n') != NULL; \
    } while (false)
    REFUSED(l.mic_cal_db = NAN, "mic_cal_db in visit.yaml");
    REFUSED(l.recordings[0].outbound = NULL, "outbound.wav");
    REFUSED(l.condition_count = 0, "conditions");
    REFUSED(l.outbound.step_count = 0, "outbound adjuster");
    REFUSED(l.inbound.step_count = LT_STEPS_MAX + 1, "inbound adjuster");
    REFUSED(l.inbound.steps_db[4] = l.inbound.steps_db[3], "must rise");
    REFUSED(l.outbound.now_db = NAN, "now_db");
    REFUSED(l.target_sii = 0.0, "target_sii");
    REFUSED(l.line_speech_dbov = NAN, "line_speech_dbov");
    REFUSED(l.duplex = LT_DUPLEX_COUNT, "duplex");
#undef REFUSED
    err = (lt_error){0};
    bad += lt_tune(&good, 0, &w->r, &err) != LT_E_ARG;
    bad += lt_tune(&good, LT_TUNE_LANES_MAX + 1, &w->r, &err) != LT_E_ARG;
    ltp_free(w);
    assert_int_equal(bad, 0);
}

static void a_limit_without_its_distance_is_said(void **state)
{
    (void)state;
    workplace *w = workplace_create();
    w->f.lane.property_line_limit_dba = 55.0;
    assert_int_equal(lt_tune(&w->f.lane, 1, &w->r, NULL), LT_OK);
    assert_true(lt_notes_has(&w->r.assumptions, "property-line-not-checked"));
    assert_true(isnan(w->r.after.property_line_dba));
    ltp_free(w);
}

SUITE(tune_assume)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_default_is_said_with_its_number), cmocka_unit_test(defaults_act_as_stated),
        cmocka_unit_test(an_unmeasured_loop_freezes_the_sum),   cmocka_unit_test(what_cannot_be_assumed_is_refused),
        cmocka_unit_test(a_limit_without_its_distance_is_said),
    };
    return cmocka_run_group_tests_name("tune_assume", tests, NULL, NULL);
}
