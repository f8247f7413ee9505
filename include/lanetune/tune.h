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

enum { LT_EQ_BANDS_MAX = 40 };
typedef enum { LT_EQ_NONE, LT_EQ_GRAPHIC, LT_EQ_PARAMETRIC, LT_EQ_KIND_COUNT } lt_eq_kind;
typedef struct {
    lt_eq_kind kind;
    double bands_hz[LT_EQ_BANDS_MAX];
    size_t band_count;
    double min_db, max_db, step_db;
    unsigned filters;
} lt_eq;

typedef struct {
    double now_db;                 /* setting to be changed: what "before" means */
    double recorded_db;            /* setting while the recordings were made (normally = now_db) */
    double steps_db[LT_STEPS_MAX]; /* offered settings, rising */
    size_t step_count;             /* >= 1 */
    char shared[32];               /* adjusters with the same non-empty word are one knob (equal steps required) */
} lt_adjuster;

/** What can be recorded of a lane. */
typedef enum {
    LT_PATH_OUTBOUND,
    LT_PATH_INBOUND,
    LT_PATH_LANE_COUPLING,
    LT_PATH_COUNTER_COUPLING,
    LT_PATH_LOOP,
    LT_PATH_NOISE_EAR,
    LT_PATH_NOISE_MIC,
    LT_PATH_NOISE_COUNTER,
    LT_PATH_TALK_TEST,
    LT_PATH_BYSTANDER, /* outbound line to somebody who should not understand */
    LT_PATH_NOISE_BYSTANDER,
    LT_PATH_CROSS_COUPLING, /* cross-coupling-from-M: from another lane or counter */
    LT_PATH_COUNT
} lt_path;
const char *lt_path_name(lt_path p); /* "lane-coupling", also the first word of the file's name */
bool lt_path_from_name(const char *name, lt_path *out);

/** What was recorded under one condition. A NULL means: not there, not even as a plain recording. Levels of paths are
 * as recorded (loopback_db not yet taken off, mic_cal_db not applied); noise levels: ear and counter in dB SPL, mic on
 * the line in dBFS as recorded. */
typedef struct {
    char name[LT_NAME_MAX]; /* "" = lane empty */
    const lt_response *outbound, *inbound, *lane_coupling, *counter_coupling, *loop;
    const lt_levels *noise_ear, *noise_mic, *noise_counter;
    const lt_talk_test *talk_test;
    const lt_response *bystander; /* outbound line to somebody who should not understand */
    const lt_levels *noise_bystander;
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
    double talk_percent,
        shift_hours; /* of the operator: share of speech from the lane; not > 0: default, and said so */
    lt_vocal_effort vocal_effort;
    double speaker_to_ear_m, mouth_to_microphone_m, speaker_to_microphone_m,
        speaker_to_property_line_m,         /* NaN = unknown */
        speaker_to_bystander_m;             /* not > 0: not asked */
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
    lt_eq eq;               /* the equalizer itself */
    lt_tune_recordings recordings[LT_CONDITIONS_MAX];
    size_t condition_count; /* >= 1; the first is the plain one */
} lt_tune_lane;
/** Counter coupling where no recording says it, flat, dB: as stated, else what is usual for the kind of listening. */
double lt_tune_counter_coupling_db(const lt_tune_lane *lane);

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

#define LT_TALK_DEFAULT_PERCENT 30.0
#define LT_SHIFT_DEFAULT_HOURS 8.0
/** Exposure of the operator's ear, loudest condition, noise as Leq: information, not a medical statement. */
typedef struct {
    double talk_percent, shift_hours;
    bool talk_assumed, shift_assumed;         /* not given: the defaults */
    lt_before_after talk_dba, pause_dba;      /* speech with all noise; noise of line and counter in the pauses */
    lt_before_after lex_8h_dba, dose_percent; /* of the whole shift */
    lt_before_after allowed_hours;            /* a day of talk_dba alone, until the dose is 100 % */
    lt_notes notes;                           /* "exposure-information", "-assumed", "-headset" */
} lt_tune_exposure;

