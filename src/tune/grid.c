/* SPDX-License-Identifier: MIT
 * The settings to choose from: the adjusters' own steps, or a fine virtual grid between them. dB, dial positions. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>

static const double beyond_db = 30.0;     /* how far the steps are continued to see what the range costs */
static const double fine_step_db = 0.25;  /* of the virtual grid; coarser only if the range is over 125 dB */
static const double relaxed_db = 1.0;     /* the virtual grid goes on by what a limit is relaxed */
static const double single_step_db = 1.0; /* continuation of an adjuster with a single setting */
enum { FINE_MAX = 500 };

static lt_status axis_create(size_t count, size_t offered, ltp_axis *out, lt_error *err)
{
    *out = (ltp_axis){.count = count, .offered = offered};
    out->db = ltp_alloc(count, sizeof *out->db);
    out->sii = ltp_alloc(count, sizeof *out->sii);
    return out->db != NULL && out->sii != NULL ? LT_OK : ltp_fail_nomem(err, "a search grid");
}

/* The steps, then on with the last increment for 30 dB. */
static lt_status offered_axis(const lt_adjuster *a, ltp_axis *out, lt_error *err)
{
    const size_t n = a->step_count;
    const double step = n > 1 ? fmax(a->steps_db[n - 1] - a->steps_db[n - 2], fine_step_db) : single_step_db;
    const size_t more = (size_t)ceil(beyond_db / step);
    const lt_status st = axis_create(n + more, n, out, err);
    if (st != LT_OK)
        return st;
    for (size_t i = 0; i < out->count; i++)
        out->db[i] = i < n ? a->steps_db[i] : a->steps_db[n - 1] + step * (double)(i - n + 1);
    return LT_OK;
}

static lt_status fine_axis(const lt_adjuster *a, ltp_axis *out, lt_error *err)
{
    const double first = a->steps_db[0];
    const double span = a->steps_db[a->step_count - 1] - first;
    const double step = fmax(fine_step_db, ceil(span / FINE_MAX / fine_step_db) * fine_step_db);
    const size_t n = (size_t)floor(span / step + 1e-9) + 1;
    const size_t more = (size_t)ceil(relaxed_db / step);
    const lt_status st = axis_create(n + more, n, out, err);
    if (st != LT_OK)
        return st;
    for (size_t i = 0; i < out->count; i++)
        out->db[i] = first + step * (double)i;
    return LT_OK;
}

static lt_status fill_sii(const ltp_evidence *e, ltp_settings_grid *g, lt_error *err)
{
    lt_status st = LT_OK;
    for (size_t i = 0; i < g->out.count && st == LT_OK; i++)
        st = ltp_sii_outbound(e, g->out.db[i] - e->lane->outbound.recorded_db, &g->out.sii[i], err);
    for (size_t i = 0; i < g->in.count && st == LT_OK; i++)
        st = ltp_sii_inbound(e, g->in.db[i] - e->lane->inbound.recorded_db, &g->in.sii[i], err);
    return st;
}

typedef lt_status (*make_axis)(const lt_adjuster *a, ltp_axis *out, lt_error *err);

static lt_status make(const ltp_evidence *e, make_axis axis, ltp_settings_grid *out, lt_error *err)
{
    *out = (ltp_settings_grid){0};
    lt_status st = axis(&e->lane->outbound, &out->out, err);
    if (st == LT_OK)
        st = axis(&e->lane->inbound, &out->in, err);
    return st == LT_OK ? fill_sii(e, out, err) : st;
}

lt_status ltp_settings_grid_offered(const ltp_evidence *e, ltp_settings_grid *out, lt_error *err)
{
    return make(e, offered_axis, out, err);
}

lt_status ltp_settings_grid_fine(const ltp_evidence *e, ltp_settings_grid *out, lt_error *err)
{
    return make(e, fine_axis, out, err);
}

void ltp_settings_grid_free(ltp_settings_grid *g)
{
    ltp_free(g->out.db);
    ltp_free(g->out.sii);
    ltp_free(g->in.db);
    ltp_free(g->in.sii);
    *g = (ltp_settings_grid){0};
}
