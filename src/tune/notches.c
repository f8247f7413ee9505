/* SPDX-License-Identifier: MIT
 * Notches for a lane: the smallest set, within its equalizer, that reaches a demanded margin with the least loss of
 * speech. A notch works on the loop in either direction; the loss is that of the direction where it is smaller. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <string.h>

enum { BAND_POINTS = 7, FREE_NOTCHES = 4 };
static const double free_cut_db = 12.0;
static const double free_step_db = 0.5;

typedef struct {
    const ltp_evidence *speech;
    ltp_evidence *notched; /* scratch */
    double rate_hz, d_out_db, d_in_db;
    double outbound, inbound; /* SII without notches */
} judge;

/* 10 lg of the mean |H|^2 of the notches over each speech band. */
static void band_effect(const judge *j, const lt_notch *notches, size_t count, double effect_db[LT_SPEECH_BANDS])
{
    lt_biquad filters[LT_NOTCHES_MAX];
    for (size_t k = 0; k < count; k++)
        filters[k] = lt_biquad_peaking(notches[k].hz, notches[k].q, -notches[k].cut_db, j->rate_hz);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_band band = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i);
        double sum = 0.0;
        for (int p = 0; p < BAND_POINTS; p++) {
            const double part = ((double)p + 0.5) / BAND_POINTS;
            const double hz = fmin(band.lower_hz + part * (band.upper_hz - band.lower_hz), 0.49 * j->rate_hz);
            double power = 1.0;
            for (size_t k = 0; k < count; k++)
                power *= lt_complex_power(lt_biquad_response(&filters[k], hz, j->rate_hz));
            sum += power;
        }
        effect_db[i] = lt_db_from_power(sum / BAND_POINTS);
    }
}

static bool losses(judge *j, const lt_notch *notches, size_t count, double *outbound, double *inbound)
{
    double effect_db[LT_SPEECH_BANDS];
    double now = 0.0;
    band_effect(j, notches, count, effect_db);
    for (size_t c = 0; c < j->speech->count; c++)
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
            const lt_tune_condition *from = &j->speech->cond[c];
            lt_tune_condition *to = &j->notched->cond[c];
            to->speech_ear_db[i] = from->speech_ear_db[i] + effect_db[i];
            to->speech_operator_db[i] = from->speech_operator_db[i] + effect_db[i];
            to->lane_noise_operator_db[i] = from->lane_noise_operator_db[i] + effect_db[i];
        }
    if (ltp_sii_outbound(j->notched, j->d_out_db, &now, NULL) != LT_OK)
        return false;
    *outbound = j->outbound - now;
    if (ltp_sii_inbound(j->notched, j->d_in_db, &now, NULL) != LT_OK)
        return false;
    *inbound = j->inbound - now;
    return true;
}

static double cost(void *context, const lt_notch *notches, size_t count)
{
    double outbound = 0.0;
    double inbound = 0.0;
    if (!losses(context, notches, count, &outbound, &inbound))
        return (double)INFINITY;
    return fmin(outbound, inbound);
}

static lt_notch_demand demand_of(const lt_tune_lane *l, double want_db)
{
    lt_notch_demand d = {
        .want_db = want_db, .notches_max = FREE_NOTCHES, .cut_max_db = free_cut_db, .cut_step_db = free_step_db};
    if (l->eq.kind == LT_EQ_NONE) {
        if (l->eq_filters > 0)
            d.notches_max = l->eq_filters < LT_NOTCHES_MAX ? l->eq_filters : (unsigned)LT_NOTCHES_MAX;
        return d;
    }
    d.cut_max_db = fmin(fmax(-l->eq.min_db, 0.0), 60.0);
    d.cut_step_db = l->eq.step_db > 0.0 ? l->eq.step_db : free_step_db;
    if (l->eq.kind == LT_EQ_GRAPHIC) {
        d.bands_hz = l->eq.bands_hz;
        d.band_count = l->eq.band_count;
        d.notches_max = LT_NOTCHES_MAX;
    } else {
        d.notches_max = l->eq.filters < LT_NOTCHES_MAX ? l->eq.filters : (unsigned)LT_NOTCHES_MAX;
    }
    return d;
}

static lt_status judge_create(const ltp_evidence *speech, const ltp_evidence *loops, double d_out_db, double d_in_db,
                              judge *j, lt_error *err)
{
    *j = (judge){.speech = speech, .d_out_db = d_out_db, .d_in_db = d_in_db};
    j->rate_hz = lt_loop_rate_hz(loops->loops[0]);
    for (size_t i = 1; i < loops->loop_count; i++)
        j->rate_hz = fmin(j->rate_hz, lt_loop_rate_hz(loops->loops[i]));
    if (speech == NULL)
        return LT_OK;
    j->notched = ltp_alloc(1, sizeof *j->notched);
    if (j->notched == NULL)
        return ltp_fail_nomem(err, "notches");
    *j->notched = *speech;
    lt_status st = ltp_sii_outbound(speech, d_out_db, &j->outbound, err);
    if (st == LT_OK)
        st = ltp_sii_inbound(speech, d_in_db, &j->inbound, err);
    return st;
}

lt_status ltp_lane_notches(const ltp_evidence *loops, const ltp_evidence *speech, double d_out_db, double d_in_db,
                           double want_db, lt_lane_notches *out, lt_error *err)
{
    *out = (lt_lane_notches){.sii_loss = NAN};
    out->set.safe_margin_db = out->set.margin_db = NAN;
    if (loops->loop_count == 0 || !lt_is_known(want_db)) {
        out->set.reached = true;
        return LT_OK;
    }
    judge j;
    lt_status st = judge_create(speech, loops, d_out_db, d_in_db, &j, err);
    if (st == LT_OK) {
        lt_notch_demand d = demand_of(loops->lane, want_db);
        if (speech != NULL) {
            d.cost = cost;
            d.context = &j;
        }
        st = lt_notches_reach((const lt_loop *const *)loops->loops, loops->loop_count,
                              d_out_db + d_in_db - loops->attenuation_db, &d, &out->set, err);
    }
    double outbound = 0.0;
    double inbound = 0.0;
    if (st == LT_OK && speech != NULL && out->set.count > 0 &&
        losses(&j, out->set.notches, out->set.count, &outbound, &inbound)) {
        out->judged = true;
        out->inbound = inbound < outbound;
        out->sii_loss = fmax(fmin(outbound, inbound), 0.0);
    }
    ltp_free(j.notched);
    return st;
}

void ltp_notches_doubts(const lt_notch_set *set, unsigned lane, lt_notes *notes)
{
    for (size_t i = 0; i < set->count; i++)
        if (set->moves[i])
            lt_notes_add(notes, "notch-chases-peak",
                         "Lane %u: the notch at %.0f Hz follows a peak that moves with what stands in the lane. It "
                         "helps only as long as that stays: turning down or isolating microphone and speaker better is "
                         "right.",
                         lane, set->notches[i].hz);
}
