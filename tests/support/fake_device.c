/* SPDX-License-Identifier: MIT
 * PortAudio's functions over a loop in memory; see fake_device.h. Full scale = 1.0. */
#include "fake_device.h"

#include <portaudio.h>

#include <math.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdint.h>
#include <string.h>
#include <threads.h>
#include <time.h>
#include <unistd.h>

enum { BLOCK = 256, CHANNELS_MAX = 8, HISTORY = 8192, FULL_US = 1400000 };

fake_options fake_device = {.gain = 0.5, .delay_frames = 100, .noise = 1e-5};

typedef struct {
    PaStreamCallback *callback;
    void *context;
    int inputs, outputs;
    double rate_hz;
    _Atomic int active;
    thrd_t thread;
    bool started;
    float history[HISTORY];
} fake_stream;
static fake_stream both[2]; /* the second one plays alone */

static void nap(unsigned us)
{
    const struct timespec t = {.tv_sec = us / 1000000, .tv_nsec = (long)(us % 1000000) * 1000L};
    if (us > 0)
        (void)nanosleep(&t, NULL);
}

static double noise_of(uint32_t *seed)
{
    *seed = *seed * 1664525u + 1013904223u;
    return (double)(*seed >> 8) / 8388608.0 - 1.0;
}

/* The same sound on all inputs. */
static void hear(const fake_stream *s, float *in, uint64_t frame, uint32_t *seed)
{
    for (uint64_t i = 0; i < BLOCK; i++) {
        const uint64_t now = frame + i + HISTORY;
        const double turn = 2.0 * 3.14159265358979 * fake_device.tone_hz / s->rate_hz;
        const double x = fake_device.gain * (double)s->history[(now - fake_device.delay_frames - BLOCK) % HISTORY] +
                         fake_device.noise * noise_of(seed) + fake_device.tone * sin(turn * (double)(frame + i));
        for (int c = 0; c < s->inputs; c++)
            in[i * (uint64_t)s->inputs + (uint64_t)c] = (float)x;
    }
}

/* A fault of this stream, a while after its start. True: no callback any more. */
static bool fails(fake_stream *s, uint64_t frame)
{
    const fake_fault fault = fake_device.fault;
    const bool player = s == &both[1];
    if (frame <= 4096)
        return false;
    if (fault == FAKE_CRASHES)
        (void)raise(SIGKILL);
    if ((fault == FAKE_PLAYER_ENDS && player) || (fault == FAKE_RECORDER_ENDS && !player))
        atomic_store(&s->active, 0);
    return atomic_load(&s->active) == 0 || (fault == FAKE_PLAYER_HANGS && player);
}

static int run(void *stream)
{
    fake_stream *s = stream;
    float in[BLOCK * CHANNELS_MAX], out[BLOCK * CHANNELS_MAX];
    uint32_t seed = 1;
    if (fake_device.fault == FAKE_RECORDER_LATE && s == &both[0])
        nap(FULL_US);
    for (uint64_t frame = 0; atomic_load(&s->active) != 0; frame += BLOCK) {
        hear(s, in, frame, &seed);
        const int said =
            s->callback(s->inputs > 0 ? in : NULL, s->outputs > 0 ? out : NULL, BLOCK, NULL, 0, s->context);
        for (uint64_t i = 0; i < BLOCK; i++) /* the last output plays */
            s->history[(frame + i + HISTORY) % HISTORY] =
                s->outputs > 0 ? out[(i + 1) * (uint64_t)s->outputs - 1] : 0.0F;
        if (fails(s, frame))
            return 0;
        if (said != paContinue)
            atomic_store(&s->active, 0);
        const bool full = fake_device.fault == FAKE_PLAYER_FILLS && s == &both[1] && frame == 4 * BLOCK;
        nap(full ? FULL_US : fake_device.pause_us);
    }
    return 0;
}

PaError Pa_Initialize(void)
{
    return paNoError;
}

PaError Pa_Terminate(void)
{
    return paNoError;
}

const char *Pa_GetErrorText(PaError e)
{
    return e == paNoError ? "Success" : "Failure";
}

const PaHostErrorInfo *Pa_GetLastHostErrorInfo(void)
{
    return NULL;
}

