/* SPDX-License-Identifier: MIT
 * A survey: all recordings of a visit, measured, and handed to the search for settings. */
#include "site/survey.h"

#include "base/alloc.h"
#include "site/words.h"

#include <string.h>

/* Folder of a lane or a counter, and what lies there. */
typedef struct {
    char folder[32];
    ltp_found found;
} place;

static lt_status find(const char *dir, const char *date, bool counter, unsigned number, place *p, lt_notes *notes,
                      lt_error *err)
{
    ltp_folder_name(counter, number, p->folder);
    return ltp_find_recordings(dir, date, counter, number, &p->found, notes, err);
}

lt_status lt_survey_find(const char *dir, const char *date, const lt_site_lane *lane, bool recorded[LT_PATH_COUNT],
                         lt_error *err)
{
    const unsigned numbers[] = {lane->tune.lane, lane->counter};
    memset(recorded, 0, LT_PATH_COUNT * sizeof *recorded);
    lt_status st = LT_OK;
    for (size_t i = 0; i < LTP_COUNT(numbers) && st == LT_OK; i++) {
        lt_notes ignored = {0};
        ltp_found found = {0};
        st = ltp_find_recordings(dir, date, i == 1, numbers[i], &found, &ignored, err);
        for (size_t k = 0; k < found.count; k++)
            recorded[found.items[k].path] |= found.items[k].condition[0] == '\0';
        ltp_free(found.items);
    }
    return st;
}

static lt_status list_all(ltp_measuring *m, const place *p, lt_notes *notes, lt_error *err)
{
    for (size_t i = 0; i < p->found.count; i++) {
        lt_recording *r = &p->found.items[i];
        char stimulus[320], word[LT_PATH_WORD_MAX];
        lt_path_word(r->path, r->from, word);
        lt_status st = ltp_find_stimulus(m->dir, m->visit->date, p->folder, word, r->condition, stimulus, err);
        if (st == LT_OK)
            st = ltp_measure_later(m, stimulus, r, notes, err);
        if (st != LT_OK)
            return st;
    }
    return LT_OK;
}

lt_survey_lane *lt_survey_lane_of(const lt_survey *s, unsigned number)
{
    for (size_t i = 0; i < s->lane_count; i++)
        if (s->lanes[i].lane->tune.lane == number)
            return &s->lanes[i];
    return NULL;
}

bool lt_survey_lane_is_recorded(const lt_survey_lane *lane)
{
    for (size_t i = 0; i < lane->recording_count; i++)
        if (!lane->recordings[i].shared)
            return true;
    return false;
}

/* ---- lanes and their counters ---- */

typedef struct {
    lt_survey *survey;
    place *lanes;            /* [lane_count] */
    place *counters;         /* [counter_count of the site] */
    lt_notes *counter_notes; /* [counter_count of the site] */
    ltp_measuring measuring;
} job;

static size_t counter_index(const lt_site *site, unsigned number)
{
    return (size_t)(lt_site_counter_of(site, number) -
                    site->counters); /* reading site.yaml saw to it that it is there */
}

static lt_status choose_lanes(lt_survey *s, const char *dir, unsigned only_lane, lt_error *err)
{
    const lt_site *site = s->site;
    s->lanes = ltp_alloc(site->lane_count, sizeof *s->lanes);
    if (s->lanes == NULL)
        return ltp_fail_nomem(err, "the lanes");
    for (size_t i = 0; i < site->lane_count; i++)
        if (only_lane == 0 || site->lanes[i].tune.lane == only_lane)
            s->lanes[s->lane_count++].lane = &site->lanes[i];
    if (s->lane_count == 0)
        return ltp_fail(err, LT_E_ARG, "%s/site.yaml: there is no lane %u; the first one is %u", dir, only_lane,
                        site->lanes[0].tune.lane);
    return LT_OK;
}

static lt_status find_all(job *j, const char *dir, lt_error *err)
{
    lt_survey *s = j->survey;
    const char *date = s->visit->date;
    lt_status st = ltp_find_strange_folders(dir, date, s->site, &s->lanes[0].notes, err);
    for (size_t i = 0; i < s->lane_count && st == LT_OK; i++) {
        const lt_site_lane *lane = s->lanes[i].lane;
        const size_t c = counter_index(s->site, lane->counter);
        st = find(dir, date, false, lane->tune.lane, &j->lanes[i], &s->lanes[i].notes, err);
        if (st == LT_OK && j->counters[c].folder[0] == '\0')
            st = find(dir, date, true, lane->counter, &j->counters[c], &j->counter_notes[c], err);
    }
    return st;
}

