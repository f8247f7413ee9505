/* SPDX-License-Identifier: MIT
 * Two visits: surveyed, tuned for their figures, and compared lane by lane. */
#include "base/alloc.h"

#include <lanetune/site.h>

#include <stdio.h>
#include <string.h>

typedef struct {
    const lt_survey *survey;
    const lt_tune_result *results; /* [lane_count]; NULL: no figures */
    bool *known;                   /* [lane_count] that results hold something */
    lt_survey *own_survey;         /* NULL: the caller's */
    lt_tune_result *own_results;
} side;

/* The part of the whole way that a survey is. */
typedef struct {
    lt_progress progress;
    void *context;
    double from, share;
} part_way;

static void report_part(void *context, const char *what, double fraction)
{
    const part_way *p = context;
    p->progress(p->context, what, p->from + fraction * p->share);
}

/* Figures of the lanes that have them. A lane that cannot be tuned (no calibration, no outbound recording) keeps its
 * paths; only what follows from all of them together is missing. */
static lt_status tune(side *s, const char *date, lt_notes *notes, lt_error *err)
{
    const size_t count = s->survey->lane_count;
    lt_error why = {0};
    s->known = ltp_alloc(count, sizeof *s->known);
    if (s->known == NULL)
        return ltp_fail_nomem(err, "the figures of a visit");
    lt_status st = lt_survey_tune(s->survey, &s->own_results, &why);
    s->results = s->own_results;
    if (st == LT_E_NOMEM)
        return ltp_fail(err, st, "%s", why.what);
    if (st == LT_OK) {
        for (size_t i = 0; i < count; i++)
            s->known[i] = true;
        return LT_OK;
    }
    s->results = s->own_results = ltp_alloc(count, sizeof *s->own_results);
    if (s->results == NULL)
        return ltp_fail_nomem(err, "the figures of a visit");
    for (size_t i = 0; i < count; i++) {
        why = (lt_error){0};
        if (!lt_survey_lane_is_recorded(&s->survey->lanes[i]))
            continue;
        st = lt_tune(&s->survey->lanes[i].tune, 1, &s->own_results[i], &why);
        if (st == LT_E_NOMEM)
            return ltp_fail(err, st, "%s", why.what);
        s->known[i] = st == LT_OK;
        if (st != LT_OK)
            lt_notes_add(notes, "no-figures", "Visit %s: no margin, intelligibility or echo: %.180s", date, why.what);
    }
    return LT_OK;
}

static lt_status survey(const lt_visit_place *p, unsigned only_lane, const part_way *way, side *s, lt_notes *notes,
                        lt_error *err)
{
    part_way copy = *way;
    const lt_status st = lt_survey_measure(p->dir, p->date, only_lane, way->progress != NULL ? report_part : NULL,
                                           &copy, &s->own_survey, err);
    s->survey = s->own_survey;
    return st == LT_OK ? tune(s, p->date, notes, err) : st;
}

static void side_free(side *s)
{
    lt_tune_results_free(s->own_results);
    lt_survey_free(s->own_survey);
    ltp_free(s->known);
}

/* Why recordings of a visit were left out belongs beside the comparison. */
static void carry_unusable(const side *s, const lt_survey_lane *lane, lt_notes *notes)
{
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        for (size_t k = 0; !r->usable && k < r->notes.count; k++)
            if (strcmp(r->notes.items[k].code, "recording-unusable") == 0)
                lt_notes_add(notes, r->notes.items[k].code, "Visit %s: %.200s", s->survey->visit->date,
                             r->notes.items[k].message);
    }
}

static lt_status compare_lanes(const side *b, const side *a, const lt_compare_options *opt, lt_visit_comparison *out,
                               lt_error *err)
{
    lt_error why = {0};
    out->lanes = ltp_alloc(a->survey->lane_count, sizeof *out->lanes);
    if (out->lanes == NULL)
        return ltp_fail_nomem(err, "the comparison");
    for (size_t i = 0; i < a->survey->lane_count; i++) {
        const lt_survey_lane *after = &a->survey->lanes[i];
        const unsigned number = after->lane->tune.lane;
        const lt_survey_lane *before = lt_survey_lane_of(b->survey, number);
        const bool was_recorded = before != NULL && lt_survey_lane_is_recorded(before);
        if (!was_recorded || !lt_survey_lane_is_recorded(after)) {
            if (was_recorded || lt_survey_lane_is_recorded(after))
                lt_notes_add(&out->notes, "lane-one-visit", "Lane %u was recorded in the visit %s only.", number,
                             was_recorded ? out->before.date : out->after.date);
            continue;
        }
        const size_t k = (size_t)(before - b->survey->lanes);
        lt_compare_lane *lane = &out->lanes[out->lane_count];
        const lt_compare_side sb = {.lane = &before->tune,
                                    .result = b->known[k] ? &b->results[k] : NULL,
                                    .date = out->before.date,
                                    .weather = out->weather_before};
        const lt_compare_side sa = {.lane = &after->tune,
                                    .result = a->known[i] ? &a->results[i] : NULL,
                                    .date = out->after.date,
                                    .weather = out->weather_after};
        why = (lt_error){0};
        const lt_status st = lt_compare(&sb, &sa, opt, lane, &why);
        if (st == LT_OK)
            out->lane_count++;
        else
            lt_notes_add(&out->notes, "lane-not-compared", "%s", why.what);
        lt_notes *notes = st == LT_OK ? &lane->notes : &out->notes;
        carry_unusable(b, before, notes);
        carry_unusable(a, after, notes);
    }
    if (out->lane_count > 0)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s and %s have nothing in common that can be compared%s%s", out->before.date,
                    out->after.date, out->notes.count > 0 ? ": " : "",
                    out->notes.count > 0 ? out->notes.items[0].message : "");
}

