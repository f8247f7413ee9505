/* SPDX-License-Identifier: MIT
 * lanetune compare: what changed between two visits, and what it means. */
#include "compare.h"

#include "base/alloc.h"

static const cli_option options[] = {
    {"site", CLI_TEXT, "SITE", "folder of the site, where the visits are given as dates", NULL, 0, 0, NULL},
    {"lane", CLI_COUNT, "N", "only this lane", "all", 1, 1000000, NULL},
    {"worse-db", CLI_NUMBER, "DB", "a level, margin, coupling or noise that is worse by this counts", "3", 0.5, 40,
     NULL},
    {"worse-sii", CLI_NUMBER, "X", "the same for the speech intelligibility index", "0.05", 0.005, 1, NULL},
    {"check", CLI_FLAG, NULL, "end with status 3 if a lane got worse by more than that, or a part is at fault", NULL, 0,
     0, NULL},
    {"bands", CLI_FLAG, NULL, "print all tables, also of lanes where nothing changed", NULL, 0, 0, NULL},
    {"isolate", CLI_FLAG, NULL, "the words are points of one chain, NAME=FILE in the order of the signal", NULL, 0, 0,
     NULL},
    {"stimulus", CLI_TEXT, "STIM.wav", "isolate: what was sent into the chain; without it noise was recorded", NULL, 0,
     0, NULL},
    {"talk", CLI_FLAG, NULL, "isolate: the same talk was recorded at all points", NULL, 0, 0, NULL},
    {"bypass", CLI_TEXT, "FROM,TO", "isolate: points that the coupler bridges in NAME:bypass=FILE", "the hub", 0, 0,
     NULL},
    {"channel", CLI_COUNT, "N", "isolate: channel of the recordings, counted from 1", "the first", 1, 1024, NULL},
    {"stimulus-channel", CLI_COUNT, "N", "isolate: channel of the stimulus file", "the first", 1, 1024, NULL},
    CLI_CHART_OPTION,
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

/* One chart: the first lane that got worse, else the first one. */
static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    const lt_visit_comparison *c = what;
    size_t lane = 0;
    while (lane < c->lane_count && !c->lanes[lane].worse)
        lane++;
    return lt_figure_compare(&c->lanes[lane < c->lane_count ? lane : 0], opt, format, out, bytes, err);
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
    static const char *const of_points[] = {"stimulus", "talk", "bypass", "channel", "stimulus-channel"};
    static const char *const of_visits[] = {"site", "lane", "worse-db", "worse-sii", "bands"};
    const bool isolate = cli_flag(a, "isolate");
    const char *const *wrong = isolate ? of_visits : of_points;
    for (size_t i = 0; i < (isolate ? LTP_COUNT(of_visits) : LTP_COUNT(of_points)); i++)
        if (cli_given(a, wrong[i]))
            return cli_usage(a->command,
                             isolate ? "--%s compares visits and means nothing with --isolate"
                                     : "--%s belongs to --isolate",
                             wrong[i]);
    if (isolate && a->word_count < 2)
        return cli_usage(a->command, "--isolate wants two points or more: NAME=FILE, or NAME where not recorded yet");
    if (isolate && cli_flag(a, "talk") && cli_given(a, "stimulus"))
        return cli_usage(a->command, "give either --stimulus or --talk");
    if (isolate)
        return cli_compare_points(a);
    if (a->word_count > 2)
        return cli_usage(a->command, "too many words: two visits are compared");
    if (a->word_count == 0 && !cli_given(a, "site"))
        return cli_usage(a->command, "give two visits, SITE/visits/DATE, or --site SITE");
    lt_status status = compare(a, &c, &err);
    if (status == LT_OK)
        status = cli_save_figure(a, draw, c, &err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, a->word_count);
        status = lt_json_compare(&head, c, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_compare(c, cli_flag(a, "bands"), &text, &err);
    }
    const bool worse = status == LT_OK && is_worse(c);
    lt_visit_comparison_free(c);
    const int rc = cli_finish(a, status, &err, text);
    return rc == CLI_DONE && worse && cli_flag(a, "check") ? CLI_LIMIT_MISSED : rc;
}

const cli_command cmd_compare = {
    .name = "compare",
    .words = "[VISIT] [VISIT] | NAME=FILE...",
    .summary = "what changed between two visits, and what it means",
    .about =
        "Compares two visits lane by lane: every swept path per one-third octave with its doubt, delay, polarity, "
        "distortion; noise, hum and talk test; margin, intelligibility, echo and recommended settings. Says what that "
        "points to, how sure that is, and what to do next. Settings and calibrations that differ are taken out.\n"
        "VISIT is SITE/visits/DATE, or a date with --site. A site alone means its last two visits, one date with "
        "--site "
        "that visit against the latest.\n"
        "--isolate finds the part of a chain that adds loss, noise, hum, delay, echo or distortion: record the same "
        "sweep (or noise, or talk) at points along the line, and give them in the order of the signal; NAME alone is a "
        "point that is not recorded yet, NAME:bypass=FILE a recording with the hub replaced by a coupler. It names the "
        "part and says where to record next, so that each recording halves what is suspected.",
    .example = "lanetune compare elm-street/visits/2024-05-14 elm-street/visits/2025-04-02\n"
               "lanetune compare --site elm-street --check\n"
               "lanetune compare --isolate --stimulus sweep.wav counter=a.wav hub lane=c.wav\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = CLI_MANY,
    .run = run,
};
