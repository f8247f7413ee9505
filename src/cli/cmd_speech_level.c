/* SPDX-License-Identifier: MIT
 * lanetune speech-level: active speech level by ITU-T P.56, spectra of speech and pauses. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"cal-db", CLI_NUMBER, "DB", "sound pressure level that reads 0 dBFS", "none: results in dBFS", -100, 300, NULL},
    {"channel", CLI_COUNT, "N", "channel, counted from 1", "the first", 1, 1024, NULL},
};

static int run(cli_args *a)
{
    lt_error err = {0};
    const bool calibrated = cli_given(a, "cal-db");
    const double cal_db = cli_number(a, "cal-db", 0.0);
    lt_signal *s = NULL;
    char *text = NULL;
    lt_talk_test *t = ltp_alloc(1, sizeof *t);
    lt_status status = t != NULL ? cli_load(a, a->words[0], "channel", &s, &err) : ltp_fail_nomem(&err, "talk test");
    if (status == LT_OK)
        status = lt_talk_test_measure(s, t, &err);
    cli_name_file(&err, a->words[0]);
    if (!calibrated)
        lt_notes_add(&a->notes, "uncalibrated", "no --cal-db, so levels are dBFS and no sound pressure levels");
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        status = lt_json_talk_test(&head, t, cal_db, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_talk_test(t, a->words[0], cal_db, calibrated, &text, &err);
    }
    lt_signal_free(s);
    ltp_free(t);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_speech_level = {
    .name = "speech-level",
    .words = "REC.wav",
    .summary = "active speech level (ITU-T P.56), spectra of speech and pauses",
    .about =
        "Measures the level of speech while somebody speaks (method B of ITU-T P.56), how much of the time that is, "
        "the noise in the pauses, and both as one-third-octave bands.",
    .example = "lanetune speech-level talk-test.wav --json\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
