/* SPDX-License-Identifier: MIT
 * The caller's side of a live run: looks after the child every few milliseconds and never waits for it without limit.
 */
#define _DEFAULT_SOURCE

#include "audio/live_job.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

/* Deadlines. Time is counted in rounds of at most ROUND_MS, so that a caller that was stopped itself does not blame the
 * device. */
enum {
    POLL_MS = 2, /* a key is seen within it */
    ROUND_MS = 50,
    OPEN_MS = 2500,       /* until the device is open, and from there until the stream runs */
    FIRST_MS = 2500,      /* from there to the first callback: a server may begin with a buffer of 2 s */
    SILENCE_MS = 1000,    /* between callbacks */
    CRAWL_MS = 1000,      /* a server that waits for a hung client lets a callback pass now and then: this has to ... */
    CRAWL_AUDIO_MS = 50,  /* ... bring so much */
    CLOSE_MS = 1000,      /* for an orderly end */
    FADE_MS = 400,        /* for the child to end the sound after a stop */
    QUIET_MS = 200,       /* ... where nothing sounds yet */
    SPARE_MS = 4000,      /* over the audio's own length */
    ZEROS_MS = 500,       /* of nothing but zeros while something plays */
    IDLE_ZEROS_MS = 1000, /* ... from the start of a recording without playback */
    LATER_ZEROS_MS = 5000 /* ... later in it: a quiet place behind a gate may be that */
};

/* Whatever fails, the caller knows and the child is gone within this time, on a machine that is not kept from it; the
 * wait for a child that was killed comes last. What is left of 3 s is for the command to end. */
enum { KILL_MS = LTP_KILL_MS, KNOWN_MS = 2950 };
_Static_assert(POLL_MS + CLOSE_MS + KILL_MS <= KNOWN_MS, "the stream ends: its server was killed, the device left");
_Static_assert(SILENCE_MS + ROUND_MS + KILL_MS <= KNOWN_MS, "no callback any more");
_Static_assert(2 * CRAWL_MS + ROUND_MS + KILL_MS <= KNOWN_MS, "hardly any: the first stretch may begin before");
_Static_assert(OPEN_MS + ROUND_MS + KILL_MS <= KNOWN_MS, "it does not open; another rate is told at once");
_Static_assert(FIRST_MS + ROUND_MS + KILL_MS <= KNOWN_MS, "it opens and does not run");
_Static_assert(ZEROS_MS + FADE_MS + CLOSE_MS + KILL_MS <= KNOWN_MS, "digital silence in a take, a swapped plug");
_Static_assert(IDLE_ZEROS_MS + FADE_MS + CLOSE_MS + KILL_MS <= KNOWN_MS, "digital silence in a recording");
_Static_assert(FADE_MS + CLOSE_MS + KILL_MS <= KNOWN_MS, "a key, a signal, a limit, a full disk");

static const double open_s = 1e-3 * OPEN_MS, first_s = 1e-3 * FIRST_MS, silence_s = 1e-3 * SILENCE_MS;
static const double crawl_s = 1e-3 * CRAWL_MS, crawl_audio_s = 1e-3 * CRAWL_AUDIO_MS;
static const double close_s = 1e-3 * CLOSE_MS, fade_s = 1e-3 * FADE_MS, quiet_s = 1e-3 * QUIET_MS;
static const double spare_s = 1e-3 * SPARE_MS, round_most_s = 1e-3 * ROUND_MS;
static const double zeros_s = 1e-3 * ZEROS_MS, idle_zeros_s = 1e-3 * IDLE_ZEROS_MS;
static const double later_zeros_s = 1e-3 * LATER_ZEROS_MS;

typedef struct {
    ltp_live_job *job;
    pid_t child;
    uint64_t seen_ns;  /* of the last round */
    double state_s;    /* time in this state */
    double no_beat_s;  /* since the last callback */
    double mute_s;     /* since the last one of a stream that only plays */
    double running_s;  /* since the stream started */
    double crawling_s; /* of the present stretch that has to bring audio, and the frames at its beginning */
    uint64_t crawl_frames;
    bool crawls; /* a stretch ended without enough of it */
    int state;
    uint32_t beats, out_beats;
    bool stopping;
    double stopping_s;
    ltp_live_end stopped_as;
} run_state;

static void stream_work(void *context)
{
    ltp_child_stream(context);
}

/* Stretch after stretch of crawl_s, from the first callback on. */
static void count_audio(run_state *r, double dt)
{
    ltp_shared *sh = r->job->shared;
    const uint64_t frames = atomic_load_explicit(&sh->frames, memory_order_relaxed);
    const bool waits = r->beats == 0 || (sh->apart && r->out_beats == 0);
    if (r->state != LTP_LIVE_RUNNING || waits || r->stopping) {
        r->crawling_s = 0.0;
        r->crawl_frames = frames;
        return;
    }
    r->crawling_s += dt;
    if (r->crawling_s < crawl_s)
        return;
    r->crawls = (double)(frames - r->crawl_frames) < crawl_audio_s * sh->rate_hz;
    r->crawling_s = 0.0;
    r->crawl_frames = frames;
}

