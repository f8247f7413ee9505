/* SPDX-License-Identifier: MIT
 * What a lane must have recorded before its settings can be recommended. */
#ifndef CLI_WALK_H
#define CLI_WALK_H

#include <lanetune/site.h>

/** Paths in an order that spares walks: customer's ear, lane line, counter. */
enum { CLI_WALK = 9 };
extern const lt_path cli_walk[CLI_WALK];

/** The lane's settings rest on a recording of that path. has_loop: its loop was recorded as a whole. */
bool cli_lane_needs(const lt_tune_lane *t, bool has_loop, lt_path path);

#endif
