/* SPDX-License-Identifier: MIT
 * JSON of the audio devices. */
#include "report/json_build.h"

static const double rates_hz[LT_RATES_COUNT] = LT_LIVE_RATES_HZ;

static json_t *rates(ltp_json *j, const bool *at)
{
    json_t *array = json_array();
    for (size_t k = 0; k < LT_RATES_COUNT; k++)
        if (at[k])
            ltp_json_append(j, array, ltp_json_number(rates_hz[k], 0));
    return array;
}

static json_t *device_object(ltp_json *j, const lt_device *d)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "host", ltp_json_text(d->host));
    ltp_json_put(j, object, "name", ltp_json_text(d->name));
    ltp_json_put(j, object, "input_channels", json_integer((json_int_t)d->input_channels));
    ltp_json_put(j, object, "output_channels", json_integer((json_int_t)d->output_channels));
    ltp_json_put_hz(j, object, "default_rate_hz", d->default_rate_hz);
    ltp_json_put(j, object, "input_latency_ms", ltp_json_number(d->input_latency_ms, LTP_DECIMALS_MS));
    ltp_json_put(j, object, "output_latency_ms", ltp_json_number(d->output_latency_ms, LTP_DECIMALS_MS));
    ltp_json_put(j, object, "default_input", json_boolean(d->is_default_input));
    ltp_json_put(j, object, "default_output", json_boolean(d->is_default_output));
    ltp_json_put(j, object, "input_rates_hz", rates(j, d->input_at));
    ltp_json_put(j, object, "output_rates_hz", rates(j, d->output_at));
    return object;
}

static json_t *across(ltp_json *j, const lt_devices *d)
{
    json_t *array = json_array();
    bool at[LT_RATES_COUNT];
    for (size_t i = 0; i < d->device_count; i++)
        for (size_t k = 0; k < d->device_count; k++) {
            if (!lt_devices_across(d, i, k, at))
                continue;
            json_t *pair = json_object();
            ltp_json_put(j, pair, "host", ltp_json_text(d->devices[i].host));
            ltp_json_put(j, pair, "input", ltp_json_text(d->devices[i].name));
            ltp_json_put(j, pair, "output_host", ltp_json_text(d->devices[k].host));
            ltp_json_put(j, pair, "output", ltp_json_text(d->devices[k].name));
            ltp_json_put(j, pair, "rates_hz", rates(j, at));
            ltp_json_append(j, array, pair);
        }
    return array;
}

lt_status lt_json_devices(const lt_json_head *h, const lt_devices *d, char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object(), *devices = json_array(), *pairs = json_array();
    for (size_t i = 0; i < d->device_count; i++)
        ltp_json_append(&j, devices, device_object(&j, &d->devices[i]));
    for (size_t i = 0; i < d->pair_count; i++) {
        const lt_device_pair *p = &d->pairs[i];
        json_t *pair = json_object();
        ltp_json_put(&j, pair, "host", ltp_json_text(d->devices[p->input].host));
        ltp_json_put(&j, pair, "input", ltp_json_text(d->devices[p->input].name));
        ltp_json_put(&j, pair, "output", ltp_json_text(d->devices[p->output].name));
        ltp_json_put(&j, pair, "rates_hz", rates(&j, p->duplex_at));
        ltp_json_append(&j, pairs, pair);
    }
    ltp_json_put(&j, result, "devices", devices);
    ltp_json_put(&j, result, "pairs", pairs);
    ltp_json_put(&j, result, "pairs_across", across(&j, d));
    return ltp_json_finish(&j, h, NULL, result, out, err);
}
