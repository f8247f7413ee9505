/* SPDX-License-Identifier: MIT
 * lanetune sii: Speech Intelligibility Index from band values. */
#include "cli.h"

#include "bands_csv.h"

#include "base/alloc.h"

#include <string.h>

static const cli_option options[] = {
    {"method", CLI_CHOICE, "METHOD", "procedure of ANSI S3.5", "third-octave", 0, 0,
     "third-octave|octave|critical|equal-critical"},
    {"importance", CLI_CHOICE, "TEXT", "speech material that the importance of bands is for", "average", 0, 0,
     "average|nonsense|cid-w22|nu-6|drt|short-passages|spin"},
    {"speech", CLI_CHOICE, "EFFORT", "standard speech instead of the column speech_db", NULL, 0, 0,
     "normal|raised|loud|shout"},
};

/* Columns of the table, in the order of bands_csv.value. */
enum { SPEECH, NOISE, THRESHOLD, COLUMNS };

static lt_status load_bands(cli_args *a, const char *path, lt_sii_method method, bool standard_speech, bands_csv *out,
                            lt_error *err)
{
    const bands_csv_column columns[COLUMNS] = {
        [SPEECH] = {"speech_db", standard_speech ? BANDS_CSV_IGNORED : BANDS_CSV_NEEDED},
        [NOISE] = {"noise_db", BANDS_CSV_NEEDED},
        [THRESHOLD] = {"threshold_db", BANDS_CSV_OPTIONAL},
    };
    char procedure[64];
    double hz[LT_SII_BANDS_MAX];
    (void)snprintf(procedure, sizeof procedure, "%s procedure", lt_sii_method_name(method));
    for (size_t i = 0; i < lt_sii_band_count(method); i++)
        hz[i] = lt_sii_band_at(method, i).hz;
    const bands_csv_format format = {.procedure = procedure,
                                     .hz = hz,
                                     .band_count = lt_sii_band_count(method),
                                     .columns = columns,
                                     .column_count = COLUMNS};
    return bands_csv_load(a, path, &format, out, err);
}

static lt_status print(cli_args *a, const char *input, lt_sii_method method, const lt_sii_result *r, char **text,
                       lt_error *err)
{
    if (!a->json)
        return lt_text_sii(r, text, err);
    const lt_json_head head = cli_json_head(a, &input, 1);
    return lt_json_sii(&head, method, r, text, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_sii_method method = LT_SII_THIRD_OCTAVE;
    lt_sii_importance material = LT_SII_AVERAGE;
    lt_vocal_effort effort = LT_EFFORT_NORMAL;
    bands_csv bands;
    lt_sii_result result;
    char *text = NULL;
    double one;
    const bool standard_speech = cli_given(a, "speech");
    if (!lt_sii_method_from_name(cli_text(a, "method", "third-octave"), &method) ||
        !lt_sii_importance_from_name(cli_text(a, "importance", "average"), &material) ||
        !lt_vocal_effort_from_name(cli_text(a, "speech", "normal"), &effort))
        return cli_usage(a->command, "a word after --method, --importance or --speech is not known");
    if (!lt_sii_importance_at(method, material, 0, &one))
        return cli_usage(a->command, "the standard has no importance '%s' for the %s procedure; choose another",
                         lt_sii_importance_name(material), lt_sii_method_name(method));
    const char *path = a->word_count == 1 && strcmp(a->words[0], "-") != 0 ? a->words[0] : NULL;
    lt_status status = load_bands(a, path, method, standard_speech, &bands, &err);
    for (size_t i = 0; status == LT_OK && standard_speech && i < lt_sii_band_count(method); i++)
        bands.value[SPEECH][i] = lt_sii_speech_db(method, effort, i);
    if (status == LT_OK)
        status = lt_sii(method, material, NULL, bands.value[SPEECH], bands.value[NOISE], bands.value[THRESHOLD],
                        &result, &err);
    if (status == LT_OK)
        status = print(a, path != NULL ? path : "-", method, &result, &text, &err);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_sii = {
    .name = "sii",
    .words = "[BANDS.csv]",
    .summary = "Speech Intelligibility Index (ANSI S3.5) from band values",
    .about =
        "BANDS.csv has a first line that names its columns and one line a band: hz,speech_db,noise_db,threshold_db. "
        "Levels are spectrum levels (dB re 1 Hz) at the listener's ear; threshold_db is the hearing threshold in dB "
        "HL and may be left out (0). Without a file, or with -, the table is read from standard input.\n"
        "The index runs from 0 to 1: 0.75 and more is good, under 0.45 is poor.",
    .example = "lanetune sii bands.csv --speech raised\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
