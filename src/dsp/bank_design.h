/* SPDX-License-Identifier: MIT
 * Design of the filter bank: band-pass sections and the decimator between its stages. Frequencies in Hz at the stage's
 * own rate, responses as power ratios. */
#ifndef LTP_DSP_BANK_DESIGN_H
#define LTP_DSP_BANK_DESIGN_H

#include <lanetune/dsp.h>

enum {
    LTP_BAND_MAX_ORDER = 4, /* pole pairs of one band */
    LTP_HALF_TAPS = 8,      /* distinct outer taps of the decimator */
    LTP_HALF_DELAY = 15,    /* its group delay, input samples: 31 taps */
    LTP_BANK_STAGES = 6     /* rate, rate / 2, ... rate / 32 */
};

/** H(z) = (1 - z^-2)^order / product of (1 + a1[k] z^-1 + a2[k] z^-2). Not normalised: see ltp_band_power(). */
typedef struct {
    int order; /* 3 or 4 */
    double a1[LTP_BAND_MAX_ORDER], a2[LTP_BAND_MAX_ORDER];
} ltp_band_filter;

/** Digital Butterworth band-pass whose integrated power response equals the band's width. upper edge < 0.47 rate. */
ltp_band_filter ltp_band_design(const lt_band *band, double rate_hz);
double ltp_band_power(const ltp_band_filter *f, double hz, double rate_hz);
double ltp_band_delay_s(const ltp_band_filter *f, double hz, double rate_hz);

/** Half-band low-pass: h[15] = 1/2, h[2 k] = h[30 - 2 k] = taps[k], the other taps are 0. */
void ltp_half_design(double *taps);
double ltp_half_power(const double *taps, double hz, double rate_hz);

#endif
