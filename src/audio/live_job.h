/* SPDX-License-Identifier: MIT
 * A live run: the child process that holds the device, what it shares with the caller, and how the caller watches it.
 * Full scale = 1.0. */
#ifndef LTP_AUDIO_LIVE_JOB_H
#define LTP_AUDIO_LIVE_JOB_H

#include "audio/ring.h"
#include <lanetune/audio.h>

#include <stdatomic.h>
#include <sys/types.h>

typedef enum {
    LTP_LIVE_STARTING,
    LTP_LIVE_OPEN,    /* rate, total and names are known */
    LTP_LIVE_RUNNING, /* the stream was started */
    LTP_LIVE_DONE,    /* all frames are there, or the sound has faded out */
    LTP_LIVE_FAILED,  /* status and error say why */
    LTP_LIVE_LOST     /* the stream ended by itself */
} ltp_live_state;

/** Frames that did not fit into the ring. */
typedef struct {
    uint64_t frame, length;
} ltp_gap;

/** Between both processes; everything that changes while the stream runs is atomic. */
typedef struct {
    _Atomic int state;
    _Atomic int stop;              /* caller: fade out and end */
    _Atomic int finished;          /* callback: it has ended the stream */
    _Atomic uint32_t caller_beats; /* counts the caller's rounds */
    _Atomic uint32_t beats;        /* counts callbacks */
    _Atomic uint64_t frames;       /* recorded */
    _Atomic uint64_t zero_run;     /* frames of nothing but zeros up to now, while something played */
    _Atomic int sound_seen;        /* any sample but zero */
    _Atomic uint64_t first_ns, worst_ns, busy_ns;
    _Atomic uint32_t xrun_count;
    lt_xrun xruns[LT_XRUNS_MAX]; /* valid below xrun_count */
    /* two streams: written by the one that plays, read by the one that records */
    _Atomic uint32_t out_beats;
    _Atomic uint64_t out_frames; /* played */
    _Atomic int sounding;        /* its last block was no silence */
    _Atomic int quiet;           /* its fade has ended */
    _Atomic unsigned long out_flags;
    _Atomic uint64_t lead_frames; /* of the recording before the stimulus */
    _Atomic int output_failed;    /* what failed is the device that plays */
    _Atomic uint32_t gap_count;
    ltp_gap gaps[LT_XRUNS_MAX]; /* valid below gap_count */
    _Atomic uint64_t dropped;
    /* before LTP_LIVE_OPEN, by the child */
    bool apart; /* a stream each for playing and recording */
    double rate_hz;
    unsigned channels;     /* recorded; as asked until the child knows better */
    uint64_t total_frames; /* 0 = until stopped */
    lt_live_used used;
    /* before LTP_LIVE_FAILED, by the child */
    lt_status status;
    char error[512];
    ltp_ring ring;
} ltp_shared;

/** What to do; the child sees the caller's memory as it was at the fork. */
typedef struct {
    const lt_live_options *opt;
    const float *stimulus; /* NULL: nothing is played and no output is opened */
    size_t stimulus_frames;
    double stimulus_rate_hz;
    double length_s; /* after the stimulus; <= 0: until stopped */
    bool to_ring;
    unsigned channels_most; /* that may be recorded: room for them */
    ltp_shared *shared;
    float *samples;         /* shared: the take or the ring's */
    size_t capacity_frames; /* of samples */
    size_t mapped_bytes;
} ltp_live_job;

/* Two devices have no common start: the recording begins this long before the stimulus, and lasts longer by both. */
#define LTP_LEAD_S 0.5
#define LTP_LEAD_SPARE_S 0.3

/** Shared memory for the job, zeroed; opt and the stimulus are set before. LT_E_NOMEM, LT_E_ARG too long. */
LT_NODISCARD lt_status ltp_live_map(ltp_live_job *job, size_t capacity_frames, lt_error *err);
void ltp_live_unmap(ltp_live_job *job);

/** In the child, between fork and _exit: signals, standard streams, death of the parent. */
void ltp_child_begin(pid_t parent);
/** True once the parent is gone or asked for the end by a signal. */
bool ltp_child_asked(void);
/** Open the stream, run it to its end, close it. Returns when the child should end. */
void ltp_child_stream(ltp_live_job *job);
/** Fork a child that runs work(context) and ends. -1 where the system refuses. */
pid_t ltp_child_start(void (*work)(void *context), void *context);
/** Waits up to seconds; true = gone (and reaped). */
bool ltp_child_wait(pid_t child, double seconds);
enum { LTP_KILL_MS = 400 };
/** Kill it and wait up to LTP_KILL_MS: one that sleeps in the kernel for good is left to the system. */
void ltp_child_kill(pid_t child);

uint64_t ltp_now_ns(void); /* monotonic */
void ltp_sleep_ms(unsigned ms);

typedef enum {
    LTP_END_COMPLETE,
    LTP_END_STOPPED, /* by the watcher */
    LTP_END_REFUSED, /* by the child: shared->status, shared->error */
    LTP_END_LOST,    /* the stream ended by itself */
    LTP_END_HUNG,    /* no callback any more */
    LTP_END_CRASHED, /* the child is gone */
    LTP_END_ZEROS,   /* nothing but zeros arrives */
    LTP_END_SINK     /* the sink refused more */
} ltp_live_end;

/** Where new frames go: up to `frames` frames, *newest [n x channels] stays valid until the next call. 0 = none.
 * *bad = true ends the run. */
typedef size_t (*ltp_live_sink)(void *context, const float **newest, bool *bad);

/** Run the job to its end; never longer than the audio + 5 s. Every end leaves no child behind. */
ltp_live_end ltp_live_run(ltp_live_job *job, lt_live_watch watch, void *watch_context, ltp_live_sink sink,
                          void *sink_context);
/** The sentence for an end that is a failure. LT_OK for COMPLETE and STOPPED. */
lt_status ltp_live_verdict(const ltp_live_job *job, ltp_live_end end, lt_error *err);

#endif
