/* SPDX-License-Identifier: MIT
 * lanetune report: one HTML file about a visit. */
#include "cli.h"

#include "base/alloc.h"
#include "report/text_build.h"

static const cli_option options[] = {
    {"visit", CLI_TEXT, "DATE", "folder below visits/", "the latest", 0, 0, NULL},
};

static lt_status explain(const char *path, char **text, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "wrote ");
    ltp_text_name(&b, path, LTP_COLUMNS - 8);
    ltp_text_add(&b, "\nOpen it in a web browser to read or print it.\n");
    return ltp_text_take(&b, text, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    cli_site s;
    char path[4096];
    char *text = NULL;
    cli_progress_state bar = cli_progress_start();
    lt_status status = cli_site_report(a->words[0], cli_text(a, "visit", NULL), &bar, &s, &err);
    cli_progress_end(&bar);
    if (status == LT_OK)
        status = cli_join(path, sizeof path, a->words[0], "report.html", &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        status = lt_json_path(&head, path, &text, &err);
    } else if (status == LT_OK) {
        status = explain(path, &text, &err);
    }
    cli_site_free(&s);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_report = {
    .name = "report",
    .words = "SITE",
    .summary = "write SITE/report.html, ready to print",
    .about =
        "Does what lanetune tune does and writes one HTML file with the settings, what limits them, charts, "
        "assumptions and cautions. The file needs nothing else and can be sent by mail. Charts are drawn by gnuplot; "
        "without it the report says that they are missing. Where the site has an earlier visit, the report says what "
        "has changed since.",
    .example = "lanetune report elm-street --visit 2024-05-14\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
