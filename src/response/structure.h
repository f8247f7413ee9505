/* SPDX-License-Identifier: MIT
 * What a stimulus is made of, told from its samples alone. */
#ifndef LTP_RESPONSE_STRUCTURE_H
#define LTP_RESPONSE_STRUCTURE_H

#include <lanetune/dsp.h>

typedef struct {
    size_t first, count;
} ltp_span;

typedef enum {
    LTP_EXPONENTIAL, /* rising exponential sweep: harmonics separate from the response */
    LTP_OTHER        /* linear or falling sweep, noise, speech, anything */
} ltp_kind;

enum { LTP_REPEATS_MAX = 64 };
typedef struct {
    ltp_kind kind;
    double growth_s;                  /* L of f(t) = f1 exp(t / L); exponential sweeps only */
    double start_hz;                  /* f at the first sample of a sweep; exponential sweeps only */
    ltp_span sweeps[LTP_REPEATS_MAX]; /* the parts to deconvolve: equal copies of each other */
    size_t sweep_count;               /* at least 1 */
    bool markers;                     /* two equal short signals before and after all sweeps */
    ltp_span marker[2];
} ltp_structure;

/** LT_E_ARG: the stimulus is empty, silent, too short or holds something that is no number. */
lt_status ltp_structure_find(const lt_signal *stimulus, ltp_structure *out, lt_error *err);

/** Instantaneous frequency of a rising exponential sweep by its zero crossings, fitted as f1 exp(t / L) with t from
 * x[0]. False: x is no such sweep. LT_E_NOMEM in *st. */
bool ltp_sweep_fit(const double *x, size_t count, double rate_hz, double *growth_s, double *start_hz, lt_status *st);

#endif
