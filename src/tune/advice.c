/* SPDX-License-Identifier: MIT
 * Physical changes that would help, in a technician's words, most useful first. dB, SII. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

enum { MOST_REDUCTION_DB = 20 }; /* noise: beyond it no canopy helps */
static const double cable_loss_worth_db = 1.0;
static const double hum_below_db = 10.0; /* under the noise: not heard any more */
static const double long_delay_ms = 5.0; /* one way; sound over 3.4 m or processing */

void ltp_advise(lt_tune_result *r, const char *format, ...)
{
    if (r->advice_count >= LT_ADVICE_MAX)
        return;
    char *text = r->advice[r->advice_count];
    va_list args;
    va_start(args, format);
    const int length = vsnprintf(text, sizeof r->advice[0], format, args);
    va_end(args);
    if (length > 0)
        r->advice_count++;
}

static double d_out(const ltp_evidence *e, const lt_tune_result *r)
{
    return r->outbound_recommended_db - e->lane->outbound.recorded_db;
}

static double d_in(const ltp_evidence *e, const lt_tune_result *r)
{
    return r->inbound_recommended_db - e->lane->inbound.recorded_db;
}

/* ---- feedback ---- */

static void advise_notches(const ltp_evidence *e, lt_tune_result *r)
{
    const lt_margin *m = &r->margin;
    if (r->notch_count > 0) {
        const lt_notch *n = &r->notches[0];
        ltp_advise(
            r,
            "Set %zu notch%s, the first at %.0f Hz (Q %.1f, -%.1f dB), in the %s direction: %.1f dB more margin, "
            "which the gains may use after a new measurement.",
            r->notch_count, r->notch_count == 1 ? "" : "es", n->hz, n->q, n->cut_db,
            r->notches_inbound ? "inbound" : "outbound", r->safe_margin_with_notches_db - m->safe_margin_db);
    } else if (m->notch_count > 0 && e->lane->eq.kind == LT_EQ_NONE && e->lane->eq_filters == 0) {
        const lt_notch *n = &m->notches[0];
        ltp_advise(r,
                   "An equaliser with %zu notch%s, the first at %.0f Hz (Q %.1f, -%.1f dB), would give %.1f dB more "
                   "margin.",
                   m->notch_count, m->notch_count == 1 ? "" : "es", n->hz, n->q, n->cut_db,
                   m->safe_margin_with_notches_db - m->safe_margin_db);
    }
}

static void advise_feedback(const ltp_evidence *e, lt_tune_result *r)
{
    const lt_tune_lane *l = e->lane;
    if (!e->loop_known) {
        ltp_advise(r, "Record lane-coupling: without it the gains cannot be raised safely.");
        return;
    }
    advise_notches(e, r);
    const double hz = lt_is_known(r->margin.safe_hz) ? r->margin.safe_hz : r->margin.ring_hz;
    ltp_advise(
        r,
        "The loop is strongest at %.0f Hz: seal the lane microphone's and the speaker's chambers from each other, "
        "move or turn the microphone away. Each dB less coupling allows one dB more gain.",
        hz);
    if (l->listening == LT_LISTEN_LOUDSPEAKER)
        ltp_advise(r,
                   "A handset or headset at the counter couples about 20 to 30 dB less than a loudspeaker and ends the "
                   "feedback limit.");
    if (l->duplex == LT_DUPLEX_FULL && r->needed_attenuation_db > 0.0)
        ltp_advise(
            r,
            "Voice switching would add its attenuation to the feedback margin: at these settings it needs %.1f dB, "
            "usual is about 20 dB.",
            r->needed_attenuation_db);
    else if (l->duplex == LT_DUPLEX_FULL)
        ltp_advise(r, "Voice switching would add its attenuation, usually about 20 dB, to the feedback margin.");
    else if (l->duplex == LT_DUPLEX_VOICE_SWITCHED && r->needed_attenuation_db > l->switching_attenuation_db)
        ltp_advise(
            r,
            "The voice switch attenuates by %.1f dB and would have to by %.1f dB: raise its depth, or reduce the "
            "coupling.",
            l->switching_attenuation_db, r->needed_attenuation_db);
}

/* ---- noise ---- */

/* Outbound SII with the noise at the ear lowered. */
static bool outbound_in_less_noise(const ltp_evidence *e, double d_out_db, double less_db, double *sii)
{
    ltp_evidence *quiet = ltp_alloc(1, sizeof *quiet);
    if (quiet == NULL)
        return false;
    *quiet = *e;
    for (size_t c = 0; c < quiet->count; c++)
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            quiet->cond[c].noise_ear_db[i] -= less_db;
    const lt_status st = ltp_sii_outbound(quiet, d_out_db, sii, NULL);
    ltp_free(quiet);
    return st == LT_OK;
}

