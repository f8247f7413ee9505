/* SPDX-License-Identifier: MIT
 * From a scenario to the folder of a site: site.yaml and visit.yaml with the numbers of the virtual lanes, stimulus,
 * recordings (24 bit), and the true impulse responses (float, recorded full scale per played full scale). */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/words.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double mouth_below_ear_m = 0.09; /* of the virtual customer */

/* ---- what one visit can hold ---- */

static lt_status check(const lt_scenario *s, const char *dir, lt_error *err)
{
    const lt_scene_lane *a = &s->lanes[0];
    if (s->lane_count < 1 || s->lane_count > LT_SCENE_LANES_MAX)
        return ltp_fail(err, LT_E_ARG, "a scenario of %zu lanes; 1 to %d are possible", s->lane_count,
                        (int)LT_SCENE_LANES_MAX);
    if (!ltp_folder_is_free(dir))
        return ltp_fail(err, LT_E_ARG, "%s: the folder is there and not empty; choose another one", dir);
    for (size_t i = 1; i < s->lane_count; i++) {
        const lt_scene_lane *l = &s->lanes[i];
        const struct {
            const char *field;
            double first, here;
        } rows[] = {{"rate_hz", a->rate_hz, l->rate_hz},
                    {"temperature_c", a->temperature_c, l->temperature_c},
                    {"mic_cal_db", a->mic_cal_db, l->mic_cal_db},
                    {"loopback_db", a->loopback_db, l->loopback_db}};
        for (size_t k = 0; k < LTP_COUNT(rows); k++)
            if (fabs(rows[k].first - rows[k].here) > 1e-9)
                return ltp_fail(err, LT_E_ARG,
                                "lanes %u and %u differ in %s (%g and %g); one visit has one value, make them equal",
                                a->lane, l->lane, rows[k].field, rows[k].first, rows[k].here);
    }
    return LT_OK;
}

/* ---- site.yaml, visit.yaml ---- */

static void put(ltp_sheet *t, const char *field, double x)
{
    ltp_sheet_add(t, "%s", field);
    ltp_sheet_number(t, x);
    ltp_sheet_add(t, "\n");
}

static void put_counter(ltp_sheet *t, const lt_scenario *s, size_t i)
{
    ltp_sheet_add(t, "  - counter: %u\n    listening: %s\n", s->lanes[i].lane,
                  ltp_words_listening[s->now[i].listening]);
}

static void put_adjuster(ltp_sheet *t, const char *which, double now_db)
{
    ltp_sheet_add(t, "    %s:\n", which);
    put(t, "      now_db: ", now_db);
    ltp_sheet_add(t, "      min_db: -20\n      max_db: 10\n      step_db: 1\n");
}

/* The geometry of the virtual panel: speaker at the origin's height, the microphone beside it, the ear before it. */
static void put_distances(ltp_sheet *t, const lt_scene_lane *l, double property_line_m)
{
    const double panel_dz = l->microphone_height_m - l->speaker_height_m;
    const double dy = sqrt(fmax(l->speaker_to_microphone_m * l->speaker_to_microphone_m - panel_dz * panel_dz, 0.0));
    const double ear_dz = l->ear_height_m - l->speaker_height_m;
    const double mouth_dz = l->ear_height_m - mouth_below_ear_m - l->microphone_height_m;
    ltp_sheet_add(t, "    distances:\n");
    put(t, "      speaker_to_ear_m: ", sqrt(l->ear_distance_m * l->ear_distance_m + ear_dz * ear_dz));
    put(t,
        "      mouth_to_microphone_m: ", sqrt(l->ear_distance_m * l->ear_distance_m + dy * dy + mouth_dz * mouth_dz));
    put(t, "      speaker_to_microphone_m: ", l->speaker_to_microphone_m);
    put(t, "      speaker_to_property_line_m: ", property_line_m);
}

static void put_lane(ltp_sheet *t, const lt_scenario *s, size_t i)
{
    const lt_scene_lane *l = &s->lanes[i];
    ltp_sheet_add(t, "  - lane: %u\n    name: ", l->lane);
    ltp_sheet_quoted(t, l->name);
    ltp_sheet_add(t, "\n    counter: %u\n    duplex: full\n", l->lane);
    put_adjuster(t, "outbound", s->now[i].outbound_now_db);
    put_adjuster(t, "inbound", s->now[i].inbound_now_db);
    ltp_sheet_add(t, "    eq: {kind: parametric, filters: 3}\n");
    put_distances(t, l, s->now[i].property_line_m);
    put(t, "    amplifier:\n      clip_line_dbfs: ", l->clip_line_dbfs);
    put(t, "    limits:\n      property_line_dba: ", s->now[i].property_line_dba);
}

