/* SPDX-License-Identifier: MIT
 * lanetune sii: Speech Intelligibility Index from band values or from recordings. */
#include "cli.h"

#include "bands_csv.h"
#include "sii_recordings.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const cli_option options[] = {
    {"method", CLI_CHOICE, "METHOD", "procedure of ANSI S3.5", "third-octave", 0, 0,
     "third-octave|octave|critical|equal-critical"},
    {"importance", CLI_CHOICE, "TEXT", "speech material that the importance of bands is for", "average", 0, 0,
     "average|nonsense|cid-w22|nu-6|drt|short-passages|spin"},
    {"speech", CLI_CHOICE, "EFFORT", "standard speech instead of the column speech_db", NULL, 0, 0,
     "normal|raised|loud|shout"},
    {"distance", CLI_NUMBER, "M", "distance from the talker or loudspeaker (--speech, --at)", "1", 0.01, 1000, NULL},
    {"from-thirds", CLI_FLAG, NULL, "the table has the 18 one-third octaves; convert to METHOD", NULL, 0, 0, NULL},
    {"band-levels", CLI_FLAG, NULL, "levels of the table are band levels, not per hertz", NULL, 0, 0, NULL},
    {"eardrum", CLI_FLAG, NULL, "levels of the table were measured at the eardrum", NULL, 0, 0, NULL},
    {"at", CLI_NUMBER, "M", "distance at which speech_db was found; --distance moves it", NULL, 0.01, 1000, NULL},
    {"privacy", CLI_FLAG, NULL, "privacy index too, at somebody who should not understand", NULL, 0, 0, NULL},
    {"speech-rec", CLI_TEXT, "TALK.wav", "talk test at the listener: speech, and noise from its pauses", NULL, 0, 0,
     NULL},
    {"noise-rec", CLI_TEXT, "NOISE.wav", "noise at the listener, while nobody talks", NULL, 0, 0, NULL},
    {"noise", CLI_CHOICE, "LEVEL", "of NOISE.wav, band by band: the mean or a percentile", "leq", 0, 0,
     "leq|l10|l50|l90"},
    {"cal-db", CLI_NUMBER, "DB", "sound pressure level that reads 0 dBFS in the recordings", NULL, -100, 300, NULL},
    {"noise-cal-db", CLI_NUMBER, "DB", "the same of NOISE.wav, where it differs", NULL, -100, 300, NULL},
    {"channel", CLI_COUNT, "N", "channel of TALK.wav, counted from 1", "the first", 1, 1024, NULL},
    {"noise-channel", CLI_COUNT, "N", "channel of NOISE.wav", "the first", 1, 1024, NULL},
    {"mtf", CLI_FLAG, NULL, "columns combined_db and m instead of speech_db and noise_db", NULL, 0, 0, NULL},
};

typedef struct {
    lt_sii_method method;
    lt_sii_importance material;
    lt_vocal_effort effort;
} choice;

typedef struct {
    lt_sii_result sii;
    lt_privacy privacy;
    sii_recordings recorded;
} outcome;

/* Columns of the table, in the order of bands_csv.value. */
enum { SPEECH, NOISE, THRESHOLD, CONDUCTIVE, GAIN, PATH_GAIN, COMBINED, MODULATION, COLUMNS };

