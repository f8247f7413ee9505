/* SPDX-License-Identifier: MIT
 * site.yaml that is accepted: defaults, every field, ways to write it; and the site that `new` makes. */
#include <lanetune/site.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include "site/yaml.h"

#include <string.h>

static lt_site *load(const scratch *dir, const char *text)
{
    scratch_names names = {.next = 0};
    lt_site *s = NULL;
    lt_error err = {0};
    assert_true(scratch_write(scratch_at(dir, &names, "site.yaml"), text, strlen(text)));
    if (lt_site_load(dir->path, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

typedef struct {
    const char *field;
    double got, want;
} number;

static int misses(const number *rows, size_t count)
{
    int bad = 0;
    for (size_t i = 0; i < count; i++) {
        const bool both_unknown = isnan(rows[i].got) && isnan(rows[i].want);
        bad += !both_unknown && !near_abs(rows[i].field, rows[i].got, rows[i].want, 1e-12);
    }
    return bad;
}

/* The defaults as the description of the site folder states them. */
static int default_misses(const lt_site *s, size_t i)
{
    const lt_site_lane *l = &s->lanes[i];
    const lt_tune_lane *t = &l->tune;
    const double none = (double)NAN;
    const number rows[] = {
        {"temperature_c", s->temperature_c, 20},
        {"temperature_c of the lane", t->temperature_c, 20},
        {"counter", s->counters[0].counter, 1},
        {"listening", s->counters[0].listening, LT_LISTEN_LOUDSPEAKER},
        {"line_speech_dbov", s->counters[0].line_speech_dbov, -26},
        {"coupling_db", s->counters[0].coupling_db, none},
        {"lane's listening", t->listening, LT_LISTEN_LOUDSPEAKER},
        {"lane's line_speech_dbov", t->line_speech_dbov, -26},
        {"lane's coupling_db", t->coupling_db, none},
        {"lane", t->lane, (double)i + 1},
        {"lane's counter", l->counter, 1},
        {"duplex", t->duplex, LT_DUPLEX_FULL},
        {"switching_attenuation_db", t->switching_attenuation_db, 20},
        {"outbound now", t->outbound.now_db, 0},
        {"outbound recorded", t->outbound.recorded_db, 0},
        {"outbound steps", (double)t->outbound.step_count, 31},
        {"outbound first", t->outbound.steps_db[0], -20},
        {"outbound last", t->outbound.steps_db[30], 10},
        {"inbound now", t->inbound.now_db, 0},
        {"inbound steps", (double)t->inbound.step_count, 31},
        {"inbound first", t->inbound.steps_db[0], -20},
        {"inbound last", t->inbound.steps_db[30], 10},
        {"eq kind", l->eq.kind, LT_EQ_NONE},
        {"eq bands", (double)l->eq.band_count, 0},
        {"eq min_db", l->eq.min_db, -12},
        {"eq max_db", l->eq.max_db, 6},
        {"eq step_db", l->eq.step_db, 1},
        {"eq filters", l->eq.filters, 0},
        {"filters offered", t->eq_filters, 0},
        {"vocal_effort", t->vocal_effort, LT_EFFORT_NORMAL},
        {"speaker_to_ear_m", t->speaker_to_ear_m, 1},
        {"mouth_to_microphone_m", t->mouth_to_microphone_m, 1},
        {"speaker_to_microphone_m", t->speaker_to_microphone_m, 0.3},
        {"speaker_to_property_line_m", t->speaker_to_property_line_m, none},
        {"clip_line_dbfs", t->clip_line_dbfs, none},
        {"volts_at_0_dbfs", t->volts_at_0_dbfs, none},
        {"impedance_ohm", t->speaker_ohm, 8},
        {"power_w", t->speaker_power_w, none},
        {"gauge_awg", t->cable_gauge_awg, 18},
        {"length_m", t->cable_length_m, 30},
        {"safe_margin_db", t->safe_margin_limit_db, 6},
        {"ear_dba", t->ear_limit_dba, 80},
        {"operator_dba", t->operator_limit_dba, 80},
        {"property_line_dba", t->property_line_limit_dba, none},
        {"talker_echo", t->echo_limit, LT_ECHO_LIMIT_ACCEPTABLE},
        {"target_sii", t->target_sii, 0.75},
        {"noise", t->noise_case, LT_NOISE_BUSY},
    };
    return misses(rows, COUNT(rows)) + (t->name[0] != '\0') + (t->outbound.shared[0] != '\0') +
           (t->inbound.shared[0] != '\0') + (s->counters[0].name[0] != '\0');
}

static void what_is_left_out_takes_its_default(void **state)
{
    (void)state;
    static const char *const texts[] = {
        "site: x\n",
        "site: x\nlanes:\n  - lane: 1\n",
        "site: x\nlanes:\n  - {}\n",
        "site: x\ncounters: null\nlanes:\n  - outbound: ~\n    inbound:\n    eq: {}\n    limits: null\n",
        "site: x\nlanes: [{lane: 1, outbound: {steps_db: null}}]\n",
        "{site: x}",
        "--- {site: x}\n",
        "site: x",
        "\xef\xbb\xbfsite: x\r\ntemperature_c: 20\r\n",
        "site: x\rtemperature_c: 20.0\r",
        "\"site\": 'x'\n\"temperature_c\": 2.0e1\n",
    };
    const scratch dir = scratch_make();
    int bad = 0;
    for (size_t i = 0; i < COUNT(texts); i++) {
        lt_site *s = load(&dir, texts[i]);
        const int here =
            default_misses(s, 0) + (strcmp(s->name, "x") != 0) + (s->lane_count != 1) + (s->counter_count != 1);
        if (here != 0)
            print_error("text %zu\n", i);
        bad += here;
        lt_site_free(s);
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static const char full[] = "site: \"Corner \\\"A\\\"\"\n"
                           "temperature_c: -7.5\n"
                           "counters:\n"
                           "  - counter: 3\n"
                           "    name: desk\n"
                           "    listening: headset\n"
                           "    line_speech_dbov: -20\n"
                           "    coupling_db: -33.5\n"
                           "  - {counter: 4, listening: handset}\n"
                           "lanes:\n"
                           "  - lane: 7\n"
                           "    name: \"Süd: #1\"\n"
                           "    counter: 3\n"
                           "    duplex: voice-switched\n"
                           "    switching_attenuation_db: 25\n"
                           "    outbound: {now_db: -3, min_db: -6, max_db: 0, step_db: 1.5, shared: knob}\n"
                           "    inbound: {now_db: 1.25, steps_db: [-20, -14, -9.5, 0, +2]}\n"
                           "    eq: {kind: parametric, min_db: -15, max_db: 3, step_db: 0.5, filters: 4}\n"
                           "    vocal_effort: raised\n"
                           "    distances:\n"
                           "      speaker_to_ear_m: 1.2\n"
                           "      mouth_to_microphone_m: .9\n"
                           "      speaker_to_microphone_m: 0.25\n"
                           "      speaker_to_property_line_m: 25\n"
                           "    amplifier: {clip_line_dbfs: -4, volts_at_0_dbfs: 12.5}\n"
                           "    speaker: {impedance_ohm: 16, power_w: 10}\n"
                           "    cable: {gauge_awg: 22, length_m: 55}\n"
                           "    limits: {safe_margin_db: 9, ear_dba: 75, operator_dba: 70, property_line_dba: 45,\n"
                           "             talker_echo: limiting}\n"
                           "    target_sii: 0.6\n"
                           "    noise: usual\n"
                           "  - lane: 2\n"
                           "    counter: 4\n"
                           "    eq: {kind: graphic, bands_hz: [125, 250, 500]}\n"
                           "    outbound: {now_db: -3, shared: knob, steps_db: [-6, -4.5, -3, -1.5, 0]}\n"
                           "    limits: {safe_margin_db: null, ear_dba: ~, operator_dba: null, talker_echo: off}\n";

static void every_field_arrives(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_site *s = load(&dir, full);
    assert_string_equal(s->name, "Corner \"A\"");
    assert_int_equal(s->counter_count, 2);
    assert_int_equal(s->lane_count, 2);
    assert_string_equal(s->counters[0].name, "desk");
    const lt_site_lane *l = &s->lanes[0], *m = &s->lanes[1];
    const lt_tune_lane *t = &l->tune;
    assert_string_equal(t->name, "Süd: #1");
    assert_string_equal(t->outbound.shared, "knob");
    const number rows[] = {
        {"temperature_c", t->temperature_c, -7.5},
        {"lane", t->lane, 7},
        {"counter", l->counter, 3},
        {"listening", t->listening, LT_LISTEN_HEADSET},
        {"line_speech_dbov", t->line_speech_dbov, -20},
        {"coupling_db", t->coupling_db, -33.5},
        {"duplex", t->duplex, LT_DUPLEX_VOICE_SWITCHED},
        {"switching_attenuation_db", t->switching_attenuation_db, 25},
        {"outbound now", t->outbound.now_db, -3},
        {"outbound recorded", t->outbound.recorded_db, -3},
        {"outbound steps", (double)t->outbound.step_count, 5},
        {"outbound step 1", t->outbound.steps_db[1], -4.5},
        {"outbound step 4", t->outbound.steps_db[4], 0},
        {"inbound now", t->inbound.now_db, 1.25},
        {"inbound steps", (double)t->inbound.step_count, 5},
        {"inbound step 2", t->inbound.steps_db[2], -9.5},
        {"inbound step 4", t->inbound.steps_db[4], 2},
        {"eq kind", l->eq.kind, LT_EQ_PARAMETRIC},
        {"eq min_db", l->eq.min_db, -15},
        {"eq max_db", l->eq.max_db, 3},
        {"eq step_db", l->eq.step_db, 0.5},
        {"eq filters", l->eq.filters, 4},
        {"filters offered", t->eq_filters, 4},
        {"vocal_effort", t->vocal_effort, LT_EFFORT_RAISED},
        {"speaker_to_ear_m", t->speaker_to_ear_m, 1.2},
        {"mouth_to_microphone_m", t->mouth_to_microphone_m, 0.9},
        {"speaker_to_microphone_m", t->speaker_to_microphone_m, 0.25},
        {"speaker_to_property_line_m", t->speaker_to_property_line_m, 25},
        {"clip_line_dbfs", t->clip_line_dbfs, -4},
        {"volts_at_0_dbfs", t->volts_at_0_dbfs, 12.5},
        {"impedance_ohm", t->speaker_ohm, 16},
        {"power_w", t->speaker_power_w, 10},
        {"gauge_awg", t->cable_gauge_awg, 22},
        {"length_m", t->cable_length_m, 55},
        {"safe_margin_db", t->safe_margin_limit_db, 9},
        {"ear_dba", t->ear_limit_dba, 75},
        {"operator_dba", t->operator_limit_dba, 70},
        {"property_line_dba", t->property_line_limit_dba, 45},
        {"talker_echo", t->echo_limit, LT_ECHO_LIMIT_LIMITING},
        {"target_sii", t->target_sii, 0.6},
        {"noise", t->noise_case, LT_NOISE_USUAL},
        {"lane 2: listening", m->tune.listening, LT_LISTEN_HANDSET},
        {"lane 2: eq bands", (double)m->eq.band_count, 3},
        {"lane 2: eq band", m->eq.bands_hz[2], 500},
        {"lane 2: steps", (double)m->tune.outbound.step_count, 5},
        {"lane 2: no margin demanded", m->tune.safe_margin_limit_db, (double)NAN},
        {"lane 2: no limit at the ear", m->tune.ear_limit_dba, (double)NAN},
        {"lane 2: no limit at the operator", m->tune.operator_limit_dba, (double)NAN},
        {"lane 2: echo", m->tune.echo_limit, LT_ECHO_LIMIT_OFF},
    };
    const int bad = misses(rows, COUNT(rows));
    lt_site_free(s);
    lt_site_free(NULL);
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void numbers_are_read_as_people_write_them(void **state)
{
    (void)state;
    static const struct {
        const char *text;
        double value, tolerance; /* 0: the very number; beyond 15 digits or 22 powers of ten a little is lost */
    } rows[] = {
        {"5", 5, 0.0},
        {"-5", -5, 0.0},
        {"+5", 5, 0.0},
        {"5.", 5, 0.0},
        {".5", 0.5, 0.0},
        {"-.25", -0.25, 0.0},
        {"1e1", 10, 0.0},
        {"1.5E+1", 15, 0.0},
        {"25e-1", 2.5, 0.0},
        {"0.1", 0.1, 0.0},
        {"007", 7, 0.0},
        {"-0", 0, 0.0},
        {"12.345", 12.345, 0.0},
        {"0.30000000000000004", 0.30000000000000004, 1e-13},
        {"1e-300", 1e-300, 1e-13},
        {"'20'", 20, 0.0},
        {"\"20\"", 20, 0.0},
        {"!!int 20", 20, 0.0},
        {"20 # degrees", 20, 0.0},
        {"0.000000000000000000000000000000000000012345678901234567890", 1.234567890123456789e-38, 1e-13},
        {"59.99999999999999999999999999999999", 60, 1e-13},
    };
    const scratch dir = scratch_make();
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        char text[128];
        (void)snprintf(text, sizeof text, "temperature_c: %s\n", rows[i].text);
        lt_site *s = load(&dir, text);
        bad += !near_rel(rows[i].text, s->temperature_c, rows[i].value, rows[i].tolerance);
        lt_site_free(s);
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void a_site_without_a_name_is_named_after_its_folder(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    const char *base = strrchr(dir.path, '/') + 1;
    static const char *const texts[] = {"temperature_c: 3\n", "site:\n", "site: \"\"\n", "site: null\n"};
    for (size_t i = 0; i < COUNT(texts); i++) {
        lt_site *s = load(&dir, texts[i]);
        assert_string_equal(s->name, base);
        lt_site_free(s);
    }
    char slash[1100];
    (void)snprintf(slash, sizeof slash, "%s/.", dir.path);
    lt_site *s = NULL;
    lt_error err = {0};
    assert_int_equal(lt_site_load(slash, &s, &err), LT_OK);
    assert_string_equal(s->name, base);
    lt_site_free(s);
    scratch_remove(&dir);
}

static void a_missing_site_is_told_from_a_missing_file(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_true(scratch_write(scratch_at(&dir, &names, "file"), "x", 1));
    assert_int_equal(mkdir(scratch_at(&dir, &names, "odd"), 0700), 0);
    assert_int_equal(mkdir(scratch_at(&dir, &names, "odd/site.yaml"), 0700), 0);
    const struct {
        const char *path, *what;
    } rows[] = {
        {scratch_at(&dir, &names, "nowhere"), "there is no such folder"},
        {scratch_at(&dir, &names, "file"), "is no folder"},
        {dir.path, "/site.yaml: there is no such file; is this the folder of a site?"},
        {scratch_at(&dir, &names, "odd"), "/site.yaml: is a folder"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_error err = {0};
        lt_site *s = NULL;
        assert_int_equal(lt_site_load(rows[i].path, &s, &err), LT_E_IO);
        assert_null(s);
        if (strstr(err.what, rows[i].what) == NULL)
            fail_msg("%s", err.what);
    }
    scratch_remove(&dir);
}

/* ---- new ---- */

static void a_new_site_reads_back_as_the_defaults(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *site = scratch_at(&dir, &names, "deep/er/site");
    lt_error err = {0};
    lt_site *s = NULL;
    lt_visit *v = NULL;
    if (lt_site_new(site, "O'Neil \"drive\": 5 \\ #1", "2024-05-14", 3, &err) != LT_OK ||
        lt_site_load(site, &s, &err) != LT_OK || lt_visit_load(site, NULL, &v, &err) != LT_OK)
        fail_msg("%s", err.what);
    assert_string_equal(s->name, "O'Neil \"drive\": 5 \\ #1");
    assert_int_equal(s->lane_count, 3);
    assert_int_equal(s->counter_count, 1);
    int bad = 0;
    for (size_t i = 0; i < 3; i++)
        bad += default_misses(s, i);
    assert_string_equal(v->date, "2024-05-14");
    const number rows[] = {
        {"mic_cal_db", v->mic_cal_db, (double)NAN}, {"lane_mic_cal_db", v->lane_mic_cal_db, (double)NAN},
        {"mic_channel", v->mic_channel, 1},         {"line_channel", v->line_channel, 2},
        {"loopback_db", v->loopback_db, 0},         {"conditions", (double)v->condition_count, 0},
        {"settings", (double)v->setting_count, 0},  {"who", (double)strlen(v->who), 0},
        {"weather", (double)strlen(v->weather), 0}, {"notes", (double)strlen(v->notes), 0},
    };
    bad += misses(rows, COUNT(rows));
    assert_int_equal(bad, 0);
    static const char *const folders[] = {"lane-1", "lane-2", "lane-3", "counter-1"};
    for (size_t i = 0; i < COUNT(folders); i++) {
        char path[200];
        (void)snprintf(path, sizeof path, "deep/er/site/visits/2024-05-14/%s", folders[i]);
        assert_int_equal(scratch_count(scratch_at(&dir, &names, path)), 0);
    }
    assert_int_equal(scratch_count(site), 2);
    lt_site_free(s);
    lt_visit_free(v);
    scratch_remove(&dir);
}

SUITE(site_load)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(what_is_left_out_takes_its_default),
        cmocka_unit_test(every_field_arrives),
        cmocka_unit_test(numbers_are_read_as_people_write_them),
        cmocka_unit_test(a_site_without_a_name_is_named_after_its_folder),
        cmocka_unit_test(a_missing_site_is_told_from_a_missing_file),
        cmocka_unit_test(a_new_site_reads_back_as_the_defaults),
    };
    return cmocka_run_group_tests_name("site_load", tests, NULL, NULL);
}
