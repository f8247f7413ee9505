/* SPDX-License-Identifier: MIT
 * Couplings of all lanes and counters under one condition: as recorded, else as stated, else assumed and said so.
 *
 * Assumed between lanes: the source lane's own coupling, its level the mean of both lanes' own, lowered by the ratio of
 * the distances (free field, 6 dB each doubling) and later by the way there. Between counters: the flat coupling that
 * is usual for the kind of listening, at 0.5 m, lowered in the same way. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double lane_spacing_m = 4.0;    /* between neighbouring lanes, middle to middle; ours */
static const double counter_spacing_m = 3.0; /* between neighbouring counters; ours */
static const double own_counter_m = 0.5;     /* counter speaker to its own microphone; ours */
static const double own_lane_m = 0.3;        /* default of site.yaml */
static const double none_db = -(double)INFINITY;

/* ---- recordings of one lane ---- */

/* Index of the condition's entry; the first where the lane does not have it. */
static size_t entry_of(const lt_tune_lane *l, const char *condition)
{
    for (size_t c = 0; c < l->condition_count; c++)
        if (strcmp(l->recordings[c].name, condition) == 0)
            return c;
    for (size_t c = 0; c < l->condition_count; c++)
        if (l->recordings[c].name[0] == '\0')
            return c;
    return 0;
}

typedef const lt_response *(*path_of)(const lt_tune_recordings *r);

static const lt_response *lane_coupling(const lt_tune_recordings *r)
{
    return r->lane_coupling;
}

static const lt_response *counter_coupling(const lt_tune_recordings *r)
{
    return r->counter_coupling;
}

static const lt_response *whole_loop(const lt_tune_recordings *r)
{
    return r->loop;
}

/* The path under the condition, else under any. */
static const lt_response *find(const lt_tune_lane *l, const char *condition, path_of path)
{
    if (l->condition_count == 0)
        return NULL;
    const lt_response *r = path(&l->recordings[entry_of(l, condition)]);
    for (size_t c = 0; c < l->condition_count && r == NULL; c++)
        r = path(&l->recordings[c]);
    return r;
}

/* ---- recordings and statements between two ---- */

static const lt_cross_coupling *recorded(const lt_open_lanes *in, bool counters, unsigned to, unsigned from,
                                         const char *condition)
{
    const lt_cross_coupling *plain = NULL;
    for (size_t i = 0; i < in->coupling_count; i++) {
        const lt_cross_coupling *c = &in->couplings[i];
        if (c->response == NULL || c->counters != counters || c->to != to || c->from != from)
            continue;
        if (strcmp(c->condition, condition) == 0)
            return c;
        if (plain == NULL || c->condition[0] == '\0')
            plain = c;
    }
    return plain;
}

/* What site.yaml says of this direction, else of the other one. */
static const lt_cross_coupling *stated(const lt_open_lanes *in, bool counters, unsigned to, unsigned from)
{
    const lt_cross_coupling *back = NULL;
    for (size_t i = 0; i < in->coupling_count; i++) {
        const lt_cross_coupling *c = &in->couplings[i];
        if (c->response != NULL || c->counters != counters)
            continue;
        if (c->to == to && c->from == from)
            return c;
        if (c->to == from && c->from == to)
            back = c;
    }
    return back;
}

/* ---- levels ---- */

/* Mean power of a response over the telephone band, dB: enough to compare two lanes by. */
static double broad_level_db(const lt_response *r)
{
    double sum = 0.0;
    size_t count = 0;
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.nominal_hz >= 300.0 && r->bands[i].band.nominal_hz <= 3400.0 &&
            lt_is_known(r->bands[i].level_db)) {
            sum += lt_power_from_db(r->bands[i].level_db);
            count++;
        }
    return count > 0 ? lt_db_from_power(sum / (double)count) : (double)NAN;
}

static double index_distance(size_t a, size_t b)
{
    return a > b ? (double)(a - b) : (double)(b - a);
}

static double own_distance_m(const lt_tune_lane *l)
{
    return l->speaker_to_microphone_m > 0.0 ? l->speaker_to_microphone_m : own_lane_m;
}

