/* SPDX-License-Identifier: MIT
 * Suites of the base layer, one file each. */
#define SUITES(X) X(base_values) X(base_parallel)
#include "suite.h"
