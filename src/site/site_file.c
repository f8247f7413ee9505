/* SPDX-License-Identifier: MIT
 * site.yaml: schema, defaults, ranges. Levels in dB, distances in m; dial positions in dB re an arbitrary zero. */
#define _XOPEN_SOURCE 700 /* realpath */

#include "base/alloc.h"
#include "site/words.h"
#include "site/yaml.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

enum { COUPLINGS_MAX = 256 };

/* ---- what stands in the file: every single value as text ---- */

typedef struct {
    char *counter, *name, *listening, *line_speech_dbov, *coupling_db, *talk_percent, *shift_hours;
} raw_counter;

typedef struct {
    char *now_db, *min_db, *max_db, *step_db, *shared;
    char **steps_db;
    unsigned steps_db_count;
} raw_adjuster;

typedef struct {
    char *kind, *min_db, *max_db, *step_db, *filters;
    char **bands_hz;
    unsigned bands_hz_count;
} raw_eq;

typedef struct {
    char *speaker_to_ear_m, *mouth_to_microphone_m, *speaker_to_microphone_m, *speaker_to_property_line_m,
        *speaker_to_bystander_m;
} raw_distances;

typedef struct {
    char *clip_line_dbfs, *volts_at_0_dbfs;
} raw_amplifier;

typedef struct {
    char *impedance_ohm, *power_w;
} raw_speaker;

typedef struct {
    char *gauge_awg, *length_m;
} raw_cable;

typedef struct {
    char *safe_margin_db, *ear_dba, *operator_dba, *property_line_dba, *talker_echo;
} raw_limits;

typedef struct {
    char *lane, *name, *counter, *duplex, *switching_attenuation_db, *vocal_effort, *target_sii, *noise;
    raw_adjuster *outbound, *inbound;
    raw_eq *eq;
    raw_distances *distances;
    raw_amplifier *amplifier;
    raw_speaker *speaker;
    raw_cable *cable;
    raw_limits *limits;
} raw_lane;

typedef struct {
    char *between, *from, *to, *level_db, *distance_m;
} raw_coupling;

typedef struct {
    char *site, *temperature_c;
    raw_counter *counters;
    unsigned counters_count;
    raw_lane *lanes;
    unsigned lanes_count;
    raw_coupling *couplings;
    unsigned couplings_count;
} raw_site;

