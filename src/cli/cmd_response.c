/* SPDX-License-Identifier: MIT
 * lanetune response: recordings of a stimulus to impulse and frequency response. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"stimulus", CLI_TEXT, "STIM.wav", "the file that was played (needed)", NULL, 0, 0, NULL},
    {"channel", CLI_COUNT, "N", "channel of the recordings, counted from 1", "the first", 1, 1024, NULL},
    {"stimulus-channel", CLI_COUNT, "N", "channel of the stimulus file", "the first", 1, 1024, NULL},
    {"ir", CLI_TEXT, "OUT.wav", "write the impulse response; its first sample is the moment of playback", NULL, 0, 0,
     NULL},
    {"force", CLI_FLAG, NULL, "replace an OUT.wav that is there already", NULL, 0, 0, NULL},
    CLI_CHART_OPTION,
};

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_response(what, opt, format, out, bytes, err);
}

static lt_status save_ir(cli_args *a, const lt_response *r, lt_error *err)
{
    const char *path = cli_text(a, "ir", NULL);
    lt_signal *s = NULL;
    if (path == NULL)
        return LT_OK;
    lt_status status = lt_ir_to_signal(r->ir, &s, err);
    if (status == LT_OK)
        status = cli_save_wav(a, path, s, LT_AUDIO_FLOAT, err);
    lt_signal_free(s);
    return status;
}

/* An input is never replaced, not even with --force: recordings stay as they are. */
static int check_output(const cli_args *a)
{
    const char *ir = cli_text(a, "ir", NULL);
    lt_error err = {0};
    if (ir == NULL)
        return CLI_DONE;
    for (size_t i = 0; i < a->word_count; i++) {
        if (cli_same_file(ir, a->words[i]))
            return cli_fail_with(a, "%s: this is a recording and is not replaced; give --ir another name", ir);
    }
    if (cli_same_file(ir, cli_text(a, "stimulus", "")))
        return cli_fail_with(a, "%s: this is the stimulus and is not replaced; give --ir another name", ir);
    return cli_may_write(a, ir, &err) == LT_OK ? CLI_DONE : cli_fail(a, &err);
}

static int print(cli_args *a, const lt_response *r)
{
    const char *inputs[CLI_MANY + 1];
    lt_error err = {0};
    char *text = NULL;
    lt_status status;
    if (a->json) {
        for (size_t i = 0; i < a->word_count; i++)
            inputs[i] = a->words[i];
        inputs[a->word_count] = cli_text(a, "stimulus", NULL);
        const lt_json_head head = cli_json_head(a, inputs, a->word_count + 1);
        status = lt_json_response(&head, r, &text, &err);
    } else {
        status = lt_text_response(r, a->words[0], &text, &err);
    }
    return cli_finish(a, status, &err, text);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_signal **recordings = NULL;
    lt_signal *stimulus = NULL;
    lt_response *r = NULL;
    const lt_response_options opt = lt_response_default_options();
    const char *stimulus_path = cli_text(a, "stimulus", NULL);
    if (stimulus_path == NULL)
        return cli_usage(a->command, "--stimulus STIM.wav is missing: the file that was played");
    int rc = check_output(a);
    if (rc != CLI_DONE)
        return rc;
    lt_status status = cli_load(a, stimulus_path, "stimulus-channel", &stimulus, &err);
    recordings = ltp_alloc(a->word_count, sizeof *recordings);
    if (recordings == NULL)
        status = ltp_fail_nomem(&err, "list of recordings");
    for (size_t i = 0; i < a->word_count && status == LT_OK; i++)
        status = cli_load(a, a->words[i], "channel", &recordings[i], &err);
    if (status == LT_OK)
        status = lt_response_measure((const lt_signal *const *)recordings, a->words, a->word_count, stimulus, &opt, &r,
                                     &err);
    if (status == LT_OK)
        status = save_ir(a, r, &err);
    if (status == LT_OK)
        status = cli_save_figure(a, draw, r, &err);
    rc = status == LT_OK ? print(a, r) : cli_fail(a, &err);
    for (size_t i = 0; recordings != NULL && i < a->word_count; i++)
        lt_signal_free(recordings[i]);
    ltp_free(recordings);
    lt_signal_free(stimulus);
    lt_response_free(r);
    return rc;
}

const cli_command cmd_response = {
    .name = "response",
    .words = "REC.wav...",
    .summary = "impulse and frequency response from recordings of a stimulus",
    .about = "Finds the stimulus in each recording, removes clock drift and computes the response: one-third-octave "
             "levels with signal-to-noise ratio and distortion, delay, polarity, decay and later arrivals. Several "
             "recordings of the same path are averaged; a passing truck spoils only what it covers.\n"
             "Any file can be the stimulus. The recording may begin at any time and have another sample rate.",
    .example = "lanetune response lane.wav --stimulus sweep.wav --ir lane-ir.wav\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = CLI_MANY,
    .run = run,
};
