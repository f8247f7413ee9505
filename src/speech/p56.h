/* SPDX-License-Identifier: MIT
 * Active speech level, ITU-T P.56 method B: the envelope, shared by the level and by the talk test. Full scale = 1. */
#ifndef LTP_SPEECH_P56_H
#define LTP_SPEECH_P56_H

#include <lanetune/base.h>

/** Two equal first-order low-passes (time constant 0.03 s) on |x|. Zero p and q to start. */
typedef struct {
    double g; /* exp(-1 / (rate 0.03 s)) */
    double p, q;
} ltp_p56_envelope;

ltp_p56_envelope ltp_p56_envelope_at(double rate_hz);
size_t ltp_p56_hangover_frames(double rate_hz); /* 0.2 s */

/** The next value of the envelope q. */
static inline double ltp_p56_next(ltp_p56_envelope *e, double x)
{
    const double rectified = x < 0.0 ? -x : x;
    e->p = e->g * e->p + (1.0 - e->g) * rectified;
    e->q = e->g * e->q + (1.0 - e->g) * e->p;
    return e->q;
}

#endif
