/* SPDX-License-Identifier: MIT
 * The way from a site folder to settings, results.json and report.html; shared by tune, report and demo. */
#include "cli.h"

#include "base/alloc.h"

#include <string.h>

enum { PATH_BYTES = 4096 };

/* ---- measure and tune ---- */

static bool shares_knob(const lt_site_lane *a, const lt_site_lane *b)
{
    const lt_adjuster *mine[] = {&a->tune.outbound, &a->tune.inbound};
    const lt_adjuster *theirs[] = {&b->tune.outbound, &b->tune.inbound};
    for (size_t i = 0; i < 4; i++) {
        if (mine[i / 2]->shared[0] != '\0' && strcmp(mine[i / 2]->shared, theirs[i % 2]->shared) == 0)
            return true;
    }
    return false;
}

/* A knob that several lanes share can only be set for all of them: then all are measured, and one is shown. */
lt_status cli_lane_to_measure(const char *dir, unsigned lane, unsigned *out, lt_error *err)
{
    lt_site *site = NULL;
    *out = lane;
    if (lane == 0)
        return LT_OK;
    const lt_status status = lt_site_load(dir, &site, err);
    if (status != LT_OK)
        return status;
    const lt_site_lane *own = lt_site_lane_of(site, lane);
    for (size_t i = 0; i < site->lane_count; i++)
        if (own != NULL && own != &site->lanes[i] && shares_knob(own, &site->lanes[i]))
            *out = 0;
    lt_site_free(site);
    return LT_OK;
}

/* Leave only `lane` in the results and in the survey beside them. */
static lt_status keep_lane(cli_site *s, unsigned lane, lt_error *err)
{
    for (size_t i = 0; i < s->count; i++) {
        if (s->results[i].lane != lane)
            continue;
        const lt_tune_result kept = s->results[i];
        s->results[i] = s->results[0];
        s->results[0] = kept;
        const lt_survey_lane kept_lane = s->survey->lanes[i];
        s->survey->lanes[i] = s->survey->lanes[0];
        s->survey->lanes[0] = kept_lane;
        s->count = 1;
        return LT_OK;
    }
    return ltp_fail(err, LT_E_ARG, "there is no lane %u in site.yaml", lane);
}

/* A visit to some of the lanes is a visit: those without any recording of their own go to the end of the list and out
 * of sight. Where nothing at all was recorded all stay, and tuning says what is missing. */
static void leave_out_unrecorded(lt_survey *s, unsigned wanted)
{
    size_t kept = 0;
    for (size_t i = 0; i < s->lane_count; i++) {
        if (!lt_survey_lane_is_recorded(&s->lanes[i]) && s->lanes[i].lane->tune.lane != wanted)
            continue;
        const lt_survey_lane lane = s->lanes[i];
        memmove(&s->lanes[kept + 1], &s->lanes[kept], (i - kept) * sizeof *s->lanes);
        s->lanes[kept++] = lane;
    }
    s->lane_count = kept > 0 ? kept : s->lane_count;
}

static void note_left_out(const cli_site *s)
{
    for (size_t i = s->survey->lane_count; i < s->surveyed; i++)
        lt_notes_add(&s->results[0].warnings, "lane-not-recorded",
                     "Lane %u has no recording in this visit and is left out.", s->survey->lanes[i].lane->tune.lane);
}

static lt_status run(const char *dir, const char *visit, unsigned lane, cli_progress_state *bar, cli_site *out,
                     lt_error *err)
{
    unsigned measured = 0;
    *out = (cli_site){0};
    lt_status status = cli_lane_to_measure(dir, lane, &measured, err);
    if (status == LT_OK)
        status = lt_survey_measure(dir, visit, measured, cli_progress, bar, &out->survey, err);
    if (status == LT_OK) {
        out->surveyed = out->survey->lane_count;
        leave_out_unrecorded(out->survey, lane);
        status = lt_survey_tune(out->survey, &out->results, err);
    }
    if (status == LT_OK) {
        out->count = out->survey->lane_count;
        out->one_lane = lane != 0 && out->survey->site->lane_count > 1;
        note_left_out(out);
    }
    if (status == LT_OK && lane != 0 && measured == 0)
        status = keep_lane(out, lane, err);
    if (status != LT_OK)
        cli_site_free(out);
    return status;
}

lt_status cli_site_run(const char *dir, const char *visit, unsigned lane, cli_site *out, lt_error *err)
{
    cli_progress_state bar = cli_progress_start();
    const lt_status status = run(dir, visit, lane, &bar, out, err);
    cli_progress_end(&bar);
    return status;
}

void cli_site_free(cli_site *s)
{
    lt_tune_results_free(s->results);
    if (s->survey != NULL)
        s->survey->lane_count = s->surveyed; /* those left out are freed too */
    lt_survey_free(s->survey);
    *s = (cli_site){0};
}

/* ---- results.json ---- */

typedef struct {
    const char **items;
    size_t count;
} path_list;

static void add_once(path_list *list, const char *path)
{
    for (size_t i = 0; i < list->count; i++) {
        if (strcmp(list->items[i], path) == 0)
            return;
    }
    list->items[list->count++] = path;
}

