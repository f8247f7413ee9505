/* SPDX-License-Identifier: MIT
 * lanetune switching: attack, hold, release and attenuation of a voice switch, from a recording of it at work. */
#include "cli.h"

#include "base/alloc.h"

#include <string.h>

static const cli_option options[] = {
    {"sent", CLI_TEXT, "S.wav", "what goes into the switch, or the side that talks", NULL, 0, 0, NULL},
    {"returned", CLI_TEXT, "R.wav", "what comes out of it, or the other side; recorded together with S", NULL, 0, 0,
     NULL},
    {"sent-channel", CLI_COUNT, "N", "channel of sent in a file of two or more channels", "1", 1, 1024, NULL},
    {"returned-channel", CLI_COUNT, "N", "channel of returned there", "2", 1, 1024, NULL},
    {"direction", CLI_CHOICE, "WORD", "returned is behind the switch, or the opposite direction", "auto", 0, 0,
     "auto|same|opposite"},
    CLI_CHART_OPTION,
};

static lt_status load(cli_args *a, const char *path, unsigned channel, lt_signal **out, lt_error *err)
{
    lt_audio_info info;
    const lt_status status = lt_audio_load(path, channel, out, &info, err);
    if (status == LT_OK && a->word_count == 1 && info.channels > 2 && !cli_given(a, "returned-channel"))
        lt_notes_add(&a->notes, "first-channels", "%s has %u channels; 1 is taken as sent and 2 as returned", path,
                     info.channels);
    if (status == LT_OK)
        lt_audio_note(path, &info, &a->notes);
    return status;
}

static lt_switching_direction direction(const cli_args *a)
{
    const char *word = cli_text(a, "direction", "auto");
    return strcmp(word, "same") == 0       ? LT_SWITCHING_SAME
           : strcmp(word, "opposite") == 0 ? LT_SWITCHING_OPPOSITE
                                           : LT_SWITCHING_AUTO;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_switching(what, opt, format, out, bytes, err);
}

static int print(cli_args *a, const char *const inputs[2], size_t count, const lt_switching *s)
{
    lt_error err = {0};
    char *text = NULL;
    lt_status status = cli_save_figure(a, draw, s, &err);
    if (status != LT_OK)
        return cli_fail(a, &err);
    if (a->json) {
        const lt_json_head head = cli_json_head(a, inputs, count);
        status = lt_json_switching(&head, s, &text, &err);
    } else {
        status = lt_text_switching(s, inputs[0], &text, &err);
    }
    return cli_finish(a, status, &err, text);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_signal *sent = NULL, *returned = NULL;
    const bool one = a->word_count == 1;
    const char *inputs[2] = {one ? a->words[0] : cli_text(a, "sent", NULL), cli_text(a, "returned", NULL)};
    if (one == (cli_given(a, "sent") || cli_given(a, "returned")))
        return cli_usage(a->command, "give either REC.wav of two channels, or --sent and --returned");
    if (!one && (inputs[0] == NULL || inputs[1] == NULL))
        return cli_usage(a->command, "%s is missing: --sent and --returned go together",
                         inputs[0] == NULL ? "--sent" : "--returned");
    if (one)
        inputs[1] = inputs[0];
    lt_switching *s = ltp_alloc(1, sizeof *s);
    lt_status status = s == NULL ? ltp_fail_nomem(&err, "switching") : LT_OK;
    if (status == LT_OK)
        status = load(a, inputs[0], cli_count(a, "sent-channel", 1) - 1, &sent, &err);
    if (status == LT_OK)
        status = load(a, inputs[1], cli_count(a, "returned-channel", one ? 2 : 1) - 1, &returned, &err);
    if (status == LT_OK)
        status = lt_switching_measure(sent, returned, direction(a), s, &err);
    if (status != LT_OK)
        cli_name_file(&err, inputs[0]);
    const int rc = status == LT_OK ? print(a, inputs, one ? 1 : 2, s) : cli_fail(a, &err);
    lt_signal_free(sent);
    lt_signal_free(returned);
    ltp_free(s);
    return rc;
}

const cli_command cmd_switching = {
    .name = "switching",
    .words = "[REC.wav]",
    .summary = "attack, hold, release and attenuation of a voice switch",
    .about =
        "From two channels that were recorded together while somebody talks with pauses, 20 s or more. Either both of "
        "one direction, before and behind the switch: how the path opens and closes, what it cuts from the beginnings "
        "of words, what noise holds it open. Or channel 1 of the side that talks and channel 2 of the opposite "
        "direction, with the noise of its lane: how far and how fast that side is turned down. Which of them it is "
        "shows in the recording, or say it with --direction.\n"
        "Attack and release are the time of the whole ramp where it is straight in dB or in amplitude, and the time "
        "constant where it is exponential; hold runs from the last sound that triggers to the beginning of the "
        "release.",
    .example = "lanetune switching talk-both-lines.wav\n"
               "lanetune switching --sent line-in.wav --returned line-out.wav --direction same\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
