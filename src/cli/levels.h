/* SPDX-License-Identifier: MIT
 * A recording of any length through the level meter. */
#ifndef CLI_LEVELS_H
#define CLI_LEVELS_H

#include "cli.h"

/** The rest of one channel (0-based) into the meter and, unless NULL, into `other`, with a progress bar. */
LT_NODISCARD lt_status cli_feed_levels(lt_audio_reader *reader, unsigned channel, lt_level_meter *meter,
                                       lt_interference *other, lt_error *err);
/** Channel (0-based) that an option chooses, or the first with a note. LT_E_ARG: the file has fewer. */
LT_NODISCARD lt_status cli_channel_of(cli_args *a, const char *path, const char *channel_option,
                                      const lt_audio_info *info, unsigned *channel, lt_error *err);

#endif
