/* SPDX-License-Identifier: MIT
 * lanetune compare: what changed between two visits, and what it means. */
#include "cli.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"site", CLI_TEXT, "SITE", "folder of the site, where the visits are given as dates", NULL, 0, 0, NULL},
    {"lane", CLI_COUNT, "N", "only this lane", "all", 1, 1000000, NULL},
    {"worse-db", CLI_NUMBER, "DB", "a level, margin, coupling or noise that is worse by this counts", "3", 0.5, 40,
     NULL},
    {"worse-sii", CLI_NUMBER, "X", "the same for the speech intelligibility index", "0.05", 0.005, 1, NULL},
    {"check", CLI_FLAG, NULL, "end with status 3 if a lane got worse by more than that", NULL, 0, 0, NULL},
};

static lt_status places(cli_args *a, lt_visit_place *before, lt_visit_place *after, lt_error *err)
{
    const char *site = cli_text(a, "site", NULL);
    if (a->word_count == 0)
        return lt_visit_place_last_two(site, before, after, err);
    if (a->word_count == 1 && site == NULL)
        return lt_visit_place_last_two(a->words[0], before, after, err);
    if (a->word_count == 1) { /* one date: against the latest */
        const lt_status status = lt_visit_place_find(a->words[0], site, before, err);
        return status == LT_OK ? lt_visit_place_find(site, NULL, after, err) : status;
    }
    const lt_status status = lt_visit_place_find(a->words[0], site, before, err);
    return status == LT_OK ? lt_visit_place_find(a->words[1], site, after, err) : status;
}

static lt_status compare(cli_args *a, lt_visit_comparison **out, lt_error *err)
{
    lt_visit_place before, after;
    lt_compare_options opt = lt_compare_default_options();
    opt.worse_db = cli_number(a, "worse-db", opt.worse_db);
    opt.worse_sii = cli_number(a, "worse-sii", opt.worse_sii);
    lt_status status = places(a, &before, &after, err);
    if (status != LT_OK)
        return status;
    cli_progress_state progress = cli_progress_start();
    status = lt_visits_compare(&before, &after, cli_count(a, "lane", 0), &opt, cli_progress, &progress, out, err);
    cli_progress_end(&progress);
    return status;
}

static bool is_worse(const lt_visit_comparison *c)
{
    for (size_t i = 0; i < c->lane_count; i++)
        if (c->lanes[i].worse)
            return true;
    return false;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    lt_visit_comparison *c = NULL;
    char *text = NULL;
    if (a->word_count == 0 && !cli_given(a, "site"))
        return cli_usage(a->command, "give two visits, SITE/visits/DATE, or --site SITE");
    lt_status status = compare(a, &c, &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, a->word_count);
        status = lt_json_compare(&head, c, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_compare(c, &text, &err);
    }
    const bool worse = status == LT_OK && is_worse(c);
    lt_visit_comparison_free(c);
    const int rc = cli_finish(a, status, &err, text);
    return rc == CLI_DONE && worse && cli_flag(a, "check") ? CLI_LIMIT_MISSED : rc;
}

const cli_command cmd_compare = {
    .name = "compare",
    .words = "[VISIT] [VISIT]",
    .summary = "what changed between two visits, and what it means",
    .about =
        "Compares two visits lane by lane: every swept path per one-third octave with its doubt, delay, polarity, "
        "distortion; noise, hum and talk test; margin, intelligibility, echo and recommended settings. Says what that "
        "points to, how sure that is, and what to do next. Settings and calibrations that differ are taken out.\n"
        "VISIT is SITE/visits/DATE, or a date with --site. A site alone means its last two visits, one date with "
        "--site "
        "that visit against the latest.",
    .example = "lanetune compare elm-street/visits/2024-05-14 elm-street/visits/2025-04-02\n"
               "lanetune compare --site elm-street --check\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 2,
    .run = run,
};
