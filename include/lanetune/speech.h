/* SPDX-License-Identifier: MIT
 * speech: Speech Intelligibility Index (ANSI S3.5-1997), Speech Transmission Index (IEC 60268-16), active speech level
 * (ITU-T P.56), talk test, STOI. No input or output. Spectrum levels: dB SPL re 1 Hz. Band levels: dB over the band. */
#ifndef LT_SPEECH_H
#define LT_SPEECH_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>
#include <lanetune/level.h>
#include <lanetune/response.h>

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
    double eardrum_db; /* free field to eardrum: level at the eardrum - this = equivalent level */
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
/** With a hearing loss: threshold_db holds the whole threshold, conductive_db [band count] the part of it that is
 * conductive (Annex A; NULL = none). */
LT_NODISCARD lt_status lt_sii_with_loss(lt_sii_method m, lt_sii_importance material, const double *importance,
                                        const double *speech_db, const double *noise_db, const double *threshold_db,
                                        const double *conductive_db, lt_sii_result *out, lt_error *err);

enum { LT_SII_MODULATIONS = 9 };
double lt_sii_modulation_hz(size_t i); /* 0.5 .. 16 Hz */
/** Speech and noise from a combined spectrum level and modulation transfer values in [0, 1] (clauses 5.2 and 5.3).
 * LT_E_ARG: NaN, out of range. */
LT_NODISCARD lt_status lt_sii_from_mtf(double combined_db, const double m[LT_SII_MODULATIONS], double *speech_db,
                                       double *noise_db, lt_error *err);
/** Spectrum levels of one-third octaves (18, from 160 Hz) to those of a procedure's bands: mean power per hertz over
 * each band; beyond the thirds, as at their ends. out_db [band count]. */
void lt_sii_from_thirds(lt_sii_method m, const double third_db[LT_SPEECH_BANDS], double *out_db);
/** Values that are no powers (hearing thresholds), straight over the logarithm of frequency. */
void lt_sii_interpolate_thirds(lt_sii_method m, const double third_db[LT_SPEECH_BANDS], double *out_db);

/** By how much (dB, positive = louder) a noise may change before SII (one-third-octave method, average speech) falls
 * under `sii`. NaN: it is under it even in quiet. speech_db, noise_db as for lt_sii(). LT_E_ARG: NaN. */
LT_NODISCARD lt_status lt_sii_noise_limit(const double speech_db[LT_SPEECH_BANDS],
                                          const double noise_db[LT_SPEECH_BANDS], double sii, double *offset_db,
                                          lt_error *err);

/* ---- privacy, in the terms of ASTM E1130 ---- */

typedef struct {
    double articulation_index; /* [0, 1], ANSI S3.5-1969 */
    double privacy_percent;    /* privacy index, 100 (1 - AI) */
    const char *word;          /* confidential, normal, marginal, none: customary classes */
} lt_privacy;
#define LT_PRIVACY_NORMAL_PERCENT 80.0 /* from here on privacy counts as normal; customary */
/** At the place of somebody who should not understand: spectrum levels of one-third octaves from 160 Hz. LT_E_ARG: NaN.
 */
LT_NODISCARD lt_status lt_privacy_measure(const double speech_db[LT_SPEECH_BANDS],
                                          const double noise_db[LT_SPEECH_BANDS], lt_privacy *out, lt_error *err);

/* ---- exposure of a working day, by equal energy: information, not a medical statement ---- */

typedef struct {
    double level_dba; /* at the ear as in a free field; -INFINITY = silence */
    double hours;     /* >= 0 */
} lt_exposure_task;
typedef struct {
    double lex_8h_dba;   /* daily exposure level, ISO 9612: 10 lg (sum of T_m / 8 h 10^(L_m / 10)); -INFINITY = none */
    double dose_percent; /* NIOSH: 100 sum of T_m / allowed hours; 100 = the limit. All levels count, also low ones */
} lt_exposure;
/** Tasks of one day one after the other. LT_E_ARG: NaN, negative time, more than 24 h in all. */
LT_NODISCARD lt_status lt_exposure_measure(const lt_exposure_task *tasks, size_t count, lt_exposure *out,
                                           lt_error *err);
