/* SPDX-License-Identifier: MIT
 * One live measurement of one path, for measure and for tune --live. */
#ifndef CLI_MEASURE_H
#define CLI_MEASURE_H

#include "live.h"

#include <math.h>

typedef struct {
    cli_live *live;
    lt_record_place place;
    double level_dbfs; /* NaN: to be found */
    unsigned sweeps;   /* 0: to be planned */
    double seconds;    /* NaN: to be planned */
    bool may_skip;     /* the key s leaves it out */
    bool may_skip_all; /* the key a leaves out all of its kind that follow */
    bool skipped;      /* one of them did: nothing is to be measured */
    bool skipped_all;
    char word[LT_PATH_WORD_MAX]; /* of the path, as in file names */
    lt_site *site;
    lt_visit *visit;
    char file[320], stimulus_file[320];
    lt_signal *stimulus;
    lt_signal *recording;
    lt_interface *interface; /* NULL: none is known, or it is of another device */
    lt_response *response;
    lt_levels *levels;
    lt_talk_test *talk_test;
    lt_notes notes;
    lt_measured result;
} cli_measure_job;

/** What j->place says of path, lane or counter, from and condition is in the site and its visit; the names of the
 * files. */
LT_NODISCARD lt_status cli_measure_open(cli_measure_job *j, const char *dir, const char *visit, lt_error *err);
/** The input channel of this path, and its calibration. */
LT_NODISCARD lt_status cli_measure_choose_channel(cli_measure_job *j, const cli_args *a, lt_error *err);
/** Instructions and cautions, and a key. LT_E_STATE: stopped. */
LT_NODISCARD lt_status cli_measure_ask(cli_measure_job *j, lt_error *err);
/** Measure, judge, keep; j->result says what came out. LT_E_STATE: stopped, nothing was changed. */
LT_NODISCARD lt_status cli_measure_run(cli_measure_job *j, lt_error *err);
void cli_measure_close(cli_measure_job *j);

/** Noise or a talk test: record, judge, keep (measure_recorded.c). */
LT_NODISCARD lt_status cli_measure_recorded(cli_measure_job *j, lt_error *err);
/** Level, sweeps and seconds where they are not given (measure_level.c). */
LT_NODISCARD lt_status cli_measure_plan(cli_measure_job *j, lt_error *err);

#endif
