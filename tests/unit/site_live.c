/* SPDX-License-Identifier: MIT
 * What live measurement leaves: recordings beside their stimulus, older ones kept, visit.yaml changed in place. */
#include <lanetune/site.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include "site/survey.h"

#include <string.h>

static const char DATE[] = "2024-05-14";

static lt_signal *constant(double value)
{
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(480, 48000.0, &s, NULL), LT_OK);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] = value;
    return s;
}

static void keep(const lt_record_place *p, double value)
{
    lt_error err = {0};
    char recording[320], stimulus[320];
    lt_signal *x = constant(value), *played = constant(value / 2.0);
    assert_int_equal(lt_record_names(p, recording, stimulus, &err), LT_OK);
    assert_int_equal(lt_record_keep(p, x, played, &err), LT_OK);
    lt_signal_free(x);
    lt_signal_free(played);
}

/* First sample of a file of the lane; NaN if there is no such file. */
static double first_of(const scratch *dir, const char *name)
{
    scratch_names names = {.next = 0};
    char path[200];
    lt_signal *s = NULL;
    lt_error err = {0};
    (void)snprintf(path, sizeof path, "visits/2024-05-14/lane-2/%s", name);
    if (lt_audio_load(scratch_at(dir, &names, path), 0, &s, NULL, &err) != LT_OK)
        return (double)NAN;
    const double x = s->samples[0];
    lt_signal_free(s);
    return x;
}

static void a_new_take_moves_the_older_one_aside(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    const lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 2, .path = LT_PATH_OUTBOUND, .condition = ""};
    keep(&p, 0.5);
    assert_true(near_abs("value", first_of(&dir, "outbound.wav"), 0.5, 1e-9));
    assert_true(near_abs("value", first_of(&dir, "stimulus.outbound.wav"), 0.25, 1e-9));
    keep(&p, 0.25);
    keep(&p, 0.125);
    assert_true(near_abs("value", first_of(&dir, "outbound.wav"), 0.125, 1e-9));
    assert_true(near_abs("value", first_of(&dir, "stimulus.outbound.wav"), 0.0625, 1e-9));
    assert_true(near_abs("value", first_of(&dir, "replaced/outbound.1.wav"), 0.5, 1e-9));
    assert_true(near_abs("value", first_of(&dir, "replaced/stimulus.outbound.1.wav"), 0.25, 1e-9));
    assert_true(near_abs("value", first_of(&dir, "replaced/outbound.2.wav"), 0.25, 1e-9));
    ltp_found found;
    lt_notes notes = {0};
    assert_int_equal(ltp_find_recordings(dir.path, DATE, false, 2, &found, &notes, NULL), LT_OK);
    assert_int_equal(found.count, 1); /* neither stimuli nor what was replaced */
    assert_int_equal(notes.count, 0);
    ltp_recordings_free(found.items, found.count);
    scratch_remove(&dir);
}

static void each_recording_keeps_its_own_stimulus(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 2, .path = LT_PATH_OUTBOUND, .condition = "car"};
    char file[320], names_of[2][320];
    assert_int_equal(lt_record_names(&p, names_of[0], names_of[1], NULL), LT_OK);
    /* A car was recorded elsewhere, with a common stimulus.wav. */
    lt_signal *s = constant(0.75);
    const lt_signal *const one[] = {s};
    const char *const old[] = {"visits/2024-05-14/lane-2/outbound.car.wav", "visits/2024-05-14/stimulus.wav"};
    for (size_t i = 0; i < 2; i++)
        assert_int_equal(lt_audio_save(scratch_at(&dir, &names, old[i]), one, 1, LT_AUDIO_FLOAT, NULL, NULL), LT_OK);
    lt_signal_free(s);
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-2", "outbound", "car", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/stimulus.wav");
    p.condition = "";
    keep(&p, 0.5); /* stimulus.outbound.wav appears, and must not become the car's */
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-2", "outbound", "car", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/lane-2/stimulus.outbound.car.wav");
    assert_true(near_abs("value", first_of(&dir, "stimulus.outbound.car.wav"), 0.75, 1e-9));
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-2", "outbound", "", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/lane-2/stimulus.outbound.wav");
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-2", "outbound", "van", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/lane-2/stimulus.outbound.wav");
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-2", "loop", "", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/stimulus.wav");
    p.condition = "Big Car";
    assert_int_equal(lt_record_names(&p, names_of[0], names_of[1], NULL), LT_E_ARG);
    scratch_remove(&dir);
}