/** Hours a day at one level that make a dose of 100 %: 8 h at 85 dB(A), half of it for 3 dB more (NIOSH). */
double lt_exposure_allowed_hours(double level_dba);

/* ---- STI, IEC 60268-16:2020 (edition 5) ---- */

enum { LT_STI_BANDS = 7, LT_STI_MODULATIONS = 14, LT_STIPA_MODULATIONS = 2 };
typedef enum { LT_STI_MALE, LT_STI_FEMALE /* edition 4 */, LT_STI_VOICE_COUNT } lt_sti_voice;
typedef enum { LT_STI_IMPULSE_RESPONSE, LT_STI_STIPA, LT_STI_METHOD_COUNT } lt_sti_method;
const char *lt_sti_voice_name(lt_sti_voice v); /* male, female */
bool lt_sti_voice_from_name(const char *name, lt_sti_voice *out);
const char *lt_sti_method_name(lt_sti_method m); /* impulse-response, stipa */
double lt_sti_band_hz(size_t band);              /* 125 Hz .. 8 kHz, nominal; NaN beyond */
double lt_sti_modulation_hz(size_t i);           /* 0.63 .. 12.5 Hz; NaN beyond */
double lt_stipa_modulation_hz(size_t band, size_t i);
double lt_sti_speech_db(size_t band); /* male octave spectrum, dB re its A-weighted level */

/** Octave band levels, dB SPL. -INFINITY = silence. */
typedef struct {
    double speech_db[LT_STI_BANDS], noise_db[LT_STI_BANDS];
} lt_sti_levels;
/** What noise, auditory masking and reception threshold leave of a modulation, I_s / (I_s + I_n + I_am + I_rt). Masking
 * comes from the total of speech and noise in the next lower band. A noise correction divides by the factors of the
 * measurement and multiplies by those of the operation. LT_E_ARG: NaN or +INFINITY. */
LT_NODISCARD lt_status lt_sti_level_factors(const lt_sti_levels *levels, double factor[LT_STI_BANDS], lt_error *err);

typedef struct {
    lt_sti_voice voice;
    double snr_db;               /* one figure for all bands; NaN = no noise */
    const lt_sti_levels *levels; /* NULL: no level is known, so no masking and no threshold. Not together with snr_db */
} lt_sti_options;
lt_sti_options lt_sti_default_options(void);

typedef struct {
    double sti;           /* [0, 1] */
    const char *category; /* qualification band, A+ to U */
    const char *label;    /* bad, poor, fair, good, excellent */
    lt_sti_method method;
    lt_sti_voice voice;
    size_t modulations; /* of each band: 14, STIPA 2 */
    struct {
        double hz;  /* nominal */
        double mti; /* [0, 1] */
        struct {
            double hz, m; /* m: with noise, masking and threshold where they are known, [0, 1] */
        } mtf[LT_STI_MODULATIONS];
    } bands[LT_STI_BANDS];
    double seconds, used_s;        /* of the recording; what of it was evaluated. NaN but for STIPA */
    double drift_ppm;              /* positive: the recording is longer than what was played; NaN but for STIPA */
    double level_db[LT_STI_BANDS]; /* octave band levels of the recording, dBFS; NaN but for STIPA */
    lt_notes notes; /* "low-snr", "ir-short", "empty-band", "band-limited", "clipping", "spoiled", "short", "drift",
                       "unsteady" */
} lt_sti_result;

/** From modulation transfer values [band][modulation]; those above 1 count as 1. LT_E_ARG: NaN, negative. */
LT_NODISCARD lt_status lt_sti_from_mtf(double m[LT_STI_BANDS][LT_STI_MODULATIONS], lt_sti_method method,
                                       const lt_sti_options *opt, lt_sti_result *out, lt_error *err);
/** Schroeder's modulation transfer of a path, octave by octave; the octave filters' own is divided out, noise of the
 * measurement is left out. The path must be linear and must not change: voice switching, automatic gain and limiters
 * are not seen. LT_E_ARG rate below 16 kHz; LT_E_SNR silence. */
LT_NODISCARD lt_status lt_sti_from_ir(const lt_ir *ir, const lt_sti_options *opt, lt_sti_result *out, lt_error *err);

