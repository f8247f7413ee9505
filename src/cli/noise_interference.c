/* SPDX-License-Identifier: MIT
 * The second look at a long recording: whine and burst buzz where the screen has a suspicion, and since when the hum is
 * there if there is one. */
#include "noise_interference.h"

#include "base/alloc.h"

#include <math.h>

enum { BLOCK_FRAMES = 32768 };

typedef struct {
    const char *path;
    unsigned channel;
    double cal_db, mains_hz, burst_s; /* what is known from before */
    double *block;                    /* [BLOCK_FRAMES] */
    double seconds, heard_s;          /* altogether and so far, of all parts */
    cli_progress_state progress;
} listener;

/* Goes on `frames` later; what cannot be skipped is read. */
static lt_status go_to(lt_audio_reader *reader, const listener *l, uint64_t frames, lt_error *err)
{
    size_t got = BLOCK_FRAMES;
    lt_status st = frames == 0 ? LT_OK : lt_audio_skip(reader, frames, NULL);
    if (st != LT_E_IO)
        return st == LT_OK ? LT_OK : ltp_fail(err, st, "%s: it became shorter while it was measured", l->path);
    for (st = LT_OK; frames > 0 && got > 0 && st == LT_OK; frames -= got)
        st = lt_audio_read(reader, l->channel, l->block, frames < BLOCK_FRAMES ? (size_t)frames : BLOCK_FRAMES, &got,
                           err);
    return st;
}

static lt_status hear(lt_audio_reader *reader, listener *l, uint64_t frames, lt_interference *detectors, lt_error *err)
{
    const double rate_hz = lt_audio_reader_info(reader)->rate_hz;
    lt_status st = LT_OK;
    for (size_t got = 1; frames > 0 && got > 0; frames -= got) {
        st = lt_audio_read(reader, l->channel, l->block, frames < BLOCK_FRAMES ? (size_t)frames : BLOCK_FRAMES, &got,
                           err);
        if (st != LT_OK)
            return st;
        lt_interference_push(detectors, l->block, got);
        l->heard_s += (double)got / rate_hz;
        cli_progress(&l->progress, "interference", l->heard_s / l->seconds);
    }
    return st;
}

/* One part of the recording through the detectors of `seek`. */
static lt_status listen(listener *l, lt_suspect part, unsigned seek, lt_interference_result *out, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    lt_interference *detectors = NULL;
    lt_status st = lt_audio_open(l->path, &reader, err);
    if (st != LT_OK)
        return st;
    const double rate_hz = lt_audio_reader_info(reader)->rate_hz;
    const uint64_t from = (uint64_t)floor(part.from_s * rate_hz), to = (uint64_t)ceil(part.to_s * rate_hz);
    st = go_to(reader, l, from, err);
    if (st == LT_OK)
        st = lt_interference_create(rate_hz, l->cal_db, seek, &detectors, err);
    if (st == LT_OK)
        st = hear(reader, l, to - from, detectors, err);
    if (st == LT_OK)
        st = lt_interference_finish(detectors, l->mains_hz, l->burst_s, out, err);
    lt_interference_free(detectors);
    lt_audio_close(reader);
    return st;
}

static lt_status listen_to_all(listener *l, const lt_suspects *list, unsigned seek, lt_interference_result *all,
                               lt_error *err)
{
    lt_status st = LT_OK;
    for (size_t i = 0; i < list->count && st == LT_OK; i++) {
        lt_interference_result part;
        st = listen(l, list->items[i], seek, &part, err);
        if (st == LT_OK)
            lt_interference_add(all, &part, list->items[i].from_s);
    }
    return st;
}

static double length_s(const lt_suspects *list)
{
    double sum = 0.0;
    for (size_t i = 0; i < list->count; i++)
        sum += list->items[i].to_s - list->items[i].from_s;
    return sum;
}

lt_status cli_listen_again(const char *path, unsigned channel, double cal_db, const lt_levels *levels,
                           const lt_screened *screened, lt_interference_result *out, lt_error *err)
{
    listener l = {.path = path, .channel = channel, .cal_db = cal_db, .mains_hz = NAN};
    l.seconds = length_s(&screened->whine) + length_s(&screened->burst) + (levels->hum ? levels->seconds : 0.0);
    *out = lt_interference_screened(screened, levels->seconds);
    l.block = ltp_alloc(BLOCK_FRAMES, sizeof *l.block);
    if (l.block == NULL)
        return ltp_fail_nomem(err, "block of samples");
    l.progress = cli_progress_start();
    lt_status st = LT_OK;
    if (levels->hum) {
        lt_interference_result hum;
        st = listen(&l, (lt_suspect){0.0, levels->seconds}, LT_SEEK_HUM, &hum, err);
        if (st == LT_OK) {
            out->hum_from_s = hum.hum_from_s;
            out->mains_exact_hz = l.mains_hz = hum.mains_exact_hz;
        }
    }
    if (st == LT_OK) /* first, as its comb is no whine */
        st = listen_to_all(&l, &screened->burst, LT_SEEK_BURST, out, err);
    l.burst_s = out->burst_s;
    if (st == LT_OK)
        st = listen_to_all(&l, &screened->whine, LT_SEEK_WHINE, out, err);
    cli_progress_end(&l.progress);
    ltp_free(l.block);
    return st;
}
