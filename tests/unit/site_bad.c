/* SPDX-License-Identifier: MIT
 * site.yaml and visit.yaml that are refused: the whole sentence is checked, with line, field and allowed values. */
#include <lanetune/site.h>

#include "fault.h"
#include "near.h"
#include "rng.h"
#include "scratch.h"
#include "suite.h"

#include "site/yaml.h"

#include <string.h>

typedef struct {
    const char *text, *message; /* what stands behind "DIR/site.yaml", the whole of it */
} row;

static const row site_rows[] = {
    /* nothing in it */
    {"", ": the file is empty; write at least the field 'site', or make a new site"},
    {"# only a remark\n\n", ": the file is empty; write at least the field 'site', or make a new site"},
    {"---\n", ", line 1: fields are needed here, lines of the form 'field: value'"},
    /* unknown and repeated fields */
    {"site: a\nlane:\n  - lane: 1\n", ", line 2: lane: there is no such field; the nearest one is 'lanes'"},
    {"lanes:\n  - lane: 1\n    outbound:\n      now_db: 0\n      mim_db: -3\n",
     ", line 5: lanes[0].outbound.mim_db: there is no such field; the nearest one is 'min_db'"},
    {"lanes:\n  - lane: 1\n  - lane: 2\n    limits: {ear_db: 80}\n",
     ", line 4: lanes[1].limits.ear_db: there is no such field; the nearest one is 'ear_dba'"},
    {"lanes:\n  - lane: 1\n    duplxe: full\n",
     ", line 3: lanes[0].duplxe: there is no such field; the nearest one is 'duplex'"},
    {"counters:\n- listenning: handset\n",
     ", line 2: counters[0].listenning: there is no such field; the nearest one is 'listening'"},
    {"lanes:\n  - speaker: {colour: red}\n",
     ", line 2: lanes[0].speaker.colour: there is no such field; the fields here are impedance_ohm, power_w"},
    {"site: a\ntemperature_c: 5\nsite: b\n", ", line 3: site: this field stands here twice; remove one"},
    {"lanes:\n  - lane: 1\n    inbound: {now_db: 0}\n    inbound: {now_db: 1}\n",
     ", line 4: lanes[0].inbound: this field stands here twice; remove one"},
    /* words */
    {"lanes:\n  - lane: 1\n    duplex: half\n",
     ", line 3: lanes[0].duplex: 'half' is not one of full, voice-switched, push-to-talk"},
    {"lanes:\n  - duplex: Full\n",
     ", line 2: lanes[0].duplex: 'Full' is not one of full, voice-switched, push-to-talk"},
    {"counters:\n  - {listening: earpiece}\n",
     ", line 2: counters[0].listening: 'earpiece' is not one of loudspeaker, handset, headset"},
    {"lanes:\n  - eq: {kind: yes}\n", ", line 2: lanes[0].eq.kind: 'yes' is not one of none, graphic, parametric"},
    {"lanes:\n  - vocal_effort: whisper\n",
     ", line 2: lanes[0].vocal_effort: 'whisper' is not one of normal, raised, loud, shout"},
    {"lanes:\n  - limits:\n      talker_echo: none\n",
     ", line 3: lanes[0].limits.talker_echo: 'none' is not one of acceptable, limiting, off"},
    {"lanes:\n  - noise: loud\n", ", line 2: lanes[0].noise: 'loud' is not one of busy, usual"},
    {"lanes:\n  - noise: null\n", ", line 2: lanes[0].noise: 'null' is not one of busy, usual"},
    /* numbers */
    {"temperature_c: warm\n", ", line 1: temperature_c: 'warm' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: 20,5\n", ", line 1: temperature_c: '20,5' is not allowed; a number from -60 to 70 is needed (with "
                              "a decimal point)"},
    {"temperature_c: 71\n", ", line 1: temperature_c: '71' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: .nan\n", ", line 1: temperature_c: '.nan' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: nan\n", ", line 1: temperature_c: 'nan' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: inf\n", ", line 1: temperature_c: 'inf' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: 0x10\n", ", line 1: temperature_c: '0x10' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: 20 C\n", ", line 1: temperature_c: '20 C' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: 1e999\n", ", line 1: temperature_c: '1e999' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: 1.2.3\n", ", line 1: temperature_c: '1.2.3' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: --5\n", ", line 1: temperature_c: '--5' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: e5\n", ", line 1: temperature_c: 'e5' is not allowed; a number from -60 to 70 is needed"},
    {"temperature_c: null\n", ", line 1: temperature_c: 'null' is not allowed; a number from -60 to 70 is needed"},
    {"site: a\n\n\ntemperature_c:\nlanes:\n  - lane: 1\n",
     ", line 4: temperature_c: '' is not allowed; a number from -60 to 70 is needed"},
    {"counters:\n  - coupling_db: -200\n",
     ", line 2: counters[0].coupling_db: '-200' is not allowed; a number from -120 to 40 or null is needed"},
    {"lanes:\n  - lane: 1\n    distances:\n      speaker_to_ear_m: 0\n",
     ", line 4: lanes[0].distances.speaker_to_ear_m: '0' is not allowed; a number from 0.01 to 1000 is needed"},
    {"lanes:\n  - distances: {speaker_to_microphone_m: -0.3}\n",
     ", line 2: lanes[0].distances.speaker_to_microphone_m: '-0.3' is not allowed; a number from 0.001 to 1000 is "
     "needed"},
    {"lanes:\n  - speaker: {impedance_ohm: 0}\n",
     ", line 2: lanes[0].speaker.impedance_ohm: '0' is not allowed; a number from 0.5 to 10000 is needed"},
    {"lanes:\n  - target_sii: 75\n",
     ", line 2: lanes[0].target_sii: '75' is not allowed; a number from 0.01 to 1 is needed"},
    {"lanes:\n  - limits: {safe_margin_db: -6}\n",
     ", line 2: lanes[0].limits.safe_margin_db: '-6' is not allowed; a number from 0 to 60 or null is needed"},
    {"lanes:\n  - cable: {length_m: -1}\n",
     ", line 2: lanes[0].cable.length_m: '-1' is not allowed; a number from 0 to 10000 is needed"},
    /* counts and references */
    {"lanes:\n  - lane: 0\n", ", line 2: lanes[0].lane: '0' is not allowed; a whole number from 1 to 9999 is needed"},
    {"lanes:\n  - lane: 1.5\n",
     ", line 2: lanes[0].lane: '1.5' is not allowed; a whole number from 1 to 9999 is needed"},
    {"lanes:\n  - lane: one\n",
     ", line 2: lanes[0].lane: 'one' is not allowed; a whole number from 1 to 9999 is needed"},
    {"lanes:\n  - lane: 2\n  - lane: 3\n  - lane: 2\n",
     ", line 4: lanes[2].lane: lane 2 stands here twice; each lane needs its own number"},
    {"lanes:\n  - lane: 2\n  - name: b\n", ": lanes[1].lane: lane 2 stands here twice; each lane needs its own number"},
    {"counters:\n  - counter: 4\n  - counter: 4\n",
     ", line 3: counters[1].counter: counter 4 stands here twice; each counter needs its own number"},
    {"counters:\n  - counter: 1\n  - counter: 2\nlanes:\n  - lane: 1\n    counter: 3\n",
     ", line 6: lanes[0].counter: there is no counter 3 under 'counters'; the first one there is 1"},
    {"counters:\n  - counter: 7\nlanes:\n  - lane: 1\n",
     ": lanes[0].counter: there is no counter 1 under 'counters'; the first one there is 7"},
    /* adjusters */
    {"lanes:\n  - outbound: {min_db: 5, max_db: 1}\n",
     ", line 2: lanes[0].outbound.max_db: min_db 5 is above max_db 1; swap them"},
    {"lanes:\n  - outbound:\n      min_db: 11\n",
     ", line 3: lanes[0].outbound.min_db: min_db 11 is above max_db 10; swap them"},
    {"lanes:\n  - inbound: {step_db: 0}\n",
     ", line 2: lanes[0].inbound.step_db: '0' is not allowed; a number from 0.01 to 400 is needed"},
    {"lanes:\n  - inbound: {step_db: -1}\n",
     ", line 2: lanes[0].inbound.step_db: '-1' is not allowed; a number from 0.01 to 400 is needed"},
    {"lanes:\n  - inbound:\n      min_db: -50\n      max_db: 50\n      step_db: 0.1\n",
     ", line 5: lanes[0].inbound.step_db: from -50 to 50 in steps of 0.1 are more than 512 steps; make the step "
     "larger"},
    {"lanes:\n  - outbound: {steps_db: [-3, 0, 0, 3]}\n",
     ", line 2: lanes[0].outbound.steps_db[2]: the steps must rise; 0 stands behind 0"},
    {"lanes:\n  - outbound:\n      steps_db:\n        - -3\n        - 0\n        - -1\n",
     ", line 6: lanes[0].outbound.steps_db[2]: the steps must rise; -1 stands behind 0"},
    {"lanes:\n  - outbound: {steps_db: [1, two]}\n",
     ", line 2: lanes[0].outbound.steps_db[1]: 'two' is not allowed; a number from -200 to 200 is needed"},
    {"lanes:\n  - lane: 4\n    outbound: {shared: knob, steps_db: [-3, 0]}\n  - lane: 5\n    outbound:\n      shared: "
     "knob\n      steps_db: [-3, 0, 3]\n",
     ", line 6: lanes[1].outbound.shared: 'knob' is one knob, but lane 4 (outbound) and lane 5 (outbound) give it "
     "different now_db or steps; make them equal"},
    {"lanes:\n  - lane: 4\n    outbound: {shared: k}\n    inbound: {shared: k, now_db: 1}\n",
     ", line 4: lanes[0].inbound.shared: 'k' is one knob, but lane 4 (outbound) and lane 4 (inbound) give it different "
     "now_db or steps; make them equal"},
    {"lanes:\n  - eq: {kind: graphic}\n", ", line 2: lanes[0].eq.kind: a graphic equalizer needs its bands_hz, such as "
                                          "[125, 250, 500, 1000]"},
    {"lanes:\n  - eq: {kind: graphic, bands_hz: [500, 250]}\n",
     ", line 2: lanes[0].eq.bands_hz[1]: the bands must rise; 250 stands behind 500"},
    /* shapes */
    {"[1, 2]\n", ", line 1: fields are needed here, lines of the form 'field: value'"},
    {"Main Street\n", ", line 1: fields are needed here, lines of the form 'field: value'"},
    {"site: a\nlanes: 3\n",
     ", line 2: lanes: a list is needed here: entries that begin with '- ', or [..] for numbers"},
    {"lanes:\n  lane: 1\n",
     ", line 2: lanes: a list is needed here: entries that begin with '- ', or [..] for numbers"},
    {"lanes:\n  - 1\n  - 2\n", ", line 2: lanes[0]: a group of fields is needed here, 'field: value', not a single "
                               "value or a list"},
    {"lanes:\n  - outbound: 3\n", ", line 2: lanes[0].outbound: a group of fields is needed here, 'field: value', not "
                                  "a single value or a list"},
    {"site: [a, b]\n", ", line 1: site: one value is needed here, not a list or a group of fields"},
    {"lanes:\n  - name: {first: a}\n",
     ", line 2: lanes[0].name: one value is needed here, not a list or a group of fields"},
    {"lanes:\n  - name: a\n    outbound: {steps_db: 4}\n",
     ", line 3: lanes[0].outbound.steps_db: a list is needed here: entries that begin with '- ', or [..] for numbers"},
    /* YAML itself */
    {"site: a\nlanes:\n\t- lane: 1\n", ", line 3: tabs cannot indent; use spaces"},
    {"site: a\n\n\n temperature_c: 3\n", ", line 4: a ':' in the wrong place; check the indentation, and put text that "
                                         "holds ': ' into quotes"},
    {"site: Corner: north\n", ", line 1: a ':' in the wrong place; check the indentation, and put text that holds ': ' "
                              "into quotes"},
    {"temperature_c: 3\nsite: \"a\nlanes:\n  - lane: 1\n", ", line 2: a quote that begins here is not closed"},
    {"site: a\nlanes:\n  - lane: 1\n    outbound: {now_db: 0\n    inbound: {now_db: 0}\n  - lane: 2\n",
     ", line 4: a brace { is not closed, or a comma is missing"},
    {"lanes:\n  - outbound: {steps_db: [1, 2, 3}\n", ", line 2: a bracket [ is not closed, or a comma is missing"},
    {"site: a\ntemperature_c 4\nlanes: []\n", ", line 2: a field without ':'; write 'field: value'"},
    {"site: @home\n", ", line 1: a character that needs quotes around the text, or a tab; use spaces"},
    {"site: a\nlanes: *other\n", ", line 2: lanes: references (*) are not used here; write the value out, or put text "
                                 "that begins with * into quotes"},
    {"site: a\n---\nsite: b\n", ": the file holds several documents; remove the lines '---' between them"},
    {"site: a\n...\nsite: b\n", ", line 3: text behind the end of the document; remove the lines '---' and '...'"},
    {"%YAML 3.0\n---\nsite: a\n", ", line 1: YAML 1.1 or 1.2 is needed; remove the line that begins with %"},
    {"site: a\rlanes:\r  - lane: 1\r    duplex: half\r",
     ", line 4: lanes[0].duplex: 'half' is not one of full, voice-switched, push-to-talk"},
    {"site: a\r\nlanes:\r\n  - lane: 1\r\n    duplxe: half\r\n",
     ", line 4: lanes[0].duplxe: there is no such field; the nearest one is 'duplex'"},
    /* no text at all */
    {"site: a\ntemperature_c: \x01\n", ", line 2: here is something that is no text; save the file as UTF-8"},
    {"site: caf\xe9\n", ", line 1: here is something that is no text; save the file as UTF-8"},
    {"\xff\xfes", ", line 1: the file is saved as UTF-16; save it as UTF-8"},
    {"site: \xed\xa0\x80\n", ", line 1: it cannot be read as YAML; check indentation, quotes and brackets"},
};

