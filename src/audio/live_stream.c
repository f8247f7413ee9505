/* SPDX-License-Identifier: MIT
 * One stream from opening to closing, inside the child. Every call that may block stands under an alarm, which ends the
 * child; the caller sees that. */
#include "audio/device_find.h"
#include "audio/live_callback.h"
#include "base/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

enum { OPEN_SECONDS = 8, CLOSE_SECONDS = 2, POLL_MS = 4, FADE_POLLS = 50 };
static const double usual_latency_s = 0.026;

static void refuse(ltp_shared *sh, const lt_error *err)
{
    sh->status = err->status;
    (void)snprintf(sh->error, sizeof sh->error, "%s", err->what);
    atomic_store_explicit(&sh->state, LTP_LIVE_FAILED, memory_order_release);
}

static double latency_of(const lt_live_options *o, double low_s, double high_s)
{
    if (o->latency_s > 0.0)
        return o->latency_s;
    const double least = low_s > 0.0 && low_s < 1.0 ? low_s : 0.0;
    const double usual = high_s > 0.0 && high_s < usual_latency_s ? high_s : usual_latency_s;
    return usual > least ? usual : least;
}

static lt_status open_failed(PaDeviceIndex device, double rate_hz, PaError e, lt_error *err)
{
    const PaDeviceInfo *d = Pa_GetDeviceInfo(device);
    if (e == paInvalidSampleRate)
        return ltp_fail(err, LT_E_IO,
                        "%s: does not run at %.10g Hz, but at %.10g Hz; choose that rate or change it in "
                        "the device's settings",
                        d->name, rate_hz, d->defaultSampleRate);
    if (e == paDeviceUnavailable)
        return ltp_fail(err, LT_E_IO, "%s: is not available; close the program that uses it and try again", d->name);
    const PaHostErrorInfo *host = e == paUnanticipatedHostError ? Pa_GetLastHostErrorInfo() : NULL;
    char text[200];
    ltp_device_text(text, sizeof text, host != NULL && host->errorText != NULL ? host->errorText : Pa_GetErrorText(e));
    return ltp_fail(err, LT_E_IO, "%s: cannot be opened (%s); try another device or rate", d->name, text);
}

static double real_rate_hz(PaStream *stream, double rate_hz)
{
    const PaStreamInfo *info = Pa_GetStreamInfo(stream);
    return info != NULL && info->sampleRate > 0.0 ? info->sampleRate : rate_hz;
}

static double output_latency_s(PaStream *stream)
{
    const PaStreamInfo *info = stream != NULL ? Pa_GetStreamInfo(stream) : NULL;
    return info != NULL ? info->outputLatency : 0.0;
}

static lt_status check_rate(const ltp_live_job *job, PaDeviceIndex device, double rate_hz, lt_error *err)
{
    if (job->stimulus == NULL || fabs(rate_hz - job->stimulus_rate_hz) <= 1.0)
        return LT_OK;
    return ltp_fail(err, LT_E_IO, "%s: really runs at %.10g Hz, the stimulus has %.10g Hz; choose that rate",
                    Pa_GetDeviceInfo(device)->name, rate_hz, job->stimulus_rate_hz);
}

/* Rate, length and names, before the stream can start. */
static lt_status settle(const ltp_live_job *job, const ltp_device_choice *c, double rate_hz, lt_error *err)
{
    ltp_shared *sh = job->shared;
    const char *name = Pa_GetDeviceInfo(c->input)->name;
    sh->rate_hz = rate_hz;
    const lt_status st = check_rate(job, c->input, rate_hz, err);
    if (st != LT_OK)
        return st;
    sh->apart = sh->used.apart = c->apart;
    const double more_s = fmax(job->length_s, 0.0) + (c->apart ? LTP_LEAD_S + LTP_LEAD_SPARE_S : 0.0);
    sh->total_frames = job->stimulus_frames + (uint64_t)llround(more_s * rate_hz);
    if (!job->to_ring && sh->total_frames > job->capacity_frames)
        return ltp_fail(err, LT_E_IO, "%s: runs at %.10g Hz, which is too fast for this take; choose a lower rate",
                        name, rate_hz);
    ltp_device_text(sh->used.host, sizeof sh->used.host, ltp_device_host(c->input));
    ltp_device_text(sh->used.input, sizeof sh->used.input, name);
    if (c->output != paNoDevice) {
        ltp_device_text(sh->used.output, sizeof sh->used.output, Pa_GetDeviceInfo(c->output)->name);
        ltp_device_text(sh->used.output_host, sizeof sh->used.output_host, ltp_device_host(c->output));
    }
    return LT_OK;
}

