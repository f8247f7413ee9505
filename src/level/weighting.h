/* SPDX-License-Identifier: MIT
 * A and C weighting in the time domain, IEC 61672-1:2013 annex E, for levels. Gain 1 at 1 kHz. */
#ifndef LTP_LEVEL_WEIGHTING_H
#define LTP_LEVEL_WEIGHTING_H

#include <lanetune/dsp.h>

enum {
    LTP_WEIGHTING_FIT = 9,   /* taps of the symmetric FIR that meets the curve up to 0.43 rate */
    LTP_WEIGHTING_TAPS = 13, /* with the zeros of the recursive sections: four at 0 Hz for A, two for C */
    LTP_WEIGHTING_PAIRS = 3  /* pole pairs: 20.6 Hz twice; 107.7 and 737.9 Hz (A only); 12.2 kHz twice */
};

/** Lane 0 is A, lane 1 is C. */
typedef struct {
    double a1[LTP_WEIGHTING_PAIRS][2], a2[LTP_WEIGHTING_PAIRS][2];
    double y1[LTP_WEIGHTING_PAIRS][2], y2[LTP_WEIGHTING_PAIRS][2]; /* last outputs of each pole pair */
    double taps[2][LTP_WEIGHTING_TAPS];
    double past[LTP_WEIGHTING_TAPS - 1]; /* what the FIR still needs of the last block */
} ltp_weighting;

/** What one part of a block held. */
typedef struct {
    double energy[2];  /* sum of the squares, A and C */
    double largest[2]; /* square */
} ltp_weighted;

/** rate_hz: 4000 to 400000. */
void ltp_weighting_design(ltp_weighting *w, double rate_hz);
void ltp_weighting_reset(ltp_weighting *w);
/** x[count] -> out[ceil(count / part)], one for each `part` samples, the last one maybe fewer; delayed by 6 samples.
 * scratch: [3 count + LTP_WEIGHTING_TAPS - 1]. */
void ltp_weighting_run(ltp_weighting *w, const double *x, size_t count, size_t part, double *scratch,
                       ltp_weighted *out);

#endif