static const row visit_rows[] = {
    {"mic_call_db: 114\n", ", line 1: mic_call_db: there is no such field; the nearest one is 'mic_cal_db'"},
    {"who: a\nmic_cal_db: loud\n",
     ", line 2: mic_cal_db: 'loud' is not allowed; a number from 0 to 250 or null is needed"},
    {"mic_channel: 0\n", ", line 1: mic_channel: '0' is not allowed; a whole number from 1 to 1024 is needed"},
    {"line_channel: null\n", ", line 1: line_channel: 'null' is not allowed; a whole number from 1 to 1024 is needed"},
    {"loopback_db: null\n", ", line 1: loopback_db: 'null' is not allowed; a number from -120 to 120 is needed"},
    {"conditions:\n  - {condition: Big Car}\n",
     ", line 2: conditions[0].condition: a condition is a word of small letters, digits and '-', as in the file names"},
    {"conditions:\n  - {text: a}\n",
     ": conditions[0].condition: a condition is a word of small letters, digits and '-', as in the file names"},
    {"conditions:\n  - {condition: car}\n  - {condition: car}\n",
     ", line 3: conditions[1].condition: the condition 'car' stands here twice; remove one"},
    {"settings:\n  - {outbound_db: 1}\n", ": settings[0].lane: the number of the lane is missing"},
    {"settings:\n  - {lane: 1}\n  - {lane: 1}\n", ", line 3: settings[1].lane: lane 1 stands here twice; remove one"},
    {"settings:\n  - {lane: 1, outbound_db: much}\n",
     ", line 2: settings[0].outbound_db: 'much' is not allowed; a number from -200 to 200 or null is needed"},
};

