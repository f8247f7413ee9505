/* SPDX-License-Identifier: MIT
 * The callback: plays from memory, records to memory or into the ring, fades, holds the ceiling, keeps count. */
#include "audio/live_callback.h"

#include <math.h>
#include <string.h>

static const double fade_s = 0.003; /* with what the device has queued, 50 ms from key to silence */
static const double latency_most_s = 0.25;
static const uint64_t caller_patience_ns = 2000000000U;
static const uint64_t filling_ns = 20000000U;

void ltp_callback_init(ltp_callback_state *s, const ltp_live_job *job, double rate_hz, double latency_s)
{
    const double behind_s = latency_s >= 0.0 && latency_s <= latency_most_s ? latency_s : 0.0;
    const lt_live_options *o = job->opt;
    *s = (ltp_callback_state){.job = job,
                              .shared = job->shared,
                              .input_channels = job->shared->channels,
                              .main_channel = o->main_channel,
                              .output_channels = job->stimulus != NULL ? o->output_channel : 0,
                              .output_index = o->output_channel - 1,
                              .total_frames = job->shared->total_frames,
                              .lead_frames = job->shared->apart ? (uint64_t)llround(LTP_LEAD_S * rate_hz) : 0,
                              .waits = job->shared->apart,
                              .ceiling = (float)lt_amplitude_from_db(o->ceiling_dbfs),
                              .ramp_frames = (uint64_t)llround(o->ramp_s * rate_hz),
                              .fade_frames = (uint64_t)llround(fade_s * rate_hz),
                              .caller_patience_ns = job->stimulus != NULL ? caller_patience_ns : 0,
                              .caller_seen_ns = ltp_now_ns()};
    s->fade_left = s->fade_frames;
    s->behind_frames = (uint64_t)llround(behind_s * rate_hz);
}

static void log_xruns(ltp_callback_state *s, PaStreamCallbackFlags flags)
{
    static const struct {
        PaStreamCallbackFlags flag;
        lt_xrun_kind kind;
    } kinds[] = {{paInputOverflow, LT_XRUN_INPUT_OVERFLOW},
                 {paInputUnderflow, LT_XRUN_INPUT_UNDERFLOW},
                 {paOutputUnderflow, LT_XRUN_OUTPUT_UNDERFLOW},
                 {paOutputOverflow, LT_XRUN_OUTPUT_OVERFLOW}};
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        if ((flags & kinds[i].flag) == 0 || (kinds[i].flag == paOutputUnderflow && s->output_channels == 0))
            continue;
        const uint32_t n = atomic_load_explicit(&s->shared->xrun_count, memory_order_relaxed);
        if (n < LT_XRUNS_MAX)
            s->shared->xruns[n] = (lt_xrun){.frame = s->done, .kind = kinds[i].kind};
        atomic_store_explicit(&s->shared->xrun_count, n + 1, memory_order_release);
    }
}

/* Smooth from 0 to 1 (a cubic with level ends). */
static float smooth(uint64_t part, uint64_t whole)
{
    const float x = (float)part / (float)whole;
    return x * x * (3.0F - 2.0F * x);
}

/* A caller that hangs or was stopped must not leave a sound playing. */
static bool caller_missing(ltp_callback_state *s, uint64_t now_ns)
{
    const uint32_t beats = atomic_load_explicit(&s->shared->caller_beats, memory_order_relaxed);
    if (beats != s->caller_beats) {
        s->caller_beats = beats;
        s->caller_seen_ns = now_ns;
    }
    return s->caller_patience_ns > 0 && now_ns - s->caller_seen_ns > s->caller_patience_ns;
}

static bool stop_asked(ltp_callback_state *s, uint64_t now_ns)
{
    return atomic_load_explicit(&s->shared->stop, memory_order_relaxed) != 0 ||
           (s->fade_asked != NULL && atomic_load_explicit(s->fade_asked, memory_order_relaxed) != 0) ||
           caller_missing(s, now_ns);
}

/* A stream that ends may drop what its buffers still hold: behind the fade comes silence until the fade was heard.
 * Hosts tell their latency with or without the block that is being made and the one before it. */
static bool has_faded(ltp_callback_state *s, uint64_t frames)
{
    if (s->fade_left > 0)
        return false;
    s->behind_done += frames;
    return s->behind_done >= s->behind_frames + 3 * frames;
}