typedef enum {
    LT_PRIVACY_NOT_ASKED,
    LT_PRIVACY_FROM_DISTANCE,
    LT_PRIVACY_FROM_RECORDING,
    LT_PRIVACY_FROM_COUNT
} lt_privacy_from;
const char *lt_privacy_from_name(lt_privacy_from f); /* "", distance, recording */
/** What somebody who should not understand hears of the operator's words, the condition with least privacy. */
typedef struct {
    lt_privacy_from from;
    double distance_m;        /* NaN: from a recording */
    lt_privacy before, after; /* privacy_percent NaN, word NULL: not known */
    lt_notes notes;           /* "privacy-noise-missing", "privacy-assumed" */
} lt_tune_privacy;

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
    double notch_sii_loss;              /* of the direction they cost least in; NaN if none */
    bool notches_inbound;               /* that direction */
    double needed_attenuation_db;       /* that a voice switch must have for the demanded margin, after; NaN: no loop */
    char advice[LT_ADVICE_MAX][256];    /* physical changes, most useful first */
    size_t advice_count;
    lt_tune_condition conditions[LT_CONDITIONS_MAX];
    size_t condition_count;
    lt_margin margin; /* at the recommended settings, worst case */
    lt_tune_exposure exposure;
    lt_tune_privacy privacy;
} lt_tune_result;

/** Recommend settings for all lanes at once (shared knobs tie lanes together).
 * @param[out] results [count]
 * @return LT_E_ARG: a lane lacks what cannot be assumed (mic_cal_db, outbound response, ...): names lane, file, remedy.
 */
LT_NODISCARD lt_status lt_tune(const lt_tune_lane *lanes, size_t count, lt_tune_result *results, lt_error *err);
/** Figures of one lane at given settings (not only offered ones). */
LT_NODISCARD lt_status lt_tune_figures_at(const lt_tune_lane *lane, double outbound_db, double inbound_db,
                                          lt_tune_figures *out, lt_error *err);

/* ---- two visits of one lane: what changed, and what it means ---- */

typedef enum {
    LT_COMPARE_OUTBOUND,
    LT_COMPARE_INBOUND,
    LT_COMPARE_LANE_COUPLING,
    LT_COMPARE_COUNTER_COUPLING,
    LT_COMPARE_LOOP,
    LT_COMPARE_PATH_COUNT
} lt_compare_path;
typedef enum {
    LT_COMPARE_NOISE_EAR,
    LT_COMPARE_NOISE_MIC,
    LT_COMPARE_NOISE_COUNTER,
    LT_COMPARE_NOISE_COUNT
} lt_compare_noise_kind;
const char *lt_compare_path_name(lt_compare_path p);                /* outbound, ... as the recordings are called */
const char *lt_compare_noise_kind_name(lt_compare_noise_kind kind); /* noise-ear, ... */

typedef struct {
    double hz;                  /* nominal */
    double before_db, after_db; /* outbound, inbound: dB SPL per 0 dBFS; others dB; settings of the visit taken out */
    double difference_db;       /* after - before */
    double doubt_db;            /* a smaller difference means nothing: noise of both takes, place of the microphone */
    bool changed;               /* |difference| > doubt */
    lt_before_after snr_db, thd_percent; /* NaN: not known */
} lt_compare_band;

enum { LT_COMPARE_RESPONSES_MAX = 24, LT_COMPARE_NOISES_MAX = 16, LT_COMPARE_TALKS_MAX = 8, LT_FINDINGS_MAX = 24 };
typedef struct {
    lt_compare_path path;
    char condition[LT_NAME_MAX];
    bool calibrated; /* false: no calibration in one of the visits, so that the level as a whole cannot be compared */
    double settings_db; /* change of the settings between the visits that was taken out of this path */
    lt_compare_band bands[LT_RESPONSE_BANDS_MAX];
    size_t band_count;
    double level_db, level_doubt_db;   /* mean difference 400 Hz to 2 kHz; NaN: too few bands */
    double bass_db, bass_doubt_db;     /* 100 to 315 Hz, re level_db; NaN: not measured well enough */
    double treble_db, treble_doubt_db; /* 2.5 to 8 kHz, re level_db */
    lt_before_after delay_ms;
    bool delay_known;                    /* both recorders began with the playback */
    lt_before_after snr_db, thd_percent; /* distortion: median of 400 Hz to 2 kHz */
    int polarity_before, polarity_after; /* +1, -1, 0 */
} lt_compare_response;

