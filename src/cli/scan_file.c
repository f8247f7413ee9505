/* SPDX-License-Identifier: MIT
 * One file through the detectors: each channel by itself, then the first two against each other. Constant memory,
 * unless a stimulus is given: that needs the channel as a whole. */
#include "scan.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { BLOCK_FRAMES = 16384, CHANNELS_MAX = 64 };

static lt_status feed(lt_audio_reader *reader, unsigned channel, lt_fault_scan *scan, uint64_t *frames, lt_error *err)
{
    double *block = ltp_alloc(BLOCK_FRAMES, sizeof *block);
    lt_status status = block != NULL ? LT_OK : ltp_fail_nomem(err, "block of samples");
    size_t got = BLOCK_FRAMES;
    *frames = 0;
    while (status == LT_OK && got == BLOCK_FRAMES) {
        status = lt_audio_read(reader, channel, block, BLOCK_FRAMES, &got, err);
        if (status != LT_OK)
            break;
        lt_fault_scan_push(scan, block, got);
        *frames += got;
    }
    ltp_free(block);
    return status;
}

static lt_status scan_channel(const char *path, unsigned channel, lt_scanned *out, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    lt_fault_scan *scan = NULL;
    uint64_t frames = 0;
    lt_status status = lt_audio_open(path, &reader, err);
    if (status == LT_OK) {
        out->info = *lt_audio_reader_info(reader);
        if (out->info.channels > CHANNELS_MAX)
            status = ltp_fail(err, LT_E_ARG, "%s: %u channels; at most %d are scanned, split the file", path,
                              out->info.channels, CHANNELS_MAX);
    }
    if (status == LT_OK)
        status = lt_fault_scan_create(out->info.rate_hz, channel + 1, &scan, err);
    if (status == LT_OK)
        status = feed(reader, channel, scan, &frames, err);
    if (status == LT_OK && frames == 0)
        status = ltp_fail(err, LT_E_ARG, "%s: the file holds no sound, not even one frame; record again", path);
    if (status == LT_OK)
        status = lt_fault_scan_finish(scan, &out->faults, err);
    if (status == LT_OK) {
        out->seconds = (double)frames / out->info.rate_hz;
        out->info = *lt_audio_reader_info(reader); /* that it is cut off shows at the end */
        if (channel == 0)
            out->history_count = lt_fault_scan_history(scan, out->history_db, &out->history_step_s);
    }
    lt_fault_scan_free(scan);
    lt_audio_close(reader);
    return status;
}

static lt_status feed_pair(lt_audio_reader *const reader[2], lt_pair_scan *pair, lt_error *err)
{
    double *block = ltp_alloc((size_t)2 * BLOCK_FRAMES, sizeof *block);
    lt_status status = block != NULL ? LT_OK : ltp_fail_nomem(err, "block of samples");
    size_t got[2] = {BLOCK_FRAMES, BLOCK_FRAMES};
    while (status == LT_OK && got[0] == BLOCK_FRAMES && got[1] == BLOCK_FRAMES) {
        for (unsigned c = 0; c < 2 && status == LT_OK; c++)
            status = lt_audio_read(reader[c], c, block + (size_t)c * BLOCK_FRAMES, BLOCK_FRAMES, &got[c], err);
        if (status == LT_OK)
            lt_pair_scan_push(pair, block, block + BLOCK_FRAMES, got[0] < got[1] ? got[0] : got[1]);
    }
    ltp_free(block);
    return status;
}

static lt_status scan_pair(const char *path, lt_scanned *out, lt_error *err)
{
    lt_audio_reader *reader[2] = {NULL, NULL};
    lt_pair_scan *pair = NULL;
    lt_status status = lt_audio_open(path, &reader[0], err);
    if (status == LT_OK)
        status = lt_audio_open(path, &reader[1], err);
    if (status == LT_OK)
        status = lt_pair_scan_create(out->info.rate_hz, 1, 2, &pair, err);
    if (status == LT_OK)
        status = feed_pair(reader, pair, err);
    if (status == LT_OK)
        lt_pair_scan_finish(pair, &out->faults);
    lt_pair_scan_free(pair);
    lt_audio_close(reader[0]);
    lt_audio_close(reader[1]);
    return status;
}

void scan_file(const char *path, const lt_signal *stimulus, lt_scanned *out, char why[SCAN_WHY_BYTES])
{
    lt_error err = {0};
    memset(out, 0, sizeof *out);
    out->path = path;
    out->info.channels = 1;
    lt_status status = LT_OK;
    for (unsigned c = 0; c < out->info.channels && status == LT_OK; c++)
        status = scan_channel(path, c, out, &err);
    if (status == LT_OK && out->info.channels >= 2)
        status = scan_pair(path, out, &err);
    const bool readable = status == LT_OK;
    if (readable && stimulus != NULL)
        status = scan_with_stimulus(path, stimulus, out, &err);
    lt_faults_sort(&out->faults);
    if (status == LT_OK)
        return;
    cli_name_file(&err, path);
    const size_t length = strlen(err.what) < SCAN_WHY_BYTES - 1 ? strlen(err.what) : SCAN_WHY_BYTES - 1;
    memcpy(why, err.what, length);
    why[length] = '\0';
    if (readable) {
        out->doubt = why;
        return;
    }
    out->failure = why;
    out->seconds = NAN;
    out->info.channels = 0;
    out->faults.count = 0;
}
