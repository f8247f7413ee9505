/* SPDX-License-Identifier: MIT
 * lanetune demo: the whole job on a simulated site, with no hardware. */
#include "cli.h"

#include "base/alloc.h"
#include "report/text_build.h"

static lt_status run_all(const char *dir, cli_site *s, lt_error *err)
{
    lt_scenario *scenario = NULL;
    cli_progress_state bar = cli_progress_start();
    *s = (cli_site){0};
    lt_status status = lt_scenario_demo(&scenario, err);
    cli_progress_next(&bar, 0.5); /* recorded, then measured */
    if (status == LT_OK)
        status = cli_scenario_run(scenario, dir, &bar, err);
    lt_scenario_free(scenario);
    if (status == LT_OK)
        status = cli_site_report(dir, NULL, &bar, s, err);
    cli_progress_end(&bar);
    return status;
}

static lt_status explain(const cli_site *s, const char *dir, const char *report, char **text, lt_error *err)
{
    ltp_textbuf b;
    char *table = NULL;
    const lt_status status = lt_text_tune(s->results, s->count, &table, err);
    if (status != LT_OK)
        return status;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, table);
    lt_text_free(table);
    ltp_text_add(&b, "\nThe recordings of this simulated site are in ");
    ltp_text_name(&b, dir, LTP_COLUMNS - 46);
    ltp_text_add(&b, "\nOpen ");
    ltp_text_name(&b, report, LTP_COLUMNS - 24);
    ltp_text_add(&b, " in a web browser.\n");
    return ltp_text_take(&b, text, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    cli_site s = {0};
    char path[4096];
    char *text = NULL;
    const char *dir = a->word_count == 1 ? a->words[0] : "lanetune-demo";
    lt_status status = cli_join(path, sizeof path, dir, "report.html", &err);
    if (status == LT_OK)
        status = run_all(dir, &s, &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, NULL, 0);
        status = lt_json_path(&head, dir, &text, &err);
    } else if (status == LT_OK) {
        status = explain(&s, dir, path, &text, &err);
    }
    cli_site_free(&s);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_demo = {
    .name = "demo",
    .words = "[DIR]",
    .summary = "the whole job on a simulated three-lane site, with no hardware",
    .about =
        "Simulates a site with three lanes (one beside a highway, one with an echo complaint, one limited by "
        "feedback), records it into DIR (default lanetune-demo), measures the recordings, prints the settings to dial "
        "in and writes DIR/report.html. A DIR that is not empty is refused. It takes some seconds.",
    .example = "lanetune demo\n",
    .options = NULL,
    .option_count = 0,
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
