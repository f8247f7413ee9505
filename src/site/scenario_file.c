/* SPDX-License-Identifier: MIT
 * SCENARIO.yaml: a virtual site. Every field has the default of lt_scene_lane_default(). */
#include "base/alloc.h"
#include "site/words.h"
#include "site/yaml.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* clang-format off */
/* Numbers of a lane, with the ranges that the virtual lane takes: X(field, lowest, highest). */
#define LANE_NUMBERS(X)                                                                                                \
    X(rate_hz, 16000, 192000)                                                                                          \
    X(temperature_c, -40, 60)                                                                                          \
    X(speaker_height_m, 0.1, 5) X(microphone_height_m, 0.1, 5) X(speaker_to_microphone_m, 0.02, 5)                     \
        X(ear_distance_m, 0.1, 10) X(ear_height_m, 0.2, 5) X(ground_reflection, 0, 1) X(canopy_height_m, 0, 10)        \
            X(canopy_reflection, 0, 1) X(wall_distance_m, 0, 100) X(wall_reflection, 0, 0.98)                          \
                X(speaker_low_hz, 20, 2000) X(speaker_resonance_q, 0.3, 5) X(speaker_high_hz, 2000, 86000)             \
                    X(speaker_spl_db, 20, 140) X(microphone_line_db, 20, 180) X(microphone_low_hz, 5, 2000)            \
                        X(microphone_high_hz, 2000, 86000) X(hub_delay_ms, 0, 1000) X(road_dba, 0, 120)                \
                            X(passes_per_minute, 0, 60) X(pass_dba, 0, 120) X(wind_dba, 0, 100)                        \
                                X(microphone_noise_db, -40, 20) X(hum_hz, 0, 400) X(hum_line_dbfs, -200, 0)            \
                                    X(talker_db, 20, 120) X(counter_spl_db, 20, 140) X(counter_coupling_db, -120, 40)  \
                                        X(counter_noise_dba, 0, 120) X(mic_cal_db, 40, 200) X(loopback_db, -80, 40)    \
                                            X(recorder_noise_dbfs, -300, 0) X(drift_ppm, -1000, 1000)                  \
                                                X(start_s, 0, 60)

/* null = none: X(field, lowest, highest, value of null). */
#define LANE_ABSENT(X)                                                                                                 \
    X(clip_line_dbfs, -60, 40, (double)NAN)                                                                            \
    X(housing_leak_db, -120, 40, -(double)INFINITY) X(crosstalk_db, -120, 20, -(double)INFINITY)

#define CONDITION_NUMBERS(X)                                                                                           \
    X(car_distance_m, 0, 20) X(car_height_m, 0, 5) X(car_reflection, 0, 0.98) X(idle_engine_dba, 0, 120)
/* clang-format on */

typedef struct {
    char *name;
#define X(field, lowest, highest) char *field;
    CONDITION_NUMBERS(X)
#undef X
} raw_condition;

typedef struct {
    char *lane, *name, *seed, *inverted, *outbound_now_db, *inbound_now_db, *listening, *property_line_m,
        *property_line_dba;
#define X(field, lowest, highest) char *field;
    LANE_NUMBERS(X)
#undef X
#define X(field, lowest, highest, none) char *field;
    LANE_ABSENT(X)
#undef X
    raw_condition *conditions;
    unsigned conditions_count;
} raw_lane;

typedef struct {
    char *site, *date, *sweep_seconds, *noise_seconds, *talk_seconds, *record_loop;
    raw_lane *lanes;
    unsigned lanes_count;
} raw_scenario;

