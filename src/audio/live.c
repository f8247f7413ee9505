/* SPDX-License-Identifier: MIT
 * Play and record with the whole stimulus and the whole take in memory. Full scale = 1.0. */
#include "audio/live.h"
#include "base/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const double highest_rate_hz = 192000.0;

lt_live_options lt_live_default_options(void)
{
    return (lt_live_options){.input_channels = 1, .output_channel = 1, .ceiling_dbfs = -3.0, .ramp_s = 0.05};
}

lt_status ltp_live_check(const lt_live_options *o, lt_error *err)
{
    if (o->input_channels < 1 || o->input_channels > LT_LIVE_CHANNELS_MAX)
        return ltp_fail(err, LT_E_ARG, "%u input channels; 1 to %d can be recorded", o->input_channels,
                        (int)LT_LIVE_CHANNELS_MAX);
    if (o->welcome_channels > LT_LIVE_CHANNELS_MAX || o->main_channel > o->input_channels)
        return ltp_fail(err, LT_E_ARG, "%u welcome channels, main channel %u; at most %d are recorded",
                        o->welcome_channels, o->main_channel, (int)LT_LIVE_CHANNELS_MAX);
    if (o->output_channel < 1 || o->output_channel > 64)
        return ltp_fail(err, LT_E_ARG, "output channel %u; it is counted from 1 to 64", o->output_channel);
    if (!(o->ceiling_dbfs >= -60.0 && o->ceiling_dbfs <= 0.0))
        return ltp_fail(err, LT_E_ARG, "ceiling %g dBFS; it must be -60 to 0 dBFS", o->ceiling_dbfs);
    if (o->rate_hz < 0.0 || o->rate_hz > highest_rate_hz || (o->rate_hz > 0.0 && o->rate_hz < 8000.0) ||
        isnan(o->rate_hz))
        return ltp_fail(err, LT_E_ARG, "rate %g Hz; it must be 8000 to 192000 Hz", o->rate_hz);
    if (!(o->latency_s >= 0.0 && o->latency_s <= 2.0) || !(o->ramp_s >= 0.0 && o->ramp_s <= 10.0))
        return ltp_fail(err, LT_E_ARG, "latency %g s, ramp %g s; they must be 0 to 2 s and 0 to 10 s", o->latency_s,
                        o->ramp_s);
    return LT_OK;
}

static lt_status check_stimulus(const lt_live_options *o, const lt_signal *s, double tail_s, lt_error *err)
{
    if (!(tail_s >= 0.0 && tail_s <= 3600.0) || (s == NULL && !(tail_s > 0.0)))
        return ltp_fail(err, LT_E_ARG, "%g s after the stimulus; it must be 0 to 3600 s, and something to record",
                        tail_s);
    if (s == NULL)
        return LT_OK;
    if (s->count == 0)
        return ltp_fail(err, LT_E_ARG, "the stimulus is empty; make one with more seconds");
    if (o->rate_hz > 0.0 && fabs(s->rate_hz - o->rate_hz) > 0.5)
        return ltp_fail(err, LT_E_ARG, "the stimulus has %.10g Hz and %.10g Hz are asked for; make it at that rate",
                        s->rate_hz, o->rate_hz);
    const double peak = lt_signal_peak(s), ceiling = lt_amplitude_from_db(o->ceiling_dbfs);
    if (!(peak <= ceiling * (1.0 + 1e-6))) /* a cut-off stimulus would measure its own distortion */
        return ltp_fail(err, LT_E_ARG,
                        "the stimulus peaks at %.1f dBFS, above the ceiling of %.1f dBFS; play it more "
                        "quietly",
                        lt_db_from_amplitude(peak), o->ceiling_dbfs);
    return LT_OK;
}

typedef struct {
    ltp_live_job *job;
    uint64_t shown;
} take_sink;

static size_t next_frames(void *context, const float **newest, bool *bad)
{
    take_sink *t = context;
    (void)bad;
    const uint64_t frames = atomic_load_explicit(&t->job->shared->frames, memory_order_acquire);
    *newest = t->job->samples + t->shown * t->job->shared->channels;
    const size_t n = (size_t)(frames - t->shown);
    t->shown = frames;
    return n;
}

uint32_t ltp_live_counts(const ltp_live_job *job, uint64_t start_ns, ltp_live_figures *out)
{
    ltp_shared *sh = job->shared;
    const uint64_t first_ns = atomic_load(&sh->first_ns), frames = atomic_load(&sh->frames);
    *out = (ltp_live_figures){
        .start_s = first_ns > start_ns ? (double)(first_ns - start_ns) * 1e-9 : (double)NAN,
        .callback_worst_ms = (double)atomic_load(&sh->worst_ns) * 1e-6,
        .callback_share = frames > 0 ? (double)atomic_load(&sh->busy_ns) * 1e-9 * sh->rate_hz / (double)frames : 0.0};
    return atomic_load_explicit(&sh->xrun_count, memory_order_acquire);
}

