/* SPDX-License-Identifier: MIT
 * From evidence to figures at a pair of gain changes, worst case over the conditions; slack of each limit. dB. */
#include "tune/tune_internal.h"

#include <math.h>

static lt_status sii_of(const double *speech_db, double speech_gain_db, const double *noise_db, double *sii,
                        lt_error *err)
{
    double speech[LT_SPEECH_BANDS];
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        speech[i] = speech_db[i] + speech_gain_db;
    lt_sii_result r;
    const lt_status st = lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, speech, noise_db, NULL, &r, err);
    if (st == LT_OK)
        *sii = r.sii;
    return st;
}

lt_status ltp_sii_outbound(const ltp_evidence *e, double d_out_db, double *sii, lt_error *err)
{
    *sii = 1.0;
    for (size_t c = 0; c < e->count; c++) {
        double one = 0.0;
        const lt_tune_condition *k = &e->cond[c];
        const lt_status st = sii_of(k->speech_ear_db, d_out_db, k->noise_ear_db, &one, err);
        if (st != LT_OK)
            return st;
        *sii = fmin(*sii, one);
    }
    return LT_OK;
}

/* The lane's noise comes with the inbound gain, the counter's own does not. */
lt_status ltp_sii_inbound(const ltp_evidence *e, double d_in_db, double *sii, lt_error *err)
{
    *sii = 1.0;
    for (size_t c = 0; c < e->count; c++) {
        const lt_tune_condition *k = &e->cond[c];
        double noise[LT_SPEECH_BANDS];
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            noise[i] = lt_db_sum((const double[]){k->lane_noise_operator_db[i] + d_in_db, k->counter_noise_db[i]}, 2);
        double one = 0.0;
        const lt_status st = sii_of(k->speech_operator_db, d_in_db, noise, &one, err);
        if (st != LT_OK)
            return st;
        *sii = fmin(*sii, one);
    }
    return LT_OK;
}

double ltp_ear_dba(const ltp_evidence *e)
{
    double loudest = -(double)INFINITY;
    for (size_t c = 0; c < e->count; c++)
        loudest = fmax(loudest, lt_speech_dba(e->cond[c].speech_ear_db));
    return loudest;
}

double ltp_operator_dba(const ltp_evidence *e)
{
    double loudest = -(double)INFINITY;
    for (size_t c = 0; c < e->count; c++)
        loudest = fmax(loudest, lt_speech_dba(e->cond[c].speech_operator_db));
    return loudest;
}

/* Annealed copper at 20 C: d = 0.127 mm 92^((36 - n)/39), R = rho l / A; the loop is two conductors. ASTM B258. */
double ltp_cable_ohm(double gauge_awg, double length_m)
{
    const double diameter_m = 0.127e-3 * pow(92.0, (36.0 - gauge_awg) / 39.0);
    const double area_m2 = LT_PI / 4.0 * diameter_m * diameter_m;
    return 1.7241e-8 * 2.0 * length_m / area_m2;
}

/* Speech level on the outbound line at dO, as far as the amplifier is concerned: its data hold at now_db. */
static double line_speech_dbfs(const lt_tune_lane *l, double d_out_db)
{
    return lt_dbfs_from_dbov(l->line_speech_dbov) + d_out_db - (l->outbound.now_db - l->outbound.recorded_db);
}

static double headroom_at(const lt_tune_lane *l, double d_out_db)
{
    if (!lt_is_known(l->clip_line_dbfs))
        return (double)NAN;
    return l->clip_line_dbfs - (line_speech_dbfs(l, d_out_db) + LTP_CREST_DB);
}

/* Mean power of speech in the speaker, behind the cable. */
static double speaker_power_at(const lt_tune_lane *l, double d_out_db)
{
    if (!lt_is_known(l->volts_at_0_dbfs) || !(l->speaker_ohm > 0.0))
        return (double)NAN;
    const double cable_ohm = ltp_cable_ohm(l->cable_gauge_awg, l->cable_length_m);
    if (!lt_is_known(cable_ohm))
        return (double)NAN;
    const double volts = l->volts_at_0_dbfs * lt_amplitude_from_db(line_speech_dbfs(l, d_out_db)) * l->speaker_ohm /
                         (l->speaker_ohm + cable_ohm);
    return volts * volts / l->speaker_ohm;
}

/* Free field: -20 lg of the distance ratio. */
static double property_line_at(const lt_tune_lane *l, double ear_dba)
{
    if (!(l->speaker_to_property_line_m > 0.0) || !(l->speaker_to_ear_m > 0.0))
        return (double)NAN;
    return ear_dba - 20.0 * log10(l->speaker_to_property_line_m / l->speaker_to_ear_m);
}

