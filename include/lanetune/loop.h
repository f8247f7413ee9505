/* SPDX-License-Identifier: MIT
 * loop: open-loop response, feedback margin, ring candidates, notches, echo loss. No input or output.
 * The loop closes with a + sign: it is stable for a gain k as long as k < 1 / max{Re L(f) : Im L(f) = 0, Re L(f) > 0}.
 */
#ifndef LT_LOOP_H
#define LT_LOOP_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>
#include <lanetune/response.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Open-loop response on a fine frequency grid. Immutable after creation. */
typedef struct lt_loop lt_loop;
/** L = lane x counter x 10^(gain_db/20). counter NULL: a flat coupling of counter_db (its polarity +1).
 * The rates may differ (the higher one is resampled). band: where both mean something; L counts as 0 outside. */
LT_NODISCARD lt_status lt_loop_create(const lt_ir *lane, const lt_ir *counter, double counter_db, double gain_db,
                                      lt_loop **out, lt_error *err);
void lt_loop_free(lt_loop *l);
double lt_loop_from_hz(const lt_loop *l);
double lt_loop_to_hz(const lt_loop *l);
double lt_loop_rate_hz(const lt_loop *l);
lt_complex lt_loop_at(const lt_loop *l, double hz);
/** |L| in dB at `count` log-spaced frequencies between from and to: the largest value around each (for charts). */
LT_NODISCARD lt_status lt_loop_curve(const lt_loop *l, double from_hz, double to_hz, size_t count, double *hz,
                                     double *level_db, lt_error *err);

enum { LT_CANDIDATES_MAX = 12, LT_NOTCHES_MAX = 6 };
typedef struct {
    double hz, margin_db; /* phase-true margin of that zero-phase crossing */
} lt_ring_candidate;
typedef struct {
    double hz, q, cut_db; /* peaking biquad with gain -cut_db, cookbook formulae, at rate_hz of the loop */
} lt_notch;
typedef struct {
    bool stable;
    double margin_db;                                /* phase-true; NaN: no positive real crossing at all */
    double safe_margin_db;                           /* -20 lg max |L|; NaN: no loop gain at all */
    double ring_hz;                                  /* worst zero-phase crossing; NaN if none */
    double safe_hz;                                  /* where |L| is largest */
    lt_ring_candidate candidates[LT_CANDIDATES_MAX]; /* worst first, at least 1/24 octave apart */
    size_t candidate_count;
    lt_notch notches[LT_NOTCHES_MAX];
    size_t notch_count;
    double safe_margin_with_notches_db;
    double margin_with_notches_db;
} lt_margin;
typedef struct {
    unsigned notches_max; /* [0, LT_NOTCHES_MAX]  4 */
    double cut_max_db;    /* deepest notch        12 */
} lt_margin_options;
lt_margin_options lt_margin_default_options(void);
/** Worst case over `count` loops (conditions). gain_db is added to all (setting changes; minus a voice switch's
 * attenuation). Notches are proposed for all of them at once. */
LT_NODISCARD lt_status lt_margin_compute(const lt_loop *const *loops, size_t count, double gain_db,
                                         const lt_margin_options *opt, lt_margin *out, lt_error *err);

/* ---- echo ---- */

/** Echo loss of a path, ITU-T G.122, 300 to 3400 Hz, dB (positive = loss). NaN if the band is not covered. */
LT_NODISCARD lt_status lt_echo_loss(const lt_ir *path, double *echo_loss_db, lt_error *err);
/** Echo-weighted value of ITU-T G.131: TELR - 40 lg((1+T/10)/(1+T/150)) + 6 exp(-0.3 T^2), T = mean one-way ms. */
double lt_talker_echo_weighted_db(double telr_db, double one_way_ms);
#define LT_ECHO_ACCEPTABLE_DB 14.0 /* G.131 */
#define LT_ECHO_LIMITING_DB 8.0    /* G.131, memory */

#ifdef __cplusplus
}
#endif
#endif
