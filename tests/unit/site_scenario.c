/* SPDX-License-Identifier: MIT
 * Scenarios: SCENARIO.yaml, the demonstration site, and the folder that is recorded from one. */
#include <lanetune/site.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include <string.h>

static lt_status load(const scratch *dir, const char *text, lt_scenario **out, lt_error *err)
{
    scratch_names names = {.next = 0};
    const char *path = scratch_at(dir, &names, "s.yaml");
    assert_true(scratch_write(path, text, strlen(text)));
    return lt_scenario_load(path, out, err);
}

static lt_scenario *load_good(const scratch *dir, const char *text)
{
    lt_scenario *s = NULL;
    lt_error err = {0};
    if (load(dir, text, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

static void fields_have_the_defaults_of_the_virtual_lane(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_scenario *s = load_good(&dir, "site: x\nlanes:\n  - {}\n  - {road_dba: 61}\n");
    const lt_scene_lane d = lt_scene_lane_default();
    assert_int_equal(s->lane_count, 2);
    assert_string_equal(s->date, "2024-05-14");
    assert_false(s->record_loop);
    int bad = 0;
    for (size_t i = 0; i < 2; i++) {
        const lt_scene_lane *l = &s->lanes[i];
        bad += l->lane != i + 1 || l->seed != i + 1 || l->condition_count != d.condition_count;
        bad += !near_abs("speaker_spl_db", l->speaker_spl_db, d.speaker_spl_db, 0.0);
        bad += !near_abs("road_dba", l->road_dba, i == 0 ? d.road_dba : 61.0, 0.0);
        bad += !near_abs("crosstalk_db", l->crosstalk_db, d.crosstalk_db, 0.0);
        bad += !near_abs("now", s->now[i].outbound_now_db, 0.0, 0.0);
        bad += !isnan(s->now[i].property_line_m) || s->now[i].listening != LT_LISTEN_LOUDSPEAKER;
    }
    lt_scenario_free(s);
    lt_scenario_free(NULL);
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void fields_arrive(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_scenario *s = load_good(
        &dir,
        "site: \"North\"\ndate: 2031-01-02\nsweep_seconds: 3.5\nnoise_seconds: 20\ntalk_seconds: 9\n"
        "record_loop: true\nlanes:\n  - lane: 5\n    name: A\n    seed: 77\n    inverted: true\n    clip_line_dbfs: "
        "null\n    housing_leak_db: null\n    crosstalk_db: -60.5\n    hub_delay_ms: 12\n    start_s: 1.5\n    "
        "drift_ppm: -30\n    outbound_now_db: -3\n    inbound_now_db: 2\n    listening: headset\n    "
        "property_line_m: 20\n    property_line_dba: 50\n    conditions:\n      - name: \"\"\n      - {name: van, "
        "car_distance_m: 0.5, car_height_m: 2.4, car_reflection: 0.8, idle_engine_dba: 62}\n");
    const lt_scene_lane *l = &s->lanes[0];
    assert_string_equal(s->site, "North");
    assert_string_equal(s->date, "2031-01-02");
    assert_true(s->record_loop && l->inverted && isnan(l->clip_line_dbfs) && isinf(l->housing_leak_db));
    assert_int_equal(l->lane, 5);
    assert_int_equal(l->seed, 77);
    assert_int_equal(l->condition_count, 2);
    assert_string_equal(l->conditions[1].name, "van");
    assert_int_equal(s->now[0].listening, LT_LISTEN_HEADSET);
    int bad = !near_abs("sweep", s->sweep_seconds, 3.5, 0.0);
    bad += !near_abs("noise", s->noise_seconds, 20, 0.0);
    bad += !near_abs("talk", s->talk_seconds, 9, 0.0);
    bad += !near_abs("crosstalk", l->crosstalk_db, -60.5, 0.0);
    bad += !near_abs("hub", l->hub_delay_ms, 12, 0.0);
    bad += !near_abs("start", l->start_s, 1.5, 0.0);
    bad += !near_abs("drift", l->drift_ppm, -30, 0.0);
    bad += !near_abs("outbound", s->now[0].outbound_now_db, -3, 0.0);
    bad += !near_abs("inbound", s->now[0].inbound_now_db, 2, 0.0);
    bad += !near_abs("property line", s->now[0].property_line_m, 20, 0.0);
    bad += !near_abs("its limit", s->now[0].property_line_dba, 50, 0.0);
    bad += !near_abs("van", l->conditions[1].car_height_m, 2.4, 0.0);
    bad += !near_abs("engine", l->conditions[1].idle_engine_dba, 62, 0.0);
    lt_scenario_free(s);
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void bad_scenarios_are_named_in_one_line(void **state)
{
    (void)state;
    static const struct {
        const char *text, *what;
    } rows[] = {
        {"", ": the file is empty"},
        {"lanes:\n  - road_db: 60\n",
         ", line 2: lanes[0].road_db: there is no such field; the nearest one is 'road_dba'"},
        {"lanes:\n  - lane: 1\n    speaker_spl_db: 200\n",
         ", line 3: lanes[0].speaker_spl_db: '200' is not allowed; a number from 20 to 140 is needed"},
        {"lanes:\n  - hub_delay_ms: null\n", ", line 2: lanes[0].hub_delay_ms: 'null' is not allowed"},
        {"lanes:\n  - lane: 2\n  - lane: 2\n", ", line 3: lanes[1].lane: lane 2 stands here twice"},
        {"lanes:\n  - inverted: maybe\n", ", line 2: lanes[0].inverted: 'maybe' is not one of false, true"},
        {"lanes:\n  - conditions:\n      - name: Car\n",
         ", line 3: lanes[0].conditions[0].name: a condition is a word of small letters"},
        {"lanes:\n  - conditions:\n      - name: car\n      - name: car\n",
         ", line 4: lanes[0].conditions[1].name: the condition 'car' stands here twice"},
        {"date: ../x\n", ", line 1: date: '../x' is no name of a visit"},
        {"noise_seconds: 0\n", ", line 1: noise_seconds: '0' is not allowed; a number from 1 to 3600 is needed"},
    };
    const scratch dir = scratch_make();
    int bad = 0;
    for (size_t i = 0; i < COUNT(rows); i++) {
        lt_scenario *s = NULL;
        lt_error err = {0};
        const lt_status st = load(&dir, rows[i].text, &s, &err);
        if (st != LT_E_ARG || s != NULL || strstr(err.what, rows[i].what) == NULL) {
            print_error("%s\n", err.what);
            bad++;
        }
    }
    lt_scenario *s = NULL;
    lt_error err = {0};
    assert_int_equal(lt_scenario_load(dir.path, &s, &err), LT_E_IO);
    assert_non_null(strstr(err.what, "is a folder"));
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void the_demo_has_the_demo_lanes(void **state)
{
    (void)state;
    lt_scenario *s = NULL;
    lt_error err = {0};
    assert_int_equal(lt_scenario_demo(&s, &err), LT_OK);
    assert_int_equal(s->lane_count, lt_scene_demo_count());
    assert_string_equal(s->date, "2024-05-14");
    for (size_t i = 0; i < s->lane_count; i++)
        assert_string_equal(s->lanes[i].name, lt_scene_demo_lane(i).name);
    lt_scenario_free(s);
}

/* ---- the recorded folder ---- */

static const char two_lanes[] =
    "site: Twin\nsweep_seconds: 0.5\nnoise_seconds: 1\ntalk_seconds: 2\nrecord_loop: true\nlanes:\n"
    "  - {lane: 1, rate_hz: 16000, speaker_high_hz: 6000, microphone_high_hz: 7000, ear_distance_m: 0.8, ear_height_m: "
    "1.15, speaker_height_m: 1.15, clip_line_dbfs: -3, property_line_m: 12, listening: handset, inbound_now_db: 4}\n"
    "  - {lane: 4, rate_hz: 16000, speaker_high_hz: 6000, microphone_high_hz: 7000, clip_line_dbfs: null, "
    "microphone_line_db: 120}\n";

static void record(const scratch *dir, const char *text, const char *site)
{
    lt_scenario *s = load_good(dir, text);
    lt_error err = {0};
    if (lt_scenario_record(s, site, NULL, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
    lt_scenario_free(s);
}

/* FNV-1a over all names and bytes below a folder, in the order of names. */
static void digest(const char *path, uint64_t *hash, int *files)
{
    struct dirent **list = NULL;
    const int n = scandir(path, &list, NULL, alphasort);
    for (int i = 0; i < n; i++) {
        static uint8_t data[1 << 20];
        char below[2048];
        struct stat st;
        const int length = snprintf(below, sizeof below, "%s/%s", path, list[i]->d_name);
        const bool special = strcmp(list[i]->d_name, ".") == 0 || strcmp(list[i]->d_name, "..") == 0;
        for (const char *p = list[i]->d_name; *p != '\0'; p++)
            *hash = (*hash ^ (uint8_t)*p) * 1099511628211U;
        free(list[i]);
        if (special || length <= 0 || (size_t)length >= sizeof below || stat(below, &st) != 0)
            continue;
        if (S_ISDIR(st.st_mode)) {
            digest(below, hash, files);
            continue;
        }
        const size_t bytes = scratch_read(below, data, sizeof data);
        assert_true(bytes < sizeof data);
        for (size_t k = 0; k < bytes; k++)
            *hash = (*hash ^ data[k]) * 1099511628211U;
        ++*files;
    }
    free(list);
}

static void the_same_scenario_gives_the_same_bytes(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *a = scratch_at(&dir, &names, "a"), *b = scratch_at(&dir, &names, "b");
    uint64_t ha = 1469598103934665603U, hb = ha;
    int na = 0, nb = 0;
    record(&dir, two_lanes, a);
    record(&dir, two_lanes, b);
    digest(a, &ha, &na);
    digest(b, &hb, &nb);
    /* site.yaml, visit.yaml, stimulus; a lane: 6 paths in 2 conditions, 3 of the counter, truth of 3 in 2 and of 2. */
    assert_int_equal(na, 3 + 2 * (12 + 3 + 6 + 2));
    assert_int_equal(nb, na);
    assert_true(ha == hb);
    scratch_remove(&dir);
}

static void the_site_has_the_numbers_of_the_scene(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *site = scratch_at(&dir, &names, "a");
    record(&dir, two_lanes, site);
    lt_site *s = NULL;
    lt_visit *v = NULL;
    lt_error err = {0};
    if (lt_site_load(site, &s, &err) != LT_OK || lt_visit_load(site, NULL, &v, &err) != LT_OK)
        fail_msg("%s", err.what);
    const lt_scene_lane d = lt_scene_lane_default();
    const lt_tune_lane *t = &s->lanes[0].tune, *t4 = &s->lanes[1].tune;
    assert_string_equal(s->name, "Twin");
    assert_int_equal(t->lane, 1);
    assert_int_equal(t4->lane, 4);
    assert_int_equal(t->listening, LT_LISTEN_HANDSET);
    assert_int_equal(t4->listening, LT_LISTEN_LOUDSPEAKER);
    /* Speaker and ear at the same height: the distance is the plain one. Microphone 0.15 m lower and sqrt(0.3^2 -
     * 0.15^2) m to the side, mouth 0.09 m below the ear: sqrt(0.8^2 + 0.0675 + 0.06^2). */
    int bad = !near_abs("speaker_to_ear_m", t->speaker_to_ear_m, 0.8, 1e-3);
    bad += !near_abs("mouth_to_microphone_m", t->mouth_to_microphone_m, sqrt(0.64 + 0.0675 + 0.0036), 1e-3);
    bad += !near_abs("speaker_to_microphone_m", t->speaker_to_microphone_m, d.speaker_to_microphone_m, 1e-3);
    bad += !near_abs("speaker_to_property_line_m", t->speaker_to_property_line_m, 12, 1e-3);
    bad += !near_abs("clip_line_dbfs", t->clip_line_dbfs, -3, 1e-9);
    bad += !isnan(t4->clip_line_dbfs) || !isnan(t4->speaker_to_property_line_m);
    bad += !near_abs("inbound now", t->inbound.now_db, 4, 1e-9);
    bad += !near_abs("mic_cal_db", v->mic_cal_db, d.mic_cal_db, 1e-9);
    bad += !near_abs("loopback_db", v->loopback_db, d.loopback_db, 1e-9);
    bad += !isnan(v->lane_mic_cal_db); /* the lanes differ, the visit has one number */
    assert_int_equal(bad, 0);
    assert_int_equal(v->condition_count, 1);
    assert_string_equal(v->conditions[0].condition, "car");
    lt_site_free(s);
    lt_visit_free(v);
    scratch_remove(&dir);
}

static void the_truth_lies_beside_the_recordings(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *site = scratch_at(&dir, &names, "a");
    record(&dir, two_lanes, site);
    lt_scenario *sc = load_good(&dir, two_lanes);
    lt_signal *x = NULL;
    lt_ir *ir = NULL;
    lt_error err = {0};
    if (lt_audio_load(scratch_at(&dir, &names, "a/truth/lane-4/lane-coupling.car.wav"), 0, &x, NULL, &err) != LT_OK ||
        lt_scene_ir(&sc->lanes[1], 1, LT_SCENE_LANE_COUPLING, &ir, &err) != LT_OK)
        fail_msg("%s", err.what);
    double worst = 0.0;
    for (size_t i = 0; i < x->count; i++)
        worst = fmax(worst, fabs(x->samples[i] - ir->samples[(ptrdiff_t)i + ir->origin_frames]));
    assert_true(x->count > 1000 && lt_signal_peak(x) > 1e-4);
    assert_true(near_abs("impulse response", worst, 0.0, 1e-6 * lt_signal_peak(x)));
    lt_signal_free(x);
    lt_ir_free(ir);
    lt_scenario_free(sc);
    scratch_remove(&dir);
}

static void what_one_visit_cannot_hold_is_refused(void **state)
{
    (void)state;
    static const struct {
        const char *field, *what;
    } rows[] = {
        {"rate_hz: 44100", "lanes 1 and 2 differ in rate_hz (48000 and 44100)"},
        {"mic_cal_db: 100", "lanes 1 and 2 differ in mic_cal_db"},
        {"loopback_db: 3", "lanes 1 and 2 differ in loopback_db"},
        {"temperature_c: 3", "lanes 1 and 2 differ in temperature_c"},
    };
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *site = scratch_at(&dir, &names, "a");
    for (size_t i = 0; i < COUNT(rows); i++) {
        char text[128];
        lt_error err = {0};
        (void)snprintf(text, sizeof text, "lanes:\n  - {}\n  - {%s}\n", rows[i].field);
        lt_scenario *s = load_good(&dir, text);
        assert_int_equal(lt_scenario_record(s, site, NULL, NULL, &err), LT_E_ARG);
        if (strstr(err.what, rows[i].what) == NULL)
            fail_msg("%s", err.what);
        lt_scenario_free(s);
    }
    assert_int_equal(scratch_count(site), -1); /* nothing was made */
    lt_error err = {0};
    assert_int_equal(mkdir(site, 0700), 0);
    assert_true(scratch_write(scratch_at(&dir, &names, "a/photo.jpg"), "x", 1));
    lt_scenario *s = load_good(&dir, two_lanes);
    assert_int_equal(lt_scenario_record(s, site, NULL, NULL, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "the folder is there and not empty"));
    assert_int_equal(scratch_count(site), 1);
    lt_scenario_free(s);
    scratch_remove(&dir);
}

SUITE(site_scenario)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(fields_have_the_defaults_of_the_virtual_lane),
        cmocka_unit_test(fields_arrive),
        cmocka_unit_test(bad_scenarios_are_named_in_one_line),
        cmocka_unit_test(the_demo_has_the_demo_lanes),
        cmocka_unit_test(the_same_scenario_gives_the_same_bytes),
        cmocka_unit_test(the_site_has_the_numbers_of_the_scene),
        cmocka_unit_test(the_truth_lies_beside_the_recordings),
        cmocka_unit_test(what_one_visit_cannot_hold_is_refused),
    };
    return cmocka_run_group_tests_name("site_scenario", tests, NULL, NULL);
}
