/* SPDX-License-Identifier: MIT
 * visits/DATE/visit.yaml, and the list of visits. Calibrations: dB SPL that reads 0 dBFS; line levels in dBFS. */
#include "base/alloc.h"
#include "site/visit.h"
#include "site/words.h"
#include "site/yaml.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

typedef struct {
    char *condition, *text;
} raw_condition;

typedef struct {
    char *lane, *outbound_db, *inbound_db;
} raw_setting;

typedef struct {
    char *date, *method, *device, *channel, *rate_hz, *level_db, *result_db, *latency_ms;
} raw_calibration;

typedef struct {
    char *date, *who, *weather, *notes, *mic_cal_db, *mic_channel, *line_channel, *loopback_db, *lane_mic_cal_db;
    raw_condition *conditions;
    raw_setting *settings;
    raw_calibration *calibrations;
    unsigned conditions_count, settings_count, calibrations_count;
} raw_visit;

static const cyaml_schema_field_t condition_fields[] = {
    LTP_LEAF(raw_condition, condition),
    LTP_LEAF(raw_condition, text),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t setting_fields[] = {
    LTP_LEAF(raw_setting, lane),
    LTP_LEAF(raw_setting, outbound_db),
    LTP_LEAF(raw_setting, inbound_db),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t calibration_fields[] = {
    LTP_LEAF(raw_calibration, date),      LTP_LEAF(raw_calibration, method),     LTP_LEAF(raw_calibration, device),
    LTP_LEAF(raw_calibration, channel),   LTP_LEAF(raw_calibration, rate_hz),    LTP_LEAF(raw_calibration, level_db),
    LTP_LEAF(raw_calibration, result_db), LTP_LEAF(raw_calibration, latency_ms), CYAML_FIELD_END,
};
static const cyaml_schema_value_t calibration_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_calibration, calibration_fields)};
static const cyaml_schema_value_t condition_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_condition, condition_fields)};
static const cyaml_schema_value_t setting_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_setting, setting_fields)};
static const cyaml_schema_field_t visit_fields[] = {
    LTP_LEAF(raw_visit, date),
    LTP_LEAF(raw_visit, who),
    LTP_LEAF(raw_visit, weather),
    LTP_LEAF(raw_visit, notes),
    LTP_LEAF(raw_visit, mic_cal_db),
    LTP_LEAF(raw_visit, mic_channel),
    LTP_LEAF(raw_visit, line_channel),
    LTP_LEAF(raw_visit, loopback_db),
    LTP_LEAF(raw_visit, lane_mic_cal_db),
    LTP_LIST(raw_visit, conditions, &condition_schema, LT_CONDITIONS_MAX),
    LTP_LIST(raw_visit, settings, &setting_schema, LT_SITE_LANES_MAX),
    LTP_LIST(raw_visit, calibrations, &calibration_schema, LT_CALIBRATIONS_MAX),
    CYAML_FIELD_END,
};
static const cyaml_schema_value_t visit_schema = {CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, raw_visit, visit_fields)};

/* ---- list ---- */

static int by_name(const char *a, const char *b)
{
    return strcmp(a, b);
}

/* Insertion keeps the short list sorted. */
static lt_status insert(char ***list, size_t *count, const char *name, lt_error *err)
{
    char **grown = ltp_realloc(*list, *count + 1, sizeof *grown);
    if (grown == NULL)
        return ltp_fail_nomem(err, "the list of visits");
    *list = grown;
    char *copy = ltp_alloc(strlen(name) + 1, 1);
    if (copy == NULL)
        return ltp_fail_nomem(err, "the list of visits");
    memcpy(copy, name, strlen(name) + 1);
    size_t i = *count;
    for (; i > 0 && by_name(grown[i - 1], name) > 0; i--)
        grown[i] = grown[i - 1];
    grown[i] = copy;
    ++*count;
    return LT_OK;
}

