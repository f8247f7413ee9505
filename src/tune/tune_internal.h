/* SPDX-License-Identifier: MIT
 * tune, across its own files. Gain changes dO (outbound) and dI (inbound): dB re the settings while recording. */
#ifndef LTP_TUNE_INTERNAL_H
#define LTP_TUNE_INTERNAL_H

#include <lanetune/tune.h>

enum { LTP_LIMITS = LT_LIMIT_RANGE /* those that a setting can violate */ };
#define LTP_EQUAL_SII 0.002 /* settings this close in their objective are equals */
#define LTP_SLACK_ROUNDING_DB 1e-9
#define LTP_CREST_DB 12.0 /* peaks of speech above its active level, common practice */

/* ---- evidence.c, check.c, recordings.c, path.c, assume.c ---- */

typedef struct {
    const lt_tune_lane *lane;
    lt_tune_recordings rec[LT_CONDITIONS_MAX]; /* a path that any condition has, all have */
    lt_tune_condition cond[LT_CONDITIONS_MAX];
    size_t count;
    lt_loop *loops[LT_CONDITIONS_MAX]; /* owned; each different loop once */
    size_t loop_count;
    bool usual;                  /* noise as Leq, whatever settings are chosen for */
    bool loop_known;             /* false: not measured, or opened by push-to-talk */
    double attenuation_db;       /* of a voice switch */
    double slack_db[LTP_LIMITS]; /* of each limit at dO = dI = 0; +INFINITY: not checked */
    lt_notes assumptions, warnings;
} ltp_evidence;

LT_NODISCARD lt_status ltp_evidence_create(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err);
void ltp_evidence_free(ltp_evidence *e);

/** Spectra alone with the noise as Leq: for what counts energy, or fears a quiet moment. */
LT_NODISCARD lt_status ltp_evidence_of_usual_noise(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err);
/** Speech of the line at dO = 0 where response `r` was recorded; bands not covered are -INFINITY, and said so. */
void ltp_speech_behind(ltp_evidence *e, lt_path path, const lt_response *r, double out[LT_SPEECH_BANDS]);
/** Spectrum levels of a noise. */
void ltp_noise_bands(ltp_evidence *e, lt_path path, const lt_levels *l, double offset_db, double out[LT_SPEECH_BANDS]);

/** LT_E_ARG: what cannot be assumed is missing, or a number is out of range. */
LT_NODISCARD lt_status ltp_lane_check(const lt_tune_lane *lane, lt_error *err);
/** A path that any condition has serves those without it; said so. */
void ltp_recordings_borrow(ltp_evidence *e);
/** Notes and low SNR of all recordings, each once. */
void ltp_recordings_doubts(ltp_evidence *e);
/** Margins and echo of all conditions at dO = dI = 0. */
LT_NODISCARD lt_status ltp_paths(ltp_evidence *e, lt_error *err);

/** Only what the loops need, without speech and noise; figures are not filled in. */
LT_NODISCARD lt_status ltp_evidence_of_loops(const lt_tune_lane *lane, ltp_evidence **out, lt_error *err);

double ltp_receive_default_db(lt_listening listening);  /* dB SPL per 0 dBFS, flat */
double ltp_coupling_default_db(lt_listening listening); /* counter coupling, flat */
/** Spectrum levels of a stated default noise. */
void ltp_road_noise(double dba, double spectrum_db[LT_SPEECH_BANDS]);
void ltp_office_noise(double dba, double spectrum_db[LT_SPEECH_BANDS]);
#define LTP_ROAD_DBA 65.0
#define LTP_OFFICE_DBA 45.0
/** SPL at the lane microphone that makes 0 dBFS, where nobody has measured it. */
double ltp_lane_mic_cal_default_db(double mouth_to_microphone_m);
double ltp_bandwidth_db(size_t band); /* 10 lg of the bandwidth, ANSI S3.5 */
const char *ltp_listening_name(lt_listening listening);

/* ---- figures.c ---- */

LT_NODISCARD lt_status ltp_sii_outbound(const ltp_evidence *e, double d_out_db, double *sii, lt_error *err);
LT_NODISCARD lt_status ltp_sii_inbound(const ltp_evidence *e, double d_in_db, double *sii, lt_error *err);
LT_NODISCARD lt_status ltp_figures(const ltp_evidence *e, double d_out_db, double d_in_db, lt_tune_figures *out,
                                   lt_error *err);
void ltp_slack_fill(ltp_evidence *e);
double ltp_ear_dba(const ltp_evidence *e);               /* loudest condition at dO = 0 */
double ltp_operator_dba(const ltp_evidence *e);          /* at dI = 0 */
double ltp_cable_ohm(double gauge_awg, double length_m); /* loop, 20 C */

/* ---- limits.c ---- */