/* The survey owns the counters' recordings in one list; the lanes get copies that point to the same results. */
static lt_status gather_counters(job *j, lt_error *err)
{
    lt_survey *s = j->survey;
    for (size_t c = 0; c < s->site->counter_count; c++) {
        ltp_found *f = &j->counters[c].found;
        if (f->count == 0)
            continue;
        lt_recording *grown = ltp_realloc(s->counter_recordings, s->counter_recording_count + f->count, sizeof *grown);
        if (grown == NULL)
            return ltp_fail_nomem(err, "the recordings of the counters");
        s->counter_recordings = grown;
        memcpy(grown + s->counter_recording_count, f->items, f->count * sizeof *grown);
        s->counter_recording_count += f->count;
        ltp_free(f->items);
        f->items = NULL; /* its count stays: it tells the lanes which part is theirs */
    }
    return LT_OK;
}

static lt_status gather_lane(job *j, size_t i, lt_error *err)
{
    lt_survey *s = j->survey;
    lt_survey_lane *lane = &s->lanes[i];
    ltp_found *own = &j->lanes[i].found;
    const size_t c = counter_index(s->site, lane->lane->counter), more = j->counters[c].found.count;
    size_t first = 0;
    for (size_t k = 0; k < c; k++)
        first += j->counters[k].found.count;
    if (own->count + more > 0) {
        lt_recording *list = ltp_realloc(own->items, own->count + more, sizeof *list);
        if (list == NULL)
            return ltp_fail_nomem(err, "the recordings of a lane");
        if (more > 0)
            memcpy(list + own->count, s->counter_recordings + first, more * sizeof *list);
        lane->recordings = list;
        lane->recording_count = own->count + more;
        own->items = NULL;
        own->count = 0;
    }
    lt_notes_append(&lane->notes, &j->counter_notes[c]);
    return LT_OK;
}

static void note_visit(const lt_visit *v, const lt_site *site, lt_notes *notes)
{
    if (v->stated_date[0] != '\0' && strcmp(v->stated_date, v->date) != 0)
        lt_notes_add(notes, "visit-date", "visit.yaml says %s, but its folder is %s; the folder's name counts.",
                     v->stated_date, v->date);
    for (size_t i = 0; i < v->setting_count; i++) {
        if (lt_site_lane_of(site, v->settings[i].lane) == NULL)
            lt_notes_add(notes, "visit-settings", "visit.yaml has settings of lane %u, which site.yaml does not have.",
                         v->settings[i].lane);
    }
}

static lt_status run(job *j, const char *dir, lt_error *err)
{
    lt_survey *s = j->survey;
    lt_status st = find_all(j, dir, err);
    note_visit(s->visit, s->site, &s->lanes[0].notes);
    if (st == LT_OK)
        st = lt_visit_interface(dir, s->visit, &j->measuring.interface, &s->lanes[0].notes, err);
    if (st == LT_OK && j->measuring.interface != NULL && lt_interface_most_db(j->measuring.interface) >= 0.1)
        lt_notes_add(&s->lanes[0].notes, "interface-removed",
                     "The interface's own frequency response (loopback.wav), up to %.1f dB off its level at 1 kHz, was "
                     "taken off all swept recordings of this visit.",
                     lt_interface_most_db(j->measuring.interface));
    for (size_t c = 0; c < s->site->counter_count && st == LT_OK; c++)
        st = list_all(&j->measuring, &j->counters[c], &j->counter_notes[c], err);
    for (size_t i = 0; i < s->lane_count && st == LT_OK; i++)
        st = list_all(&j->measuring, &j->lanes[i], &s->lanes[i].notes, err);
    if (st == LT_OK)
        st = ltp_measure_all(&j->measuring, err);
    if (st == LT_OK)
        st = gather_counters(j, err);
    for (size_t i = 0; i < s->lane_count && st == LT_OK; i++)
        st = gather_lane(j, i, err);
    for (size_t i = 0; i < s->lane_count && st == LT_OK; i++)
        ltp_assemble(s->visit, &s->lanes[i]);
    if (st == LT_OK && j->measuring.progress != NULL)
        j->measuring.progress(j->measuring.context, "", 1.0);
    return st;
}

lt_status lt_survey_measure(const char *dir, const char *date, unsigned only_lane, lt_progress progress, void *context,
                            lt_survey **out, lt_error *err)
{
    *out = NULL;
    lt_survey *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the survey");
    job j = {.survey = s, .measuring = {.dir = dir, .progress = progress, .context = context}};
    lt_status st = lt_site_load(dir, &s->site, err);
    if (st == LT_OK)
        st = lt_visit_load(dir, date, &s->visit, err);
    if (st == LT_OK)
        st = choose_lanes(s, dir, only_lane, err);
    if (st != LT_OK)
        goto done;
    j.measuring.visit = s->visit;
    j.lanes = ltp_alloc(s->lane_count, sizeof *j.lanes);
    j.counters = ltp_alloc(s->site->counter_count, sizeof *j.counters);
    j.counter_notes = ltp_alloc(s->site->counter_count, sizeof *j.counter_notes);
    st = j.lanes == NULL || j.counters == NULL || j.counter_notes == NULL ? ltp_fail_nomem(err, "the survey")
                                                                          : run(&j, dir, err);
    if (st != LT_OK)
        goto done;
    *out = s;
    s = NULL;
done:
    for (size_t i = 0; j.lanes != NULL && i < j.survey->lane_count; i++)
        if (j.lanes[i].found.items != NULL)
            ltp_recordings_free(j.lanes[i].found.items, j.lanes[i].found.count);
    for (size_t c = 0; j.counters != NULL && c < j.survey->site->counter_count; c++)
        if (j.counters[c].found.items != NULL)
            ltp_recordings_free(j.counters[c].found.items, j.counters[c].found.count);
    ltp_free(j.lanes);
    ltp_free(j.counters);
    ltp_free(j.counter_notes);
    ltp_measuring_free(&j.measuring);
    lt_survey_free(s);
    return st;
}

