/* SPDX-License-Identifier: MIT
 * Sound with pauses, as speech has them, for a line: coloured noise whose level comes and goes 1.7 times a second. Full
 * scale = 1. */
#ifndef LT_TESTS_BURSTS_H
#define LT_TESTS_BURSTS_H

#include "near.h"

#include <lanetune/base.h>

#include <math.h>

enum { BURSTS_RATE_HZ = 8000 };

static inline lt_signal *bursts(size_t seconds, uint64_t seed)
{
    lt_signal *s = NULL;
    lt_rng r = {seed};
    assert_int_equal(lt_signal_create(seconds * BURSTS_RATE_HZ, BURSTS_RATE_HZ, &s, NULL), LT_OK);
    double last = 0.0;
    for (size_t i = 0; i < s->count; i++) {
        last = 0.7 * last + lt_rng_gauss(&r);
        s->samples[i] = 0.1 * last * fmax(sin(2.0 * LT_PI * 1.7 * (double)i / BURSTS_RATE_HZ), 0.02);
    }
    return s;
}

#endif
