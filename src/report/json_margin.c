/* SPDX-License-Identifier: MIT
 * JSON of margins: one loop, and several lanes of a site. */
#include "report/json_build.h"

#include <math.h>

static void put_candidates(ltp_json *j, json_t *object, const lt_ring_candidate *list, size_t count)
{
    json_t *candidates = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *candidate = json_object();
        ltp_json_put_hz(j, candidate, "hz", list[i].hz);
        ltp_json_put_db(j, candidate, "margin_db", list[i].margin_db);
        ltp_json_put_hz(j, candidate, "width_hz", list[i].width_hz);
        ltp_json_append(j, candidates, candidate);
    }
    ltp_json_put(j, object, "candidates", candidates);
}

static void put_colouration(ltp_json *j, json_t *object, const lt_colouration *c)
{
    json_t *colouration = json_object();
    ltp_json_put_db(j, colouration, "ripple_db", c->ripple_db);
    ltp_json_put_db(j, colouration, "peak_db", c->peak_db);
    ltp_json_put_hz(j, colouration, "hz", c->hz);
    ltp_json_put(j, colouration, "decay_s", ltp_json_number(c->decay_s, LTP_DECIMALS_S));
    ltp_json_put(j, object, "colouration", colouration);
}

static void put_margin(ltp_json *j, json_t *result, const lt_margin *m)
{
    ltp_json_put(j, result, "stable", json_boolean(m->stable));
    ltp_json_put_db(j, result, "margin_db", m->margin_db);
    ltp_json_put_db(j, result, "safe_margin_db", m->safe_margin_db);
    ltp_json_put_hz(j, result, "ring_hz", m->ring_hz);
    ltp_json_put_hz(j, result, "safe_hz", m->safe_hz);
    put_candidates(j, result, m->candidates, m->candidate_count);
    ltp_json_put(j, result, "notches", ltp_json_notches(j, m->notches, m->notch_count));
    ltp_json_put_db(j, result, "safe_margin_with_notches_db", m->safe_margin_with_notches_db);
    ltp_json_put_db(j, result, "margin_with_notches_db", m->margin_with_notches_db);
    put_colouration(j, result, &m->colouration);
}

lt_status lt_json_margin(const lt_json_head *h, const lt_margin *m, double want_db, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    put_margin(&j, result, m);
    ltp_json_put_db(&j, result, "want_db", want_db);
    ltp_json_put_db(&j, result, "needed_attenuation_db", lt_needed_attenuation_db(m->safe_margin_db, want_db));
    return ltp_json_finish(&j, h, NULL, result, out, err);
}

/* ---- several lanes ---- */

static json_t *lane_object(ltp_json *j, const lt_open_lane *l)
{
    json_t *lane = json_object();
    ltp_json_put(j, lane, "lane", json_integer((json_int_t)l->lane));
    ltp_json_put(j, lane, "name", ltp_json_text(l->name));
    put_margin(j, lane, &l->margin);
    ltp_json_put_db(j, lane, "want_db", l->want_db);
    ltp_json_put_db(j, lane, "needed_attenuation_db", l->needed_attenuation_db);
    ltp_json_put(j, lane, "notches_reach_want", json_boolean(l->notch.set.reached));
    ltp_json_put(j, lane, "notches_direction",
                 l->notch.judged ? ltp_json_text(l->notch.inbound ? "inbound" : "outbound") : json_null());
    ltp_json_put(j, lane, "notches_sii_loss",
                 ltp_json_number(l->notch.judged ? l->notch.sii_loss : (double)NAN, LTP_DECIMALS_INDEX));
    return lane;
}

static json_t *number_or_null(bool known, unsigned number)
{
    return known ? json_integer((json_int_t)number) : json_null();
}

static json_t *condition_or_null(const lt_open_margin *m, bool known, size_t condition)
{
    return known ? ltp_json_text(m->conditions[condition]) : json_null();
}

