/* SPDX-License-Identifier: MIT
 * The ring between callback and file: order, wrap-around, full and empty, two threads, two processes; and what the live
 * functions refuse before they touch any device. */
#include "audio/ring.h"
#include "near.h"
#include "suite.h"

#include <lanetune/audio.h>

#include <pthread.h>
#include <sched.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

enum { CAPACITY = 256, CHANNELS = 3, TOTAL = 400000 };

/* Sample c of frame i; exact in float. */
static float value(uint64_t i, size_t c)
{
    return (float)((i * CHANNELS + c) % 16777213U);
}

static void order_wrap_full_and_empty(void **state)
{
    (void)state;
    static ltp_ring r; /* 64-byte aligned */
    float samples[CAPACITY * CHANNELS], in[CAPACITY * CHANNELS], out[CAPACITY * CHANNELS];
    ltp_ring_init(&r, CAPACITY, CHANNELS);
    uint64_t written = 0, read = 0;
    int bad = 0;
    lt_rng rng = {.state = 1};
    assert_int_equal(ltp_ring_read(&r, samples, out, 10), 0);
    for (int round = 0; round < 5000; round++) {
        const size_t n = (size_t)(lt_rng_uniform(&rng) * CAPACITY);
        for (size_t i = 0; i < n; i++)
            for (size_t c = 0; c < CHANNELS; c++)
                in[i * CHANNELS + c] = value(written + i, c);
        const size_t room = CAPACITY - (size_t)(written - read);
        const size_t put = ltp_ring_write(&r, samples, in, n);
        bad += put != (n < room ? n : room);
        written += put;
        bad += ltp_ring_filled(&r) != written - read;
        const size_t got = ltp_ring_read(&r, samples, out, (size_t)(lt_rng_uniform(&rng) * CAPACITY));
        for (size_t i = 0; i < got; i++)
            for (size_t c = 0; c < CHANNELS; c++)
                bad += fabsf(out[i * CHANNELS + c] - value(read + i, c)) > 0.0F;
        read += got;
    }
    assert_int_equal(bad, 0);
    assert_true(written > 100U * CAPACITY);
}

typedef struct {
    ltp_ring ring;
    float samples[CAPACITY * CHANNELS];
} shared;

static void write_all(shared *s, uint64_t seed)
{
    float in[64 * CHANNELS];
    lt_rng rng = {.state = seed};
    for (uint64_t at = 0; at < TOTAL;) {
        size_t n = 1 + (size_t)(lt_rng_uniform(&rng) * 63.0);
        n = n < TOTAL - at ? n : (size_t)(TOTAL - at);
        for (size_t i = 0; i < n; i++)
            for (size_t c = 0; c < CHANNELS; c++)
                in[i * CHANNELS + c] = value(at + i, c);
        for (size_t done = 0; done < n;) {
            const size_t put = ltp_ring_write(&s->ring, s->samples, in + done * CHANNELS, n - done);
            done += put;
            if (put == 0)
                (void)sched_yield();
        }
        at += n;
    }
}

static void *writer(void *context)
{
    write_all(context, 11);
    return NULL;
}

static int read_all(shared *s)
{
    float out[50 * CHANNELS];
    int bad = 0;
    for (uint64_t at = 0; at < TOTAL;) {
        const size_t got = ltp_ring_read(&s->ring, s->samples, out, 50);
        for (size_t i = 0; i < got; i++)
            for (size_t c = 0; c < CHANNELS; c++)
                bad += fabsf(out[i * CHANNELS + c] - value(at + i, c)) > 0.0F;
        at += got;
        if (got == 0)
            (void)sched_yield();
    }
    return bad;
}

static void two_threads(void **state)
{
    (void)state;
    shared *s = aligned_alloc(LTP_CACHE_LINE, (sizeof *s + LTP_CACHE_LINE - 1) / LTP_CACHE_LINE * LTP_CACHE_LINE);
    assert_non_null(s);
    ltp_ring_init(&s->ring, CAPACITY, CHANNELS);
    pthread_t thread;
    assert_int_equal(pthread_create(&thread, NULL, writer, s), 0);
    const int bad = read_all(s);
    assert_int_equal(pthread_join(thread, NULL), 0);
    free(s);
    assert_int_equal(bad, 0);
}

static void two_processes(void **state)
{
    (void)state;
    char name[] = "lanetune-ring-XXXXXX";
    const int fd = mkstemp(name); /* shared memory by a file: MAP_ANONYMOUS is not in POSIX */
    assert_true(fd >= 0);
    (void)unlink(name);
    assert_int_equal(ftruncate(fd, (off_t)sizeof(shared)), 0);
    shared *s = mmap(NULL, sizeof *s, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    assert_true(s != MAP_FAILED);
    ltp_ring_init(&s->ring, CAPACITY, CHANNELS);
    const pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        write_all(s, 12);
        _exit(0);
    }
    const int bad = read_all(s);
    int status = 1;
    assert_int_equal(waitpid(child, &status, 0), child);
    (void)munmap(s, sizeof *s);
    (void)close(fd);
    assert_int_equal(status, 0);
    assert_int_equal(bad, 0);
}

static void live_options_are_checked(void **state)
{
    (void)state;
    lt_signal *s = NULL;
    assert_int_equal(lt_signal_create(4800, 48000.0, &s, NULL), LT_OK);
    s->samples[100] = 0.5;
    static const char *const says[] = {
        "9 input channels",  "0 input channels", "output channel 0", "ceiling", "rate", "latency", "44100",
        "above the ceiling", "0 to 3600 s"};
    int bad = 0;
    for (size_t i = 0; i < COUNT(says); i++) {
        lt_live_options o = lt_live_default_options();
        lt_take *take = NULL;
        lt_error err = {0};
        o.input_channels = i == 0 ? 9 : i == 1 ? 0 : 1;
        o.output_channel = i == 2 ? 0 : 1;
        o.ceiling_dbfs = i == 3 ? 0.5 : i == 7 ? -7.0 : -3.0;
        o.rate_hz = i == 4 ? 7000.0 : i == 6 ? 44100.0 : 0.0;
        o.latency_s = i == 5 ? (double)NAN : 0.0;
        const lt_status st = lt_live_play_record(&o, s, i == 8 ? -1.0 : 1.0, NULL, NULL, &take, &err);
        if (st != LT_E_ARG || take != NULL || strstr(err.what, says[i]) == NULL) {
            print_error("row %zu: %d, %s\n", i, (int)st, err.what);
            bad++;
        }
    }
    lt_signal_free(s);
    lt_take_free(NULL);
    assert_int_equal(bad, 0);
}

SUITE(audio_ring)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(order_wrap_full_and_empty),
        cmocka_unit_test(two_threads),
        cmocka_unit_test(two_processes),
        cmocka_unit_test(live_options_are_checked),
    };
    return cmocka_run_group_tests_name("audio_ring", tests, NULL, NULL);
}
