/* SPDX-License-Identifier: MIT
 * Two visits compared, as JSON. */
#include "report/json_build.h"

static json_t *before_after(ltp_json *j, lt_before_after x, int decimals)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "before", ltp_json_number(x.before, decimals));
    ltp_json_put(j, object, "after", ltp_json_number(x.after, decimals));
    return object;
}

static json_t *db_pair(ltp_json *j, lt_before_after x)
{
    return before_after(j, x, LTP_DECIMALS_DB);
}

static json_t *polarity(int p)
{
    return p == 0 ? json_null() : json_integer(p);
}

static json_t *response_object(ltp_json *j, const lt_compare_response *r)
{
    json_t *o = json_object(), *bands = json_array(), *sign = json_object();
    ltp_json_put(j, o, "path", ltp_json_text(lt_compare_path_name(r->path)));
    ltp_json_put(j, o, "condition", ltp_json_text(r->condition));
    ltp_json_put(j, o, "calibrated", json_boolean(r->calibrated));
    ltp_json_put_db(j, o, "settings_db", r->settings_db);
    ltp_json_put_db(j, o, "level_db", r->level_db);
    ltp_json_put_db(j, o, "level_doubt_db", r->level_doubt_db);
    ltp_json_put_db(j, o, "bass_db", r->bass_db);
    ltp_json_put_db(j, o, "bass_doubt_db", r->bass_doubt_db);
    ltp_json_put_db(j, o, "treble_db", r->treble_db);
    ltp_json_put_db(j, o, "treble_doubt_db", r->treble_doubt_db);
    ltp_json_put(j, o, "delay_ms", before_after(j, r->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put(j, o, "delay_known", json_boolean(r->delay_known));
    ltp_json_put(j, sign, "before", polarity(r->polarity_before));
    ltp_json_put(j, sign, "after", polarity(r->polarity_after));
    ltp_json_put(j, o, "polarity", sign);
    ltp_json_put(j, o, "snr_db", db_pair(j, r->snr_db));
    ltp_json_put(j, o, "thd_percent", before_after(j, r->thd_percent, LTP_DECIMALS_PERCENT));
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_compare_band *b = &r->bands[i];
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", b->hz);
        ltp_json_put_db(j, band, "before_db", b->before_db);
        ltp_json_put_db(j, band, "after_db", b->after_db);
        ltp_json_put_db(j, band, "difference_db", b->difference_db);
        ltp_json_put_db(j, band, "doubt_db", b->doubt_db);
        ltp_json_put(j, band, "changed", json_boolean(b->changed));
        ltp_json_put(j, band, "snr_db", db_pair(j, b->snr_db));
        ltp_json_put(j, band, "thd_percent", before_after(j, b->thd_percent, LTP_DECIMALS_PERCENT));
        ltp_json_append(j, bands, band);
    }
    ltp_json_put(j, o, "bands", bands);
    return o;
}

static json_t *level_bands(ltp_json *j, const lt_compare_noise_band *bands, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", bands[i].hz);
        ltp_json_put_db(j, band, "before_db", bands[i].leq_db.before);
        ltp_json_put_db(j, band, "after_db", bands[i].leq_db.after);
        ltp_json_put_db(j, band, "difference_db", bands[i].difference_db);
        ltp_json_append(j, array, band);
    }
    return array;
}

static json_t *noise_object(ltp_json *j, const lt_compare_noise *n)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "path", ltp_json_text(lt_compare_noise_kind_name(n->kind)));
    ltp_json_put(j, o, "condition", ltp_json_text(n->condition));
    ltp_json_put(j, o, "calibrated", json_boolean(n->calibrated));
    ltp_json_put(j, o, "laeq_db", db_pair(j, n->laeq_db));
    ltp_json_put(j, o, "la10_db", db_pair(j, n->la10_db));
    ltp_json_put(j, o, "hum_db", db_pair(j, n->hum_db));
    ltp_json_put_hz(j, o, "mains_hz", n->mains_hz);
    ltp_json_put_db(j, o, "difference_db", n->difference_db);
    ltp_json_put_db(j, o, "doubt_db", n->doubt_db);
    ltp_json_put(j, o, "bands", level_bands(j, n->bands, n->band_count));
    return o;
}

static json_t *talk_object(ltp_json *j, const lt_compare_talk *t)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "path", ltp_json_text(lt_path_name(LT_PATH_TALK_TEST)));
    ltp_json_put(j, o, "condition", ltp_json_text(t->condition));
    ltp_json_put(j, o, "active_level_db", db_pair(j, t->active_level_db));
    ltp_json_put(j, o, "noise_level_db", db_pair(j, t->noise_level_db));
    ltp_json_put_db(j, o, "difference_db", t->difference_db);
    ltp_json_put_db(j, o, "doubt_db", t->doubt_db);
    ltp_json_put(j, o, "bands", level_bands(j, t->bands, t->band_count));
    return o;
}

