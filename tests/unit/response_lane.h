/* SPDX-License-Identifier: MIT
 * A lane with a known impulse response, for the tests of the response layer: loudspeaker and microphone as biquads,
 * arrivals at any delay, a soft-clipping amplifier before them, another clock, noise, 16 bits. */
#ifndef LT_TESTS_RESPONSE_LANE_H
#define LT_TESTS_RESPONSE_LANE_H

#include <lanetune/response.h>

typedef struct {
    double delay_ms, level_db; /* level negative gain; a negative sign in `flip` */
    bool flip;
} lane_path;

typedef struct {
    const lane_path *paths;
    size_t path_count;
    bool speaker;  /* small loudspeaker and electret; else a flat lane */
    bool resonant; /* ... with a resonance of Q 8 at 700 Hz */
    double drive;  /* soft clipper tanh(drive x) / drive before the loudspeaker; 0 = linear */
    double gain_db;
    double early_s;   /* recorder started so long before the stimulus; negative: after its start */
    double extra_s;   /* recorder stopped so long after the stimulus' end; negative: before */
    double drift_ppm; /* recorder's clock is fast by this */
    double rate_hz;   /* of the recorder; 0 = the stimulus' rate */
    double noise_db;  /* RMS of the noise re that of the recorded signal while it plays; 0 with `noise` false */
    bool noise;
    bool traffic;          /* noise with a spectrum that falls above 200 Hz, and slowly passing vehicles; else pink */
    double burst_s;        /* a burst, 20 dB over the signal, at this time of the recording; 0 = none */
    double burst_length_s; /* 0 = 2 s */
    bool sixteen_bits;
    uint64_t seed;
} lane;

/** What the lane does to a signal at rate_hz: length samples, t = 0 first. Aborts the test when out of memory. */
lt_ir *lane_truth(const lane *l, double rate_hz, size_t length);
lt_signal *lane_record(const lane *l, const lt_signal *stimulus);
/** Gain of the linear part at hz. */
lt_complex lane_gain(const lane *l, double hz, double rate_hz);

/** Records and measures; fails the test if that is refused. */
lt_response *lane_measure(const char *label, const lane *l, const lt_signal *stimulus);
/** Misses against the truth, each printed: levels within 0.2 dB wherever the reported SNR exceeds 20 dB, in at least
 * `bands` bands; delay within 0.03 ms; drift within 2 ppm (not asked where drift_known is false); polarity. */
int lane_misses(const char *label, const lane *l, const lt_signal *stimulus, const lt_response *r, size_t bands,
                bool drift_known);

#endif
