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
    const char *kind;                        /* sweep, speech-noise, pink, tone */
    const char *path;                        /* of the file written */
} lt_stimulus_info;

LT_NODISCARD lt_status lt_json_stimulus(const lt_json_head *h, const lt_stimulus_info *s, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_response(const lt_json_head *h, const lt_response *r, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_levels(const lt_json_head *h, const lt_levels *l, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_talk_test(const lt_json_head *h, const lt_talk_test *t, double cal_db, char **out,
                                         lt_error *err);
LT_NODISCARD lt_status lt_json_sii(const lt_json_head *h, lt_sii_method m, const lt_sii_result *r, char **out,
                                   lt_error *err);
LT_NODISCARD lt_status lt_json_margin(const lt_json_head *h, const lt_margin *m, char **out, lt_error *err);
LT_NODISCARD lt_status lt_json_tune(const lt_json_head *h, const lt_tune_result *r, size_t count, char **out,
                                    lt_error *err);
LT_NODISCARD lt_status lt_json_devices(const lt_json_head *h, const lt_devices *d, char **out, lt_error *err);
/** For commands whose result is a folder or a file: result {"path": ...}. */
LT_NODISCARD lt_status lt_json_path(const lt_json_head *h, const char *path, char **out, lt_error *err);
/** Truth of a simulated site: paths, levels, margins. */
LT_NODISCARD lt_status lt_json_truth(const lt_scenario *s, char **out, lt_error *err);

/* ---- text: 80 columns, the answer first ---- */

LT_NODISCARD lt_status lt_text_stimulus(const lt_stimulus_info *s, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_response(const lt_response *r, const char *name, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_levels(const lt_levels *l, const char *name, bool calibrated, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_talk_test(const lt_talk_test *t, const char *name, double cal_db, bool calibrated,
                                         char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_sii(const lt_sii_result *r, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_devices(const lt_devices *d, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_margin(const lt_margin *m, const char *name, char **out, lt_error *err);
LT_NODISCARD lt_status lt_text_tune(const lt_tune_result *r, size_t count, char **out, lt_error *err);

/* ---- HTML ---- */

typedef struct {
    const char *version;
    const char *gnuplot; /* program; NULL or one that does not run: the report says that charts are missing */
    const char *scratch; /* folder for the charts' data files while gnuplot runs */
} lt_report_options;
/** One self-contained page. */
LT_NODISCARD lt_status lt_report_html(const lt_survey *s, const lt_tune_result *results, const lt_report_options *opt,
                                      char **out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
