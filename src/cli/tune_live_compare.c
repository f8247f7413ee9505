/* SPDX-License-Identifier: MIT
 * Before, predicted, measured: the same lane at two pairs of settings, over the conditions that both visits hold. dB.
 */
#include "tune_live.h"

#include "base/alloc.h"

#include <stdlib.h>
#include <string.h>

/* Ours. A band nearer to the noise moves with the noise. */
static const double least_snr_db = 10.0;
enum { BANDS_LEAST = 5 };
/* What a repeated measurement of the same lane may differ by; a limit missed by less is not missed. */
static const double repeats_db = 0.5;
/* Between what the knobs promise and what the loop did; a knob's scale is no instrument. */
static const double promised_db = 1.5;
static const double same_setting_db = 0.05;

/* ---- what moved ---- */

static int by_size(const void *a, const void *b)
{
    const double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

static const lt_response_band *band_of(const lt_response *r, int index)
{
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.index == index)
            return &r->bands[i];
    return NULL;
}

double cli_tune_moved_db(const lt_response *before, const lt_response *after)
{
    double moved[LT_SPEECH_BANDS];
    size_t n = 0;
    for (int i = LT_THIRD_SPEECH_FIRST; i < LT_THIRD_SPEECH_FIRST + LT_SPEECH_BANDS; i++) {
        const lt_response_band *a = band_of(before, i), *b = band_of(after, i);
        if (a != NULL && b != NULL && a->snr_db > least_snr_db && b->snr_db > least_snr_db)
            moved[n++] = b->level_db - a->level_db;
    }
    if (n < BANDS_LEAST)
        return (double)NAN;
    qsort(moved, n, sizeof *moved, by_size);
    return (moved[(n - 1) / 2] + moved[n / 2]) / 2.0;
}

static const lt_recording *find(const lt_survey_lane *lane, lt_path path, const char *condition)
{
    for (size_t i = 0; i < lane->recording_count; i++) {
        const lt_recording *r = &lane->recordings[i];
        if (r->usable && r->path == path && strcmp(r->condition, condition) == 0)
            return r;
    }
    return NULL;
}

static void find_movements(const lt_survey_lane *before, const lt_survey_lane *after, lt_dialled_lane *d)
{
    for (int p = 0; p < LT_PATH_COUNT; p++) {
        d->moved_db[p] = (double)NAN;
        for (size_t i = 0; i < before->recording_count && lt_path_is_swept((lt_path)p); i++) {
            const lt_recording *a = &before->recordings[i];
            const lt_recording *b = find(after, (lt_path)p, a->condition);
            if (!a->usable || a->path != (lt_path)p || b == NULL || lt_is_known(d->moved_db[p]))
                continue;
            d->moved_db[p] = cli_tune_moved_db(a->response, b->response);
        }
    }
    const double counter_db = d->moved_db[LT_PATH_COUNTER_COUPLING];
    d->loop_moved_db = lt_is_known(d->moved_db[LT_PATH_LOOP]) ? d->moved_db[LT_PATH_LOOP]
                       : lt_is_known(counter_db)              ? d->moved_db[LT_PATH_LANE_COUPLING] + counter_db
                                                              : (double)NAN;
}

bool cli_tune_nothing_moved(const lt_dialled_lane *d)
{
    const double most_db =
        fmax(fabs(d->outbound_to_db - d->outbound_from_db), fabs(d->inbound_to_db - d->inbound_from_db));
    bool known = false;
    for (int p = 0; p < LT_PATH_COUNT; p++) {
        known |= lt_is_known(d->moved_db[p]);
        if (fabs(d->moved_db[p]) > fmin(0.5 * most_db, 0.5)) /* false for NaN */
            return false;
    }
    return known && d->measured_again;
}

static void note_movements(lt_dialled_lane *d)
{
    const double out_db = d->outbound_to_db - d->outbound_from_db, in_db = d->inbound_to_db - d->inbound_from_db;
    const double ear_db = d->moved_db[LT_PATH_OUTBOUND];
    if (fabs(d->loop_moved_db - out_db - in_db) > promised_db)
        lt_notes_add(&d->notes, "not-as-dialled",
                     "The loop moved by %.1f dB, the settings by %.1f dB: look whether the knobs stand where they "
                     "should, and whether their scale is right.",
                     d->loop_moved_db, out_db + in_db);
    else if (fabs(ear_db - out_db) > promised_db)
        lt_notes_add(&d->notes, "outbound-not-as-dialled",
                     "The outbound response moved by %.1f dB, the setting by %.1f dB. If the knob was turned, it sits "
                     "before the point where the sweep is fed in: then line_speech_dbov moved with it, and the "
                     "measured level and SII at the customer's ear are those of the old setting.",
                     ear_db, out_db);
}

/* ---- conditions that both visits hold ---- */

static bool is_held(const lt_survey_lane *before, const lt_survey_lane *after, const char *condition)
{
    bool any = false;
    for (size_t i = 0; i < before->recording_count; i++) {
        const lt_recording *r = &before->recordings[i];
        if (!r->usable || strcmp(r->condition, condition) != 0)
            continue;
        any = true;
        if (find(after, r->path, condition) == NULL)
            return false;
    }
    return any;
}

static bool is_listed(const lt_dialled_lane *d, const char *condition)
{
    for (size_t i = 0; i < d->condition_count; i++)
        if (strcmp(d->conditions[i], condition) == 0)
            return true;
    return false;
}

/* Leaves only the conditions of d; false if none is left. */
static bool restrict_to(const lt_dialled_lane *d, lt_tune_lane *t)
{
    size_t kept = 0;
    for (size_t i = 0; i < t->condition_count; i++)
        if (is_listed(d, t->recordings[i].name))
            t->recordings[kept++] = t->recordings[i];
    t->condition_count = kept;
    return kept > 0;
}

