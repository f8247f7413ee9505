/* SPDX-License-Identifier: MIT
 * From a survey to the margins of all sets of open lanes: couplings between lanes and counters, recorded or stated. */
#include "site/survey.h"

#include "base/alloc.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Recorded couplings between lanes lie with the lane that listened, those between counters with the counter. */
static void add_recorded(const lt_recording *r, bool counters, unsigned to, lt_cross_coupling *list, size_t *count)
{
    if (r->path != LT_PATH_CROSS_COUPLING || !r->usable || r->response == NULL)
        return;
    lt_cross_coupling *c = &list[(*count)++];
    *c = (lt_cross_coupling){.counters = counters,
                             .to = to,
                             .from = r->from,
                             .response = r->response,
                             .level_db = (double)NAN,
                             .distance_m = (double)NAN};
    (void)snprintf(c->condition, sizeof c->condition, "%s", r->condition);
}

static lt_status list_couplings(const lt_survey *s, lt_cross_coupling **out, size_t *count, lt_error *err)
{
    size_t room = s->site->coupling_count + s->counter_recording_count + 1;
    for (size_t i = 0; i < s->lane_count; i++)
        room += s->lanes[i].recording_count;
    *count = 0;
    *out = ltp_alloc(room, sizeof **out);
    if (*out == NULL)
        return ltp_fail_nomem(err, "the couplings between lanes");
    for (size_t i = 0; i < s->site->coupling_count; i++)
        (*out)[(*count)++] = s->site->couplings[i];
    for (size_t i = 0; i < s->lane_count; i++)
        for (size_t k = 0; k < s->lanes[i].recording_count; k++)
            if (!s->lanes[i].recordings[k].shared)
                add_recorded(&s->lanes[i].recordings[k], false, s->lanes[i].lane->tune.lane, *out, count);
    for (size_t k = 0; k < s->counter_recording_count; k++)
        add_recorded(&s->counter_recordings[k], true, s->counter_recordings[k].number, *out, count);
    return LT_OK;
}

/* A recording from a lane or counter that is not there would silently be of no use. */
static void note_strange(const lt_survey *s, const lt_cross_coupling *c, lt_notes *notes)
{
    const bool known =
        c->counters ? lt_site_counter_of(s->site, c->from) != NULL : lt_site_lane_of(s->site, c->from) != NULL;
    if (c->response == NULL || (known && c->from != c->to))
        return;
    lt_notes_add(notes, "file-name", "cross-coupling-from-%u in the folder of %s %u is not used: %s.", c->from,
                 c->counters ? "counter" : "lane", c->to,
                 known ? "it is that lane's or counter's own coupling" : "site.yaml has no such number");
}

lt_status lt_survey_open_margin(const lt_survey *s, const lt_dials *dials, double want_db, lt_open_margin **out,
                                lt_error *err)
{
    lt_open_lanes in = {.want_db = want_db};
    lt_cross_coupling *couplings = NULL;
    *out = NULL;
    if (s->lane_count > LT_OPEN_LANES_MAX)
        return ltp_fail(err, LT_E_ARG,
                        "%zu lanes were recorded; all sets of open lanes can be told for at most %d: choose some",
                        s->lane_count, (int)LT_OPEN_LANES_MAX);
    for (size_t i = 0; i < s->lane_count; i++) {
        const lt_tune_lane *t = &s->lanes[i].tune;
        in.lanes[in.lane_count++] =
            (lt_open_lane_of){.lane = t,
                              .counter = s->lanes[i].lane->counter,
                              .outbound_db = dials != NULL ? dials[i].outbound_db : t->outbound.now_db,
                              .inbound_db = dials != NULL ? dials[i].inbound_db : t->inbound.now_db};
    }
    lt_open_margin *m = ltp_alloc(1, sizeof *m);
    lt_status st = m == NULL ? ltp_fail_nomem(err, "the margins") : LT_OK;
    if (st == LT_OK)
        st = list_couplings(s, &couplings, &in.coupling_count, err);
    in.couplings = couplings;
    if (st == LT_OK)
        st = lt_open_margin_compute(&in, m, err);
    if (st == LT_OK) {
        for (size_t i = 0; i < in.coupling_count; i++)
            note_strange(s, &couplings[i], &m->warnings);
        for (size_t i = 0; i < s->lane_count; i++)
            lt_notes_append(&m->warnings, &s->lanes[i].notes);
        *out = m;
        m = NULL;
    }
    ltp_free(couplings);
    ltp_free(m);
    return st;
}

void lt_open_margin_free(lt_open_margin *m)
{
    ltp_free(m);
}