static void note_xruns(lt_take *t)
{
    if (t->xrun_count > 0)
        lt_notes_add(&t->notes, "xrun", "The device reported %zu overruns or underruns, the first at %.2f s.",
                     t->xrun_count, (double)t->xruns[0].frame / t->rate_hz);
}

static lt_status split(const ltp_live_job *job, size_t frames, lt_take *t, lt_error *err)
{
    for (unsigned c = 0; c < t->channel_count; c++) {
        const lt_status st = lt_signal_create(frames, t->rate_hz, &t->channels[c], err);
        if (st != LT_OK)
            return st;
        const float *x = job->samples + c;
        for (size_t i = 0; i < frames; i++, x += t->channel_count)
            t->channels[c]->samples[i] = (double)*x;
    }
    return LT_OK;
}

static lt_status make_take(const ltp_live_job *job, ltp_live_end end, uint64_t start_ns, lt_take **out, lt_error *err)
{
    ltp_shared *sh = job->shared;
    const uint64_t frames = atomic_load_explicit(&sh->frames, memory_order_acquire);
    lt_take *t = ltp_alloc(1, sizeof *t);
    if (t == NULL)
        return ltp_fail_nomem(err, "the take");
    ltp_live_figures f;
    t->xrun_count = ltp_live_counts(job, start_ns, &f);
    memcpy(t->xruns, sh->xruns, sizeof t->xruns);
    t->start_s = f.start_s;
    t->callback_worst_ms = f.callback_worst_ms;
    t->callback_share = f.callback_share;
    t->rate_hz = sh->rate_hz;
    t->channel_count = sh->channels;
    t->used = sh->used;
    t->complete = end == LTP_END_COMPLETE;
    t->all_zero = end == LTP_END_ZEROS || atomic_load(&sh->sound_seen) == 0;
    note_xruns(t);
    const lt_status st = split(job, (size_t)frames, t, err);
    if (st != LT_OK) {
        lt_take_free(t);
        return st;
    }
    *out = t;
    return LT_OK;
}

static float *as_float(const lt_signal *s)
{
    float *x = ltp_alloc(s->count, sizeof *x);
    for (size_t i = 0; x != NULL && i < s->count; i++)
        x[i] = (float)s->samples[i];
    return x;
}

lt_status lt_live_play_record(const lt_live_options *opt, const lt_signal *stimulus, double tail_s, lt_live_watch watch,
                              void *context, lt_take **out, lt_error *err)
{
    const uint64_t start_ns = ltp_now_ns();
    const unsigned most = opt->welcome_channels > opt->input_channels ? opt->welcome_channels : opt->input_channels;
    ltp_live_job job = {.opt = opt, .length_s = tail_s, .channels_most = most};
    float *played = NULL;
    *out = NULL;
    lt_status st = ltp_live_check(opt, err);
    if (st == LT_OK)
        st = check_stimulus(opt, stimulus, tail_s, err);
    if (st != LT_OK)
        return st;
    double rate_hz = opt->rate_hz > 0.0 ? opt->rate_hz : highest_rate_hz; /* the device's own is not known yet */
    if (stimulus != NULL) {
        job.stimulus = played = as_float(stimulus);
        job.stimulus_frames = stimulus->count;
        job.stimulus_rate_hz = rate_hz = stimulus->rate_hz;
        if (played == NULL)
            return ltp_fail_nomem(err, "the stimulus");
    }
    const double lead_s = stimulus != NULL ? LTP_LEAD_S + LTP_LEAD_SPARE_S : 0.0;
    st = ltp_live_map(&job, job.stimulus_frames + (size_t)ceil((tail_s + lead_s) * rate_hz * 1.001) + 1, err);
    if (st != LT_OK)
        goto done;
    take_sink sink = {.job = &job};
    const ltp_live_end end = ltp_live_run(&job, watch, context, next_frames, &sink);
    st = ltp_live_verdict(&job, end, err);
    if (end != LTP_END_REFUSED && atomic_load_explicit(&job.shared->frames, memory_order_acquire) > 0) {
        const lt_status made = make_take(&job, end, start_ns, out, err);
        st = st == LT_OK ? made : st;
    } else if (st == LT_OK) {
        st = ltp_fail(err, LT_E_IO, "%s: was stopped before anything was recorded",
                      job.shared->used.input[0] != '\0' ? job.shared->used.input : "the audio device");
    }
done:
    ltp_live_unmap(&job);
    ltp_free(played);
    return st;
}

void lt_take_free(lt_take *t)
{
    if (t == NULL)
        return;
    for (unsigned c = 0; c < LT_LIVE_CHANNELS_MAX; c++)
        lt_signal_free(t->channels[c]);
    ltp_free(t);
}
