/* SPDX-License-Identifier: MIT
 * The best objective that a lane of its own could reach with an adjuster without steps: every position between the
 * first and the last offered one counts. SII.
 *
 * Every limit gives way with gain, so at an outbound position the inbound one may be anything up to a cap, which falls
 * dB for dB where a limit holds the sum. The most that outbound positions up to x give rises with x, and what is left
 * to the inbound direction then falls: the lower of both is highest where they meet. */
#include "tune/tune_internal.h"

#include <math.h>

enum { HALVINGS = 24 };

typedef lt_status (*sii_at)(const ltp_evidence *e, double change_db, double *sii, lt_error *err);

typedef struct {
    const ltp_evidence *e;
    const ltp_axis *axis; /* the virtual grid, whose SII is known */
    sii_at sii;
    double zero_db, first_db, last_db; /* dial */
} side;

/* The highest SII up to a position: speech that is far too loud is understood less well. */
static lt_status most_up_to(const side *s, double db, double *out, lt_error *err)
{
    const lt_status st = s->sii(s->e, db - s->zero_db, out, err);
    for (size_t i = 0; i < s->axis->count && s->axis->db[i] < db && st == LT_OK; i++)
        *out = fmax(*out, s->axis->sii[i]);
    return st;
}

static double least_slack(const ltp_problem *p, const lt_limit *limits, size_t count)
{
    double least = (double)INFINITY;
    for (size_t i = 0; i < count; i++)
        least = fmin(least, ltp_slack_at(p->slack_db, limits[i], 0.0, 0.0));
    return least;
}

typedef struct {
    side out, in;
    double sum_db; /* most of dO + dI */
} room;

static room room_of(const ltp_evidence *e, const ltp_problem *p)
{
    static const lt_limit of_out[] = {LT_LIMIT_EAR_LEVEL, LT_LIMIT_HEADROOM, LT_LIMIT_PROPERTY_LINE};
    static const lt_limit of_in[] = {LT_LIMIT_OPERATOR_LEVEL};
    static const lt_limit of_sum[] = {LT_LIMIT_SAFE_MARGIN, LT_LIMIT_TALKER_ECHO};
    const lt_adjuster *out = &e->lane->outbound;
    const lt_adjuster *in = &e->lane->inbound;
    const double more_db = p->beyond ? 1.0 : 0.0;
    return (room){
        .out = {.e = e,
                .axis = &p->grid->out,
                .sii = ltp_sii_outbound,
                .zero_db = p->out_zero_db,
                .first_db = out->steps_db[0],
                .last_db =
                    fmin(out->steps_db[out->step_count - 1] + more_db, p->out_zero_db + least_slack(p, of_out, 3))},
        .in = {.e = e,
               .axis = &p->grid->in,
               .sii = ltp_sii_inbound,
               .zero_db = p->in_zero_db,
               .first_db = in->steps_db[0],
               .last_db = fmin(in->steps_db[in->step_count - 1] + more_db, p->in_zero_db + least_slack(p, of_in, 1))},
        .sum_db = least_slack(p, of_sum, 2)};
}

/* The lower of both directions with the outbound one up to `db`; *outbound_lower: which it is. */
static lt_status lower_at(const room *r, double db, double *lower, bool *outbound_lower, lt_error *err)
{
    const double in_db = fmin(r->in.last_db, r->in.zero_db + r->sum_db - (db - r->out.zero_db));
    double out = 0.0;
    double in = 0.0;
    lt_status st = most_up_to(&r->out, db, &out, err);
    if (st == LT_OK)
        st = most_up_to(&r->in, fmax(in_db, r->in.first_db), &in, err);
    *lower = fmin(out, in);
    *outbound_lower = out <= in;
    return st;
}

lt_status ltp_best_between(const ltp_evidence *e, const ltp_problem *p, double *best, lt_error *err)
{
    const room r = room_of(e, p);
    double low = r.out.first_db;
    double high = fmin(r.out.last_db, r.out.zero_db + r.sum_db - (r.in.first_db - r.in.zero_db));
    bool outbound_lower = false;
    if (high < low - LTP_SLACK_ROUNDING_DB || r.in.last_db < r.in.first_db - LTP_SLACK_ROUNDING_DB) {
        *best = fmin(p->target_sii, fmin(p->grid->out.sii[0], p->grid->in.sii[0])); /* stands at its lowest anyway */
        return LT_OK;
    }
    lt_status st = lower_at(&r, fmax(high, low), best, &outbound_lower, err);
    for (int i = 0; i < HALVINGS && !outbound_lower && st == LT_OK; i++) {
        const double middle = 0.5 * (low + high);
        double lower = 0.0;
        bool rises = false;
        st = lower_at(&r, middle, &lower, &rises, err);
        *best = fmax(*best, lower);
        *(rises ? &low : &high) = middle;
    }
    *best = fmin(*best, p->target_sii);
    return st;
}
