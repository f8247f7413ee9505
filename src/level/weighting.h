/* SPDX-License-Identifier: MIT
 * A and C weighting in the time domain, IEC 61672-1:2013 annex E, and the Fast detector. Gain 1 at 1 kHz. */
#ifndef LTP_LEVEL_WEIGHTING_H
#define LTP_LEVEL_WEIGHTING_H

#include <lanetune/dsp.h>

enum { LTP_WEIGHTING_TAPS = 9 }; /* of the symmetric FIR that meets the curve up to 0.43 rate */

/** A recursive section, transposed direct form II; the all-pole ones have b1 = b2 = 0. */
typedef struct {
    lt_biquad filter;
    lt_biquad_state state;
} ltp_section;

typedef struct {
    ltp_section rumble;       /* the double pole at 20.6 Hz, common to both */
    ltp_section low_a;        /* the poles at 107.7 and 737.9 Hz */
    ltp_section top_a, top_c; /* the double pole at 12.2 kHz */
    double taps_a[LTP_WEIGHTING_TAPS], taps_c[LTP_WEIGHTING_TAPS];
    double past[LTP_WEIGHTING_TAPS - 1]; /* what the FIR still needs of the last block */
} ltp_weighting;

/** rate_hz: 4000 to 400000. */
void ltp_weighting_design(ltp_weighting *w, double rate_hz);
void ltp_weighting_reset(ltp_weighting *w);
/** x[count] -> a[count], c[count], delayed by 4 samples. scratch: [count + LTP_WEIGHTING_TAPS - 1]. */
void ltp_weighting_run(ltp_weighting *w, const double *x, size_t count, double *scratch, double *a, double *c);

#endif
