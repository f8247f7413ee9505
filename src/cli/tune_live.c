/* SPDX-License-Identifier: MIT
 * lanetune tune --live: measure what is missing, recommend, wait for the knobs, measure again into a new visit whose
 * settings say where they stand, and compare. Whatever ends it, the visits are valid and say what they hold. */
#include "tune_live.h"

#include "base/alloc.h"

#include <string.h>

/* ---- the first visit ---- */

/* Takes seconds: stopping does not wait for it. */
static lt_status survey(cli_tune_live_job *t, const char *visit, lt_survey **out, lt_error *err)
{
    cli_live_say(&t->live, "Reading the recordings of visit %s.", visit);
    cli_live_guard(&t->live, NULL, NULL);
    const lt_status st = lt_survey_measure(t->dir, visit, t->only_lane, NULL, NULL, out, err);
    cli_live_unguard(&t->live);
    return st;
}

static lt_status survey_first(cli_tune_live_job *t, lt_error *err)
{
    const lt_status st = survey(t, t->first, &t->before.survey, err);
    if (st == LT_OK)
        t->before.surveyed = t->before.survey->lane_count;
    return st;
}

static lt_status measure_missing(cli_tune_live_job *t, lt_error *err)
{
    lt_status st = survey_first(t, err);
    for (size_t i = 0; st == LT_OK && i < t->before.survey->lane_count; i++)
        st = cli_tune_measure_missing(t, &t->before.survey->lanes[i], err);
    if (st == LT_OK)
        st = cli_tune_between_missing(t, err);
    cli_site_free(&t->before);
    if (st == LT_OK)
        st = cli_site_run(t->dir, t->first, t->only_lane, &t->before, err);
    if (st == LT_OK && cli_live_asked_to_stop(&t->live))
        st = ltp_fail(err, LT_E_STATE, "%s", t->live.stopped);
    return st;
}

static lt_status choose(cli_tune_live_job *t, lt_error *err)
{
    t->lanes = ltp_alloc(t->before.count, sizeof *t->lanes);
    if (t->lanes == NULL)
        return ltp_fail_nomem(err, "the lanes");
    for (size_t i = 0; i < t->before.count; i++)
        cli_tune_choose(&t->before.survey->lanes[i], &t->before.results[i], &t->lanes[i]);
    t->result = (lt_dialled){.visit_before = t->first, .lanes = t->lanes, .count = t->before.count};
    return LT_OK;
}

static bool anything_to_dial(const cli_tune_live_job *t)
{
    for (size_t i = 0; i < t->before.count; i++)
        if (t->lanes[i].dialled)
            return true;
    return false;
}

/* ---- the knobs ---- */

static void say_knob(cli_live *l, const char *which, const lt_adjuster *a, double from_db, double to_db)
{
    size_t step = 0;
    while (step < a->step_count && a->steps_db[step] < to_db - 0.05)
        step++;
    if (fabs(to_db - from_db) < 0.05) {
        cli_live_say(l, "  %-40s stays at %.1f dB", which, from_db);
        return;
    }
    cli_live_say(l, "  %-40s from %.1f to %.1f dB: %.1f dB %s%s%s%s", which, from_db, to_db, fabs(to_db - from_db),
                 to_db > from_db ? "louder" : "quieter", a->shared[0] != '\0' ? ", shared knob " : "", a->shared,
                 step + 1 == a->step_count ? ", its last step" : "");
}

static lt_status wait_for_knobs(cli_tune_live_job *t, lt_error *err)
{
    cli_live *l = &t->live;
    cli_live_say(l, "\nDial in:");
    for (size_t i = 0; i < t->before.count; i++) {
        const lt_dialled_lane *d = &t->lanes[i];
        const lt_tune_lane *lane = &t->before.survey->lanes[i].tune;
        cli_live_say(l, "lane %u%s%s%s", d->lane, d->name[0] != '\0' ? ", " : "", d->name,
                     d->dialled ? "" : ": nothing");
        for (size_t k = 0; k < d->notes.count; k++)
            cli_live_say(l, "  %s", d->notes.items[k].message);
        if (!d->dialled)
            continue;
        say_knob(l, "outbound, operator to customer", &lane->outbound, d->outbound_from_db, d->outbound_to_db);
        say_knob(l, "inbound, customer to operator", &lane->inbound, d->inbound_from_db, d->inbound_to_db);
    }
    cli_live_say(l, "Turn slowly, with the counter microphone muted; at the first ringing turn back and press ESC.");
    if (cli_live_wait_key(l, "Enter when all of them stand there; ESC or q leaves everything as it was."))
        return LT_OK;
    return ltp_fail(err, LT_E_STATE, "%s; put the knobs back that were turned", l->stopped);
}

/* ---- the second visit ---- */

static void set_setting(lt_visit *v, unsigned lane, double outbound_db, double inbound_db)
{
    size_t i = 0;
    while (i < v->setting_count && v->settings[i].lane != lane)
        i++;
    if (i == LT_SITE_LANES_MAX)
        return;
    v->setting_count += i == v->setting_count ? 1 : 0;
    v->settings[i].lane = lane;
    v->settings[i].outbound_db = outbound_db;
    v->settings[i].inbound_db = inbound_db;
}

