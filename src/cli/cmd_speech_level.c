/* SPDX-License-Identifier: MIT
 * lanetune speech-level: active speech level by ITU-T P.56, spectra of speech and pauses. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"cal-db", CLI_NUMBER, "DB", "sound pressure level that reads 0 dBFS", "none: results in dBFS", -100, 300, NULL},
    {"reference", CLI_TEXT, "CLEAN.wav", "what was said: STOI and ESTOI of the recording", NULL, 0, 0, NULL},
    {"reference-channel", CLI_COUNT, "N", "channel of CLEAN.wav, counted from 1", "the first", 1, 1024, NULL},
    {"channel", CLI_COUNT, "N", "channel, counted from 1", "the first", 1, 1024, NULL},
};

/* What is wrong with the reference names its file, what is wrong with both or the recording that of the recording. */
static lt_status compare(cli_args *a, const lt_signal *s, lt_stoi_result *out, lt_error *err)
{
    const char *path = cli_text(a, "reference", "");
    lt_signal *reference = NULL;
    lt_status status = cli_load(a, path, "reference-channel", &reference, err);
    if (status == LT_OK)
        status = lt_stoi_check(reference, "the reference", err);
    if (status != LT_OK) {
        cli_name_file(err, path);
    } else {
        status = lt_stoi_measure(reference, s, out, err);
        cli_name_file(err, a->words[0]);
    }
    lt_signal_free(reference);
    lt_notes_append(&a->notes, &out->notes);
    return status;
}

static int run(cli_args *a)
{
    const bool with_reference = cli_given(a, "reference");
    if (cli_given(a, "reference-channel") && !with_reference)
        return cli_usage(a->command, "--reference-channel belongs to --reference");
    lt_error err = {0};
    const bool calibrated = cli_given(a, "cal-db");
    const double cal_db = cli_number(a, "cal-db", 0.0);
    lt_signal *s = NULL;
    char *text = NULL;
    lt_talk_test *t = ltp_alloc(1, sizeof *t);
    lt_stoi_result *stoi = ltp_alloc(1, sizeof *stoi);
    lt_status status =
        t != NULL && stoi != NULL ? cli_load(a, a->words[0], "channel", &s, &err) : ltp_fail_nomem(&err, "talk test");
    if (status == LT_OK)
        status = lt_talk_test_measure(s, t, &err);
    cli_name_file(&err, a->words[0]);
    if (status == LT_OK && with_reference)
        status = compare(a, s, stoi, &err);
    if (!calibrated)
        lt_notes_add(&a->notes, "uncalibrated", "no --cal-db, so levels are dBFS and no sound pressure levels");
    if (status == LT_OK && a->json) {
        const char *const inputs[] = {a->words[0], cli_text(a, "reference", NULL)};
        const lt_json_head head = cli_json_head(a, inputs, with_reference ? 2 : 1);
        status = lt_json_talk_test(&head, t, cal_db, with_reference ? stoi : NULL, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_talk_test(t, a->words[0], cal_db, calibrated, with_reference ? stoi : NULL, &text, &err);
    }
    lt_signal_free(s);
    ltp_free(t);
    ltp_free(stoi);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_speech_level = {
    .name = "speech-level",
    .words = "REC.wav",
    .summary = "active speech level (ITU-T P.56), spectra of speech and pauses",
    .about =
        "Measures the level of speech while somebody speaks (method B of ITU-T P.56), how much of the time that is, "
        "the noise in the pauses, and both as one-third-octave bands.\n"
        "With --reference, the clean recording that was played, also how much of it can be understood at the far end: "
        "STOI, and ESTOI where the noise is unsteady. 1 is as clear as the reference; neither is a percentage of "
        "words. The reference is looked for in the recording, clock drift included; sample rates may differ.",
    .example = "lanetune speech-level talk-test.wav --json\n"
               "lanetune speech-level counter.wav --reference sentences.wav\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