static void write_visit(const scratch *dir, const char *text)
{
    scratch_names names = {.next = 0};
    assert_true(scratch_write(scratch_at(dir, &names, "visits/2024-05-14/visit.yaml"), text, strlen(text)));
}

static void visit_is(const scratch *dir, const char *want)
{
    scratch_names names = {.next = 0};
    char *text = NULL;
    size_t bytes = 0;
    assert_int_equal(
        lt_file_load(scratch_at(dir, &names, "visits/2024-05-14/visit.yaml"), 1 << 20, &text, &bytes, NULL), LT_OK);
    assert_string_equal(text, want);
    lt_file_free(text);
}

#define ENTRY                                                                                                          \
    "{date: 2024-05-14, method: calibrator, device: \"JACK: \\\"in\\\"\", channel: 2, rate_hz: 48000, level_db: 114, " \
    "result_db: 121.35, latency_ms: null}\n"

static void visit_yaml_keeps_what_the_user_wrote(void **state)
{
    (void)state;
    static const struct {
        const char *before, *after;
    } cases[] = {
        {"# mine\nmic_cal_db: null       # the SPL\nwho: \"A # B\"\n",
         "# mine\nmic_cal_db: 121.35     # the SPL\nwho: \"A # B\"\ncalibrations:\n  - " ENTRY},
        {"notes: \"x\"", "notes: \"x\"\nmic_cal_db: 121.35\ncalibrations:\n  - " ENTRY},
        {"", "mic_cal_db: 121.35\ncalibrations:\n  - " ENTRY},
        {"calibrations: []  # none yet\nmic_cal_db: 100 # old\n",
         "calibrations:  # none yet\n  - " ENTRY "mic_cal_db: 121.35 # old\n"},
        {"mic_cal_db:\ncalibrations:\n- {method: meter, level_db: 70}\n\n# end\nwho: me\n",
         "mic_cal_db: 121.35\ncalibrations:\n- {method: meter, level_db: 70}\n- " ENTRY "\n# end\nwho: me\n"},
        {"mic_cal_db: 90\ncalibrations:\n    - method: meter\n      level_db: 70\n",
         "mic_cal_db: 121.35\ncalibrations:\n    - method: meter\n      level_db: 70\n    - " ENTRY},
    };
    const lt_calibration c = {.date = "2024-05-14",
                              .method = LT_CALIBRATED_CALIBRATOR,
                              .device = "JACK: \"in\"",
                              .channel = 2,
                              .rate_hz = 48000.0,
                              .level_db = 114.0,
                              .result_db = 121.35,
                              .latency_ms = (double)NAN};
    const lt_visit_change change = {.mic_cal_db = 121.35, .loopback_db = (double)NAN, .calibration = &c};
    for (size_t i = 0; i < COUNT(cases); i++) {
        const scratch dir = scratch_make();
        lt_error err = {0};
        lt_visit *v = NULL;
        char names_of[2][320];
        const lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 1, .condition = ""};
        assert_int_equal(lt_record_names(&p, names_of[0], names_of[1], &err), LT_OK);
        write_visit(&dir, cases[i].before);
        const lt_status written = lt_visit_write(dir.path, NULL, &change, &err);
        assert_string_equal(err.what, "");
        assert_int_equal(written, LT_OK);
        visit_is(&dir, cases[i].after);
        assert_int_equal(lt_visit_load(dir.path, NULL, &v, &err), LT_OK);
        assert_true(near_abs("value", v->mic_cal_db, 121.35, 1e-9));
        const lt_calibration *got = &v->calibrations[v->calibration_count - 1];
        assert_string_equal(got->device, c.device);
        assert_int_equal(got->method, c.method);
        assert_true(near_abs("value", got->level_db, 114.0, 1e-9));
        assert_true(isnan(got->latency_ms));
        lt_visit_free(v);
        scratch_remove(&dir);
    }
}