static json_t *figures(ltp_json *j, const lt_compare_lane *l)
{
    const lt_tune_figures *b = &l->figures_before, *a = &l->figures_after;
    if (!l->figures_known)
        return json_null();
    json_t *o = json_object(), *index = json_object();
    ltp_json_put(j, index, "outbound",
                 before_after(j, (lt_before_after){b->sii_outbound, a->sii_outbound}, LTP_DECIMALS_INDEX));
    ltp_json_put(j, index, "inbound",
                 before_after(j, (lt_before_after){b->sii_inbound, a->sii_inbound}, LTP_DECIMALS_INDEX));
    ltp_json_put(j, o, "sii", index);
    ltp_json_put(j, o, "margin_db", db_pair(j, (lt_before_after){b->margin_db, a->margin_db}));
    ltp_json_put(j, o, "safe_margin_db", db_pair(j, (lt_before_after){b->safe_margin_db, a->safe_margin_db}));
    ltp_json_put(j, o, "ear_dba", db_pair(j, (lt_before_after){b->ear_dba, a->ear_dba}));
    ltp_json_put(j, o, "operator_dba", db_pair(j, (lt_before_after){b->operator_dba, a->operator_dba}));
    ltp_json_put(j, o, "echo_telr_db", db_pair(j, (lt_before_after){b->echo_telr_db, a->echo_telr_db}));
    ltp_json_put(j, o, "echo_weighted_db", db_pair(j, (lt_before_after){b->echo_weighted_db, a->echo_weighted_db}));
    return o;
}

static json_t *finding_object(ltp_json *j, const lt_finding *f)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "code", ltp_json_text(lt_finding_code_name(f->code)));
    ltp_json_put(j, o, "kind", ltp_json_text(lt_finding_kind_name(f->kind)));
    ltp_json_put(j, o, "path", ltp_json_text(f->path));
    ltp_json_put(j, o, "condition", ltp_json_text(f->condition));
    ltp_json_put(j, o, "change", ltp_json_number(f->change, LTP_DECIMALS_DB));
    ltp_json_put(j, o, "unit", ltp_json_text(f->unit));
    ltp_json_put(j, o, "sure", ltp_json_text(lt_finding_sure_name(f->probability)));
    ltp_json_put(j, o, "probability", ltp_json_number(f->probability, 2));
    ltp_json_put(j, o, "over_limit", json_boolean(f->over_limit));
    ltp_json_put(j, o, "evidence", ltp_json_text(f->evidence));
    ltp_json_put(j, o, "cause", ltp_json_text(f->cause));
    ltp_json_put(j, o, "next_step", ltp_json_text(f->next_step));
    return o;
}

static json_t *lane_object(ltp_json *j, const lt_compare_lane *l)
{
    json_t *o = json_object(), *responses = json_array(), *noises = json_array(), *talks = json_array(),
           *findings = json_array(), *settings = json_object(), *recommended = json_object();
    ltp_json_put(j, o, "lane", json_integer((json_int_t)l->lane));
    ltp_json_put(j, o, "name", ltp_json_text(l->name));
    ltp_json_put(j, o, "worse", json_boolean(l->worse));
    for (size_t i = 0; i < l->finding_count; i++)
        ltp_json_append(j, findings, finding_object(j, &l->findings[i]));
    ltp_json_put(j, o, "findings", findings);
    ltp_json_put(j, o, "figures", figures(j, l));
    ltp_json_put(j, settings, "outbound_db", db_pair(j, l->outbound_setting_db));
    ltp_json_put(j, settings, "inbound_db", db_pair(j, l->inbound_setting_db));
    ltp_json_put(j, o, "settings", settings);
    ltp_json_put(j, recommended, "outbound_db", db_pair(j, l->outbound_recommended_db));
    ltp_json_put(j, recommended, "inbound_db", db_pair(j, l->inbound_recommended_db));
    ltp_json_put(j, o, "recommended", recommended);
    for (size_t i = 0; i < l->response_count; i++)
        ltp_json_append(j, responses, response_object(j, &l->responses[i]));
    ltp_json_put(j, o, "responses", responses);
    for (size_t i = 0; i < l->noise_count; i++)
        ltp_json_append(j, noises, noise_object(j, &l->noises[i]));
    ltp_json_put(j, o, "noises", noises);
    for (size_t i = 0; i < l->talk_count; i++)
        ltp_json_append(j, talks, talk_object(j, &l->talks[i]));
    ltp_json_put(j, o, "talk_tests", talks);
    ltp_json_put(j, o, "notes", ltp_json_notes(j, &l->notes, NULL));
    return o;
}

static json_t *visit_object(ltp_json *j, const lt_visit_place *p, const char *weather)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "site", ltp_json_text(p->dir));
    ltp_json_put(j, o, "date", ltp_json_text(p->date));
    ltp_json_put(j, o, "weather", ltp_json_text(weather));
    return o;
}

lt_status lt_json_compare(const lt_json_head *h, const lt_visit_comparison *c, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object(), *lanes = json_array();
    bool worse = false;
    ltp_json_put(&j, result, "kind", ltp_json_text("visits"));
    ltp_json_put(&j, result, "before", visit_object(&j, &c->before, c->weather_before));
    ltp_json_put(&j, result, "after", visit_object(&j, &c->after, c->weather_after));
    for (size_t i = 0; i < c->lane_count; i++) {
        worse |= c->lanes[i].worse;
        ltp_json_append(&j, lanes, lane_object(&j, &c->lanes[i]));
    }
    ltp_json_put(&j, result, "worse", json_boolean(worse));
    ltp_json_put(&j, result, "lanes", lanes);
    return ltp_json_finish(&j, h, &c->notes, result, out, err);
}