static const cyaml_schema_field_t condition_fields[] = {
    LTP_LEAF(raw_condition, name),
#define X(field, lowest, highest) LTP_LEAF(raw_condition, field),
    CONDITION_NUMBERS(X)
#undef X
        CYAML_FIELD_END,
};
static const cyaml_schema_value_t condition_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_condition, condition_fields)};
static const cyaml_schema_field_t lane_fields[] = {
    LTP_LEAF(raw_lane, lane),
    LTP_LEAF(raw_lane, name),
    LTP_LEAF(raw_lane, seed),
    LTP_LEAF(raw_lane, inverted),
    LTP_LEAF(raw_lane, outbound_now_db),
    LTP_LEAF(raw_lane, inbound_now_db),
    LTP_LEAF(raw_lane, listening),
    LTP_LEAF(raw_lane, property_line_m),
    LTP_LEAF(raw_lane, property_line_dba),
#define X(field, lowest, highest) LTP_LEAF(raw_lane, field),
    LANE_NUMBERS(X)
#undef X
#define X(field, lowest, highest, none) LTP_LEAF(raw_lane, field),
        LANE_ABSENT(X)
#undef X
            LTP_LIST(raw_lane, conditions, &condition_schema, LT_SCENE_CONDITIONS_MAX),
    CYAML_FIELD_END,
};
static const cyaml_schema_value_t lane_schema = {CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_lane, lane_fields)};
static const cyaml_schema_field_t scenario_fields[] = {
    LTP_LEAF(raw_scenario, site),
    LTP_LEAF(raw_scenario, date),
    LTP_LEAF(raw_scenario, sweep_seconds),
    LTP_LEAF(raw_scenario, noise_seconds),
    LTP_LEAF(raw_scenario, talk_seconds),
    LTP_LEAF(raw_scenario, record_loop),
    LTP_LIST(raw_scenario, lanes, &lane_schema, LT_SCENE_LANES_MAX),
    CYAML_FIELD_END,
};
static const cyaml_schema_value_t scenario_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, raw_scenario, scenario_fields)};

/* ---- read ---- */

static void read_conditions(ltp_yaml *y, const raw_lane *r, size_t lane, lt_scene_lane *l)
{
    if (r->conditions_count == 0)
        return;
    l->condition_count = r->conditions_count;
    for (size_t i = 0; i < r->conditions_count; i++) {
        const raw_condition *rc = &r->conditions[i];
        lt_scene_condition *c = &l->conditions[i];
        char field[64];
        (void)snprintf(field, sizeof field, "lanes[%zu].conditions[%zu].name", lane, i);
        *c = (lt_scene_condition){.car_height_m = 1.45, .car_reflection = 0.6};
        ltp_yaml_text(y, rc->name, c->name, sizeof c->name);
        if (c->name[0] != '\0' && !ltp_is_condition(c->name))
            (void)ltp_yaml_fail(y, rc->name, field, "a condition is a word of small letters, digits and '-'");
#define X(name, lowest, highest) ltp_yaml_number(y, rc->name, lowest, highest, &c->name);
        CONDITION_NUMBERS(X)
#undef X
        for (size_t k = 0; k < i; k++)
            if (strcmp(l->conditions[k].name, c->name) == 0)
                (void)ltp_yaml_fail(y, rc->name, field, "the condition '%s' stands here twice; remove one", c->name);
    }
}

static void read_lane(ltp_yaml *y, const raw_lane *r, lt_scenario *s, size_t i)
{
    lt_scene_lane *l = &s->lanes[i];
    unsigned seed = (unsigned)l->seed, listening = s->now[i].listening;
    char field[64];
    (void)snprintf(field, sizeof field, "lanes[%zu].lane", i);
    ltp_yaml_count(y, r->lane, 1, 9999, &l->lane);
    for (size_t k = 0; k < i; k++)
        if (s->lanes[k].lane == l->lane)
            (void)ltp_yaml_fail(y, r->lane, field, "lane %u stands here twice; each lane needs its own number",
                                l->lane);
    ltp_yaml_text(y, r->name, l->name, sizeof l->name);
    ltp_yaml_count(y, r->seed, 0, 4294967295U, &seed);
    l->seed = seed;
    ltp_yaml_flag(y, r->inverted, &l->inverted);
#define X(name, lowest, highest) ltp_yaml_number(y, r->name, lowest, highest, &l->name);
    LANE_NUMBERS(X)
#undef X
#define X(name, lowest, highest, none) ltp_yaml_number_or_null(y, r->name, lowest, highest, none, &l->name);
    LANE_ABSENT(X)
#undef X
    read_conditions(y, r, i, l);
    ltp_yaml_number(y, r->outbound_now_db, -20.0, 10.0, &s->now[i].outbound_now_db);
    ltp_yaml_number(y, r->inbound_now_db, -20.0, 10.0, &s->now[i].inbound_now_db);
    ltp_yaml_choice(y, r->listening, ltp_words_listening, LT_LISTEN_COUNT, &listening);
    s->now[i].listening = (lt_listening)listening;
    ltp_yaml_number_or_null(y, r->property_line_m, 0.01, 100000.0, (double)NAN, &s->now[i].property_line_m);
    ltp_yaml_number_or_null(y, r->property_line_dba, 0.0, 140.0, (double)NAN, &s->now[i].property_line_dba);
}

