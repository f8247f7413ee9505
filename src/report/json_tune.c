/* SPDX-License-Identifier: MIT
 * JSON of whole sites: recommended settings, folders made, the truth of a simulated site. */
#include "report/json_build.h"

#include <math.h>
#include <stdio.h>

static json_t *before_after(ltp_json *j, double before, double after, int decimals)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "before", ltp_json_number(before, decimals));
    ltp_json_put(j, object, "after", ltp_json_number(after, decimals));
    return object;
}

static json_t *adjuster(ltp_json *j, double now_db, double recommended_db, size_t step)
{
    json_t *object = json_object();
    ltp_json_put_db(j, object, "now_db", now_db);
    ltp_json_put_db(j, object, "recommended_db", recommended_db);
    ltp_json_put(j, object, "step", json_integer((json_int_t)step));
    return object;
}

static json_t *binding(ltp_json *j, const lt_tune_result *r)
{
    json_t *array = json_array();
    for (size_t i = 0; i < r->binding_count; i++) {
        json_t *object = json_object();
        ltp_json_put(j, object, "limit", ltp_json_text(lt_limit_name(r->binding[i].limit)));
        ltp_json_put(j, object, "one_db_buys_sii", ltp_json_number(r->binding[i].one_db_buys_sii, LTP_DECIMALS_INDEX));
        ltp_json_append(j, array, object);
    }
    return array;
}

static json_t *unmet(ltp_json *j, const lt_tune_result *r)
{
    json_t *array = json_array();
    for (size_t i = 0; i < r->unmet_count; i++) {
        json_t *object = json_object();
        ltp_json_put(j, object, "limit", ltp_json_text(lt_limit_name(r->unmet[i].limit)));
        ltp_json_put_db(j, object, "by_db", r->unmet[i].by_db);
        ltp_json_put(j, object, "advice", ltp_json_text(r->unmet[i].advice));
        ltp_json_append(j, array, object);
    }
    return array;
}

static json_t *conditions(ltp_json *j, const lt_tune_result *r)
{
    json_t *array = json_array();
    for (size_t i = 0; i < r->condition_count; i++) {
        const lt_tune_condition *c = &r->conditions[i];
        json_t *object = json_object();
        ltp_json_put(j, object, "condition", ltp_json_text(c->name));
        ltp_json_put_db(j, object, "margin_db", c->margin_db);
        ltp_json_put_db(j, object, "safe_margin_db", c->safe_margin_db);
        ltp_json_put_hz(j, object, "ring_hz", c->ring_hz);
        ltp_json_put_db(j, object, "echo_telr_db", c->echo_telr_db);
        ltp_json_put(j, object, "echo_one_way_ms", ltp_json_number(c->echo_one_way_ms, LTP_DECIMALS_MS));
        ltp_json_append(j, array, object);
    }
    return array;
}

static void put_figures(ltp_json *j, json_t *lane, const lt_tune_figures *before, const lt_tune_figures *after)
{
    const struct {
        const char *key;
        double before, after;
        int decimals;
    } rows[] = {
        {"margin_db", before->margin_db, after->margin_db, LTP_DECIMALS_DB},
        {"safe_margin_db", before->safe_margin_db, after->safe_margin_db, LTP_DECIMALS_DB},
        {"ear_dba", before->ear_dba, after->ear_dba, LTP_DECIMALS_DB},
        {"operator_dba", before->operator_dba, after->operator_dba, LTP_DECIMALS_DB},
        {"property_line_dba", before->property_line_dba, after->property_line_dba, LTP_DECIMALS_DB},
        {"echo_telr_db", before->echo_telr_db, after->echo_telr_db, LTP_DECIMALS_DB},
        {"echo_weighted_db", before->echo_weighted_db, after->echo_weighted_db, LTP_DECIMALS_DB},
        {"headroom_db", before->headroom_db, after->headroom_db, LTP_DECIMALS_DB},
        {"speaker_power_w", before->speaker_power_w, after->speaker_power_w, LTP_DECIMALS_W},
    };
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        ltp_json_put(j, lane, rows[i].key, before_after(j, rows[i].before, rows[i].after, rows[i].decimals));
}

static json_t *pair(ltp_json *j, const lt_before_after *x, int decimals)
{
    return before_after(j, x->before, x->after, decimals);
}

/* A whole day at this level stays under the limit: no number of hours says anything. */
static double hours_of_a_day(double hours)
{
    return hours <= 24.0 ? hours : (double)NAN;
}