/* Calibrations, channels and conditions of the first visit; the settings as they stand now. back: of lanes where
 * nothing moved, the old ones. */
static lt_status save_second(const cli_tune_live_job *t, lt_error *err)
{
    lt_visit *v = NULL;
    lt_status st = lt_visit_load(t->dir, t->first, &v, err);
    if (st != LT_OK)
        return st;
    if (strncmp(v->date, t->second, 10) != 0)
        v->weather[0] = '\0'; /* another day */
    (void)snprintf(v->date, sizeof v->date, "%s", t->second);
    (void)snprintf(v->stated_date, sizeof v->stated_date, "%s", t->second);
    (void)snprintf(v->notes, sizeof v->notes,
                   "Measured again after the settings found in visit %s were dialled in. What no setting changes "
                   "was carried over from there.",
                   t->first);
    for (size_t i = 0; i < t->before.count; i++) {
        const lt_dialled_lane *d = &t->lanes[i];
        const bool stands = d->dialled && !cli_tune_nothing_moved(d);
        set_setting(v, d->lane, stands ? d->outbound_to_db : d->outbound_from_db,
                    stands ? d->inbound_to_db : d->inbound_from_db);
    }
    st = lt_visit_save(t->dir, v, err);
    if (st == LT_OK)
        st = lt_visit_carry_loopback(t->dir, t->first, t->second, err);
    lt_visit_free(v);
    return st;
}

/* Lanes that nobody touched are as they were. */
static lt_status carry_untouched(const cli_tune_live_job *t, lt_error *err)
{
    const lt_site *site = t->before.survey->site;
    lt_status st = LT_OK;
    for (size_t i = 0; i < site->lane_count && st == LT_OK; i++) {
        bool dialled = false;
        for (size_t k = 0; k < t->before.count; k++)
            dialled |= t->lanes[k].dialled && t->lanes[k].lane == site->lanes[i].tune.lane;
        if (!dialled)
            st = lt_visit_carry(t->dir, t->first, t->second, site->lanes[i].tune.lane, site->lanes[i].counter, NULL,
                                NULL, err);
    }
    return st;
}

static lt_status measure_again(cli_tune_live_job *t, lt_error *err)
{
    lt_status st = carry_untouched(t, err); /* first, so that it is there whatever ends this run */
    if (st == LT_OK)
        st = cli_tune_between_carry(t, err);
    for (size_t i = 0; i < t->before.count && st == LT_OK; i++)
        if (t->lanes[i].dialled)
            st = cli_tune_measure_again(t, &t->before.survey->lanes[i], &t->lanes[i], err);
    return st == LT_OK ? cli_tune_between_again(t, err) : st;
}

static lt_status compare(cli_tune_live_job *t, lt_error *err)
{
    bool back = false;
    lt_status st = survey(t, t->second, &t->after, err);
    for (size_t i = 0; i < t->before.count && st == LT_OK; i++) {
        const lt_survey_lane *before = &t->before.survey->lanes[i];
        const lt_survey_lane *after = lt_survey_lane_of(t->after, t->lanes[i].lane);
        if (after != NULL && t->lanes[i].dialled)
            st = cli_tune_compare(before, after, &t->lanes[i], err);
        back |= t->lanes[i].dialled && cli_tune_nothing_moved(&t->lanes[i]);
    }
    if (st == LT_OK && back)
        st = save_second(t, err);
    return st;
}

static lt_status work(cli_tune_live_job *t, lt_error *err)
{
    lt_status st = measure_missing(t, err);
    if (st == LT_OK)
        st = choose(t, err);
    if (st != LT_OK || !anything_to_dial(t))
        return st;
    st = wait_for_knobs(t, err);
    if (st == LT_OK)
        st = save_second(t, err);
    if (st != LT_OK)
        return st;
    t->result.visit_after = t->second;
    st = measure_again(t, err);
    return st == LT_OK ? compare(t, err) : st;
}

/* ---- before anything sounds ---- */

static lt_status check_visit(cli_tune_live_job *t, const char *date, lt_error *err)
{
    char today[32];
    const char *into = cli_text(t->args, "into", NULL);
    lt_visit *v = NULL;
    unsigned together = t->only_lane;
    lt_status st = lt_visit_load(t->dir, date, &v, err);
    if (st != LT_OK)
        return st;
    (void)snprintf(t->first, sizeof t->first, "%s", v->date);
    if (!lt_is_known(v->mic_cal_db))
        st = ltp_fail(err, LT_E_ARG,
                      "visits/%s/visit.yaml: mic_cal_db is not known, so no level in dB SPL can be; run lanetune "
                      "calibrate --mic first",
                      v->date);
    lt_visit_free(v);
    if (st == LT_OK && into == NULL && !cli_today(today))
        st = ltp_fail(err, LT_E_IO, "the clock of this machine cannot be read; give --into");
    if (st == LT_OK)
        st = lt_visit_next_name(t->dir, into != NULL ? into : today, t->second, err);
    if (st == LT_OK)
        st = cli_lane_to_measure(t->dir, t->only_lane, &together, err);
    if (st == LT_OK && together != t->only_lane)
        st = ltp_fail(err, LT_E_ARG, "lane %u shares a knob with another lane; leave --lane out to dial in both",
                      t->only_lane);
    return st;
}

