/* SPDX-License-Identifier: MIT
 * JSON of single recordings and computations: stimulus, response, noise, speech level, SII. */
#include "report/levels.h"

#include <math.h>

static json_t *band_object(ltp_json *j, double nominal_hz)
{
    json_t *object = json_object();
    ltp_json_put_hz(j, object, "hz", nominal_hz);
    return object;
}

lt_status lt_json_stimulus(const lt_json_head *h, const lt_stimulus_info *s, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "kind", ltp_json_text(s->kind));
    ltp_json_put(&j, result, "path", ltp_json_text(s->path));
    ltp_json_put_hz(&j, result, "rate_hz", s->rate_hz);
    ltp_json_put(&j, result, "seconds", ltp_json_number(s->seconds, LTP_DECIMALS_S));
    ltp_json_put_hz(&j, result, "from_hz", s->from_hz);
    ltp_json_put_hz(&j, result, "to_hz", s->to_hz);
    ltp_json_put_db(&j, result, "peak_dbfs", s->peak_dbfs);
    ltp_json_put_db(&j, result, "rms_dbfs", s->rms_dbfs);
    return ltp_json_finish(&j, h, NULL, result, out, err);
}

static json_t *response_bands(ltp_json *j, const lt_response *r)
{
    json_t *array = json_array();
    for (size_t i = 0; i < r->band_count; i++) {
        json_t *band = band_object(j, r->bands[i].band.nominal_hz);
        ltp_json_put_db(j, band, "level_db", r->bands[i].level_db);
        ltp_json_put_db(j, band, "snr_db", r->bands[i].snr_db);
        ltp_json_put(j, band, "thd_percent", ltp_json_number(r->bands[i].thd_percent, LTP_DECIMALS_PERCENT));
        ltp_json_append(j, array, band);
    }
    return array;
}

static json_t *response_arrivals(ltp_json *j, const lt_response *r)
{
    json_t *array = json_array();
    for (size_t i = 0; i < r->arrival_count; i++) {
        json_t *arrival = json_object();
        ltp_json_put(j, arrival, "delay_ms", ltp_json_number(r->arrivals[i].delay_ms, LTP_DECIMALS_MS));
        ltp_json_put_db(j, arrival, "level_db", r->arrivals[i].level_db);
        ltp_json_append(j, array, arrival);
    }
    return array;
}

