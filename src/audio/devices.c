/* SPDX-License-Identifier: MIT
 * Listing devices, and trying which of them open at which rate; all of it in a child process. */
#define _DEFAULT_SOURCE

#include "audio/device_find.h"
#include "audio/live_job.h"
#include "base/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <unistd.h>

enum { LIST_SECONDS = 10 };
static const double try_s = 3.0;         /* for trying rates and pairs: some systems have very many devices */
static const double round_most_s = 0.05; /* as in a live run: our own standstill is not the library's */
static const double longest_latency_s = 10.0;
static const double rates_hz[LT_RATES_COUNT] = LT_LIVE_RATES_HZ;

typedef struct {
    _Atomic int done;
    lt_status status;
    char error[512];
    lt_devices list;
    PaDeviceIndex index[LT_DEVICES_MAX];
} shared_list;

static double latency_ms(double seconds, int channels)
{
    return channels > 0 && seconds >= 0.0 && seconds < longest_latency_s ? 1000.0 * seconds : (double)NAN;
}

static PaStreamParameters parameters(PaDeviceIndex index, const PaDeviceInfo *d, bool output)
{
    return (PaStreamParameters){.device = index,
                                .channelCount = 1,
                                .sampleFormat = paFloat32,
                                .suggestedLatency = output ? d->defaultLowOutputLatency : d->defaultLowInputLatency};
}

static bool opens(PaDeviceIndex input, PaDeviceIndex output, double rate_hz)
{
    PaStreamParameters in = {0}, out = {0};
    if (input != paNoDevice)
        in = parameters(input, Pa_GetDeviceInfo(input), false);
    if (output != paNoDevice)
        out = parameters(output, Pa_GetDeviceInfo(output), true);
    return Pa_IsFormatSupported(input != paNoDevice ? &in : NULL, output != paNoDevice ? &out : NULL, rate_hz) ==
           paFormatIsSupported;
}

static void add_device(shared_list *s, PaDeviceIndex index)
{
    const PaDeviceInfo *info = Pa_GetDeviceInfo(index);
    const PaHostApiInfo *host = info != NULL ? Pa_GetHostApiInfo(info->hostApi) : NULL;
    if (host == NULL || s->list.device_count == LT_DEVICES_MAX)
        return;
    s->index[s->list.device_count] = index;
    lt_device *d = &s->list.devices[s->list.device_count++];
    ltp_device_text(d->host, sizeof d->host, host->name);
    ltp_device_text(d->name, sizeof d->name, info->name);
    d->input_channels = info->maxInputChannels > 0 ? (unsigned)info->maxInputChannels : 0;
    d->output_channels = info->maxOutputChannels > 0 ? (unsigned)info->maxOutputChannels : 0;
    d->default_rate_hz = info->defaultSampleRate;
    d->input_latency_ms = latency_ms(info->defaultLowInputLatency, info->maxInputChannels);
    d->output_latency_ms = latency_ms(info->defaultLowOutputLatency, info->maxOutputChannels);
    d->is_default_input = host->defaultInputDevice == index;
    d->is_default_output = host->defaultOutputDevice == index;
}

static void try_rates(shared_list *s, size_t i, uint64_t until_ns)
{
    lt_device *d = &s->list.devices[i];
    for (size_t k = 0; k < LT_RATES_COUNT && ltp_now_ns() < until_ns; k++) {
        d->input_at[k] = d->input_channels > 0 && opens(s->index[i], paNoDevice, rates_hz[k]);
        d->output_at[k] = d->output_channels > 0 && opens(paNoDevice, s->index[i], rates_hz[k]);
    }
}

static void try_pair(shared_list *s, size_t input, size_t output, uint64_t until_ns)
{
    const lt_device *in = &s->list.devices[input], *out = &s->list.devices[output];
    if (in->input_channels == 0 || out->output_channels == 0 || strcmp(in->host, out->host) != 0 ||
        s->list.pair_count == LT_DEVICES_MAX)
        return;
    lt_device_pair pair = {
        .input = input, .output = output, .apart = ltp_device_are_apart(s->index[input], s->index[output])};
    bool any = false;
    for (size_t k = 0; k < LT_RATES_COUNT && ltp_now_ns() < until_ns; k++) {
        pair.duplex_at[k] =
            in->input_at[k] && out->output_at[k] && opens(s->index[input], s->index[output], rates_hz[k]);
        any |= pair.duplex_at[k];
    }
    if (any)
        s->list.pairs[s->list.pair_count++] = pair;
}

