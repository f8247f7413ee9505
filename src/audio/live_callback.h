/* SPDX-License-Identifier: MIT
 * What happens in the sound library's callback: nothing that allocates, locks, prints or waits. Full scale = 1.0. */
#ifndef LTP_AUDIO_LIVE_CALLBACK_H
#define LTP_AUDIO_LIVE_CALLBACK_H

#include "audio/live_job.h"

#include <portaudio.h>

/** One stream's state; touched by the callback alone once the stream runs. */
typedef struct {
    const ltp_live_job *job;
    ltp_shared *shared;
    unsigned input_channels, main_channel;
    unsigned output_channels, output_index; /* opened; the one that plays */
    uint64_t total_frames;                  /* 0 = until stopped */
    uint64_t done;                          /* frames recorded, or played by a stream that only plays */
    uint64_t lead_frames;                   /* of silence before the stimulus */
    uint64_t first_ns;                      /* a stream that only plays: its first callback; 0 = none yet */
    bool takes;                             /* ... both devices are at work by now */
    bool waits;                             /* two streams: nothing is kept until the other one plays */
    float ceiling;
    uint64_t ramp_frames;
    uint64_t fade_frames, fade_left;     /* fade_left == fade_frames: not fading yet */
    uint64_t behind_frames, behind_done; /* silence behind a fade */
    _Atomic int *fade_asked;             /* the child's own wish, beside shared->stop */
    uint64_t caller_patience_ns;         /* 0 = for ever */
    uint32_t caller_beats;
    uint64_t caller_seen_ns;
    bool dropping;
    uint64_t gap_start;
} ltp_callback_state;

/** latency_s: of what plays, as the open stream tells it; nonsense counts as none. */
void ltp_callback_init(ltp_callback_state *s, const ltp_live_job *job, double rate_hz, double latency_s);
/** One stream that plays and records, or one that records. */
int ltp_callback(const void *input, void *output, unsigned long frames, const PaStreamCallbackTimeInfo *time,
                 PaStreamCallbackFlags flags, void *state);
/** The one that plays, of two. */
int ltp_callback_play(const void *input, void *output, unsigned long frames, const PaStreamCallbackTimeInfo *time,
                      PaStreamCallbackFlags flags, void *state);

#endif