static bool is_right(const char *got, const char *file, const char *want)
{
    const size_t n = strlen(file);
    const bool right = strncmp(got, file, n) == 0 && strcmp(got + n, want) == 0 && strchr(got, '\n') == NULL;
    if (!right)
        print_error("got  %s\nwant %s%s\n\n", got, file, want);
    return right;
}

static void bad_sites_are_named_in_one_line(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    const char *path = scratch_at(&dir, &names, "site.yaml");
    int bad = 0;
    for (size_t i = 0; i < COUNT(site_rows); i++) {
        assert_true(scratch_write(path, site_rows[i].text, strlen(site_rows[i].text)));
        lt_error err = {0};
        lt_site *s = NULL;
        const lt_status st = lt_site_load(dir.path, &s, &err);
        assert_null(s);
        bad += st != LT_E_ARG || err.status != st || !is_right(err.what, path, site_rows[i].message);
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static void bad_visits_are_named_in_one_line(void **state)
{
    (void)state;
    const scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_int_equal(mkdir(scratch_at(&dir, &names, "visits"), 0700), 0);
    assert_int_equal(mkdir(scratch_at(&dir, &names, "visits/2024-05-14"), 0700), 0);
    const char *path = scratch_at(&dir, &names, "visits/2024-05-14/visit.yaml");
    int bad = 0;
    for (size_t i = 0; i < COUNT(visit_rows); i++) {
        assert_true(scratch_write(path, visit_rows[i].text, strlen(visit_rows[i].text)));
        lt_error err = {0};
        lt_visit *v = NULL;
        const lt_status st = lt_visit_load(dir.path, NULL, &v, &err);
        assert_null(v);
        bad += st != LT_E_ARG || !is_right(err.what, path, visit_rows[i].message);
    }
    scratch_remove(&dir);
    assert_int_equal(bad, 0);
}

static lt_status load_text(const scratch *dir, const char *text, size_t bytes, lt_error *err)
{
    scratch_names names = {.next = 0};
    lt_site *s = NULL;
    assert_true(scratch_write(scratch_at(dir, &names, "site.yaml"), text, bytes));
    const lt_status st = lt_site_load(dir->path, &s, err);
    assert_true((s == NULL) == (st != LT_OK));
    lt_site_free(s);
    return st;
}

static void large_lists_and_files_are_refused(void **state)
{
    (void)state;
    enum { ROOM = LTP_YAML_MAX_BYTES + 100 };
    static char text[ROOM];
    const scratch dir = scratch_make();
    size_t n = (size_t)snprintf(text, ROOM, "lanes:\n");
    for (int i = 1; i <= 65; i++)
        n += (size_t)snprintf(text + n, ROOM - n, "  - lane: %d\n", i);
    lt_error e1 = {0}, e2 = {0}, e3 = {0}, e4 = {0};
    assert_int_equal(load_text(&dir, text, n, &e1), LT_E_ARG);
    assert_non_null(strstr(e1.what, "lanes: the list has too many entries"));
    n = (size_t)snprintf(text, ROOM, "lanes:\n  - outbound:\n      steps_db: [-100");
    for (int i = 1; i <= 512; i++)
        n += (size_t)snprintf(text + n, ROOM - n, ", %d.%d", -100 + i / 4, i % 4);
    n += (size_t)snprintf(text + n, ROOM - n, "]\n");
    assert_int_equal(load_text(&dir, text, n, &e2), LT_E_ARG);
    assert_non_null(strstr(e2.what, "line 3: lanes[0].outbound.steps_db: the list has too many entries"));
    memset(text, '#', ROOM);
    assert_int_equal(load_text(&dir, text, ROOM, &e3), LT_E_ARG);
    assert_non_null(strstr(e3.what, "larger than 1048576 bytes"));
    /* Nested a thousand times, and text of a thousand bytes for a name. */
    memset(text, '[', 5000);
    assert_int_equal(load_text(&dir, text, 5000, &e4), LT_E_ARG);
    lt_error e5 = {0};
    n = (size_t)snprintf(text, ROOM, "lanes:\n- name: ");
    memset(text + n, 'n', 1000);
    assert_int_equal(load_text(&dir, text, n + 1000, &e5), LT_E_ARG);
    assert_non_null(strstr(e5.what, "line 2: lanes[0].name: the text has 1000 bytes; at most 63 are kept, shorten it"));
    scratch_remove(&dir);
}

/* A good file with bits turned over, pieces cut out or doubled: read or refused in one line that begins with its name.
 */
static void damaged_files_never_crash(void **state)
{
    (void)state;
    static const char good[] = "site: \"Demo Street\"\ntemperature_c: 20.5\ncounters:\n  - counter: 1\n    listening: "
                               "handset\nlanes:\n  - lane: 1\n    outbound: {now_db: 0, steps_db: [-3, 0, 2.5]}\n    "
                               "limits:\n      ear_dba: 80\n      talker_echo: off\n  - lane: 2 # remark\n    name: "
                               "'it''s'\n    eq: {kind: graphic, bands_hz: [250, 500]}\n    distances: {speaker_to_ear_"
                               "m: 1e0}\n";
    const scratch dir = scratch_make();
    lt_rng r = {77};
    int refused = 0, read = 0;
    for (int v = 0; v < 1500; v++) {
        char text[2 * sizeof good];
        size_t n = sizeof good - 1;
        memcpy(text, good, n);
        const unsigned kind = (unsigned)(lt_rng_next(&r) % 4);
        const size_t at = (size_t)(lt_rng_next(&r) % n), length = (size_t)(lt_rng_next(&r) % (n - at));
        static const char odd[] = "\t\n :-[]{}\"'#&*!|>%@`,?0~\r";
        if (kind == 0) {
            text[at] ^= (char)(1U << lt_rng_next(&r) % 7);
        } else if (kind == 1) {
            memmove(text + at, text + at + length, n - at - length);
            n -= length;
        } else if (kind == 2) {
            memmove(text + at + length, text + at, n - at);
            n += length;
        } else {
            text[at] = odd[lt_rng_next(&r) % (sizeof odd - 1)];
        }
        lt_error err = {0};
        if (load_text(&dir, text, n, &err) == LT_OK) {
            read++;
            continue;
        }
        refused++;
        assert_true(strncmp(err.what, dir.path, strlen(dir.path)) == 0);
        assert_null(strchr(err.what, '\n'));
        assert_true(strlen(err.what) > strlen(dir.path) + 20);
    }
    scratch_remove(&dir);
    print_message("%d damaged files read, %d refused\n", read, refused);
    assert_true(read > 100 && refused > 300);
}

static lt_status load_and_free(void *context, lt_error *err)
{
    lt_site *s = NULL;
    const lt_status st = lt_site_load(context, &s, err);
    assert_true((s == NULL) == (st != LT_OK));
    lt_site_free(s);
    return st;
}

static void loading_survives_every_failed_allocation(void **state)
{
    (void)state;
    static const char text[] = "site: a\nlanes:\n  - lane: 1\n    outbound: {steps_db: [1, 2]}\n  - lane: 2\n";
    scratch dir = scratch_make();
    scratch_names names = {.next = 0};
    assert_true(scratch_write(scratch_at(&dir, &names, "site.yaml"), text, sizeof text - 1));
    assert_survives_faults(load_and_free, dir.path);
    scratch_remove(&dir);
}

static void the_nearest_word_is_found(void **state)
{
    (void)state;
    static const char *const words[] = {"outbound", "inbound", "lane-coupling", "noise-ear", "loop"};
    static const struct {
        const char *word, *nearest;
    } rows[] = {
        {"outbund", "outbound"},
        {"inbuond", "inbound"},
        {"lanecoupling", "lane-coupling"},
        {"noise_ear", "noise-ear"},
        {"lop", "loop"},
        {"outbound", "outbound"},
        {"completely-else", NULL},
        {"", NULL},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        const char *got = ltp_nearest_word(rows[i].word, words, COUNT(words));
        if ((got == NULL) != (rows[i].nearest == NULL) || (got != NULL && strcmp(got, rows[i].nearest) != 0))
            fail_msg("%s: %s", rows[i].word, got != NULL ? got : "nothing");
    }
}

SUITE(site_bad)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(bad_sites_are_named_in_one_line),          cmocka_unit_test(bad_visits_are_named_in_one_line),
        cmocka_unit_test(large_lists_and_files_are_refused),        cmocka_unit_test(damaged_files_never_crash),
        cmocka_unit_test(loading_survives_every_failed_allocation), cmocka_unit_test(the_nearest_word_is_found),
    };
    return cmocka_run_group_tests_name("site_bad", tests, NULL, NULL);
}
