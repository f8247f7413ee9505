/* SPDX-License-Identifier: MIT
 * Interference beside the levels of `noise`, as JSON and in words. */
#include "report/json_build.h"
#include "report/text_build.h"

json_t *ltp_json_interference(ltp_json *j, const lt_levels *l)
{
    const lt_interference_result *r = l->interference;
    json_t *o = json_object();
    ltp_json_put(j, o, "hum_from_s", ltp_json_number(r->hum_from_s, 2));
    json_t *whines = json_array();
    for (size_t i = 0; i < r->whine_count; i++) {
        json_t *w = json_object();
        ltp_json_put_hz(j, w, "hz", r->whines[i].hz);
        ltp_json_put_db(j, w, "level_db", r->whines[i].level_db);
        ltp_json_put(j, w, "from_s", ltp_json_number(r->whines[i].from_s, 2));
        ltp_json_put(j, w, "to_s", ltp_json_number(r->whines[i].to_s, 2));
        ltp_json_append(j, whines, w);
    }
    ltp_json_put(j, o, "whines", whines);
    json_t *burst = json_null(), *wind = json_null();
    if (lt_is_known(r->burst_from_s)) {
        burst = json_object();
        ltp_json_put(j, burst, "seconds", ltp_json_number(r->burst_s, 2));
        ltp_json_put(j, burst, "from_s", ltp_json_number(r->burst_from_s, 2));
        ltp_json_put_db(j, burst, "level_db", r->burst_db);
    }
    if (lt_is_known(r->wind_from_s)) {
        wind = json_object();
        ltp_json_put(j, wind, "percent", ltp_json_number(r->wind_percent, 1));
        ltp_json_put(j, wind, "from_s", ltp_json_number(r->wind_from_s, 2));
        ltp_json_put_hz(j, wind, "below_hz", r->wind_below_hz);
    }
    ltp_json_put(j, o, "burst_buzz", burst);
    ltp_json_put(j, o, "wind", wind);
    return o;
}

static void number_and(ltp_textbuf *b, double value, int decimals, const char *after)
{
    ltp_text_number(b, value, decimals);
    ltp_text_add(b, after);
}

void ltp_text_interference(ltp_textbuf *b, const lt_levels *l, const char *unit)
{
    const lt_interference_result *r = l->interference;
    if (l->hum)
        ltp_text_wrap(b, "    ", lt_hum_entry_point(l->mains_hz, l->lines, l->line_count));
    if (r == NULL)
        return;
    for (size_t i = 0; i < r->whine_count; i++) {
        ltp_text_add(b, "  whine at ");
        number_and(b, r->whines[i].hz, 0, " Hz: ");
        number_and(b, r->whines[i].level_db, 1, " ");
        ltp_text_format(b, "%s, ", unit);
        number_and(b, r->whines[i].from_s, 1, " to ");
        number_and(b, r->whines[i].to_s, 1, " s (switching supply, display)\n");
    }
    if (lt_is_known(r->burst_from_s)) {
        ltp_text_add(b, "  burst buzz of a mobile phone: ");
        number_and(b, r->burst_s, 1, " s, first at ");
        number_and(b, r->burst_from_s, 1, " s, ");
        number_and(b, r->burst_db, 1, " ");
        ltp_text_format(b, "%s\n", unit);
    }
    if (lt_is_known(r->wind_from_s)) {
        ltp_text_add(b, "  wind during ");
        number_and(b, r->wind_percent, 0, " % of the time, first at ");
        number_and(b, r->wind_from_s, 1, " s: do not trust levels below ");
        number_and(b, r->wind_below_hz, 0, " Hz\n");
    }
    if (r->whine_count == 0 && !lt_is_known(r->burst_from_s) && !lt_is_known(r->wind_from_s))
        ltp_text_add(b, "  no whine, no burst buzz, no wind\n");
}
