/* SPDX-License-Identifier: MIT
 * Choosing devices by name: whole names first, then parts of names that fit one device only. */
#include "audio/device_find.h"
#include "base/alloc.h"

#include <ctype.h>
#include <stdio.h>
#include <string.h>

void ltp_device_text(char *out, size_t size, const char *text)
{
    (void)snprintf(out, size, "%s", text != NULL ? text : "");
    for (char *c = out; *c != '\0'; c++)
        if ((unsigned char)*c < 0x20 || *c == 0x7f)
            *c = ' ';
    for (size_t n = strlen(out); n > 0 && out[n - 1] == ' '; n--)
        out[n - 1] = '\0';
}

const char *ltp_device_host(PaDeviceIndex device)
{
    const PaDeviceInfo *info = Pa_GetDeviceInfo(device);
    const PaHostApiInfo *host = info != NULL ? Pa_GetHostApiInfo(info->hostApi) : NULL;
    return host != NULL && host->name != NULL ? host->name : "";
}

static char lower(char c)
{
    return (char)tolower((unsigned char)c);
}

static bool contains(const char *text, const char *part)
{
    for (; *text != '\0'; text++) {
        size_t n = 0;
        while (part[n] != '\0' && lower(text[n]) == lower(part[n]))
            n++;
        if (part[n] == '\0')
            return true;
    }
    return part[0] == '\0';
}

static bool has_side(const PaDeviceInfo *d, bool output)
{
    return (output ? d->maxOutputChannels : d->maxInputChannels) > 0;
}

typedef struct {
    PaDeviceIndex device;
    size_t matches;     /* devices that fit */
    char examples[160]; /* names of the first of them */
} match;

static match find_in_host(PaHostApiIndex host, const char *name, bool output)
{
    match m = {.device = paNoDevice};
    const PaHostApiInfo *h = Pa_GetHostApiInfo(host);
    if (h == NULL)
        return m;
    if (name == NULL) {
        m.device = output ? h->defaultOutputDevice : h->defaultInputDevice;
        m.matches = m.device != paNoDevice;
        return m;
    }
    for (int i = 0; i < h->deviceCount; i++) {
        const PaDeviceIndex device = Pa_HostApiDeviceIndexToDeviceIndex(host, i);
        const PaDeviceInfo *d = device >= 0 ? Pa_GetDeviceInfo(device) : NULL;
        char shown[128]; /* names are compared as they are shown */
        if (d == NULL || !has_side(d, output))
            continue;
        ltp_device_text(shown, sizeof shown, d->name);
        if (strcmp(shown, name) == 0)
            return (match){.device = device, .matches = 1};
        if (!contains(shown, name))
            continue;
        m.device = device;
        m.matches++;
        const size_t used = strlen(m.examples);
        if (m.matches <= 3)
            (void)snprintf(m.examples + used, sizeof m.examples - used, "%s'%.60s'", used > 0 ? ", " : "", shown);
    }
    return m;
}

/* Room for both directions of the asked channels. */
static lt_status check_channels(const lt_live_options *opt, const ltp_device_choice *c, lt_error *err)
{
    const PaDeviceInfo *in = Pa_GetDeviceInfo(c->input);
    if ((unsigned)in->maxInputChannels < opt->input_channels)
        return ltp_fail(err, LT_E_IO, "%s: has %d input channels and %u are needed; choose another device", in->name,
                        in->maxInputChannels, opt->input_channels);
    if (c->output == paNoDevice)
        return LT_OK;
    const PaDeviceInfo *out = Pa_GetDeviceInfo(c->output);
    if ((unsigned)out->maxOutputChannels < opt->output_channel)
        return ltp_fail(err, LT_E_IO, "%s: has %d output channels and number %u is asked for; choose another one",
                        out->name, out->maxOutputChannels, opt->output_channel);
    return LT_OK;
}

static lt_status not_found(const lt_live_options *opt, const char *name, bool output, const match *last, lt_error *err)
{
    const char *side = output ? "output" : "input";
    if (last->matches > 1)
        return ltp_fail(err, LT_E_IO, "'%s' fits %zu %s devices (%s%s); give more of the name", name, last->matches,
                        side, last->examples, last->matches > 3 ? ", ..." : "");
    if (name != NULL)
        return ltp_fail(err, LT_E_IO, "no %s device is called '%s'%s%s; list the devices and choose one", side, name,
                        opt->host != NULL ? " in " : "", opt->host != NULL ? opt->host : "");
    return ltp_fail(err, LT_E_IO, "there is no %s device%s%s; plug an audio interface in, or start the sound server",
                    side, opt->host != NULL ? " in " : "", opt->host != NULL ? opt->host : "");
}