static lt_status list_inputs(const lt_survey *s, path_list *list, lt_error *err)
{
    size_t room = 1;
    for (size_t i = 0; i < s->lane_count; i++)
        room += s->lanes[i].recording_count;
    list->items = ltp_alloc(room, sizeof *list->items);
    if (list->items == NULL)
        return ltp_fail_nomem(err, "list of recordings");
    add_once(list, "site.yaml");
    for (size_t i = 0; i < s->lane_count; i++) {
        for (size_t k = 0; k < s->lanes[i].recording_count; k++)
            add_once(list, s->lanes[i].recordings[k].file);
    }
    return LT_OK;
}

/* Only paths inside the site and no time of day: the same recordings give the same bytes. */
lt_status cli_site_save_results(const char *dir, const cli_site *s, lt_error *err)
{
    char inside[128], path[PATH_BYTES];
    path_list inputs = {0};
    char *text = NULL;
    if (s->one_lane)
        return LT_OK; /* one lane must not replace the results of all */
    (void)snprintf(inside, sizeof inside, "visits/%s/results.json", s->survey->visit->date);
    lt_status status = cli_join(path, sizeof path, dir, inside, err);
    if (status == LT_OK)
        status = list_inputs(s->survey, &inputs, err);
    if (status == LT_OK) {
        const cli_args a = {.command = &cmd_tune};
        const lt_json_head head = cli_json_head(&a, inputs.items, inputs.count);
        status = lt_json_tune(&head, s->results, s->count, &text, err);
    }
    if (status == LT_OK)
        status = cli_save_text(path, text, err);
    lt_text_free(text);
    ltp_free(inputs.items);
    return status;
}

/* ---- report.html ---- */

/* The visit before, if there is one. That it cannot be compared is told in the page: the report does without. */
static lt_status compare_with(const lt_visit_place *before, const cli_site *s, cli_progress_state *bar,
                              lt_visit_comparison **since, lt_error *why, lt_error *err)
{
    *since = NULL;
    if (before->date[0] == '\0')
        return LT_OK;
    cli_progress_next(bar, 1.0);
    const lt_status status =
        lt_visit_compare_surveyed(before, s->survey, s->results, 0, NULL, cli_progress, bar, since, why);
    return status == LT_E_NOMEM ? ltp_fail(err, status, "%s", why->what) : LT_OK;
}

static lt_status save_report(const char *dir, const cli_site *s, const lt_visit_comparison *since, const lt_error *why,
                             lt_error *err)
{
    char scratch[PATH_BYTES], path[PATH_BYTES];
    char *html = NULL;
    lt_status status = cli_join(path, sizeof path, dir, "report.html", err);
    if (status != LT_OK)
        return status;
    cli_hold_signals(); /* the charts' folder must not stay behind */
    status = cli_make_scratch(scratch, sizeof scratch, err);
    if (status == LT_OK) {
        const lt_report_options options = {.version = LT_VERSION,
                                           .gnuplot = "gnuplot",
                                           .scratch = scratch,
                                           .since = since,
                                           .since_missing = why->what[0] != '\0' ? why->what : NULL};
        status = lt_report_html(s->survey, s->results, &options, &html, err);
        cli_remove_scratch(scratch);
    }
    if (status == LT_OK)
        status = lt_file_save(path, html, strlen(html), err);
    cli_release_signals();
    lt_text_free(html);
    return status;
}

/* The visit before the one that is asked for; an empty date: there is none. */
static lt_status find_visit_before(const char *dir, const char *visit, lt_visit_place *before, lt_error *err)
{
    lt_visit *v = NULL;
    lt_status status = lt_visit_load(dir, visit, &v, err);
    if (status == LT_OK)
        status = lt_visit_place_before(dir, v->date, before, err);
    lt_visit_free(v);
    return status;
}

lt_status cli_site_report(const char *dir, const char *visit, cli_progress_state *bar, cli_site *out, lt_error *err)
{
    lt_visit_place before = {0};
    lt_visit_comparison *since = NULL;
    lt_error why = {0}, lost = {0};
    const lt_status found = find_visit_before(dir, visit, &before, &lost);
    cli_progress_next(bar, before.date[0] != '\0' ? 0.5 : 1.0); /* both visits are measured */
    lt_status status = run(dir, visit, 0, bar, out, err);       /* says best what is wrong with the site */
    if (status == LT_OK && found != LT_OK)
        status = ltp_fail(err, found, "%s", lost.what);
    if (status == LT_OK)
        status = cli_site_save_results(dir, out, err);
    if (status == LT_OK)
        status = compare_with(&before, out, bar, &since, &why, err);
    cli_progress_end(bar);
    if (status == LT_OK)
        status = save_report(dir, out, since, &why, err);
    lt_visit_comparison_free(since);
    return status;
}

/* ---- simulated sites ---- */

/* The true impulse responses, as sound files beside the recordings they belong to. */
lt_status cli_scenario_run(const lt_scenario *scenario, const char *dir, cli_progress_state *bar, lt_error *err)
{
    char path[PATH_BYTES];
    char *text = NULL;
    lt_status status = cli_join(path, sizeof path, dir, "truth.json", err);
    if (status != LT_OK)
        return status;
    cli_hold_signals();
    bar->stop_here = true;
    status = lt_scenario_record(scenario, dir, cli_progress, bar, err);
    bar->stop_here = false;
    if (status == LT_OK)
        status = lt_json_truth(scenario, &text, err);
    if (status == LT_OK)
        status = lt_file_save(path, text, strlen(text), err);
    cli_release_signals();
    lt_text_free(text);
    return status;
}
