/* SPDX-License-Identifier: MIT
 * lanetune margin: feedback margin of a loop from impulse responses. */
#include "cli.h"

#include "margin.h"

#include "base/alloc.h"

#include <string.h>

static const cli_option options[] = {
    {"lane-ir", CLI_TEXT, "A.wav", "impulse response of the lane coupling, line to line", NULL, 0, 0, NULL},
    {"counter-ir", CLI_TEXT, "B.wav", "impulse response of the counter coupling, line to line", NULL, 0, 0, NULL},
    {"outbound-db", CLI_NUMBER, "DB", "gain change of the outbound direction", "0", -120, 120, NULL},
    {"inbound-db", CLI_NUMBER, "DB", "gain change of the inbound direction", "0", -120, 120, NULL},
    {"channel", CLI_COUNT, "N", "channel of the files, counted from 1", "the first", 1, 1024, NULL},
    {"site", CLI_TEXT, "SITE", "all lanes of a site instead, in every set that can be open", NULL, 0, 0, NULL},
    {"visit", CLI_TEXT, "DATE", "with --site: folder below visits/", "the latest", 0, 0, NULL},
    {"lanes", CLI_TEXT, "LIST", "with --site: only these lanes, such as 1,2", "all recorded", 0, 0, NULL},
    {"recommended", CLI_FLAG, NULL, "with --site: at the settings that tune recommends", NULL, 0, 0, NULL},
    {"want-db", CLI_NUMBER, "DB", "safe margin demanded: notches and attenuation that reach it", "6", 0, 60, NULL},
    {"check", CLI_FLAG, NULL, "end with status 3 if a safe margin misses the demand", NULL, 0, 0, NULL},
    CLI_CHART_OPTION,
};

/* common practice */
static const double default_want_db = 6.0;

/* Options that only one of both forms has. */
static const char *const site_only[] = {"visit", "lanes", "recommended"};
static const char *const files_only[] = {"lane-ir", "counter-ir", "outbound-db", "inbound-db", "channel"};

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

/* With a demand: the smallest set of notches that reaches it, instead of those that are worth most. */
static lt_status demand_notches(const lt_loop *const *loops, double want_db, lt_margin *m, lt_error *err)
{
    const lt_notch_demand demand = lt_notch_demand_default(want_db);
    lt_notch_set set;
    const lt_status status = lt_notches_reach(loops, 1, 0.0, &demand, &set, err);
    if (status != LT_OK)
        return status;
    memcpy(m->notches, set.notches, sizeof m->notches);
    m->notch_count = set.count;
    m->safe_margin_with_notches_db = set.safe_margin_db;
    m->margin_with_notches_db = set.margin_db;
    return LT_OK;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_margin(what, opt, format, out, bytes, err);
}

static lt_status measure(cli_args *a, const char *lane_path, const char *counter_path, lt_margin *out, lt_error *err)
{
    lt_ir *lane = NULL, *counter = NULL;
    lt_loop *loop = NULL;
    const double gain_db = cli_number(a, "outbound-db", 0.0) + cli_number(a, "inbound-db", 0.0);
    const double want_db = cli_number(a, "want-db", default_want_db);
    lt_margin_options margin_options = lt_margin_default_options();
    if (cli_given(a, "want-db"))
        margin_options.notches_max = 0;
    lt_status status = load_ir(a, lane_path, &lane, err);
    if (status == LT_OK && counter_path != NULL)
        status = load_ir(a, counter_path, &counter, err);
    if (status == LT_OK)
        status = lt_loop_create(lane, counter, 0.0, gain_db, &loop, err);
    const lt_loop *loops[] = {loop};
    if (status == LT_OK)
        status = lt_margin_compute(loops, 1, 0.0, &margin_options, out, err);
    if (status == LT_OK && cli_given(a, "want-db"))
        status = demand_notches(loops, want_db, out, err);
    cli_name_file(err, lane_path);
    if (status == LT_OK) {
        const lt_margin_figure figure = {.loop = loop, .margin = out, .want_db = want_db};
        status = cli_save_figure(a, draw, &figure, err);
    }
    lt_loop_free(loop);
    lt_ir_free(lane);
    lt_ir_free(counter);
    return status;
}

/* The first of these options that was given, or NULL. */
static const char *first_given(const cli_args *a, const char *const *names, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (cli_given(a, names[i]))
            return names[i];
    return NULL;
}

static bool misses(const lt_margin *m, double want_db)
{
    return m->safe_margin_db < want_db;
}

static int run(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    const double want_db = cli_number(a, "want-db", default_want_db);
    const bool pair = cli_given(a, "lane-ir") || cli_given(a, "counter-ir");
    const char *inputs[] = {a->word_count == 1 ? a->words[0] : cli_text(a, "lane-ir", NULL),
                            cli_text(a, "counter-ir", NULL)};
    if (cli_given(a, "site")) {
        const char *foreign = first_given(a, files_only, LTP_COUNT(files_only));
        if (a->word_count > 0 || foreign != NULL)
            return cli_usage(a->command, "--site goes without %s%s", foreign != NULL ? "--" : "",
                             foreign != NULL ? foreign : "LOOP.wav");
        return cli_margin_site(a);
    }
    const char *foreign = first_given(a, site_only, LTP_COUNT(site_only));
    if (foreign != NULL)
        return cli_usage(a->command, "--%s needs --site", foreign);
    if (pair == (a->word_count == 1))
        return cli_usage(a->command, "give either LOOP.wav, or --lane-ir with --counter-ir, or --site");
    if (pair && (inputs[0] == NULL || inputs[1] == NULL))
        return cli_usage(a->command, "%s is missing: --lane-ir and --counter-ir go together",
                         inputs[0] == NULL ? "--lane-ir" : "--counter-ir");
    lt_margin *m = ltp_alloc(1, sizeof *m);
    lt_status status = m != NULL ? measure(a, inputs[0], inputs[1], m, &err) : ltp_fail_nomem(&err, "margin");
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, inputs, pair ? 2 : 1);
        status = lt_json_margin(&head, m, want_db, &text, &err);
    } else if (status == LT_OK) {
        status = lt_text_margin(m, want_db, inputs[0], &text, &err);
    }
    const bool missed = status == LT_OK && cli_flag(a, "check") && misses(m, want_db);
    ltp_free(m);
    const int rc = cli_finish(a, status, &err, text);
    return rc == CLI_DONE && missed ? CLI_LIMIT_MISSED : rc;
}

const cli_command cmd_margin = {
    .name = "margin",
    .words = "[LOOP.wav]",
    .summary = "how far a loop is from howling, and where it would ring",
    .about =
        "LOOP.wav is the impulse response once around the loop, opened anywhere; or give the two couplings, which are "
        "multiplied. Such files come from lanetune response --ir.\n"
        "The margin is true to the phase as measured; the safe margin holds for any phase, whatever a car or the "
        "weather changes.\n"
        "With --site every set of lanes that can be open at once is looked at, the worst first: which lane's speaker "
        "and "
        "microphone ring, at which frequency. Couplings between lanes are recorded as cross-coupling-from-N, stated in "
        "site.yaml under couplings, or assumed and said so. Each lane alone gets the notches and the attenuation that "
        "reach the demanded margin.",
    .example = "lanetune margin --lane-ir lane-ir.wav --counter-ir counter-ir.wav\n"
               "lanetune margin --site elm-street --chart lanes.svg\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 0,
    .words_max = 1,
    .run = run,
};
