/* SPDX-License-Identifier: MIT
 * Small complex matrices (at most LTP_EIGEN_MAX rows), row by row in an array: eigenvalues, eigenvectors, largest
 * singular value. No allocation. */
#ifndef LTP_LOOP_EIGEN_H
#define LTP_LOOP_EIGEN_H

#include "loop/complex.h"

#include <lanetune/loop.h>

enum { LTP_EIGEN_MAX = LT_MATRIX_LANES_MAX };

lt_complex ltp_complex_divide(lt_complex a, lt_complex b);
lt_complex ltp_complex_sqrt(lt_complex z); /* the root with a real part >= 0 */
double ltp_complex_abs(lt_complex z);

/** All eigenvalues of a[n x n], in no order. a is overwritten. Householder reduction to Hessenberg form, then QR with
 * Wilkinson's shift and deflation (Golub, Van Loan: Matrix Computations, 7.4 and 7.5). Entries must be finite. */
void ltp_eigenvalues(lt_complex *a, size_t n, lt_complex *values);
/** No eigenvalue of a[n x n] can be as large as `level`: by Frobenius norms of a, a^2, a^4 and a^8, since the spectral
 * radius is at most ||a^m||^(1/m). false: not decided, or there is one. */
bool ltp_eigenvalues_below(const lt_complex *a, size_t n, double level);
/** Right (a x = value x) and left (y* a = value y*) eigenvectors of a[n x n] for an eigenvalue, of length 1, by inverse
 * iteration. */
void ltp_eigenvectors(const lt_complex *a, size_t n, lt_complex value, lt_complex *right, lt_complex *left);
/** Largest singular value of a[rows x columns]; both at most LTP_EIGEN_MAX. */
double ltp_largest_singular_value(const lt_complex *a, size_t rows, size_t columns);
/** The largest singular value lies below `level`; false: not decided, or it does not. */
bool ltp_singular_below(const lt_complex *a, size_t rows, size_t columns, double level);
/** Largest eigenvalue of a matrix without negative entries: for |a| it bounds those of a with any phases (Wielandt). */
double ltp_perron_root(const double *a, size_t n);
/** An upper bound of it, quickly (Collatz). */
double ltp_perron_bound(const double *a, size_t n);

#endif