static lt_status list_devices(shared_list *s, lt_error *err)
{
    const PaError e = Pa_Initialize();
    if (e != paNoError)
        return ltp_fail(err, LT_E_IO, "the sound system does not start (%s); check the audio devices",
                        Pa_GetErrorText(e));
    const PaDeviceIndex count = Pa_GetDeviceCount();
    for (PaDeviceIndex i = 0; i < count; i++)
        add_device(s, i);
    const uint64_t until_ns = ltp_now_ns() + (uint64_t)(try_s * 1e9);
    const size_t n = s->list.device_count;
    for (size_t i = 0; i < n; i++)
        try_rates(s, i, until_ns);
    for (size_t i = 0; i < n; i++)
        try_pair(s, i, i, until_ns);
    for (size_t i = 0; i < n; i++)
        for (size_t k = 0; k < n; k++)
            if (i != k)
                try_pair(s, i, k, until_ns);
    return LT_OK;
}

static void list_work(void *context)
{
    shared_list *s = context;
    lt_error err = {0};
    (void)alarm(LIST_SECONDS);
    s->status = list_devices(s, &err);
    (void)snprintf(s->error, sizeof s->error, "%s", err.what);
    atomic_store_explicit(&s->done, 1, memory_order_release);
    if (s->status == LT_OK)
        (void)Pa_Terminate();
}

static lt_status wait_for_list(pid_t child, const shared_list *s, lt_error *err)
{
    uint64_t seen_ns = ltp_now_ns();
    for (double waited_s = 0.0; waited_s < try_s + 2.0;) {
        const bool gone = ltp_child_wait(child, 0.0);
        if (atomic_load_explicit(&s->done, memory_order_acquire) != 0) {
            if (!gone && !ltp_child_wait(child, 0.5))
                ltp_child_kill(child);
            return LT_OK;
        }
        if (gone)
            return ltp_fail(err, LT_E_IO,
                            "the sound library crashed while it looked for devices; unplug them, plug "
                            "them in one by one and list them again");
        ltp_sleep_ms(5);
        const uint64_t now = ltp_now_ns();
        waited_s += fmin((double)(now - seen_ns) * 1e-9, round_most_s);
        seen_ns = now;
    }
    ltp_child_kill(child);
    return ltp_fail(err, LT_E_IO,
                    "the sound system did not answer in time; restart its server or unplug the device "
                    "that hangs");
}

bool lt_devices_across(const lt_devices *d, size_t input, size_t output, bool at[LT_RATES_COUNT])
{
    const lt_device *in = &d->devices[input], *out = &d->devices[output];
    bool any = false;
    for (size_t k = 0; k < LT_RATES_COUNT; k++) {
        at[k] = strcmp(in->host, out->host) != 0 && in->input_at[k] && out->output_at[k];
        any |= at[k];
    }
    return any;
}

lt_status lt_devices_list(lt_devices *out, lt_error *err)
{
    memset(out, 0, sizeof *out);
    shared_list *s = mmap(NULL, sizeof *s, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (s == MAP_FAILED)
        return ltp_fail_nomem(err, "the list of devices");
    const pid_t child = ltp_child_start(list_work, s);
    lt_status st = child >= 0 ? wait_for_list(child, s, err)
                              : ltp_fail(err, LT_E_NOMEM, "the system starts no further process; close other programs");
    if (st == LT_OK && s->status != LT_OK) {
        s->error[sizeof s->error - 1] = '\0';
        st = ltp_fail(err, s->status, "%s", s->error);
    }
    if (st == LT_OK)
        *out = s->list;
    (void)munmap(s, sizeof *s);
    return st;
}
