/* SPDX-License-Identifier: MIT
 * lanetune margin: feedback margin of a loop from impulse responses. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"lane-ir", CLI_TEXT, "A.wav", "impulse response of the lane coupling, line to line", NULL, 0, 0, NULL},
    {"counter-ir", CLI_TEXT, "B.wav", "impulse response of the counter coupling, line to line", NULL, 0, 0, NULL},
    {"outbound-db", CLI_NUMBER, "DB", "gain change of the outbound direction", "0", -120, 120, NULL},
    {"inbound-db", CLI_NUMBER, "DB", "gain change of the inbound direction", "0", -120, 120, NULL},
    {"channel", CLI_COUNT, "N", "channel of the files, counted from 1", "the first", 1, 1024, NULL},
};

static lt_status load_ir(cli_args *a, const char *path, lt_ir **out, lt_error *err)
{
    lt_signal *s = NULL;
    *out = NULL;
    lt_status status = cli_load(a, path, "channel", &s, err);
    if (status == LT_OK)
        status = lt_ir_from_signal(s, out, err);
    cli_name_file(err, path);
    lt_signal_free(s);
    return status;
}

static lt_status measure(cli_args *a, const char *lane_path, const char *counter_path, lt_margin *out, lt_error *err)
{
    lt_ir *lane = NULL, *counter = NULL;
    lt_loop *loop = NULL;
    const double gain_db = cli_number(a, "outbound-db", 0.0) + cli_number(a, "inbound-db", 0.0);
    const lt_margin_options margin_options = lt_margin_default_options();
    lt_status status = load_ir(a, lane_path, &lane, err);
    if (status == LT_OK && counter_path != NULL)
        status = load_ir(a, counter_path, &counter, err);
    if (status == LT_OK)
        status = lt_loop_create(lane, counter, 0.0, gain_db, &loop, err);
    if (status == LT_OK) {
        const lt_loop *loops[] = {loop};
        status = lt_margin_compute(loops, 1, 0.0, &margin_options, out, err);
    }
    cli_name_file(err, lane_path);
    lt_loop_free(loop);
    lt_ir_free(lane);
    lt_ir_free(counter);
    return status;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    const bool pair = cli_given(a, "lane-ir") || cli_given(a, "counter-ir");
    const char *inputs[] = {a->word_count == 1 ? a->words[0] : cli_text(a, "lane-ir", NULL),
                            cli_text(a, "counter-ir", NULL)};
    if (pair == (a->word_count == 1))
        return cli_usage(a->command, "give either LOOP.wav or --lane-ir with --counter-ir");
    if (pair && (inputs[0] == NULL || inputs[1] == NULL))
        return cli_usage(a->command, "%s is missing: --lane-ir and --counter-ir go together",
                         inputs[0] == NULL ? "--lane-ir" : "--counter-ir");
    lt_margin *m = ltp_alloc(1, sizeof *m);
    lt_status status = m != NULL ? measure(a, inputs[0], inputs[1], m, &err) : ltp_fail_nomem(&err, "margin");
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, inputs, pair ? 2 : 1);
        status = lt_json_margin(&head, m, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_margin(m, inputs[0], &text, &err);
    }
    ltp_free(m);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_margin = {
    .name = "margin",
    .words = "[LOOP.wav]",
    .summary = "how far a loop is from howling, and where it would ring",
    .about =
        "LOOP.wav is the impulse response once around the loop, opened anywhere; or give the two couplings, which are "
        "multiplied. Such files come from lanetune response --ir.\n"
        "The margin is true to the phase as measured; the safe margin holds for any phase, whatever a car or the "
        "weather changes.",
    .example = "lanetune margin --lane-ir lane-ir.wav --counter-ir counter-ir.wav\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
