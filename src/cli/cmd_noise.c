/* SPDX-License-Identifier: MIT
 * lanetune noise: levels, percentiles, bands and hum of a recording, block by block in constant memory. */
#include "cli.h"

#include "base/alloc.h"

enum { BLOCK_FRAMES = 32768 };

static const cli_option options[] = {
    {"cal-db", CLI_NUMBER, "DB", "sound pressure level that reads 0 dBFS", "none: results in dBFS", -100, 300, NULL},
    {"channel", CLI_COUNT, "N", "channel, counted from 1", "the first", 1, 1024, NULL},
};

static lt_status feed(lt_audio_reader *reader, unsigned channel, lt_level_meter *meter, lt_error *err)
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
        done += got;
        if (info->frames > 0)
            cli_progress(&progress, "levels", (double)done / (double)info->frames);
    }
    cli_progress_end(&progress);
    ltp_free(block);
    return status;
}

static lt_status measure(cli_args *a, lt_levels *levels, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    lt_level_meter *meter = NULL;
    const char *path = a->words[0];
    lt_status status = lt_audio_open(path, &reader, err);
    if (status == LT_OK) {
        const lt_audio_info *info = lt_audio_reader_info(reader);
        const unsigned channel = cli_channel(a, path, "channel", info->channels);
        if (channel >= info->channels)
            status = ltp_fail(err, LT_E_ARG, "%s: has %u channel%s, so there is no channel %u; give --channel 1 to %u",
                              path, info->channels, info->channels == 1 ? "" : "s", channel + 1, info->channels);
        if (status == LT_OK)
            status = lt_level_meter_create(info->rate_hz, cli_number(a, "cal-db", 0.0), &meter, err);
        if (status == LT_OK)
            status = feed(reader, channel, meter, err);
        if (status == LT_OK)
            status = lt_level_meter_finish(meter, levels, err);
    }
    lt_level_meter_free(meter);
    lt_audio_close(reader);
    cli_name_file(err, path);
    return status;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    const bool calibrated = cli_given(a, "cal-db");
    char *text = NULL;
    lt_levels *levels = ltp_alloc(1, sizeof *levels);
    lt_status status = levels != NULL ? measure(a, levels, &err) : ltp_fail_nomem(&err, "levels");
    if (!calibrated)
        lt_notes_add(&a->notes, "uncalibrated", "no --cal-db, so levels are dBFS and no sound pressure levels");
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        status = lt_json_levels(&head, levels, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_levels(levels, a->words[0], calibrated, &text, &err);
    }
    ltp_free(levels);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_noise = {
    .name = "noise",
    .words = "REC.wav",
    .summary = "sound levels, percentiles, bands and mains hum of a recording",
    .about =
        "Measures the whole file: A- and C-weighted equivalent levels, the Fast maximum, the levels exceeded 10, 50 "
        "and 90 % of the time, one-third-octave bands, and lines of mains hum. --cal-db gives sound pressure levels: "
        "record a calibrator of 94 dB, read its level in dBFS, and give 94 minus that reading.",
    .example = "lanetune noise lane-noise.wav --cal-db 118.5\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
