/* SPDX-License-Identifier: MIT
 * loop, across its own files: the grid of L(f), its peaks and its zero-phase crossings. Linear scale, gain not applied.
 */
#ifndef LTP_LOOP_INTERNAL_H
#define LTP_LOOP_INTERNAL_H

#include <lanetune/loop.h>

struct lt_loop {
    lt_ir ir;             /* product of the paths; phase of t = 0; owns its samples */
    size_t n_fft;         /* at least 4 times the reach of ir around t = 0 */
    lt_complex *spectrum; /* [n_fft / 2 + 1] */
};

/** The same response at another rate; out owns its samples. */
LT_NODISCARD lt_status ltp_ir_resampled(const lt_ir *ir, double rate_hz, lt_ir *out, lt_error *err);
/** LT_E_ARG: empty, not finite, no band. */
LT_NODISCARD lt_status ltp_ir_check(const lt_ir *ir, const char *which, lt_error *err);
/** Farthest sample from t = 0: it sets how fast the phase turns along the frequency axis. */
size_t ltp_ir_reach(const lt_ir *ir);
/** Transform length for a response of that reach; LT_E_ARG when it is beyond any sense. */
LT_NODISCARD lt_status ltp_fft_size(size_t far, double rate_hz, size_t *n_fft, lt_error *err);

/** Values of L times notches at from_hz, at every FFT bin between, and at to_hz. */
typedef struct {
    const lt_loop *loop;
    lt_biquad filters[LT_NOTCHES_MAX];
    size_t filter_count;
    size_t first_bin; /* of value[1] */
    size_t count;     /* >= 2 */
    lt_complex *value;
} ltp_points;

LT_NODISCARD lt_status ltp_points_create(const lt_loop *l, const lt_notch *notches, size_t notch_count, ltp_points *out,
                                         lt_error *err);
void ltp_points_free(ltp_points *p);
double ltp_points_hz(const ltp_points *p, size_t i);
/** L times the notches at any frequency, exact; 0 outside the band. */
lt_complex ltp_points_at(const ltp_points *p, double hz);

/** The largest |L| and its place, refined between the bins. level 0: no gain at all. */
void ltp_points_peak(const ltp_points *p, double *level, double *hz);

/** Width of the band around hz in which |L| stays within 3 dB of its value at hz. */
double ltp_points_width(const ltp_points *p, double hz);

/** One frequency where L is real and positive. */
typedef struct {
    double hz, level;          /* level = Re L */
    double lower_hz, upper_hz; /* the bins around it; equal when exact */
    const ltp_points *points;
} ltp_crossing;
/** All zero-phase crossings, interpolated. *out [*count] is the caller's (ltp_free). */
LT_NODISCARD lt_status ltp_points_crossings(const ltp_points *p, size_t count, ltp_crossing **out, size_t *found,
                                            lt_error *err);
/** Exact frequency and level by root finding on Im L. */
void ltp_crossing_refine(ltp_crossing *c);

/** Propose notches for all loops at once; none that buys less than 0.5 dB. */
LT_NODISCARD lt_status ltp_notches_propose(const lt_loop *const *loops, size_t count, const lt_margin_options *opt,
                                           lt_notch *notches, size_t *notch_count, lt_error *err);
/** Safe and phase-true margin behind given notches, on the full grid. */
LT_NODISCARD lt_status ltp_margin_behind(const lt_loop *const *loops, size_t count, double gain_db,
                                         const lt_notch *notches, size_t notch_count, double *safe_margin_db,
                                         double *margin_db, lt_error *err);
#define LTP_NOTCH_LEAST_DB 0.5

#endif
