/* SPDX-License-Identifier: MIT
 * Comparing two visits, across its own files: differences first, then what they mean. */
#ifndef LTP_TUNE_COMPARE_H
#define LTP_TUNE_COMPARE_H

#include <lanetune/tune.h>

/** What both visits have, as pairs. */
typedef struct {
    const lt_compare_side *before, *after;
    const lt_compare_options *opt;
    lt_compare_lane *out;
} ltp_compare;

/* ---- compare_response.c, compare_noise.c ---- */

void ltp_compare_responses(ltp_compare *c);
void ltp_compare_noises(ltp_compare *c);
void ltp_compare_talks(ltp_compare *c);
/** What a lane has of a condition; NULL: nothing. */
const lt_tune_recordings *ltp_compare_condition(const lt_tune_lane *l, const char *name);
/** Notes that a recording of `what` exists in one visit only. */
void ltp_compare_one_sided(ltp_compare *c, const char *what, const char *condition, bool before, bool after);
/** Changes of the settings between the recordings, dB. */
double ltp_compare_outbound_change_db(const ltp_compare *c);
double ltp_compare_inbound_change_db(const ltp_compare *c);

/* ---- compare_find.c, compare_find_level.c ---- */

/** The pair of a path in a condition, NULL if it was not recorded in both visits. */
const lt_compare_response *ltp_compare_find(const lt_compare_lane *l, lt_compare_path path, const char *condition);
const lt_compare_noise *ltp_compare_find_noise(const lt_compare_lane *l, lt_compare_noise_kind kind,
                                               const char *condition);
const lt_compare_talk *ltp_compare_find_talk(const lt_compare_lane *l, const char *condition);

typedef struct {
    lt_finding_code code;
    lt_finding_kind kind;
    const char *path, *condition, *unit;
    double change, probability;
    bool over_limit;
} ltp_finding_head;
/** Appends a finding; texts are filled by the caller. A full list gives the last place again. */
lt_finding *ltp_compare_add(ltp_compare *c, const ltp_finding_head *head);
void ltp_compare_say(char out[256], const char *format, ...) LT_PRINTF(2, 3);

void ltp_compare_find_levels(ltp_compare *c);
void ltp_compare_find_others(ltp_compare *c);
void ltp_compare_find_figures(ltp_compare *c);

#endif
