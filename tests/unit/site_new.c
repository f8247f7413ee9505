/* SPDX-License-Identifier: MIT
 * What `new` writes: every field explained, lines that fit a screen, examples that work once they are uncommented. */
#include <lanetune/site.h>

#include "near.h"
#include "scratch.h"
#include "suite.h"

#include <string.h>

/* site.yaml and visit.yaml as `new` writes them. */
typedef struct {
    char path[2][1400];
    char text[2][20000];
} new_files;

static void make_new(const scratch *dir, unsigned lanes, new_files *files)
{
    static const char *const names[] = {"site.yaml", "visits/2024-05-14/visit.yaml"};
    assert_int_equal(lt_site_new(dir->path, "x", "2024-05-14", lanes, NULL), LT_OK);
    for (size_t i = 0; i < COUNT(names); i++) {
        (void)snprintf(files->path[i], sizeof files->path[i], "%s/%s", dir->path, names[i]);
        const size_t n = scratch_read(files->path[i], files->text[i], sizeof files->text[i] - 1);
        files->text[i][n] = '\0';
    }
}

/* Every field that can be read is explained in what `new` writes. */
static void a_new_site_names_every_field(void **state)
{
    (void)state;
    static const char *const fields[] = {"site",
                                         "temperature_c",
                                         "counters",
                                         "counter",
                                         "name",
                                         "listening",
                                         "line_speech_dbov",
                                         "coupling_db",
                                         "lanes",
                                         "lane",
                                         "duplex",
                                         "switching_attenuation_db",
                                         "outbound",
                                         "now_db",
                                         "min_db",
                                         "max_db",
                                         "step_db",
                                         "steps_db",
                                         "shared",
                                         "inbound",
                                         "eq",
                                         "kind",
                                         "bands_hz",
                                         "filters",
                                         "vocal_effort",
                                         "distances",
                                         "speaker_to_ear_m",
                                         "mouth_to_microphone_m",
                                         "speaker_to_microphone_m",
                                         "speaker_to_property_line_m",
                                         "amplifier",
                                         "clip_line_dbfs",
                                         "volts_at_0_dbfs",
                                         "speaker",
                                         "impedance_ohm",
                                         "power_w",
                                         "cable",
                                         "gauge_awg",
                                         "length_m",
                                         "limits",
                                         "safe_margin_db",
                                         "ear_dba",
                                         "operator_dba",
                                         "property_line_dba",
                                         "talker_echo",
                                         "target_sii",
                                         "noise",
                                         "talk_percent",
                                         "shift_hours",
                                         "speaker_to_bystander_m",
                                         "couplings",
                                         "between",
                                         "from",
                                         "to",
                                         "level_db",
                                         "distance_m",
                                         "date",
                                         "who",
                                         "weather",
                                         "notes",
                                         "mic_cal_db",
                                         "mic_channel",
                                         "line_channel",
                                         "loopback_db",
                                         "lane_mic_cal_db",
                                         "conditions",
                                         "condition",
                                         "text",
                                         "settings",
                                         "outbound_db",
                                         "inbound_db"};
    const scratch dir = scratch_make();
    new_files files;
    make_new(&dir, 2, &files);
    for (size_t i = 0; i < COUNT(fields); i++) {
        char key[64];
        (void)snprintf(key, sizeof key, "%s:", fields[i]);
        if (strstr(files.text[0], key) == NULL && strstr(files.text[1], key) == NULL)
            fail_msg("%s is not there", fields[i]);
    }
    scratch_remove(&dir);
}

static void a_new_site_fits_a_screen(void **state)
{
    (void)state;
    for (unsigned lanes = 1; lanes <= 2; lanes++) {
        const scratch dir = scratch_make();
        new_files files;
        make_new(&dir, lanes, &files);
        for (size_t k = 0; k < COUNT(files.text); k++)
            for (const char *line = files.text[k]; *line != '\0';) {
                const char *end = strchr(line, '\n');
                assert_non_null(end);
                if (end - line > 80)
                    fail_msg("%.*s", (int)(end - line), line);
                line = end + 1;
            }
        scratch_remove(&dir);
    }
}

/* Take the '#' away, and `blanks` behind it, from every list entry that is commented out: "#  - ..." and the lines
 * below it that stand further to the right. Number of entries. */