typedef struct {
    double hz;
    lt_before_after leq_db;
    double difference_db;
} lt_compare_noise_band;
typedef struct {
    lt_compare_noise_kind kind;
    char condition[LT_NAME_MAX];
    bool calibrated;                          /* mic: always (line levels) */
    lt_before_after laeq_db, la10_db, hum_db; /* hum -INFINITY: none */
    double difference_db, doubt_db;           /* of LAeq */
    double mains_hz;
    double seconds_before, seconds_after;
    lt_compare_noise_band bands[LT_LEVEL_BANDS_MAX];
    size_t band_count;
} lt_compare_noise;

typedef struct {
    char condition[LT_NAME_MAX];
    lt_before_after active_level_db, noise_level_db; /* dBFS on the line, settings taken out */
    double difference_db, doubt_db;                  /* of the active level; another talker counts in the doubt */
    lt_compare_noise_band bands[LT_TALK_BANDS_MAX];  /* of speech */
    size_t band_count;
} lt_compare_talk;

/* clang-format off */
#define LT_FINDING_MAP(X)                                                                                           \
    X(LT_FINDING_OUTBOUND_LEVEL, "outbound-level") X(LT_FINDING_OUTBOUND_TREBLE, "outbound-treble")                   \
    X(LT_FINDING_OUTBOUND_BASS, "outbound-bass") X(LT_FINDING_INBOUND_LEVEL, "inbound-level")                         \
    X(LT_FINDING_INBOUND_TREBLE, "inbound-treble") X(LT_FINDING_BANDS, "some-bands")                                  \
    X(LT_FINDING_MICROPHONE_LEVEL, "microphone-level") X(LT_FINDING_MICROPHONE_TREBLE, "microphone-treble")           \
    X(LT_FINDING_LANE_COUPLING, "lane-coupling") X(LT_FINDING_COUNTER_COUPLING, "counter-coupling")                   \
    X(LT_FINDING_POLARITY, "polarity") X(LT_FINDING_DELAY, "delay") X(LT_FINDING_DISTORTION, "distortion")            \
    X(LT_FINDING_HUM, "hum") X(LT_FINDING_NOISE, "noise") X(LT_FINDING_TALK_TEST, "talk-test")                        \
    X(LT_FINDING_MARGIN, "margin") X(LT_FINDING_SII, "sii") X(LT_FINDING_ECHO, "echo")                                \
    X(LT_FINDING_SETTINGS, "settings") X(LT_FINDING_SETTING_WITHOUT_EFFECT, "setting-without-effect")                 \
    X(LT_FINDING_CALIBRATION, "calibration") X(LT_FINDING_NOT_COMPARED, "not-compared")                               \
    X(LT_FINDING_NOTHING, "nothing-changed")
/* clang-format on */
typedef enum {
#define X(id, text) id,
    LT_FINDING_MAP(X)
#undef X
        LT_FINDING_CODE_COUNT
} lt_finding_code;
const char *lt_finding_code_name(lt_finding_code c);
typedef enum { LT_FINDING_WORSE, LT_FINDING_BETTER, LT_FINDING_NOTE, LT_FINDING_KIND_COUNT } lt_finding_kind;
const char *lt_finding_kind_name(lt_finding_kind k);  /* worse, better, note */
const char *lt_finding_sure_name(double probability); /* sure (>= 0.85), likely (>= 0.6), possible */

