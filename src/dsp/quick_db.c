/* SPDX-License-Identifier: MIT
 * Many levels at once, for detectors that are asked thousands of times a second. dBFS: a full-scale sine, mean square
 * 1/2, reads 0. */
#include "base/vector.h"
#include <lanetune/dsp.h>

#include <math.h>
#include <string.h>

/* ln x = e ln 2 + ln m, with m in [0.70, 1.42] and the series ln m = 2 artanh((m - 1) / (m + 1)), of which five terms
 * are right to 3e-8. Only bits, sums and products, so that the compiler does four at a time. x must be a normal number.
 */
LTP_INLINE double quick_db(double x)
{
    const uint64_t half_root = UINT64_C(0x3fe6a09e00000000); /* just under sqrt(1/2) */
    const uint64_t bias = UINT64_C(0x4010000000000000) - half_root;
    uint64_t bits;
    memcpy(&bits, &x, sizeof bits);
    /* Exponent of x / sqrt(1/2), plus 1025 + ...: kept positive, then turned into a double by way of 2^52. */
    const uint64_t raised = (bits + bias) >> 52;
    const uint64_t counted = raised | UINT64_C(0x4330000000000000);
    double exponent;
    memcpy(&exponent, &counted, sizeof exponent);
    exponent -= 4503599627370496.0 + 1025.0;
    const uint64_t shifted = bits - ((raised - 1025) << 52);
    double m;
    memcpy(&m, &shifted, sizeof m);
    const double t = (m - 1.0) / (m + 1.0);
    const double t2 = t * t;
    const double ln = 2.0 * t * (1.0 + t2 * (1.0 / 3.0 + t2 * (1.0 / 5.0 + t2 * (1.0 / 7.0 + t2 * (1.0 / 9.0)))));
    /* 10 lg 2 for each octave and for the sine's 1/2; 10 lg e */
    return 3.0102999566398120 * (exponent + 1.0) + 4.3429448190325183 * ln;
}

LTP_WIDE void lt_dbfs_from_mean_squares(const double *restrict mean_square, size_t count, double *restrict db)
{
    for (size_t i = 0; i < count; i++) {
        const double level = quick_db(mean_square[i]);
        db[i] = mean_square[i] > 1e-300 ? level : -(double)INFINITY;
    }
}
