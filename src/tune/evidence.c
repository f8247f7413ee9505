/* SPDX-License-Identifier: MIT
 * From recordings to evidence in numbers at dO = dI = 0. Spectrum levels: dB SPL re 1 Hz; spectrum level = band level -
 * the bandwidth of ANSI S3.5. What was not recorded is assumed, and said so. */
#include "base/alloc.h"
#include "tune/tune_internal.h"

#include <math.h>
#include <string.h>

/* ---- spectra ---- */

/* Response in the 18 bands; a band that the stimulus does not reach carries nothing. */
static void response_bands(ltp_evidence *e, lt_path path, const lt_response *r, double out[LT_SPEECH_BANDS])
{
    size_t missing = 0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        out[i] = lt_response_band_level(r, LT_THIRD_SPEECH_FIRST + (int)i);
        if (isnan(out[i])) {
            out[i] = -(double)INFINITY;
            missing++;
        }
    }
    if (missing > 0)
        lt_notes_add(&e->warnings, "band-not-covered",
                     "%s: the stimulus leaves out %zu of the 18 speech bands; they count as not carried at all.",
                     lt_path_name(path), missing);
}

/* Unknown bands (a recorder of a low rate, pauses too short for a low band) take the spectrum level of the nearest
 * known one. */
static void fill_gaps(ltp_evidence *e, lt_path path, double spectrum_db[LT_SPEECH_BANDS])
{
    (void)lt_spectrum_fill(spectrum_db, lt_path_name(path), &e->assumptions);
}

void ltp_noise_bands(ltp_evidence *e, lt_path path, const lt_levels *l, double offset_db, double out[LT_SPEECH_BANDS])
{
    const bool busy = e->lane->noise_case == LT_NOISE_BUSY && !e->usual;
    lt_noise_spectrum(l, busy ? LT_NOISE_L10 : LT_NOISE_LEQ, offset_db, out);
    fill_gaps(e, path, out);
}

void ltp_speech_behind(ltp_evidence *e, lt_path path, const lt_response *r, double out[LT_SPEECH_BANDS])
{
    const lt_tune_lane *l = e->lane;
    double response[LT_SPEECH_BANDS];
    response_bands(e, path, r, response);
    lt_speech_shape(LT_EFFORT_NORMAL, lt_dbfs_from_dbov(l->line_speech_dbov), out);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] += response[i] + l->mic_cal_db;
}

static void outbound_side(ltp_evidence *e, size_t c)
{
    const lt_tune_recordings *r = &e->rec[c];
    lt_tune_condition *k = &e->cond[c];
    ltp_speech_behind(e, LT_PATH_OUTBOUND, r->outbound, k->speech_ear_db);
    if (r->noise_ear != NULL) {
        ltp_noise_bands(e, LT_PATH_NOISE_EAR, r->noise_ear, 0.0, k->noise_ear_db);
        return;
    }
    ltp_road_noise(LTP_ROAD_DBA, k->noise_ear_db);
    lt_notes_add(&e->assumptions, "noise-ear-assumed",
                 "Noise at the listening position not recorded: %.0f dB(A) with the spectrum of road traffic assumed. "
                 "Record noise-ear to know it.",
                 LTP_ROAD_DBA);
}

/* dB SPL at the operator's ear per dBFS on the inbound line. */
static void receive_bands(ltp_evidence *e, size_t c, double out[LT_SPEECH_BANDS])
{
    const lt_tune_lane *l = e->lane;
    if (e->rec[c].inbound != NULL) {
        response_bands(e, LT_PATH_INBOUND, e->rec[c].inbound, out);
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
            out[i] += l->mic_cal_db;
        return;
    }
    const double db = ltp_receive_default_db(l->listening);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = db;
    lt_notes_add(&e->assumptions, "receive-response-assumed",
                 "Receive response not measured: flat, %.0f dB SPL for 0 dBFS assumed for a %s. Record inbound at the "
                 "operator's ear to know it.",
                 db, ltp_listening_name(l->listening));
}

