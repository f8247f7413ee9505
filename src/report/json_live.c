/* SPDX-License-Identifier: MIT
 * JSON of what was measured live, and the verdict on its quality. */
#include "report/json_build.h"

#include <math.h>

/* Ours: at 25 dB the noise moves a band by 0.25 dB at most one time in three, at 15 dB by 0.8 dB. */
static const double good_db = 25.0, fair_db = 15.0;

const char *lt_quality_name(lt_quality q)
{
    static const char *const names[LT_QUALITY_COUNT] = {"good", "fair", "poor"};
    return (unsigned)q < LT_QUALITY_COUNT ? names[q] : "";
}

lt_quality lt_quality_of(double snr_db)
{
    return snr_db >= good_db ? LT_QUALITY_GOOD : snr_db >= fair_db ? LT_QUALITY_FAIR : LT_QUALITY_POOR;
}

lt_quality lt_quality_of_response(const lt_response *r, double *hz)
{
    double worst_db = HUGE_VAL;
    *hz = (double)NAN;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        const bool speech =
            b->band.index >= LT_THIRD_SPEECH_FIRST && b->band.index < LT_THIRD_SPEECH_FIRST + LT_SPEECH_BANDS;
        if (speech && !(b->snr_db >= worst_db)) {
            worst_db = b->snr_db;
            *hz = b->band.nominal_hz;
        }
    }
    return lt_is_known(*hz) ? lt_quality_of(worst_db) : LT_QUALITY_POOR;
}

/* apart: the delay holds a start that is not the lane's. */
static void put_response(ltp_json *j, json_t *result, const lt_response *r, bool apart)
{
    json_t *bands = json_array();
    for (size_t i = 0; i < r->band_count; i++) {
        json_t *band = json_object();
        ltp_json_put_hz(j, band, "hz", r->bands[i].band.nominal_hz);
        ltp_json_put_db(j, band, "level_db", r->bands[i].level_db);
        ltp_json_put_db(j, band, "snr_db", r->bands[i].snr_db);
        ltp_json_put(j, band, "quality", ltp_json_text(lt_quality_name(lt_quality_of(r->bands[i].snr_db))));
        ltp_json_append(j, bands, band);
    }
    double hz = (double)NAN;
    ltp_json_put(j, result, "quality", ltp_json_text(lt_quality_name(lt_quality_of_response(r, &hz))));
    ltp_json_put_hz(j, result, "worst_hz", hz);
    ltp_json_put(j, result, "delay_ms", ltp_json_number(apart ? (double)NAN : r->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put(j, result, "drift_ppm", ltp_json_number(r->drift_ppm, LTP_DECIMALS_PPM));
    ltp_json_put_db(j, result, "snr_db", r->snr_db);
    ltp_json_put(j, result, "bands", bands);
}

static json_t *device(ltp_json *j, const lt_live_used *used)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "host", ltp_json_text(used->host));
    ltp_json_put(j, o, "input", ltp_json_text(used->input));
    const bool plays = used->output[0] != '\0';
    ltp_json_put(j, o, "output", plays ? ltp_json_text(used->output) : json_null());
    ltp_json_put(j, o, "output_host", plays ? ltp_json_text(used->output_host) : json_null());
    return o;
}

lt_status lt_json_measure(const lt_json_head *h, const lt_measured *m, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "visit", ltp_json_text(m->visit));
    ltp_json_put(&j, result, "lane", m->lane > 0 ? json_integer((json_int_t)m->lane) : json_null());
    ltp_json_put(&j, result, "counter", m->lane == 0 ? json_integer((json_int_t)m->counter) : json_null());
    ltp_json_put(&j, result, "path", ltp_json_text(m->path));
    ltp_json_put(&j, result, "condition", ltp_json_text(m->condition));
    ltp_json_put(&j, result, "file", ltp_json_text(m->file));
    ltp_json_put(&j, result, "stimulus", ltp_json_text(m->stimulus));
    ltp_json_put(&j, result, "device", device(&j, m->used));
    ltp_json_put_hz(&j, result, "rate_hz", m->rate_hz);
    ltp_json_put(&j, result, "seconds", ltp_json_number(m->seconds, LTP_DECIMALS_S));
    ltp_json_put(&j, result, "complete", json_boolean(m->complete));
    ltp_json_put_db(&j, result, "level_dbfs", m->level_dbfs);
    ltp_json_put(&j, result, "level_end", ltp_json_text(m->level_end));
    ltp_json_put(&j, result, "sweep_s", ltp_json_number(m->sweep_s, LTP_DECIMALS_S));
    ltp_json_put(&j, result, "sweeps", m->sweeps > 0 ? json_integer((json_int_t)m->sweeps) : json_null());
    ltp_json_put(&j, result, "takes", json_integer((json_int_t)m->takes));
    ltp_json_put(&j, result, "removed_ms", ltp_json_number(m->removed_ms, LTP_DECIMALS_MS));
    if (m->response != NULL)
        put_response(&j, result, m->response, m->used->apart);
    if (m->levels != NULL)
        ltp_json_put_db(&j, result, m->calibrated ? "laeq_dba" : "laeq_dbfs", m->levels->laeq_db);
    if (m->talk_test != NULL)
        ltp_json_put_db(&j, result, "active_level_dbfs", m->talk_test->level.active_level_db);
    return ltp_json_finish(&j, h, m->notes, result, out, err);
}

lt_status lt_json_calibrate(const lt_json_head *h, const lt_calibration *c, const char *visit, unsigned tries,
                            double calibrator_hz, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "method", ltp_json_text(lt_calibration_method_name(c->method)));
    ltp_json_put(&j, result, "visit", ltp_json_text(visit));
    ltp_json_put(&j, result, "date", ltp_json_text(c->date));
    ltp_json_put(&j, result, "device", ltp_json_text(c->device));
    ltp_json_put(&j, result, "channel", json_integer((json_int_t)c->channel));
    ltp_json_put_hz(&j, result, "rate_hz", c->rate_hz);
    ltp_json_put_db(&j, result, "level_db", c->level_db);
    ltp_json_put_db(&j, result, "result_db", c->result_db);
    ltp_json_put(&j, result, "latency_ms", ltp_json_number(c->latency_ms, LTP_DECIMALS_MS));
    ltp_json_put(&j, result, "tries", json_integer((json_int_t)tries));
    ltp_json_put_hz(&j, result, "calibrator_hz", calibrator_hz);
    return ltp_json_finish(&j, h, NULL, result, out, err);
}