PaHostApiIndex Pa_GetHostApiCount(void)
{
    return 1;
}

PaHostApiIndex Pa_GetDefaultHostApi(void)
{
    return 0;
}

const PaHostApiInfo *Pa_GetHostApiInfo(PaHostApiIndex host)
{
    static const PaHostApiInfo with = {.structVersion = 1, .name = "memory", .deviceCount = 1};
    static const PaHostApiInfo with_two = {.structVersion = 1, .name = "memory", .deviceCount = 2};
    static const PaHostApiInfo without = {
        .structVersion = 1, .name = "memory", .defaultInputDevice = paNoDevice, .defaultOutputDevice = paNoDevice};
    return host != 0 ? NULL : fake_device.fault == FAKE_ABSENT ? &without : fake_device.second ? &with_two : &with;
}

PaDeviceIndex Pa_GetDeviceCount(void)
{
    return fake_device.fault == FAKE_ABSENT ? 0 : fake_device.second ? 2 : 1;
}

PaDeviceIndex Pa_HostApiDeviceIndexToDeviceIndex(PaHostApiIndex host, int i)
{
    return host == 0 && i >= 0 && i < Pa_GetDeviceCount() ? i : paInvalidDevice;
}

const PaDeviceInfo *Pa_GetDeviceInfo(PaDeviceIndex device)
{
    static const PaDeviceInfo info = {.structVersion = 2,
                                      .name = "loop",
                                      .maxInputChannels = 2,
                                      .maxOutputChannels = 2,
                                      .defaultLowInputLatency = 0.01,
                                      .defaultLowOutputLatency = 0.01,
                                      .defaultHighInputLatency = 0.02,
                                      .defaultHighOutputLatency = 0.02,
                                      .defaultSampleRate = 48000.0};
    static const PaDeviceInfo player = {.structVersion = 2,
                                        .name = "player",
                                        .maxOutputChannels = 2,
                                        .defaultLowOutputLatency = 0.01,
                                        .defaultHighOutputLatency = 0.02,
                                        .defaultSampleRate = 48000.0};
    return device == 0 ? &info : device == 1 && fake_device.second ? &player : NULL;
}

PaError Pa_IsFormatSupported(const PaStreamParameters *in, const PaStreamParameters *out, double rate_hz)
{
    (void)in;
    (void)out;
    return rate_hz >= 8000.0 ? paFormatIsSupported : paInvalidSampleRate;
}

PaError Pa_OpenStream(PaStream **out, const PaStreamParameters *input, const PaStreamParameters *output, double rate_hz,
                      unsigned long frames, PaStreamFlags flags, PaStreamCallback *callback, void *context)
{
    (void)frames;
    (void)flags;
    if (fake_device.fault == FAKE_OTHER_RATE)
        return paInvalidSampleRate;
    fake_stream *s = &both[input == NULL];
    memset(s, 0, sizeof *s);
    s->callback = callback;
    s->context = context;
    s->inputs = input != NULL ? input->channelCount : 0;
    s->outputs = output != NULL ? output->channelCount : 0;
    s->rate_hz = rate_hz;
    *out = s;
    return paNoError;
}

const PaStreamInfo *Pa_GetStreamInfo(PaStream *s)
{
    static PaStreamInfo info = {.structVersion = 1};
    info.outputLatency = fake_device.latency_s;
    info.sampleRate = ((const fake_stream *)s)->rate_hz;
    return &info;
}

PaError Pa_StartStream(PaStream *stream)
{
    fake_stream *s = stream;
    atomic_store(&s->active, 1);
    s->started = thrd_create(&s->thread, run, s) == thrd_success;
    return s->started ? paNoError : paInsufficientMemory;
}

PaError Pa_IsStreamActive(PaStream *s)
{
    return atomic_load(&((fake_stream *)s)->active);
}

PaError Pa_CloseStream(PaStream *stream)
{
    fake_stream *s = stream;
    while (fake_device.fault == FAKE_CLOSE_HANGS)
        (void)sleep(60);
    atomic_store(&s->active, 0);
    if (s->started)
        (void)thrd_join(s->thread, NULL);
    s->started = false;
    return paNoError;
}
