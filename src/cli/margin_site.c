/* SPDX-License-Identifier: MIT
 * lanetune margin --site: every set of open lanes of a visit. */
#include "cli.h"

#include "margin.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

typedef struct {
    lt_survey *survey;
    size_t surveyed; /* lanes in the survey, those not looked at included */
} looked_at;

static bool has_coupling(const lt_survey_lane *l)
{
    for (size_t i = 0; i < l->recording_count; i++)
        if (l->recordings[i].path == LT_PATH_LANE_COUPLING || l->recordings[i].path == LT_PATH_LOOP)
            return true;
    return false;
}

/* The wanted lanes to the front; the others stay in the list, out of sight, until the survey is freed. */
static void keep(lt_survey *s, const bool *wanted)
{
    size_t kept = 0;
    for (size_t i = 0; i < s->lane_count; i++) {
        if (!wanted[i])
            continue;
        const lt_survey_lane lane = s->lanes[i];
        memmove(&s->lanes[kept + 1], &s->lanes[kept], (i - kept) * sizeof *s->lanes);
        s->lanes[kept++] = lane;
    }
    s->lane_count = kept > 0 ? kept : s->lane_count;
}

/* "1,3,4": marks these lanes. */
static lt_status read_list(const char *list, const lt_survey *s, bool *wanted, lt_error *err)
{
    const char *at = list;
    memset(wanted, 0, s->lane_count * sizeof *wanted);
    for (;;) {
        const size_t digits = strspn(at, "0123456789");
        unsigned number = 0;
        for (size_t i = 0; i < digits && digits <= 6; i++)
            number = 10 * number + (unsigned)(at[i] - '0');
        const lt_survey_lane *lane = lt_survey_lane_of(s, number);
        if (digits == 0 || digits > 6 || (at[digits] != ',' && at[digits] != '\0'))
            return ltp_fail(err, LT_E_ARG, "--lanes '%.60s': give numbers of lanes with commas between, such as 1,2",
                            list);
        if (lane == NULL)
            return ltp_fail(err, LT_E_ARG, "--lanes: there is no lane %u in site.yaml", number);
        wanted[lane - s->lanes] = true;
        if (at[digits] == '\0')
            return LT_OK;
        at += digits + 1;
    }
}

static lt_status choose(cli_args *a, lt_survey *s, lt_error *err)
{
    const char *list = cli_text(a, "lanes", NULL);
    bool *wanted = ltp_alloc(s->lane_count, sizeof *wanted);
    lt_status st = wanted == NULL ? ltp_fail_nomem(err, "the lanes") : LT_OK;
    if (st == LT_OK && list != NULL) {
        st = read_list(list, s, wanted, err);
    } else if (st == LT_OK) {
        for (size_t i = 0; i < s->lane_count; i++) {
            wanted[i] = has_coupling(&s->lanes[i]);
            if (!wanted[i] && s->lane_count > 1)
                lt_notes_add(&a->notes, "lane-not-recorded",
                             "Lane %u has no recording of lane-coupling or loop in this visit and is left out.",
                             s->lanes[i].lane->tune.lane);
        }
    }
    if (st == LT_OK)
        keep(s, wanted);
    ltp_free(wanted);
    return st;
}

static lt_status recommended(const lt_survey *s, lt_dials **out, lt_error *err)
{
    lt_tune_result *r = NULL;
    lt_status st = lt_survey_tune(s, &r, err);
    if (st != LT_OK)
        return st;
    *out = ltp_alloc(s->lane_count, sizeof **out);
    if (*out == NULL)
        st = ltp_fail_nomem(err, "the settings");
    for (size_t i = 0; i < s->lane_count && st == LT_OK; i++)
        (*out)[i] = (lt_dials){r[i].outbound_recommended_db, r[i].inbound_recommended_db};
    lt_tune_results_free(r);
    return st;
}

static lt_status measure(cli_args *a, looked_at *l, lt_open_margin **out, lt_error *err)
{
    lt_dials *dials = NULL;
    cli_progress_state progress = cli_progress_start();
    lt_status st = lt_survey_measure(cli_text(a, "site", NULL), cli_text(a, "visit", NULL), 0, cli_progress, &progress,
                                     &l->survey, err);
    cli_progress_end(&progress);
    if (st != LT_OK)
        return st;
    l->surveyed = l->survey->lane_count;
    st = choose(a, l->survey, err);
    if (st == LT_OK && cli_flag(a, "recommended"))
        st = recommended(l->survey, &dials, err);
    if (st == LT_OK)
        st = lt_survey_open_margin(l->survey, dials, cli_number(a, "want-db", (double)NAN), out, err);
    ltp_free(dials);
    return st;
}

static lt_status draw(const void *what, const lt_report_options *opt, lt_figure_format format, char **out,
                      size_t *bytes, lt_error *err)
{
    return lt_figure_open_margin(what, opt, format, out, bytes, err);
}

static bool misses(const lt_open_margin *m)
{
    for (size_t i = 0; i < m->set_count; i++) {
        double want_db = 0.0;
        for (size_t l = 0; l < m->lane_count; l++)
            if ((m->sets[i].open >> l & 1u) != 0)
                want_db = fmax(want_db, m->lanes[l].want_db);
        if (m->sets[i].safe_margin_db < want_db)
            return true;
    }
    return false;
}

int cli_margin_site(cli_args *a)
{
    lt_error err = {0};
    looked_at l = {0};
    lt_open_margin *m = NULL;
    char *text = NULL;
    const char *site = cli_text(a, "site", NULL);
    lt_status st = measure(a, &l, &m, &err);
    if (st == LT_OK)
        st = cli_save_figure(a, draw, m, &err);
    if (st == LT_OK && a->json) {
        const lt_json_head head = cli_json_head(a, &site, 1);
        st = lt_json_open_margin(&head, m, &text, &err);
    } else if (st == LT_OK) {
        st = lt_text_open_margin(m, l.survey->site->name, &text, &err);
    }
    const bool missed = st == LT_OK && cli_flag(a, "check") && misses(m);
    lt_open_margin_free(m);
    if (l.survey != NULL)
        l.survey->lane_count = l.surveyed;
    lt_survey_free(l.survey);
    const int rc = cli_finish(a, st, &err, text);
    return rc == CLI_DONE && missed ? CLI_LIMIT_MISSED : rc;
}
