/* SPDX-License-Identifier: MIT
 * lanetune noise: levels, percentiles, bands and hum of a recording, block by block in constant memory. */
#include "cli.h"

#include "base/alloc.h"
#include "levels.h"
#include "noise_history.h"
#include "noise_interference.h"

#include <math.h>

static const cli_option options[] = {
    {"cal-db", CLI_NUMBER, "DB", "sound pressure level that reads 0 dBFS", "none: results in dBFS", -100, 300, NULL},
    {"channel", CLI_COUNT, "N", "channel, counted from 1", "the first", 1, 1024, NULL},
    {"interference", CLI_FLAG, NULL, "also whine, burst buzz and wind", NULL, 0, 0, NULL},
    {"history", CLI_TEXT, "FILE.csv", "write levels and bands of each interval", NULL, 0, 0, NULL},
    {"interval", CLI_TEXT, "TIME", "length of an interval: 125ms, 1s, 1m, 1h", "1s", 0, 0, NULL},
    {"force", CLI_FLAG, NULL, "replace FILE.csv", NULL, 0, 0, NULL},
    {"octaves", CLI_FLAG, NULL, "octave bands in the text as well (JSON always has them)", NULL, 0, 0, NULL},
    {"percentiles", CLI_FLAG, NULL, "with --json: L1 to L99, of each band too", NULL, 0, 0, NULL},
    {"event-rise", CLI_NUMBER, "DB", "a pass-by rises so far above the background", "10", 4, 60, NULL},
    {"speech-dba", CLI_NUMBER, "DB", "speech at the ear that the noise may mask, dB(A)", "67, a raised voice at 1 m",
     20, 120, NULL},
    CLI_CHART_OPTION,
};

static const double speech_dba = 67.0;       /* ANSI S3.5, raised effort, 68.3 dB overall: about 67 dB(A) */
static const double screened_from_s = 600.0; /* a longer recording is screened before the detectors listen */
static const double least_sii = 0.45;        /* ANSI S3.5: under it, communication is poor */

typedef struct {
    lt_levels levels;
    lt_traffic *finder;
    lt_traffic_result traffic;
    lt_nc nc;
    lt_level_more more;
    cli_history history;
    lt_interference *other; /* NULL: not asked for, or screened first */
    lt_interference_result interference;
} noise_job;

static void push_traffic(void *context, const lt_level_row *row)
{
    noise_job *job = context;
    lt_traffic_push(job->finder, row, &job->traffic);
}

/* Share of the time that the noise, with the spectrum it has on average, is too loud for the speech. */
static lt_status find_masking(const cli_args *a, const lt_level_meter *meter, noise_job *job, lt_error *err)
{
    lt_level_more *more = &job->more;
    double speech[LT_SPEECH_BANDS], noise[LT_SPEECH_BANDS];
    double offset_db = NAN;
    lt_noise_spectrum(&job->levels, LT_NOISE_LEQ, 0.0, noise);
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        if (isnan(noise[i]))
            return LT_OK; /* the recording does not reach up to 8 kHz */
    more->sii = least_sii;
    more->speech_dba = cli_number(a, "speech-dba", speech_dba);
    lt_speech_shape(LT_EFFORT_NORMAL, 0.0, speech);
    const double shift_db = more->speech_dba - lt_speech_dba(speech);
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        speech[i] += shift_db;
    const lt_status status = lt_sii_noise_limit(speech, noise, least_sii, &offset_db, err);
    if (status == LT_OK && lt_is_known(offset_db) && lt_is_known(job->levels.laeq_db)) {
        more->limit_dba = job->levels.laeq_db + offset_db;
        more->share_percent = 100.0 * lt_level_meter_share_above(meter, more->limit_dba);
    }
    return status;
}

static void rate_nc(noise_job *job)
{
    double octave_db[LT_NC_BANDS];
    if (job->levels.octave_count < LT_NC_BANDS)
        return;
    for (size_t i = 0; i < LT_NC_BANDS; i++)
        octave_db[i] = job->levels.octaves[i].leq_db;
    if (lt_nc_rate(octave_db, &job->nc))
        job->more.nc = &job->nc;
}

static lt_status watch(cli_args *a, lt_level_meter *meter, noise_job *job, lt_error *err)
{
    const char *path = cli_text(a, "history", NULL);
    double interval_s = 1.0;
    lt_status status = lt_traffic_create(cli_number(a, "event-rise", 10.0), &job->finder, err);
    if (status == LT_OK)
        status = lt_level_meter_watch(meter, LT_TRAFFIC_STEP_S, false, push_traffic, job, err);
    if (status != LT_OK || path == NULL)
        return status;
    (void)cli_parse_interval(cli_text(a, "interval", "1s"), &interval_s); /* checked before */
    status = cli_may_write(a, path, err);
    if (status == LT_OK && cli_same_file(path, a->words[0]))
        status = ltp_fail(err, LT_E_ARG, "%s: the history would replace the recording; give another name", path);
    if (status == LT_OK)
        status = lt_level_meter_watch(meter, interval_s, true, cli_history_row, &job->history, err);
    if (status == LT_OK)
        status = cli_history_open(&job->history, path, err);
    return status;
}

static lt_status conclude(const cli_args *a, const lt_level_meter *meter, noise_job *job, lt_error *err)
{
    lt_traffic_finish(job->finder, &job->traffic);
    job->more.traffic = &job->traffic;
    job->more.percentiles = cli_flag(a, "percentiles");
    job->more.share_percent = NAN;
    if (!cli_given(a, "cal-db"))
        return LT_OK;
    rate_nc(job);
    return find_masking(a, meter, job, err);
}