static json_t *set_object(ltp_json *j, const lt_open_margin *m, const lt_matrix_margin *s)
{
    json_t *object = json_object();
    json_t *open = json_array();
    const lt_ring_path *p = &s->path;
    size_t count = 0;
    for (size_t i = 0; i < m->lane_count; i++)
        if ((s->open >> i & 1u) != 0) {
            ltp_json_append(j, open, json_integer((json_int_t)m->lanes[i].lane));
            count++;
        }
    ltp_json_put(j, object, "lanes", open);
    ltp_json_put(j, object, "stable", json_boolean(s->stable));
    ltp_json_put_db(j, object, "margin_db", s->margin_db);
    ltp_json_put_db(j, object, "safe_margin_db", s->safe_margin_db);
    ltp_json_put_db(j, object, "any_phase_margin_db", s->any_phase_margin_db);
    ltp_json_put_hz(j, object, "ring_hz", s->ring_hz);
    ltp_json_put_hz(j, object, "safe_hz", s->safe_hz);
    ltp_json_put(j, object, "condition", condition_or_null(m, lt_is_known(s->margin_db), s->condition));
    ltp_json_put(j, object, "speaker_lane", number_or_null(p->known, m->lanes[p->speaker_lane].lane));
    ltp_json_put(j, object, "microphone_lane", number_or_null(p->known, m->lanes[p->microphone_lane].lane));
    ltp_json_put(j, object, "lane_share",
                 ltp_json_number(p->known ? p->lane_share : (double)NAN, LTP_DECIMALS_PERCENT));
    ltp_json_put(j, object, "speaker_counter", number_or_null(p->known, m->counters[p->counter_speaker]));
    ltp_json_put(j, object, "microphone_counter", number_or_null(p->known, m->counters[p->counter_microphone]));
    ltp_json_put(j, object, "counter_share",
                 ltp_json_number(p->known ? p->counter_share : (double)NAN, LTP_DECIMALS_PERCENT));
    ltp_json_put_db(j, object, "rule_of_thumb_db", lt_open_rule_db(m, s->open));
    return object;
}

/* The fixed keys: of the worst set of open lanes; notches and colouration of the lane that is worst alone. */
static void put_worst(ltp_json *j, json_t *result, const lt_open_margin *m)
{
    const lt_margin *alone = &m->lanes[m->worst_lane].margin;
    lt_margin worst = *alone;
    const lt_matrix_margin *s = &m->sets[0];
    worst.stable = s->stable;
    worst.margin_db = s->margin_db;
    worst.safe_margin_db = s->safe_margin_db;
    worst.ring_hz = s->ring_hz;
    worst.safe_hz = s->safe_hz;
    for (size_t i = 1; i < m->set_count; i++) {
        worst.stable = worst.stable && m->sets[i].stable;
        if (m->sets[i].safe_margin_db < worst.safe_margin_db || !lt_is_known(worst.safe_margin_db)) {
            worst.safe_margin_db = m->sets[i].safe_margin_db;
            worst.safe_hz = m->sets[i].safe_hz;
        }
    }
    worst.candidate_count = s->candidate_count;
    for (size_t i = 0; i < s->candidate_count; i++)
        worst.candidates[i] = s->candidates[i];
    put_margin(j, result, &worst);
}

lt_status lt_json_open_margin(const lt_json_head *h, const lt_open_margin *m, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    json_t *lanes = json_array();
    json_t *sets = json_array();
    put_worst(&j, result, m);
    for (size_t i = 0; i < m->lane_count; i++)
        ltp_json_append(&j, lanes, lane_object(&j, &m->lanes[i]));
    for (size_t i = 0; i < m->set_count; i++)
        ltp_json_append(&j, sets, set_object(&j, m, &m->sets[i]));
    ltp_json_put(&j, result, "lanes", lanes);
    ltp_json_put(&j, result, "combinations", sets);
    ltp_json_put(&j, result, "assumptions", ltp_json_notes(&j, &m->assumptions, NULL));
    return ltp_json_finish(&j, h, &m->warnings, result, out, err);
}