/* True if any sample sounded. */
static bool play(ltp_callback_state *s, float *out, uint64_t frames, bool fading)
{
    bool sounding = false;
    const ltp_live_job *j = s->job;
    for (uint64_t i = 0; i < frames; i++) {
        const uint64_t now = s->done + i, at = now - s->lead_frames;
        float x = now >= s->lead_frames && at < j->stimulus_frames ? j->stimulus[at] : 0.0F;
        if (now >= s->lead_frames && at < s->ramp_frames)
            x *= smooth(at, s->ramp_frames);
        if (fading) {
            x *= smooth(s->fade_left, s->fade_frames);
            s->fade_left -= s->fade_left > 0;
        }
        x = x > s->ceiling ? s->ceiling : x < -s->ceiling ? -s->ceiling : x;
        sounding |= fabsf(x) > 0.0F;
        out[i * s->output_channels + s->output_index] = x;
    }
    return sounding;
}

static bool only_zeros(const ltp_callback_state *s, const float *x, size_t count)
{
    const size_t first = s->main_channel > 0 ? s->main_channel - 1 : 0;
    const size_t step = s->main_channel > 0 ? s->input_channels : 1;
    for (size_t i = first; i < count; i += step)
        if (fabsf(x[i]) > 0.0F)
            return false;
    return true;
}

static void end_gap(ltp_callback_state *s)
{
    const uint32_t n = atomic_load_explicit(&s->shared->gap_count, memory_order_relaxed);
    if (s->dropping && n < LT_XRUNS_MAX) {
        s->shared->gaps[n] = (ltp_gap){.frame = s->gap_start, .length = s->done - s->gap_start};
        atomic_store_explicit(&s->shared->gap_count, n + 1, memory_order_release);
    }
    s->dropping = false;
}

/* A disk that is too slow costs whole blocks, each gap's place and length being known. */
static void into_ring(ltp_callback_state *s, const float *in, size_t frames)
{
    ltp_ring *r = &s->shared->ring;
    const size_t room = r->capacity - ltp_ring_filled(r);
    const size_t wanted = s->dropping ? r->capacity / 2 : frames;
    const bool gaps_left = atomic_load_explicit(&s->shared->gap_count, memory_order_relaxed) < LT_XRUNS_MAX - 1;
    if (room < wanted || (!s->dropping && !gaps_left && room < frames)) {
        if (!s->dropping) {
            s->gap_start = s->done;
            log_xruns(s, paInputOverflow);
        }
        s->dropping = true;
        (void)atomic_fetch_add_explicit(&s->shared->dropped, frames, memory_order_relaxed);
        return;
    }
    end_gap(s);
    (void)ltp_ring_write(r, s->job->samples, in, frames);
}

static void record(ltp_callback_state *s, const float *in, uint64_t frames, bool sounding)
{
    const size_t samples = (size_t)frames * s->input_channels;
    const bool zeros = in == NULL || only_zeros(s, in, samples);
    const uint64_t run = atomic_load_explicit(&s->shared->zero_run, memory_order_relaxed);
    if (!zeros) {
        atomic_store_explicit(&s->shared->zero_run, 0, memory_order_relaxed);
        atomic_store_explicit(&s->shared->sound_seen, 1, memory_order_relaxed);
    } else if (sounding) {
        atomic_store_explicit(&s->shared->zero_run, run + frames, memory_order_relaxed);
    }
    if (s->job->to_ring) {
        if (in != NULL)
            into_ring(s, in, (size_t)frames);
    } else if (in != NULL) { /* without input the memory stays zero */
        memcpy(s->job->samples + s->done * s->input_channels, in, samples * sizeof *in);
    }
}

static void keep_times(ltp_callback_state *s, uint64_t start_ns)
{
    const uint64_t spent = ltp_now_ns() - start_ns;
    if (spent > atomic_load_explicit(&s->shared->worst_ns, memory_order_relaxed))
        atomic_store_explicit(&s->shared->worst_ns, spent, memory_order_relaxed);
    (void)atomic_fetch_add_explicit(&s->shared->busy_ns, spent, memory_order_relaxed);
}

/* Two streams: what came in before the other one plays is no part of the recording. True: go on waiting. */
static bool wait_for_output(ltp_callback_state *s)
{
    const uint64_t played = atomic_load_explicit(&s->shared->out_frames, memory_order_acquire);
    if (s->waits && played > 0) {
        s->waits = false;
        atomic_store_explicit(&s->shared->lead_frames,
                              s->lead_frames - (played < s->lead_frames ? played : s->lead_frames),
                              memory_order_relaxed);
    }
    return s->waits;
}

