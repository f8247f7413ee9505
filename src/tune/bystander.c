/* SPDX-License-Identifier: MIT
 * Privacy of the operator's words at somebody who should not understand them: from a recording made there, else from
 * the distance. Spectrum levels, dB SPL re 1 Hz. */
#include "tune/tune_internal.h"

#include <math.h>

const char *lt_privacy_from_name(lt_privacy_from f)
{
    static const char *const names[LT_PRIVACY_FROM_COUNT] = {"", "distance", "recording"};
    return (unsigned)f < LT_PRIVACY_FROM_COUNT ? names[f] : "";
}

static bool has_distance(const lt_tune_lane *l)
{
    return l->speaker_to_bystander_m > 0.0 && l->speaker_to_ear_m > 0.0;
}

/* Speech at dO = 0. The recording wins; free field from the listening position otherwise. */
static void speech_there(ltp_evidence *e, size_t c, double out[LT_SPEECH_BANDS])
{
    const lt_tune_lane *l = e->lane;
    if (e->rec[c].bystander != NULL) {
        ltp_speech_behind(e, LT_PATH_BYSTANDER, e->rec[c].bystander, out);
        return;
    }
    const double spread_db = 20.0 * log10(l->speaker_to_bystander_m / l->speaker_to_ear_m);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = e->cond[c].speech_ear_db[i] - spread_db;
}

/* false: no noise was recorded that could serve. */
static bool noise_there(ltp_evidence *e, size_t c, double out[LT_SPEECH_BANDS])
{
    if (e->rec[c].noise_bystander != NULL) {
        ltp_noise_bands(e, LT_PATH_NOISE_BYSTANDER, e->rec[c].noise_bystander, 0.0, out);
        return true;
    }
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = e->cond[c].noise_ear_db[i];
    return e->rec[c].noise_ear != NULL;
}

/* Keeps the condition with less privacy. */
static lt_status judge(const double speech_db[LT_SPEECH_BANDS], double d_out_db, const double noise_db[LT_SPEECH_BANDS],
                       lt_privacy *worst, lt_error *err)
{
    double speech[LT_SPEECH_BANDS];
    lt_privacy one;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        speech[i] = speech_db[i] + d_out_db;
    const lt_status st = lt_privacy_measure(speech, noise_db, &one, err);
    if (st == LT_OK && !(one.privacy_percent >= worst->privacy_percent))
        *worst = one;
    return st;
}

static void note_assumptions(const ltp_evidence *e, lt_tune_privacy *p)
{
    const bool own_noise = e->rec[0].noise_bystander != NULL;
    if (isnan(p->after.privacy_percent)) {
        lt_notes_add(&p->notes, "privacy-noise-missing",
                     "Privacy is not judged: neither noise-bystander nor noise-ear was recorded, and it depends on the "
                     "noise.");
        return;
    }
    lt_notes_add(&p->notes, "privacy-assumed",
                 "%s%s Noise as Leq; in a quieter moment privacy is less. A customer's own "
                 "voice is not counted.",
                 p->from == LT_PRIVACY_FROM_DISTANCE
                     ? "Speech as in a free field: 6 dB less for twice the distance, nothing in between and no echo."
                     : "Speech as recorded at the bystander.",
                 own_noise ? "" : " Noise at the bystander taken as at the customer's ear.");
}

lt_status ltp_bystander_privacy(ltp_evidence *usual, double before_d_out_db, double after_d_out_db,
                                lt_tune_privacy *out, lt_error *err)
{
    const lt_privacy unknown = {.articulation_index = (double)NAN, .privacy_percent = (double)NAN, .word = NULL};
    const bool recorded = usual->rec[0].bystander != NULL; /* what one condition has all have */
    out->before = out->after = unknown;
    out->distance_m = (double)NAN;
    if (!recorded && !has_distance(usual->lane))
        return LT_OK;
    out->from = recorded ? LT_PRIVACY_FROM_RECORDING : LT_PRIVACY_FROM_DISTANCE;
    if (!recorded)
        out->distance_m = usual->lane->speaker_to_bystander_m;
    usual->assumptions = usual->warnings = (lt_notes){0}; /* from here on: doubts about the bystander alone */
    lt_status st = LT_OK;
    for (size_t c = 0; c < usual->count && st == LT_OK; c++) {
        double speech[LT_SPEECH_BANDS];
        double noise[LT_SPEECH_BANDS];
        if (!noise_there(usual, c, noise))
            break;
        speech_there(usual, c, speech);
        st = judge(speech, before_d_out_db, noise, &out->before, err);
        if (st == LT_OK)
            st = judge(speech, after_d_out_db, noise, &out->after, err);
    }
    note_assumptions(usual, out);
    lt_notes_append(&out->notes, &usual->warnings);
    lt_notes_append(&out->notes, &usual->assumptions);
    return st;
}