static void read_scenario(ltp_yaml *y, const raw_scenario *r, lt_scenario *s)
{
    ltp_yaml_text(y, r->site, s->site, sizeof s->site);
    ltp_yaml_text(y, r->date, s->date, sizeof s->date);
    if (!ltp_is_visit_name(s->date))
        (void)ltp_yaml_fail(y, r->date, "date", "'%s' is no name of a visit; write a date such as 2024-05-14", s->date);
    ltp_yaml_number(y, r->sweep_seconds, 0.2, 120.0, &s->sweep_seconds);
    ltp_yaml_number(y, r->noise_seconds, 1.0, 3600.0, &s->noise_seconds);
    ltp_yaml_number(y, r->talk_seconds, 1.0, 600.0, &s->talk_seconds);
    ltp_yaml_flag(y, r->record_loop, &s->record_loop);
    for (size_t i = 0; i < r->lanes_count; i++)
        read_lane(y, &r->lanes[i], s, i);
}

/* ---- create ---- */

static lt_status create(size_t lanes, lt_scenario **out, lt_error *err)
{
    *out = NULL;
    lt_scenario *s = ltp_alloc(1, sizeof *s);
    lt_scene_lane *l = ltp_alloc(lanes, sizeof *l);
    if (s == NULL || l == NULL) {
        ltp_free(s);
        ltp_free(l);
        return ltp_fail_nomem(err, "the scenario");
    }
    *s = (lt_scenario){.site = "Simulated site",
                       .date = "2024-05-14",
                       .sweep_seconds = 6.0,
                       .noise_seconds = 60.0,
                       .talk_seconds = 30.0,
                       .lanes = l,
                       .lane_count = lanes};
    for (size_t i = 0; i < lanes; i++) {
        l[i] = lt_scene_lane_default();
        l[i].lane = (unsigned)i + 1;
        l[i].seed = i + 1; /* other noise in each lane */
        s->now[i].listening = LT_LISTEN_LOUDSPEAKER;
        s->now[i].property_line_m = s->now[i].property_line_dba = (double)NAN;
    }
    *out = s;
    return LT_OK;
}

lt_status lt_scenario_load(const char *path, lt_scenario **out, lt_error *err)
{
    ltp_yaml y = {0};
    lt_scenario *s = NULL;
    *out = NULL;
    lt_status st = ltp_yaml_open(&y, path, &scenario_schema, true, err);
    if (st != LT_OK)
        goto done;
    const raw_scenario *raw = y.raw;
    st = create(raw->lanes_count > 0 ? raw->lanes_count : 1, &s, err);
    if (st != LT_OK)
        goto done;
    read_scenario(&y, raw, s);
    st = y.status;
    if (st != LT_OK)
        goto done;
    *out = s;
    s = NULL;
done:
    lt_scenario_free(s);
    ltp_yaml_close(&y);
    return st;
}

lt_status lt_scenario_demo(lt_scenario **out, lt_error *err)
{
    const size_t lanes = lt_scene_demo_count();
    const lt_status st = create(lanes, out, err);
    if (st != LT_OK)
        return st;
    (void)snprintf((*out)->site, sizeof(*out)->site, "Juniper Hill Pharmacy (invented)");
    for (size_t i = 0; i < lanes; i++)
        (*out)->lanes[i] = lt_scene_demo_lane(i);
    (*out)->now[0].listening = LT_LISTEN_HANDSET;
    return LT_OK;
}

void lt_scenario_free(lt_scenario *s)
{
    if (s == NULL)
        return;
    ltp_free(s->lanes);
    ltp_free(s);
}
