/* SPDX-License-Identifier: MIT
 * Comparing doubles in tests: prints every miss, so that one run shows all of them. Includes cmocka and what it needs.
 * Use: bad += !near_abs("row", got, want, 0.05); ... assert_int_equal(bad, 0); */
#ifndef LT_TESTS_NEAR_H
#define LT_TESTS_NEAR_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

/** |got - want| <= tolerance. False, with a line on standard error, otherwise and for NaN. Equal infinities are near.
 */
static inline bool near_abs(const char *label, double got, double want, double tolerance)
{
    const bool same_infinity = isinf(got) && isinf(want) && signbit(got) == signbit(want);
    if (same_infinity || fabs(got - want) <= tolerance)
        return true;
    (void)fprintf(stderr, "%s: got %.12g, want %.12g +- %g\n", label, got, want, tolerance);
    return false;
}

/** |got - want| <= tolerance |want|. */
static inline bool near_rel(const char *label, double got, double want, double tolerance)
{
    return near_abs(label, got, want, tolerance * fabs(want));
}

/** lowest <= got <= highest. False, with a line on standard error, otherwise and for NaN. */
static inline bool in_range(const char *label, double got, double lowest, double highest)
{
    if (got >= lowest && got <= highest)
        return true;
    (void)fprintf(stderr, "%s: got %.12g, want %.12g to %.12g\n", label, got, lowest, highest);
    return false;
}

#endif
