/* SPDX-License-Identifier: MIT
 * Record to a 24-bit WAV as it comes: ring -> part file -> rename. Full scale = 1.0 = the largest code + 1. */
#define _DEFAULT_SOURCE

#include "audio/beside.h"
#include "audio/live.h"
#include "audio/sound_fd.h"
#include "base/alloc.h"

#include <errno.h>
#include <math.h>
#include <sndfile.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { BLOCK_FRAMES = 8192 };
static const double ring_s = 8.0; /* what the disk may be late */
static const double usual_rate_hz = 96000.0;
static const double header_s = 1.0;     /* between updates of the header */
static const unsigned sync_headers = 5; /* updates between flushes to the disk itself */

typedef struct {
    ltp_live_job *job;
    SNDFILE *file;
    int fd;
    uint64_t frames;    /* written */
    uint64_t at_header; /* frames at the last header */
    unsigned headers;
    uint32_t gaps_done;
    int cause; /* errno value of a failed write; 0 = none */
    float block[BLOCK_FRAMES * LT_LIVE_CHANNELS_MAX];
    int32_t codes[BLOCK_FRAMES * LT_LIVE_CHANNELS_MAX];
} file_sink;

static int32_t code_of(float x)
{
    const double code = round((double)x * 8388608.0); /* NaN: a broken driver; counts as silence */
    const double held = code > 8388607.0 ? 8388607.0 : code < -8388608.0 ? -8388608.0 : code;
    return isnan(held) ? 0 : (int32_t)held * 256; /* the file takes the upper 24 of 32 bits */
}

static bool write_block(file_sink *f, size_t frames)
{
    const unsigned channels = f->job->opt->input_channels;
    for (size_t i = 0; i < frames * channels; i++)
        f->codes[i] = code_of(f->block[i]);
    errno = 0;
    const sf_count_t n = sf_writef_int(f->file, f->codes, (sf_count_t)frames);
    if (n == (sf_count_t)frames) {
        f->frames += frames;
        return true;
    }
    f->cause = errno != 0 ? errno : ENOSPC;
    return false;
}

static void update_header(file_sink *f)
{
    if ((double)(f->frames - f->at_header) < header_s * f->job->shared->rate_hz)
        return;
    f->at_header = f->frames;
    (void)sf_command(f->file, SFC_UPDATE_HEADER_NOW, NULL, 0);
    if (++f->headers % sync_headers == 0)
        (void)fdatasync(f->fd);
}

/* The stream opens with the first frames; only then is the rate known. */
static bool open_file(file_sink *f)
{
    SF_INFO sf = {.samplerate = (int)lrint(f->job->shared->rate_hz),
                  .channels = (int)f->job->opt->input_channels,
                  .format = SF_FORMAT_RF64 | SF_FORMAT_PCM_24};
    errno = 0;
    f->file = ltp_sound_open_fd(f->fd, SFM_WRITE, &sf);
    if (f->file == NULL) {
        f->cause = errno != 0 ? errno : EIO;
        return false;
    }
    (void)sf_command(f->file, SFC_RF64_AUTO_DOWNGRADE, NULL, SF_TRUE); /* a plain WAV below 4 GiB */
    return true;
}

/* Frames up to the next gap, or silence for a gap. */
static size_t fill_block(file_sink *f)
{
    ltp_shared *sh = f->job->shared;
    const unsigned channels = f->job->opt->input_channels;
    size_t most = ltp_ring_filled(&sh->ring);
    const uint32_t gaps = atomic_load_explicit(&sh->gap_count, memory_order_acquire);
    most = most < BLOCK_FRAMES ? most : BLOCK_FRAMES;
    if (f->gaps_done < gaps) {
        ltp_gap *g = &sh->gaps[f->gaps_done];
        if (g->frame <= f->frames) {
            const uint64_t left = g->frame + g->length - f->frames;
            const size_t n = left < BLOCK_FRAMES ? (size_t)left : BLOCK_FRAMES;
            memset(f->block, 0, n * channels * sizeof f->block[0]);
            f->gaps_done += n == left;
            return n;
        }
        most = g->frame - f->frames < most ? (size_t)(g->frame - f->frames) : most;
    }
    return ltp_ring_read(&sh->ring, f->job->samples, f->block, most);
}

static size_t store(void *context, const float **newest, bool *bad)
{
    file_sink *f = context;
    *newest = f->block;
    if (f->cause != 0)
        return 0;
    const size_t n = fill_block(f);
    if (n > 0 && ((f->file == NULL && !open_file(f)) || !write_block(f, n)))
        *bad = true;
    else if (f->file != NULL)
        update_header(f);
    return f->cause == 0 ? n : 0;
}