static lt_status save_site(const lt_scenario *s, const char *dir, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_status st = ltp_site_path(path, err, "%s/site.yaml", dir);
    if (st != LT_OK)
        return st;
    ltp_sheet t = {0};
    ltp_sheet_add(&t, "# A simulated site. What is not written here has its default.\nsite: ");
    ltp_sheet_quoted(&t, s->site);
    put(&t, "\ntemperature_c: ", s->lanes[0].temperature_c);
    ltp_sheet_add(&t, "counters:\n");
    for (size_t i = 0; i < s->lane_count; i++)
        put_counter(&t, s, i);
    ltp_sheet_add(&t, "lanes:\n");
    for (size_t i = 0; i < s->lane_count; i++)
        put_lane(&t, s, i);
    return ltp_sheet_save(&t, path, err);
}

static bool has_condition(const lt_scene_lane *l, size_t count, const char *name)
{
    for (size_t i = 0; i < count; i++)
        if (strcmp(l->conditions[i].name, name) == 0)
            return true;
    return false;
}

static void put_conditions(ltp_sheet *t, const lt_scenario *s)
{
    const char *seen[LT_CONDITIONS_MAX];
    size_t count = 0;
    for (size_t i = 0; i < s->lane_count; i++)
        for (size_t c = 0; c < s->lanes[i].condition_count; c++) {
            const lt_scene_condition *k = &s->lanes[i].conditions[c];
            bool known = k->name[0] == '\0' || count == LT_CONDITIONS_MAX || has_condition(&s->lanes[i], c, k->name);
            for (size_t n = 0; n < count; n++)
                known |= strcmp(seen[n], k->name) == 0;
            if (known)
                continue;
            ltp_sheet_add(t, "%s  - {condition: %s, text: \"%s\"}\n", count == 0 ? "conditions:\n" : "", k->name,
                          k->car_distance_m > 0.0 ? "simulated vehicle at the lane" : "simulated, no vehicle");
            seen[count++] = k->name;
        }
}

static lt_status save_visit(const lt_scenario *s, const char *dir, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    const lt_scene_lane *l = &s->lanes[0];
    bool one_lane_mic = true;
    for (size_t i = 1; i < s->lane_count; i++)
        one_lane_mic &= fabs(s->lanes[i].microphone_line_db - l->microphone_line_db) < 1e-9;
    lt_status st = ltp_site_path(path, err, "%s/visits/%s/visit.yaml", dir, s->date);
    if (st != LT_OK)
        return st;
    ltp_sheet t = {0};
    ltp_sheet_add(&t, "# Simulated recordings.\ndate: \"%s\"\nwho: \"lanetune\"\nweather: \"simulated\"\n", s->date);
    put(&t, "mic_cal_db: ", l->mic_cal_db);
    put(&t, "loopback_db: ", l->loopback_db);
    /* One number for all lanes: where they differ, the talk tests have to do. */
    put(&t, "lane_mic_cal_db: ", one_lane_mic ? l->microphone_line_db : (double)NAN);
    put_conditions(&t, s);
    return ltp_sheet_save(&t, path, err);
}

/* ---- recordings ---- */

typedef struct {
    const lt_scenario *s;
    const char *dir;
    lt_signal *sweep;
    lt_signal *speech; /* of the lane that is being recorded */
    lt_progress progress;
    void *context;
    size_t done, total;
} job;

static const lt_scene_path paths[] = {
    LT_SCENE_OUTBOUND,  LT_SCENE_LANE_COUPLING,    LT_SCENE_LOOP,
    LT_SCENE_NOISE_EAR, LT_SCENE_NOISE_MIC,        LT_SCENE_TALK_TEST,
    LT_SCENE_INBOUND,   LT_SCENE_COUNTER_COUPLING, LT_SCENE_NOISE_COUNTER,
};

static bool is_noise(lt_scene_path p)
{
    return p == LT_SCENE_NOISE_EAR || p == LT_SCENE_NOISE_MIC || p == LT_SCENE_NOISE_COUNTER;
}

static lt_status save_one(const char *path, const lt_signal *x, lt_audio_encoding encoding, lt_error *err)
{
    const lt_signal *const list[] = {x};
    return lt_audio_save(path, list, 1, encoding, NULL, err);
}

static bool is_of_counter(lt_scene_path p)
{
    return p == LT_SCENE_INBOUND || p == LT_SCENE_COUNTER_COUPLING || p == LT_SCENE_NOISE_COUNTER;
}

/* The file's name below the folder, as the survey looks for it. What stands at the lane makes no difference at the
 * counter. */
static void name_of(lt_scene_path p, const lt_scene_condition *c, char name[96])
{
    const char *condition = is_of_counter(p) ? "" : c->name;
    (void)snprintf(name, 96, "%s%s%s.wav", lt_scene_path_name(p), condition[0] != '\0' ? "." : "", condition);
}