static int uncomment(char *text, size_t blanks)
{
    char *to = text;
    size_t entry = 0; /* column of the entry that the last line belonged to; 0 = none */
    int count = 0;
    for (const char *line = text; *line != '\0';) {
        const size_t length = strcspn(line, "\n") + 1;
        const size_t column = line[0] == '#' ? strspn(line + 1, " ") + 1 : 0;
        if (column > 2 && line[column] == '-' && line[column + 1] == ' ') {
            entry = column;
            count++;
        } else if (column <= entry) {
            entry = 0;
        }
        const size_t cut = entry > 0 ? 1 + blanks : 0;
        memmove(to, line + cut, length - cut);
        to += length - cut;
        line += length;
    }
    *to = '\0';
    return count;
}

/* What a technician does first with an example: take its '#' away, or '# ' as editors do. */
static void examples_of_a_new_site_can_be_uncommented(void **state)
{
    (void)state;
    for (unsigned k = 0; k < 6; k++) {
        const unsigned lanes = k / 2 + 1;
        const scratch dir = scratch_make();
        new_files files;
        make_new(&dir, lanes, &files);
        int entries[2];
        for (size_t i = 0; i < COUNT(files.text); i++) {
            entries[i] = uncomment(files.text[i], k % 2);
            assert_true(scratch_write(files.path[i], files.text[i], strlen(files.text[i])));
        }
        assert_int_equal(entries[0], lanes > 1 ? 1 : 0);
        assert_int_equal(entries[1], 2);
        lt_error err = {0};
        lt_site *s = NULL;
        lt_visit *v = NULL;
        if (lt_site_load(dir.path, &s, &err) != LT_OK || lt_visit_load(dir.path, NULL, &v, &err) != LT_OK)
            fail_msg("%s", err.what);
        assert_int_equal(s->coupling_count, entries[0]);
        if (s->coupling_count > 0) {
            const lt_cross_coupling *c = &s->couplings[0];
            assert_true(!c->counters && c->from == 1 && c->to == 2);
            assert_true(isnan(c->level_db) && near_abs("distance_m", c->distance_m, 4.0, 0.0));
        }
        assert_int_equal(v->condition_count, 1);
        assert_string_equal(v->conditions[0].condition, "car");
        assert_int_equal(v->setting_count, 1);
        assert_int_equal(v->settings[0].lane, 1);
        lt_site_free(s);
        lt_visit_free(v);
        scratch_remove(&dir);
    }
}

static void new_leaves_a_site_alone(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    char text[64] = "";
    lt_error e1 = {0}, e2 = {0}, e3 = {0}, e4 = {0}, e5 = {0}, e6 = {0};
    assert_true(scratch_write(scratch_at(&dir, &names, "site.yaml"), "mine", 4));
    assert_int_equal(lt_site_new(dir.path, "x", "2024-05-14", 1, &e1), LT_E_ARG);
    assert_non_null(strstr(e1.what, "site.yaml: is there already"));
    assert_int_equal(scratch_read(scratch_at(&dir, &names, "site.yaml"), text, sizeof text), 4);
    assert_int_equal(scratch_count(dir.path), 1);
    const char *other = scratch_at(&dir, &names, "other");
    assert_int_equal(lt_site_new(other, "x", "../evil", 1, &e2), LT_E_ARG);
    assert_int_equal(lt_site_new(other, "x", "", 1, &e3), LT_E_ARG);
    assert_int_equal(lt_site_new(other, "x", "2024-05-14", 0, &e4), LT_E_ARG);
    assert_int_equal(lt_site_new(other, "x", "2024-05-14", 65, &e5), LT_E_ARG);
    assert_int_equal(lt_site_new(scratch_at(&dir, &names, "site.yaml/sub"), "x", "2024-05-14", 1, &e6), LT_E_IO);
    assert_non_null(strstr(e5.what, "1 to 64"));
    assert_int_equal(scratch_count(dir.path), 1);
    /* A folder that holds other things is fine. */
    assert_int_equal(mkdir(other, 0700), 0);
    assert_true(scratch_write(scratch_at(&dir, &names, "other/photo.jpg"), "x", 1));
    assert_int_equal(lt_site_new(other, NULL, "2024-05-14", 1, &e1), LT_OK);
    lt_site *s = NULL;
    assert_int_equal(lt_site_load(other, &s, NULL), LT_OK);
    assert_string_equal(s->name, "other");
    lt_site_free(s);
    scratch_remove(&dir);
}

SUITE(site_new)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_new_site_names_every_field),
        cmocka_unit_test(a_new_site_fits_a_screen),
        cmocka_unit_test(examples_of_a_new_site_can_be_uncommented),
        cmocka_unit_test(new_leaves_a_site_alone),
    };
    return cmocka_run_group_tests_name("site_new", tests, NULL, NULL);
}