static void what_cannot_be_edited_stays(void **state)
{
    (void)state;
    static const char *const cases[] = {
        "{mic_cal_db: 90, who: me}\n",
        "calibrations: [{method: meter}]\n",
        "notes: |\n  text\nmic_cal_db: &a\n  90\n",
    };
    const lt_calibration c = {.date = "2024-05-14", .device = "x", .channel = 1};
    const lt_visit_change change = {.mic_cal_db = 100.0, .loopback_db = (double)NAN, .calibration = &c};
    for (size_t i = 0; i < COUNT(cases); i++) {
        const scratch dir = scratch_make();
        lt_error err = {0};
        char names_of[2][320];
        const lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 1, .condition = ""};
        assert_int_equal(lt_record_names(&p, names_of[0], names_of[1], &err), LT_OK);
        write_visit(&dir, cases[i]);
        assert_int_not_equal(lt_visit_write(dir.path, NULL, &change, &err), LT_OK);
        assert_non_null(strstr(err.what, "visit.yaml"));
        visit_is(&dir, cases[i]);
        scratch_remove(&dir);
    }
}

/* The date, then suffixes that sort behind it as text; a clock that is behind is refused. */
static void a_visit_that_follows_sorts_behind(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_error err = {0};
    char name[32];
    lt_visit *v = NULL;
    const lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 2, .path = LT_PATH_OUTBOUND, .condition = ""};
    keep(&p, 0.5);
    assert_int_equal(lt_visit_load(dir.path, NULL, &v, &err), LT_OK);
    for (unsigned k = 2; k <= 11; k++) {
        char expected[32];
        (void)snprintf(expected, sizeof expected, "2024-05-14-%02u", k);
        assert_int_equal(lt_visit_next_name(dir.path, DATE, name, &err), LT_OK);
        assert_string_equal(name, expected);
        (void)snprintf(v->date, sizeof v->date, "%s", name);
        assert_int_equal(lt_visit_save(dir.path, v, &err), LT_OK);
    }
    assert_int_equal(lt_visit_next_name(dir.path, "2024-05-13", name, &err), LT_E_ARG);
    assert_non_null(strstr(err.what, "2024-05-14-11"));
    assert_int_equal(lt_visit_next_name(dir.path, "../x", name, NULL), LT_E_ARG);
    assert_int_equal(lt_visit_next_name(dir.path, "2024-06-01", name, &err), LT_OK);
    assert_string_equal(name, "2024-06-01");
    lt_visit_free(v);
    scratch_remove(&dir);
}

