/* SPDX-License-Identifier: MIT
 * A virtual lane as a client of the JACK sound server: speaker_1.. -> lane -> mic_1..
 *   lane SCRIPT [SPEAKERS [MICROPHONES]]
 * The script is read again whenever it is replaced; SCRIPT.ready then holds its serial number, or "bad". */
#include "lane_plan.h"

#include <jack/jack.h>
#include <signal.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/stat.h>
#include <time.h>

static jack_port_t *speakers[PORTS_MAX], *microphones[PORTS_MAX];
static unsigned speaker_count = 1, microphone_count = 1;
static plan *running;           /* the server's thread alone */
static _Atomic(plan *) next;    /* to be taken over */
static _Atomic(plan *) retired; /* to be freed */
static volatile sig_atomic_t ended;

static void on_signal(int number)
{
    (void)number;
    ended = 1;
}

static void on_server_gone(void *unused)
{
    (void)unused;
    ended = 1;
}

static int process(jack_nframes_t frames, void *unused)
{
    (void)unused;
    const float *in[PORTS_MAX];
    float *out[PORTS_MAX];
    plan *fresh = atomic_exchange(&next, NULL);
    if (fresh != NULL) {
        atomic_store(&retired, running);
        running = fresh;
    }
    for (unsigned i = 0; i < speaker_count; i++)
        in[i] = jack_port_get_buffer(speakers[i], frames);
    for (unsigned i = 0; i < microphone_count; i++)
        out[i] = jack_port_get_buffer(microphones[i], frames);
    if (frames == running->block)
        plan_run(running, in, out);
    return 0;
}

/* A device that reports a latency, as real ones do; the library computes nonsense without one. */
static void on_latency(jack_latency_callback_mode_t mode, void *unused)
{
    (void)unused;
    jack_latency_range_t range = {.min = 512, .max = 512};
    jack_port_t **ports = mode == JackCaptureLatency ? microphones : speakers;
    const unsigned count = mode == JackCaptureLatency ? microphone_count : speaker_count;
    for (unsigned i = 0; i < count; i++)
        jack_port_set_latency_range(ports[i], mode, &range);
}

static bool make_ports(jack_client_t *client)
{
    char name[32];
    for (unsigned i = 0; i < speaker_count; i++) {
        snprintf(name, sizeof name, "speaker_%u", i + 1);
        speakers[i] = jack_port_register(client, name, JACK_DEFAULT_AUDIO_TYPE, JackPortIsInput, 0);
        if (speakers[i] == NULL)
            return false;
    }
    for (unsigned i = 0; i < microphone_count; i++) {
        snprintf(name, sizeof name, "mic_%u", i + 1);
        microphones[i] = jack_port_register(client, name, JACK_DEFAULT_AUDIO_TYPE, JackPortIsOutput, 0);
        if (microphones[i] == NULL)
            return false;
    }
    return true;
}

static void say_ready(const char *script, const plan *p)
{
    char name[1200], part[1210];
    snprintf(name, sizeof name, "%s.ready", script);
    snprintf(part, sizeof part, "%s.part", name);
    FILE *f = fopen(part, "w");
    if (f == NULL)
        return;
    if (p != NULL)
        fprintf(f, "%ld\n", p->serial);
    else
        fprintf(f, "bad\n");
    fclose(f);
    (void)rename(part, name);
}

/* Hands a new plan to the server's thread and waits until that has taken it. */
static void change(const char *script, double rate_hz, size_t block)
{
    plan *p = plan_read(script, speaker_count, microphone_count, rate_hz, block);
    const struct timespec pause = {.tv_nsec = 2000000};
    if (p != NULL) {
        atomic_store(&next, p);
        while (!ended && atomic_load(&next) != NULL)
            nanosleep(&pause, NULL);
        plan_free(atomic_exchange(&retired, NULL));
    }
    say_ready(script, p);
}

static bool same_file(const struct stat *a, const struct stat *b)
{
    return a->st_ino == b->st_ino && a->st_mtim.tv_sec == b->st_mtim.tv_sec && a->st_mtim.tv_nsec == b->st_mtim.tv_nsec;
}

int main(int argc, char **argv)
{
    if (argc < 2)
        return 2;
    speaker_count = argc > 2 ? (unsigned)atoi(argv[2]) : 1;
    microphone_count = argc > 3 ? (unsigned)atoi(argv[3]) : 1;
    if (speaker_count < 1 || speaker_count > PORTS_MAX || microphone_count < 1 || microphone_count > PORTS_MAX)
        return 2;
    jack_client_t *client = jack_client_open("lane", JackNoStartServer | JackUseExactName, NULL);
    if (client == NULL)
        return 1;
    const double rate_hz = (double)jack_get_sample_rate(client);
    const size_t block = jack_get_buffer_size(client);
    struct stat seen = {0}, now = {0};
    (void)stat(argv[1], &seen);
    running = plan_read(argv[1], speaker_count, microphone_count, rate_hz, block);
    jack_set_process_callback(client, process, NULL);
    jack_set_latency_callback(client, on_latency, NULL);
    jack_on_shutdown(client, on_server_gone, NULL);
    struct sigaction act = {.sa_handler = on_signal};
    sigaction(SIGTERM, &act, NULL);
    sigaction(SIGINT, &act, NULL);
    if (running == NULL || !make_ports(client) || jack_activate(client) != 0)
        return 1;
    say_ready(argv[1], running);
    const struct timespec pause = {.tv_nsec = 20000000};
    while (!ended) {
        nanosleep(&pause, NULL);
        if (stat(argv[1], &now) == 0 && !same_file(&seen, &now)) {
            seen = now;
            change(argv[1], rate_hz, block);
        }
    }
    jack_client_close(client);
    plan_free(running);
    return 0;
}