static bool is_folder(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

lt_status lt_visit_list(const char *dir, char ***out, size_t *count, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    char **list = NULL;
    *out = NULL;
    *count = 0;
    size_t n = 0;
    if (!is_folder(dir))
        return ltp_fail(err, LT_E_IO, "%s: there is no such folder; give the folder of a site", dir);
    lt_status st = ltp_site_path(path, err, "%s/visits", dir);
    if (st != LT_OK)
        return st;
    DIR *d = opendir(path);
    if (d == NULL && errno != ENOENT)
        return ltp_fail(err, LT_E_IO, "%s: the folder cannot be read; check its permissions", path);
    for (const struct dirent *e = d == NULL ? NULL : readdir(d); e != NULL && st == LT_OK; e = readdir(d)) {
        if (!ltp_is_visit_name(e->d_name))
            continue;
        st = ltp_site_path(path, err, "%s/visits/%s", dir, e->d_name);
        if (st == LT_OK && is_folder(path))
            st = insert(&list, &n, e->d_name, err);
    }
    if (d != NULL)
        (void)closedir(d);
    if (st != LT_OK) {
        lt_visit_list_free(list, n);
        return st;
    }
    *out = list;
    *count = n;
    return LT_OK;
}

void lt_visit_list_free(char **list, size_t count)
{
    for (size_t i = 0; i < count; i++)
        ltp_free(list[i]);
    ltp_free(list);
}

/* ---- which visit ---- */

static lt_status choose(const char *dir, const char *date, char chosen[32], lt_error *err)
{
    char **list = NULL;
    size_t count = 0;
    lt_status st = lt_visit_list(dir, &list, &count, err);
    if (st != LT_OK)
        return st;
    const char *name = date != NULL ? date : count > 0 ? list[count - 1] : NULL;
    bool found = false;
    for (size_t i = 0; i < count && name != NULL; i++)
        found |= strcmp(list[i], name) == 0;
    if (found)
        (void)snprintf(chosen, 32, "%.31s", name);
    else if (count == 0)
        st = ltp_fail(
            err, LT_E_ARG,
            "%s: the site has no visit yet; make a folder visits/DATE (such as 2024-05-14) with the recordings", dir);
    else
        st = ltp_fail(err, LT_E_ARG, "%s: there is no visit '%.40s'; there are %zu, from %s to %s", dir, date, count,
                      list[0], list[count - 1]);
    lt_visit_list_free(list, count);
    return st;
}

/* ---- read ---- */

static void read_conditions(ltp_yaml *y, const raw_visit *r, lt_visit *v)
{
    for (size_t i = 0; i < r->conditions_count; i++) {
        const char *leaf = r->conditions[i].condition;
        char field[64];
        (void)snprintf(field, sizeof field, "conditions[%zu].condition", i);
        if (leaf == NULL || !ltp_is_condition(leaf))
            (void)ltp_yaml_fail(y, leaf, field,
                                "a condition is a word of small letters, digits and '-', as in the file names");
        ltp_yaml_text(y, leaf, v->conditions[i].condition, sizeof v->conditions[i].condition);
        ltp_yaml_text(y, r->conditions[i].text, v->conditions[i].text, sizeof v->conditions[i].text);
        for (size_t k = 0; k < i; k++)
            if (strcmp(v->conditions[k].condition, v->conditions[i].condition) == 0)
                (void)ltp_yaml_fail(y, leaf, field, "the condition '%s' stands here twice; remove one", leaf);
    }
    v->condition_count = r->conditions_count;
}

static void read_settings(ltp_yaml *y, const raw_visit *r, lt_visit *v)
{
    for (size_t i = 0; i < r->settings_count; i++) {
        char field[64];
        (void)snprintf(field, sizeof field, "settings[%zu].lane", i);
        if (r->settings[i].lane == NULL)
            (void)ltp_yaml_fail(y, NULL, field, "the number of the lane is missing");
        v->settings[i].outbound_db = v->settings[i].inbound_db = (double)NAN;
        ltp_yaml_count(y, r->settings[i].lane, 1, 9999, &v->settings[i].lane);
        ltp_yaml_number_or_null(y, r->settings[i].outbound_db, -200.0, 200.0, (double)NAN, &v->settings[i].outbound_db);
        ltp_yaml_number_or_null(y, r->settings[i].inbound_db, -200.0, 200.0, (double)NAN, &v->settings[i].inbound_db);
        for (size_t k = 0; k < i; k++)
            if (v->settings[k].lane == v->settings[i].lane)
                (void)ltp_yaml_fail(y, r->settings[i].lane, field, "lane %u stands here twice; remove one",
                                    v->settings[i].lane);
    }
    v->setting_count = r->settings_count;
}

static void read_calibrations(ltp_yaml *y, const raw_visit *r, lt_visit *v)
{
    const char *words[LT_CALIBRATED_COUNT];
    for (unsigned i = 0; i < LT_CALIBRATED_COUNT; i++)
        words[i] = lt_calibration_method_name((lt_calibration_method)i);
    for (size_t i = 0; i < r->calibrations_count; i++) {
        const raw_calibration *from = &r->calibrations[i];
        lt_calibration *c = &v->calibrations[i];
        unsigned method = 0;
        c->channel = 1;
        c->rate_hz = c->level_db = c->result_db = c->latency_ms = (double)NAN;
        ltp_yaml_text(y, from->date, c->date, sizeof c->date);
        ltp_yaml_choice(y, from->method, words, LT_CALIBRATED_COUNT, &method);
        c->method = (lt_calibration_method)method;
        ltp_yaml_text(y, from->device, c->device, sizeof c->device);
        ltp_yaml_count(y, from->channel, 1, 1024, &c->channel);
        ltp_yaml_number_or_null(y, from->rate_hz, 1.0, 1e6, (double)NAN, &c->rate_hz);
        ltp_yaml_number_or_null(y, from->level_db, -200.0, 250.0, (double)NAN, &c->level_db);
        ltp_yaml_number_or_null(y, from->result_db, -200.0, 250.0, (double)NAN, &c->result_db);
        ltp_yaml_number_or_null(y, from->latency_ms, 0.0, 10000.0, (double)NAN, &c->latency_ms);
    }
    v->calibration_count = r->calibrations_count;
}

static void read_visit(ltp_yaml *y, const raw_visit *r, lt_visit *v)
{
    ltp_yaml_text(y, r->date, v->stated_date, sizeof v->stated_date);
    ltp_yaml_text(y, r->who, v->who, sizeof v->who);
    ltp_yaml_text(y, r->weather, v->weather, sizeof v->weather);
    ltp_yaml_text(y, r->notes, v->notes, sizeof v->notes);
    ltp_yaml_number_or_null(y, r->mic_cal_db, 0.0, 250.0, (double)NAN, &v->mic_cal_db);
    ltp_yaml_count(y, r->mic_channel, 1, 1024, &v->mic_channel);
    ltp_yaml_count(y, r->line_channel, 1, 1024, &v->line_channel);
    ltp_yaml_number(y, r->loopback_db, -120.0, 120.0, &v->loopback_db);
    ltp_yaml_number_or_null(y, r->lane_mic_cal_db, 0.0, 250.0, (double)NAN, &v->lane_mic_cal_db);
    read_conditions(y, r, v);
    read_settings(y, r, v);
    read_calibrations(y, r, v);
}

lt_status ltp_visit_read(const char *path, const char *date, lt_visit **out, lt_error *err)
{
    ltp_yaml y = {0};
    struct stat s;
    lt_status st = LT_OK;
    *out = NULL;
    lt_visit *v = ltp_alloc(1, sizeof *v);
    if (v == NULL)
        return ltp_fail_nomem(err, "the visit");
    (void)snprintf(v->date, sizeof v->date, "%s", date);
    (void)snprintf(v->stated_date, sizeof v->stated_date, "%s", date);
    v->mic_cal_db = v->lane_mic_cal_db = (double)NAN;
    v->mic_channel = 1;
    v->line_channel = 2;
    if (stat(path, &s) == 0 || errno != ENOENT) {
        st = ltp_yaml_open(&y, path, &visit_schema, false, err);
        if (st == LT_OK && y.raw != NULL) {
            read_visit(&y, y.raw, v);
            st = y.status;
        }
    }
    ltp_yaml_close(&y);
    if (st != LT_OK) {
        lt_visit_free(v);
        return st;
    }
    *out = v;
    return LT_OK;
}

lt_status lt_visit_load(const char *dir, const char *date, lt_visit **out, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], chosen[32];
    *out = NULL;
    lt_status st = choose(dir, date, chosen, err);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/visits/%s/visit.yaml", dir, chosen);
    return st == LT_OK ? ltp_visit_read(path, chosen, out, err) : st;
}

void lt_visit_free(lt_visit *v)
{
    ltp_free(v);
}