static void a_visit_is_saved_with_all_it_holds(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_error err = {0};
    lt_visit *v = NULL, *got = NULL;
    const lt_record_place p = {.dir = dir.path, .date = DATE, .lane = 2, .path = LT_PATH_OUTBOUND, .condition = ""};
    keep(&p, 0.5);
    write_visit(&dir, "who: \"O'Neil \\\"x\\\"\"\nmic_cal_db: 121.35\nmic_channel: 3\nloopback_db: -1.5\n"
                      "conditions: [{condition: car, text: \"a: b # c\"}]\n"
                      "settings: [{lane: 2, outbound_db: -3, inbound_db: null}]\n"
                      "calibrations: [{date: 2024-05-14, method: loopback, device: \"a: b\", level_db: -12}]\n");
    assert_int_equal(lt_visit_load(dir.path, NULL, &v, &err), LT_OK);
    (void)snprintf(v->date, sizeof v->date, "2024-05-15");
    (void)snprintf(v->stated_date, sizeof v->stated_date, "2024-05-15");
    assert_int_equal(lt_visit_save(dir.path, v, &err), LT_OK);
    assert_int_equal(lt_visit_load(dir.path, "2024-05-15", &got, &err), LT_OK);
    assert_string_equal(got->who, "O'Neil \"x\"");
    assert_true(near_abs("mic_cal_db", got->mic_cal_db, 121.35, 1e-9));
    assert_true(near_abs("loopback_db", got->loopback_db, -1.5, 1e-9));
    assert_true(isnan(got->lane_mic_cal_db));
    assert_int_equal(got->mic_channel, 3);
    assert_string_equal(got->conditions[0].text, "a: b # c");
    assert_int_equal(got->setting_count, 1);
    assert_true(near_abs("outbound_db", got->settings[0].outbound_db, -3.0, 1e-9));
    assert_true(isnan(got->settings[0].inbound_db));
    assert_int_equal(got->calibrations[0].method, LT_CALIBRATED_LOOPBACK);
    assert_string_equal(got->calibrations[0].device, "a: b");
    lt_visit_free(v);
    lt_visit_free(got);
    scratch_remove(&dir);
}

typedef struct {
    const char *file; /* in the following visit */
    double first;     /* its first sample */
} carried;

static void expect_carried(const scratch *dir, const carried *rows, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        scratch_names names = {.next = 0};
        lt_error err = {0};
        char path[200];
        lt_signal *s = NULL;
        (void)snprintf(path, sizeof path, "visits/2024-05-15/%s", rows[i].file);
        assert_int_equal(lt_audio_load(scratch_at(dir, &names, path), 0, &s, NULL, &err), LT_OK);
        assert_true(near_abs(rows[i].file, s->samples[0], rows[i].first, 1e-9));
        lt_signal_free(s);
    }
}

/* The lane's own recording wins over the counter's; what was played comes along; what is there stays. */
static void recordings_are_carried_over(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_error err = {0};
    lt_record_place p = {
        .dir = dir.path, .date = DATE, .lane = 2, .path = LT_PATH_INBOUND, .condition = "", .counter = 1};
    keep(&p, 0.5);
    p.counter = 0;
    keep(&p, 0.25);
    p.path = LT_PATH_COUNTER_COUPLING;
    p.counter = 1;
    keep(&p, 0.125);
    p.path = LT_PATH_NOISE_COUNTER;
    keep(&p, 0.75);
    p.date = "2024-05-15";
    p.counter = 0;
    p.path = LT_PATH_OUTBOUND;
    keep(&p, 0.0625); /* measured there: must stay */
    p.date = DATE;
    keep(&p, 0.5);
    assert_int_equal(lt_visit_carry(dir.path, DATE, "2024-05-15", 2, 1, NULL, NULL, &err), LT_OK);
    assert_string_equal(err.what, "");
    static const carried rows[] = {
        {"lane-2/inbound.wav", 0.25},           {"lane-2/stimulus.inbound.wav", 0.125},
        {"lane-2/counter-coupling.wav", 0.125}, {"lane-2/stimulus.counter-coupling.wav", 0.0625},
        {"counter-1/noise-counter.wav", 0.75},  {"lane-2/outbound.wav", 0.0625},
    };
    expect_carried(&dir, rows, COUNT(rows));
    scratch_remove(&dir);
}

/* Each source has a stimulus of its own; what hangs on the settings of two is carried pair by pair, and a counter's
 * never becomes a lane's. */
