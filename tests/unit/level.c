/* SPDX-License-Identifier: MIT
 * Tests of the level layer. */
#define SUITES(X)                                                                                                      \
    X(level_meter)                                                                                                     \
    X(level_hum) X(level_howl) X(level_calibrator) X(level_faults) X(level_traffic) X(level_history) X(level_screen)
#include "suite.h"
