/* SPDX-License-Identifier: MIT
 * lanetune new: a site folder to fill in. */
#include "cli.h"

#include "base/alloc.h"
#include "report/text_build.h"

#include <stdlib.h>
#include <string.h>
#include <time.h>

static const cli_option options[] = {
    {"site", CLI_TEXT, "NAME", "name of the site", "name of the folder", 0, 0, NULL},
    {"date", CLI_TEXT, "DATE", "date of the first visit, like 2024-05-14", "today", 0, 0, NULL},
    {"lanes", CLI_COUNT, "N", "how many lanes", "1", 1, LT_SITE_LANES_MAX, NULL},
};

static bool today(char date[32])
{
    const time_t now = time(NULL);
    struct tm local;
    return localtime_r(&now, &local) != NULL && strftime(date, 32, "%Y-%m-%d", &local) > 0;
}

/* YYYY-MM-DD that exists in the calendar; folder names sort as dates only in this form. */
static bool is_date(const char *text)
{
    static const char pattern[] = "dddd-dd-dd";
    static const int days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
    if (strlen(text) != strlen(pattern))
        return false;
    for (size_t i = 0; pattern[i] != '\0'; i++) {
        const bool digit = text[i] >= '0' && text[i] <= '9';
        if (pattern[i] == 'd' ? !digit : text[i] != '-')
            return false;
    }
    const int year = atoi(text), month = atoi(text + 5), day = atoi(text + 8);
    if (month < 1 || month > 12)
        return false;
    const bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
    return day >= 1 && day <= days[month - 1] + (leap && month == 2 ? 1 : 0);
}

/* The folder's own name, also for "." and "elm-street/". */
static void folder_name(const char *dir, char *out, size_t bytes)
{
    char *real = realpath(dir, NULL);
    const char *path = real != NULL ? real : dir;
    size_t end = strlen(path);
    while (end > 1 && path[end - 1] == '/')
        end--;
    size_t begin = end;
    while (begin > 0 && path[begin - 1] != '/')
        begin--;
    (void)snprintf(out, bytes, "%.*s", (int)(end - begin), path + begin);
    free(real); /* realpath's own malloc */
}

static lt_status explain(const char *dir, const char *date, char **text, lt_error *err)
{
    ltp_textbuf b;
    ltp_text_init(&b, 0);
    ltp_text_add(&b, "made the site folder ");
    ltp_text_name(&b, dir, LTP_COLUMNS - 24);
    ltp_text_add(&b, "\n\nNext:\n  1. edit site.yaml; each field is explained there and has a default\n");
    ltp_text_add(&b, "  2. at the lane, with an audio interface: lanetune calibrate SITE --mic and\n"
                     "     --loopback, then lanetune tune SITE --live; it says what to plug where\n");
    ltp_text_format(&b,
                    "     or copy recordings to visits/%s/lane-1/, the sweep to\n"
                    "     visits/%s/stimulus.wav, and put the calibration (mic_cal_db)\n"
                    "     into visits/%s/visit.yaml\n",
                    date, date, date);
    ltp_text_add(&b, "  3. lanetune tune ");
    ltp_text_name(&b, dir, LTP_COLUMNS - 24);
    ltp_text_add(&b, "\n  4. lanetune report ");
    ltp_text_name(&b, dir, LTP_COLUMNS - 24);
    ltp_text_add(&b, "\n");
    return ltp_text_take(&b, text, err);
}

static lt_status print(cli_args *a, const char *date, char **text, lt_error *err)
{
    if (!a->json)
        return explain(a->words[0], date, text, err);
    const lt_json_head head = cli_json_head(a, NULL, 0);
    return lt_json_path(&head, a->words[0], text, err);
}

static int run(cli_args *a)
{
    lt_error err = {0};
    char now[32], name[LT_TEXT_MAX];
    char *text = NULL;
    const char *date = cli_text(a, "date", NULL);
    if (date != NULL && !is_date(date))
        return cli_usage(a->command, "--date wants a day like 2024-05-14, not '%s'", date);
    if (date == NULL && !today(now))
        return cli_fail_with(a, "the clock of this machine cannot be read; give --date");
    if (date == NULL)
        date = now;
    folder_name(a->words[0], name, sizeof name);
    cli_hold_signals();
    lt_status status = lt_site_new(a->words[0], cli_text(a, "site", name), date, cli_count(a, "lanes", 1), &err);
    cli_release_signals();
    if (status == LT_OK)
        status = print(a, date, &text, &err);
    return cli_finish(a, status, &err, text);
}

const cli_command cmd_new = {
    .name = "new",
    .words = "DIR",
    .summary = "make a folder for a site, with a site.yaml that explains itself",
    .about =
        "Makes DIR with a site.yaml in which every field is explained and has its default, and the folders of a first "
        "visit: visits/DATE/ with visit.yaml and a folder for each lane and counter. Copy the recordings there, edit "
        "the numbers you know, then run lanetune tune DIR. A DIR that has a site.yaml is refused.",
    .example = "lanetune new elm-street --site \"Elm Street\" --lanes 3\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = 1,
    .run = run,
};