/* The default host first, then the others. */
static PaHostApiIndex host_at(int i)
{
    const PaHostApiIndex first = Pa_GetDefaultHostApi();
    if (first < 0)
        return i;
    return i == 0 ? first : i <= first ? i - 1 : i;
}

/* One stream over two devices has one buffer's time until their clocks have run apart, and only within one host. A JACK
 * server has one clock for all that it connects. */
bool ltp_device_are_apart(PaDeviceIndex input, PaDeviceIndex output)
{
    if (output == paNoDevice || input == output)
        return false;
    const PaHostApiIndex host = Pa_GetDeviceInfo(input)->hostApi;
    return host != Pa_GetDeviceInfo(output)->hostApi || Pa_GetHostApiInfo(host)->type != paJACK;
}

static lt_status chosen(const lt_live_options *opt, PaDeviceIndex input, PaDeviceIndex output, ltp_device_choice *out,
                        lt_error *err)
{
    *out = (ltp_device_choice){.input = input, .output = output, .apart = ltp_device_are_apart(input, output)};
    return check_channels(opt, out, err);
}

/* One side alone, in the first host that has it. *m: the best that was found. */
static bool find_side(const char *host_name, const char *name, bool output, match *m)
{
    *m = (match){.device = paNoDevice};
    for (int i = 0; i < Pa_GetHostApiCount(); i++) {
        const PaHostApiInfo *h = Pa_GetHostApiInfo(host_at(i));
        if (h == NULL || (host_name != NULL && !contains(h->name, host_name)))
            continue;
        const match found = find_in_host(host_at(i), name, output);
        if (m->matches <= 1)
            *m = found;
        if (found.matches == 1)
            return true;
    }
    return false;
}

static bool has_host(const char *name)
{
    for (int i = 0; i < Pa_GetHostApiCount(); i++) {
        const PaHostApiInfo *h = Pa_GetHostApiInfo(i);
        if (h != NULL && contains(h->name, name))
            return true;
    }
    return Pa_GetHostApiCount() <= 0;
}

/* The output's host was named: each side is looked for by itself. */
static lt_status find_apart(const lt_live_options *opt, ltp_device_choice *out, lt_error *err)
{
    match input, output;
    lt_live_options playing = *opt;
    playing.host = opt->output_host;
    if (!has_host(opt->output_host))
        return ltp_fail(err, LT_E_IO, "no sound system is called '%s' here; start its server, or list the devices",
                        opt->output_host);
    if (!find_side(opt->host, opt->input, false, &input))
        return not_found(opt, opt->input, false, &input, err);
    if (!find_side(playing.host, opt->output, true, &output))
        return not_found(&playing, opt->output, true, &output, err);
    return chosen(opt, input.device, output.device, out, err);
}

lt_status ltp_device_find(const lt_live_options *opt, bool with_output, ltp_device_choice *out, lt_error *err)
{
    bool host_seen = false;
    if (with_output && opt->output_host != NULL)
        return find_apart(opt, out, err);
    match input = {.device = paNoDevice}, output = {.device = paNoDevice};
    const char *missing = NULL; /* what the last host lacked */
    bool missing_output = false;
    match lacking = {.device = paNoDevice};
    const int hosts = Pa_GetHostApiCount();
    for (int i = 0; i < hosts; i++) {
        const PaHostApiIndex host = host_at(i);
        const PaHostApiInfo *h = Pa_GetHostApiInfo(host);
        if (h == NULL || (opt->host != NULL && !contains(h->name, opt->host)))
            continue;
        host_seen = true;
        input = find_in_host(host, opt->input, false);
        output = find_in_host(host, with_output ? opt->output : NULL, true);
        const bool input_good = input.matches == 1, output_good = !with_output || output.matches == 1;
        if (input_good && output_good)
            return chosen(opt, input.device, with_output ? output.device : paNoDevice, out, err);
        missing_output = input_good;
        missing = missing_output ? opt->output : opt->input;
        if (lacking.matches <= 1) /* an ambiguous name is the better explanation */
            lacking = missing_output ? output : input;
    }
    if (with_output && opt->host == NULL && find_side(NULL, opt->input, false, &input) &&
        find_side(NULL, opt->output, true, &output))
        return chosen(opt, input.device, output.device, out, err); /* in no host together */
    if (!host_seen && opt->host != NULL && hosts > 0)
        return ltp_fail(err, LT_E_IO, "no sound system is called '%s' here; start its server, or list the devices",
                        opt->host);
    return not_found(opt, missing, missing_output, &lacking, err);
}
