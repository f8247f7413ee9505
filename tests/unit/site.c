/* SPDX-License-Identifier: MIT
 * Layer site: the list of its tests. */
#define SUITES(X)                                                                                                      \
    X(site_bad) X(site_load) X(site_new) X(site_visit) X(site_live) X(site_survey) X(site_open) X(site_scenario)
#include "suite.h"
