/* SPDX-License-Identifier: MIT
 * A sound card in memory, in PortAudio's place: one device, one host, what is played comes back; and, where asked for,
 * a second device that only plays, into nothing. It runs as fast as the
 * processor allows, so that whole commands can be run many times. A program that links fake_device.c uses it. */
#ifndef LT_TESTS_FAKE_DEVICE_H
#define LT_TESTS_FAKE_DEVICE_H

#include <stdbool.h>
#include <stddef.h>

typedef enum {
    FAKE_GOOD,
    FAKE_ABSENT,      /* no device at all */
    FAKE_OTHER_RATE,  /* does not open */
    FAKE_CRASHES,     /* while it runs */
    FAKE_CLOSE_HANGS, /* for minutes, as a library does whose server has gone */
    FAKE_PLAYER_HANGS,
    FAKE_PLAYER_ENDS,
    FAKE_PLAYER_FILLS,  /* a deep buffer, and takes sound out of it 1.4 s later: no fault, but slow */
    FAKE_RECORDER_LATE, /* the other one delivers nothing for 1.4 s */
    FAKE_RECORDER_ENDS  /* one of two streams, while they run */
} fake_fault;

typedef struct {
    double gain;          /* of what comes back */
    size_t delay_frames;  /* after it was played; [0, 4096) */
    double noise;         /* peak of white noise, so that the input is never digital silence */
    double tone_hz, tone; /* a calibrator: frequency and peak */
    unsigned pause_us;    /* between blocks of 256 frames: a disk needs some time */
    double latency_s;     /* of the output, as the open stream tells it */
    fake_fault fault;
    bool second; /* the device "player" */
} fake_options;

/** Counts from the next stream on; a child process takes it along. */
extern fake_options fake_device;

#endif