static bool faded(ltp_callback_state *s, bool plays, uint64_t frames)
{
    if (s->shared->apart)
        return s->waits || atomic_load_explicit(&s->shared->quiet, memory_order_acquire) != 0;
    return !plays || has_faded(s, frames);
}

int ltp_callback(const void *input, void *output, unsigned long frames, const PaStreamCallbackTimeInfo *time,
                 PaStreamCallbackFlags flags, void *state)
{
    (void)time; /* its latencies are nonsense on some hosts; delays come from the recording */
    ltp_callback_state *s = state;
    const uint64_t start_ns = ltp_now_ns();
    if (s->done == 0)
        atomic_store_explicit(&s->shared->first_ns, start_ns, memory_order_relaxed);
    (void)atomic_fetch_add_explicit(&s->shared->beats, 1, memory_order_relaxed);
    if (output != NULL)
        memset(output, 0, frames * s->output_channels * sizeof(float));
    if (atomic_load_explicit(&s->shared->finished, memory_order_relaxed) != 0)
        return paComplete;
    const bool fading = s->fade_left < s->fade_frames || stop_asked(s, start_ns);
    if (wait_for_output(s) && !fading)
        return paContinue;
    log_xruns(s, flags | atomic_exchange_explicit(&s->shared->out_flags, 0, memory_order_relaxed));
    uint64_t n = s->waits ? 0 : frames;
    if (s->total_frames > 0 && n > s->total_frames - s->done)
        n = s->total_frames - s->done;
    bool sounding = true;
    if (output != NULL)
        sounding = play(s, output, n, fading);
    else if (s->shared->apart)
        sounding = atomic_load_explicit(&s->shared->sounding, memory_order_relaxed) != 0;
    record(s, input, n, sounding);
    s->done += n;
    const bool last =
        (s->total_frames > 0 && s->done == s->total_frames) || (fading && faded(s, output != NULL, frames));
    if (last && s->job->to_ring)
        end_gap(s);
    keep_times(s, start_ns);
    atomic_store_explicit(&s->shared->frames, s->done, memory_order_release);
    if (last)
        atomic_store_explicit(&s->shared->finished, 1, memory_order_release);
    return last ? paComplete : paContinue;
}

/* A sound system fills its buffers with the first callbacks, all at once, and may begin to take sound out of them a
 * second later; the other one may deliver nothing for as long. Time runs from then on, for whoever waits for it and for
 * what is to be played. */
static bool is_not_ready(ltp_callback_state *s, uint64_t now_ns)
{
    if (s->first_ns == 0)
        s->first_ns = now_ns;
    const bool records = atomic_load_explicit(&s->shared->beats, memory_order_relaxed) != 0;
    s->takes = s->takes || (records && now_ns - s->first_ns >= filling_ns);
    return !s->takes;
}

int ltp_callback_play(const void *input, void *output, unsigned long frames, const PaStreamCallbackTimeInfo *time,
                      PaStreamCallbackFlags flags, void *state)
{
    (void)input;
    (void)time;
    ltp_callback_state *s = state;
    ltp_shared *sh = s->shared;
    const uint64_t now_ns = ltp_now_ns();
    memset(output, 0, frames * s->output_channels * sizeof(float));
    if (atomic_load_explicit(&sh->finished, memory_order_relaxed) != 0)
        return paComplete;
    if (is_not_ready(s, now_ns) && !stop_asked(s, now_ns))
        return paContinue;
    (void)atomic_fetch_add_explicit(&sh->out_beats, 1, memory_order_relaxed);
    (void)atomic_fetch_or_explicit(&sh->out_flags, flags & (paOutputUnderflow | paOutputOverflow),
                                   memory_order_relaxed);
    const bool fading = s->fade_left < s->fade_frames || stop_asked(s, now_ns);
    const bool sounding = play(s, output, frames, fading);
    s->done += frames;
    atomic_store_explicit(&sh->sounding, sounding, memory_order_relaxed);
    atomic_store_explicit(&sh->out_frames, s->done, memory_order_release);
    if (!fading || !has_faded(s, frames))
        return paContinue;
    atomic_store_explicit(&sh->quiet, 1, memory_order_release);
    return paComplete;
}