/** Slack of a limit at a pair of gain changes; negative: violated. */
double ltp_slack_at(const double slack_db[LTP_LIMITS], lt_limit limit, double d_out_db, double d_in_db);
bool ltp_holds_all(const double slack_db[LTP_LIMITS], double d_out_db, double d_in_db);

/* ---- search.c ---- */

/** Settings to choose from, with the SII each gives. The first *_offered are on the adjuster, the others beyond it. */
typedef struct {
    double *db;  /* [count] dial positions, rising */
    double *sii; /* [count] */
    size_t count, offered;
} ltp_axis;
typedef struct {
    ltp_axis out, in;
} ltp_settings_grid;
/** The adjusters' own steps, continued by 30 dB beyond the last. */
LT_NODISCARD lt_status ltp_settings_grid_offered(const ltp_evidence *e, ltp_settings_grid *out, lt_error *err);
/** A virtual grid of 0.25 dB between first and last step, continued by 1 dB. */
LT_NODISCARD lt_status ltp_settings_grid_fine(const ltp_evidence *e, ltp_settings_grid *out, lt_error *err);
void ltp_settings_grid_free(ltp_settings_grid *g);

enum { LTP_KNOBS_MAX = 16, LTP_FREE = -1 };
typedef struct {
    const ltp_settings_grid *grid;
    double slack_db[LTP_LIMITS];
    double out_zero_db, in_zero_db; /* dial position of dO = 0, dI = 0 */
    double target_sii;
    bool beyond;           /* settings beyond the last step count too */
    int out_knob, in_knob; /* which shared knob, or LTP_FREE */
} ltp_problem;
typedef struct {
    size_t out, in; /* index on the axes */
    double best;    /* objective that the best setting reaches, at these positions of the shared knobs */
    bool feasible;  /* false: lowest settings, some limit is violated everywhere */
} ltp_choice;
/** Best settings of `count` lanes tied by `knobs` shared knobs (0 knobs: one lane alone). Exact.
 * @return LT_E_ARG so many knobs are tied together that the search does not end; LT_E_NOMEM */
LT_NODISCARD lt_status ltp_search(const ltp_problem *lanes, size_t count, size_t knobs, ltp_choice *out, lt_error *err);

/* ---- between.c ---- */

/** The best objective of a lane alone if its adjusters had no steps. p->grid is its virtual grid. */
LT_NODISCARD lt_status ltp_best_between(const ltp_evidence *e, const ltp_problem *p, double *best, lt_error *err);

/* ---- notches.c ---- */

/** Notches that bring the lane's loops to want_db, least loss of SII first.
 * @param loops evidence with the lane's loops  @param speech evidence that judges the loss; NULL: by their width */
LT_NODISCARD lt_status ltp_lane_notches(const ltp_evidence *loops, const ltp_evidence *speech, double d_out_db,
                                        double d_in_db, double want_db, lt_lane_notches *out, lt_error *err);
/** Says of each notch that follows a moving peak that it does. */
void ltp_notches_doubts(const lt_notch_set *set, unsigned lane, lt_notes *notes);

/* ---- open_paths.c ---- */

/** Couplings of all lanes under one condition; responses stay the recordings'. */
LT_NODISCARD lt_status ltp_open_paths(const lt_open_lanes *in, const char *condition, lt_open_margin *out,
                                      lt_matrix_paths *paths, lt_error *err);

/* ---- operator.c, bystander.c ---- */

/** Both from evidence of usual noise, at the settings before and after. */
LT_NODISCARD lt_status ltp_operator_exposure(const ltp_evidence *usual, double before_d_in_db, double after_d_in_db,
                                             lt_tune_exposure *out, lt_error *err);
LT_NODISCARD lt_status ltp_bystander_privacy(ltp_evidence *usual, double before_d_out_db, double after_d_out_db,
                                             lt_tune_privacy *out, lt_error *err);

/* ---- binding.c, unmet.c, advice.c ---- */

/** One set of tied lanes. Arrays are [count]. */
typedef struct {
    size_t count, knobs;
    const ltp_evidence *evidence[LT_TUNE_LANES_MAX];
    lt_tune_result *results[LT_TUNE_LANES_MAX];
    ltp_problem problems[LT_TUNE_LANES_MAX];
    ltp_settings_grid offered[LT_TUNE_LANES_MAX], fine[LT_TUNE_LANES_MAX];
    ltp_choice choices[LT_TUNE_LANES_MAX];
} ltp_group;

LT_NODISCARD lt_status ltp_binding(const ltp_group *g, lt_error *err);
void ltp_unmet(const ltp_evidence *e, lt_tune_result *r);
void ltp_advice(const ltp_evidence *e, lt_tune_result *r);
/** Adds one sentence; a full list drops it. */
void ltp_advise(lt_tune_result *r, const char *format, ...) LT_PRINTF(2, 3);

#endif
