/* SPDX-License-Identifier: MIT
 * The loop layer. */
#define SUITES(X)                                                                                                      \
    X(loop_response)                                                                                                   \
    X(loop_colouration)                                                                                                \
    X(loop_margin)                                                                                                     \
    X(loop_simulated)                                                                                                  \
    X(loop_notch) X(loop_reach) X(loop_echo) X(loop_switching) X(loop_echo_path) X(loop_echo_clocks) X(loop_echo_back)
#include "suite.h"