static unsigned wanted_channels(const ltp_live_job *job, const PaDeviceInfo *in)
{
    const bool more = job->channels_most > job->opt->input_channels && in->maxInputChannels >= (int)job->channels_most;
    return more ? job->channels_most : job->opt->input_channels;
}

/* What runs: one stream, or one that records and one that plays. */
typedef struct {
    PaStream *stream, *player; /* player NULL: the one does both, or nothing is played */
    ltp_callback_state state, player_state;
} streams;

static PaError open_with(streams *s, const PaStreamParameters *input, const PaStreamParameters *output, double rate_hz)
{
    return Pa_OpenStream(&s->stream, input, output, rate_hz, paFramesPerBufferUnspecified, paClipOff | paDitherOff,
                         ltp_callback, &s->state);
}

static lt_status open_player(const ltp_live_job *job, const PaStreamParameters *output, double rate_hz, streams *s,
                             lt_error *err)
{
    const PaError e = Pa_OpenStream(&s->player, NULL, output, rate_hz, paFramesPerBufferUnspecified,
                                    paClipOff | paDitherOff, ltp_callback_play, &s->player_state);
    if (e != paNoError)
        return open_failed(output->device, rate_hz, e, err);
    return check_rate(job, output->device, real_rate_hz(s->player, rate_hz), err);
}

static lt_status open_streams(const ltp_live_job *job, streams *s, lt_error *err)
{
    const lt_live_options *o = job->opt;
    ltp_device_choice c;
    const lt_status st = ltp_device_find(o, job->stimulus != NULL, &c, err);
    if (st != LT_OK)
        return st;
    const PaDeviceInfo *in = Pa_GetDeviceInfo(c.input);
    const PaDeviceInfo *out = c.output != paNoDevice ? Pa_GetDeviceInfo(c.output) : NULL;
    const double rate_hz = o->rate_hz > 0.0        ? o->rate_hz
                           : job->stimulus != NULL ? job->stimulus_rate_hz
                                                   : in->defaultSampleRate;
    PaStreamParameters input = {.device = c.input,
                                .channelCount = (int)wanted_channels(job, in),
                                .sampleFormat = paFloat32,
                                .suggestedLatency =
                                    latency_of(o, in->defaultLowInputLatency, in->defaultHighInputLatency)};
    PaStreamParameters output = {.device = c.output, .channelCount = (int)o->output_channel, .sampleFormat = paFloat32};
    if (out != NULL)
        output.suggestedLatency = latency_of(o, out->defaultLowOutputLatency, out->defaultHighOutputLatency);
    const PaStreamParameters *with = out != NULL && !c.apart ? &output : NULL;
    PaError e = open_with(s, &input, with, rate_hz);
    if (e != paNoError && input.channelCount > (int)o->input_channels) {
        input.channelCount = (int)o->input_channels; /* not with the welcome ones */
        e = open_with(s, &input, with, rate_hz);
    }
    if (e != paNoError)
        return open_failed(with != NULL ? c.output : c.input, rate_hz, e, err);
    job->shared->channels = (unsigned)input.channelCount;
    if (c.apart) {
        const lt_status opened = open_player(job, &output, rate_hz, s, err);
        if (opened != LT_OK)
            return opened;
    }
    return settle(job, &c, real_rate_hz(s->stream, rate_hz), err);
}

/* The callback must not be the first to touch its memory. */
static void touch(const ltp_live_job *job)
{
    const uint64_t frames = job->to_ring ? job->capacity_frames : job->shared->total_frames;
    memset(job->samples, 0, (size_t)frames * job->shared->channels * sizeof *job->samples);
}

