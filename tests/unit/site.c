/* SPDX-License-Identifier: MIT
 * Layer site: the list of its tests. */
#define SUITES(X) X(site_bad)
#include "suite.h"