lt_status lt_json_response(const lt_json_head *h, const lt_response *r, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put_hz(&j, result, "rate_hz", r->rate_hz);
    ltp_json_put_hz(&j, result, "from_hz", r->from_hz);
    ltp_json_put_hz(&j, result, "to_hz", r->to_hz);
    ltp_json_put(&j, result, "delay_ms", ltp_json_number(r->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put(&j, result, "polarity", r->polarity == 0 ? json_null() : json_integer(r->polarity));
    ltp_json_put(&j, result, "drift_ppm", ltp_json_number(r->drift_ppm, LTP_DECIMALS_PPM));
    ltp_json_put_db(&j, result, "snr_db", r->snr_db);
    ltp_json_put(&j, result, "repeats", json_integer((json_int_t)r->repeats));
    ltp_json_put(&j, result, "bands", response_bands(&j, r));
    json_t *decay = json_object();
    ltp_json_put(&j, decay, "edt_s", ltp_json_number(r->edt_s, LTP_DECIMALS_S));
    ltp_json_put(&j, decay, "t20_s", ltp_json_number(r->t20_s, LTP_DECIMALS_S));
    ltp_json_put_db(&j, decay, "c50_db", r->c50_db);
    ltp_json_put(&j, result, "decay", decay);
    ltp_json_put(&j, result, "arrivals", response_arrivals(&j, r));
    return ltp_json_finish(&j, h, &r->notes, result, out, err);
}

static json_t *hum_object(ltp_json *j, const lt_levels *l)
{
    if (!l->hum)
        return json_null();
    json_t *hum = json_object();
    json_t *lines = json_array();
    ltp_json_put_hz(j, hum, "mains_hz", l->mains_hz);
    ltp_json_put(j, hum, "mains_exact_hz", ltp_json_number(lt_hum_exact_hz(l->mains_hz, l->lines, l->line_count), 3));
    ltp_json_put(j, hum, "entry_point", ltp_json_text(lt_hum_entry_point(l->mains_hz, l->lines, l->line_count)));
    ltp_json_put_db(j, hum, "level_db", l->hum_level_db);
    for (size_t i = 0; i < l->line_count; i++) {
        json_t *line = band_object(j, l->lines[i].hz);
        ltp_json_put_db(j, line, "level_db", l->lines[i].level_db);
        ltp_json_append(j, lines, line);
    }
    ltp_json_put(j, hum, "lines", lines);
    return hum;
}

lt_status lt_json_noise(const lt_json_head *h, const lt_levels *l, const lt_level_more *more, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "seconds", ltp_json_number(l->seconds, LTP_DECIMALS_S));
    ltp_json_put_db(&j, result, "laeq_db", l->laeq_db);
    ltp_json_put_db(&j, result, "lceq_db", l->lceq_db);
    ltp_json_put_db(&j, result, "lafmax_db", l->lafmax_db);
    ltp_json_put_db(&j, result, "la10_db", l->la10_db);
    ltp_json_put_db(&j, result, "la50_db", l->la50_db);
    ltp_json_put_db(&j, result, "la90_db", l->la90_db);
    ltp_json_put_db(&j, result, "peak_dbfs", l->peak_dbfs);
    ltp_json_put_detectors(&j, result, l);
    ltp_json_put(&j, result, "bands", ltp_json_bands(&j, l->bands, l->band_count));
    ltp_json_put(&j, result, "hum", hum_object(&j, l));
    if (l->interference != NULL)
        ltp_json_put(&j, result, "interference", ltp_json_interference(&j, l));
    if (more != NULL)
        ltp_json_put_more(&j, result, l, more);
    return ltp_json_finish(&j, h, &l->notes, result, out, err);
}

lt_status lt_json_levels(const lt_json_head *h, const lt_levels *l, char **out, lt_error *err)
{
    return lt_json_noise(h, l, NULL, out, err);
}

lt_status lt_json_talk_test(const lt_json_head *h, const lt_talk_test *t, double cal_db, const lt_stoi_result *stoi,
                            char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "seconds", ltp_json_number(t->seconds, LTP_DECIMALS_S));
    ltp_json_put_db(&j, result, "active_level_db", t->level.active_level_db + cal_db);
    ltp_json_put_db(&j, result, "long_term_level_db", t->level.long_term_level_db + cal_db);
    ltp_json_put(&j, result, "activity_percent", ltp_json_number(t->level.activity_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put_db(&j, result, "noise_level_db", t->noise_level_db + cal_db);
    if (stoi != NULL) {
        ltp_json_put(&j, result, "stoi", ltp_json_number(stoi->stoi, LTP_DECIMALS_INDEX));
        ltp_json_put(&j, result, "estoi", ltp_json_number(stoi->estoi, LTP_DECIMALS_INDEX));
        ltp_json_put(&j, result, "reference_delay_ms", ltp_json_number(stoi->delay_ms, 2));
        ltp_json_put(&j, result, "reference_drift_ppm", ltp_json_number(stoi->drift_ppm, 1));
        ltp_json_put(&j, result, "reference_seconds", ltp_json_number(stoi->seconds, LTP_DECIMALS_S));
    }
    json_t *bands = json_array();
    for (size_t i = 0; i < t->band_count; i++) {
        json_t *band = band_object(&j, t->bands[i].band.nominal_hz);
        ltp_json_put_db(&j, band, "speech_db", t->bands[i].speech_db + cal_db);
        ltp_json_put_db(&j, band, "noise_db", t->bands[i].noise_db + cal_db);
        ltp_json_append(&j, bands, band);
    }
    ltp_json_put(&j, result, "bands", bands);
    return ltp_json_finish(&j, h, &t->notes, result, out, err);
}

static json_t *recorded_object(ltp_json *j, const lt_sii_recorded *r)
{
    json_t *object = json_object();
    ltp_json_put_db(j, object, "speech_dba", r->speech_dba);
    ltp_json_put_db(j, object, "active_level_db", r->active_level_db);
    ltp_json_put(j, object, "activity_percent", ltp_json_number(r->activity_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put_db(j, object, "noise_dba", r->noise_dba);
    ltp_json_put(j, object, "noise", r->noise != NULL ? ltp_json_text(r->noise) : json_null());
    return object;
}

lt_status lt_json_sii(const lt_json_head *h, lt_sii_method m, const lt_sii_result *r, const lt_privacy *privacy,
                      const lt_sii_recorded *recorded, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "sii", ltp_json_number(r->sii, LTP_DECIMALS_INDEX));
    ltp_json_put(&j, result, "method", ltp_json_text(lt_sii_method_name(m)));
    if (privacy != NULL) {
        json_t *object = json_object();
        ltp_json_put(&j, object, "articulation_index",
                     ltp_json_number(privacy->articulation_index, LTP_DECIMALS_INDEX));
        ltp_json_put(&j, object, "privacy_index_percent",
                     ltp_json_number(privacy->privacy_percent, LTP_DECIMALS_PERCENT));
        ltp_json_put(&j, object, "class", ltp_json_text(privacy->word));
        ltp_json_put(&j, result, "privacy", object);
    }
    if (recorded != NULL)
        ltp_json_put(&j, result, "recorded", recorded_object(&j, recorded));
    json_t *bands = json_array();
    for (size_t i = 0; i < r->count; i++) {
        json_t *band = band_object(&j, r->bands[i].hz);
        ltp_json_put_db(&j, band, "speech_db", r->bands[i].speech_db);
        ltp_json_put_db(&j, band, "noise_db", r->bands[i].noise_db);
        ltp_json_put_db(&j, band, "threshold_db", r->bands[i].threshold_db);
        ltp_json_put_db(&j, band, "disturbance_db", r->bands[i].disturbance_db);
        ltp_json_put(&j, band, "audibility", ltp_json_number(r->bands[i].audibility, LTP_DECIMALS_INDEX));
        ltp_json_put(&j, band, "importance", ltp_json_number(r->bands[i].importance, LTP_DECIMALS_INDEX));
        ltp_json_append(&j, bands, band);
    }
    ltp_json_put(&j, result, "bands", bands);
    return ltp_json_finish(&j, h, NULL, result, out, err);
}
