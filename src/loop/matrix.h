/* SPDX-License-Identifier: MIT
 * The loop matrix across its own files: paths on one frequency grid, and what a set of open lanes makes of them.
 *
 * With A the lane couplings, C the counter couplings and diagonal gains, R[c][l] = sum over open microphones k of
 * C[c][counter of k] A[k][l] is the way from lane l's outbound line to counter c's microphone. Lanes of one counter
 * share that microphone, so L (lanes x lanes) repeats the rows of R, and its non-zero eigenvalues are those of the
 * smaller matrix that sums the columns of R counter by counter. Frequencies are told in bins: hz = x rate / n_fft. */
#ifndef LTP_LOOP_MATRIX_H
#define LTP_LOOP_MATRIX_H

#include "loop/eigen.h"

enum { LTP_MATRIX = LT_MATRIX_LANES_MAX, LTP_CELL_POINTS = 16, LTP_BLOCK_CELLS = 16, LTP_MATRIX_NODES = 8 };

typedef struct {
    bool open;                  /* false: nothing comes over */
    const lt_complex *spectrum; /* [n_fft / 2 + 1], response_count apart; NULL: flat */
    ptrdiff_t centre_frames;    /* middle of the response, t = 0 at 0 */
    double gain, delay_s;
    double *cell_top; /* [cell_count + block_count] largest magnitude in each cell, then in each block; NULL: flat */
} ltp_matrix_path;

struct lt_loop_matrix {
    size_t lane_count, counter_count;
    size_t counter_of[LTP_MATRIX];
    double outbound[LTP_MATRIX], inbound[LTP_MATRIX]; /* linear */
    double switching[LTP_MATRIX];                     /* linear, 1: full duplex */
    ltp_matrix_path lane[LTP_MATRIX][LTP_MATRIX], counter[LTP_MATRIX][LTP_MATRIX], loop[LTP_MATRIX];
    struct {
        const lt_ir *ir; /* only while it is built */
        double *cell_top;
        ptrdiff_t centre_frames;
    } response[2 * LTP_MATRIX * LTP_MATRIX + LTP_MATRIX]; /* each different one once */
    size_t response_count;
    lt_complex *spectra; /* [n_fft / 2 + 1][response_count]: what one place asks for lies together */
    double rate_hz, from_hz, to_hz;
    size_t n_fft;
    size_t first_bin, point_count; /* points: from_hz, the bins between, to_hz */
    size_t cell_count;             /* of LTP_CELL_POINTS intervals between points */
    size_t block_count;            /* of LTP_BLOCK_CELLS cells */
};

double ltp_matrix_point(const lt_loop_matrix *m, size_t i); /* in bins */
double ltp_matrix_hz(const lt_loop_matrix *m, double x);

/** A place between the bins, with what the interpolation of every path there has in common. */
typedef struct {
    double x;
    bool on_bin;
    ptrdiff_t bin;           /* when on it */
    ptrdiff_t first;         /* bin of the first node */
    ptrdiff_t centre_frames; /* for which the weights are */
    bool weighted;
    lt_complex weight[LTP_MATRIX_NODES];
} ltp_matrix_place;
ltp_matrix_place ltp_matrix_place_of(double x);
/** Value of a path there, interpolated by a polynomial through 8 bins. */
lt_complex ltp_matrix_path_at(const lt_loop_matrix *m, const ltp_matrix_path *p, ltp_matrix_place *at);

/** Some open lanes in one state of their switches. */
typedef struct {
    const lt_loop_matrix *matrix;
    size_t n, lane[LTP_MATRIX];          /* open lanes */
    size_t k, counter[LTP_MATRIX];       /* their counters */
    size_t row_of[LTP_MATRIX];           /* of open lane i: its counter's row */
    double gain[LTP_MATRIX][LTP_MATRIX]; /* over microphone i from speaker j */
} ltp_open_set;
/** talking: of the lanes that switch, those whose outbound direction is open; the others listen. */
ltp_open_set ltp_open_set_of(const lt_loop_matrix *m, unsigned open, unsigned talking);
/** What no state of the switches exceeds: a lane's own way passes its switch, all others may find both ends open. */
ltp_open_set ltp_open_set_any_state(const lt_loop_matrix *m, unsigned open);
/** R [k x n] at x. */
void ltp_open_response(const ltp_open_set *s, double x, lt_complex *r);
/** One way of R: over microphone i (of the open ones) to counter row c from speaker j. */
lt_complex ltp_open_way(const ltp_open_set *s, ltp_matrix_place *at, size_t c, size_t i, size_t j);
/** The counters' matrix [k x k] that has the eigenvalues of L. */
void ltp_open_reduced(const ltp_open_set *s, double x, lt_complex *out);
/** Largest singular value of L at x, and the largest eigenvalue of the magnitudes of all ways. Where it is known to be
 * below `least` the result is 0. */
double ltp_open_singular(const ltp_open_set *s, double x, double least);
double ltp_open_any_phase(const ltp_open_set *s, double x, double least);
/* What a peak between every second, every fourth point may have over them. A response reaches at most 1/16 of the
 * transform before and after its middle, and a trigonometric polynomial of that degree rises between points h bins
 * apart by at most 1 / cos(pi h / 16) over the highest of them (Ehlich, Zeller 1964). */
#define LTP_TWO_SLACK 1.09
#define LTP_FOUR_SLACK 1.42
typedef double (*ltp_open_height)(const ltp_open_set *s, double x, double least);
/** The highest point of a bound in a cell. false: not above `best`. */
bool ltp_open_peak_of_cell(const ltp_open_set *s, size_t cell, ltp_open_height at, double best, double *level,
                           double *x);
/** Upper bounds over a whole cell, or from cell_count on over a block: of all eigenvalues whatever the phases, and of
 * the singular value. */
void ltp_open_cell_bounds(const ltp_open_set *s, size_t cell, double *eigenvalue, double *singular);
/** What rings at a crossing at x, where an eigenvalue is `level`. */
lt_ring_path ltp_open_ring_path(const ltp_open_set *s, double x, double level);

#endif