static const cyaml_schema_field_t counter_fields[] = {
    LTP_LEAF(raw_counter, counter),     LTP_LEAF(raw_counter, name),
    LTP_LEAF(raw_counter, listening),   LTP_LEAF(raw_counter, line_speech_dbov),
    LTP_LEAF(raw_counter, coupling_db), LTP_LEAF(raw_counter, talk_percent),
    LTP_LEAF(raw_counter, shift_hours), CYAML_FIELD_END,
};
static const cyaml_schema_field_t adjuster_fields[] = {
    LTP_LEAF(raw_adjuster, now_db),
    LTP_LEAF(raw_adjuster, min_db),
    LTP_LEAF(raw_adjuster, max_db),
    LTP_LEAF(raw_adjuster, step_db),
    LTP_LIST(raw_adjuster, steps_db, &ltp_yaml_leaf, LT_STEPS_MAX),
    LTP_LEAF(raw_adjuster, shared),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t eq_fields[] = {
    LTP_LEAF(raw_eq, kind),    LTP_LIST(raw_eq, bands_hz, &ltp_yaml_leaf, LT_EQ_BANDS_MAX),
    LTP_LEAF(raw_eq, min_db),  LTP_LEAF(raw_eq, max_db),
    LTP_LEAF(raw_eq, step_db), LTP_LEAF(raw_eq, filters),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t distance_fields[] = {
    LTP_LEAF(raw_distances, speaker_to_ear_m),        LTP_LEAF(raw_distances, mouth_to_microphone_m),
    LTP_LEAF(raw_distances, speaker_to_microphone_m), LTP_LEAF(raw_distances, speaker_to_property_line_m),
    LTP_LEAF(raw_distances, speaker_to_bystander_m),  CYAML_FIELD_END,
};
static const cyaml_schema_field_t amplifier_fields[] = {
    LTP_LEAF(raw_amplifier, clip_line_dbfs),
    LTP_LEAF(raw_amplifier, volts_at_0_dbfs),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t speaker_fields[] = {
    LTP_LEAF(raw_speaker, impedance_ohm),
    LTP_LEAF(raw_speaker, power_w),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t cable_fields[] = {
    LTP_LEAF(raw_cable, gauge_awg),
    LTP_LEAF(raw_cable, length_m),
    CYAML_FIELD_END,
};
static const cyaml_schema_field_t limit_fields[] = {
    LTP_LEAF(raw_limits, safe_margin_db),    LTP_LEAF(raw_limits, ear_dba),     LTP_LEAF(raw_limits, operator_dba),
    LTP_LEAF(raw_limits, property_line_dba), LTP_LEAF(raw_limits, talker_echo), CYAML_FIELD_END,
};
static const cyaml_schema_field_t lane_fields[] = {
    LTP_LEAF(raw_lane, lane),
    LTP_LEAF(raw_lane, name),
    LTP_LEAF(raw_lane, counter),
    LTP_LEAF(raw_lane, duplex),
    LTP_LEAF(raw_lane, switching_attenuation_db),
    LTP_GROUP(raw_lane, outbound, adjuster_fields),
    LTP_GROUP(raw_lane, inbound, adjuster_fields),
    LTP_GROUP(raw_lane, eq, eq_fields),
    LTP_LEAF(raw_lane, vocal_effort),
    LTP_GROUP(raw_lane, distances, distance_fields),
    LTP_GROUP(raw_lane, amplifier, amplifier_fields),
    LTP_GROUP(raw_lane, speaker, speaker_fields),
    LTP_GROUP(raw_lane, cable, cable_fields),
    LTP_GROUP(raw_lane, limits, limit_fields),
    LTP_LEAF(raw_lane, target_sii),
    LTP_LEAF(raw_lane, noise),
    CYAML_FIELD_END,
};
static const cyaml_schema_value_t counter_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_counter, counter_fields)};
static const cyaml_schema_value_t lane_schema = {CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_lane, lane_fields)};
static const cyaml_schema_field_t coupling_fields[] = {
    LTP_LEAF(raw_coupling, between),  LTP_LEAF(raw_coupling, from),       LTP_LEAF(raw_coupling, to),
    LTP_LEAF(raw_coupling, level_db), LTP_LEAF(raw_coupling, distance_m), CYAML_FIELD_END,
};
static const cyaml_schema_value_t coupling_schema = {
    CYAML_VALUE_MAPPING(CYAML_FLAG_DEFAULT, raw_coupling, coupling_fields)};
static const cyaml_schema_field_t site_fields[] = {
    LTP_LEAF(raw_site, site),
    LTP_LEAF(raw_site, temperature_c),
    LTP_LIST(raw_site, counters, &counter_schema, LT_SITE_LANES_MAX),
    LTP_LIST(raw_site, lanes, &lane_schema, LT_SITE_LANES_MAX),
    LTP_LIST(raw_site, couplings, &coupling_schema, COUPLINGS_MAX),
    CYAML_FIELD_END,
};
static const cyaml_schema_value_t site_schema = {CYAML_VALUE_MAPPING(CYAML_FLAG_POINTER, raw_site, site_fields)};

/* ---- from text to numbers ---- */

enum { NUMBER_MAX = 9999 };
static const double dial_max_db = 200.0;

static void read_counter(ltp_yaml *y, const raw_counter *r, lt_counter *c)
{
    unsigned listening = c->listening;
    ltp_yaml_count(y, r->counter, 1, NUMBER_MAX, &c->counter);
    ltp_yaml_text(y, r->name, c->name, sizeof c->name);
    ltp_yaml_choice(y, r->listening, ltp_words_listening, LT_LISTEN_COUNT, &listening);
    c->listening = (lt_listening)listening;
    ltp_yaml_number(y, r->line_speech_dbov, -60.0, 0.0, &c->line_speech_dbov);
    ltp_yaml_number_or_null(y, r->coupling_db, -120.0, 40.0, (double)NAN, &c->coupling_db);
    ltp_yaml_number_or_null(y, r->talk_percent, 1.0, 100.0, (double)NAN, &c->talk_percent);
    ltp_yaml_number_or_null(y, r->shift_hours, 0.5, 24.0, (double)NAN, &c->shift_hours);
}

/* The table replaces min_db, max_db and step_db. */
static void read_step_table(ltp_yaml *y, const raw_adjuster *r, lt_adjuster *a)
{
    for (unsigned k = 0; k < r->steps_db_count; k++) {
        double x = (double)NAN;
        ltp_yaml_number(y, r->steps_db[k], -dial_max_db, dial_max_db, &x);
        if (k > 0 && !(x > a->steps_db[k - 1]))
            (void)ltp_yaml_fail(y, r->steps_db[k], "steps_db", "the steps must rise; %s stands behind %g",
                                r->steps_db[k], a->steps_db[k - 1]);
        a->steps_db[k] = x;
    }
    a->step_count = r->steps_db_count;
}

static void read_step_range(ltp_yaml *y, const raw_adjuster *r, lt_adjuster *a)
{
    double min_db = -20.0, max_db = 10.0, step_db = 1.0;
    const char *leaf = r->max_db != NULL ? r->max_db : r->min_db;
    ltp_yaml_number(y, r->min_db, -dial_max_db, dial_max_db, &min_db);
    ltp_yaml_number(y, r->max_db, -dial_max_db, dial_max_db, &max_db);
    ltp_yaml_number(y, r->step_db, 0.01, 2.0 * dial_max_db, &step_db);
    if (min_db > max_db)
        (void)ltp_yaml_fail(y, leaf, "max_db", "min_db %g is above max_db %g; swap them", min_db, max_db);
    else if (!ltp_make_steps(min_db, max_db, step_db, a))
        (void)ltp_yaml_fail(y, r->step_db != NULL ? r->step_db : leaf, "step_db",
                            "from %g to %g in steps of %g are more than %d steps; make the step larger", min_db, max_db,
                            step_db, (int)LT_STEPS_MAX);
}

static void read_adjuster(ltp_yaml *y, const raw_adjuster *r, lt_adjuster *a)
{
    if (r == NULL)
        return;
    ltp_yaml_number(y, r->now_db, -dial_max_db, dial_max_db, &a->now_db);
    a->recorded_db = a->now_db;
    if (r->steps_db_count > 0)
        read_step_table(y, r, a);
    else
        read_step_range(y, r, a);
    ltp_yaml_text(y, r->shared, a->shared, sizeof a->shared);
}

static void read_eq(ltp_yaml *y, const raw_eq *r, lt_eq *eq)
{
    if (r == NULL)
        return;
    unsigned kind = eq->kind;
    ltp_yaml_choice(y, r->kind, ltp_words_eq, LT_EQ_KIND_COUNT, &kind);
    eq->kind = (lt_eq_kind)kind;
    for (unsigned k = 0; k < r->bands_hz_count; k++) {
        ltp_yaml_number(y, r->bands_hz[k], 10.0, 24000.0, &eq->bands_hz[k]);
        if (k > 0 && !(eq->bands_hz[k] > eq->bands_hz[k - 1]))
            (void)ltp_yaml_fail(y, r->bands_hz[k], "bands_hz", "the bands must rise; %s stands behind %g",
                                r->bands_hz[k], eq->bands_hz[k - 1]);
    }
    eq->band_count = r->bands_hz_count;
    ltp_yaml_number(y, r->min_db, -60.0, 0.0, &eq->min_db);
    ltp_yaml_number(y, r->max_db, 0.0, 60.0, &eq->max_db);
    ltp_yaml_number(y, r->step_db, 0.01, 60.0, &eq->step_db);
    ltp_yaml_count(y, r->filters, 0, 64, &eq->filters);
    if (eq->kind == LT_EQ_GRAPHIC && eq->band_count == 0)
        (void)ltp_yaml_fail(y, r->kind, "eq", "a graphic equalizer needs its bands_hz, such as [125, 250, 500, 1000]");
}

static void read_distances(ltp_yaml *y, const raw_distances *r, lt_tune_lane *t)
{
    if (r == NULL)
        return;
    ltp_yaml_number(y, r->speaker_to_ear_m, 0.01, 1000.0, &t->speaker_to_ear_m);
    ltp_yaml_number(y, r->mouth_to_microphone_m, 0.01, 1000.0, &t->mouth_to_microphone_m);
    ltp_yaml_number(y, r->speaker_to_microphone_m, 0.001, 1000.0, &t->speaker_to_microphone_m);
    ltp_yaml_number_or_null(y, r->speaker_to_property_line_m, 0.01, 100000.0, (double)NAN,
                            &t->speaker_to_property_line_m);
    ltp_yaml_number_or_null(y, r->speaker_to_bystander_m, 0.01, 1000.0, (double)NAN, &t->speaker_to_bystander_m);
}

static void read_hardware(ltp_yaml *y, const raw_lane *r, lt_tune_lane *t)
{
    if (r->amplifier != NULL) {
        ltp_yaml_number_or_null(y, r->amplifier->clip_line_dbfs, -100.0, 60.0, (double)NAN, &t->clip_line_dbfs);
        ltp_yaml_number_or_null(y, r->amplifier->volts_at_0_dbfs, 0.001, 10000.0, (double)NAN, &t->volts_at_0_dbfs);
    }
    if (r->speaker != NULL) {
        ltp_yaml_number(y, r->speaker->impedance_ohm, 0.5, 10000.0, &t->speaker_ohm);
        ltp_yaml_number_or_null(y, r->speaker->power_w, 0.001, 10000.0, (double)NAN, &t->speaker_power_w);
    }
    if (r->cable != NULL) {
        ltp_yaml_number(y, r->cable->gauge_awg, 0.0, 40.0, &t->cable_gauge_awg);
        ltp_yaml_number(y, r->cable->length_m, 0.0, 10000.0, &t->cable_length_m);
    }
}

/* null = no such limit. */
static void read_limits(ltp_yaml *y, const raw_limits *r, lt_tune_lane *t)
{
    if (r == NULL)
        return;
    unsigned echo = t->echo_limit;
    ltp_yaml_number_or_null(y, r->safe_margin_db, 0.0, 60.0, (double)NAN, &t->safe_margin_limit_db);
    ltp_yaml_number_or_null(y, r->ear_dba, 0.0, 140.0, (double)NAN, &t->ear_limit_dba);
    ltp_yaml_number_or_null(y, r->operator_dba, 0.0, 140.0, (double)NAN, &t->operator_limit_dba);
    ltp_yaml_number_or_null(y, r->property_line_dba, 0.0, 140.0, (double)NAN, &t->property_line_limit_dba);
    ltp_yaml_choice(y, r->talker_echo, ltp_words_echo, LT_ECHO_LIMIT_COUNT, &echo);
    t->echo_limit = (lt_echo_limit)echo;
}

static void read_lane(ltp_yaml *y, const raw_lane *r, lt_site_lane *l)
{
    lt_tune_lane *t = &l->tune;
    unsigned duplex = t->duplex, effort = t->vocal_effort, noise = t->noise_case;
    ltp_yaml_count(y, r->lane, 1, NUMBER_MAX, &t->lane);
    ltp_yaml_text(y, r->name, t->name, sizeof t->name);
    ltp_yaml_count(y, r->counter, 1, NUMBER_MAX, &l->counter);
    ltp_yaml_choice(y, r->duplex, ltp_words_duplex, LT_DUPLEX_COUNT, &duplex);
    t->duplex = (lt_duplex)duplex;
    ltp_yaml_number(y, r->switching_attenuation_db, 0.0, 120.0, &t->switching_attenuation_db);
    read_adjuster(y, r->outbound, &t->outbound);
    read_adjuster(y, r->inbound, &t->inbound);
    read_eq(y, r->eq, &l->eq);
    ltp_yaml_choice(y, r->vocal_effort, ltp_words_effort, LT_EFFORT_COUNT, &effort);
    t->vocal_effort = (lt_vocal_effort)effort;
    read_distances(y, r->distances, t);
    read_hardware(y, r, t);
    read_limits(y, r->limits, t);
    ltp_yaml_number(y, r->target_sii, 0.01, 1.0, &t->target_sii);
    ltp_yaml_choice(y, r->noise, ltp_words_noise, LT_NOISE_CASE_COUNT, &noise);
    t->noise_case = (lt_noise_case)noise;
    t->eq = l->eq;
    t->eq_filters = l->eq.kind == LT_EQ_PARAMETRIC ? l->eq.filters : 0;
}

/* ---- the whole site ---- */

/* The name of a site that has none is the name of its folder, also for "." and a trailing slash. */
static void name_after_folder(const char *dir, lt_site *s)
{
    char full[4096];
    if (realpath(dir, full) == NULL)
        return;
    const char *slash = strrchr(full, '/');
    (void)snprintf(s->name, sizeof s->name, "%.*s", (int)sizeof s->name - 1, slash != NULL ? slash + 1 : full);
}

static lt_status make_room(const raw_site *raw, lt_site *s, lt_error *err)
{
    s->counter_count = raw != NULL && raw->counters_count > 0 ? raw->counters_count : 1;
    s->lane_count = raw != NULL && raw->lanes_count > 0 ? raw->lanes_count : 1;
    s->coupling_count = raw != NULL ? raw->couplings_count : 0;
    s->counters = ltp_alloc(s->counter_count, sizeof *s->counters);
    s->lanes = ltp_alloc(s->lane_count, sizeof *s->lanes);
    s->couplings = ltp_alloc(s->coupling_count > 0 ? s->coupling_count : 1, sizeof *s->couplings);
    if (s->counters == NULL || s->lanes == NULL || s->couplings == NULL)
        return ltp_fail_nomem(err, "the site");
    for (size_t i = 0; i < s->counter_count; i++)
        s->counters[i] = ltp_default_counter((unsigned)i + 1);
    for (size_t i = 0; i < s->lane_count; i++)
        s->lanes[i] = ltp_default_lane((unsigned)i + 1);
    return LT_OK;
}

static void read_counters(ltp_yaml *y, const raw_site *raw, lt_site *s)
{
    for (size_t i = 0; i < raw->counters_count; i++) {
        char field[64];
        (void)snprintf(field, sizeof field, "counters[%zu].counter", i);
        read_counter(y, &raw->counters[i], &s->counters[i]);
        for (size_t k = 0; k < i; k++)
            if (s->counters[k].counter == s->counters[i].counter)
                (void)ltp_yaml_fail(y, raw->counters[i].counter, field,
                                    "counter %u stands here twice; each counter needs its own number",
                                    s->counters[i].counter);
    }
}

const lt_counter *lt_site_counter_of(const lt_site *s, unsigned number)
{
    for (size_t i = 0; i < s->counter_count; i++)
        if (s->counters[i].counter == number)
            return &s->counters[i];
    return NULL;
}

const lt_site_lane *lt_site_lane_of(const lt_site *s, unsigned number)
{
    for (size_t i = 0; i < s->lane_count; i++)
        if (s->lanes[i].tune.lane == number)
            return &s->lanes[i];
    return NULL;
}

static void read_lanes(ltp_yaml *y, const raw_site *raw, lt_site *s)
{
    for (size_t i = 0; i < raw->lanes_count; i++) {
        char field[64];
        lt_site_lane *l = &s->lanes[i];
        (void)snprintf(field, sizeof field, "lanes[%zu].lane", i);
        read_lane(y, &raw->lanes[i], l);
        for (size_t k = 0; k < i; k++)
            if (s->lanes[k].tune.lane == l->tune.lane)
                (void)ltp_yaml_fail(y, raw->lanes[i].lane, field,
                                    "lane %u stands here twice; each lane needs its own number", l->tune.lane);
        (void)snprintf(field, sizeof field, "lanes[%zu].counter", i);
        if (lt_site_counter_of(s, l->counter) == NULL)
            (void)ltp_yaml_fail(y, raw->lanes[i].counter, field,
                                "there is no counter %u under 'counters'; the first one there is %u", l->counter,
                                s->counters[0].counter);
    }
}

/* One end of a coupling must be there. */
static void check_end(ltp_yaml *y, const char *leaf, const char *field, const lt_site *s, bool counters,
                      unsigned number)
{
    if (counters ? lt_site_counter_of(s, number) == NULL : lt_site_lane_of(s, number) == NULL)
        (void)ltp_yaml_fail(y, leaf, field, "there is no %s %u in this file", counters ? "counter" : "lane", number);
}

/* Couplings between lanes or counters that no recording tells. */
static void read_couplings(ltp_yaml *y, const raw_site *raw, lt_site *s)
{
    for (size_t i = 0; i < raw->couplings_count; i++) {
        static const char *const words[] = {"lanes", "counters"};
        const raw_coupling *r = &raw->couplings[i];
        lt_cross_coupling *c = &s->couplings[i];
        char field[64];
        unsigned between = 0;
        *c = (lt_cross_coupling){.to = 2, .from = 1, .level_db = (double)NAN, .distance_m = (double)NAN};
        ltp_yaml_choice(y, r->between, words, LTP_COUNT(words), &between);
        c->counters = between == 1;
        ltp_yaml_count(y, r->from, 1, NUMBER_MAX, &c->from);
        ltp_yaml_count(y, r->to, 1, NUMBER_MAX, &c->to);
        ltp_yaml_number_or_null(y, r->level_db, -200.0, 40.0, (double)NAN, &c->level_db);
        ltp_yaml_number_or_null(y, r->distance_m, 0.05, 300.0, (double)NAN, &c->distance_m);
        (void)snprintf(field, sizeof field, "couplings[%zu].from", i);
        check_end(y, r->from, field, s, c->counters, c->from);
        (void)snprintf(field, sizeof field, "couplings[%zu].to", i);
        check_end(y, r->to, field, s, c->counters, c->to);
        if (c->from == c->to)
            (void)ltp_yaml_fail(y, r->to != NULL ? r->to : r->from, field,
                                "a coupling goes from one %s to another; its own belongs in a recording",
                                c->counters ? "counter" : "lane");
        (void)snprintf(field, sizeof field, "couplings[%zu].level_db", i);
        if (isnan(c->level_db) && isnan(c->distance_m))
            (void)ltp_yaml_fail(y, r->level_db, field, "give level_db (flat, line to line) or distance_m");
    }
}

static bool equal_knobs(const lt_adjuster *a, const lt_adjuster *b)
{
    if (a->step_count != b->step_count || fabs(a->now_db - b->now_db) > 1e-9)
        return false;
    for (size_t k = 0; k < a->step_count; k++)
        if (fabs(a->steps_db[k] - b->steps_db[k]) > 1e-9)
            return false;
    return true;
}

/* Adjusters with the same word are one knob: it cannot stand at two places or have two scales. */
static void check_shared(ltp_yaml *y, const raw_site *raw, const lt_site *s)
{
    static const char *const sides[] = {"outbound", "inbound"};
    for (size_t i = 0; i < 2 * s->lane_count; i++) {
        const lt_tune_lane *ti = &s->lanes[i / 2].tune;
        const lt_adjuster *a = i % 2 == 0 ? &ti->outbound : &ti->inbound;
        for (size_t k = 0; k < i && a->shared[0] != '\0'; k++) {
            const lt_tune_lane *tk = &s->lanes[k / 2].tune;
            const lt_adjuster *b = k % 2 == 0 ? &tk->outbound : &tk->inbound;
            if (strcmp(a->shared, b->shared) != 0 || equal_knobs(a, b))
                continue;
            const raw_adjuster *r = i % 2 == 0 ? raw->lanes[i / 2].outbound : raw->lanes[i / 2].inbound;
            (void)ltp_yaml_fail(
                y, r->shared, "shared",
                "'%s' is one knob, but lane %u (%s) and lane %u (%s) give it different now_db or steps; "
                "make them equal",
                a->shared, tk->lane, sides[k % 2], ti->lane, sides[i % 2]);
        }
    }
}

static void join(lt_site *s)
{
    for (size_t i = 0; i < s->lane_count; i++) {
        const lt_counter *c = lt_site_counter_of(s, s->lanes[i].counter);
        lt_tune_lane *t = &s->lanes[i].tune;
        t->temperature_c = s->temperature_c;
        t->listening = c->listening;
        t->line_speech_dbov = c->line_speech_dbov;
        t->coupling_db = c->coupling_db;
        t->talk_percent = c->talk_percent;
        t->shift_hours = c->shift_hours;
    }
}

static lt_status check_folder(const char *dir, lt_error *err)
{
    struct stat st;
    if (stat(dir, &st) != 0)
        return ltp_fail(err, LT_E_IO, "%s: there is no such folder; check the name, or make a site with 'lanetune new'",
                        dir);
    if (!S_ISDIR(st.st_mode))
        return ltp_fail(err, LT_E_IO, "%s: is no folder; give the folder of a site, the one that holds site.yaml", dir);
    return LT_OK;
}

lt_status lt_site_load(const char *dir, lt_site **out, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX];
    struct stat st;
    ltp_yaml y = {0};
    *out = NULL;
    lt_site *s = NULL;
    lt_status status = check_folder(dir, err);
    if (status == LT_OK)
        status = ltp_site_path(path, err, "%s/site.yaml", dir);
    if (status == LT_OK && stat(path, &st) != 0 && errno == ENOENT)
        status = ltp_fail(err, LT_E_IO,
                          "%s: there is no such file; is this the folder of a site? 'lanetune new' makes one", path);
    if (status == LT_OK)
        status = ltp_yaml_open(&y, path, &site_schema, true, err);
    if (status != LT_OK)
        goto done;
    const raw_site *raw = y.raw;
    s = ltp_alloc(1, sizeof *s);
    status = s == NULL ? ltp_fail_nomem(err, path) : make_room(raw, s, err);
    if (status != LT_OK)
        goto done;
    s->temperature_c = 20.0;
    ltp_yaml_text(&y, raw->site, s->name, sizeof s->name);
    ltp_yaml_number(&y, raw->temperature_c, -60.0, 70.0, &s->temperature_c);
    if (s->name[0] == '\0')
        name_after_folder(dir, s);
    read_counters(&y, raw, s);
    if (raw->lanes_count == 0)
        s->lanes[0].counter = s->counters[0].counter;
    read_lanes(&y, raw, s);
    read_couplings(&y, raw, s);
    if (y.status == LT_OK)
        check_shared(&y, raw, s);
    status = y.status;
    if (status != LT_OK)
        goto done;
    join(s);
    *out = s;
    s = NULL;
done:
    lt_site_free(s);
    ltp_yaml_close(&y);
    return status;
}

void lt_site_free(lt_site *s)
{
    if (s == NULL)
        return;
    ltp_free(s->counters);
    ltp_free(s->lanes);
    ltp_free(s->couplings);
    ltp_free(s);
}