static lt_status compare_sides(const side *b, const side *a, const lt_compare_options *opt, lt_visit_comparison *out,
                               lt_error *err)
{
    (void)snprintf(out->weather_before, sizeof out->weather_before, "%s", b->survey->visit->weather);
    (void)snprintf(out->weather_after, sizeof out->weather_after, "%s", a->survey->visit->weather);
    return compare_lanes(b, a, opt, out, err);
}

/* Compares where both sides are there; frees them, and c unless it is handed over. */
static lt_status finish(lt_status st, side *b, side *a, const lt_compare_options *opt, lt_visit_comparison *c,
                        lt_visit_comparison **out, lt_error *err)
{
    if (st == LT_OK)
        st = compare_sides(b, a, opt, c, err);
    if (st == LT_OK)
        *out = c;
    else
        lt_visit_comparison_free(c);
    side_free(b);
    side_free(a);
    return st;
}

lt_status lt_visits_compare(const lt_visit_place *before, const lt_visit_place *after, unsigned only_lane,
                            const lt_compare_options *opt, lt_progress progress, void *context,
                            lt_visit_comparison **out, lt_error *err)
{
    const part_way first = {progress, context, 0.0, 0.5}, second = {progress, context, 0.5, 0.5};
    const bool same_site = strcmp(before->dir, after->dir) == 0;
    const bool swapped = same_site && strcmp(before->date, after->date) > 0;
    side b = {0}, a = {0};
    *out = NULL;
    if (same_site && strcmp(before->date, after->date) == 0)
        return ltp_fail(err, LT_E_ARG, "%s/visits/%s is given twice; give two visits", before->dir, before->date);
    lt_visit_comparison *c = ltp_alloc(1, sizeof *c);
    if (c == NULL)
        return ltp_fail_nomem(err, "the comparison");
    c->before = swapped ? *after : *before;
    c->after = swapped ? *before : *after;
    if (swapped)
        lt_notes_add(&c->notes, "visits-swapped", "The visits are compared in the order of their dates, %s first.",
                     c->before.date);
    lt_status st = survey(&c->before, only_lane, &first, &b, &c->notes, err);
    if (st == LT_OK)
        st = survey(&c->after, only_lane, &second, &a, &c->notes, err);
    return finish(st, &b, &a, opt, c, out, err);
}

/* The side of a visit that the caller has measured and, with results, tuned. */
static lt_status borrow(const lt_survey *s, const lt_tune_result *results, side *out, lt_error *err)
{
    *out = (side){.survey = s, .results = results};
    out->known = ltp_alloc(s->lane_count, sizeof *out->known);
    if (out->known == NULL)
        return ltp_fail_nomem(err, "the figures of a visit");
    for (size_t i = 0; i < s->lane_count; i++)
        out->known[i] = results != NULL;
    return LT_OK;
}

lt_status lt_visit_compare_surveyed(const lt_visit_place *before, const lt_survey *after, const lt_tune_result *results,
                                    unsigned only_lane, const lt_compare_options *opt, lt_progress progress,
                                    void *context, lt_visit_comparison **out, lt_error *err)
{
    const part_way whole = {progress, context, 0.0, 1.0};
    side b = {0};
    side a = {0};
    *out = NULL;
    lt_visit_comparison *c = ltp_alloc(1, sizeof *c);
    if (c == NULL)
        return ltp_fail_nomem(err, "the comparison");
    c->before = c->after = *before;
    (void)snprintf(c->after.date, sizeof c->after.date, "%.31s", after->visit->date);
    lt_status st = survey(&c->before, only_lane, &whole, &b, &c->notes, err);
    if (st == LT_OK)
        st = borrow(after, results, &a, err);
    return finish(st, &b, &a, opt, c, out, err);
}

void lt_visit_comparison_free(lt_visit_comparison *c)
{
    if (c == NULL)
        return;
    ltp_free(c->lanes);
    ltp_free(c);
}
