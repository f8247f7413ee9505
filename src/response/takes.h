/* SPDX-License-Identifier: MIT
 * All recorded sweeps of all recordings. */
#ifndef LTP_RESPONSE_TAKES_H
#define LTP_RESPONSE_TAKES_H

#include "response/drift.h"
#include "response/shift.h"
#include "response/take.h"

typedef struct {
    /* in */
    const lt_signal *const *recordings;
    const char *const *names; /* or NULL */
    size_t recording_count;
    const lt_signal *stimulus;
    /* out */
    ltp_structure structure;
    ltp_layout layout;
    ltp_kernel *kernel;
    size_t room_before, room_after; /* frames of a piece beside its sweep that hold no marker */
    lt_rfft *fft;                   /* of the layout */
    ltp_take *items;
    size_t count;
    double drift;       /* mean; NaN = not known */
    double drift_sigma; /* its standard deviation */
    bool estimated;     /* ... from the response of an unmarked sweep alone */
} ltp_takes;

/** Finds and deconvolves every complete sweep. At least one on LT_OK; else the errors of lt_response_measure(). */
lt_status ltp_takes_collect(ltp_takes *t, const lt_response_options *opt, lt_notes *notes, lt_error *err);
void ltp_takes_clear(ltp_takes *t);

#endif