static void count_time(run_state *r)
{
    ltp_shared *sh = r->job->shared;
    const uint64_t now = ltp_now_ns();
    const double dt = fmin((double)(now - r->seen_ns) * 1e-9, round_most_s);
    r->seen_ns = now;
    const int state = atomic_load_explicit(&sh->state, memory_order_acquire);
    const uint32_t beats = atomic_load_explicit(&sh->beats, memory_order_relaxed);
    r->state_s = state == r->state ? r->state_s + dt : 0.0;
    r->no_beat_s = beats == r->beats ? r->no_beat_s + dt : 0.0;
    const uint32_t out_beats = atomic_load_explicit(&sh->out_beats, memory_order_relaxed);
    const bool plays = sh->apart && beats > 0 && state == LTP_LIVE_RUNNING && atomic_load(&sh->quiet) == 0;
    r->mute_s = plays && out_beats == r->out_beats ? r->mute_s + dt : 0.0;
    r->out_beats = out_beats;
    r->running_s += state == LTP_LIVE_RUNNING ? dt : 0.0;
    r->stopping_s += r->stopping ? dt : 0.0;
    r->state = state;
    r->beats = beats;
    count_audio(r, dt);
    (void)atomic_fetch_add_explicit(&sh->caller_beats, 1, memory_order_relaxed);
}

static void stop(run_state *r, ltp_live_end as)
{
    if (!r->stopping) {
        r->stopping = true;
        r->stopped_as = as;
    }
    atomic_store_explicit(&r->job->shared->stop, 1, memory_order_relaxed);
}

/* What the callback counted as zeros is too long to be the sound of anything connected. */
static bool zeros_too_long(const ltp_live_job *job)
{
    ltp_shared *sh = job->shared;
    const double run_s = (double)atomic_load_explicit(&sh->zero_run, memory_order_relaxed) / sh->rate_hz;
    if (job->stimulus != NULL)
        return run_s >= zeros_s;
    const bool seen = atomic_load_explicit(&sh->sound_seen, memory_order_relaxed) != 0;
    return run_s >= (seen ? later_zeros_s : idle_zeros_s);
}

/* True if the child's time is up; *end says as what. */
static bool overdue(const run_state *r, ltp_live_end *end)
{
    ltp_shared *sh = r->job->shared;
    *end = LTP_END_HUNG;
    if (r->stopping && r->stopping_s > (r->state < LTP_LIVE_RUNNING ? quiet_s : fade_s)) {
        *end = r->stopped_as; /* asked for the end and got none: the sound ends with the child */
        return true;
    }
    if (r->state == LTP_LIVE_STARTING || r->state == LTP_LIVE_OPEN)
        return r->state_s > open_s;
    if (r->state != LTP_LIVE_RUNNING)
        return false;
    if (sh->total_frames > 0 && r->running_s > (double)sh->total_frames / sh->rate_hz + spare_s)
        return true;
    if (r->crawls || r->no_beat_s > (r->beats == 0 ? first_s : silence_s))
        return true;
    const bool mute = r->mute_s > (r->out_beats == 0 ? first_s : silence_s);
    if (mute)
        atomic_store(&sh->output_failed, 1);
    return mute;
}

static void measure_view(lt_live_view *v)
{
    double square[LT_LIVE_CHANNELS_MAX] = {0};
    memset(v->peak, 0, sizeof v->peak);
    for (size_t i = 0; i < v->newest_frames; i++)
        for (unsigned c = 0; c < v->channels; c++) {
            const double x = (double)v->newest[i * v->channels + c];
            square[c] += x * x;
            v->peak[c] = fmax(v->peak[c], fabs(x));
        }
    for (unsigned c = 0; c < v->channels; c++)
        v->mean_square[c] = v->newest_frames > 0 ? square[c] / (double)v->newest_frames : 0.0;
}

typedef struct {
    lt_live_watch watch;
    void *watch_context;
    ltp_live_sink sink;
    void *sink_context;
    lt_live_view view;
} viewer;

/* Before the stream is open there is nothing to see, but the user may have thought better of it. */
static void ask(run_state *r, viewer *w)
{
    if (r->state < LTP_LIVE_OPEN && w->watch != NULL && !r->stopping && !w->watch(w->watch_context, &w->view))
        stop(r, LTP_END_STOPPED);
}

