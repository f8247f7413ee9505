/* SPDX-License-Identifier: MIT
 * Linear prediction of a short piece of sound from its own past (covariance method; J. D. Markel and A. H. Gray, Linear
 * Prediction of Speech, 1976, sections 1.4 and 6.4; memory): is it a tone, and are two pieces alike? */
#ifndef LTP_LEVEL_PREDICT_H
#define LTP_LEVEL_PREDICT_H

#include <stddef.h>

enum { LTP_PREDICT_LAGS = 8 };

/** Sums of products of the samples 0 to LTP_PREDICT_LAGS lags ago. */
typedef struct {
    double product[LTP_PREDICT_LAGS + 1][LTP_PREDICT_LAGS + 1];
} ltp_products;

/** x[count]; a lag is `stride` samples. Fewer than LTP_PREDICT_LAGS * stride samples give zeros. */
void ltp_products_of(const double *x, size_t count, size_t stride, ltp_products *p);

/** Energy that the best prediction leaves, re all: 0 to 1. Few sines leave next to nothing. Silence: 1. */
double ltp_unpredicted(const ltp_products *p);

/** How much worse each piece is predicted by the other's filter than by its own: mean of the two logarithms of the
 * ratio (F. Itakura, 1975; memory), from 0. INFINITY if either is silence. */
double ltp_unlikeness(const ltp_products *a, const ltp_products *b);

#endif
