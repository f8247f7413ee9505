/* SPDX-License-Identifier: MIT
 * Exposure of the operator's ear over a shift, from the level of speech and noise there. dB(A). */
#include "tune/tune_internal.h"

#include <math.h>

/* Of the loudest condition at dI: line and counter together, with speech or without. */
static double level_dba(const ltp_evidence *e, double d_in_db, bool speech)
{
    double loudest = -(double)INFINITY;
    for (size_t c = 0; c < e->count; c++) {
        const lt_tune_condition *k = &e->cond[c];
        double sum[LT_SPEECH_BANDS];
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            sum[i] = lt_db_sum((const double[]){k->counter_noise_db[i], k->lane_noise_operator_db[i] + d_in_db,
                                                k->speech_operator_db[i] + d_in_db},
                               speech ? 3 : 2);
        loudest = fmax(loudest, lt_speech_dba(sum));
    }
    return loudest;
}

/* One shift at one setting. */
static lt_status shift(const ltp_evidence *e, double d_in_db, const lt_tune_exposure *x, double *talk_dba,
                       double *pause_dba, lt_exposure *out, lt_error *err)
{
    const double talk = x->talk_percent / 100.0;
    *talk_dba = level_dba(e, d_in_db, true);
    *pause_dba = level_dba(e, d_in_db, false);
    const lt_exposure_task tasks[] = {{*talk_dba, talk * x->shift_hours}, {*pause_dba, (1.0 - talk) * x->shift_hours}};
    return lt_exposure_measure(tasks, 2, out, err);
}

static void note_doubts(const lt_tune_lane *l, lt_tune_exposure *x)
{
    lt_notes_add(&x->notes, "exposure-information",
                 "For information, not a medical statement (ISO 9612, NIOSH 85 dB(A)): an audiologist and local rules "
                 "decide.");
    if (x->talk_assumed || x->shift_assumed)
        lt_notes_add(&x->notes, "exposure-assumed", "Speech %.3g %% (%s) of a shift of %.3g h (%s); see site.yaml.",
                     x->talk_percent, x->talk_assumed ? "assumed" : "given", x->shift_hours,
                     x->shift_assumed ? "assumed" : "given");
    if (l->listening != LT_LISTEN_LOUDSPEAKER)
        lt_notes_add(
            &x->notes, "exposure-headset",
            "Taken at an earpiece, which reads several dB apart from the free field of the limit (ISO 11904).");
}

lt_status ltp_operator_exposure(const ltp_evidence *usual, double before_d_in_db, double after_d_in_db,
                                lt_tune_exposure *out, lt_error *err)
{
    const lt_tune_lane *l = usual->lane;
    lt_exposure before = {0};
    lt_exposure after = {0};
    out->talk_assumed = !(l->talk_percent > 0.0);
    out->shift_assumed = !(l->shift_hours > 0.0);
    out->talk_percent = out->talk_assumed ? LT_TALK_DEFAULT_PERCENT : l->talk_percent;
    out->shift_hours = out->shift_assumed ? LT_SHIFT_DEFAULT_HOURS : l->shift_hours;
    lt_status st = shift(usual, before_d_in_db, out, &out->talk_dba.before, &out->pause_dba.before, &before, err);
    if (st == LT_OK)
        st = shift(usual, after_d_in_db, out, &out->talk_dba.after, &out->pause_dba.after, &after, err);
    if (st != LT_OK)
        return st;
    out->lex_8h_dba = (lt_before_after){before.lex_8h_dba, after.lex_8h_dba};
    out->dose_percent = (lt_before_after){before.dose_percent, after.dose_percent};
    out->allowed_hours = (lt_before_after){lt_exposure_allowed_hours(out->talk_dba.before),
                                           lt_exposure_allowed_hours(out->talk_dba.after)};
    note_doubts(l, out);
    return LT_OK;
}
