/* SPDX-License-Identifier: MIT
 * lanetune measure: play, record, judge, keep. Levels in dBFS peak of what is played. */
#include "measure.h"
#include "walk.h"

#include "base/alloc.h"

#include <string.h>

#define LEVEL_HIGHEST_DBFS (-3.0)
#define LEVEL_LOWEST_DBFS (-60.0)

static const cli_option options[] = {
    {"lane", CLI_COUNT, "N", "number of the lane (needed)", NULL, 1, 9999, NULL},
    {"counter", CLI_COUNT, "N", "instead of --lane: cross-coupling-from-N between counters, recorded at this one", NULL,
     1, 9999, NULL},
    {"path", CLI_CHOICE, "P", "what is measured (needed)", NULL, 0, 0,
     "outbound|inbound|lane-coupling|counter-coupling|loop|noise-ear|noise-mic|noise-counter|talk-test|"
     "bystander|noise-bystander|cross-coupling-from-N"},
    {"condition", CLI_TEXT, "C", "such as car: what stands in the lane", "lane empty", 0, 0, NULL},
    {"visit", CLI_TEXT, "DATE", "folder below visits/", "the latest", 0, 0, NULL},
    {"level", CLI_NUMBER, "DBFS", "peak that is played, -60 to -3", "found by short bursts", LEVEL_LOWEST_DBFS,
     LEVEL_HIGHEST_DBFS, NULL},
    {"sweeps", CLI_COUNT, "N", "how many sweeps", "as the noise demands", 1, 32, NULL},
    {"seconds", CLI_NUMBER, "S", "length of a sweep, or of the recording", "as the noise demands; noise 60", 1, 86400,
     NULL},
    CLI_MAX_SPL_OPTION,
    CLI_YES_OPTION("do not ask: ears are safe and the lane is free"),
    CLI_IN_CHANNEL_OPTION,
    CLI_DEVICE_OPTIONS,
};

static int check_usage(const cli_args *a, cli_measure_job *j)
{
    const char *path = cli_text(a, "path", NULL);
    if (cli_given(a, "lane") == cli_given(a, "counter"))
        return cli_usage(a->command, cli_given(a, "lane") ? "--lane and --counter exclude each other"
                                                          : "--lane N is missing: the number of the lane");
    if (path == NULL || !lt_path_from_word(path, &j->place.path, &j->place.from))
        return cli_usage(a->command, "--path P is missing: what is to be measured");
    if (cli_given(a, "counter") && j->place.path != LT_PATH_CROSS_COUPLING)
        return cli_usage(a->command, "--counter goes with --path cross-coupling-from-N; %s is of a --lane", path);
    if (!lt_path_is_swept(j->place.path)) {
        static const char *const for_sweeps[] = {"level", "sweeps", "max-spl"};
        for (size_t i = 0; i < LTP_COUNT(for_sweeps); i++)
            if (cli_given(a, for_sweeps[i]))
                return cli_usage(a->command, "--%s means nothing to %s: nothing is played", for_sweeps[i], path);
    } else if (cli_given(a, "seconds") && cli_number(a, "seconds", 0.0) > 120.0) {
        return cli_usage(a->command, "--seconds of a sweep are 1 to 120; more --sweeps do the same");
    }
    return CLI_DONE;
}

static int print(cli_args *a, const cli_measure_job *j)
{
    lt_error err = {0};
    char *text = NULL;
    lt_status st;
    if (a->json) {
        const lt_json_head head = cli_json_head(a, a->words, 1);
        st = lt_json_measure(&head, &j->result, &text, &err);
    } else {
        st = lt_text_measure(&j->result, &text, &err);
    }
    return cli_finish(a, st, &err, text);
}

