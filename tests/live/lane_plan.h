/* SPDX-License-Identifier: MIT
 * What the virtual lane does between its speakers and its microphones, read from a script. PCM full scale = 1.0. */
#ifndef LANE_PLAN_H
#define LANE_PLAN_H

#include <lanetune/simulate.h>

#include <stdint.h>

enum { PORTS_MAX = 8, ROUTES_MAX = 16, HISTORY = 1 << 16 };

/** Convolution with an impulse response in partitions of one block (overlap-save): no delay of its own. */
typedef struct {
    size_t block, parts, bins, at;
    lt_rfft *fft;       /* 2 block */
    lt_complex *h, *x;  /* [parts x bins] */
    lt_complex *sum;    /* [bins] */
    double *past, *out; /* [2 block] */
} convolver;

convolver *convolver_new(const double *ir, size_t count, size_t block);
void convolver_free(convolver *c);
/** out[block] += gain * (ir * in) */
void convolver_run(convolver *c, const double *in, double gain, double *out);

typedef struct {
    unsigned speaker, microphone; /* from 0 */
    double gain;
    convolver *filter; /* NULL = straight through */
} route;

typedef struct {
    double gain;
    double noise_rms;
    float *sound; /* played round and round, NULL = none */
    size_t sound_count, sound_at;
    double clip;       /* 0 = off */
    int64_t mute_from; /* frame since the first sound; -1 = never */
    int64_t shift_at;  /* frame since the first sound where samples are lost or repeated; -1 = never */
    long shift_frames; /* > 0 lost, < 0 repeated */
    double drift;      /* recorder's seconds per played second, minus 1 */
    double tone_hz, tone_peak, tone_phase;
    /* a loop around the loudspeaker: what comes back grows by `feedback` each turn */
    double feedback;
    size_t feedback_frames;
    lt_biquad feedback_filter;
    lt_biquad_state feedback_state;
    double *history; /* [HISTORY] output before faults */
    double *loop;    /* [HISTORY] */
    double delay;    /* frames now, of the drift */
} microphone;

/** Keeps what went through: speaker 1 and microphone 1, and when. */
typedef struct lane_tap lane_tap;
lane_tap *lane_tap_new(const char *path, double seconds, double rate_hz, size_t block);
void lane_tap_push(lane_tap *t, const float *speaker, const float *microphone);
void lane_tap_free(lane_tap *t); /* writes the files */

typedef struct {
    long serial;
    size_t block;
    unsigned speakers, microphones;
    double rate_hz;
    route routes[ROUTES_MAX];
    size_t route_count;
    microphone mics[PORTS_MAX];
    double clip_line_dbfs[PORTS_MAX]; /* of each speaker's amplifier; NaN = linear */
    lt_rng rng;
    bool sounding;
    int64_t since_sound; /* frames since the first sample that sounds */
    uint64_t frame;
    lane_tap *tap;          /* NULL = none */
    double *in[PORTS_MAX];  /* [block] */
    double *out[PORTS_MAX]; /* [block] */
} plan;

/** NULL after a line on standard error. */
plan *plan_read(const char *path, unsigned speakers, unsigned microphones, double rate_hz, size_t block);
void plan_free(plan *p);
/** One block: in[speakers][block] -> out[microphones][block]. Allocates nothing. */
void plan_run(plan *p, const float *const *in, float *const *out);

#endif
