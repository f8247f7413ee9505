/* SPDX-License-Identifier: MIT
 * The words of site.yaml and visit.yaml, in the order of their enumerations; folder and file names of a site. */
#ifndef LTP_SITE_WORDS_H
#define LTP_SITE_WORDS_H

#include <lanetune/site.h>

extern const char *const ltp_words_listening[LT_LISTEN_COUNT];
extern const char *const ltp_words_duplex[LT_DUPLEX_COUNT];
extern const char *const ltp_words_eq[LT_EQ_KIND_COUNT];
extern const char *const ltp_words_effort[LT_EFFORT_COUNT];
extern const char *const ltp_words_echo[LT_ECHO_LIMIT_COUNT];
extern const char *const ltp_words_noise[LT_NOISE_CASE_COUNT];

enum { LTP_SITE_PATH_MAX = 3072 };
/** Printf into path; LT_E_ARG when it does not fit. */
LT_NODISCARD lt_status ltp_site_path(char path[LTP_SITE_PATH_MAX], lt_error *err, const char *format, ...)
    LT_PRINTF(3, 4);
/** "lane-3", or the folder of a counter. */
void ltp_folder_name(bool counter, unsigned number, char folder[32]);
/** A name that can be a folder of a visit: 1 to 31 of letters, digits, '-', '_' and '.', not beginning with '.'. */
bool ltp_is_visit_name(const char *name);
/** [a-z0-9-]+ of less than LT_NAME_MAX characters. */
bool ltp_is_condition(const char *name);

/** Defaults of everything that site.yaml can say, before it says anything. */
lt_site_lane ltp_default_lane(unsigned number);
lt_counter ltp_default_counter(unsigned number);
/** min_db + k step_db, k = 0.. up to max_db. False: more than LT_STEPS_MAX steps. */
bool ltp_make_steps(double min_db, double max_db, double step_db, lt_adjuster *a);

#endif
