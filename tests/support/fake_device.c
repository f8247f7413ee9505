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

enum { BLOCK = 256, CHANNELS_MAX = 8, HISTORY = 8192 };

fake_options fake_device = {.gain = 0.5, .delay_frames = 100, .noise = 1e-5};

static struct {
    PaStreamCallback *callback;
    void *context;
    int inputs, outputs;
    double rate_hz;
    _Atomic int active;
    thrd_t thread;
    bool started;
    float history[HISTORY];
} stream;

static void nap(unsigned us)
{
    const struct timespec t = {.tv_nsec = (long)us * 1000L};
    if (us > 0)
        (void)nanosleep(&t, NULL);
}

static double noise_of(uint32_t *seed)
{
    *seed = *seed * 1664525u + 1013904223u;
    return (double)(*seed >> 8) / 8388608.0 - 1.0;
}

/* The same sound on all inputs. */
static void hear(float *in, uint64_t frame, uint32_t *seed)
{
    for (uint64_t i = 0; i < BLOCK; i++) {
        const uint64_t now = frame + i + HISTORY;
        const double turn = 2.0 * 3.14159265358979 * fake_device.tone_hz / stream.rate_hz;
        const double x = fake_device.gain * (double)stream.history[(now - fake_device.delay_frames - BLOCK) % HISTORY] +
                         fake_device.noise * noise_of(seed) + fake_device.tone * sin(turn * (double)(frame + i));
        for (int c = 0; c < stream.inputs; c++)
            in[i * (uint64_t)stream.inputs + (uint64_t)c] = (float)x;
    }
}

static int run(void *unused)
{
    static float in[BLOCK * CHANNELS_MAX], out[BLOCK * CHANNELS_MAX];
    uint32_t seed = 1;
    (void)unused;
    for (uint64_t frame = 0; atomic_load(&stream.active) != 0; frame += BLOCK) {
        hear(in, frame, &seed);
        const int said = stream.callback(in, stream.outputs > 0 ? out : NULL, BLOCK, NULL, 0, stream.context);
        for (uint64_t i = 0; i < BLOCK; i++) /* the last output plays */
            stream.history[(frame + i + HISTORY) % HISTORY] =
                stream.outputs > 0 ? out[(i + 1) * (uint64_t)stream.outputs - 1] : 0.0F;
        if (fake_device.fault == FAKE_CRASHES && frame > 4096)
            (void)raise(SIGKILL);
        if (said != paContinue)
            atomic_store(&stream.active, 0);
        nap(fake_device.pause_us);
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
    static const PaHostApiInfo without = {
        .structVersion = 1, .name = "memory", .defaultInputDevice = paNoDevice, .defaultOutputDevice = paNoDevice};
    return host != 0 ? NULL : fake_device.fault == FAKE_ABSENT ? &without : &with;
}

PaDeviceIndex Pa_GetDeviceCount(void)
{
    return fake_device.fault == FAKE_ABSENT ? 0 : 1;
}

PaDeviceIndex Pa_HostApiDeviceIndexToDeviceIndex(PaHostApiIndex host, int i)
{
    return host == 0 && i == 0 ? 0 : paInvalidDevice;
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
    return device == 0 ? &info : NULL;
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
    memset(&stream, 0, sizeof stream);
    stream.callback = callback;
    stream.context = context;
    stream.inputs = input != NULL ? input->channelCount : 0;
    stream.outputs = output != NULL ? output->channelCount : 0;
    stream.rate_hz = rate_hz;
    *out = &stream;
    return paNoError;
}

const PaStreamInfo *Pa_GetStreamInfo(PaStream *s)
{
    static PaStreamInfo info = {.structVersion = 1};
    (void)s;
    info.sampleRate = stream.rate_hz;
    return &info;
}

PaError Pa_StartStream(PaStream *s)
{
    (void)s;
    atomic_store(&stream.active, 1);
    stream.started = thrd_create(&stream.thread, run, NULL) == thrd_success;
    return stream.started ? paNoError : paInsufficientMemory;
}

PaError Pa_IsStreamActive(PaStream *s)
{
    (void)s;
    return atomic_load(&stream.active);
}

PaError Pa_CloseStream(PaStream *s)
{
    (void)s;
    while (fake_device.fault == FAKE_CLOSE_HANGS)
        (void)sleep(60);
    atomic_store(&stream.active, 0);
    if (stream.started)
        (void)thrd_join(stream.thread, NULL);
    stream.started = false;
    return paNoError;
}