/* The lower of both; NaN gives way to a number. */
static double worst(double a, double b)
{
    return isnan(a) || b < a ? b : a;
}

lt_status ltp_figures(const ltp_evidence *e, double d_out_db, double d_in_db, lt_tune_figures *out, lt_error *err)
{
    const lt_tune_lane *l = e->lane;
    *out = (lt_tune_figures){.margin_db = NAN, .safe_margin_db = NAN, .echo_telr_db = NAN, .echo_weighted_db = NAN};
    lt_status st = ltp_sii_outbound(e, d_out_db, &out->sii_outbound, err);
    if (st == LT_OK)
        st = ltp_sii_inbound(e, d_in_db, &out->sii_inbound, err);
    if (st != LT_OK)
        return st;
    const double both = d_out_db + d_in_db;
    for (size_t c = 0; c < e->count; c++) {
        const lt_tune_condition *k = &e->cond[c];
        out->margin_db = worst(out->margin_db, k->margin_db - both);
        out->safe_margin_db = worst(out->safe_margin_db, k->safe_margin_db - both);
        out->echo_telr_db = worst(out->echo_telr_db, k->echo_telr_db - both);
        out->echo_weighted_db = worst(out->echo_weighted_db, k->echo_weighted_db - both);
    }
    out->ear_dba = ltp_ear_dba(e) + d_out_db;
    out->operator_dba = ltp_operator_dba(e) + d_in_db;
    out->property_line_dba = property_line_at(l, out->ear_dba);
    out->headroom_db = headroom_at(l, d_out_db);
    out->speaker_power_w = speaker_power_at(l, d_out_db);
    return LT_OK;
}

/* ---- slack ---- */

/* limit - value where both are known, else not checked. */
static double below(double limit, double value)
{
    return lt_is_known(limit) && lt_is_known(value) ? limit - value : (double)INFINITY;
}

/* Amplifier and speaker, whichever is nearer. */
static double headroom_slack(const lt_tune_lane *l)
{
    const double clip = headroom_at(l, 0.0);
    const double power_w = speaker_power_at(l, 0.0);
    double slack = lt_is_known(clip) ? clip : (double)INFINITY;
    if (lt_is_known(power_w) && lt_is_known(l->speaker_power_w))
        slack = fmin(slack, lt_db_from_power(l->speaker_power_w) - lt_db_from_power(power_w));
    return slack;
}

/* Without a measured loop the settings that stand are the only evidence: their sum must not rise. */
static double safe_margin_slack(const ltp_evidence *e, double safe_margin_db)
{
    const lt_tune_lane *l = e->lane;
    if (l->duplex == LT_DUPLEX_PUSH_TO_TALK || !lt_is_known(l->safe_margin_limit_db))
        return (double)INFINITY;
    if (!e->loop_known)
        return l->outbound.now_db - l->outbound.recorded_db + l->inbound.now_db - l->inbound.recorded_db;
    return lt_is_known(safe_margin_db) ? safe_margin_db - l->safe_margin_limit_db : (double)INFINITY;
}

void ltp_slack_fill(ltp_evidence *e)
{
    const lt_tune_lane *l = e->lane;
    double safe_margin_db = NAN;
    double weighted_db = NAN;
    for (size_t c = 0; c < e->count; c++) {
        safe_margin_db = worst(safe_margin_db, e->cond[c].safe_margin_db);
        weighted_db = worst(weighted_db, e->cond[c].echo_weighted_db);
    }
    const double ear_dba = ltp_ear_dba(e);
    const double demand = l->echo_limit == LT_ECHO_LIMIT_ACCEPTABLE ? LT_ECHO_ACCEPTABLE_DB : LT_ECHO_LIMITING_DB;
    e->slack_db[LT_LIMIT_SAFE_MARGIN] = safe_margin_slack(e, safe_margin_db);
    e->slack_db[LT_LIMIT_EAR_LEVEL] = below(l->ear_limit_dba, ear_dba);
    e->slack_db[LT_LIMIT_OPERATOR_LEVEL] = below(l->operator_limit_dba, ltp_operator_dba(e));
    e->slack_db[LT_LIMIT_HEADROOM] = headroom_slack(l);
    e->slack_db[LT_LIMIT_PROPERTY_LINE] = below(l->property_line_limit_dba, property_line_at(l, ear_dba));
    e->slack_db[LT_LIMIT_TALKER_ECHO] =
        l->echo_limit == LT_ECHO_LIMIT_OFF ? (double)INFINITY : -below(demand, weighted_db);
    if (isinf(e->slack_db[LT_LIMIT_TALKER_ECHO]))
        e->slack_db[LT_LIMIT_TALKER_ECHO] = (double)INFINITY;
}
