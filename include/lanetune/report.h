/* SPDX-License-Identifier: MIT
 * report: results as JSON, text for an 80-column terminal, charts and one HTML file. Prints nothing: returns text.
 * Every returned text is NUL-terminated and freed with lt_text_free(). NaN and infinity become null (JSON) or a dash.
 */
#ifndef LT_REPORT_H
#define LT_REPORT_H

#include <lanetune/site.h>

#ifdef __cplusplus
extern "C" {
#endif

void lt_text_free(char *text);

/* ---- JSON: {"lanetune", "command", "inputs", "warnings", "result"}; one object a command ---- */

typedef struct {
    const char *version;
    const char *command;
    const char *const *inputs; /* [input_count] */
    size_t input_count;
    const lt_notes *warnings; /* may be NULL */
} lt_json_head;

typedef struct {
    double rate_hz, seconds, from_hz, to_hz; /* from/to NaN where they mean nothing */
    double peak_dbfs;                        /* largest sample, dB re full scale */
    double rms_dbfs;                         /* of the whole file */
    const char *kind;                        /* sweep, speech-noise, stipa, pink, tone */
    const char *path;                        /* of the file written */
} lt_stimulus_info;

/** What a live measurement gave. Names of files are relative to the site. */
typedef struct {
    const char *visit, *path, *condition, *file;
    const char *stimulus; /* NULL: nothing was played */
    unsigned lane;        /* 0: between counters, recorded at `counter` */
    unsigned counter;     /* else 0 */
    const lt_live_used *used;
    double rate_hz, seconds; /* of the recording */
    double level_dbfs;       /* peak of what was played; NaN */
    double sweep_s;          /* NaN */
    unsigned sweeps, takes;  /* takes: with those that were refused */
    double removed_ms;       /* round trip of the interface that was taken off */
    bool complete;           /* false: a recording that the user ended early */
    const char *level_end;   /* why level finding ended; NULL: the level was given */
    const lt_response *response;
    const lt_levels *levels;
    bool calibrated; /* levels are dB SPL */
    const lt_talk_test *talk_test;
    const lt_notes *notes;
} lt_measured;

/** A lane whose settings were dialled in and which was measured again. dB; NaN = not known. */
enum { LT_MISSED_MAX = 64 };
typedef struct {
    unsigned lane;
    char name[LT_NAME_MAX];
    bool dialled; /* false: nothing to change, or refused: notes say why */
    double outbound_from_db, outbound_to_db, inbound_from_db, inbound_to_db;
    bool measured_again; /* false: `measured` is not known */
    /* Over the conditions below alone, so that the three can be compared. */
    lt_tune_figures before, predicted, measured;
    char conditions[LT_CONDITIONS_MAX][LT_NAME_MAX]; /* measured again in full; "" = lane empty */
    size_t condition_count;
    double moved_db[LT_PATH_COUNT]; /* of a response since the visit before, median of the speech bands */
    double loop_moved_db;           /* both couplings, or the loop; the settings promise both changes together */
    char missed[LT_MISSED_MAX][96]; /* "lane-coupling.car": recorded before, not again */
    size_t missed_count;
    lt_unmet unmet[LT_LIMIT_COUNT]; /* limits that the measured figures miss */
    size_t unmet_count;
    bool unstable; /* measured: no margin is left */
    lt_notes notes;
} lt_dialled_lane;
typedef struct {
    const char *visit_before, *visit_after; /* after NULL: nothing was dialled in */
    lt_dialled_lane *lanes;
    size_t count;
} lt_dialled;

typedef enum { LT_QUALITY_GOOD, LT_QUALITY_FAIR, LT_QUALITY_POOR, LT_QUALITY_COUNT } lt_quality;
const char *lt_quality_name(lt_quality q);
/** By the distance to the noise: good from 25 dB, fair from 15 dB, else poor. */
lt_quality lt_quality_of(double snr_db);
/** The worst of the 18 speech bands; *hz is that band. */
lt_quality lt_quality_of_response(const lt_response *r, double *hz);
LT_NODISCARD lt_status lt_json_calibrate(const lt_json_head *h, const lt_calibration *c, const char *visit,
                                         unsigned tries, double calibrator_hz, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_calibrate(const lt_calibration *c, unsigned tries, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_measure(const lt_json_head *h, const lt_measured *m, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_measure(const lt_measured *m, char **out, lt_error *err);

/** What `noise` says beyond lt_levels. */
typedef struct {
    bool percentiles;                 /* L1 to L99 of each band as well */
    const lt_traffic_result *traffic; /* never NULL */
    const lt_nc *nc;                  /* NULL: no calibration, or bands are missing */
    double speech_dba, sii;           /* speech at the ear, and the index that it must not fall under ... */
    double limit_dba, share_percent;  /* ... noise from which it does, and for how much of the time; NaN not known */
} lt_level_more;

LT_NODISCARD lt_status lt_json_stimulus(const lt_json_head *h, const lt_stimulus_info *s, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_response(const lt_json_head *h, const lt_response *r, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_levels(const lt_json_head *h, const lt_levels *l, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_noise(const lt_json_head *h, const lt_levels *l, const lt_level_more *more, char **out,
                                     lt_error *err);
LT_NODISCARD lt_status lt_json_talk_test(const lt_json_head *h, const lt_talk_test *t, double cal_db,
                                         const lt_stoi_result *stoi, char **out, lt_error *err);
/** What recordings gave to an SII. dB SPL; the A-weighted ones over the 18 bands from 160 Hz to 8 kHz. */
typedef struct {
    double speech_dba, active_level_db, activity_percent; /* NaN: speech is from elsewhere */
    double noise_dba;                                     /* NaN: noise is from elsewhere */
    const char *noise;                                    /* leq, l10, l50, l90, pauses */
} lt_sii_recorded;
/** privacy, recorded NULL: not asked for. */
LT_NODISCARD lt_status lt_json_sii(const lt_json_head *h, lt_sii_method m, const lt_sii_result *r,
                                   const lt_privacy *privacy, const lt_sii_recorded *recorded, char **out,
                                   lt_error *err);
LT_NODISCARD lt_status lt_json_sti(const lt_json_head *h, const lt_sti_result *r, char **out, lt_error *err);
/** want_db: the safe margin that the attenuation of a voice switch is reckoned for. */
LT_NODISCARD lt_status lt_json_margin(const lt_json_head *h, const lt_margin *m, double want_db, char **out,
                                      lt_error *err);
LT_NODISCARD lt_status lt_json_open_margin(const lt_json_head *h, const lt_open_margin *m, char **out, lt_error *err);
/** c NULL: no canceller was tried. */
LT_NODISCARD lt_status lt_json_echo(const lt_json_head *h, const lt_echo *e, const lt_echo *back, const lt_canceller *c,
                                    char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_tune(const lt_json_head *h, const lt_tune_result *r, size_t count, char **out,
                                    lt_error *err);
/** As lt_json_tune(), with what measuring again gave as result.live. */
LT_NODISCARD lt_status lt_json_tune_live(const lt_json_head *h, const lt_tune_result *r, size_t count,
                                         const lt_dialled *d, char **out, lt_error *err);
/** One file that was scanned for faults. */
typedef struct {
    const char *path;
    double seconds;                    /* NaN: it could not be read */
    lt_audio_info info;                /* what its header says */
    const char *failure;               /* why it could not be read; NULL if it was */
    const char *doubt;                 /* why the stimulus told nothing; NULL if it did, or none was given */
    lt_faults faults;                  /* sorted */
    double history_db[LT_HISTORY_MAX]; /* of the first channel, for the chart */
    size_t history_count;
    double history_step_s;
} lt_scanned;
LT_NODISCARD lt_status lt_json_scan(const lt_json_head *h, const lt_scanned *const *files, size_t count, char **out,
                                    lt_error *err);
/** One file as one line: the same object as in "files". */
LT_NODISCARD lt_status lt_json_scan_line(const lt_scanned *file, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_scan(const lt_scanned *const *files, size_t count, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_devices(const lt_json_head *h, const lt_devices *d, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_isolate(const lt_json_head *h, const lt_isolate_point *points, size_t count,
                                       const lt_isolation *r, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_isolate(const lt_isolate_point *points, size_t count, const lt_isolation *r, char **out,
                                       lt_error *err);
LT_NODISCARD lt_status lt_json_switching(const lt_json_head *h, const lt_switching *s, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_compare(const lt_json_head *h, const lt_visit_comparison *c, char **out, lt_error *err);
/** For commands whose result is a folder or a file: result {"path": ...}. */
LT_NODISCARD lt_status lt_json_path(const lt_json_head *h, const char *path, char **out, lt_error *err);
/** Truth of a simulated site: paths, levels, margins. */
LT_NODISCARD lt_status lt_json_truth(const lt_scenario *s, char **out, lt_error *err);

/* ---- text: 80 columns, the answer first ---- */

LT_NODISCARD lt_status lt_text_stimulus(const lt_stimulus_info *s, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_response(const lt_response *r, const char *name, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_levels(const lt_levels *l, const char *name, bool calibrated, char **out, lt_error *err);
/** more NULL: as lt_text_levels(). octaves: their table as well. */
LT_NODISCARD lt_status lt_text_noise(const lt_levels *l, const char *name, bool calibrated, bool octaves,
                                     const lt_level_more *more, char **out, lt_error *err);
/** One line of a level history; head: the line with the names before it. */
LT_NODISCARD lt_status lt_csv_level_row(const lt_level_row *row, bool head, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_talk_test(const lt_talk_test *t, const char *name, double cal_db, bool calibrated,
                                         const lt_stoi_result *stoi, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_sii(const lt_sii_result *r, const lt_privacy *privacy, const lt_sii_recorded *recorded,
                                   char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_sti(const lt_sti_result *r, const char *name, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_devices(const lt_devices *d, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_switching(const lt_switching *s, const char *name, char **out, lt_error *err);
/** all: the tables of lanes where nothing changed, too. */
LT_NODISCARD lt_status lt_text_compare(const lt_visit_comparison *c, bool all, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_margin(const lt_margin *m, double want_db, const char *name, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_open_margin(const lt_open_margin *m, const char *site, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_echo(const lt_echo *e, const lt_echo *back, const lt_canceller *c, const char *name,
                                    char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_tune(const lt_tune_result *r, size_t count, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_tune_live(const lt_dialled *d, char **out, lt_error *err);

/* ---- HTML ---- */

typedef struct {
    const char *version;
    const char *gnuplot; /* program; NULL or one that does not run: the report says that charts are missing */
    const char *scratch; /* folder for the charts' data files while gnuplot runs */
    const lt_visit_comparison *since; /* with the visit before the one reported; NULL: there is none */
    const char *since_missing;        /* why an earlier visit could not be compared; NULL: it was, or there is none */
} lt_report_options;
/** One self-contained page. */
LT_NODISCARD lt_status lt_report_html(const lt_survey *s, const lt_tune_result *results, const lt_report_options *opt,
                                      char **out, lt_error *err);

/* ---- one chart as a file ---- */

typedef enum { LT_FIGURE_SVG, LT_FIGURE_PNG } lt_figure_format;
/* Each gives the bytes of a file, freed with lt_text_free(). LT_E_IO: gnuplot is missing or failed. */
LT_NODISCARD lt_status lt_figure_scan(const lt_scanned *file, const lt_report_options *opt, lt_figure_format format,
                                      char **out, size_t *bytes, lt_error *err);
/** Gain around a loop, its ring candidates and what its notches leave of it. */
typedef struct {
    const lt_loop *loop;
    double gain_db; /* on top of the loop's own */
    const lt_margin *margin;
    double want_db;
} lt_margin_figure;
LT_NODISCARD lt_status lt_figure_margin(const lt_margin_figure *g, const lt_report_options *opt,
                                        lt_figure_format format, char **out, size_t *bytes, lt_error *err);
/** Margins of all sets of open lanes, the worst first. */
LT_NODISCARD lt_status lt_figure_open_margin(const lt_open_margin *m, const lt_report_options *opt,
                                             lt_figure_format format, char **out, size_t *bytes, lt_error *err);
/** Talker echo against the tolerance curve of ITU-T G.131. back: the other way; NULL: one way alone. */
typedef struct {
    const lt_echo *echo, *back;
} lt_echo_figure;
LT_NODISCARD lt_status lt_figure_echo(const lt_echo_figure *g, const lt_report_options *opt, lt_figure_format format,
                                      char **out, size_t *bytes, lt_error *err);
/** Mean gain of a voice switch around its attacks and releases. */
LT_NODISCARD lt_status lt_figure_switching(const lt_switching *s, const lt_report_options *opt, lt_figure_format format,
                                           char **out, size_t *bytes, lt_error *err);
/** An isolation test: what arrives at each point, and its noise. */
typedef struct {
    const lt_isolate_point *points; /* [count] */
    size_t count;
    const lt_isolation *isolation;
} lt_isolate_figure;
LT_NODISCARD lt_status lt_figure_isolate(const lt_isolate_figure *g, const lt_report_options *opt,
                                         lt_figure_format format, char **out, size_t *bytes, lt_error *err);
/** Change of each path of a lane between two visits. */
LT_NODISCARD lt_status lt_figure_compare(const lt_compare_lane *l, const lt_report_options *opt,
                                         lt_figure_format format, char **out, size_t *bytes, lt_error *err);
/** Levels of the bands with their percentiles, and the level over time with the vehicles that pass. */
typedef struct {
    const lt_levels *levels;
    const lt_level_more *more;
    bool calibrated;
} lt_noise_figure;
LT_NODISCARD lt_status lt_figure_noise(const lt_noise_figure *g, const lt_report_options *opt, lt_figure_format format,
                                       char **out, size_t *bytes, lt_error *err);
/** Modulation transfer of each octave over the modulation frequency. */
LT_NODISCARD lt_status lt_figure_sti(const lt_sti_result *r, const lt_report_options *opt, lt_figure_format format,
                                     char **out, size_t *bytes, lt_error *err);
LT_NODISCARD lt_status lt_figure_response(const lt_response *r, const lt_report_options *opt, lt_figure_format format,
                                          char **out, size_t *bytes, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
