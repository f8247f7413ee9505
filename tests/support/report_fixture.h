/* SPDX-License-Identifier: MIT
 * Surveys and results made by hand for the tests of the HTML report: no recording and no search behind them, but the
 * indices and margins in them are computed from the spectra and impulse responses in them. */
#ifndef LT_TESTS_REPORT_FIXTURE_H
#define LT_TESTS_REPORT_FIXTURE_H

#include <lanetune/report.h>

typedef enum {
    REPORT_THREE_LANES, /* a plausible site: noisy, echo complaint, limited by feedback */
    REPORT_ONE_LANE,    /* its first lane alone */
    REPORT_NOTHING,     /* one lane of which nothing is known: NaN, -INFINITY, no recording */
    REPORT_HOSTILE,     /* names and sentences that try to break out of the page */
    REPORT_CROWDED,     /* three lanes with every list full to its end */
    REPORT_FIXTURE_COUNT
} report_fixture_kind;

typedef struct {
    lt_survey *survey;
    lt_tune_result *results; /* [survey->lane_count] */
} report_fixture;

extern const char *const report_fixture_names[REPORT_FIXTURE_COUNT]; /* three-lanes, ... */

/** Aborts the program if memory is out: this is for tests. */
report_fixture report_fixture_make(report_fixture_kind kind);
void report_fixture_free(report_fixture *f);

#endif
