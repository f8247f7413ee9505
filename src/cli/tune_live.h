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
    bool between_left_out;      /* the technician wants no couplings between lanes in this run */
    lt_dialled_lane *lanes;     /* [before.count] */
    lt_dialled result;
} cli_tune_live_job;

/** The whole of tune --live; the exit status. */
int cli_tune_live(cli_args *a);

/* ---- tune_live_step.c ---- */

/** One measurement of the way. */
typedef struct {
    const char *visit, *condition;
    lt_path path;
    unsigned lane, counter, from; /* of lt_record_place */
    const lt_response *before;    /* may be NULL */
    bool may_skip, may_skip_all;
    /* what came out */
    bool skipped, skipped_all; /* the technician left it out */
    double moved_db;           /* against `before`; NaN = not known */
} cli_tune_step;
/** Ask, measure, tell. What was refused, and a device that was lost, is tried again where somebody can answer; without,
 * a lost device gets one more try. LT_E_STATE: stopped. */
LT_NODISCARD lt_status cli_tune_measure_step(cli_tune_live_job *t, cli_tune_step *s, lt_error *err);

/* ---- tune_live_between.c ---- */

/** Couplings between lanes and counters that can be open together, where none is recorded or stated: into the first
 * visit. The technician may leave them out: then margin --site assumes them. */
LT_NODISCARD lt_status cli_tune_between_missing(cli_tune_live_job *t, lt_error *err);
/** Copy those of the first visit into the second where no setting of either end was changed. */
LT_NODISCARD lt_status cli_tune_between_carry(const cli_tune_live_job *t, lt_error *err);
/** Measure the others of the first visit again, into the second. */
LT_NODISCARD lt_status cli_tune_between_again(cli_tune_live_job *t, lt_error *err);

/* ---- tune_live_steps.c ---- */

/** Measure what the evidence of this lane lacks, into the first visit. LT_E_STATE: stopped. */
LT_NODISCARD lt_status cli_tune_measure_missing(cli_tune_live_job *t, const lt_survey_lane *lane, lt_error *err);
/** "lane-coupling.car" was recorded in the first visit and not again. */
void cli_tune_remember_missed(lt_dialled_lane *d, const lt_recording *r);
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
