/* SPDX-License-Identifier: MIT
 * The inner loops of the filter bank: poles of four bands at a time, zeros, decimation. */
#ifndef LTP_DSP_BANK_RUN_H
#define LTP_DSP_BANK_RUN_H

#include "dsp/bank_design.h"

enum { LTP_LANES = 4 };

/** Four bands of the same stage and order; a lane that is not used has all coefficients 0. Aligned, because a vector
 * that lies across two cache lines takes twice as long to load. */
typedef struct {
    double a1[LTP_BAND_MAX_ORDER][LTP_LANES], a2[LTP_BAND_MAX_ORDER][LTP_LANES];
    double b1[LTP_BAND_MAX_ORDER][LTP_LANES], b2[LTP_BAND_MAX_ORDER][LTP_LANES]; /* a1^2 - a2, a1 a2 */
    double y1[LTP_BAND_MAX_ORDER][LTP_LANES], y2[LTP_BAND_MAX_ORDER][LTP_LANES]; /* last outputs of each pole pair */
    double total[LTP_LANES]; /* sum of the squares of the last run */
    int order, stage;
    size_t band[LTP_LANES]; /* which bands of the bank */
    size_t count;           /* lanes in use */
} __attribute__((aligned(64))) ltp_band_group;

/** Bands of the full rate, eight at a time in single precision. All of them lie above 0.11 of the rate, where float
 * costs nothing that can be measured: its noise is 130 dB below the strongest band of this stage, since the zeros have
 * taken out (in double) what lies below. A band of order 3 has coefficients 0 in its last pole pair, which then passes.
 */
enum { LTP_TOP_LANES = 8 };
typedef struct {
    float a1[LTP_BAND_MAX_ORDER][LTP_TOP_LANES], a2[LTP_BAND_MAX_ORDER][LTP_TOP_LANES];
    float b1[LTP_BAND_MAX_ORDER][LTP_TOP_LANES], b2[LTP_BAND_MAX_ORDER][LTP_TOP_LANES];
    float y1[LTP_BAND_MAX_ORDER][LTP_TOP_LANES], y2[LTP_BAND_MAX_ORDER][LTP_TOP_LANES];
    float total[LTP_TOP_LANES];
    int takes_three[LTP_TOP_LANES]; /* all bits: the band has order 3; none: 4 */
    size_t band[LTP_TOP_LANES];
    size_t count;
} __attribute__((aligned(64))) ltp_top_group;

/** three[count], four[count]: the zeros of order 3 and 4 applied -> group.total. */
void ltp_top_run(ltp_top_group *g, const float *three, const float *four, size_t count);
/** x[count] with 8 older samples before it -> three[i] = (1 - z^-2)^3 x, four[i] = (1 - z^-2)^4 x. */
void ltp_top_zeros_run(const double *x, size_t count, float *three, float *four);

/** x[count], the band's zeros already applied -> group.total. */
void ltp_poles_run(ltp_band_group *g, const double *x, size_t count);
/** x[count] with 8 older samples before it -> out[count] = (1 - z^-2)^order x. order 3 or 4. */
void ltp_zeros_run(const double *x, size_t count, int order, double *out);
/** x[count] with 30 older samples before it -> out[count / 2]. even, odd: [count / 2 + 15] scratch each. */
void ltp_halve_run(const double *taps, const double *x, size_t count, double *even, double *odd, double *out);

#endif
