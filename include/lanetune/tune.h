/* SPDX-License-Identifier: MIT
 * tune: from measurements of a lane to the settings to dial in, what limits them and what to change. No input or
 * output. Gain changes dO (outbound), dI (inbound) in dB re the settings that stood while the recordings were made. */
#ifndef LT_TUNE_H
#define LT_TUNE_H

#include <lanetune/level.h>
#include <lanetune/loop.h>
#include <lanetune/response.h>
#include <lanetune/speech.h>

#ifdef __cplusplus
extern "C" {
#endif

enum { LT_STEPS_MAX = 512, LT_CONDITIONS_MAX = 16, LT_TUNE_LANES_MAX = 64, LT_NAME_MAX = 64 };

typedef enum { LT_DUPLEX_FULL, LT_DUPLEX_VOICE_SWITCHED, LT_DUPLEX_PUSH_TO_TALK, LT_DUPLEX_COUNT } lt_duplex;
typedef enum { LT_LISTEN_LOUDSPEAKER, LT_LISTEN_HANDSET, LT_LISTEN_HEADSET, LT_LISTEN_COUNT } lt_listening;
typedef enum { LT_ECHO_LIMIT_ACCEPTABLE, LT_ECHO_LIMIT_LIMITING, LT_ECHO_LIMIT_OFF, LT_ECHO_LIMIT_COUNT } lt_echo_limit;
typedef enum { LT_NOISE_BUSY, LT_NOISE_USUAL, LT_NOISE_CASE_COUNT } lt_noise_case;

typedef struct {
    double now_db;                 /* setting to be changed: what "before" means */
    double recorded_db;            /* setting while the recordings were made (normally = now_db) */
    double steps_db[LT_STEPS_MAX]; /* offered settings, rising */
    size_t step_count;             /* >= 1 */
    char shared[32];               /* adjusters with the same non-empty word are one knob (equal steps required) */
} lt_adjuster;

/** What was recorded under one condition. A NULL means: not there, not even as a plain recording. Levels of paths are
 * as recorded (loopback_db not yet taken off, mic_cal_db not applied); noise levels: ear and counter in dB SPL, mic on
 * the line in dBFS as recorded. */
typedef struct {
    char name[LT_NAME_MAX]; /* "" = lane empty */
    const lt_response *outbound, *inbound, *lane_coupling, *counter_coupling, *loop;
    const lt_levels *noise_ear, *noise_mic, *noise_counter;
    const lt_talk_test *talk_test;
    bool delay_known; /* lane_coupling was recorded from the moment of playback on: its delay is absolute */
} lt_tune_recordings;

typedef struct {
    unsigned lane;
    char name[LT_NAME_MAX];
    lt_duplex duplex;
    double switching_attenuation_db;
    lt_adjuster outbound, inbound;
    lt_listening listening;
    double line_speech_dbov;
    double coupling_db; /* flat counter coupling; NaN = default for `listening` */
    lt_vocal_effort vocal_effort;
    double speaker_to_ear_m, mouth_to_microphone_m, speaker_to_microphone_m,
        speaker_to_property_line_m;         /* NaN = unknown */
    double clip_line_dbfs, volts_at_0_dbfs; /* NaN = unknown */
    double speaker_ohm, speaker_power_w;    /* power NaN = unknown */
    double cable_gauge_awg, cable_length_m;
    double safe_margin_limit_db, ear_limit_dba, operator_limit_dba, property_line_limit_dba; /* property NaN = none */
    lt_echo_limit echo_limit;
    double target_sii;
    lt_noise_case noise_case;
    double temperature_c;
    double mic_cal_db; /* required */
    double loopback_db;
    double lane_mic_cal_db; /* NaN = unknown */
    unsigned eq_filters;    /* parametric filters offered: how many notches can be proposed as settings */
    lt_tune_recordings recordings[LT_CONDITIONS_MAX];
    size_t condition_count; /* >= 1; the first is the plain one */
} lt_tune_lane;

typedef enum {
    LT_LIMIT_SAFE_MARGIN,
    LT_LIMIT_EAR_LEVEL,
    LT_LIMIT_OPERATOR_LEVEL,
    LT_LIMIT_HEADROOM,
    LT_LIMIT_PROPERTY_LINE,
    LT_LIMIT_TALKER_ECHO,
    LT_LIMIT_RANGE,
    LT_LIMIT_NOISE,
    LT_LIMIT_TARGET,
    LT_LIMIT_COUNT
} lt_limit;
const char *lt_limit_name(lt_limit l); /* safe-margin, ear-level, ... */

/** Evidence of one condition at dO = dI = 0, in numbers: what all figures and charts are made of. */
typedef struct {
    char name[LT_NAME_MAX];
    double speech_ear_db[LT_SPEECH_BANDS];                  /* spectrum level, moves with dO */
    double noise_ear_db[LT_SPEECH_BANDS];                   /* does not move */
    double speech_operator_db[LT_SPEECH_BANDS];             /* moves with dI */
    double lane_noise_operator_db[LT_SPEECH_BANDS];         /* moves with dI */
    double counter_noise_db[LT_SPEECH_BANDS];               /* does not move */
    double margin_db, safe_margin_db, ring_hz;              /* attenuation of a voice switch included; NaN: no loop */
    double echo_telr_db, echo_one_way_ms, echo_weighted_db; /* TELR and T; NaN: none (push-to-talk, nothing measured) */
} lt_tune_condition;

typedef struct {
    double before, after;
} lt_before_after;

/** All figures at one pair of settings, worst case over the conditions. NaN = not known. */
typedef struct {
    double sii_outbound, sii_inbound;
    double margin_db, safe_margin_db;
    double ear_dba, operator_dba, property_line_dba;
    double echo_telr_db, echo_weighted_db;
    double headroom_db;     /* line level to clipping minus speech peaks; NaN = unknown */
    double speaker_power_w; /* long-term mean; NaN = unknown */
} lt_tune_figures;

typedef struct {
    lt_limit limit;
    double one_db_buys_sii;
} lt_binding;
typedef struct {
    lt_limit limit;
    double by_db;
    char advice[256];
} lt_unmet;

enum { LT_ADVICE_MAX = 12 };
typedef struct {
    unsigned lane;
    char name[LT_NAME_MAX];
    double outbound_now_db, outbound_recommended_db, inbound_now_db, inbound_recommended_db;
    size_t outbound_step, inbound_step; /* from 0 at the quietest */
    lt_tune_figures before, after;
    lt_binding binding[LT_LIMIT_COUNT]; /* most valuable first */
    size_t binding_count;
    lt_unmet unmet[LT_LIMIT_COUNT];
    size_t unmet_count;
    lt_notes assumptions;
    lt_notes warnings;
    lt_notch notches[LT_NOTCHES_MAX];
    size_t notch_count;
    double safe_margin_with_notches_db; /* after, with these notches; NaN if none */
    char advice[LT_ADVICE_MAX][256];    /* physical changes, most useful first */
    size_t advice_count;
    lt_tune_condition conditions[LT_CONDITIONS_MAX];
    size_t condition_count;
    lt_margin margin; /* at the recommended settings, worst case */
} lt_tune_result;

/** Recommend settings for all lanes at once (shared knobs tie lanes together).
 * @param[out] results [count]
 * @return LT_E_ARG: a lane lacks what cannot be assumed (mic_cal_db, outbound response, ...): names lane, file, remedy.
 */
LT_NODISCARD lt_status lt_tune(const lt_tune_lane *lanes, size_t count, lt_tune_result *results, lt_error *err);
/** Figures of one lane at given settings (not only offered ones). */
LT_NODISCARD lt_status lt_tune_figures_at(const lt_tune_lane *lane, double outbound_db, double inbound_db,
                                          lt_tune_figures *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