static lt_status load_bands(cli_args *a, const char *path, lt_sii_method method, bands_csv *out, lt_error *err)
{
    const bool mtf = cli_flag(a, "mtf");
    const bool speech_known = mtf || cli_given(a, "speech") || cli_given(a, "speech-rec");
    const bool noise_known = mtf || cli_given(a, "noise-rec");
    const bands_csv_need mtf_need = mtf ? BANDS_CSV_NEEDED : BANDS_CSV_IGNORED;
    const bands_csv_column columns[COLUMNS] = {
        [SPEECH] = {"speech_db", speech_known ? BANDS_CSV_IGNORED : BANDS_CSV_NEEDED},
        [NOISE] = {"noise_db", noise_known                  ? BANDS_CSV_IGNORED
                               : cli_given(a, "speech-rec") ? BANDS_CSV_OPTIONAL /* its pauses serve too */
                                                            : BANDS_CSV_NEEDED},
        [THRESHOLD] = {"threshold_db", BANDS_CSV_OPTIONAL},
        [CONDUCTIVE] = {"conductive_db", BANDS_CSV_OPTIONAL},
        [GAIN] = {"gain_db", BANDS_CSV_OPTIONAL},
        [PATH_GAIN] = {"path_gain_db", BANDS_CSV_OPTIONAL},
        [COMBINED] = {"combined_db", mtf_need},
        [MODULATION] = {"m", mtf_need},
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

/* Speech and noise of the table's bands as equivalent spectrum levels: what the options say about them, step by step.
 */
static lt_status make_levels(const cli_args *a, lt_sii_method method, bands_csv *b, lt_error *err)
{
    lt_status status = LT_OK;
    for (size_t i = 0; i < lt_sii_band_count(method) && status == LT_OK; i++) {
        const lt_sii_band band = lt_sii_band_at(method, i);
        const double off =
            (cli_flag(a, "band-levels") ? band.bandwidth_db : 0.0) + (cli_flag(a, "eardrum") ? band.eardrum_db : 0.0);
        if (cli_flag(a, "mtf")) {
            double m[LT_SII_MODULATIONS];
            for (size_t f = 0; f < LT_SII_MODULATIONS; f++)
                m[f] = b->value[MODULATION][i];
            status = lt_sii_from_mtf(b->value[COMBINED][i], m, &b->value[SPEECH][i], &b->value[NOISE][i], err);
        }
        b->value[SPEECH][i] += b->value[GAIN][i] + b->value[PATH_GAIN][i] - off;
        b->value[NOISE][i] += b->value[GAIN][i] - off;
    }
    return status;
}

/* The table's thirds to the bands of the method. */
static void convert(lt_sii_method method, bands_csv *b)
{
    static const bool power[COLUMNS] = {[SPEECH] = true, [NOISE] = true};
    for (size_t c = 0; c < COLUMNS; c++) {
        double converted[LT_SII_BANDS_MAX];
        if (power[c])
            lt_sii_from_thirds(method, b->value[c], converted);
        else
            lt_sii_interpolate_thirds(method, b->value[c], converted);
        memcpy(b->value[c], converted, sizeof(double) * lt_sii_band_count(method));
    }
}

/* The bands that speech and noise are given in: those of the method, or thirds that are converted. */
static lt_sii_method table_method(const cli_args *a, lt_sii_method method)
{
    return cli_flag(a, "from-thirds") || sii_recordings_asked(a) ? LT_SII_THIRD_OCTAVE : method;
}

/* Whether there is a table to read: always without recordings, else where one is named or something is still missing.
 */
static bool wants_table(const cli_args *a)
{
    const bool speech = cli_given(a, "speech-rec") || cli_given(a, "speech");
    const bool noise = cli_given(a, "speech-rec") || cli_given(a, "noise-rec");
    return a->word_count == 1 || !sii_recordings_asked(a) || !speech || !noise;
}

/* What a recording gives takes the place of the table's, in the table's own way of stating levels. */
static void place_recorded(const cli_args *a, const sii_recordings *r, bands_csv *b)
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double width_db = cli_flag(a, "band-levels") ? lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).bandwidth_db : 0.0;
        if (r->has_speech)
            b->value[SPEECH][i] = r->speech_db[i] + width_db;
        if (r->has_noise)
            b->value[NOISE][i] = r->noise_db[i] + width_db;
    }
}

static lt_status gather(cli_args *a, const char *path, lt_sii_method table, bands_csv *b, sii_recordings *recorded,
                        lt_error *err)
{
    lt_status status = LT_OK;
    *b = (bands_csv){0};
    *recorded = (sii_recordings){.has_speech = false};
    if (wants_table(a))
        status = load_bands(a, path, table, b, err);
    if (status == LT_OK && sii_recordings_asked(a)) {
        status = sii_recordings_measure(a, b->present[NOISE], recorded, err);
        place_recorded(a, recorded, b);
    }
    return status == LT_OK ? make_levels(a, table, b, err) : status;
}

static lt_status compute(cli_args *a, const char *path, const choice *c, outcome *out, lt_error *err)
{
    bands_csv b;
    const lt_sii_method table = table_method(a, c->method);
    const size_t bands = lt_sii_band_count(c->method);
    lt_status status = gather(a, path, table, &b, &out->recorded, err);
    if (status != LT_OK)
        return status;
    if (table != c->method)
        convert(c->method, &b);
    for (size_t i = 0; cli_given(a, "speech") && i < bands; i++)
        b.value[SPEECH][i] = lt_sii_speech_db(c->method, c->effort, i) - 20.0 * log10(cli_number(a, "distance", 1.0)) +
                             b.value[GAIN][i] + b.value[PATH_GAIN][i];
    for (size_t i = 0; cli_given(a, "at") && i < bands; i++)
        b.value[SPEECH][i] -= 20.0 * log10(cli_number(a, "distance", 1.0) / cli_number(a, "at", 1.0));
    if (cli_flag(a, "privacy"))
        status = lt_privacy_measure(b.value[SPEECH], b.value[NOISE], &out->privacy, err);
    if (status != LT_OK)
        return status;
    return lt_sii_with_loss(c->method, c->material, NULL, b.value[SPEECH], b.value[NOISE], b.value[THRESHOLD],
                            b.value[CONDUCTIVE], &out->sii, err);
}

