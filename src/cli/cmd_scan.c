/* SPDX-License-Identifier: MIT
 * lanetune scan: faults in recordings. Threads take one file after the other; results are told in the order of the
 * files, whichever thread was first. */
#include "scan.h"

#include "base/alloc.h"
#include "base/parallel.h"

#include <string.h>

static const cli_option options[] = {
    {"stimulus", CLI_TEXT, "STIM.wav", "the recordings are of this sweep: also rattle, rub and polarity", NULL, 0, 0,
     NULL},
    {"lines", CLI_FLAG, NULL, "one JSON line a file, as soon as it is done", NULL, 0, 0, NULL},
    {"check", CLI_FLAG, NULL, "exit status 3 if a file has a fault of severity error", NULL, 0, 0, NULL},
    {"jobs", CLI_COUNT, "N", "files that are scanned at the same time", "one per processor", 1, LTP_THREADS_MAX, NULL},
    CLI_CHART_OPTION,
};

enum { AHEAD = 4 /* files of each thread that wait for their turn to be printed */ };

typedef struct {
    lt_scanned scanned;
    char why[SCAN_WHY_BYTES];
} scan_result;

typedef struct {
    size_t unread, errors;
    char why[SCAN_WHY_BYTES]; /* of the first that is unread */
} scan_tally;

typedef struct {
    cli_args *args;
    const scan_list *list;
    const lt_signal *stimulus;
    scan_result **results; /* [list->count], allocated by the thread that takes the file; NULL after that: no memory */
    scan_tally tally;
    cli_progress_state progress;
    bool lines;
    lt_status status;
    lt_error *err;
} scan_work;

static void scan_one(void *context, size_t i)
{
    scan_work *w = context;
    scan_result *r = ltp_alloc(1, sizeof *r);
    if (r != NULL)
        scan_file(w->list->paths[i], w->stimulus, &r->scanned, r->why);
    w->results[i] = r;
}

/* With --lines a result is printed and forgotten. */
static bool take(void *context, size_t i)
{
    scan_work *w = context;
    scan_result *r = w->results[i];
    if (r == NULL) {
        w->status = ltp_fail_nomem(w->err, w->list->paths[i]);
        return false;
    }
    if (r->scanned.failure != NULL && w->tally.unread++ == 0)
        (void)snprintf(w->tally.why, sizeof w->tally.why, "%s", r->scanned.failure);
    w->tally.errors += lt_faults_worst(&r->scanned.faults) == LT_SEVERITY_ERROR;
    if (!w->lines) {
        cli_progress(&w->progress, "faults", (double)(i + 1) / (double)w->list->count);
        return true;
    }
    char *text = NULL;
    w->status = lt_json_scan_line(&r->scanned, &text, w->err);
    if (w->status == LT_OK && !cli_write(w->args->command->name, text))
        w->status = ltp_fail(w->err, LT_E_IO, "%s: its line could not be written", w->list->paths[i]);
    lt_text_free(text);
    ltp_free(r);
    w->results[i] = NULL;
    return w->status == LT_OK;
}

static lt_status scan_all(scan_work *w)
{
    const size_t threads = cli_count(w->args, "jobs", 0);
    w->progress = cli_progress_start();
    ltp_parallel_run(&(ltp_parallel){.count = w->list->count,
                                     .threads = threads,
                                     .ahead = w->lines ? AHEAD : 0,
                                     .context = w,
                                     .work = scan_one,
                                     .take = take});
    cli_progress_end(&w->progress);
    return w->status;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_scan(what, opt, format, out, bytes, err);
}

