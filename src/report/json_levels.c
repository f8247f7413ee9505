/* SPDX-License-Identifier: MIT
 * JSON of what a sound level meter says beyond the usual: more detectors, octaves, percentiles, traffic, NC. */
#include "report/levels.h"

#include <math.h>

json_t *ltp_json_bands(ltp_json *j, const lt_level_band *bands, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", bands[i].band.nominal_hz);
        ltp_json_put_db(j, band, "leq_db", bands[i].leq_db);
        ltp_json_put_db(j, band, "l10_db", bands[i].l10_db);
        ltp_json_put_db(j, band, "l50_db", bands[i].l50_db);
        ltp_json_put_db(j, band, "l90_db", bands[i].l90_db);
        ltp_json_append(j, array, band);
    }
    return array;
}

void ltp_json_put_detectors(ltp_json *j, json_t *result, const lt_levels *l)
{
    ltp_json_put_db(j, result, "lzeq_db", l->lzeq_db);
    ltp_json_put_db(j, result, "lae_db", l->lae_db);
    ltp_json_put_db(j, result, "lafmin_db", l->lafmin_db);
    ltp_json_put_db(j, result, "lasmax_db", l->lasmax_db);
    ltp_json_put_db(j, result, "lcfmax_db", l->lcfmax_db);
    ltp_json_put_db(j, result, "lcpeak_db", l->lcpeak_db);
    ltp_json_put_db(j, result, "la1_db", l->la_exceeded_db[0]);
    ltp_json_put_db(j, result, "la5_db", l->la_exceeded_db[4]);
    ltp_json_put_db(j, result, "la95_db", l->la_exceeded_db[94]);
    ltp_json_put_db(j, result, "la99_db", l->la_exceeded_db[98]);
    ltp_json_put(j, result, "low_bands", ltp_json_bands(j, l->low_bands, l->low_band_count));
    ltp_json_put(j, result, "octaves", ltp_json_bands(j, l->octaves, l->octave_count));
}

static json_t *levels_array(ltp_json *j, const double exceeded_db[LT_PERCENTILES])
{
    json_t *array = json_array();
    for (size_t p = 0; p < LT_PERCENTILES; p++)
        ltp_json_append(j, array, ltp_json_number(exceeded_db[p], LTP_DECIMALS_DB));
    return array;
}

static void append_percentiles(ltp_json *j, json_t *array, const lt_level_band *bands, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", bands[i].band.nominal_hz);
        ltp_json_put_db(j, band, "max_db", bands[i].max_db);
        ltp_json_put(j, band, "exceeded_db", levels_array(j, bands[i].exceeded_db));
        ltp_json_append(j, array, band);
    }
}

static json_t *percentiles_object(ltp_json *j, const lt_levels *l)
{
    json_t *object = json_object();
    json_t *bands = json_array();
    json_t *octaves = json_array();
    ltp_json_put(j, object, "la_db", levels_array(j, l->la_exceeded_db));
    append_percentiles(j, bands, l->low_bands, l->low_band_count);
    append_percentiles(j, bands, l->bands, l->band_count);
    append_percentiles(j, octaves, l->octaves, l->octave_count);
    ltp_json_put(j, object, "bands", bands);
    ltp_json_put(j, object, "octaves", octaves);
    return object;
}

static json_t *masking_object(ltp_json *j, const lt_level_more *more)
{
    if (isnan(more->share_percent))
        return json_null();
    json_t *object = json_object();
    ltp_json_put_db(j, object, "speech_dba", more->speech_dba);
    ltp_json_put(j, object, "sii", ltp_json_number(more->sii, LTP_DECIMALS_INDEX));
    ltp_json_put_db(j, object, "limit_dba", more->limit_dba);
    ltp_json_put(j, object, "share_percent", ltp_json_number(more->share_percent, LTP_DECIMALS_PERCENT));
    return object;
}

static json_t *traffic_object(ltp_json *j, const lt_level_more *more)
{
    const lt_traffic_result *t = more->traffic;
    json_t *object = json_object();
    json_t *passbys = json_array();
    for (size_t i = 0; i < t->passby_count; i++) {
        const lt_passby *p = &t->passbys[i];
        json_t *one = json_object();
        ltp_json_put(j, one, "start_s", ltp_json_number(p->start_s, 3));
        ltp_json_put(j, one, "peak_s", ltp_json_number(p->peak_s, 3));
        ltp_json_put(j, one, "duration_s", ltp_json_number(p->duration_s, 3));
        ltp_json_put_db(j, one, "lafmax_db", p->peak_dba);
        ltp_json_put_db(j, one, "lae_db", p->exposure_db);
        ltp_json_put_db(j, one, "background_db", p->background_dba);
        ltp_json_append(j, passbys, one);
    }
    ltp_json_put(j, object, "passby_count", json_integer((json_int_t)t->passby_total));
    ltp_json_put(j, object, "passbys", passbys);
    json_t *hour = json_null();
    if (t->busy_hour) {
        hour = json_object();
        ltp_json_put(j, hour, "start_s", ltp_json_number(t->busy_hour_start_s, 0));
        ltp_json_put_db(j, hour, "laeq_db", t->busy_hour_laeq_db);
    }
    ltp_json_put(j, object, "busy_hour", hour);
    ltp_json_put(j, object, "masking", masking_object(j, more));
    return object;
}

static json_t *nc_object(ltp_json *j, const lt_nc *nc)
{
    if (nc == NULL)
        return json_null();
    json_t *object = json_object();
    ltp_json_put(j, object, "rating", nc->below || nc->above ? json_null() : ltp_json_number(nc->rating, 1));
    ltp_json_put(j, object, "range", ltp_json_text(nc->below ? "below" : nc->above ? "above" : "within"));
    ltp_json_put_hz(j, object, "governing_hz", nc->governing_hz);
    ltp_json_put_db(j, object, "sil_db", nc->sil_db);
    return object;
}

void ltp_json_put_more(ltp_json *j, json_t *result, const lt_levels *l, const lt_level_more *more)
{
    if (more->percentiles)
        ltp_json_put(j, result, "percentiles", percentiles_object(j, l));
    ltp_json_put(j, result, "nc", nc_object(j, more->nc));
    ltp_json_put(j, result, "traffic", traffic_object(j, more));
}