static double mouth_m(const lt_tune_lane *l)
{
    return l->mouth_to_microphone_m > 0.0 ? l->mouth_to_microphone_m : 1.0;
}

static double lane_mic_cal(ltp_evidence *e)
{
    const lt_tune_lane *l = e->lane;
    if (lt_is_known(l->lane_mic_cal_db))
        return l->lane_mic_cal_db;
    const double db = ltp_lane_mic_cal_default_db(mouth_m(l));
    lt_notes_add(&e->assumptions, "lane-mic-cal-assumed",
                 "lane_mic_cal_db not known and no talk test: %.1f dB SPL for 0 dBFS assumed, as if a normal voice at "
                 "%.2f m were set to -26 dBov on the line.",
                 db, mouth_m(l));
    return db;
}

/* Standard spectrum of the vocal effort at the mouth's distance, on the line. */
static void effort_on_the_line(ltp_evidence *e, double out[LT_SPEECH_BANDS])
{
    const lt_tune_lane *l = e->lane;
    const double cal_db = lane_mic_cal(e);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, l->vocal_effort, i) - 20.0 * log10(mouth_m(l)) - cal_db;
    lt_notes_add(&e->assumptions, "speech-inbound-assumed",
                 "No talk test: customers' speech taken as the standard spectrum, %s effort, at %.2f m from the lane "
                 "microphone (%.1f dB SPL for 0 dBFS).",
                 lt_vocal_effort_name(l->vocal_effort), mouth_m(l), cal_db);
}

/* Noise at the ear, measured or assumed, as the lane microphone would hear it. */
static void ear_noise_on_the_line(ltp_evidence *e, const lt_tune_condition *k, double out[LT_SPEECH_BANDS])
{
    const double cal_db = lane_mic_cal(e);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = k->noise_ear_db[i] - cal_db;
    lt_notes_add(
        &e->assumptions, "lane-noise-assumed",
        "Lane noise on the inbound line not recorded: the noise at the listening position is taken to reach the "
        "lane microphone (%.1f dB SPL for 0 dBFS). Record noise-mic to know it.",
        cal_db);
}

static void counter_noise(ltp_evidence *e, size_t c)
{
    lt_tune_condition *k = &e->cond[c];
    if (e->rec[c].noise_counter != NULL) {
        ltp_noise_bands(e, LT_PATH_NOISE_COUNTER, e->rec[c].noise_counter, 0.0, k->counter_noise_db);
        return;
    }
    ltp_office_noise(LTP_OFFICE_DBA, k->counter_noise_db);
    lt_notes_add(&e->assumptions, "counter-noise-assumed",
                 "Noise at the counter not recorded: %.0f dB(A) with the spectrum of a room assumed. Record "
                 "noise-counter to know it.",
                 LTP_OFFICE_DBA);
}

static void inbound_side(ltp_evidence *e, size_t c)
{
    const lt_tune_lane *l = e->lane;
    const lt_tune_recordings *r = &e->rec[c];
    lt_tune_condition *k = &e->cond[c];
    double receive[LT_SPEECH_BANDS];
    double *speech = k->speech_operator_db;
    double *noise = k->lane_noise_operator_db;
    receive_bands(e, c, receive);
    if (r->talk_test != NULL)
        (void)lt_talk_spectra(r->talk_test, -l->loopback_db, speech, noise);
    else
        effort_on_the_line(e, speech);
    if (r->noise_mic != NULL)
        ltp_noise_bands(e, LT_PATH_NOISE_MIC, r->noise_mic, -l->loopback_db, noise);
    else if (r->talk_test != NULL && lt_spectrum_is_known(noise))
        fill_gaps(e, LT_PATH_TALK_TEST, noise);
    else
        ear_noise_on_the_line(e, k, noise);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        speech[i] += receive[i];
        noise[i] += receive[i];
    }
    counter_noise(e, c);
}