/* Takes what is new and shows it. *more: there may be more at once. */
static void look(run_state *r, viewer *w, bool *more)
{
    ltp_shared *sh = r->job->shared;
    bool bad = false;
    *more = false;
    if (r->state < LTP_LIVE_OPEN || r->state == LTP_LIVE_FAILED) {
        ask(r, w);
        return;
    }
    lt_live_view *v = &w->view;
    v->rate_hz = sh->rate_hz;
    v->total_frames = sh->total_frames;
    v->lead_frames = atomic_load_explicit(&sh->lead_frames, memory_order_relaxed);
    v->channels = sh->channels;
    v->interleaved = r->job->to_ring ? NULL : r->job->samples;
    v->newest_frames = w->sink(w->sink_context, &v->newest, &bad);
    v->frames += v->newest_frames;
    *more = v->newest_frames > 0;
    measure_view(v);
    if (bad)
        stop(r, LTP_END_SINK);
    if (w->watch != NULL && !r->stopping && !w->watch(w->watch_context, v))
        stop(r, LTP_END_STOPPED);
    if (zeros_too_long(r->job))
        stop(r, LTP_END_ZEROS);
}

static ltp_live_end follow(run_state *r, viewer *w)
{
    ltp_live_end end = LTP_END_HUNG;
    bool more = false;
    for (;;) {
        const bool gone = ltp_child_wait(r->child, 0.0);
        count_time(r); /* after the question, so that the last word of a child that is gone is read */
        look(r, w, &more);
        if (r->state == LTP_LIVE_DONE)
            end = r->stopping ? r->stopped_as : LTP_END_COMPLETE;
        else if (r->state == LTP_LIVE_FAILED)
            end = LTP_END_REFUSED;
        else if (r->state == LTP_LIVE_LOST)
            end = LTP_END_LOST;
        else if (gone)
            end = r->stopping && r->state < LTP_LIVE_RUNNING ? r->stopped_as : LTP_END_CRASHED;
        else if (!overdue(r, &end)) {
            ltp_sleep_ms(more ? POLL_MS / 2 : POLL_MS);
            continue;
        }
        if (!gone && (r->state < LTP_LIVE_DONE || !ltp_child_wait(r->child, close_s)))
            ltp_child_kill(r->child);
        break;
    }
    do
        look(r, w, &more); /* what came last */
    while (more);
    if (end == LTP_END_COMPLETE && r->stopping) /* the last look saw zeros or a full disk */
        end = r->stopped_as == LTP_END_STOPPED ? LTP_END_COMPLETE : r->stopped_as;
    return end;
}

ltp_live_end ltp_live_run(ltp_live_job *job, lt_live_watch watch, void *watch_context, ltp_live_sink sink,
                          void *sink_context)
{
    run_state r = {.job = job, .seen_ns = ltp_now_ns()};
    viewer w = {.watch = watch, .watch_context = watch_context, .sink = sink, .sink_context = sink_context};
    r.child = ltp_child_start(stream_work, job);
    if (r.child < 0) {
        job->shared->status = LT_E_NOMEM;
        (void)memcpy(job->shared->error, "the system starts no further process; close other programs", 59);
        return LTP_END_REFUSED;
    }
    return follow(&r, &w);
}

lt_status ltp_live_verdict(const ltp_live_job *job, ltp_live_end end, lt_error *err)
{
    ltp_shared *sh = job->shared;
    const bool output = atomic_load(&sh->output_failed) != 0;
    const char *used = output ? sh->used.output : sh->used.input;
    const char *name = used[0] != '\0' ? used : "the audio device";
    const double at_s = sh->rate_hz > 0.0 ? (double)atomic_load(&sh->frames) / sh->rate_hz : 0.0;
    switch (end) {
    case LTP_END_COMPLETE:
    case LTP_END_STOPPED:
        return LT_OK;
    case LTP_END_REFUSED:
        sh->error[sizeof sh->error - 1] = '\0';
        return ltp_fail(err, sh->status == LT_OK ? LT_E_IO : sh->status, "%s", sh->error);
    case LTP_END_LOST:
        return ltp_fail(err, LT_E_IO,
                        "%s: the device or its sound server went away after %.1f s; check its cable and "
                        "start again",
                        name, at_s);
    case LTP_END_CRASHED:
        return ltp_fail(err, LT_E_IO,
                        "%s: the sound library crashed after %.1f s; unplug the device, plug it in and "
                        "start again",
                        name, at_s);
    case LTP_END_ZEROS:
        return ltp_fail(err, LT_E_IO,
                        "%s: delivers nothing but digital silence (seen after %.1f s); check that it is "
                        "plugged in, chosen and not muted",
                        name, at_s);
    case LTP_END_HUNG:
    case LTP_END_SINK:
        break;
    }
    return ltp_fail(err, LT_E_IO,
                    "%s: stopped answering after %.1f s; unplug the device or restart its sound server "
                    "and start again",
                    name, at_s);
}
