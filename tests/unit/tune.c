/* SPDX-License-Identifier: MIT
 * The tune layer. */
/* clang-format off */
#define SUITES(X)                                                                                                      \
    X(tune_compare) X(tune_search) X(tune_binding) X(tune_shared) X(tune_evidence) X(tune_assume) X(tune_people)      \
    X(tune_open)
/* clang-format on */
#include "suite.h"
