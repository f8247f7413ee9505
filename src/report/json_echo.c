/* SPDX-License-Identifier: MIT
 * JSON of the echo path: finding, figures, evidence and advice. */
#include "report/json_build.h"

static json_t *sentences(ltp_json *j, const lt_notes *notes)
{
    json_t *list = json_array();
    for (size_t i = 0; i < notes->count; i++)
        ltp_json_append(j, list, ltp_json_text(notes->items[i].message));
    return list;
}

static json_t *talker(ltp_json *j, const lt_talker_echo *t)
{
    json_t *o = json_object();
    ltp_json_put_db(j, o, "telr_db", t->telr_db);
    ltp_json_put(j, o, "verdict", ltp_json_text(lt_echo_verdict_name(t->verdict)));
    ltp_json_put(j, o, "one_way_ms", ltp_json_number(t->one_way_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(j, o, "weighted_db", t->weighted_db);
    ltp_json_put_db(j, o, "required_telr_db", t->required_telr_db);
    ltp_json_put(j, o, "r", ltp_json_number(t->r_with, 2));
    ltp_json_put(j, o, "r_without", ltp_json_number(t->r_without, 2));
    ltp_json_put(j, o, "mos", ltp_json_number(t->mos_with, 3));
    ltp_json_put(j, o, "mos_without", ltp_json_number(t->mos_without, 3));
    return o;
}

static json_t *arrivals(ltp_json *j, const lt_echo *e)
{
    json_t *list = json_array();
    for (size_t i = 0; i < e->arrival_count; i++) {
        json_t *o = json_object();
        ltp_json_put(j, o, "delay_ms", ltp_json_number(e->arrivals[i].delay_ms, LTP_DECIMALS_MS));
        ltp_json_put_db(j, o, "level_db", e->arrivals[i].level_db);
        ltp_json_put(j, o, "path_m", ltp_json_number(e->arrivals[i].path_m, 3));
        ltp_json_append(j, list, o);
    }
    return list;
}

static json_t *bands(ltp_json *j, const lt_echo *e)
{
    json_t *list = json_array();
    for (size_t i = 0; i < e->band_count; i++) {
        json_t *o = json_object();
        ltp_json_put_hz(j, o, "hz", e->bands[i].band.nominal_hz);
        ltp_json_put_db(j, o, "level_db", e->bands[i].level_db);
        ltp_json_put(j, o, "coherence", ltp_json_number(e->bands[i].coherence, 4));
        ltp_json_append(j, list, o);
    }
    return list;
}

static json_t *canceller(ltp_json *j, const lt_canceller *c)
{
    if (c == NULL)
        return json_null();
    json_t *o = json_object();
    json_t *tails = json_array();
    for (size_t i = 0; i < c->count; i++) {
        json_t *t = json_object();
        ltp_json_put(j, t, "tail_ms", ltp_json_number(c->tails[i].tail_ms, 1));
        ltp_json_put_db(j, t, "erle_db", c->tails[i].erle_db);
        ltp_json_append(j, tails, t);
    }
    ltp_json_put(j, o, "tails", tails);
    ltp_json_put_db(j, o, "erle_db", c->best_db);
    ltp_json_put(j, o, "sufficient_tail_ms", ltp_json_number(c->sufficient_ms, 1));
    ltp_json_put(j, o, "bulk_delay_ms", ltp_json_number(c->bulk_ms, 1));
    ltp_json_put_db(j, o, "path_erle_db", c->path_db);
    return o;
}

static json_t *other_way(ltp_json *j, const lt_echo *e)
{
    if (e == NULL)
        return json_null();
    json_t *o = json_object();
    ltp_json_put(j, o, "finding", ltp_json_text(lt_echo_finding_name(e->finding)));
    ltp_json_put(j, o, "confidence", ltp_json_number(e->confidence, 2));
    ltp_json_put(j, o, "delay_ms", ltp_json_number(e->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(j, o, "echo_loss_db", e->echo_loss_db);
    ltp_json_put(j, o, "tail_ms", ltp_json_number(e->tail_ms, LTP_DECIMALS_MS));
    ltp_json_put(j, o, "talker_echo", talker(j, &e->talker));
    ltp_json_put(j, o, "arrivals", arrivals(j, e));
    ltp_json_put(j, o, "evidence", sentences(j, &e->evidence));
    ltp_json_put(j, o, "advice", sentences(j, &e->advice));
    ltp_json_put(j, o, "notes", sentences(j, &e->notes));
    return o;
}

lt_status lt_json_echo(const lt_json_head *h, const lt_echo *e, const lt_echo *back, const lt_canceller *c, char **out,
                       lt_error *err)
{
    ltp_json j = {0};
    json_t *r = json_object();
    ltp_json_put(&j, r, "finding", ltp_json_text(lt_echo_finding_name(e->finding)));
    ltp_json_put(&j, r, "rival",
                 e->rival == LT_ECHO_NONE ? json_null() : ltp_json_text(lt_echo_finding_name(e->rival)));
    ltp_json_put(&j, r, "confidence", ltp_json_number(e->confidence, 2));
    ltp_json_put(&j, r, "source", ltp_json_text(lt_echo_source_name(e->source)));
    ltp_json_put(&j, r, "delay_ms", ltp_json_number(e->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(&j, r, "echo_loss_db", e->echo_loss_db);
    ltp_json_put(&j, r, "tail_ms", ltp_json_number(e->tail_ms, LTP_DECIMALS_MS));
    ltp_json_put(&j, r, "polarity", json_integer(e->polarity));
    ltp_json_put(&j, r, "talker_echo", talker(&j, &e->talker));
    ltp_json_put(&j, r, "double_talk_type", ltp_json_text(e->double_talk_type));
    ltp_json_put(&j, r, "arrivals", arrivals(&j, e));
    ltp_json_put(&j, r, "repeat_ms", ltp_json_number(e->repeat_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(&j, r, "repeat_db", e->repeat_db);
    ltp_json_put_hz(&j, r, "from_hz", e->from_hz);
    ltp_json_put_hz(&j, r, "to_hz", e->to_hz);
    ltp_json_put(&j, r, "bands", bands(&j, e));
    ltp_json_put(&j, r, "coherence", ltp_json_number(e->coherence, 4));
    ltp_json_put_db(&j, r, "snr_db", e->snr_db);
    ltp_json_put(&j, r, "double_talk_percent", ltp_json_number(e->double_talk_percent, LTP_DECIMALS_PERCENT));
    ltp_json_put(&j, r, "drift_ppm", ltp_json_number(e->drift_ppm, LTP_DECIMALS_PPM));
    ltp_json_put_db(&j, r, "level_change_db", e->level_change_db);
    ltp_json_put(&j, r, "seconds", ltp_json_number(e->seconds, 3));
    ltp_json_put(&j, r, "canceller", canceller(&j, c));
    ltp_json_put(&j, r, "other_way", other_way(&j, back));
    ltp_json_put(&j, r, "evidence", sentences(&j, &e->evidence));
    ltp_json_put(&j, r, "advice", sentences(&j, &e->advice));
    return ltp_json_finish(&j, h, &e->notes, r, out, err);
}
