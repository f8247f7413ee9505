/* SPDX-License-Identifier: MIT
 * Surveys of a simulated lane: which recordings are found and used, from which channel, and what is said of the others.
 * The truth is that of the virtual lane. */
#include <lanetune/site.h>

#include "near.h"
#include "rng.h"
#include "scratch.h"
#include "suite.h"

#include <string.h>

/* A small virtual site is recorded once; each test works on its own copy of the files it changes. */
static const char scenario[] =
    "site: Test Yard\nsweep_seconds: 2\nnoise_seconds: 8\ntalk_seconds: 12\nlanes:\n"
    "  - lane: 3\n    rate_hz: 16000\n    speaker_high_hz: 6000\n    microphone_high_hz: 7000\n"
    "    road_dba: 50\n    pass_dba: 52\n    wind_dba: 0\n    mic_cal_db: 120\n    "
    "loopback_db: -2\n    clip_line_dbfs: null\n    hum_hz: 0\n    outbound_now_db: -4\n";

typedef struct {
    scratch dir;
    scratch_names *names;
    char site[1200];
} yard;

static void build(yard *y)
{
    lt_scenario *s = NULL;
    lt_error err = {0};
    static scratch_names names;
    *y = (yard){.dir = scratch_make(), .names = &names};
    char *file = scratch_at(&y->dir, y->names, "scenario.yaml");
    assert_true(scratch_write(file, scenario, sizeof scenario - 1));
    strcpy(y->site, y->dir.path);
    strcat(y->site, "/site");
    if (lt_scenario_load(file, &s, &err) != LT_OK || lt_scenario_record(s, y->site, NULL, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
    lt_scenario_free(s);
}

static int group_setup(void **state)
{
    static yard y;
    build(&y);
    *state = &y;
    return 0;
}

static int group_teardown(void **state)
{
    const yard *y = *state;
    scratch_remove(&y->dir);
    return 0;
}

static const char *in_site(yard *y, const char *name)
{
    char below[512];
    (void)snprintf(below, sizeof below, "site/%s", name);
    return scratch_at(&y->dir, y->names, below);
}

#define VISIT "visits/2024-05-14/"

static lt_survey *measure(const yard *y)
{
    lt_survey *s = NULL;
    lt_error err = {0};
    if (lt_survey_measure(y->site, NULL, 0, NULL, NULL, &s, &err) != LT_OK)
        fail_msg("%s", err.what);
    return s;
}

static const lt_recording *find(const lt_survey *s, const char *file)
{
    for (size_t i = 0; i < s->lanes[0].recording_count; i++)
        if (strcmp(s->lanes[0].recordings[i].file, file) == 0)
            return &s->lanes[0].recordings[i];
    fail_msg("%s is not in the survey", file);
    return NULL;
}

static const char *note_text(const lt_notes *n, const char *code, const char *part)
{
    for (size_t i = 0; i < n->count; i++)
        if (strcmp(n->items[i].code, code) == 0 && strstr(n->items[i].message, part) != NULL)
            return n->items[i].message;
    for (size_t i = 0; i < n->count; i++)
        print_error("[%s] %s\n", n->items[i].code, n->items[i].message);
    return NULL;
}

/* Paths of an empty lane that are there, by their bits. */
static unsigned paths_there(const yard *y, const lt_survey *s)
{
    bool recorded[LT_PATH_COUNT];
    unsigned bits = 0;
    assert_int_equal(lt_survey_find(y->site, s->visit->date, s->lanes[0].lane, recorded, NULL), LT_OK);
    for (unsigned p = 0; p < LT_PATH_COUNT; p++)
        bits |= recorded[p] ? 1u << p : 0u;
    return bits;
}

static const unsigned of_counter = 1u << LT_PATH_INBOUND | 1u << LT_PATH_COUNTER_COUPLING | 1u << LT_PATH_NOISE_COUNTER;

/* ---- what is found ---- */

static void all_recordings_are_found_and_measured(void **state)
{
    yard *y = *state;
    lt_survey *s = measure(y);
    assert_int_equal(s->lane_count, 1);
    const lt_survey_lane *lane = &s->lanes[0];
    static const char *const files[] = {
        VISIT "lane-3/outbound.wav",          VISIT "lane-3/outbound.car.wav",  VISIT "lane-3/lane-coupling.wav",
        VISIT "lane-3/lane-coupling.car.wav", VISIT "lane-3/noise-ear.wav",     VISIT "lane-3/noise-ear.car.wav",
        VISIT "lane-3/noise-mic.wav",         VISIT "lane-3/noise-mic.car.wav", VISIT "lane-3/talk-test.wav",
        VISIT "lane-3/talk-test.car.wav",     VISIT "counter-3/inbound.wav",    VISIT "counter-3/counter-coupling.wav",
        VISIT "counter-3/noise-counter.wav",
    };
    assert_int_equal(lane->recording_count, COUNT(files));
    for (size_t i = 0; i < COUNT(files); i++) {
        assert_string_equal(lane->recordings[i].file, files[i]);
        assert_true(lane->recordings[i].usable);
        assert_true(lane->recordings[i].shared == (i >= 10));
    }
    const lt_tune_lane *t = &lane->tune;
    assert_int_equal(t->condition_count, 2);
    assert_string_equal(t->recordings[0].name, "");
    assert_string_equal(t->recordings[1].name, "car");
    for (size_t c = 0; c < 2; c++) {
        const lt_tune_recordings *r = &t->recordings[c];
        assert_true(r->outbound && r->inbound && r->lane_coupling && r->counter_coupling && r->noise_ear &&
                    r->noise_mic && r->noise_counter && r->talk_test && !r->loop && r->delay_known);
        assert_ptr_equal(r->inbound, t->recordings[0].inbound); /* measured once, used by both */
    }
    assert_ptr_not_equal(t->recordings[0].outbound, t->recordings[1].outbound);
    assert_int_equal(s->counter_recording_count, 3);
    assert_int_equal(lane->notes.count, 0);
    assert_int_equal(paths_there(y, s), of_counter | 1u << LT_PATH_OUTBOUND | 1u << LT_PATH_LANE_COUPLING |
                                            1u << LT_PATH_NOISE_EAR | 1u << LT_PATH_NOISE_MIC |
                                            1u << LT_PATH_TALK_TEST);
    int bad = !near_abs("mic_cal_db", t->mic_cal_db, 120.0, 0.0);
    bad += !near_abs("loopback_db", t->loopback_db, -2.0, 0.0);
    bad += !near_abs("now_db", t->outbound.now_db, -4.0, 0.0);
    assert_int_equal(bad, 0);
    lt_survey_free(s);
    lt_survey_free(NULL);
}

/* Source of the truth: the model of the virtual lane, not its recordings. */
static void measurements_agree_with_the_virtual_lane(void **state)
{
    yard *y = *state;
    lt_scenario *sc = NULL;
    lt_error err = {0};
    assert_int_equal(lt_scenario_load(scratch_at(&y->dir, y->names, "scenario.yaml"), &sc, &err), LT_OK);
    static lt_scene_truth truth;
    assert_int_equal(lt_scene_truth_of(&sc->lanes[0], 0, &truth, &err), LT_OK);
    lt_survey *s = measure(y);
    const lt_tune_recordings *r = &s->lanes[0].tune.recordings[0];
    int bad = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const int index = LT_THIRD_SPEECH_FIRST + (int)i;
        const double out_db = lt_response_band_level(r->outbound, index) + 120.0;
        const double in_db = lt_response_band_level(r->inbound, index) + 120.0;
        if (lt_third_octave(index).upper_hz > 7000.0)
            continue; /* beyond the sweep at this rate */
        bad += !near_abs("outbound band", out_db, truth.outbound_band_db[i], 0.3);
        bad += !near_abs("receive band", in_db, truth.receive_band_db[i], 0.3);
        const lt_level_band *ear = lt_levels_band(r->noise_ear, index);
        assert_non_null(ear); /* 8 s of noise: statistics of the low bands are wide */
        bad += !near_abs("noise at the ear", ear->leq_db, truth.noise_ear_leq_db[i], 4.0);
        const lt_level_band *mic = lt_levels_band(r->noise_mic, index);
        assert_non_null(mic); /* dBFS as recorded: the microphone's calibration has no part in it, the loopback has */
        bad += !near_abs("noise on the line", mic->leq_db, truth.noise_mic_leq_db[i] - 2.0, 4.0);
    }
    bad += !near_abs("delay", r->lane_coupling->delay_ms, truth.delay_ms, 0.05);
    lt_survey_free(s);
    lt_scenario_free(sc);
    assert_int_equal(bad, 0);
}

static void settings_come_out(void **state)
{
    yard *y = *state;
    lt_survey *s = measure(y);
    lt_tune_result *r = NULL;
    lt_error err = {0};
    if (lt_survey_tune(s, &r, &err) != LT_OK)
        fail_msg("%s", err.what);
    assert_int_equal(r[0].lane, 3);
    assert_true(near_abs("now", r[0].outbound_now_db, -4.0, 0.0));
    assert_true(in_range("recommended", r[0].outbound_recommended_db, -20.0, 10.0));
    assert_true(in_range("SII", r[0].after.sii_outbound, 0.05, 1.0));
    assert_false(lt_notes_has(&r[0].warnings, "recording-unusable"));
    lt_tune_results_free(r);
    lt_tune_results_free(NULL);
    lt_survey_free(s);
}

/* ---- names ---- */

static void copy_file(yard *y, const char *from, const char *to)
{
    static uint8_t data[4 << 20];
    const size_t n = scratch_read(in_site(y, from), data, sizeof data);
    assert_true(n > 0 && n < sizeof data);
    assert_true(scratch_write(in_site(y, to), data, n));
}

static void drop(yard *y, const char *name)
{
    scratch_remove_path(in_site(y, name));
}

static void wrong_names_are_told(void **state)
{
    yard *y = *state;
    static const struct {
        const char *file, *part;
    } rows[] = {
        {VISIT "lane-3/outbond.wav",
         "lane-3/outbond.wav is not used: there is no path 'outbond'; is 'outbound' meant?"},
        {VISIT "lane-3/noise_ear.van.wav", "there is no path 'noise_ear'; is 'noise-ear' meant?"},
        {VISIT "lane-3/recording-of-monday-morning.wav", "its name begins with none of outbound, inbound"},
        {VISIT "lane-3/outbound.Big Van.wav", "the condition 'Big Van' is not a word of small letters"},
        {VISIT "lane-3/outbound..wav", "the condition '' is not a word of small letters"},
        {VISIT "lane-3/outbound.mp3", "recordings are .wav or .flac files; convert it"},
        {VISIT "lane-3/noise-ear.flac",
         "noise-ear.flac is not used: visits/2024-05-14/lane-3/noise-ear.wav is there too"},
        {VISIT "outbound.wav", "recordings lie in lane-N or counter-N"},
        {VISIT "counter-3/outbound.wav", "outbound belongs in the folder of a lane"},
    };
    static const char *const silent[] = {VISIT "lane-3/notes.txt", VISIT "lane-3/.lanetune-part-1-0",
                                         VISIT "results.json"};
    for (size_t i = 0; i < COUNT(rows); i++)
        assert_true(scratch_write(in_site(y, rows[i].file), "x", 1));
    for (size_t i = 0; i < COUNT(silent); i++)
        assert_true(scratch_write(in_site(y, silent[i]), "x", 1));
    assert_int_equal(mkdir(in_site(y, VISIT "lane-9"), 0700), 0);
    lt_survey *s = measure(y);
    for (size_t i = 0; i < COUNT(rows); i++)
        if (note_text(&s->lanes[0].notes, "file-name", rows[i].part) == NULL)
            fail_msg("no note about %s", rows[i].file);
    assert_non_null(note_text(&s->lanes[0].notes, "folder-name", VISIT "lane-9 is not used"));
    assert_int_equal(s->lanes[0].notes.count, COUNT(rows) + 1);
    /* In the order of names, whatever the order on the disk: those of the visit's folder, the lane's, the counter's. */
    const lt_note *items = s->lanes[0].notes.items;
    assert_true(strcmp(items[0].message, items[1].message) < 0);
    for (size_t i = 3; i < 8; i++)
        assert_true(strcmp(items[i - 1].message, items[i].message) < 0);
    assert_int_equal(s->lanes[0].recording_count, 13);
    lt_survey_free(s);
    for (size_t i = 0; i < COUNT(rows); i++)
        drop(y, rows[i].file);
    for (size_t i = 0; i < COUNT(silent); i++)
        drop(y, silent[i]);
    drop(y, VISIT "lane-9");
}

/* ---- conditions ---- */

static void conditions_fall_back_to_the_plain_file(void **state)
{
    yard *y = *state;
    copy_file(y, VISIT "lane-3/noise-ear.wav", VISIT "lane-3/noise-ear.2nd-van.wav");
    copy_file(y, VISIT "counter-3/noise-counter.wav", VISIT "lane-3/noise-counter.wav");
    lt_survey *s = measure(y);
    const lt_tune_lane *t = &s->lanes[0].tune;
    assert_int_equal(t->condition_count, 3);
    assert_string_equal(t->recordings[1].name, "2nd-van");
    assert_string_equal(t->recordings[2].name, "car");
    assert_ptr_equal(t->recordings[1].outbound, t->recordings[0].outbound);
    assert_ptr_equal(t->recordings[1].noise_ear, find(s, VISIT "lane-3/noise-ear.2nd-van.wav")->levels);
    assert_ptr_equal(t->recordings[2].noise_ear, find(s, VISIT "lane-3/noise-ear.car.wav")->levels);
    /* The lane's own recording goes before the counter's. */
    assert_ptr_equal(t->recordings[0].noise_counter, find(s, VISIT "lane-3/noise-counter.wav")->levels);
    lt_survey_free(s);
    drop(y, VISIT "lane-3/noise-ear.2nd-van.wav");
    drop(y, VISIT "lane-3/noise-counter.wav");
}

static void an_empty_lane_that_was_never_recorded_is_no_condition(void **state)
{
    yard *y = *state;
    static const char *const plain[] = {"outbound", "lane-coupling", "noise-ear", "noise-mic", "talk-test"};
    for (size_t i = 0; i < COUNT(plain); i++) {
        char from[80], to[80];
        (void)snprintf(from, sizeof from, VISIT "lane-3/%s.wav", plain[i]);
        (void)snprintf(to, sizeof to, VISIT "%s.kept", plain[i]);
        assert_int_equal(rename(in_site(y, from), in_site(y, to)), 0);
    }
    lt_survey *s = measure(y);
    assert_int_equal(s->lanes[0].tune.condition_count, 1);
    assert_string_equal(s->lanes[0].tune.recordings[0].name, "car");
    assert_non_null(s->lanes[0].tune.recordings[0].inbound);
    assert_int_equal(paths_there(y, s), of_counter);
    lt_survey_free(s);
    for (size_t i = 0; i < COUNT(plain); i++) {
        char from[80], to[80];
        (void)snprintf(from, sizeof from, VISIT "lane-3/%s.wav", plain[i]);
        (void)snprintf(to, sizeof to, VISIT "%s.kept", plain[i]);
        assert_int_equal(rename(in_site(y, to), in_site(y, from)), 0);
    }
}

/* ---- recordings that cannot be trusted ---- */

static lt_signal *load_signal(yard *y, const char *name)
{
    lt_signal *x = NULL;
    lt_error err = {0};
    if (lt_audio_load(in_site(y, name), 0, &x, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
    return x;
}

static void save_signal(yard *y, const char *name, const lt_signal *x, lt_audio_encoding e)
{
    const lt_signal *const list[] = {x};
    lt_error err = {0};
    if (lt_audio_save(in_site(y, name), list, 1, e, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
}

typedef enum { SILENT, FOREIGN, CLIPPED, CUT, NOT_A_NUMBER, TEXT, EMPTY, ONE_FRAME } fault;

static void spoil(yard *y, const char *name, fault f)
{
    lt_signal *x = load_signal(y, name);
    const double gain = f == SILENT ? 0.0 : f == CLIPPED ? 9.0 / lt_signal_peak(x) : 1.0;
    for (size_t i = 0; i < x->count; i++)
        x->samples[i] = fmax(-1.0, fmin(1.0, gain * x->samples[i]));
    if (f == FOREIGN)
        fill_gauss(x->samples, x->count, 0.05, 99);
    if (f == CUT)
        x->count /= 3;
    if (f == ONE_FRAME)
        x->count = 1;
    save_signal(y, name, x, LT_AUDIO_FLOAT);
    lt_signal_free(x);
    if (f == TEXT || f == EMPTY)
        assert_true(scratch_write(in_site(y, name), "hello", f == TEXT ? 5 : 0));
    if (f == NOT_A_NUMBER) { /* a float whose bits are all set, in the middle of the data */
        static uint8_t data[4 << 20];
        const size_t n = scratch_read(in_site(y, name), data, sizeof data);
        memset(data + (n / 2 & ~(size_t)3), 0xff, 8);
        assert_true(scratch_write(in_site(y, name), data, n));
    }
}

static void spoiled_recordings_are_left_out_with_a_reason(void **state)
{
    yard *y = *state;
    static const struct {
        const char *file;
        fault fault;
        const char *part;
    } rows[] = {
        {VISIT "lane-3/outbound.car.wav", SILENT, "is silent"},
        {VISIT "lane-3/outbound.car.wav", FOREIGN, "outbound.car.wav"},
        {VISIT "lane-3/outbound.car.wav", CLIPPED, "is clipped in"},
        {VISIT "lane-3/outbound.car.wav", CUT, "outbound.car.wav"},
        {VISIT "lane-3/outbound.car.wav", NOT_A_NUMBER, "is not a number"},
        {VISIT "lane-3/outbound.car.wav", TEXT, "not a sound file of a known kind"},
        {VISIT "lane-3/outbound.car.wav", EMPTY, "the file is empty"},
        {VISIT "lane-3/outbound.car.wav", ONE_FRAME, "outbound.car.wav"},
        {VISIT "lane-3/noise-ear.car.wav", SILENT, "it is silent"},
        {VISIT "lane-3/noise-ear.car.wav", CLIPPED, "of it is clipped"},
        {VISIT "lane-3/noise-ear.car.wav", NOT_A_NUMBER, "is not a number"},
        {VISIT "lane-3/noise-mic.car.wav", EMPTY, "the file is empty"},
        {VISIT "lane-3/talk-test.car.wav", SILENT, "nobody is heard in it"},
        {VISIT "lane-3/talk-test.car.wav", CLIPPED, "of it is clipped"},
        {VISIT "counter-3/inbound.wav", FOREIGN, "inbound.wav"},
        {VISIT "counter-3/noise-counter.wav", SILENT, "it is silent"},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        copy_file(y, rows[i].file, "kept");
        spoil(y, rows[i].file, rows[i].fault);
        lt_survey *s = measure(y);
        const lt_recording *r = find(s, rows[i].file);
        if (r->usable || r->response != NULL || r->levels != NULL || r->talk_test != NULL)
            fail_msg("row %zu: %s is used", i, rows[i].file);
        const char *text = note_text(&s->lanes[0].notes, "recording-unusable", rows[i].part);
        if (text == NULL || strstr(text, rows[i].file) == NULL || strstr(text, y->dir.path) != NULL)
            fail_msg("row %zu: %s", i, text != NULL ? text : "no such note");
        const lt_tune_recordings *c = &s->lanes[0].tune.recordings[1], *plain = &s->lanes[0].tune.recordings[0];
        if (r->path == LT_PATH_OUTBOUND)
            assert_ptr_equal(c->outbound, plain->outbound);
        if (r->path == LT_PATH_INBOUND)
            assert_null(c->inbound);
        lt_tune_result *result = NULL;
        lt_error err = {0};
        if (lt_survey_tune(s, &result, &err) != LT_OK)
            fail_msg("row %zu: %s", i, err.what);
        assert_true(lt_notes_has(&result[0].warnings, "recording-unusable"));
        lt_tune_results_free(result);
        lt_survey_free(s);
        copy_file(y, "kept", rows[i].file);
    }
    drop(y, "kept");
}

static void without_an_outbound_response_the_fault_is_told(void **state)
{
    yard *y = *state;
    copy_file(y, VISIT "lane-3/outbound.wav", "kept");
    copy_file(y, VISIT "lane-3/outbound.car.wav", "kept2");
    spoil(y, VISIT "lane-3/outbound.wav", SILENT);
    drop(y, VISIT "lane-3/outbound.car.wav");
    lt_survey *s = measure(y);
    lt_tune_result *result = NULL;
    lt_error e1 = {0}, e2 = {0}, e3 = {0};
    assert_int_equal(lt_survey_tune(s, &result, &e1), LT_E_ARG);
    assert_null(result);
    assert_non_null(strstr(e1.what, "lane-3/outbound.wav is silent"));
    lt_survey_free(s);
    drop(y, VISIT "lane-3/outbound.wav");
    s = measure(y);
    assert_int_equal(lt_survey_tune(s, &result, &e2), LT_E_ARG);
    assert_non_null(strstr(e2.what, "outbound.wav is missing"));
    lt_survey_free(s);
    copy_file(y, "kept", VISIT "lane-3/outbound.wav");
    copy_file(y, "kept2", VISIT "lane-3/outbound.car.wav");
    drop(y, "kept");
    drop(y, "kept2");
    copy_file(y, VISIT "visit.yaml", "kept");
    assert_true(scratch_write(in_site(y, VISIT "visit.yaml"), "who: x\n", 7));
    s = measure(y);
    assert_int_equal(lt_survey_tune(s, &result, &e3), LT_E_ARG);
    assert_non_null(strstr(e3.what, "mic_cal_db"));
    assert_non_null(strstr(e3.what, "visit.yaml"));
    lt_survey_free(s);
    copy_file(y, "kept", VISIT "visit.yaml");
    drop(y, "kept");
}

static void a_missing_stimulus_is_told(void **state)
{
    yard *y = *state;
    copy_file(y, VISIT "stimulus.wav", "kept");
    drop(y, VISIT "stimulus.wav");
    lt_survey *s = measure(y);
    assert_false(find(s, VISIT "lane-3/outbound.wav")->usable);
    assert_true(find(s, VISIT "lane-3/noise-ear.wav")->usable);
    assert_non_null(note_text(&s->lanes[0].notes, "recording-unusable", "there is no stimulus.wav"));
    lt_survey_free(s);
    /* Beside the recordings it serves them, and only them. */
    copy_file(y, "kept", VISIT "lane-3/stimulus.wav");
    s = measure(y);
    assert_true(find(s, VISIT "lane-3/outbound.wav")->usable);
    assert_false(find(s, VISIT "counter-3/inbound.wav")->usable);
    lt_survey_free(s);
    drop(y, VISIT "lane-3/stimulus.wav");
    copy_file(y, "kept", VISIT "stimulus.wav");
    drop(y, "kept");
}

/* ---- channels, settings ---- */

static void save_two_channels(yard *y, const char *name, const lt_signal *first, const lt_signal *second)
{
    const lt_signal *const list[] = {first, second};
    lt_error err = {0};
    if (lt_audio_save(in_site(y, name), list, 2, LT_AUDIO_PCM24, NULL, &err) != LT_OK)
        fail_msg("%s", err.what);
}

static void channels_are_chosen_by_what_was_recorded(void **state)
{
    yard *y = *state;
    static const struct {
        const char *file;
        bool microphone;
    } rows[] = {
        {VISIT "lane-3/outbound.wav", true},
        {VISIT "lane-3/lane-coupling.wav", false},
        {VISIT "lane-3/noise-ear.wav", true},
        {VISIT "lane-3/noise-mic.wav", false},
        {VISIT "lane-3/talk-test.wav", false},
        {VISIT "counter-3/inbound.wav", true},
        {VISIT "counter-3/counter-coupling.wav", false},
        {VISIT "counter-3/noise-counter.wav", true},
    };
    for (size_t i = 0; i < COUNT(rows); i++) {
        copy_file(y, rows[i].file, "kept");
        lt_signal *x = load_signal(y, rows[i].file), *silence = NULL;
        assert_int_equal(lt_signal_create(x->count, x->rate_hz, &silence, NULL), LT_OK);
        save_two_channels(y, rows[i].file, rows[i].microphone ? x : silence, rows[i].microphone ? silence : x);
        lt_survey *s = measure(y);
        if (!find(s, rows[i].file)->usable)
            fail_msg("%s: the wrong channel was taken", rows[i].file);
        lt_survey_free(s);
        save_two_channels(y, rows[i].file, rows[i].microphone ? silence : x, rows[i].microphone ? x : silence);
        s = measure(y);
        if (find(s, rows[i].file)->usable)
            fail_msg("%s: the wrong channel was taken", rows[i].file);
        lt_survey_free(s);
        lt_signal_free(x);
        lt_signal_free(silence);
        copy_file(y, "kept", rows[i].file);
    }
    drop(y, "kept");
}

static void a_channel_that_is_not_there_is_told(void **state)
{
    yard *y = *state;
    static const char visit[] =
        "mic_cal_db: 120\nloopback_db: -2\nmic_channel: 3\nsettings:\n  - {lane: 3, outbound_db: "
        "-6}\n  - {lane: 8, inbound_db: 1}\ndate: 2024-05-13\n";
    copy_file(y, VISIT "visit.yaml", "kept");
    copy_file(y, VISIT "lane-3/noise-ear.wav", "kept2");
    assert_true(scratch_write(in_site(y, VISIT "visit.yaml"), visit, sizeof visit - 1));
    lt_signal *x = load_signal(y, VISIT "lane-3/noise-ear.wav");
    save_two_channels(y, VISIT "lane-3/noise-ear.wav", x, x);
    lt_signal_free(x);
    lt_survey *s = measure(y);
    assert_non_null(
        note_text(&s->lanes[0].notes, "recording-unusable", "2 channels, but mic_channel in visit.yaml is 3"));
    assert_true(find(s, VISIT "lane-3/outbound.wav")->usable); /* one channel is that channel */
    assert_non_null(note_text(&s->lanes[0].notes, "visit-settings", "settings of lane 8"));
    assert_non_null(note_text(&s->lanes[0].notes, "visit-date", "2024-05-13"));
    const lt_tune_lane *t = &s->lanes[0].tune;
    int bad = !near_abs("now", t->outbound.now_db, -4.0, 0.0);
    bad += !near_abs("recorded", t->outbound.recorded_db, -6.0, 0.0);
    bad += !near_abs("inbound recorded", t->inbound.recorded_db, t->inbound.now_db, 0.0);
    assert_int_equal(bad, 0);
    lt_survey_free(s);
    copy_file(y, "kept", VISIT "visit.yaml");
    copy_file(y, "kept2", VISIT "lane-3/noise-ear.wav");
    drop(y, "kept");
    drop(y, "kept2");
}

static void truncated_noise_is_used_with_a_word(void **state)
{
    yard *y = *state;
    static uint8_t data[4 << 20];
    copy_file(y, VISIT "lane-3/noise-ear.wav", "kept");
    const size_t n = scratch_read(in_site(y, VISIT "lane-3/noise-ear.wav"), data, sizeof data);
    assert_true(scratch_write(in_site(y, VISIT "lane-3/noise-ear.wav"), data, n * 3 / 4));
    lt_survey *s = measure(y);
    assert_true(find(s, VISIT "lane-3/noise-ear.wav")->usable);
    assert_non_null(note_text(&s->lanes[0].notes, "truncated-file", "noise-ear.wav is shorter than its header says"));
    lt_survey_free(s);
    copy_file(y, "kept", VISIT "lane-3/noise-ear.wav");
    drop(y, "kept");
}

/* Sizes at 0 in the header, as a recorder leaves them that was stopped: read to the end, and the lane says so. */
static void a_header_without_sizes_is_told_with_the_lane(void **state)
{
    yard *y = *state;
    static uint8_t data[4 << 20];
    const char *file = in_site(y, VISIT "lane-3/noise-ear.wav");
    copy_file(y, VISIT "lane-3/noise-ear.wav", "kept");
    const size_t n = scratch_read(file, data, sizeof data);
    size_t at = 12;
    while (at + 8 < n && memcmp(data + at, "data", 4) != 0)
        at++;
    assert_true(at + 8 < n);
    memset(data + 4, 0, 4);
    memset(data + at + 4, 0, 4);
    assert_true(scratch_write(file, data, n));
    lt_survey *s = measure(y);
    const lt_recording *r = find(s, VISIT "lane-3/noise-ear.wav");
    assert_true(r->usable);
    assert_non_null(note_text(&r->notes, "header-sizes", "lane-3/noise-ear.wav: its header does not tell its length"));
    assert_non_null(note_text(&s->lanes[0].notes, "header-sizes", "all of the file was read, 8.0 s of it"));
    lt_tune_result *results = NULL;
    assert_int_equal(lt_survey_tune(s, &results, NULL), LT_OK);
    assert_non_null(note_text(&results[0].warnings, "header-sizes", "past the 4 GiB"));
    lt_tune_results_free(results);
    lt_survey_free(s);
    copy_file(y, "kept", VISIT "lane-3/noise-ear.wav");
    drop(y, "kept");
}

static void a_lane_that_is_not_there_is_told(void **state)
{
    yard *y = *state;
    lt_survey *s = NULL;
    lt_error e1 = {0}, e2 = {0};
    assert_int_equal(lt_survey_measure(y->site, NULL, 4, NULL, NULL, &s, &e1), LT_E_ARG);
    assert_null(s);
    assert_non_null(strstr(e1.what, "there is no lane 4; the first one is 3"));
    assert_int_equal(lt_survey_measure(y->site, "2020-01-01", 3, NULL, NULL, &s, &e2), LT_E_ARG);
    assert_null(s);
    assert_non_null(strstr(e2.what, "there is no visit '2020-01-01'"));
}

static void count_progress(void *context, const char *what, double fraction)
{
    double *last = context;
    assert_non_null(what);
    assert_true(fraction >= *last && fraction <= 1.0);
    *last = fraction;
}

static void progress_rises_to_one(void **state)
{
    yard *y = *state;
    lt_survey *s = NULL;
    double last = 0.0;
    assert_int_equal(lt_survey_measure(y->site, "2024-05-14", 3, count_progress, &last, &s, NULL), LT_OK);
    assert_true(near_abs("progress", last, 1.0, 0.0));
    lt_survey_free(s);
}

SUITE(site_survey)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(all_recordings_are_found_and_measured),
        cmocka_unit_test(measurements_agree_with_the_virtual_lane),
        cmocka_unit_test(settings_come_out),
        cmocka_unit_test(wrong_names_are_told),
        cmocka_unit_test(conditions_fall_back_to_the_plain_file),
        cmocka_unit_test(an_empty_lane_that_was_never_recorded_is_no_condition),
        cmocka_unit_test(spoiled_recordings_are_left_out_with_a_reason),
        cmocka_unit_test(without_an_outbound_response_the_fault_is_told),
        cmocka_unit_test(a_missing_stimulus_is_told),
        cmocka_unit_test(channels_are_chosen_by_what_was_recorded),
        cmocka_unit_test(a_channel_that_is_not_there_is_told),
        cmocka_unit_test(truncated_noise_is_used_with_a_word),
        cmocka_unit_test(a_header_without_sizes_is_told_with_the_lane),
        cmocka_unit_test(a_lane_that_is_not_there_is_told),
        cmocka_unit_test(progress_rises_to_one),
    };
    return cmocka_run_group_tests_name("site_survey", tests, group_setup, group_teardown);
}
