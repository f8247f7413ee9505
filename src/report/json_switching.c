/* SPDX-License-Identifier: MIT
 * A voice switch as JSON. */
#include "report/json_build.h"

static json_t *ramp(ltp_json *j, double ms, lt_ramp_shape shape)
{
    json_t *o = json_object();
    ltp_json_put(j, o, "ms", ltp_json_number(ms, 2));
    ltp_json_put(j, o, "shape", lt_is_known(ms) ? ltp_json_text(lt_ramp_shape_name(shape)) : json_null());
    return o;
}

static json_t *clipped(ltp_json *j, const lt_switching *s)
{
    if (!lt_is_known(s->clipped_mean_ms))
        return json_null();
    json_t *o = json_object();
    ltp_json_put(j, o, "beginnings", json_integer((json_int_t)s->clipped));
    ltp_json_put(j, o, "of", json_integer((json_int_t)s->beginnings));
    ltp_json_put(j, o, "mean_ms", ltp_json_number(s->clipped_mean_ms, 1));
    ltp_json_put(j, o, "worst_ms", ltp_json_number(s->clipped_worst_ms, 1));
    ltp_json_put_db(j, o, "loss_db", s->clipped_loss_db);
    return o;
}

lt_status lt_json_switching(const lt_json_head *h, const lt_switching *s, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *r = json_object(), *events = json_array(), *talk_off = json_array();
    ltp_json_put(&j, r, "direction", ltp_json_text(lt_switching_direction_name(s->direction)));
    ltp_json_put(&j, r, "switched", json_boolean(s->switched));
    ltp_json_put(&j, r, "delay_ms", ltp_json_number(s->delay_ms, LTP_DECIMALS_MS));
    ltp_json_put_db(&j, r, "attenuation_db", s->attenuation_db);
    ltp_json_put_db(&j, r, "attenuation_doubt_db", s->attenuation_doubt_db);
    ltp_json_put(&j, r, "attenuation_at_least", json_boolean(s->attenuation_at_least));
    ltp_json_put(&j, r, "attack", ramp(&j, s->attack_ms, s->attack_shape));
    ltp_json_put(&j, r, "reaction_ms", ltp_json_number(s->reaction_ms, 1));
    ltp_json_put(&j, r, "hold_ms", ltp_json_number(s->hold_ms, 1));
    ltp_json_put(&j, r, "hold_doubt_ms", ltp_json_number(s->hold_doubt_ms, 1));
    ltp_json_put(&j, r, "release", ramp(&j, s->release_ms, s->release_shape));
    ltp_json_put_db(&j, r, "threshold_dbfs", s->threshold_dbfs);
    ltp_json_put(&j, r, "smoothing_ms", ltp_json_number(s->smoothing_ms, 2));
    ltp_json_put(&j, r, "attacks", json_integer((json_int_t)s->attacks));
    ltp_json_put(&j, r, "releases", json_integer((json_int_t)s->releases));
    ltp_json_put(&j, r, "talking_percent", ltp_json_number(s->talking_percent, 1));
    ltp_json_put(&j, r, "clipped", clipped(&j, s));
    for (size_t i = 0; i < s->talk_off_count; i++) {
        json_t *o = json_object();
        ltp_json_put(&j, o, "at_s", ltp_json_number(s->talk_offs[i].at_s, 2));
        ltp_json_put(&j, o, "seconds", ltp_json_number(s->talk_offs[i].seconds, 2));
        ltp_json_put_db(&j, o, "level_dbfs", s->talk_offs[i].level_dbfs);
        ltp_json_append(&j, talk_off, o);
    }
    ltp_json_put(&j, r, "talk_off", talk_off);
    ltp_json_put(&j, r, "single_transducer", json_boolean(s->single_transducer));
    for (size_t i = 0; i < s->event_count; i++) {
        json_t *o = json_object();
        ltp_json_put(&j, o, "at_s", ltp_json_number(s->events[i].at_s, 3));
        ltp_json_put(&j, o, "gain", ltp_json_text(s->events[i].opens ? "opens" : "closes"));
        ltp_json_append(&j, events, o);
    }
    ltp_json_put(&j, r, "events", events);
    return ltp_json_finish(&j, h, &s->notes, r, out, err);
}