static void advise_ear_noise(const ltp_evidence *e, lt_tune_result *r)
{
    const double target = e->lane->target_sii;
    if (r->after.sii_outbound >= target - LTP_EQUAL_SII)
        return;
    for (int less_db = 1; less_db <= MOST_REDUCTION_DB; less_db++) {
        double sii = 0.0;
        if (!outbound_in_less_noise(e, d_out(e, r), less_db, &sii))
            return;
        if (sii < target)
            continue;
        ltp_advise(
            r,
            "Customers: %d dB less noise at the car window would reach the target (canopy lining, baffle, speaker "
            "at half the distance: 6 dB).",
            less_db);
        return;
    }
    ltp_advise(
        r, "Customers: noise reduction alone does not reach the target; bring the speaker nearer to the window (half "
           "the distance: 6 dB) and check its response between 1 and 4 kHz.");
}

/* Inbound SII with speech `more_db` stronger at the lane microphone, and the counter's noise there or not. */
static bool inbound_if(const ltp_evidence *e, double d_in_db, double more_db, bool quiet_counter, double *sii)
{
    ltp_evidence *other = ltp_alloc(1, sizeof *other);
    if (other == NULL)
        return false;
    *other = *e;
    for (size_t c = 0; c < other->count; c++)
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
            other->cond[c].speech_operator_db[i] += more_db;
            if (quiet_counter)
                other->cond[c].counter_noise_db[i] = -(double)INFINITY;
        }
    const lt_status st = ltp_sii_inbound(other, d_in_db, sii, NULL);
    ltp_free(other);
    return st == LT_OK;
}

static void advise_operator_noise(const ltp_evidence *e, lt_tune_result *r)
{
    const double now = r->after.sii_inbound;
    if (now >= e->lane->target_sii - LTP_EQUAL_SII)
        return;
    double closer = 0.0;
    double quiet = 0.0;
    if (!inbound_if(e, d_in(e, r), 6.0, false, &closer) || !inbound_if(e, d_in(e, r), 0.0, true, &quiet))
        return;
    if (closer > now + 0.01)
        ltp_advise(
            r,
            "Operator: the lane microphone at half the distance from the customer's mouth (6 dB more speech) would "
            "bring %.2f instead of %.2f.",
            fmin(closer, 1.0), now);
    if (quiet > now + 0.01)
        ltp_advise(r, "Operator: the counter's own noise costs %.2f; %s, or quieten the machines near the position.",
                   quiet - now,
                   e->lane->listening == LT_LISTEN_HEADSET ? "use a headset with closed cups"
                                                           : "use a handset or closed headset");
}

/* ---- the other limits ---- */

static void advise_range(const ltp_evidence *e, lt_tune_result *r)
{
    const bool out = r->outbound_step + 1 >= e->lane->outbound.step_count;
    const bool in = r->inbound_step + 1 >= e->lane->inbound.step_count;
    if (!out && !in)
        return;
    ltp_advise(
        r,
        "The %s at the last step: give that direction more gain elsewhere (amplifier, line pad, microphone), then "
        "measure again.",
        out && in ? "outbound and inbound adjusters stand"
        : out     ? "outbound adjuster stands"
                  : "inbound adjuster stands");
}

static void advise_headroom(const ltp_evidence *e, lt_tune_result *r)
{
    const lt_tune_lane *l = e->lane;
    if (lt_is_known(r->after.headroom_db) && r->after.headroom_db < 3.0)
        ltp_advise(r, "The amplifier has %.1f dB left before speech peaks clip: one of twice the power gives 3 dB.",
                   r->after.headroom_db);
    else
        ltp_advise(r,
                   "The speaker is at its rated power: one of twice the rating, or of higher sensitivity, gives 3 dB.");
    const double loss_db =
        lt_db_from_amplitude((l->speaker_ohm + ltp_cable_ohm(l->cable_gauge_awg, l->cable_length_m)) / l->speaker_ohm);
    const double thicker_db = lt_db_from_amplitude(
        (l->speaker_ohm + ltp_cable_ohm(l->cable_gauge_awg - 4.0, l->cable_length_m)) / l->speaker_ohm);
    if (loss_db > cable_loss_worth_db)
        ltp_advise(r, "The speaker cable loses %.1f dB; AWG %.0f instead of %.0f would lose %.1f dB.", loss_db,
                   l->cable_gauge_awg - 4.0, l->cable_gauge_awg, thicker_db);
}

