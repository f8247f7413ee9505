/* SPDX-License-Identifier: MIT
 * Where in a recording the stimulus was played. */
#ifndef LTP_RESPONSE_FIND_H
#define LTP_RESPONSE_FIND_H

#include "response/structure.h"

typedef struct {
    double start_s; /* recorder's time of the stimulus file's first sample, to about 1 ms; may be negative */
    double score;   /* correlation peak over its usual size */
} ltp_play;

enum { LTP_PLAYS_MAX = 64 };
/** Plays by time. *count = 0: the stimulus is not there. LT_E_NOMEM, LT_E_ARG. */
lt_status ltp_find(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, ltp_play *plays,
                   size_t *count, lt_error *err);

#endif