static lt_status print(cli_args *a, const scan_work *w, lt_error *err)
{
    char *text = NULL;
    const size_t count = w->list->count;
    const lt_scanned **files = ltp_alloc(count, sizeof *files);
    lt_status status = files != NULL ? LT_OK : ltp_fail_nomem(err, "the results");
    for (size_t i = 0; i < count && status == LT_OK; i++)
        files[i] = &w->results[i]->scanned;
    if (status == LT_OK && files[0]->failure == NULL)
        status = cli_save_figure(a, draw, files[0], err);
    if (status == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, a->words, a->word_count);
        status = lt_json_scan(&head, files, count, &text, err);
    } else if (status == LT_OK) {
        status = lt_text_scan(files, count, &text, err);
    }
    if (status == LT_OK && !cli_write(a->command->name, text))
        status = ltp_fail(err, LT_E_IO, "the result could not be written");
    lt_text_free(text);
    ltp_free(files);
    return status;
}

static lt_status prepare(cli_args *a, scan_list *list, scan_work *w, lt_signal **stimulus, lt_error *err)
{
    lt_status status = LT_OK;
    const char *path = cli_text(a, "stimulus", NULL);
    for (size_t i = 0; i < a->word_count && status == LT_OK; i++)
        status = scan_list_add(list, a->words[i], err);
    if (status == LT_OK && path != NULL)
        status = lt_audio_load(path, 0, stimulus, NULL, err);
    if (status != LT_OK)
        return status;
    w->list = list;
    w->stimulus = *stimulus;
    w->results = ltp_alloc(list->count, sizeof *w->results);
    return w->results != NULL ? LT_OK : ltp_fail_nomem(err, "the results");
}

static int run(cli_args *a)
{
    lt_error err = {0};
    scan_list list = {0};
    const bool lines = cli_flag(a, "lines");
    scan_work w = {.args = a, .lines = lines, .err = &err};
    lt_signal *stimulus = NULL;
    if (lines && a->json)
        return cli_usage(a->command, "--lines and --json exclude each other: one object, or one line a file");
    if (cli_given(a, "chart") && (lines || a->word_count > 1))
        return cli_usage(a->command, "--chart draws one recording; name one, without --lines");
    lt_status status = prepare(a, &list, &w, &stimulus, &err);
    if (status == LT_OK)
        status = scan_all(&w);
    if (status == LT_OK && !lines)
        status = print(a, &w, &err);
    int rc = status == LT_OK ? CLI_DONE : cli_fail(a, &err);
    if (rc == CLI_DONE && w.tally.errors > 0 && cli_flag(a, "check"))
        rc = CLI_LIMIT_MISSED;
    if (status == LT_OK && w.tally.unread == 1 && list.count == 1)
        rc = cli_fail_with(a, "%s", w.tally.why);
    else if (status == LT_OK && w.tally.unread > 0)
        rc = cli_fail_with(a, "%zu of %zu files could not be read; the first one: %s", w.tally.unread, list.count,
                           w.tally.why);
    for (size_t i = 0; w.results != NULL && i < list.count; i++)
        ltp_free(w.results[i]);
    ltp_free(w.results);
    lt_signal_free(stimulus);
    scan_list_free(&list);
    return rc;
}

const cli_command cmd_scan = {
    .name = "scan",
    .words = "REC.wav ...",
    .summary = "faults in recordings: clipping, hum, dropouts, crackle, howl and more",
    .about =
        "Looks through recordings of any rate, all channels, for what makes them unusable or shows that a lane needs a "
        "repair, and says since when, by what evidence, and what the likely causes are. A folder means every sound "
        "file "
        "in it and below.\nWith --stimulus the recordings are of that sweep, and a loose part that rattles, a voice "
        "coil "
        "that rubs and a reversed polarity are looked for as well. A file that cannot be read does not stop the "
        "others; "
        "the exit status is 1 then.",
    .example = "lanetune scan lane-noise.wav\nlanetune scan visits/2026-05-04 --lines > faults.jsonl\n"
               "lanetune scan return.wav --stimulus sweep.wav --check\n",
    .options = options,
    .option_count = LTP_COUNT(options),
    .words_min = 1,
    .words_max = CLI_MANY,
    .run = run,
};