static void advise_echo(const ltp_evidence *e, lt_tune_result *r)
{
    double one_way_ms = 0.0;
    for (size_t c = 0; c < e->count; c++)
        if (e->cond[c].echo_one_way_ms > one_way_ms)
            one_way_ms = e->cond[c].echo_one_way_ms;
    if (one_way_ms >= long_delay_ms)
        ltp_advise(
            r,
            "The operator's own voice comes back %.0f ms later: processing sits in the path. Take it out or fit an "
            "echo canceller there.",
            2.0 * one_way_ms);
    else if (one_way_ms < 0.1)
        ltp_advise(
            r, "The operator's own voice comes back with no delay, as over the cable: use a separate twisted pair for "
               "each direction and check for crosstalk.");
    else
        ltp_advise(
            r,
            "The operator's own voice comes back through the air: seal the lane microphone from the speaker, or move "
            "it away from it; each dB counts.");
}

static void advise_limit(const ltp_evidence *e, lt_tune_result *r, lt_limit limit)
{
    switch (limit) {
    case LT_LIMIT_SAFE_MARGIN:
        advise_feedback(e, r);
        break;
    case LT_LIMIT_EAR_LEVEL:
        ltp_advise(r,
                   "Speech at the car window is as loud as allowed (%.0f dB(A)): only less noise there helps further.",
                   e->lane->ear_limit_dba);
        break;
    case LT_LIMIT_OPERATOR_LEVEL:
        ltp_advise(r, "Speech at the operator's ear is as loud as allowed (%.0f dB(A)): only less noise helps further.",
                   e->lane->operator_limit_dba);
        break;
    case LT_LIMIT_HEADROOM:
        advise_headroom(e, r);
        break;
    case LT_LIMIT_PROPERTY_LINE:
        ltp_advise(r,
                   "The property line limits the outbound level: a speaker nearer to the window, aimed at it (half the "
                   "distance: 6 dB). The local code decides what is allowed.");
        break;
    case LT_LIMIT_TALKER_ECHO:
        advise_echo(e, r);
        break;
    case LT_LIMIT_RANGE:
        advise_range(e, r);
        break;
    case LT_LIMIT_NOISE:
    case LT_LIMIT_TARGET:
    case LT_LIMIT_COUNT:
        break;
    }
}

/* Is hum a part of what is heard on the line? A-weighted lines against the A-weighted whole. */
static bool hum_is_heard(const lt_levels *l)
{
    double lines_db[LT_HUM_LINES_MAX];
    const size_t count = l->line_count < LT_HUM_LINES_MAX ? l->line_count : LT_HUM_LINES_MAX;
    for (size_t i = 0; i < count; i++)
        lines_db[i] = l->lines[i].level_db + lt_weight_a_db(l->lines[i].hz);
    return l->hum && lt_db_sum(lines_db, count) > l->laeq_db - hum_below_db;
}

static void advise_hum(const ltp_evidence *e, lt_tune_result *r)
{
    const lt_levels *line = e->rec[0].noise_mic;
    if (line != NULL && hum_is_heard(line))
        ltp_advise(
            r,
            "Mains hum (%.0f Hz) is on the inbound line: isolate it with a transformer, keep it off mains cables, "
            "check the shield. Mains wiring is for licensed persons, under the local code.",
            line->mains_hz);
}

static void advise_privacy(lt_tune_result *r)
{
    const lt_tune_privacy *p = &r->privacy;
    char where[48] = "where bystander was recorded";
    if (!(p->after.privacy_percent < LT_PRIVACY_NORMAL_PERCENT))
        return;
    if (p->from == LT_PRIVACY_FROM_DISTANCE)
        (void)snprintf(where, sizeof where, "%.1f m from the speaker", p->distance_m);
    ltp_advise(r,
               "Somebody %s can follow what the operator says (privacy index %.0f %%, normal privacy is %.0f %% and "
               "more): a handset at the lane keeps it private.",
               where, p->after.privacy_percent, LT_PRIVACY_NORMAL_PERCENT);
}

void ltp_advice(const ltp_evidence *e, lt_tune_result *r)
{
    for (size_t i = 0; i < r->binding_count; i++)
        advise_limit(e, r, r->binding[i].limit);
    advise_ear_noise(e, r);
    advise_operator_noise(e, r);
    advise_hum(e, r);
    advise_privacy(r);
}