/* Neither stream has ended by itself; the one that plays may, once it has faded out. */
static bool all_active(const streams *s, ltp_shared *sh)
{
    if (Pa_IsStreamActive(s->stream) != 1)
        return false;
    if (s->player == NULL || Pa_IsStreamActive(s->player) == 1 ||
        atomic_load_explicit(&sh->quiet, memory_order_acquire) != 0)
        return true;
    atomic_store(&sh->output_failed, 1);
    return false;
}

/* LTP_LIVE_DONE, or LTP_LIVE_LOST when a stream ended by itself. */
static ltp_live_state watch(const streams *s, ltp_shared *sh, _Atomic int *fade)
{
    for (unsigned fading = 0; fading < FADE_POLLS;) {
        if (atomic_load_explicit(&sh->finished, memory_order_acquire) != 0)
            return LTP_LIVE_DONE;
        if (!all_active(s, sh)) {
            ltp_sleep_ms(1); /* it may have finished between the two questions */
            return atomic_load_explicit(&sh->finished, memory_order_acquire) != 0 ? LTP_LIVE_DONE : LTP_LIVE_LOST;
        }
        if (ltp_child_asked()) {
            atomic_store_explicit(fade, 1, memory_order_relaxed);
            fading++;
        }
        ltp_sleep_ms(POLL_MS);
    }
    return LTP_LIVE_LOST; /* the parent is gone and no callback comes */
}

/* The one that records first: it waits for the other. */
static lt_status start(const ltp_live_job *job, streams *s, lt_error *err)
{
    const char *name = job->shared->used.input;
    PaError e = Pa_StartStream(s->stream);
    if (e == paNoError && s->player != NULL) {
        name = job->shared->used.output;
        e = Pa_StartStream(s->player);
    }
    return e == paNoError ? LT_OK
                          : ltp_fail(err, LT_E_IO, "%s: does not start (%s); try again or another device", name,
                                     Pa_GetErrorText(e));
}

static void close_streams(const streams *s)
{
    for (unsigned i = 0;
         i < 250 && (Pa_IsStreamActive(s->stream) == 1 || (s->player != NULL && Pa_IsStreamActive(s->player) == 1));
         i++)
        ltp_sleep_ms(POLL_MS); /* let what is buffered play */
    if (s->player != NULL)
        (void)Pa_CloseStream(s->player);
    (void)Pa_CloseStream(s->stream);
}

void ltp_child_stream(ltp_live_job *job)
{
    ltp_shared *sh = job->shared;
    streams s = {0};
    _Atomic int fade = 0;
    lt_error err = {0};
    (void)alarm(OPEN_SECONDS); /* a stop before the stream runs ends this process: the caller does that */
    const PaError e = Pa_Initialize();
    if (e != paNoError) {
        (void)ltp_fail(&err, LT_E_IO, "the sound system does not start (%s); check the audio devices",
                       Pa_GetErrorText(e));
        refuse(sh, &err);
        return;
    }
    if (open_streams(job, &s, &err) != LT_OK) {
        refuse(sh, &err);
        (void)alarm(CLOSE_SECONDS);
        (void)Pa_Terminate();
        return;
    }
    touch(job);
    ltp_callback_init(&s.state, job, sh->rate_hz, output_latency_s(s.stream));
    ltp_callback_init(&s.player_state, job, sh->rate_hz, output_latency_s(s.player));
    s.state.fade_asked = s.player_state.fade_asked = &fade;
    atomic_store_explicit(&sh->state, LTP_LIVE_OPEN, memory_order_release);
    if (start(job, &s, &err) != LT_OK) {
        refuse(sh, &err);
        return; /* after a failed start the library cannot be trusted to close */
    }
    (void)alarm(0);
    atomic_store_explicit(&sh->state, LTP_LIVE_RUNNING, memory_order_release);
    const ltp_live_state end = watch(&s, sh, &fade);
    atomic_store_explicit(&sh->state, (int)end, memory_order_release);
    if (end == LTP_LIVE_LOST)
        return; /* closing would wait for minutes for a server that is gone */
    (void)alarm(CLOSE_SECONDS);
    close_streams(&s);
    (void)Pa_Terminate();
}
