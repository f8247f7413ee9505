/* SPDX-License-Identifier: MIT
 * Visits: their list, which one is taken, visit.yaml, and whether a delay counts. */
#include <lanetune/site.h>

#include "fault.h"
#include "near.h"
#include "scratch.h"
#include "suite.h"

#include "site/survey.h"

#include <string.h>

static void make_folder(const scratch *dir, const char *name)
{
    scratch_names names = {.next = 0};
    assert_int_equal(mkdir(scratch_at(dir, &names, name), 0700), 0);
}

static void visits_are_listed_in_order(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    char **list = NULL;
    size_t count = 9;
    lt_error err = {0};
    assert_int_equal(lt_visit_list(dir.path, &list, &count, &err), LT_OK);
    assert_int_equal(count, 0);
    lt_visit_list_free(list, count);
    static const char *const made[] = {"visits",         "visits/2024-05-14", "visits/2023-12-01", "visits/2024-05-02",
                                       "visits/.hidden", "visits/a b",        "visits/2024-05-14b"};
    for (size_t i = 0; i < COUNT(made); i++)
        make_folder(&dir, made[i]);
    assert_true(scratch_write(scratch_at(&dir, &names, "visits/2025-01-01"), "a file", 6));
    assert_int_equal(lt_visit_list(dir.path, &list, &count, &err), LT_OK);
    static const char *const want[] = {"2023-12-01", "2024-05-02", "2024-05-14", "2024-05-14b"};
    assert_int_equal(count, COUNT(want));
    for (size_t i = 0; i < COUNT(want); i++)
        assert_string_equal(list[i], want[i]);
    lt_visit_list_free(list, count);
    assert_int_equal(lt_visit_list(scratch_at(&dir, &names, "nowhere"), &list, &count, &err), LT_E_IO);
    assert_null(list);
    scratch_remove(&dir);
}

static void the_latest_visit_is_taken(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    lt_error e1 = {0}, e2 = {0}, e3 = {0};
    lt_visit *v = NULL;
    assert_int_equal(lt_visit_load(dir.path, NULL, &v, &e1), LT_E_ARG);
    assert_non_null(strstr(e1.what, "the site has no visit yet"));
    make_folder(&dir, "visits");
    make_folder(&dir, "visits/2024-05-14");
    make_folder(&dir, "visits/2024-06-01");
    const char *text = "who: first\n";
    assert_true(scratch_write(scratch_at(&dir, &names, "visits/2024-05-14/visit.yaml"), text, strlen(text)));
    assert_int_equal(lt_visit_load(dir.path, NULL, &v, &e2), LT_OK); /* no visit.yaml: all defaults */
    assert_string_equal(v->date, "2024-06-01");
    assert_string_equal(v->who, "");
    assert_true(isnan(v->mic_cal_db));
    assert_int_equal(v->mic_channel, 1);
    assert_int_equal(v->line_channel, 2);
    lt_visit_free(v);
    assert_int_equal(lt_visit_load(dir.path, "2024-05-14", &v, &e2), LT_OK);
    assert_string_equal(v->who, "first");
    lt_visit_free(v);
    assert_int_equal(lt_visit_load(dir.path, "2024-05-15", &v, &e2), LT_E_ARG);
    assert_null(v);
    assert_non_null(strstr(e2.what, "there is no visit '2024-05-15'; there are 2, from 2024-05-14 to 2024-06-01"));
    assert_int_equal(lt_visit_load(dir.path, "../visits/2024-05-14", &v, &e3), LT_E_ARG);
    lt_visit_free(NULL);
    scratch_remove(&dir);
}

static lt_visit *load(const scratch *dir, const char *text)
{
    scratch_names names = {.next = 0};
    lt_visit *v = NULL;
    lt_error err = {0};
    assert_true(scratch_write(scratch_at(dir, &names, "visits/2024-05-14/visit.yaml"), text, strlen(text)));
    if (lt_visit_load(dir->path, NULL, &v, &err) != LT_OK)
        fail_msg("%s", err.what);
    return v;
}

