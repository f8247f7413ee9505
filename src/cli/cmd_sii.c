/* SPDX-License-Identifier: MIT
 * lanetune sii: Speech Intelligibility Index from band values. */
#include "cli.h"

#include "bands_csv.h"

#include "base/alloc.h"

#include <string.h>
#include <unistd.h>

enum { CSV_MAX_BYTES = 1 << 20 };

static const cli_option options[] = {
    {"method", CLI_CHOICE, "METHOD", "procedure of ANSI S3.5", "third-octave", 0, 0,
     "third-octave|octave|critical|equal-critical"},
    {"importance", CLI_CHOICE, "TEXT", "speech material that the importance of bands is for", "average", 0, 0,
     "average|nonsense|cid-w22|nu-6|drt|short-passages|spin"},
    {"speech", CLI_CHOICE, "EFFORT", "standard speech instead of the column speech_db", NULL, 0, 0,
     "normal|raised|loud|shout"},
};

static lt_status read_stdin(char **out, lt_error *err)
{
    char *text = ltp_alloc(CSV_MAX_BYTES + 1, 1);
    *out = NULL;
    if (text == NULL)
        return ltp_fail_nomem(err, "standard input");
    if (isatty(STDIN_FILENO) == 1)
        cli_message(cmd_sii.name, "reading the bands from the terminal, end with Ctrl-D");
    const size_t bytes = fread(text, 1, CSV_MAX_BYTES, stdin);
    lt_status status = LT_OK;
    if (ferror(stdin))
        status = ltp_fail(err, LT_E_IO, "standard input: cannot be read; give the name of a file");
    else if (bytes == CSV_MAX_BYTES)
        status =
            ltp_fail(err, LT_E_ARG, "standard input: more than %d bytes; give a table of bands", CSV_MAX_BYTES - 1);
    else if (strlen(text) != bytes)
        status = ltp_fail(err, LT_E_FORMAT, "standard input: holds zero bytes and is no text; give CSV");
    if (status != LT_OK) {
        ltp_free(text);
        return status;
    }
    *out = text;
    return LT_OK;
}

static lt_status read_csv(const char *path, char **out, lt_error *err)
{
    char *loaded = NULL;
    size_t bytes = 0;
    *out = NULL;
    if (path == NULL)
        return read_stdin(out, err);
    lt_status status = lt_file_load(path, CSV_MAX_BYTES, &loaded, &bytes, err);
    if (status == LT_OK && strlen(loaded) != bytes)
        status = ltp_fail(err, LT_E_FORMAT, "%s: holds zero bytes and is no text; give CSV", path);
    if (status == LT_OK) {
        *out = ltp_alloc(bytes + 1, 1);
        if (*out == NULL)
            status = ltp_fail_nomem(err, "bands");
        else
            memcpy(*out, loaded, bytes);
    }
    lt_file_free(loaded);
    return status;
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
    char *csv = NULL, *text = NULL;
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
    const char *name = path != NULL ? path : "standard input";
    lt_status status = read_csv(path, &csv, &err);
    if (status == LT_OK)
        status = bands_csv_parse(csv, name, method, !standard_speech, &bands, &a->notes, &err);
    for (size_t i = 0; status == LT_OK && standard_speech && i < lt_sii_band_count(method); i++)
        bands.speech_db[i] = lt_sii_speech_db(method, effort, i);
    if (status == LT_OK)
        status = lt_sii(method, material, NULL, bands.speech_db, bands.noise_db, bands.threshold_db, &result, &err);
    if (status == LT_OK)
        status = print(a, path != NULL ? path : "-", method, &result, &text, &err);
    ltp_free(csv);
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
