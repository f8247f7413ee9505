/* SPDX-License-Identifier: MIT
 * Text of the audio devices: what can play and record at once comes first, since that is what a measurement needs. */
#include "report/text_build.h"

#include <string.h>

enum { NAME_WIDTH = 44, SHORT_WIDTH = 30 };
static const char *const rates_khz[LT_RATES_COUNT] = {"44.1", "48", "96"};

static void rates(ltp_textbuf *b, const bool *at)
{
    bool any = false;
    for (size_t k = 0; k < LT_RATES_COUNT; k++)
        if (at[k]) {
            ltp_text_format(b, "%s%s", any ? ", " : "", rates_khz[k]);
            any = true;
        }
    ltp_text_add(b, any ? " kHz" : "none of 44.1, 48, 96 kHz");
}

static void side(ltp_textbuf *b, const char *word, unsigned channels, bool is_default, double latency_ms,
                 const bool *at)
{
    if (channels == 0)
        return;
    ltp_text_format(b, "    %-8s%4u channel%s%s, ", word, channels, channels == 1 ? "" : "s",
                    is_default ? " (default)" : "");
    ltp_text_number(b, latency_ms, 1);
    ltp_text_add(b, " ms, ");
    rates(b, at);
    ltp_text_add(b, "\n");
}

static void device(ltp_textbuf *b, const lt_device *d)
{
    ltp_text_add(b, "  ");
    ltp_text_name(b, d->name, NAME_WIDTH);
    ltp_text_add(b, "\n");
    side(b, "input", d->input_channels, d->is_default_input, d->input_latency_ms, d->input_at);
    side(b, "output", d->output_channels, d->is_default_output, d->output_latency_ms, d->output_at);
}

static void pair(ltp_textbuf *b, const lt_devices *d, const lt_device_pair *p)
{
    const lt_device *in = &d->devices[p->input], *out = &d->devices[p->output];
    ltp_text_add(b, "  ");
    ltp_text_name(b, in->name, p->input == p->output ? NAME_WIDTH : SHORT_WIDTH);
    if (p->input != p->output) {
        ltp_text_add(b, " in, ");
        ltp_text_name(b, out->name, SHORT_WIDTH);
        ltp_text_add(b, " out");
    }
    ltp_text_add(b, "\n    ");
    ltp_text_name(b, in->host, SHORT_WIDTH);
    ltp_text_add(b, ", ");
    rates(b, p->duplex_at);
    ltp_text_add(b, "\n");
}

lt_status lt_text_devices(const lt_devices *d, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    if (d->pair_count == 0) {
        ltp_text_add(&b, "no device can play and record at once\n");
    } else {
        ltp_text_format(&b, "%zu way%s to play and record at once\n\n", d->pair_count, d->pair_count == 1 ? "" : "s");
        for (size_t i = 0; i < d->pair_count; i++)
            pair(&b, d, &d->pairs[i]);
    }
    for (size_t i = 0; i < d->device_count; i++) {
        if (i == 0 || strcmp(d->devices[i].host, d->devices[i - 1].host) != 0) {
            ltp_text_add(&b, "\n");
            ltp_text_name(&b, d->devices[i].host, NAME_WIDTH);
            ltp_text_add(&b, "\n");
        }
        device(&b, &d->devices[i]);
    }
    return ltp_text_take(&b, out, err);
}