static void every_field_arrives(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    make_folder(&dir, "visits");
    make_folder(&dir, "visits/2024-05-14");
    static const char *const empty[] = {"", "# nothing\n", "who:\nnotes: ~\nconditions: []\nsettings: null\n"};
    for (size_t i = 0; i < COUNT(empty); i++) {
        lt_visit *v = load(&dir, empty[i]);
        assert_true(isnan(v->mic_cal_db) && isnan(v->lane_mic_cal_db));
        assert_string_equal(v->date, "2024-05-14");
        assert_string_equal(v->stated_date, "2024-05-14");
        assert_true(near_abs("loopback_db", v->loopback_db, 0.0, 0.0));
        assert_int_equal(v->condition_count + v->setting_count, 0);
        lt_visit_free(v);
    }
    lt_visit *v = load(&dir, "date: 2024-05-13\nwho: \"A. B.\"\nweather: dry, 12 C\nnotes: |\n  line one\n  line two\n"
                             "mic_cal_db: 114.25\nmic_channel: 3\nline_channel: 1\nloopback_db: -1.5\n"
                             "lane_mic_cal_db: 110\nconditions:\n  - {condition: car, text: \"saloon car, window "
                             "open\"}\n  - condition: van-2\nsettings:\n  - {lane: 1, outbound_db: -3}\n  - {lane: 4, "
                             "outbound_db: null, inbound_db: 2.5}\n");
    assert_string_equal(v->date, "2024-05-14");
    assert_string_equal(v->stated_date, "2024-05-13");
    assert_string_equal(v->who, "A. B.");
    assert_string_equal(v->weather, "dry, 12 C");
    assert_string_equal(v->notes, "line one\nline two\n");
    int bad = !near_abs("mic_cal_db", v->mic_cal_db, 114.25, 0.0);
    bad += !near_abs("loopback_db", v->loopback_db, -1.5, 0.0);
    bad += !near_abs("lane_mic_cal_db", v->lane_mic_cal_db, 110.0, 0.0);
    bad += !near_abs("outbound_db", v->settings[0].outbound_db, -3.0, 0.0);
    bad += !near_abs("inbound_db", v->settings[1].inbound_db, 2.5, 0.0);
    assert_int_equal(bad, 0);
    assert_int_equal(v->mic_channel, 3);
    assert_int_equal(v->line_channel, 1);
    assert_int_equal(v->condition_count, 2);
    assert_string_equal(v->conditions[0].text, "saloon car, window open");
    assert_string_equal(v->conditions[1].condition, "van-2");
    assert_int_equal(v->setting_count, 2);
    assert_int_equal(v->settings[1].lane, 4);
    assert_true(isnan(v->settings[0].inbound_db) && isnan(v->settings[1].outbound_db));
    lt_visit_free(v);
    scratch_remove(&dir);
}

static lt_status make_and_load(void *context, lt_error *err)
{
    lt_visit *v = NULL;
    char **list = NULL;
    size_t count = 0;
    lt_status st = lt_site_new(context, "x", "2024-05-14", 2, err);
    if (st == LT_OK || st == LT_E_ARG) { /* LT_E_ARG: it is there since the round before */
        if (err->status == LT_E_ARG)
            *err = (lt_error){0};
        st = lt_visit_load(context, NULL, &v, err);
    }
    if (st == LT_OK)
        st = lt_visit_list(context, &list, &count, err);
    assert_true((list == NULL) == (st != LT_OK));
    lt_visit_free(v);
    lt_visit_list_free(list, count);
    return st;
}

static void visits_survive_every_failed_allocation(void **state)
{
    (void)state;
    scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_survives_faults(make_and_load, scratch_at(&dir, &names, "new"));
    scratch_remove(&dir);
}

static void a_delay_counts_only_from_a_common_start(void **state)
{
    (void)state;
    static const struct {
        const char *row;
        double delay_ms, drift_ppm, longer_s;
        bool known;
    } rows[] = {
        {"acoustic path", 1.2, 0.0, 1.0, true},
        {"rounding at crosstalk", -0.5, 0.0, 1.0, true},
        {"started after the playback", -20.0, 0.0, 1.0, false},
        {"near, other clock, long wait", 12.0, 40.0, 20.0, true},
        {"digital hub", 130.0, 0.3, 1.0, true},
        {"digital hub, drift unknown", 130.0, (double)NAN, 1.0, true},
        {"other clock", 130.0, 38.0, 1.0, false},
        {"ran on for long", 130.0, 0.0, 12.0, false},
        {"started early", 1700.0, 0.0, 1.0, false},
        {"no arrival", (double)NAN, 0.0, 1.0, false},
    };
    static lt_response r;
    for (size_t i = 0; i < COUNT(rows); i++) {
        r.delay_ms = rows[i].delay_ms;
        r.drift_ppm = rows[i].drift_ppm;
        if (ltp_delay_is_known(&r, 10.0 + rows[i].longer_s, 10.0) != rows[i].known)
            fail_msg("%s", rows[i].row);
    }
}

static void paths_have_names(void **state)
{
    (void)state;
    for (unsigned p = 0; p < LT_PATH_COUNT; p++) {
        lt_path back = LT_PATH_COUNT;
        assert_true(lt_path_from_name(lt_path_name((lt_path)p), &back));
        assert_int_equal(back, p);
    }
    lt_path out = LT_PATH_LOOP;
    assert_false(lt_path_from_name("outbund", &out));
    assert_int_equal(out, LT_PATH_LOOP);
}

SUITE(site_visit)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(visits_are_listed_in_order),
        cmocka_unit_test(the_latest_visit_is_taken),
        cmocka_unit_test(every_field_arrives),
        cmocka_unit_test(visits_survive_every_failed_allocation),
        cmocka_unit_test(a_delay_counts_only_from_a_common_start),
        cmocka_unit_test(paths_have_names),
    };
    return cmocka_run_group_tests_name("site_visit", tests, NULL, NULL);
}
