/* SPDX-License-Identifier: MIT
 * lanetune sti: Speech Transmission Index from an impulse response or from a recording of STIPA. */
#include "cli.h"

#include "bands_csv.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const cli_option options[] = {
    {"ir", CLI_TEXT, "IR.wav", "impulse response of the path", NULL, 0, 0, NULL},
    {"stipa", CLI_TEXT, "REC.wav", "recording of the STIPA signal through the path", NULL, 0, 0, NULL},
    {"snr-db", CLI_NUMBER, "DB", "signal-to-noise ratio, one figure for all bands", "no noise", -100, 200, NULL},
    {"levels", CLI_TEXT, "BANDS.csv", "octave band levels of speech and noise, dB SPL", NULL, 0, 0, NULL},
    {"cal-db", CLI_NUMBER, "DB", "with --stipa: sound pressure level that reads 0 dBFS", NULL, -100, 300, NULL},
    {"voice", CLI_CHOICE, "VOICE", "weights of the bands (female: edition 4)", "male", 0, 0, "male|female"},
    {"channel", CLI_COUNT, "N", "channel of the file, counted from 1", "the first", 1, 1024, NULL},
    CLI_CHART_OPTION,
};

enum { SPEECH, NOISE, COLUMNS };

static lt_status load_levels(cli_args *a, lt_sti_levels *out, lt_error *err)
{
    static const bands_csv_column columns[COLUMNS] = {
        [SPEECH] = {"speech_db", BANDS_CSV_NEEDED},
        [NOISE] = {"noise_db", BANDS_CSV_NEEDED},
    };
    double hz[LT_STI_BANDS];
    bands_csv bands;
    for (size_t i = 0; i < LT_STI_BANDS; i++)
        hz[i] = lt_sti_band_hz(i);
    const bands_csv_format format = {
        .procedure = "STI", .hz = hz, .band_count = LT_STI_BANDS, .columns = columns, .column_count = COLUMNS};
    const lt_status status = bands_csv_load(a, cli_text(a, "levels", NULL), &format, &bands, err);
    if (status == LT_OK) {
        memcpy(out->speech_db, bands.value[SPEECH], sizeof out->speech_db);
        memcpy(out->noise_db, bands.value[NOISE], sizeof out->noise_db);
    }
    return status;
}

static lt_status measure(cli_args *a, const char *path, const lt_sti_options *opt, lt_sti_result *r, lt_error *err)
{
    lt_signal *s = NULL;
    lt_ir *ir = NULL;
    lt_status status = cli_load(a, path, "channel", &s, err);
    if (status == LT_OK && cli_given(a, "stipa"))
        status = lt_stipa_measure(s, opt, cli_number(a, "cal-db", (double)NAN), r, err);
    else if (status == LT_OK) {
        status = lt_ir_from_signal(s, &ir, err);
        if (status == LT_OK)
            status = lt_sti_from_ir(ir, opt, r, err);
    }
    cli_name_file(err, path);
    lt_ir_free(ir);
    lt_signal_free(s);
    return status;
}

static void add_notes(cli_args *a, bool stipa)
{
    const bool levels = cli_given(a, "levels") || cli_given(a, "cal-db");
    if (!stipa)
        lt_notes_add(&a->notes, "linear-only",
                     "An impulse response shows the path at one moment and one level: voice switching, automatic gain, "
                     "limiters, noise suppression and clipping are not in this STI. With such equipment measure STIPA "
                     "through it while it works.");
    if (!stipa && !cli_given(a, "snr-db") && !levels)
        lt_notes_add(&a->notes, "no-noise", "No noise is counted: give --snr-db or --levels for the lane's own.");
    if (!levels)
        lt_notes_add(&a->notes, "no-levels",
                     "No sound pressure level is known, so neither auditory masking nor the reception threshold is "
                     "counted.");
}

static int check_usage(const cli_args *a)
{
    if (cli_given(a, "ir") == cli_given(a, "stipa"))
        return cli_usage(a->command, "give one of --ir IR.wav and --stipa REC.wav");
    if (cli_given(a, "snr-db") && cli_given(a, "levels"))
        return cli_usage(a->command, "give one of --snr-db and --levels");
    if (cli_given(a, "cal-db") && cli_given(a, "ir"))
        return cli_usage(a->command, "--cal-db belongs to --stipa; give --levels with --ir");
    if (cli_given(a, "cal-db") && (cli_given(a, "snr-db") || cli_given(a, "levels")))
        return cli_usage(a->command, "with --cal-db the recording gives the levels; leave --snr-db and --levels out");
    return CLI_DONE;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_sti(what, opt, format, out, bytes, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_sti_levels levels;
    lt_sti_options opt = lt_sti_default_options();
    char *text = NULL;
    const bool stipa = cli_given(a, "stipa");
    const char *path = cli_text(a, stipa ? "stipa" : "ir", "");
    const int rc = check_usage(a);
    if (rc != CLI_DONE)
        return rc;
    lt_sti_result *r = ltp_alloc(1, sizeof *r);
    lt_status status = r != NULL ? LT_OK : ltp_fail_nomem(&err, "STI");
    (void)lt_sti_voice_from_name(cli_text(a, "voice", "male"), &opt.voice);
    opt.snr_db = cli_number(a, "snr-db", (double)NAN);
    if (status == LT_OK && cli_given(a, "levels")) {
        status = load_levels(a, &levels, &err);
        opt.levels = &levels;
    }
    if (status == LT_OK)
        status = measure(a, path, &opt, r, &err);
    add_notes(a, stipa);
    if (status == LT_OK)
        status = cli_save_figure(a, draw, r, &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, &path, 1);
        status = lt_json_sti(&head, r, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_sti(r, path, &text, &err);
    }
    ltp_free(r);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_sti = {
    .name = "sti",
    .words = "",
    .summary = "Speech Transmission Index (IEC 60268-16) from a response or STIPA",
    .about =
        "Full STI from an impulse response (lanetune response --ir), or STIPA from a recording of lanetune stimulus "
        "stipa that was played through the path. BANDS.csv has the columns hz,speech_db,noise_db and one line for each "
        "octave from 125 Hz to 8 kHz; with it, auditory masking and the reception threshold count too. The bands of a "
        "STIPA recording hold the noise that was there; with --snr-db or --levels the recording counts as made in "
        "quiet.\n"
        "Voice switching, automatic gain, limiters and noise suppression make an STI from an impulse response "
        "meaningless, and may treat STIPA otherwise than speech: switch them off, or trust a talk test.\n"
        "The index runs from 0 to 1: 0.6 and more is good, under 0.45 is poor.",
    .example = "lanetune sti --ir lane.wav --snr-db 12\n"
               "lanetune sti --stipa recording.wav --cal-db 118\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 0,
    .run = run,
};
