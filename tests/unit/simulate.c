/* SPDX-License-Identifier: MIT
 * All suites of the virtual lane. */
#define SUITES(X)                                                                                                      \
    X(simulate_geometry)                                                                                               \
    X(simulate_paths)                                                                                                  \
    X(simulate_amplifier) X(simulate_noise) X(simulate_record) X(simulate_talker) X(simulate_truth)
#include "suite.h"