/* Lane j's speaker in lane i's microphone, from their own couplings. */
static lt_coupling assumed_between_lanes(const lt_open_lanes *in, size_t i, size_t j, double distance_m,
                                         const char *condition, lt_notes *notes)
{
    const lt_tune_lane *to = in->lanes[i].lane;
    const lt_tune_lane *from = in->lanes[j].lane;
    const lt_response *source = find(from, condition, lane_coupling);
    const lt_response *target = find(to, condition, lane_coupling);
    const bool said = lt_is_known(distance_m);
    if (source == NULL)
        return (lt_coupling){.level_db = none_db};
    if (!said)
        distance_m = lane_spacing_m * index_distance(i, j);
    const double own_m = own_distance_m(from);
    const double own_db = broad_level_db(source);
    const double other_db = target != NULL ? broad_level_db(target) : own_db;
    const double mean_db = lt_is_known(own_db) && lt_is_known(other_db) ? 0.5 * (other_db - own_db) : 0.0;
    const double level_db = mean_db - 20.0 * log10(fmax(distance_m, own_m) / own_m) - from->loopback_db;
    lt_notes_add(notes, "lane-to-lane-assumed",
                 "Coupling between lanes not measured: assumed from their own couplings and %s, free field. Record "
                 "cross-coupling-from-N (stimulus to lane N) or state it in site.yaml under couplings.",
                 said ? "the stated distance" : "4 m from lane to lane");
    return (lt_coupling){.ir = source->ir,
                         .level_db = level_db,
                         .delay_s =
                             fmin(fmax(distance_m - own_m, 0.0) / lt_speed_of_sound_m_s(from->temperature_c), 1.0)};
}

static lt_coupling between_lanes(const lt_open_lanes *in, size_t i, size_t j, const char *condition, lt_notes *notes)
{
    const unsigned to = in->lanes[i].lane->lane;
    const unsigned from = in->lanes[j].lane->lane;
    const lt_cross_coupling *c = recorded(in, false, to, from, condition);
    if (c != NULL)
        return (lt_coupling){.ir = c->response->ir, .level_db = -in->lanes[i].lane->loopback_db};
    c = stated(in, false, to, from);
    if (c != NULL && !isnan(c->level_db)) {
        lt_notes_add(notes, "lane-to-lane-stated",
                     "Coupling between lanes %u and %u not measured: flat %.0f dB as stated for the site.", from, to,
                     c->level_db);
        const double distance_m = lt_is_known(c->distance_m) ? c->distance_m : lane_spacing_m * index_distance(i, j);
        return (lt_coupling){.level_db = c->level_db,
                             .delay_s =
                                 fmin(distance_m / lt_speed_of_sound_m_s(in->lanes[i].lane->temperature_c), 1.0)};
    }
    return assumed_between_lanes(in, i, j, c != NULL ? c->distance_m : (double)NAN, condition, notes);
}

/* ---- counters ---- */

static size_t counter_index(const lt_open_margin *m, unsigned number)
{
    size_t i = 0;
    while (i < m->counter_count && m->counters[i] != number)
        i++;
    return i;
}

/* A lane of the counter: the first that has its coupling recorded, else the first. */
static const lt_tune_lane *lane_of_counter(const lt_open_lanes *in, unsigned number, const char *condition)
{
    const lt_tune_lane *first = NULL;
    for (size_t i = 0; i < in->lane_count; i++) {
        if (in->lanes[i].counter != number)
            continue;
        if (find(in->lanes[i].lane, condition, counter_coupling) != NULL)
            return in->lanes[i].lane;
        first = first == NULL ? in->lanes[i].lane : first;
    }
    return first;
}

static lt_coupling own_counter(const lt_open_lanes *in, unsigned number, const char *condition)
{
    const lt_tune_lane *l = lane_of_counter(in, number, condition);
    const lt_response *r = find(l, condition, counter_coupling);
    if (r != NULL)
        return (lt_coupling){.ir = r->ir, .level_db = -l->loopback_db};
    return (lt_coupling){.level_db = lt_tune_counter_coupling_db(l)};
}