typedef struct {
    lt_finding_code code;
    lt_finding_kind kind;
    char path[32];               /* recording or figure it is read from; "" = the lane */
    char condition[LT_NAME_MAX]; /* "" = lane empty, or all */
    double change;               /* in `unit`; NaN where it is no number (polarity) */
    char unit[16];               /* dB, ms, %, or "" for the index */
    double probability;          /* that the cause is the one named; ours, untested in the field */
    bool over_limit;             /* worse, and by more than the limit asked for */
    char evidence[256], cause[256], next_step[256];
} lt_finding;

typedef struct {
    const lt_tune_lane *lane;     /* recordings of the visit */
    const lt_tune_result *result; /* figures; NULL = not known */
    const char *date, *weather;   /* may be NULL */
} lt_compare_side;
typedef struct {
    double worse_db;  /* levels, margin, noise, coupling  [0.5, 40]  3 */
    double worse_sii; /* [0.005, 1]  0.05 */
} lt_compare_options;
lt_compare_options lt_compare_default_options(void);

typedef struct {
    unsigned lane;
    char name[LT_NAME_MAX];
    lt_compare_response responses[LT_COMPARE_RESPONSES_MAX];
    size_t response_count;
    lt_compare_noise noises[LT_COMPARE_NOISES_MAX];
    size_t noise_count;
    lt_compare_talk talks[LT_COMPARE_TALKS_MAX];
    size_t talk_count;
    bool figures_known;                                              /* of both visits */
    lt_tune_figures figures_before, figures_after;                   /* at now_db, both visits at the same settings */
    lt_before_after outbound_setting_db, inbound_setting_db;         /* while recording */
    lt_before_after outbound_recommended_db, inbound_recommended_db; /* NaN: not known */
    lt_finding findings[LT_FINDINGS_MAX];                            /* what matters most first */
    size_t finding_count;
    bool worse; /* some finding is over its limit */
    lt_notes notes;
} lt_compare_lane;

/** Compare the recordings of one lane in two visits. No path of one visit alone counts as changed.
 * @param[in] opt NULL means lt_compare_default_options()
 * @return LT_E_ARG an option is out of range, or no path was recorded in both visits */
LT_NODISCARD lt_status lt_compare(const lt_compare_side *before, const lt_compare_side *after,
                                  const lt_compare_options *opt, lt_compare_lane *out, lt_error *err);

/* ---- several lanes open at once ---- */

/** A coupling between two lanes or two counters. */
typedef struct {
    bool counters;               /* between counters, else between lanes */
    unsigned to, from;           /* microphone's and speaker's number */
    char condition[LT_NAME_MAX]; /* of a recording; "" = plain */
    const lt_response *response; /* as recorded; NULL: stated */
    double level_db, distance_m; /* stated: level of a flat coupling, or a distance that gives one; NaN = not said */
} lt_cross_coupling;

enum { LT_OPEN_LANES_MAX = LT_MATRIX_LANES_MAX, LT_OPEN_SETS_MAX = (1 << LT_OPEN_LANES_MAX) - 1 };
typedef struct {
    const lt_tune_lane *lane;
    unsigned counter;               /* number */
    double outbound_db, inbound_db; /* dial positions to be judged */
} lt_open_lane_of;
typedef struct {
    lt_open_lane_of lanes[LT_OPEN_LANES_MAX];
    size_t lane_count;
    const lt_cross_coupling *couplings; /* [coupling_count] what is missing is assumed, and said so */
    size_t coupling_count;
    double want_db; /* safe margin demanded; NaN: each lane's own limit */
} lt_open_lanes;

