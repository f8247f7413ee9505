/* SPDX-License-Identifier: MIT
 * Interference in a recording that was screened: the parts where there may be some are listened to. */
#ifndef CLI_NOISE_INTERFERENCE_H
#define CLI_NOISE_INTERFERENCE_H

#include "cli.h"

/** The file `path` once more, channel 0-based. levels: of the whole recording. A progress bar. */
LT_NODISCARD lt_status cli_listen_again(const char *path, unsigned channel, double cal_db, const lt_levels *levels,
                                        const lt_screened *screened, lt_interference_result *out, lt_error *err);

#endif
