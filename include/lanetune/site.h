/* SPDX-License-Identifier: MIT
 * site: the folders and files of a site and its visits, and the measurements that its recordings give.
 * Reads and writes files; prints nothing. Every message names file, line (for YAML), field and the allowed values. */
#ifndef LT_SITE_H
#define LT_SITE_H

#include <lanetune/audio.h>
#include <lanetune/simulate.h>
#include <lanetune/tune.h>

#ifdef __cplusplus
extern "C" {
#endif

enum { LT_SITE_LANES_MAX = 64, LT_TEXT_MAX = 512 };

typedef struct {
    unsigned counter;
    char name[LT_NAME_MAX];
    lt_listening listening;
    double line_speech_dbov;
    double coupling_db;               /* NaN = not given */
    double talk_percent, shift_hours; /* NaN = not given */
} lt_counter;

typedef struct {
    lt_tune_lane tune; /* everything of site.yaml about this lane; recordings empty until a survey fills them */
    unsigned counter;  /* number of its counter */
    lt_eq eq;
} lt_site_lane;

typedef struct {
    char name[LT_TEXT_MAX];
    double temperature_c;
    lt_counter *counters;
    size_t counter_count;
    lt_site_lane *lanes;
    size_t lane_count;
    lt_cross_coupling *couplings; /* [coupling_count] stated: no response */
    size_t coupling_count;
} lt_site;

/** Read DIR/site.yaml. LT_E_IO no such folder or file; LT_E_ARG "site.yaml, line 12: lanes[0].duplex: 'half' is not
 * one of full, voice-switched, push-to-talk". Unknown fields name the nearest known one. */
LT_NODISCARD lt_status lt_site_load(const char *dir, lt_site **out, lt_error *err);
void lt_site_free(lt_site *s);
/** The lane or counter of that number; NULL: site.yaml has none. */
const lt_site_lane *lt_site_lane_of(const lt_site *s, unsigned number);
const lt_counter *lt_site_counter_of(const lt_site *s, unsigned number);

enum { LT_CALIBRATIONS_MAX = 64 };
typedef enum {
    LT_CALIBRATED_CALIBRATOR, /* level_db = SPL of the calibrator, result_db = mic_cal_db */
    LT_CALIBRATED_METER,      /* level_db = reading typed in, dB(A), result_db = mic_cal_db */
    LT_CALIBRATED_LOOPBACK,   /* level_db = level played, dBFS, result_db = loopback_db */
    LT_CALIBRATED_COUNT
} lt_calibration_method;
const char *lt_calibration_method_name(lt_calibration_method m);
typedef struct {
    char date[32]; /* 2024-05-14 */
    lt_calibration_method method;
    char device[LT_TEXT_MAX]; /* "host: input" */
    unsigned channel;         /* of the input, counted from 1 */
    double rate_hz;           /* NaN = not said */
    double level_db, result_db;
    double latency_ms; /* loopback: from playing to recording; NaN = not known */
} lt_calibration;

typedef struct {
    char date[32];        /* name of its folder */
    char stated_date[32]; /* the field `date`; the folder's name where it is missing */
    char who[LT_TEXT_MAX], weather[LT_TEXT_MAX], notes[2048];
    double mic_cal_db;                  /* NaN = not calibrated */
    unsigned mic_channel, line_channel; /* 1-based */
    double loopback_db;
    double lane_mic_cal_db; /* NaN = unknown */
    struct {
        char condition[LT_NAME_MAX], text[LT_TEXT_MAX];
    } conditions[LT_CONDITIONS_MAX];
    size_t condition_count;
    struct {
        unsigned lane;
        double outbound_db, inbound_db; /* NaN = as site.yaml's now_db */
    } settings[LT_SITE_LANES_MAX];
    size_t setting_count;
    lt_calibration calibrations[LT_CALIBRATIONS_MAX]; /* as they were made, the newest last */
    size_t calibration_count;
} lt_visit;

/** Names of the visit folders, sorted. Free each and the array with lt_visit_list_free. */
LT_NODISCARD lt_status lt_visit_list(const char *dir, char ***out, size_t *count, lt_error *err);
void lt_visit_list_free(char **list, size_t count);
/** date NULL = the latest. A missing visit.yaml means all defaults. */
LT_NODISCARD lt_status lt_visit_load(const char *dir, const char *date, lt_visit **out, lt_error *err);
void lt_visit_free(lt_visit *v);

/** What is to change in visit.yaml. NaN and NULL leave things as they are. */
typedef struct {
    double mic_cal_db, loopback_db;
    const lt_calibration *calibration; /* added to the list */
} lt_visit_change;
/** Change visits/DATE/visit.yaml line by line, so that all else in it stays as the user wrote it, comments too. The new
 * file is read before it takes the old one's place. LT_E_ARG: the result would be no valid visit.yaml; nothing is
 * changed then. */
LT_NODISCARD lt_status lt_visit_write(const char *dir, const char *date, const lt_visit_change *change, lt_error *err);

/** Name for a new visit of that date: the date, or where it is taken date-02, date-03 ... LT_E_ARG: no valid name, or a
 * visit that is there would stay the latest one (a wrong clock); it is named. */
LT_NODISCARD lt_status lt_visit_next_name(const char *dir, const char *date, char name[32], lt_error *err);
/** Write visits/DATE/visit.yaml anew with everything in v, its folder too; what a user wrote around it is lost. */
LT_NODISCARD lt_status lt_visit_save(const char *dir, const lt_visit *v, lt_error *err);
/** Keep what `calibrate --loopback` played and recorded: visits/DATE/loopback.wav and stimulus.loopback.wav. */
LT_NODISCARD lt_status lt_visit_keep_loopback(const char *dir, const char *date, const lt_signal *recording,
                                              const lt_signal *stimulus, lt_error *err);
/** Copy them to a visit that follows, where they were recorded; what is there already stays. */
LT_NODISCARD lt_status lt_visit_carry_loopback(const char *dir, const char *from, const char *to, lt_error *err);
/** The response of the interface from these files; *out NULL where there are none, or (with a note) where they say
 * nothing. Free with lt_interface_free(). */
LT_NODISCARD lt_status lt_visit_interface(const char *dir, const lt_visit *v, lt_interface **out, lt_notes *notes,
                                          lt_error *err);

/** Make DIR with a commented site.yaml and visits/DATE/visit.yaml, lane and counter folders. LT_E_ARG if DIR has a
 * site.yaml. */
LT_NODISCARD lt_status lt_site_new(const char *dir, const char *site_name, const char *date, unsigned lanes,
                                   lt_error *err);

/* ---- survey: what the recordings of a visit give ---- */

enum { LT_PATH_WORD_MAX = 40 };
/** The word of a path in file names and on the command line: its name, and "cross-coupling-from-2" for that path. */
void lt_path_word(lt_path p, unsigned from, char word[LT_PATH_WORD_MAX]);
/** The other way round; *from = 0 where the path has none. False: there is no such path. */
bool lt_path_from_word(const char *word, lt_path *out, unsigned *from);
bool lt_path_is_swept(lt_path p);           /* a stimulus is played */
bool lt_path_is_from_microphone(lt_path p); /* recorded with the measurement microphone, else from a line */

typedef struct {
    lt_path path;
    char condition[LT_NAME_MAX]; /* "" = lane empty */
    char file[320];              /* relative to the site folder: "visits/2024-05-14/lane-1/outbound.wav" */
    lt_response *response;       /* swept paths, as recorded */
    lt_levels *levels; /* noise-ear, noise-counter, noise-bystander in dB SPL (with mic_cal_db); noise-mic in dBFS as
                          recorded */
    lt_talk_test *talk_test;
    lt_notes notes; /* of this file: its quality, why it was left out */
    bool usable;
    bool delay_known; /* lane coupling: the recorder began with the playback */
    unsigned from; /* cross coupling: number of the lane (in a counter's folder: counter) that was played to; else 0 */
    bool shared;   /* lies in the counter's folder: what it points to belongs to the survey, lanes share it */
    unsigned number; /* of the lane, or where shared of the counter, in whose folder it lies */
} lt_recording;

typedef struct {
    const lt_site_lane *lane;
    lt_recording *recordings;
    size_t recording_count;
    lt_tune_lane tune; /* site.yaml + visit.yaml + recordings: ready for lt_tune() */
    lt_notes notes;
} lt_survey_lane;
/** The lane has a recording of its own in this visit, usable or not. */
bool lt_survey_lane_is_recorded(const lt_survey_lane *lane);

typedef struct {
    lt_site *site;
    lt_visit *visit;
    lt_survey_lane *lanes;
    size_t lane_count;
    lt_recording *counter_recordings; /* owner of what the lanes' shared recordings point to */
    size_t counter_recording_count;
} lt_survey;

/** recorded[path]: a recording of the empty lane is there, in the folder of the lane or of its counter, whether it can
 * be used or not; nothing is measured. LT_E_IO, LT_E_NOMEM. */
LT_NODISCARD lt_status lt_survey_find(const char *dir, const char *date, const lt_site_lane *lane,
                                      bool recorded[LT_PATH_COUNT], lt_error *err);

typedef void (*lt_progress)(void *context, const char *what, double fraction); /* fraction in [0, 1] */

/** Read and measure all recordings of a visit. only_lane 0 = all lanes. A recording that cannot be trusted (silent,
 * foreign, clipped, truncated) becomes `usable = false` with a note, and counts as missing evidence for the plain
 * fallback rules. LT_E_ARG: no such lane or visit. */
LT_NODISCARD lt_status lt_survey_measure(const char *dir, const char *date, unsigned only_lane, lt_progress progress,
                                         void *context, lt_survey **out, lt_error *err);
/** lt_tune() on all lanes of the survey; results [lane_count], free with lt_tune_results_free(). The notes of the
 * survey are carried into the results' warnings and assumptions. */
LT_NODISCARD lt_status lt_survey_tune(const lt_survey *s, lt_tune_result **results, lt_error *err);
/** Margins of every set of open lanes, from the lanes that the survey holds. LT_E_ARG: more lanes than a matrix takes,
 * none with a loop. Free with lt_open_margin_free().
 * @param dials NULL: settings as they stand; else [lane_count of the survey] dial positions {outbound, inbound}
 * @param want_db NaN: each lane's own demand */
typedef struct {
    double outbound_db, inbound_db;
} lt_dials;
LT_NODISCARD lt_status lt_survey_open_margin(const lt_survey *s, const lt_dials *dials, double want_db,
                                             lt_open_margin **out, lt_error *err);
void lt_open_margin_free(lt_open_margin *m);
void lt_tune_results_free(lt_tune_result *r);
/** The surveyed lane of that number; NULL: it was not surveyed. */
lt_survey_lane *lt_survey_lane_of(const lt_survey *s, unsigned number);
void lt_survey_free(lt_survey *s);

/* ---- two visits ---- */

typedef struct {
    char dir[1024]; /* of the site */
    char date[32];
} lt_visit_place;
/** A visit as a person names it: SITE/visits/DATE (a final '/' and a file in it are fine), a DATE of `site`, or SITE
 * alone for its latest visit. site may be NULL. LT_E_ARG, LT_E_IO: the message says which visits there are. */
LT_NODISCARD lt_status lt_visit_place_find(const char *visit, const char *site, lt_visit_place *out, lt_error *err);
/** The last two visits of a site. LT_E_ARG: it has fewer. */
LT_NODISCARD lt_status lt_visit_place_last_two(const char *site, lt_visit_place *before, lt_visit_place *after,
                                               lt_error *err);
/** The newest visit before `date`. An empty out->date: there is none. */
LT_NODISCARD lt_status lt_visit_place_before(const char *site, const char *date, lt_visit_place *out, lt_error *err);

typedef struct {
    lt_visit_place before, after; /* in the order of their dates where both are visits of one site */
    char weather_before[LT_TEXT_MAX], weather_after[LT_TEXT_MAX];
    lt_compare_lane *lanes; /* lanes that both visits have */
    size_t lane_count;
    lt_notes notes; /* lanes of one visit only, what was left out, figures that cannot be computed */
} lt_visit_comparison;
/** Measure both visits and compare them lane by lane. only_lane 0 = all. opt NULL = the defaults.
 * LT_E_ARG: the same visit twice, or no lane with anything to compare. */
LT_NODISCARD lt_status lt_visits_compare(const lt_visit_place *before, const lt_visit_place *after, unsigned only_lane,
                                         const lt_compare_options *opt, lt_progress progress, void *context,
                                         lt_visit_comparison **out, lt_error *err);
/** The same with a later visit that is measured already. results [after->lane_count]; NULL: no figures of it. */
LT_NODISCARD lt_status lt_visit_compare_surveyed(const lt_visit_place *before, const lt_survey *after,
                                                 const lt_tune_result *results, unsigned only_lane,
                                                 const lt_compare_options *opt, lt_progress progress, void *context,
                                                 lt_visit_comparison **out, lt_error *err);
void lt_visit_comparison_free(lt_visit_comparison *c);

/* ---- recordings made live ---- */

typedef struct {
    const char *dir, *date;
    unsigned lane;
    lt_path path;
    const char *condition; /* "" = lane empty */
    unsigned counter;      /* not 0: it lies in the folder of this counter, for all its lanes */
    unsigned from;         /* cross-coupling: number of the lane (with `counter`: counter) that is played to */
} lt_record_place;
/** File names of a recording and of what is played for it, relative to the site; makes the folder. LT_E_ARG: the
 * condition is no word of small letters, digits and '-'. */
LT_NODISCARD lt_status lt_record_names(const lt_record_place *p, char recording[320], char stimulus[320],
                                       lt_error *err);
/** A name in the same folder that no survey looks at, for a recording that is still being made. */
LT_NODISCARD lt_status lt_record_part(const lt_record_place *p, char path[4096], lt_error *err);
/** Keep a take: stimulus.PATH[.CONDITION].wav beside PATH[.CONDITION].wav. Both are written beside first; then an older
 * recording and its stimulus move to replaced/PATH[.CONDITION].K.wav; then the new ones are renamed into place. */
LT_NODISCARD lt_status lt_record_keep(const lt_record_place *p, const lt_signal *recording, const lt_signal *stimulus,
                                      lt_error *err);
/** The same for a recording without stimulus that lies in lt_record_part(). */
LT_NODISCARD lt_status lt_record_keep_part(const lt_record_place *p, lt_error *err);
/** The same for one of `seconds` that ended before its time: it does not displace a longer recording, but then goes to
 * replaced/ itself. `kept` is where it lies, relative to the site. */
LT_NODISCARD lt_status lt_record_keep_partial(const lt_record_place *p, double seconds, char kept[320], lt_error *err);
/** Copy recordings of a lane and its counter, and what was played for them, from visit `from` to `to`, where they are
 * not there yet. path, condition NULL = all. Of the counter's folder only noise-counter stays shared by its lanes.
 * Couplings between lanes or counters depend on the settings of two: they are lt_visit_carry_between()'s part. */
LT_NODISCARD lt_status lt_visit_carry(const char *dir, const char *from, const char *to, unsigned lane,
                                      unsigned counter, const lt_path *path, const char *condition, lt_error *err);
/** Copy cross-coupling-from-M of lane N (counters: of counter N), with all its conditions, in the same way. */
LT_NODISCARD lt_status lt_visit_carry_between(const char *dir, const char *from, const char *to, bool counters,
                                              unsigned n, unsigned m, lt_error *err);

/* ---- simulated sites ---- */

typedef struct {
    char site[LT_TEXT_MAX];
    char date[32];
    double sweep_seconds, noise_seconds, talk_seconds;
    lt_scene_lane *lanes;
    bool record_loop; /* record the path `loop` too */
    struct {
        double outbound_now_db, inbound_now_db; /* dial positions written to site.yaml */
        lt_listening listening;
        double property_line_m, property_line_dba; /* NaN = null in site.yaml */
    } now[LT_SCENE_LANES_MAX];
    size_t lane_count;
} lt_scenario;
/** Read SCENARIO.yaml; every field has a default (docs/virtual-lane-scenario.md lists them). */
LT_NODISCARD lt_status lt_scenario_load(const char *path, lt_scenario **out, lt_error *err);
LT_NODISCARD lt_status lt_scenario_demo(lt_scenario **out, lt_error *err);
void lt_scenario_free(lt_scenario *s);
/** Make a site folder DIR with all recordings of the scenario, and the true impulse responses in DIR/truth/. LT_E_ARG:
 * DIR exists and is not empty; lanes that one visit cannot hold (they differ in rate, calibration or temperature). */
LT_NODISCARD lt_status lt_scenario_record(const lt_scenario *s, const char *dir, lt_progress progress, void *context,
                                          lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