/* Closes the sound file; a block that went down half way is cut off. */
static void close_file(file_sink *f)
{
    if (f->file == NULL)
        return;
    sf_count_t whole = (sf_count_t)f->frames;
    if (f->cause != 0)
        (void)sf_command(f->file, SFC_FILE_TRUNCATE, &whole, sizeof whole);
    errno = 0;
    if (sf_close(f->file) != 0 && f->cause == 0)
        f->cause = errno != 0 ? errno : EIO;
    f->file = NULL;
}

static lt_status check(const lt_live_options *opt, const char *path, lt_error *err)
{
    struct stat st;
    const lt_status status = ltp_live_check(opt, err);
    if (status != LT_OK)
        return status;
    if (lstat(path, &st) == 0)
        return ltp_fail(err, LT_E_ARG, "%s: is there already and a recording is never replaced; choose another name",
                        path);
    return LT_OK;
}

static size_t ring_frames(const lt_live_options *opt)
{
    const double wanted = ring_s * (opt->rate_hz > 0.0 ? opt->rate_hz : usual_rate_hz);
    size_t n = 1;
    while ((double)n < wanted)
        n *= 2;
    return n;
}

static void fill_result(const file_sink *f, ltp_live_end end, double seconds, uint64_t start_ns, lt_live_recorded *out)
{
    ltp_shared *sh = f->job->shared;
    ltp_live_figures g;
    out->xrun_count = ltp_live_counts(f->job, start_ns, &g);
    memcpy(out->xruns, sh->xruns, sizeof out->xruns);
    out->start_s = g.start_s;
    out->callback_worst_ms = g.callback_worst_ms;
    out->callback_share = g.callback_share;
    out->frames = f->frames;
    out->rate_hz = sh->rate_hz;
    out->used = sh->used;
    out->dropped_frames = atomic_load(&sh->dropped);
    out->complete = end == LTP_END_COMPLETE || (end == LTP_END_STOPPED && seconds <= 0.0);
    out->all_zero = end == LTP_END_ZEROS || atomic_load(&sh->sound_seen) == 0;
}

/* What is there is kept under its name, whatever ended the recording. */
static lt_status keep(file_sink *f, ltp_beside *b, ltp_live_end end, const char *path, lt_live_recorded *out,
                      lt_error *err)
{
    lt_error why = {0};
    lt_status st = f->cause != 0 ? ltp_beside_failed(b, f->cause, &why) : ltp_live_verdict(f->job, end, &why);
    if (f->frames == 0 || (st != LT_OK && f->job->shared->rate_hz <= 0.0)) {
        if (st == LT_OK)
            st = ltp_fail(&why, LT_E_IO, "%s: was stopped before anything was recorded", path);
        return ltp_fail(err, st, "%s", why.what);
    }
    const lt_status kept = ltp_beside_commit(b, err);
    if (kept != LT_OK || st == LT_OK)
        return kept;
    (void)snprintf(out->why, sizeof out->why, "%s", why.what);
    return ltp_fail(err, st, "%.360s; the %.1f s recorded until then are kept in %s", why.what,
                    (double)f->frames / f->job->shared->rate_hz, path);
}

lt_status lt_live_record_file(const lt_live_options *opt, const char *path, double seconds, lt_live_watch watch,
                              void *context, lt_live_recorded *out, lt_error *err)
{
    const uint64_t start_ns = ltp_now_ns();
    ltp_live_job job = {.opt = opt, .length_s = seconds, .to_ring = true, .channels_most = opt->input_channels};
    ltp_beside b = {.fd = -1};
    memset(out, 0, sizeof *out);
    lt_status st = check(opt, path, err);
    if (st != LT_OK)
        return st;
    file_sink *f = ltp_alloc(1, sizeof *f);
    if (f == NULL)
        return ltp_fail_nomem(err, path);
    st = ltp_beside_open(path, &b, err);
    if (st == LT_OK)
        st = ltp_live_map(&job, ring_frames(opt), err);
    if (st != LT_OK)
        goto done;
    ltp_ring_init(&job.shared->ring, job.capacity_frames, opt->input_channels);
    f->job = &job;
    f->fd = b.fd;
    const ltp_live_end end = ltp_live_run(&job, watch, context, store, f);
    close_file(f);
    fill_result(f, end, seconds, start_ns, out);
    out->complete = out->complete && f->cause == 0;
    st = keep(f, &b, end, path, out, err);
done:
    ltp_beside_abandon(&b);
    ltp_live_unmap(&job);
    ltp_free(f);
    return st;
}