static lt_coupling between_counters(const lt_open_lanes *in, const lt_open_margin *m, size_t i, size_t j,
                                    const char *condition, lt_notes *notes)
{
    const lt_tune_lane *source = lane_of_counter(in, m->counters[j], condition);
    const lt_cross_coupling *c = recorded(in, true, m->counters[i], m->counters[j], condition);
    if (c != NULL)
        return (lt_coupling){.ir = c->response->ir, .level_db = -source->loopback_db};
    c = stated(in, true, m->counters[i], m->counters[j]);
    const bool said = c != NULL && lt_is_known(c->distance_m);
    const double distance_m = said ? c->distance_m : counter_spacing_m * index_distance(i, j);
    const double delay_s = fmin(distance_m / lt_speed_of_sound_m_s(source->temperature_c), 1.0);
    if (c != NULL && !isnan(c->level_db)) {
        lt_notes_add(notes, "counter-to-counter-stated",
                     "Coupling between counters %u and %u not measured: flat %.0f dB as stated for the site.",
                     m->counters[j], m->counters[i], c->level_db);
        return (lt_coupling){.level_db = c->level_db, .delay_s = delay_s};
    }
    lt_notes_add(notes, "counter-to-counter-assumed",
                 "Coupling between counters not measured: assumed flat, from what is usual for a %s and %s.",
                 ltp_listening_name(source->listening), said ? "the stated distance" : "3 m from counter to counter");
    return (lt_coupling){.level_db = ltp_coupling_default_db(source->listening) -
                                     20.0 * log10(fmax(distance_m, own_counter_m) / own_counter_m),
                         .delay_s = delay_s};
}

/* ---- all ---- */

static double switching_db(const lt_tune_lane *l)
{
    return l->duplex == LT_DUPLEX_PUSH_TO_TALK     ? (double)INFINITY
           : l->duplex == LT_DUPLEX_VOICE_SWITCHED ? fmax(l->switching_attenuation_db, 0.0)
                                                   : 0.0;
}

/* A lane whose loop alone was recorded: its coupling is that loop without the counter's own. */
static lt_coupling own_lane(const lt_tune_lane *l, const char *condition, const lt_coupling *counter)
{
    const lt_response *coupling = find(l, condition, lane_coupling);
    if (coupling != NULL)
        return (lt_coupling){.ir = coupling->ir, .level_db = -l->loopback_db};
    const lt_response *loop = find(l, condition, whole_loop);
    if (loop == NULL)
        return (lt_coupling){.level_db = none_db};
    const double counter_db = counter->ir == NULL ? counter->level_db : ltp_coupling_default_db(l->listening);
    return (lt_coupling){.ir = loop->ir, .level_db = -l->loopback_db - counter_db};
}

lt_status ltp_open_paths(const lt_open_lanes *in, const char *condition, lt_open_margin *out, lt_matrix_paths *paths,
                         lt_error *err)
{
    *paths = (lt_matrix_paths){.lane_count = in->lane_count, .counter_count = out->counter_count};
    for (size_t i = 0; i < out->counter_count; i++)
        for (size_t j = 0; j < out->counter_count; j++)
            paths->counter[i][j] = i == j ? own_counter(in, out->counters[i], condition)
                                          : between_counters(in, out, i, j, condition, &out->assumptions);
    for (size_t i = 0; i < in->lane_count; i++) {
        const lt_tune_lane *l = in->lanes[i].lane;
        const lt_response *loop = find(l, condition, whole_loop);
        const size_t counter = counter_index(out, in->lanes[i].counter);
        paths->counter_of[i] = counter;
        paths->outbound_db[i] = in->lanes[i].outbound_db - l->outbound.recorded_db;
        paths->inbound_db[i] = in->lanes[i].inbound_db - l->inbound.recorded_db;
        paths->switching_db[i] = switching_db(l);
        paths->loop[i] = (lt_coupling){.ir = loop != NULL ? loop->ir : NULL, .level_db = -l->loopback_db};
        for (size_t j = 0; j < in->lane_count; j++)
            paths->lane[i][j] = i == j ? own_lane(l, condition, &paths->counter[counter][counter])
                                       : between_lanes(in, i, j, condition, &out->assumptions);
        if (!lt_is_known(paths->outbound_db[i]) || !lt_is_known(paths->inbound_db[i]))
            return ltp_fail(err, LT_E_ARG, "lane %u: its settings are no numbers", l->lane);
    }
    return LT_OK;
}
