/* SPDX-License-Identifier: MIT
 * A recording of any length through the level meter, block by block in constant memory. */
#include "levels.h"

#include "base/alloc.h"

enum { BLOCK_FRAMES = 32768 };

lt_status cli_feed_levels(lt_audio_reader *reader, unsigned channel, lt_level_meter *meter, lt_interference *other,
                          lt_error *err)
{
    const lt_audio_info *info = lt_audio_reader_info(reader);
    cli_progress_state progress = cli_progress_start();
    double *block = ltp_alloc(BLOCK_FRAMES, sizeof *block);
    lt_status status = block != NULL ? LT_OK : ltp_fail_nomem(err, "block of samples");
    uint64_t done = 0;
    size_t got = BLOCK_FRAMES;
    while (status == LT_OK && got == BLOCK_FRAMES) {
        status = lt_audio_read(reader, channel, block, BLOCK_FRAMES, &got, err);
        if (status != LT_OK)
            break;
        lt_level_meter_push(meter, block, got);
        if (other != NULL)
            lt_interference_push(other, block, got);
        done += got;
        if (info->frames > 0)
            cli_progress(&progress, "levels", (double)done / (double)info->frames);
    }
    cli_progress_end(&progress);
    ltp_free(block);
    return status;
}

lt_status cli_channel_of(cli_args *a, const char *path, const char *channel_option, const lt_audio_info *info,
                         unsigned *channel, lt_error *err)
{
    *channel = cli_channel(a, path, channel_option, info->channels);
    if (*channel < info->channels)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s: has %u channel%s, so there is no channel %u; give --%s 1 to %u", path,
                    info->channels, info->channels == 1 ? "" : "s", *channel + 1, channel_option, info->channels);
}
