/* SPDX-License-Identifier: MIT
 * lanetune simulate: recordings of a virtual site, with their truth. */
#include "cli.h"

#include "base/alloc.h"
#include "report/text_build.h"

static lt_status explain(const lt_scenario *s, const char *dir, char **text, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_format(&b, "recorded %zu lane%s into ", s->lane_count, s->lane_count == 1 ? "" : "s");
    ltp_text_name(&b, dir, LTP_COLUMNS - 26);
    ltp_text_format(&b, "\nThe visit is %s; what it should find stands in truth.json.\nNext: lanetune tune ", s->date);
    ltp_text_name(&b, dir, LTP_COLUMNS - 26);
    ltp_text_add(&b, "\n");
    return ltp_text_take(&b, text, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_scenario *scenario = NULL;
    char *text = NULL;
    const char *dir = a->words[1];
    lt_status status = lt_scenario_load(a->words[0], &scenario, &err);
    cli_progress_state bar = cli_progress_start();
    if (status == LT_OK)
        status = cli_scenario_run(scenario, dir, &bar, &err);
    cli_progress_end(&bar);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        status = lt_json_path(&head, dir, &text, &err);
    } else if (status == LT_OK) {
        status = explain(scenario, dir, &text, &err);
    }
    lt_scenario_free(scenario);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_simulate = {
    .name = "simulate",
    .words = "SCENARIO.yaml DIR",
    .summary = "recordings of a virtual lane, with their truth",
    .about =
        "Makes DIR a site folder with all recordings of the lanes that SCENARIO.yaml describes, as if a visit had been "
        "made there, and truth.json with what the measurements should find. The same scenario gives the same bytes. A "
        "DIR that is not empty is refused.",
    .example = "lanetune simulate my-lane.yaml my-lane && lanetune tune my-lane\n",
    .options = NULL,
    .option_count = 0,
    .words_min = 2,
    .words_max = 2,
    .run = run,
};
