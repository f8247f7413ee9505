/* SPDX-License-Identifier: MIT
 * Notches across their own files: |L|^2 of all loops condensed to cells of 1/192 octave. */
#ifndef LTP_LOOP_NOTCH_H
#define LTP_LOOP_NOTCH_H

#include "loop/loop_internal.h"

enum { LTP_CELLS_PER_OCTAVE = 192, LTP_CELLS_MAX = 16 * LTP_CELLS_PER_OCTAVE };
#define LTP_NOTCH_ROUNDING (1.0 + 1e-6) /* of the fractions in the cosine at low frequencies */
#define LTP_NOTCH_HIGHEST 0.45          /* of the rate; a peaking biquad has no width at half of it */

typedef struct {
    double hz[LTP_CELLS_MAX];
    double cosine[LTP_CELLS_MAX]; /* of the angular frequency */
    double power[LTP_CELLS_MAX];  /* largest |L|^2 in the cell, 0 where none */
    size_t count;
    double rate_hz;
} ltp_cells;

typedef struct {
    lt_notch list[LT_NOTCHES_MAX];
    size_t count;
} ltp_notch_plan;
/** Take notch i out; the others keep their order. */
void ltp_notch_drop(ltp_notch_plan *p, size_t i);

void ltp_cells_fill(ltp_cells *c, const lt_loop *const *loops, size_t count);
size_t ltp_cells_highest(const ltp_cells *c, const double *power);
/** power [count] behind one more notch. */
void ltp_cells_apply(const ltp_cells *c, const lt_notch *n, double *power);
/** Cover all cells above the target; false when `most` notches do not do it. power: [count] scratch. */
bool ltp_cells_cover(const ltp_cells *c, double *power, double target, size_t most, double cut_max_db,
                     ltp_notch_plan *out);
/** Level of the highest cell behind the plan, notch `skipped` left out (SIZE_MAX: none). power: scratch. */
double ltp_cells_peak_db(const ltp_cells *c, const ltp_notch_plan *p, size_t skipped, double *power);

/** |H|^2 of a notch as a fraction of two quadratics in the cosine of the angular frequency. */
typedef struct {
    double above[3], below[3];
} ltp_magnitude;
ltp_magnitude ltp_notch_magnitude(const lt_notch *n, double rate_hz);
double ltp_magnitude_at(const ltp_magnitude *m, double cosine);

/** What the searches for a demanded margin work on. */
typedef struct {
    const ltp_cells *cells;
    const lt_notch_demand *demand;
    double *power; /* [cells] scratch */
    double target; /* power */
    size_t *hot;   /* [hot_count] cells above the target: a cut raises none, so the others never matter */
    size_t hot_count;
} ltp_notch_task;
double ltp_notch_area(const ltp_notch_plan *p); /* sum of cut / q */
double ltp_notch_cost(const ltp_notch_task *t, const ltp_notch_plan *p);
bool ltp_notch_holds(const ltp_notch_task *t, const ltp_notch_plan *p);
/** Sum of the squared excess over the target of all cells, dB^2; 0 where the plan holds. */
double ltp_notch_excess(const ltp_notch_task *t, const ltp_notch_plan *p);
/** Free centres: a plan that holds; false: none was found. Then: as few notches as possible, at the least cost. */
bool ltp_notches_start(const ltp_notch_task *t, ltp_notch_plan *p);
void ltp_notches_settle(const ltp_notch_task *t, ltp_notch_plan *p);
/** The same for the bands of a graphic equalizer, where the cost alone counts. */
bool ltp_bands_start(const ltp_notch_task *t, ltp_notch_plan *p);
void ltp_bands_settle(const ltp_notch_task *t, ltp_notch_plan *p);

#endif
