/* SPDX-License-Identifier: MIT
 * lanetune compare across its own files. */
#ifndef CLI_COMPARE_H
#define CLI_COMPARE_H

#include "cli.h"

/** compare --isolate; the exit status. */
int cli_compare_points(cli_args *a);

#endif