typedef struct {
    double rate_hz;  /* [22050, 192000]                         48000 */
    double seconds;  /* [1, 3600]; the standard: 15 to 25       20    */
    double rms_dbfs; /* RMS; LT_E_ARG if peaks would clip       -20   */
    uint64_t seed;
} lt_stipa_options;
lt_stipa_options lt_stipa_default_options(void);
/** STIPA: seven half-octave pink carriers, each modulated with its two frequencies in opposite phase, in the male
 * octave spectrum. The carriers' own slow fluctuations are taken out. */
LT_NODISCARD lt_status lt_stipa_create(const lt_stipa_options *opt, lt_signal **out, lt_error *err);
/** STIPA from a recording at any rate from 16 kHz on, with clock drift, starting anywhere; what an event spoils is left
 * out. With levels, the recording counts as free of noise. cal_db: the SPL that reads 0 dBFS, or NaN; masking and
 * threshold then come from the recording's own levels. Not together with levels or snr_db. LT_E_ARG rate; LT_E_SNR no
 * STIPA signal found, or too little of it; LT_E_FORMAT played or recorded at a wrong rate. */
LT_NODISCARD lt_status lt_stipa_measure(const lt_signal *s, const lt_sti_options *opt, double cal_db,
                                        lt_sti_result *out, lt_error *err);

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

/* ---- recordings in the 18 bands of the SII ----
 *
 * Spectrum level = band level + offset_db - 10 lg of the band's width (ANSI S3.5-1997). */

typedef enum { LT_NOISE_LEQ, LT_NOISE_L10, LT_NOISE_L50, LT_NOISE_L90 } lt_noise_level;
/** Noise as its mean or a percentile of its Fast level; NaN in the bands that the recording does not reach. */
void lt_noise_spectrum(const lt_levels *l, lt_noise_level level, double offset_db, double out[LT_SPEECH_BANDS]);
/** Speech: -INFINITY in the bands that the recording does not reach. Pauses: NaN in those, and in those that no pause
 * is long enough for. Number of bands that the recording reaches. */
size_t lt_talk_spectra(const lt_talk_test *t, double offset_db, double speech_db[LT_SPEECH_BANDS],
                       double pauses_db[LT_SPEECH_BANDS]);
/** Whether any band is known: false for the pauses of a talk test without one. Silence (-INFINITY) is known. */
bool lt_spectrum_is_known(const double spectrum_db[LT_SPEECH_BANDS]);
/** Noise: bands that are NaN take the level per hertz of the nearest known one, the lower of two. Number of bands that
 * took one, told in notes (may be NULL) with `what` as the recording's name: 0 too where none is known. */
size_t lt_spectrum_fill(double spectrum_db[LT_SPEECH_BANDS], const char *what, lt_notes *notes);

/* ---- STOI and ESTOI: intelligibility against a clean reference ---- */

typedef struct {
    double stoi, estoi; /* up to 1 = as the reference; near or below 0 = nothing of it is left. No percent of words */
    double delay_ms;    /* of the recording at which the reference begins; negative: before it; NaN from lt_stoi() */
    double drift_ppm;   /* positive: the recorder counts more time than the player; NaN = not measured */
    double seconds;     /* speech that was compared */
    lt_notes notes;     /* "band-limited", "reference-cut", "reference-short" */
} lt_stoi_result;
/** What lt_stoi() asks of each of its signals by itself; `what` begins the message: "the reference". */
LT_NODISCARD lt_status lt_stoi_check(const lt_signal *s, const char *what, lt_error *err);
/** Two signals that begin together, at any rates from 8 kHz on; what one is longer does not count. LT_E_ARG: rate, less
 * than 30 frames (0.4 s) of speech in the reference, samples that are no finite number; LT_E_SNR: silence. */
LT_NODISCARD lt_status lt_stoi(const lt_signal *reference, const lt_signal *recording, lt_stoi_result *out,
                               lt_error *err);
/** Finds the reference in the recording first: any delay, clock drift up to 400 ppm. LT_E_SNR: it is not in there. */
LT_NODISCARD lt_status lt_stoi_measure(const lt_signal *reference, const lt_signal *recording, lt_stoi_result *out,
                                       lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
