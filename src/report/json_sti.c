/* SPDX-License-Identifier: MIT
 * JSON of the Speech Transmission Index. */
#include "report/json_build.h"

lt_status lt_json_sti(const lt_json_head *h, const lt_sti_result *r, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object();
    ltp_json_put(&j, result, "sti", ltp_json_number(r->sti, LTP_DECIMALS_INDEX));
    ltp_json_put(&j, result, "category", ltp_json_text(r->category));
    ltp_json_put(&j, result, "label", ltp_json_text(r->label));
    ltp_json_put(&j, result, "method", ltp_json_text(lt_sti_method_name(r->method)));
    ltp_json_put(&j, result, "voice", ltp_json_text(lt_sti_voice_name(r->voice)));
    ltp_json_put(&j, result, "seconds", ltp_json_number(r->seconds, LTP_DECIMALS_S));
    ltp_json_put(&j, result, "used_s", ltp_json_number(r->used_s, LTP_DECIMALS_S));
    ltp_json_put(&j, result, "drift_ppm", ltp_json_number(r->drift_ppm, LTP_DECIMALS_PPM));
    json_t *bands = json_array();
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        json_t *band = json_object();
        json_t *mtf = json_array();
        ltp_json_put_hz(&j, band, "hz", r->bands[k].hz);
        ltp_json_put(&j, band, "mti", ltp_json_number(r->bands[k].mti, LTP_DECIMALS_INDEX));
        ltp_json_put_db(&j, band, "level_dbfs", r->level_db[k]);
        for (size_t i = 0; i < r->modulations; i++) {
            json_t *value = json_object();
            ltp_json_put_hz(&j, value, "hz", r->bands[k].mtf[i].hz);
            ltp_json_put(&j, value, "m", ltp_json_number(r->bands[k].mtf[i].m, LTP_DECIMALS_INDEX));
            ltp_json_append(&j, mtf, value);
        }
        ltp_json_put(&j, band, "mtf", mtf);
        ltp_json_append(&j, bands, band);
    }
    ltp_json_put(&j, result, "bands", bands);
    return ltp_json_finish(&j, h, &r->notes, result, out, err);
}