static lt_status print(cli_args *a, const char *table, lt_sii_method method, const outcome *r, char **text,
                       lt_error *err)
{
    const lt_privacy *privacy = cli_flag(a, "privacy") ? &r->privacy : NULL;
    const lt_sii_recorded *recorded = sii_recordings_asked(a) ? &r->recorded.about : NULL;
    if (!a->json)
        return lt_text_sii(&r->sii, privacy, recorded, text, err);
    const char *inputs[3];
    size_t count = 0;
    if (cli_given(a, "speech-rec"))
        inputs[count++] = cli_text(a, "speech-rec", "");
    if (cli_given(a, "noise-rec"))
        inputs[count++] = cli_text(a, "noise-rec", "");
    if (wants_table(a))
        inputs[count++] = table;
    const lt_json_head head = cli_json_head(a, inputs, count);
    return lt_json_sii(&head, method, &r->sii, privacy, recorded, text, err);
}

static int check_usage(const cli_args *a)
{
    if (cli_given(a, "distance") && !cli_given(a, "speech") && !cli_given(a, "at"))
        return cli_usage(a->command, "--distance belongs to --speech or --at");
    if (cli_given(a, "at") && (cli_given(a, "speech") || !cli_given(a, "distance")))
        return cli_usage(a->command, "--at goes with --distance, and not with --speech");
    if (cli_flag(a, "privacy") && strcmp(cli_text(a, "method", "third-octave"), "third-octave") != 0)
        return cli_usage(a->command, "--privacy needs --method third-octave");
    if (cli_flag(a, "mtf") && cli_given(a, "speech"))
        return cli_usage(a->command, "with --mtf the table gives the speech; leave --speech out");
    return sii_recordings_check(a);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    choice c = {LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, LT_EFFORT_NORMAL};
    outcome result;
    char *text = NULL;
    double one;
    if (!lt_sii_method_from_name(cli_text(a, "method", "third-octave"), &c.method) ||
        !lt_sii_importance_from_name(cli_text(a, "importance", "average"), &c.material) ||
        !lt_vocal_effort_from_name(cli_text(a, "speech", "normal"), &c.effort))
        return cli_usage(a->command, "a word after --method, --importance or --speech is not known");
    if (!lt_sii_importance_at(c.method, c.material, 0, &one))
        return cli_usage(a->command, "the standard has no importance '%s' for the %s procedure; choose another",
                         lt_sii_importance_name(c.material), lt_sii_method_name(c.method));
    const int rc = check_usage(a);
    if (rc != CLI_DONE)
        return rc;
    const char *path = a->word_count == 1 && strcmp(a->words[0], "-") != 0 ? a->words[0] : NULL;
    lt_status status = compute(a, path, &c, &result, &err);
    if (status == LT_OK)
        status = print(a, path != NULL ? path : "-", c.method, &result, &text, &err);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_sii = {
    .name = "sii",
    .words = "[BANDS.csv]",
    .summary = "Speech Intelligibility Index (ANSI S3.5) from bands or recordings",
    .about =
        "BANDS.csv has a first line that names its columns and one line a band: hz,speech_db,noise_db,threshold_db. "
        "Levels are spectrum levels (dB re 1 Hz) at the listener's ear; threshold_db is the hearing threshold in dB "
        "HL and may be left out (0). Without a file, or with -, the table is read from standard input. More columns, "
        "all optional: conductive_db, the conductive part of the threshold; gain_db, insertion gain on speech and "
        "noise; path_gain_db, end-to-end gain on the speech alone. With --mtf: combined_db (level of speech and noise "
        "together) and m (modulation transfer, 0 to 1).\n"
        "Recordings with a calibrated microphone where the listener is take the place of the table: --speech-rec, a "
        "talk test with pauses between the sentences, and --noise-rec. Speech is its spectrum while somebody speaks "
        "(ITU-T P.56) less the noise of the pauses. Without --noise-rec the pauses are the noise. A table may "
        "still give hearing thresholds and gains, in one-third octaves.\n"
        "The index runs from 0 to 1: 0.75 and more is good, under 0.45 is poor.",
    .example = "lanetune sii bands.csv --speech raised\n"
               "lanetune sii --speech-rec talk.wav --noise-rec lane.wav --cal-db 118\n"
               "lanetune sii --speech-rec talk.wav --noise-rec lane.wav --cal-db 118 \\\n"
               "    --privacy --at 1 --distance 4\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
