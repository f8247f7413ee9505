/* SPDX-License-Identifier: MIT
 * lanetune tune: the settings to dial in. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"lane", CLI_COUNT, "N", "only this lane", "all", 1, 1000000, NULL},
    {"visit", CLI_TEXT, "DATE", "folder below visits/", "the latest", 0, 0, NULL},
    {"check", CLI_FLAG, NULL, "end with status 3 if a lane misses a limit", NULL, 0, 0, NULL},
};

static lt_status print(cli_args *a, const cli_site *s, char **text, lt_error *err)
{
    if (!a->json)
        return lt_text_tune(s->results, s->count, text, err);
    const lt_json_head head = cli_json_head(a, a->words, 1);
    return lt_json_tune(&head, s->results, s->count, text, err);
}

static bool misses_a_limit(const cli_site *s)
{
    for (size_t i = 0; i < s->count; i++) {
        if (s->results[i].unmet_count > 0)
            return true;
    }
    return false;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    cli_site s;
    char *text = NULL;
    lt_status status = cli_site_run(a->words[0], cli_text(a, "visit", NULL), cli_count(a, "lane", 0), &s, &err);
    if (status == LT_OK)
        status = cli_site_save_results(a->words[0], &s, &err);
    if (status == LT_OK)
        status = print(a, &s, &text, &err);
    const bool missed = status == LT_OK && cli_flag(a, "check") && misses_a_limit(&s);
    cli_site_free(&s);
    const int rc = cli_finish(a, status, &err, text);
    return rc == CLI_DONE && missed ? CLI_LIMIT_MISSED : rc;
}

const cli_command cmd_tune = {
    .name = "tune",
    .words = "SITE",
    .summary = "recommended settings, before and after, and what limits them",
    .about =
        "Measures the recordings of a visit and chooses, among the settings that the equipment offers, those with the "
        "best intelligibility in both directions that keep every limit of site.yaml: margin to howling, levels, "
        "headroom, property line, echo. Says what limits them, what one dB more would buy, and what to change "
        "physically. What was not measured is assumed, and said so.\n"
        "The results of all lanes are also written to visits/DATE/results.json.",
    .example = "lanetune tune elm-street --lane 2\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