/** Notches for one lane: within its equalizer if it has one, else what a parametric one could do. */
typedef struct {
    lt_notch_set set;
    bool judged;  /* the loss of speech could be reckoned: it needs the lane's other recordings */
    bool inbound; /* the direction in which they cost less */
    double sii_loss;
} lt_lane_notches;
typedef struct {
    unsigned lane;
    char name[LT_NAME_MAX];
    lt_margin margin; /* alone, worst condition; notches and margins with them are those of `notch` */
    double want_db, needed_attenuation_db;
    lt_lane_notches notch;
} lt_open_lane;
typedef struct {
    lt_open_lane lanes[LT_OPEN_LANES_MAX]; /* bit i of an open set is lanes[i] */
    size_t lane_count, worst_lane;         /* worst_lane: least safe margin alone */
    unsigned counters[LT_OPEN_LANES_MAX];  /* numbers; ring paths name them by index */
    size_t counter_count;
    char conditions[LT_CONDITIONS_MAX][LT_NAME_MAX];
    size_t condition_count;
    lt_matrix_margin sets[LT_OPEN_SETS_MAX]; /* worst first: by margin_db, those without one last */
    size_t set_count;
    lt_notes assumptions, warnings;
} lt_open_margin;
/** @return LT_E_ARG no lane with a measured loop, or none at all */
LT_NODISCARD lt_status lt_open_margin_compute(const lt_open_lanes *in, lt_open_margin *out, lt_error *err);
/** What the rule of thumb says of a set: least safe margin of its lanes alone, 3 dB less each doubling. NaN: no loop.
 */
double lt_open_rule_db(const lt_open_margin *m, unsigned open);

/* ---- isolation test: recordings at several points of one chain ---- */

enum { LT_ISOLATE_POINTS_MAX = 24, LT_ISOLATE_FAULTS_MAX = 24 };
typedef enum {
    LT_ISOLATE_LOSS,       /* dB, 400 Hz to 3.15 kHz */
    LT_ISOLATE_TREBLE,     /* dB, 2 to 8 kHz re 400 Hz to 1.6 kHz */
    LT_ISOLATE_NOISE,      /* dB more, re the signal where there is one */
    LT_ISOLATE_HUM,        /* dB more */
    LT_ISOLATE_DELAY,      /* ms */
    LT_ISOLATE_ECHO,       /* dB, strongest later arrival re the direct one */
    LT_ISOLATE_DISTORTION, /* % */
    LT_ISOLATE_POLARITY,
    LT_ISOLATE_KIND_COUNT
} lt_isolate_kind;
const char *lt_isolate_kind_name(lt_isolate_kind k); /* loss, treble, noise, ... */

/** One point, in the order of the signal. What was not recorded is NULL. */
typedef struct {
    char name[LT_NAME_MAX];
    const lt_response *response;        /* of the stimulus that went in at the beginning of the chain */
    const lt_levels *noise;             /* nothing sent, dBFS */
    const lt_talk_test *talk;           /* the same talk recorded at all points */
    const lt_response *bypass_response; /* as the above, with the bridged part replaced by a coupler */
    const lt_levels *bypass_noise;
    const lt_talk_test *bypass_talk;
} lt_isolate_point;

typedef struct {
    lt_isolate_kind kind;
    size_t from, to;   /* points between which it arises: (from, to]; from == to: at the first recorded one or before */
    bool bypass_tells; /* narrowed by the recording with the coupler */
    double change;     /* in unit */
    double before, after; /* the figure at both points */
    char unit[8];
    double probability; /* ours, untested in the field */
    char evidence[256], next_step[256];
} lt_isolate_fault;

typedef struct {
    lt_isolate_fault faults[LT_ISOLATE_FAULTS_MAX]; /* the largest first */
    size_t fault_count;
    size_t recorded; /* points with a recording */
    bool next_known;
    size_t next_point; /* record there next: it halves what is suspected */
    bool next_bypass;  /* ... with the coupler in place of the bridged part */
    char next_why[256];
    lt_notes notes;
} lt_isolation;

/** Which part of a chain adds loss, noise, hum, delay, echo, distortion or turns the polarity.
 * @param[in] bridge_from, bridge_to points between which the coupler bridges; equal: no bypass was recorded
 * @return LT_E_ARG fewer than 2 points, none recorded, points out of range */
LT_NODISCARD lt_status lt_isolate(const lt_isolate_point *points, size_t count, size_t bridge_from, size_t bridge_to,
                                  lt_isolation *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