/* ---- the result ---- */

static lt_status save_results(cli_tune_live_job *t, lt_error *err)
{
    lt_status st = cli_site_save_results(t->dir, &t->before, err);
    if (st != LT_OK || t->after == NULL || t->only_lane != 0)
        return st;
    lt_error why = {0};
    cli_site s = {.survey = t->after, .count = t->after->lane_count, .surveyed = t->after->lane_count};
    const lt_status tuned = lt_survey_tune(t->after, &s.results, &why);
    if (tuned == LT_OK)
        st = cli_site_save_results(t->dir, &s, err);
    else if (tuned == LT_E_NOMEM)
        st = ltp_fail(err, tuned, "%s", why.what);
    else
        lt_notes_add(&t->args->notes, "no-results", "visits/%s has no results.json: %.380s", t->second, why.what);
    lt_tune_results_free(s.results);
    return st;
}

static lt_status print(cli_tune_live_job *t, char **text, lt_error *err)
{
    if (!t->args->json)
        return lt_text_tune_live(&t->result, text, err);
    const lt_json_head head = cli_json_head(t->args, t->args->words, 1);
    return lt_json_tune_live(&head, t->before.results, t->before.count, &t->result, text, err);
}

static int verdict(const cli_tune_live_job *t)
{
    bool misses = false;
    for (size_t i = 0; i < t->before.count; i++) {
        const lt_dialled_lane *d = &t->lanes[i];
        misses |= d->measured_again ? d->unmet_count > 0 : t->before.results[i].unmet_count > 0;
        if (d->dialled && cli_tune_nothing_moved(d))
            return cli_fail_with(t->args,
                                 "lane %u: nothing moved, so its knobs were not turned; visits/%s says the old "
                                 "settings for it; turn them and run this again",
                                 d->lane, t->second);
        if (d->unstable)
            return cli_fail_with(t->args,
                                 "lane %u: at these settings the loop has %.1f dB of safe margin, it may howl; turn "
                                 "outbound back to %.1f dB and inbound to %.1f dB now",
                                 d->lane, d->measured.safe_margin_db, d->outbound_from_db, d->inbound_from_db);
        if (!d->dialled && lt_notes_has(&d->notes, "unstable"))
            return cli_fail_with(t->args, "lane %u is unstable at every setting that is offered and was left out",
                                 d->lane);
    }
    return misses && cli_flag(t->args, "check") ? CLI_LIMIT_MISSED : CLI_DONE;
}

static int fail_stopped(const cli_tune_live_job *t, const lt_error *err)
{
    if (t->made == 0 && t->result.visit_after == NULL)
        return cli_fail(t->args, err);
    return cli_fail_with(t->args,
                         "%s; visits/%s is valid and keeps what was recorded (%u recording%s); run it again to "
                         "go on",
                         err->what, t->result.visit_after != NULL ? t->second : t->first, t->made,
                         t->made == 1 ? "" : "s");
}

int cli_tune_live(cli_args *a)
{
    lt_error err = {0};
    char *text = NULL;
    int rc = CLI_FAILED;
    cli_tune_live_job *t = ltp_alloc(1, sizeof *t);
    if (t == NULL)
        return cli_fail_with(a, "out of memory");
    t->args = a;
    t->dir = a->words[0];
    t->only_lane = cli_count(a, "lane", 0);
    t->noise_s = cli_number(a, "seconds", (double)NAN);
    lt_status st = check_visit(t, cli_text(a, "visit", NULL), &err);
    if (st != LT_OK) {
        rc = cli_fail(a, &err);
        goto done;
    }
    rc = cli_live_begin(&t->live, a);
    if (rc != CLI_DONE)
        goto done;
    t->live.max_spl_db = cli_number(a, "max-spl", 100.0);
    st = work(t, &err);
    cli_live_end(&t->live);
    if (st != LT_OK) {
        rc = fail_stopped(t, &err);
        goto done;
    }
    st = save_results(t, &err);
    if (st == LT_OK)
        st = print(t, &text, &err);
    rc = cli_finish(a, st, &err, text);
    if (rc == CLI_DONE)
        rc = verdict(t);
    if (rc != CLI_FAILED && t->live.shows && !a->json)
        cli_live_say(&t->live, "\nNext: lanetune report %.200s writes it down for the customer.", t->dir);
done:
    lt_survey_free(t->after);
    cli_site_free(&t->before);
    ltp_free(t->lanes);
    ltp_free(t);
    return rc;
}
