/* SPDX-License-Identifier: MIT
 * Tests of the response layer. */
#define SUITES(X)                                                                                                      \
    X(response_stimulus)                                                                                               \
    X(response_ir)                                                                                                     \
    X(response_parts)                                                                                                  \
    X(response_levels)                                                                                                 \
    X(response_foreign)                                                                                                \
    X(response_repeats)                                                                                                \
    X(response_distortion)                                                                                             \
    X(response_arrivals)                                                                                               \
    X(response_decay)                                                                                                  \
    X(response_refuse)                                                                                                 \
    X(response_continuity)                                                                                             \
    X(response_plan)                                                                                                   \
    X(response_interface)
#include "suite.h"
