/* SPDX-License-Identifier: MIT
 * speech: Speech Intelligibility Index (ANSI S3.5-1997), active speech level (ITU-T P.56), talk test. No input or
 * output. Spectrum levels: dB SPL re 1 Hz. Band levels: dB over the band. */
#ifndef LT_SPEECH_H
#define LT_SPEECH_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- SII ---- */

typedef enum {
    LT_SII_THIRD_OCTAVE,
    LT_SII_OCTAVE,
    LT_SII_CRITICAL,
    LT_SII_EQUAL_CRITICAL,
    LT_SII_METHOD_COUNT
} lt_sii_method;
typedef enum {
    LT_SII_AVERAGE,
    LT_SII_NONSENSE,
    LT_SII_CID_W22,
    LT_SII_NU_6,
    LT_SII_DRT,
    LT_SII_SHORT_PASSAGES,
    LT_SII_SPIN,
    LT_SII_IMPORTANCE_COUNT
} lt_sii_importance;
typedef enum { LT_EFFORT_NORMAL, LT_EFFORT_RAISED, LT_EFFORT_LOUD, LT_EFFORT_SHOUT, LT_EFFORT_COUNT } lt_vocal_effort;

const char *lt_sii_method_name(lt_sii_method m); /* third-octave, octave, critical, equal-critical */
const char *
lt_sii_importance_name(lt_sii_importance i);         /* average, nonsense, cid-w22, nu-6, drt, short-passages, spin */
const char *lt_vocal_effort_name(lt_vocal_effort e); /* normal, raised, loud, shout */
bool lt_sii_method_from_name(const char *name, lt_sii_method *out);
bool lt_sii_importance_from_name(const char *name, lt_sii_importance *out);
bool lt_vocal_effort_from_name(const char *name, lt_vocal_effort *out);

enum { LT_SII_BANDS_MAX = 21 };
typedef struct {
    double hz;                                      /* tabulated centre */
    double bandwidth_db;                            /* 10 lg of the bandwidth: band level - this = spectrum level */
    double normal_db, raised_db, loud_db, shout_db; /* standard speech spectrum levels at 1 m */
    double internal_noise_db;
} lt_sii_band;
size_t lt_sii_band_count(lt_sii_method m); /* 18, 6, 21, 17 */
lt_sii_band lt_sii_band_at(lt_sii_method m, size_t i);
double lt_sii_speech_db(lt_sii_method m, lt_vocal_effort e, size_t i); /* spectrum level at 1 m */
/** Importance of band i. false: the standard gives none for this pair of method and material. */
bool lt_sii_importance_at(lt_sii_method m, lt_sii_importance material, size_t i, double *out);

typedef struct {
    double sii; /* [0, 1] */
    size_t count;
    struct {
        double hz, speech_db, noise_db, threshold_db;
        double disturbance_db;
        double audibility; /* level distortion x band audibility, [0, 1] */
        double importance;
    } bands[LT_SII_BANDS_MAX];
} lt_sii_result;
/** speech_db, noise_db, threshold_db: [band count] equivalent spectrum levels (threshold in dB HL; NULL = 0).
 * -INFINITY is allowed (silence). importance: [band count] own weights, or NULL for `material`. LT_E_ARG: NaN. */
LT_NODISCARD lt_status lt_sii(lt_sii_method m, lt_sii_importance material, const double *importance,
                              const double *speech_db, const double *noise_db, const double *threshold_db,
                              lt_sii_result *out, lt_error *err);

/* ---- one-third-octave speech spectra, 160 Hz to 8 kHz ---- */

/** Spectrum levels: standard shape of `effort` scaled so that the power sum of its 18 band levels is overall_db. */
void lt_speech_shape(lt_vocal_effort effort, double overall_db, double spectrum_db[LT_SPEECH_BANDS]);
/** A-weighted power sum of 18 spectrum levels, dB(A). */
double lt_speech_dba(const double spectrum_db[LT_SPEECH_BANDS]);

/* ---- active speech level, ITU-T P.56 method B ---- */

typedef struct {
    double active_level_db;    /* dBFS; -INFINITY for silence */
    double long_term_level_db; /* dBFS */
    double activity_percent;   /* 0 for silence */
    double threshold;          /* envelope threshold of activity, full scale = 1 */
} lt_active_level;
LT_NODISCARD lt_status lt_active_level_measure(const lt_signal *s, lt_active_level *out, lt_error *err);

/* ---- talk test ---- */

enum { LT_TALK_BANDS_MAX = 32 };
typedef struct {
    lt_active_level level;
    double noise_level_db; /* mean of the pauses, dBFS; NaN without a pause */
    struct {
        lt_band band;
        double speech_db;       /* band level while active minus pauses (power; never below zero), dBFS */
        double noise_db;        /* band level in the pauses, dBFS; NaN without a pause */
    } bands[LT_TALK_BANDS_MAX]; /* one-third octaves 50 Hz .. 16 kHz as far as the rate reaches */
    size_t band_count;
    double seconds;
    lt_notes notes; /* "no-pauses", "low-snr", "clipping", "short", "silent" */
} lt_talk_test;
LT_NODISCARD lt_status lt_talk_test_measure(const lt_signal *s, lt_talk_test *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