/* Whether a recording is long enough to be screened for interference instead of heard whole. */
static bool is_long(const lt_audio_info *info)
{
    return (double)info->frames > screened_from_s * info->rate_hz;
}

static lt_status seek_interference(const cli_args *a, const lt_audio_info *info, lt_level_meter *meter, noise_job *job,
                                   lt_error *err)
{
    if (!cli_flag(a, "interference"))
        return LT_OK;
    return is_long(info)
               ? lt_level_meter_screen(meter, err)
               : lt_interference_create(info->rate_hz, cli_number(a, "cal-db", 0.0), LT_SEEK_ALL, &job->other, err);
}

static lt_status conclude_interference(const cli_args *a, unsigned channel, const lt_level_meter *meter, noise_job *job,
                                       lt_error *err)
{
    if (!cli_flag(a, "interference"))
        return LT_OK;
    job->levels.interference = &job->interference;
    if (job->other != NULL)
        return lt_interference_finish(job->other, NAN, 0.0, &job->interference, err);
    lt_screened *screened = ltp_alloc(1, sizeof *screened);
    if (screened == NULL)
        return ltp_fail_nomem(err, "the search for interference");
    lt_level_meter_screened(meter, screened);
    const lt_status status = cli_listen_again(a->words[0], channel, cli_number(a, "cal-db", 0.0), &job->levels,
                                              screened, &job->interference, err);
    ltp_free(screened);
    return status;
}

/* What is opened here is closed by measure(). */
static lt_status run_meter(cli_args *a, noise_job *job, lt_audio_reader *reader, lt_level_meter **meter, lt_error *err)
{
    const lt_audio_info *info = lt_audio_reader_info(reader);
    const char *path = a->words[0];
    unsigned channel = 0;
    lt_status status = cli_channel_of(a, path, "channel", info, &channel, err);
    if (status == LT_OK)
        status = lt_level_meter_create(info->rate_hz, cli_number(a, "cal-db", 0.0), meter, err);
    if (status == LT_OK)
        status = watch(a, *meter, job, err);
    if (status == LT_OK)
        status = seek_interference(a, info, *meter, job, err);
    if (status == LT_OK)
        status = cli_feed_levels(reader, channel, *meter, job->other, err);
    if (status == LT_OK)
        lt_audio_note(path, info, &a->notes);
    if (status == LT_OK)
        status = lt_level_meter_finish(*meter, &job->levels, err);
    if (status == LT_OK)
        status = conclude(a, *meter, job, err);
    if (status == LT_OK)
        status = conclude_interference(a, channel, *meter, job, err);
    return status;
}

static lt_status measure(cli_args *a, noise_job *job, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    lt_level_meter *meter = NULL;
    const char *path = a->words[0];
    lt_status status = lt_audio_open(path, &reader, err);
    if (status == LT_OK)
        status = run_meter(a, job, reader, &meter, err);
    lt_interference_free(job->other);
    lt_error closing = {0};
    const lt_status closed = cli_history_close(&job->history, status == LT_OK, &closing);
    if (status == LT_OK && closed != LT_OK)
        status = ltp_fail(err, closed, "%s", closing.what);
    else
        cli_name_file(err, path);
    lt_traffic_free(job->finder);
    lt_level_meter_free(meter);
    lt_audio_close(reader);
    return status;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_noise(what, opt, format, out, bytes, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    const bool calibrated = cli_given(a, "cal-db");
    double interval_s = 0.0;
    char *text = NULL;
    const char *interval = cli_text(a, "interval", "1s");
    if (!cli_parse_interval(interval, &interval_s) || interval_s < 0.02 || interval_s > 86400.0)
        return cli_usage(a->command, "--interval %s: give a time from 20ms to 24h, such as 125ms, 1s, 1m", interval);
    noise_job *job = ltp_alloc(1, sizeof *job);
    lt_status status = job != NULL ? measure(a, job, &err) : ltp_fail_nomem(&err, "levels");
    if (!calibrated)
        lt_notes_add(&a->notes, "uncalibrated", "no --cal-db, so levels are dBFS and no sound pressure levels");
    if (status == LT_OK) {
        const lt_noise_figure figure = {&job->levels, &job->more, calibrated};
        status = cli_save_figure(a, draw, &figure, &err);
    }
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        status = lt_json_noise(&head, &job->levels, &job->more, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_noise(&job->levels, a->words[0], calibrated, cli_flag(a, "octaves"), &job->more, &text, &err);
    }
    ltp_free(job);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_noise = {
    .name = "noise",
    .words = "REC.wav",
    .summary = "sound levels, percentiles, bands and mains hum of a recording",
    .about =
        "Measures the whole file: A- and C-weighted equivalent levels, maxima, the C-weighted peak, sound exposure, "
        "the "
        "levels exceeded 10, 50 and 90 % of the time, one-third-octave bands, lines of mains hum, vehicles that pass, "
        "and the busiest hour. --cal-db gives sound pressure levels: record a calibrator of 94 dB, read its level in "
        "dBFS, and give 94 minus that reading. With it, the noise criterion (NC) and the share of the time that the "
        "noise makes speech poor are given too.",
    .example = "lanetune noise lane-noise.wav --cal-db 118.5\n"
               "lanetune noise night.w64 --cal-db 118.5 --interval 1m --history night.csv\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