static json_t *exposure(ltp_json *j, const lt_tune_exposure *x)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "talk_percent", ltp_json_number(x->talk_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put(j, object, "shift_hours", ltp_json_number(x->shift_hours, LTP_DECIMALS_DB));
    ltp_json_put(j, object, "level_dba", pair(j, &x->talk_dba, LTP_DECIMALS_DB));
    ltp_json_put(j, object, "pause_dba", pair(j, &x->pause_dba, LTP_DECIMALS_DB));
    ltp_json_put(j, object, "lex_8h_dba", pair(j, &x->lex_8h_dba, LTP_DECIMALS_DB));
    ltp_json_put(j, object, "dose_percent", pair(j, &x->dose_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put(j, object, "allowed_hours",
                 before_after(j, hours_of_a_day(x->allowed_hours.before), hours_of_a_day(x->allowed_hours.after),
                              LTP_DECIMALS_DB));
    ltp_json_put(j, object, "notes", ltp_json_notes(j, &x->notes, NULL));
    return object;
}

static json_t *word_or_null(const char *word)
{
    return word != NULL ? ltp_json_text(word) : json_null();
}

static json_t *privacy(ltp_json *j, const lt_tune_privacy *p)
{
    if (p->from == LT_PRIVACY_NOT_ASKED)
        return json_null();
    json_t *object = json_object();
    json_t *words = json_object();
    ltp_json_put(j, object, "from", ltp_json_text(lt_privacy_from_name(p->from)));
    ltp_json_put(j, object, "distance_m", ltp_json_number(p->distance_m, LTP_DECIMALS_DB));
    ltp_json_put(j, object, "index_percent",
                 before_after(j, p->before.privacy_percent, p->after.privacy_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put(j, words, "before", word_or_null(p->before.word));
    ltp_json_put(j, words, "after", word_or_null(p->after.word));
    ltp_json_put(j, object, "class", words);
    ltp_json_put(j, object, "notes", ltp_json_notes(j, &p->notes, NULL));
    return object;
}

static json_t *lane_object(ltp_json *j, const lt_tune_result *r)
{
    json_t *lane = json_object();
    ltp_json_put(j, lane, "lane", json_integer((json_int_t)r->lane));
    ltp_json_put(j, lane, "name", ltp_json_text(r->name));
    ltp_json_put(j, lane, "outbound", adjuster(j, r->outbound_now_db, r->outbound_recommended_db, r->outbound_step));
    ltp_json_put(j, lane, "inbound", adjuster(j, r->inbound_now_db, r->inbound_recommended_db, r->inbound_step));
    json_t *sii = json_object();
    ltp_json_put(j, sii, "outbound",
                 before_after(j, r->before.sii_outbound, r->after.sii_outbound, LTP_DECIMALS_INDEX));
    ltp_json_put(j, sii, "inbound", before_after(j, r->before.sii_inbound, r->after.sii_inbound, LTP_DECIMALS_INDEX));
    ltp_json_put(j, lane, "sii", sii);
    put_figures(j, lane, &r->before, &r->after);
    ltp_json_put_hz(j, lane, "ring_hz", r->margin.ring_hz);
    ltp_json_put(j, lane, "binding", binding(j, r));
    ltp_json_put(j, lane, "unmet", unmet(j, r));
    ltp_json_put(j, lane, "assumptions", ltp_json_notes(j, &r->assumptions, NULL));
    ltp_json_put(j, lane, "warnings", ltp_json_notes(j, &r->warnings, NULL));
    ltp_json_put(j, lane, "notches", ltp_json_notches(j, r->notches, r->notch_count));
    ltp_json_put_db(j, lane, "safe_margin_with_notches_db", r->safe_margin_with_notches_db);
    const bool notched = r->notch_count > 0;
    ltp_json_put(j, lane, "notches_direction",
                 notched ? ltp_json_text(r->notches_inbound ? "inbound" : "outbound") : json_null());
    ltp_json_put(j, lane, "notches_sii_loss",
                 ltp_json_number(notched ? r->notch_sii_loss : (double)NAN, LTP_DECIMALS_INDEX));
    ltp_json_put_db(j, lane, "needed_attenuation_db", r->needed_attenuation_db);
    json_t *advice = json_array();
    for (size_t i = 0; i < r->advice_count; i++)
        ltp_json_append(j, advice, ltp_json_text(r->advice[i]));
    ltp_json_put(j, lane, "advice", advice);
    ltp_json_put(j, lane, "conditions", conditions(j, r));
    ltp_json_put(j, lane, "exposure", exposure(j, &r->exposure));
    ltp_json_put(j, lane, "privacy", privacy(j, &r->privacy));
    return lane;
}

/* Every warning of every lane, with the lane's number in front; a list of notes would be too short for them. */
static void append_warnings(ltp_json *j, json_t *array, const lt_tune_result *r)
{
    char message[sizeof r->warnings.items[0].message + 32];
    for (size_t i = 0; i < r->warnings.count; i++) {
        const lt_note *note = &r->warnings.items[i];
        json_t *object = json_object();
        (void)snprintf(message, sizeof message, "lane %u: %s", r->lane, note->message);
        ltp_json_put(j, object, "code", ltp_json_text(note->code));
        ltp_json_put(j, object, "message", ltp_json_text(message));
        ltp_json_append(j, array, object);
    }
}

/* result.lanes of r, and result.live of d, which may be NULL. */
static lt_status tune(const lt_json_head *h, const lt_tune_result *r, size_t count, const lt_dialled *d, char **out,
                      lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    json_t *lanes = json_array();
    json_t *warnings = ltp_json_notes(&j, h->warnings, NULL);
    for (size_t i = 0; i < count; i++) {
        ltp_json_append(&j, lanes, lane_object(&j, &r[i]));
        append_warnings(&j, warnings, &r[i]);
    }
    ltp_json_put(&j, result, "lanes", lanes);
    if (d != NULL)
        ltp_json_put(&j, result, "live", ltp_json_dialled(&j, d));
    return ltp_json_wrap(&j, h, warnings, result, out, err);
}

lt_status lt_json_tune(const lt_json_head *h, const lt_tune_result *r, size_t count, char **out, lt_error *err)
{
    return tune(h, r, count, NULL, out, err);
}

lt_status lt_json_tune_live(const lt_json_head *h, const lt_tune_result *r, size_t count, const lt_dialled *d,
                            char **out, lt_error *err)
{
    return tune(h, r, count, d, out, err);
}

lt_status lt_json_path(const lt_json_head *h, const char *path, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "path", ltp_json_text(path));
    return ltp_json_finish(&j, h, NULL, result, out, err);
}

/* ---- truth of a simulated site ---- */

static json_t *truth_bands(ltp_json *j, const lt_scene_truth *truth)
{
    json_t *array = json_array();
    for (int i = 0; i < LT_SPEECH_BANDS; i++) {
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", lt_third_octave(LT_THIRD_SPEECH_FIRST + i).nominal_hz);
        ltp_json_put_db(j, band, "outbound_db", truth->outbound_band_db[i]);
        ltp_json_put_db(j, band, "receive_db", truth->receive_band_db[i]);
        ltp_json_put_db(j, band, "noise_ear_leq_db", truth->noise_ear_leq_db[i]);
        ltp_json_append(j, array, band);
    }
    return array;
}

static lt_status truth_condition(ltp_json *j, const lt_scene_lane *lane, size_t condition, json_t *array, lt_error *err)
{
    lt_scene_truth truth;
    const lt_status status = lt_scene_truth_of(lane, condition, &truth, err);
    if (status != LT_OK)
        return status;
    json_t *object = json_object();
    ltp_json_put(j, object, "condition", ltp_json_text(lane->conditions[condition].name));
    ltp_json_put(j, object, "lane_coupling_delay_ms", ltp_json_number(truth.delay_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(j, object, "margin_db", truth.margin_db);
    ltp_json_put_db(j, object, "safe_margin_db", truth.safe_margin_db);
    ltp_json_put_db(j, object, "noise_ear_laeq_db", truth.noise_ear_laeq_db);
    ltp_json_put(j, object, "bands", truth_bands(j, &truth));
    ltp_json_append(j, array, object);
    return LT_OK;
}

static lt_status truth_lane(ltp_json *j, const lt_scene_lane *lane, json_t *object, lt_error *err)
{
    ltp_json_put(j, object, "lane", json_integer((json_int_t)lane->lane));
    ltp_json_put(j, object, "name", ltp_json_text(lane->name));
    ltp_json_put(j, object, "seed", json_integer((json_int_t)lane->seed));
    ltp_json_put_hz(j, object, "rate_hz", lane->rate_hz);
    ltp_json_put_db(j, object, "mic_cal_db", lane->mic_cal_db);
    ltp_json_put_db(j, object, "loopback_db", lane->loopback_db);
    ltp_json_put(j, object, "drift_ppm", ltp_json_number(lane->drift_ppm, LTP_DECIMALS_PPM));
    ltp_json_put(j, object, "start_s", ltp_json_number(lane->start_s, LTP_DECIMALS_S));
    json_t *array = json_array();
    lt_status status = LT_OK;
    for (size_t c = 0; c < lane->condition_count && status == LT_OK; c++)
        status = truth_condition(j, lane, c, array, err);
    ltp_json_put(j, object, "conditions", array);
    return status;
}

lt_status lt_json_truth(const lt_scenario *s, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *root = json_object();
    json_t *lanes = json_array();
    lt_status status = LT_OK;
    *out = NULL;
    ltp_json_put(&j, root, "site", ltp_json_text(s->site));
    ltp_json_put(&j, root, "date", ltp_json_text(s->date));
    for (size_t i = 0; i < s->lane_count && status == LT_OK; i++) {
        json_t *lane = json_object();
        status = truth_lane(&j, &s->lanes[i], lane, err);
        ltp_json_append(&j, lanes, lane);
    }
    ltp_json_put(&j, root, "lanes", lanes);
    if (status != LT_OK) {
        json_decref(root);
        return status;
    }
    return ltp_json_print(&j, root, out, err);
}