/* A slip of the pen in site.yaml or visit.yaml, or limits tighter than the knob: figures hold either way. */
static void note_range(ltp_evidence *e, const lt_adjuster *a, const char *which)
{
    const double first_db = a->steps_db[0] - LTP_SLACK_ROUNDING_DB;
    const double last_db = a->steps_db[a->step_count - 1] + LTP_SLACK_ROUNDING_DB;
    const bool now_outside = a->now_db < first_db || a->now_db > last_db;
    const bool visit_outside = a->recorded_db < first_db || a->recorded_db > last_db;
    if (now_outside)
        lt_notes_add(
            &e->warnings, "setting-out-of-range",
            "The %s adjuster is said to stand at %g dB (now_db), but offers %g to %g dB: check site.yaml (0 where "
            "nothing is written).",
            which, a->now_db, a->steps_db[0], a->steps_db[a->step_count - 1]);
    if (visit_outside && fabs(a->recorded_db - a->now_db) > LTP_SLACK_ROUNDING_DB)
        lt_notes_add(&e->warnings, "setting-out-of-range",
                     "The %s adjuster is said to have stood at %g dB in this visit, but offers %g to %g dB: check "
                     "settings in visit.yaml.",
                     which, a->recorded_db, a->steps_db[0], a->steps_db[a->step_count - 1]);
}

static void note_what_is_not_checked(ltp_evidence *e)
{
    const lt_tune_lane *l = e->lane;
    if (!lt_is_known(l->clip_line_dbfs))
        lt_notes_add(&e->assumptions, "headroom-not-checked",
                     "The line level at which the amplifier clips (clip_line_dbfs) is not known: headroom is not "
                     "checked.");
    if (!lt_is_known(l->speaker_power_w) || !lt_is_known(l->volts_at_0_dbfs))
        lt_notes_add(&e->assumptions, "speaker-power-not-checked",
                     "The speaker's rated power or the amplifier's volts_at_0_dbfs is not known: the speaker's load is "
                     "not checked.");
    if (lt_is_known(l->property_line_limit_dba) &&
        (!(l->speaker_to_property_line_m > 0.0) || !(l->speaker_to_ear_m > 0.0)))
        lt_notes_add(
            &e->assumptions, "property-line-not-checked",
            "The distance from the speaker to the property line is not known: the limit there is not checked.");
}

/* Recordings and spectra; no loops, no echo. */
static lt_status create_spectra(const lt_tune_lane *lane, bool usual, ltp_evidence **out, lt_error *err)
{
    *out = NULL;
    lt_status st = ltp_lane_check(lane, err);
    if (st != LT_OK)
        return st;
    ltp_evidence *e = ltp_alloc(1, sizeof *e);
    if (e == NULL)
        return ltp_fail_nomem(err, "a lane's evidence");
    e->lane = lane;
    e->usual = usual;
    e->count = lane->condition_count;
    memcpy(e->rec, lane->recordings, e->count * sizeof *e->rec);
    ltp_recordings_borrow(e);
    ltp_recordings_doubts(e);
    for (size_t c = 0; c < e->count; c++) {
        memcpy(e->cond[c].name, e->rec[c].name, sizeof e->cond[c].name);
        e->cond[c].name[LT_NAME_MAX - 1] = '\0';
        outbound_side(e, c);
        inbound_side(e, c);
    }
    *out = e;
    return LT_OK;
}

lt_status ltp_evidence_of_usual_noise(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err)
{
    return create_spectra(lane, true, out, err);
}

lt_status ltp_evidence_create(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err)
{
    ltp_evidence *e = NULL;
    *out = NULL;
    lt_status st = create_spectra(lane, false, &e, err);
    if (st != LT_OK)
        return st;
    note_range(e, &lane->outbound, "outbound");
    note_range(e, &lane->inbound, "inbound");
    note_what_is_not_checked(e);
    st = ltp_paths(e, err);
    if (st != LT_OK) {
        ltp_evidence_free(e);
        return st;
    }
    ltp_slack_fill(e);
    *out = e;
    return LT_OK;
}

void ltp_evidence_free(ltp_evidence *e)
{
    if (e == NULL)
        return;
    for (size_t i = 0; i < e->loop_count; i++)
        lt_loop_free(e->loops[i]);
    ltp_free(e);
}
