/* SPDX-License-Identifier: MIT
 * lanetune tune: the settings to dial in. */
#include "tune_live.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"lane", CLI_COUNT, "N", "only this lane", "all", 1, 1000000, NULL},
    {"visit", CLI_TEXT, "DATE", "folder below visits/", "the latest", 0, 0, NULL},
    {"check", CLI_FLAG, NULL, "end with status 3 if a lane misses a limit", NULL, 0, 0, NULL},
    {"live", CLI_FLAG, NULL, "measure what is missing, wait for the knobs, measure again", NULL, 0, 0, NULL},
    {"into", CLI_TEXT, "DATE", "live: the new visit that is measured again", "today", 0, 0, NULL},
    {"seconds", CLI_NUMBER, "S", "live: length of a noise recording or talk test", "60; all sentences", 1, 86400, NULL},
    CLI_MAX_SPL_OPTION,
    CLI_YES_OPTION("live: do not ask: ears are safe, lanes free, knobs turned by themselves"),
    CLI_DEVICE_OPTIONS,
};

static int check_usage(const cli_args *a)
{
    static const char *const of_live[] = {"into",  "seconds", "max-spl",     "yes",         "host",
                                          "input", "output",  "output-host", "out-channel", "rate"};
    for (size_t i = 0; i < LTP_COUNT(of_live); i++)
        if (cli_given(a, of_live[i]) && !cli_flag(a, "live"))
            return cli_usage(a->command, "--%s goes with --live", of_live[i]);
    return CLI_DONE;
}

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

/* A script that reads status 0 must not take a limit that nothing is known of for one that holds. */
static void note_what_is_not_checked(cli_args *a, const cli_site *s)
{
    for (size_t i = 0; i < s->count; i++)
        if (lt_notes_has(&s->results[i].assumptions, "loop-not-measured"))
            lt_notes_add(&a->notes, "safe-margin-not-checked",
                         "lane %u: the safe margin is not checked, nothing is known of its loop: record lane-coupling",
                         s->results[i].lane);
}

static int run(cli_args *a)
{
    const int usage = check_usage(a);
    if (usage != CLI_DONE || cli_flag(a, "live"))
        return usage != CLI_DONE ? usage : cli_tune_live(a);
    lt_error err = {0};
    cli_site s;
    char *text = NULL;
    lt_status status = cli_site_run(a->words[0], cli_text(a, "visit", NULL), cli_count(a, "lane", 0), &s, &err);
    if (status == LT_OK)
        status = cli_site_save_results(a->words[0], &s, &err);
    if (status == LT_OK && cli_flag(a, "check"))
        note_what_is_not_checked(a, &s);
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
        "The results of all lanes are also written to visits/DATE/results.json.\n"
        "With --live, as measure does it: records whatever a lane's evidence lacks, says which knob to put where, and "
        "waits. Then everything that these settings change is measured again into a new visit, whose visit.yaml says "
        "where the knobs stand, and before, predicted and measured stand side by side. The calibrations come along; "
        "noise that no setting changes is copied. A lane whose loop would not be stable is left out. Stopping leaves "
        "both visits valid; running it again goes on in the latest one.",
    .example = "lanetune tune elm-street --lane 2\n"
               "lanetune tune elm-street --live\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
