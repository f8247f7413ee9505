/* SPDX-License-Identifier: MIT
 * lanetune echo: the echo path between two recordings, what it is worth, and which part is to blame. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"sent", CLI_TEXT, "S.wav", "what was sent: the outbound line, or the stimulus that was played", NULL, 0, 0, NULL},
    {"returned", CLI_TEXT, "R.wav", "what came back at the same time: the inbound line", NULL, 0, 0, NULL},
    {"sent-channel", CLI_COUNT, "N", "channel of the sent signal", "1", 1, 1024, NULL},
    {"returned-channel", CLI_COUNT, "N", "channel of the return", "2 in FILE.wav, 1 in R.wav", 1, 1024, NULL},
    {"distance-m", CLI_NUMBER, "M", "lane speaker to lane microphone, metres", "0.3", 0.01, 20, NULL},
    {"temperature-c", CLI_NUMBER, "C", "air temperature, for the speed of sound", "20", -60, 80, NULL},
    {"both", CLI_FLAG, NULL, "also the other way: what the far end sends back to the lane", NULL, 0, 0, NULL},
    CLI_CHART_OPTION,
    {"canceller", CLI_FLAG, NULL, "also run a real echo canceller over the recordings", NULL, 0, 0, NULL},
};

typedef struct {
    lt_signal *sent, *returned; /* sent NULL: one recording alone */
    bool one_clock;
} recordings;

static void recordings_clear(recordings *r)
{
    lt_signal_free(r->sent);
    lt_signal_free(r->returned);
}

static lt_status channels_of(const char *path, unsigned *channels, lt_error *err)
{
    lt_audio_reader *reader = NULL;
    const lt_status status = lt_audio_open(path, &reader, err);
    if (status == LT_OK)
        *channels = lt_audio_reader_info(reader)->channels;
    lt_audio_close(reader);
    return status;
}

/* One file: two channels are a pair, one channel stands alone. */
static lt_status load_one(cli_args *a, const char *path, recordings *out, lt_error *err)
{
    unsigned channels = 0;
    lt_audio_info info;
    lt_status status = channels_of(path, &channels, err);
    if (status != LT_OK)
        return status;
    if (channels == 1) {
        status = lt_audio_load(path, 0, &out->returned, &info, err);
        if (status == LT_OK)
            lt_audio_note(path, &info, &a->notes);
        return status;
    }
    const unsigned sent = cli_count(a, "sent-channel", 1);
    const unsigned returned = cli_count(a, "returned-channel", sent == 2 ? 1 : 2);
    if (sent == returned)
        return ltp_fail(err, LT_E_ARG, "%s: channel %u cannot be sent and returned at once; name two channels", path,
                        sent);
    if (channels > 2 && !(cli_given(a, "sent-channel") && cli_given(a, "returned-channel")))
        lt_notes_add(&a->notes, "first-channels",
                     "%s has %u channels; %u is taken as sent and %u as returned, --sent-channel and "
                     "--returned-channel choose others",
                     path, channels, sent, returned);
    out->one_clock = true;
    status = lt_audio_load(path, sent - 1, &out->sent, NULL, err);
    if (status == LT_OK)
        status = lt_audio_load(path, returned - 1, &out->returned, &info, err);
    if (status == LT_OK)
        lt_audio_note(path, &info, &a->notes);
    return status;
}

static lt_status load(cli_args *a, const char *const *inputs, size_t count, recordings *out, lt_error *err)
{
    if (count == 1)
        return load_one(a, inputs[0], out, err);
    lt_status status = cli_load(a, inputs[0], "sent-channel", &out->sent, err);
    cli_name_file(err, inputs[0]);
    if (status == LT_OK) {
        status = cli_load(a, inputs[1], "returned-channel", &out->returned, err);
        cli_name_file(err, inputs[1]);
    }
    return status;
}