static lt_status record(job *j, const lt_scene_lane *l, size_t condition, lt_scene_path p, const char *folder,
                        lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], name[96];
    lt_signal *x = NULL;
    name_of(p, &l->conditions[condition], name);
    lt_status st = ltp_site_path(path, err, "%s/%s/%s", j->dir, folder, name);
    if (st != LT_OK)
        return st;
    if (j->progress != NULL)
        j->progress(j->context, name, (double)j->done / (double)j->total);
    if (p == LT_SCENE_TALK_TEST && j->speech == NULL)
        st = lt_scene_talker(l->rate_hz, j->s->talk_seconds, l->seed, &j->speech, err);
    if (st == LT_OK)
        st = lt_scene_record(l, condition, p,
                             p == LT_SCENE_TALK_TEST ? j->speech
                             : is_noise(p)           ? NULL
                                                     : j->sweep,
                             is_noise(p) ? j->s->noise_seconds : 0.0, l->talker_db, &x, err);
    if (st == LT_OK)
        st = save_one(path, x, LT_AUDIO_PCM24, err);
    j->done++;
    lt_signal_free(x);
    return st;
}

/* The impulse response that a measurement should find. */
static lt_status save_truth(job *j, const lt_scene_lane *l, size_t condition, lt_scene_path p, lt_error *err)
{
    char folder[LTP_SITE_PATH_MAX], path[LTP_SITE_PATH_MAX], name[96];
    lt_ir *ir = NULL;
    lt_signal *x = NULL;
    name_of(p, &l->conditions[condition], name);
    lt_status st = ltp_site_path(folder, err, "%s/truth/lane-%u", j->dir, l->lane);
    if (st == LT_OK)
        st = ltp_folder_make(folder, err);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/%s", folder, name);
    if (st == LT_OK)
        st = lt_scene_ir(l, condition, p, &ir, err);
    if (st == LT_OK)
        st = lt_ir_to_signal(ir, &x, err);
    if (st == LT_OK)
        st = save_one(path, x, LT_AUDIO_FLOAT, err);
    lt_ir_free(ir);
    lt_signal_free(x);
    return st;
}

static lt_status record_path(job *j, const lt_scene_lane *l, lt_scene_path p, lt_error *err)
{
    char kind[32], folder[80];
    if (p == LT_SCENE_LOOP && !j->s->record_loop)
        return LT_OK;
    ltp_folder_name(is_of_counter(p), l->lane, kind);
    (void)snprintf(folder, sizeof folder, "visits/%s/%s", j->s->date, kind);
    lt_status st = LT_OK;
    for (size_t c = 0; c < (is_of_counter(p) ? 1 : l->condition_count) && st == LT_OK; c++) {
        st = record(j, l, c, p, folder, err);
        if (st == LT_OK && !is_noise(p) && p != LT_SCENE_TALK_TEST)
            st = save_truth(j, l, c, p, err);
    }
    return st;
}

static lt_status make_folders(const lt_scenario *s, const char *dir, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], folder[32];
    lt_status st = LT_OK;
    for (size_t i = 0; i < 2 * s->lane_count && st == LT_OK; i++) {
        ltp_folder_name(i % 2 == 1, s->lanes[i / 2].lane, folder);
        st = ltp_site_path(path, err, "%s/visits/%s/%s", dir, s->date, folder);
        if (st == LT_OK)
            st = ltp_folder_make(path, err);
    }
    return st;
}

static lt_status make_stimulus(job *j, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    lt_sweep_options opt = lt_sweep_default_options();
    opt.rate_hz = j->s->lanes[0].rate_hz;
    opt.seconds = j->s->sweep_seconds;
    opt.to_hz = fmin(opt.to_hz, 0.45 * opt.rate_hz);
    lt_status st = ltp_site_path(path, err, "%s/visits/%s/stimulus.wav", j->dir, j->s->date);
    lt_signal *made = NULL;
    if (st == LT_OK)
        st = lt_sweep_create(&opt, &made, err);
    if (st == LT_OK)
        st = save_one(path, made, LT_AUDIO_PCM24, err);
    lt_signal_free(made);
    /* What is played is what lies in the file. */
    return st == LT_OK ? lt_audio_load(path, 0, &j->sweep, NULL, err) : st;
}

lt_status lt_scenario_record(const lt_scenario *s, const char *dir, lt_progress progress, void *context, lt_error *err)
{
    job j = {.s = s, .dir = dir, .progress = progress, .context = context};
    lt_status st = check(s, dir, err);
    if (st == LT_OK)
        st = make_folders(s, dir, err);
    if (st == LT_OK)
        st = make_stimulus(&j, err);
    for (size_t i = 0; i < s->lane_count; i++)
        j.total += (s->record_loop ? 6 : 5) * s->lanes[i].condition_count + 3;
    for (size_t i = 0; i < s->lane_count; i++) {
        for (size_t k = 0; k < LTP_COUNT(paths) && st == LT_OK; k++)
            st = record_path(&j, &s->lanes[i], paths[k], err);
        lt_signal_free(j.speech);
        j.speech = NULL;
    }
    if (st == LT_OK)
        st = save_visit(s, dir, err);
    /* Last: a folder with site.yaml is complete. */
    if (st == LT_OK)
        st = save_site(s, dir, err);
    if (st == LT_OK && progress != NULL)
        progress(context, "", 1.0);
    lt_signal_free(j.sweep);
    return st;
}