void lt_survey_free(lt_survey *s)
{
    if (s == NULL)
        return;
    for (size_t i = 0; i < s->lane_count; i++) {
        lt_survey_lane *lane = &s->lanes[i];
        size_t own = 0; /* the shared ones stand behind the lane's own */
        while (own < lane->recording_count && !lane->recordings[own].shared)
            own++;
        ltp_recordings_free(lane->recordings, own);
    }
    ltp_recordings_free(s->counter_recordings, s->counter_recording_count);
    ltp_free(s->lanes);
    lt_visit_free(s->visit);
    lt_site_free(s->site);
    ltp_free(s);
}

/* ---- settings ---- */

/* A knob that lanes share is set for all of them; looking at one lane alone may be wrong for the others. */
static void note_shared_knob(const lt_survey *s, const lt_survey_lane *lane, lt_notes *notes)
{
    for (size_t i = 0; i < s->site->lane_count; i++) {
        const lt_tune_lane *other = &s->site->lanes[i].tune;
        bool looked_at = false;
        for (size_t k = 0; k < s->lane_count; k++)
            looked_at |= s->lanes[k].lane == &s->site->lanes[i];
        const char *words[] = {lane->tune.outbound.shared, lane->tune.inbound.shared};
        for (int w = 0; w < 2 && !looked_at; w++)
            if (words[w][0] != '\0' &&
                (strcmp(words[w], other->outbound.shared) == 0 || strcmp(words[w], other->inbound.shared) == 0))
                lt_notes_add(notes, "shared-knob",
                             "The knob '%s' also sets lane %u, which was not looked at; tune all lanes together.",
                             words[w], other->lane);
    }
}

/* Without an outbound response nothing can be said; where there is a file that could not be used, its fault is the
 * news, not that it is missing. */
static lt_status check_outbound(const lt_survey_lane *lane, lt_error *err)
{
    const lt_note *fault = NULL;
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        if (r->path != LT_PATH_OUTBOUND)
            continue;
        if (r->usable)
            return LT_OK;
        for (size_t k = 0; k < r->notes.count && fault == NULL; k++)
            if (strcmp(r->notes.items[k].code, "recording-unusable") == 0)
                fault = &r->notes.items[k];
    }
    return fault == NULL ? LT_OK : ltp_fail(err, LT_E_ARG, "lane %u: %s", lane->lane->tune.lane, fault->message);
}

/* Of which visit is the question: the latest one may be another than the one that was meant. */
static lt_status check_calibration(const lt_survey *s, lt_error *err)
{
    if (lt_is_known(s->visit->mic_cal_db))
        return LT_OK;
    return ltp_fail(err, LT_E_ARG,
                    "visits/%s/visit.yaml: mic_cal_db is missing: calibrate the measurement microphone (94 or 114 dB "
                    "at 1 kHz) and enter the SPL that reads 0 dBFS",
                    s->visit->date);
}

lt_status lt_survey_tune(const lt_survey *s, lt_tune_result **results, lt_error *err)
{
    *results = NULL;
    const lt_status calibrated = check_calibration(s, err);
    if (calibrated != LT_OK)
        return calibrated;
    for (size_t i = 0; i < s->lane_count; i++) {
        const lt_status st = check_outbound(&s->lanes[i], err);
        if (st != LT_OK)
            return st;
    }
    lt_tune_lane *lanes = ltp_alloc(s->lane_count, sizeof *lanes);
    lt_tune_result *r = ltp_alloc(s->lane_count, sizeof *r);
    if (lanes == NULL || r == NULL) {
        ltp_free(lanes);
        ltp_free(r);
        return ltp_fail_nomem(err, "the settings");
    }
    for (size_t i = 0; i < s->lane_count; i++)
        lanes[i] = s->lanes[i].tune;
    const lt_status st = lt_tune(lanes, s->lane_count, r, err);
    ltp_free(lanes);
    if (st != LT_OK) {
        ltp_free(r);
        return st;
    }
    /* lt_tune() carries the doubts of the recordings it uses; what was left out, and why, is told here. */
    for (size_t i = 0; i < s->lane_count; i++) {
        lt_notes_append(&r[i].warnings, &s->lanes[i].notes);
        note_shared_knob(s, &s->lanes[i], &r[i].warnings);
    }
    *results = r;
    return LT_OK;
}

void lt_tune_results_free(lt_tune_result *r)
{
    ltp_free(r);
}
