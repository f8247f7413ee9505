/* SPDX-License-Identifier: MIT
 * Tests of the report layer; the surveys made by hand are built in here once for all of its files. */
#include "report_fixture.c"

#define SUITES(X) X(report_escape) X(report_json) X(report_text) X(report_chart) X(report_html)
#include "suite.h"