/* On a terminal, behind the result: what this lane still lacks. */
static void say_next(const cli_measure_job *j)
{
    const lt_site_lane *lane = lt_site_lane_of(j->site, j->place.lane);
    char list[256] = "", word[LT_PATH_WORD_MAX];
    bool recorded[LT_PATH_COUNT];
    lt_error ignored = {0};
    if (lane == NULL || lt_survey_find(j->place.dir, j->place.date, lane, recorded, &ignored) != LT_OK)
        return;
    lt_tune_lane needs = lane->tune;
    needs.lane_mic_cal_db = j->visit->lane_mic_cal_db;
    for (size_t i = 0; i < CLI_WALK; i++) {
        const size_t used = strlen(list);
        if (recorded[cli_walk[i]] || !cli_lane_needs(&needs, recorded[LT_PATH_LOOP], cli_walk[i]))
            continue;
        lt_path_word(cli_walk[i], 0, word);
        (void)snprintf(list + used, sizeof list - used, "%s%s", used > 0 ? ", " : "", word);
    }
    if (list[0] != '\0')
        cli_live_say(
            j->live,
            "\nLane %u still lacks: %s. Measure them one by one, or let lanetune tune %.200s --live lead through "
            "them.",
            j->place.lane, list, j->place.dir);
    else if (!lt_is_known(j->visit->mic_cal_db))
        cli_live_say(j->live, "\nNext: lanetune calibrate %.200s --mic; lane %u has all else that it needs.",
                     j->place.dir, j->place.lane);
    else
        cli_live_say(j->live, "\nNext: lanetune tune %.200s; lane %u has all that it needs.", j->place.dir,
                     j->place.lane);
}

static int run(cli_args *a)
{
    cli_live live = {0};
    cli_measure_job j = {.live = &live};
    lt_error err = {0};
    int rc = check_usage(a, &j);
    if (rc != CLI_DONE)
        return rc;
    j.level_dbfs = cli_number(a, "level", (double)NAN);
    j.sweeps = cli_count(a, "sweeps", 0);
    j.seconds = cli_number(a, "seconds", (double)NAN);
    j.place.lane = cli_count(a, "lane", 0);
    j.place.counter = cli_count(a, "counter", 0);
    j.place.condition = cli_text(a, "condition", "");
    lt_status st = cli_measure_open(&j, a->words[0], cli_text(a, "visit", NULL), &err);
    if (st != LT_OK) {
        cli_measure_close(&j);
        return cli_fail(a, &err);
    }
    rc = cli_live_begin(&live, a);
    if (rc == CLI_DONE) {
        live.max_spl_db = cli_number(a, "max-spl", 100.0);
        st = cli_measure_choose_channel(&j, a, &err);
        if (st == LT_OK)
            st = cli_measure_ask(&j, &err);
        if (st == LT_OK)
            st = cli_measure_run(&j, &err);
        cli_live_end(&live);
        if (st == LT_OK && live.shows && !a->json)
            cli_live_say(&live, "%s", ""); /* away from the questions */
        rc = st == LT_OK ? print(a, &j) : cli_fail(a, &err);
        if (rc == CLI_DONE && live.shows && live.keys && !a->json)
            say_next(&j);
    }
    cli_measure_close(&j);
    return rc;
}

const cli_command cmd_measure = {
    .name = "measure",
    .words = "SITE",
    .summary = "play and record one path of a lane, live",
    .about =
        "Plays a sweep on one side of a path, records the other side and keeps both in the folder of the lane, or "
        "records noise or a talk test. Says where to put what before it starts, begins quietly, and stops within a "
        "moment at ESC, q, Ctrl-C, a howl, or too high a level. A take in which the device lost samples is refused "
        "and repeated.\n"
        "cross-coupling-from-2 with --lane 1 says how loud the speaker of lane 2 is in the microphone of lane 1; "
        "margin "
        "--site needs it where both can be open.\n"
        "Noise and talk tests that are stopped, or whose device or disk fails, are kept from 5 s on as far as they go; "
        "one "
        "that is shorter than an older recording of its name goes to the folder replaced itself.\n"
        "A recording of the same name moves to the folder replaced; nothing is overwritten. With a loopback "
        "calibration of the same device the round trip of the interface is taken off.",
    .example = "lanetune measure elm-street --lane 1 --path outbound --yes\n"
               "lanetune measure elm-street --lane 1 --path noise-ear --seconds 300\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