/* ---- limits ---- */

static void miss(lt_dialled_lane *d, lt_limit limit, double by_db)
{
    if (by_db > repeats_db && d->unmet_count < LT_LIMIT_COUNT) /* false for NaN */
        d->unmet[d->unmet_count++] = (lt_unmet){.limit = limit, .by_db = by_db};
}

static void judge(const lt_tune_lane *t, lt_dialled_lane *d)
{
    const lt_tune_figures *m = &d->measured;
    const double echo_db = t->echo_limit == LT_ECHO_LIMIT_ACCEPTABLE ? 14.0 /* G.131, as tune counts it */
                           : t->echo_limit == LT_ECHO_LIMIT_LIMITING ? 8.0
                                                                     : (double)NAN;
    miss(d, LT_LIMIT_SAFE_MARGIN, t->safe_margin_limit_db - m->safe_margin_db);
    miss(d, LT_LIMIT_EAR_LEVEL, m->ear_dba - t->ear_limit_dba);
    miss(d, LT_LIMIT_OPERATOR_LEVEL, m->operator_dba - t->operator_limit_dba);
    miss(d, LT_LIMIT_HEADROOM, -m->headroom_db);
    miss(d, LT_LIMIT_PROPERTY_LINE, m->property_line_dba - t->property_line_limit_dba);
    miss(d, LT_LIMIT_TALKER_ECHO, echo_db - m->echo_weighted_db);
    /* The safe margin is what no change of phase can undercut; below zero it is luck that nothing howls. */
    d->unstable = m->margin_db <= 0.0 || m->safe_margin_db <= 0.0;
}

/* ---- before the knobs are turned ---- */

void cli_tune_choose(const lt_survey_lane *lane, const lt_tune_result *r, lt_dialled_lane *d)
{
    d->lane = r->lane;
    memcpy(d->name, r->name, sizeof d->name);
    d->outbound_from_db = lane->tune.outbound.recorded_db;
    d->inbound_from_db = lane->tune.inbound.recorded_db;
    d->outbound_to_db = r->outbound_recommended_db;
    d->inbound_to_db = r->inbound_recommended_db;
    d->before = d->predicted = d->measured = (lt_tune_figures){.sii_outbound = NAN,
                                                               .sii_inbound = NAN,
                                                               .margin_db = NAN,
                                                               .safe_margin_db = NAN,
                                                               .ear_dba = NAN,
                                                               .operator_dba = NAN,
                                                               .property_line_dba = NAN,
                                                               .echo_telr_db = NAN,
                                                               .echo_weighted_db = NAN,
                                                               .headroom_db = NAN,
                                                               .speaker_power_w = NAN};
    for (int p = 0; p < LT_PATH_COUNT; p++)
        d->moved_db[p] = (double)NAN;
    d->loop_moved_db = (double)NAN;
    const bool changes = fabs(d->outbound_to_db - d->outbound_from_db) > same_setting_db ||
                         fabs(d->inbound_to_db - d->inbound_from_db) > same_setting_db;
    if (r->after.margin_db <= 0.0 || r->after.safe_margin_db <= 0.0) {
        lt_notes_add(&d->notes, "unstable",
                     "Refused: even at the quietest settings %.1f dB of margin are missing to a loop that cannot howl. "
                     "Nothing is played into it; see what lanetune tune advises to change.",
                     -fmin(r->after.safe_margin_db, r->after.margin_db));
        return;
    }
    if (!changes) {
        lt_notes_add(&d->notes, "best-already", "The present settings are the best that are offered.");
        return;
    }
    for (size_t i = 0; i < r->unmet_count; i++)
        lt_notes_add(&d->notes, "unmet", "No setting keeps the limit %s (%.1f dB short); the quietest is dialled in.",
                     lt_limit_name(r->unmet[i].limit), r->unmet[i].by_db);
    d->dialled = true;
}

/* ---- both visits ---- */

static lt_status figures(const lt_survey_lane *lane, const lt_dialled_lane *d, bool at_new, lt_tune_figures *out,
                         lt_error *err)
{
    lt_tune_lane *t = ltp_alloc(1, sizeof *t);
    if (t == NULL)
        return ltp_fail_nomem(err, "the figures of a lane");
    *t = lane->tune;
    const double out_db = at_new ? d->outbound_to_db : d->outbound_from_db;
    const double in_db = at_new ? d->inbound_to_db : d->inbound_from_db;
    const lt_status st = restrict_to(d, t) ? lt_tune_figures_at(t, out_db, in_db, out, err) : LT_OK;
    ltp_free(t);
    return st;
}

lt_status cli_tune_compare(const lt_survey_lane *before, const lt_survey_lane *after, lt_dialled_lane *d, lt_error *err)
{
    d->condition_count = 0;
    for (size_t i = 0; i < before->tune.condition_count; i++) {
        const char *name = before->tune.recordings[i].name;
        if (is_held(before, after, name))
            (void)snprintf(d->conditions[d->condition_count++], LT_NAME_MAX, "%s", name);
    }
    find_movements(before, after, d);
    d->measured_again = d->condition_count > 0;
    if (!d->measured_again)
        return LT_OK;
    lt_status st = figures(before, d, false, &d->before, err);
    if (st == LT_OK)
        st = figures(before, d, true, &d->predicted, err);
    if (st == LT_OK)
        st = figures(after, d, true, &d->measured, err);
    if (st != LT_OK)
        return st;
    judge(&after->tune, d);
    note_movements(d);
    return LT_OK;
}
