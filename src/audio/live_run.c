/* SPDX-License-Identifier: MIT
 * The caller's side of a live run: looks after the child every few milliseconds and never waits for it without limit.
 */
#define _DEFAULT_SOURCE

#include "audio/live_job.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { POLL_MS = 10 };
/* Time is counted in rounds of at most 50 ms, so that a caller that was stopped itself does not blame the device. */
static const double round_most_s = 0.05;
static const double open_s = 2.6;    /* until the stream runs */
static const double first_s = 2.0;   /* from there to the first callback */
static const double silence_s = 1.0; /* between callbacks */
/* A server that waits for a hung client lets a callback pass now and then: a second has to bring so much audio. */
static const double crawl_s = 1.0, crawl_audio_s = 0.05;
static const double close_s = 1.0;       /* for an orderly end */
static const double fade_s = 0.4;        /* for the child to end the sound after a stop */
static const double quiet_s = 0.2;       /* ... where nothing sounds yet */
static const double spare_s = 4.0;       /* over the audio's own length */
static const double zeros_s = 0.5;       /* of nothing but zeros while something plays */
static const double idle_zeros_s = 1.0;  /* ... from the start of a recording without playback */
static const double later_zeros_s = 5.0; /* ... later in it */

typedef struct {
    ltp_live_job *job;
    pid_t child;
    uint64_t seen_ns;  /* of the last round */
    double state_s;    /* time in this state */
    double no_beat_s;  /* since the last callback */
    double running_s;  /* since the stream started */
    double crawling_s; /* of the present stretch that has to bring audio, and the frames at its beginning */
    uint64_t crawl_frames;
    bool crawls; /* a stretch ended without enough of it */
    int state;
    uint32_t beats;
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
    if (r->state != LTP_LIVE_RUNNING || r->beats == 0 || r->stopping) {
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
    const ltp_shared *sh = r->job->shared;
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
    return r->crawls || r->no_beat_s > (r->beats == 0 ? first_s : silence_s);
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
            if (!more)
                ltp_sleep_ms(POLL_MS);
            else
                ltp_sleep_ms(POLL_MS / 2);
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
    const char *name = sh->used.input[0] != '\0' ? sh->used.input : "the audio device";
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
