/* SPDX-License-Identifier: MIT
 * tune --live across its own files: measure what is missing, recommend, dial in, measure again, compare. */
#ifndef CLI_TUNE_LIVE_H
#define CLI_TUNE_LIVE_H

#include "measure.h"

typedef struct {
    cli_args *args;
    cli_live live;
    const char *dir;
    unsigned only_lane;         /* 0 = all */
    double noise_s;             /* length of a noise recording; NaN = the usual */
    char first[32], second[32]; /* visits; second "" = not made yet */
    cli_site before;            /* survey and settings of the first visit */
    lt_survey *after;           /* survey of the second visit; NULL = not yet */
    unsigned made;              /* recordings that were made by this run */
    lt_dialled_lane *lanes;     /* [before.count] */
    lt_dialled result;
} cli_tune_live_job;

/** The whole of tune --live; the exit status. */
int cli_tune_live(cli_args *a);

/* ---- tune_live_steps.c ---- */

/** Measure what the evidence of this lane lacks, into the first visit. LT_E_STATE: stopped. */
LT_NODISCARD lt_status cli_tune_measure_missing(cli_tune_live_job *t, const lt_survey_lane *lane, lt_error *err);
/** Measure again in the second visit whatever depends on a setting that was changed; carry the rest over. */
LT_NODISCARD lt_status cli_tune_measure_again(cli_tune_live_job *t, const lt_survey_lane *lane, lt_dialled_lane *d,
                                              lt_error *err);

/* ---- tune_live_compare.c ---- */

/** By how much the response of a path moved, dB: median over the speech bands that stand above the noise in both; NaN
 * where fewer than five do. */
double cli_tune_moved_db(const lt_response *before, const lt_response *after);
/** Where the knobs stood and where they shall stand; whether there is something to dial in, and why not. */
void cli_tune_choose(const lt_survey_lane *lane, const lt_tune_result *r, lt_dialled_lane *d);
/** Figures before, predicted and measured, what moved, what is missed. */
LT_NODISCARD lt_status cli_tune_compare(const lt_survey_lane *before, const lt_survey_lane *after, lt_dialled_lane *d,
                                        lt_error *err);
/** True if nothing at all moved although the settings should have moved it. */
bool cli_tune_nothing_moved(const lt_dialled_lane *d);

#endif
