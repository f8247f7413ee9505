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
    ltp_text_add(b, p->apart ? ", two clocks\n" : "\n");
}

/* How good an example a pair of two sound systems is: what each of them usually uses, a rate that sweeps have. */
static unsigned rank(const lt_devices *d, size_t in, size_t out, const bool *at)
{
    return (at[1] ? 4U : 0U) + (d->devices[in].is_default_input ? 2U : 0U) +
           (d->devices[out].is_default_output ? 1U : 0U);
}

static void option(ltp_textbuf *b, const char *name, const char *value)
{
    ltp_text_format(b, "    %-16s'%s'\n", name, value); /* whole, to be copied */
}

/* There may be hundreds: how many, and one as options. */
static size_t across(ltp_textbuf *b, const lt_devices *d)
{
    size_t count = 0, in = 0, out = 0;
    unsigned best = 0;
    bool at[LT_RATES_COUNT];
    for (size_t i = 0; i < d->device_count; i++)
        for (size_t k = 0; k < d->device_count; k++) {
            if (!lt_devices_across(d, i, k, at))
                continue;
            if (count++ == 0 || rank(d, i, k, at) > best) {
                best = rank(d, i, k, at);
                in = i;
                out = k;
            }
        }
    if (count == 0)
        return 0;
    ltp_text_format(b, "\n%zu%s with input and output of two sound systems, two clocks, such as\n", count,
                    d->pair_count > 0 ? " more" : "");
    option(b, "--host", d->devices[in].host);
    option(b, "--input", d->devices[in].name);
    option(b, "--output-host", d->devices[out].host);
    option(b, "--output", d->devices[out].name);
    return count;
}

lt_status lt_text_devices(const lt_devices *d, char **out, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    bool apart = false;
    if (d->pair_count == 0) {
        ltp_text_add(&b, "no device can play and record at once\n");
    } else {
        ltp_text_format(&b, "%zu way%s to play and record at once\n\n", d->pair_count, d->pair_count == 1 ? "" : "s");
        for (size_t i = 0; i < d->pair_count; i++) {
            pair(&b, d, &d->pairs[i]);
            apart |= d->pairs[i].apart;
        }
    }
    if (across(&b, d) > 0 || apart)
        ltp_text_wrap(&b, "",
                      "With two clocks the delay of the lane stays unknown; one device that does both is best.");
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