/* The other way is an extra: where the recordings do not tell it, a note says why. */
static lt_status measure_back(cli_args *a, const recordings *r, const lt_echo_options *o, lt_echo *echo, lt_echo **back,
                              lt_error *err)
{
    lt_error why = {0};
    lt_status status = LT_E_ARG;
    if (r->sent == NULL || !r->one_clock)
        (void)ltp_fail(&why, LT_E_ARG, "the echo the other way needs one file with both lines on two channels");
    else
        status = lt_echo_measure_back(r->sent, r->returned, echo, o, back, &why);
    if (status == LT_E_ARG || status == LT_E_SNR) {
        lt_notes_add(&a->notes, "no-other-way", "%s", why.what);
        return LT_OK;
    }
    return status == LT_OK ? LT_OK : ltp_fail(err, status, "%s", why.what);
}

static lt_status measure(cli_args *a, const char *const *inputs, size_t count, lt_echo **echo, lt_echo **back,
                         lt_canceller *canceller, lt_error *err)
{
    recordings r = {0};
    lt_echo_options o = lt_echo_default_options();
    o.speaker_to_microphone_m = cli_number(a, "distance-m", o.speaker_to_microphone_m);
    o.distance_known = cli_given(a, "distance-m");
    o.temperature_c = cli_number(a, "temperature-c", o.temperature_c);
    lt_status status = load(a, inputs, count, &r, err);
    o.one_clock = r.one_clock;
    if (status == LT_OK)
        status = r.sent != NULL ? lt_echo_measure(r.sent, r.returned, &o, echo, err)
                                : lt_echo_blind(r.returned, &o, echo, err);
    if (status == LT_OK && cli_flag(a, "canceller") && r.sent != NULL)
        status = lt_canceller_try(r.sent, r.returned, *echo, canceller, err);
    if (status == LT_OK && cli_flag(a, "both"))
        status = measure_back(a, &r, &o, *echo, back, err);
    cli_name_file(err, inputs[count - 1]);
    recordings_clear(&r);
    return status;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_echo(what, opt, format, out, bytes, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    const bool pair = cli_given(a, "sent") || cli_given(a, "returned");
    const char *inputs[] = {pair                 ? cli_text(a, "sent", NULL)
                            : a->word_count == 1 ? a->words[0]
                                                 : NULL,
                            cli_text(a, "returned", NULL)};
    if (pair == (a->word_count == 1))
        return cli_usage(a->command, "give either FILE.wav or --sent with --returned");
    if (pair && (inputs[0] == NULL || inputs[1] == NULL))
        return cli_usage(a->command, "%s is missing: --sent and --returned go together",
                         inputs[0] == NULL ? "--sent" : "--returned");
    lt_echo *echo = NULL, *back = NULL;
    lt_canceller canceller = {0};
    lt_status status = measure(a, inputs, pair ? 2 : 1, &echo, &back, &canceller, &err);
    const lt_canceller *tried = canceller.count > 0 ? &canceller : NULL;
    if (status == LT_OK)
        status = cli_save_figure(a, draw, &(lt_echo_figure){.echo = echo, .back = back}, &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, inputs, pair ? 2 : 1);
        status = lt_json_echo(&head, echo, back, tried, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_echo(echo, back, tried, inputs[pair ? 1 : 0], &text, &err);
    }
    lt_echo_free(echo);
    lt_echo_free(back);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_echo = {
    .name = "echo",
    .words = "[FILE.wav]",
    .summary = "echo path from speech or a sweep, its rating, and which part is to blame",
    .about =
        "Give what was sent and what came back, as two files or as one file of two channels: ordinary speech of 20 s "
        "or more, or the stimulus that was played. Talk at the other end, noise and a clock that drifts are dealt "
        "with.\n"
        "A file of one channel is searched for repeats of its own sound, which is less certain.\n"
        "The finding is one of none, crosstalk, acoustic-coupling, reflection, processing-delay, near-howl, or unclear "
        "where two causes fit; the advice then names the test that tells them apart.",
    .example = "lanetune echo both-lines.wav\n"
               "lanetune echo --sent outbound.wav --returned inbound.wav --distance-m 0.4\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