static void couplings_between_lanes_have_their_place(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    lt_error err = {0};
    lt_record_place p = {
        .dir = dir.path, .date = DATE, .lane = 1, .path = LT_PATH_CROSS_COUPLING, .condition = "", .from = 2};
    keep(&p, 0.5);
    p.from = 3;
    keep(&p, 0.25);
    p.condition = "car"; /* with the plain one's stimulus, until that is made anew */
    keep(&p, 0.125);
    p.condition = "";
    p.lane = 0;
    p.counter = 1;
    p.from = 2;
    keep(&p, 0.75);
    ltp_found found;
    lt_notes notes = {0};
    char file[320];
    assert_int_equal(ltp_find_recordings(dir.path, DATE, false, 1, &found, &notes, NULL), LT_OK);
    assert_int_equal(found.count, 3);
    assert_int_equal(found.items[0].from, 2);
    assert_int_equal(found.items[2].from, 3);
    assert_string_equal(found.items[2].condition, "car");
    assert_int_equal(notes.count, 0);
    ltp_recordings_free(found.items, found.count);
    assert_int_equal(ltp_find_stimulus(dir.path, DATE, "lane-1", "cross-coupling-from-2", "", file, NULL), LT_OK);
    assert_string_equal(file, "visits/2024-05-14/lane-1/stimulus.cross-coupling-from-2.wav");
    assert_int_equal(lt_visit_carry(dir.path, DATE, "2024-05-15", 1, 1, NULL, NULL, &err), LT_OK);
    assert_int_equal(ltp_find_recordings(dir.path, "2024-05-15", false, 1, &found, &notes, NULL), LT_OK);
    assert_int_equal(found.count, 0);
    ltp_recordings_free(found.items, found.count);
    assert_int_equal(lt_visit_carry_between(dir.path, DATE, "2024-05-15", false, 1, 3, &err), LT_OK);
    assert_int_equal(lt_visit_carry_between(dir.path, DATE, "2024-05-15", true, 1, 2, &err), LT_OK);
    static const carried rows[] = {
        {"lane-1/cross-coupling-from-3.wav", 0.25},      {"lane-1/stimulus.cross-coupling-from-3.wav", 0.125},
        {"lane-1/cross-coupling-from-3.car.wav", 0.125}, {"lane-1/stimulus.cross-coupling-from-3.car.wav", 0.0625},
        {"counter-1/cross-coupling-from-2.wav", 0.75},
    };
    expect_carried(&dir, rows, COUNT(rows));
    assert_int_equal(ltp_find_recordings(dir.path, "2024-05-15", false, 1, &found, &notes, NULL), LT_OK);
    assert_int_equal(found.count, 2); /* nothing from lane 2 */
    ltp_recordings_free(found.items, found.count);
    scratch_remove(&dir);
}

static void words_of_paths(void **state)
{
    (void)state;
    static const char *const wrong[] = {"cross-coupling",
                                        "cross-coupling-from-",
                                        "cross-coupling-from-0",
                                        "cross-coupling-from-01",
                                        "cross-coupling-from-12345",
                                        "cross-coupling-from-2x",
                                        "outbund"};
    char word[LT_PATH_WORD_MAX];
    lt_path path;
    unsigned from = 7;
    assert_true(lt_path_from_word("cross-coupling-from-12", &path, &from));
    assert_int_equal(path, LT_PATH_CROSS_COUPLING);
    assert_int_equal(from, 12);
    lt_path_word(path, from, word);
    assert_string_equal(word, "cross-coupling-from-12");
    assert_true(lt_path_from_word("noise-ear", &path, &from));
    assert_int_equal(from, 0);
    for (size_t i = 0; i < COUNT(wrong); i++)
        assert_false(lt_path_from_word(wrong[i], &path, &from));
}

SUITE(site_live)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_new_take_moves_the_older_one_aside),
        cmocka_unit_test(each_recording_keeps_its_own_stimulus),
        cmocka_unit_test(visit_yaml_keeps_what_the_user_wrote),
        cmocka_unit_test(what_cannot_be_edited_stays),
        cmocka_unit_test(a_visit_that_follows_sorts_behind),
        cmocka_unit_test(a_visit_is_saved_with_all_it_holds),
        cmocka_unit_test(recordings_are_carried_over),
        cmocka_unit_test(couplings_between_lanes_have_their_place),
        cmocka_unit_test(words_of_paths),
    };
    return cmocka_run_group_tests_name("site_live", tests, NULL, NULL);
}
