/* SPDX-License-Identifier: MIT
 * Four doubles or eight floats at a time. Every lane is an IEEE number of its own and nothing is contracted
 * (-ffp-contract=off, no FMA in the targets below), so AVX2, two halves of SSE2 and plain scalar code give the same
 * bits. */
#ifndef LTP_BASE_VECTOR_H
#define LTP_BASE_VECTOR_H

#include <stddef.h>

/** Four doubles in a register. */
typedef double ltp_vector __attribute__((vector_size(32)));
/** Four doubles in memory, at any address that a double may have: our memory is not aligned to 32 bytes. */
typedef double ltp_quad __attribute__((vector_size(32), aligned(8), may_alias));
/** Eight floats, in a register and in memory. */
typedef float ltp_octet __attribute__((vector_size(32)));
typedef float ltp_octet_at __attribute__((vector_size(32), aligned(4), may_alias));
typedef int ltp_octet_mask __attribute__((vector_size(32)));
/** Two doubles in a register. */
typedef double ltp_pair __attribute__((vector_size(16)));

/** What comparing two of them gives: all bits of a lane set or none. */
typedef long long ltp_mask __attribute__((vector_size(32)));
typedef long long ltp_pair_mask __attribute__((vector_size(16)));

/** LTP_WIDE before a function: compiled for AVX2 as well, and the loader takes the version that the processor can run.
 * Not with sanitizers: their run-time library is not there yet when the loader asks. */
#if defined(__has_feature)
#if __has_feature(address_sanitizer) || __has_feature(thread_sanitizer)
#define LTP_SANITIZED 1
#endif
#endif
#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
#define LTP_SANITIZED 1
#endif
#if defined(__x86_64__) && defined(__gnu_linux__) && !defined(LTP_SANITIZED)
#define LTP_WIDE __attribute__((target_clones("avx2", "default")))
#else
#define LTP_WIDE
#endif
/** For what is called inside such a function. */
#define LTP_INLINE static inline __attribute__((always_inline))

/** In each lane the larger or the smaller one; what is kept where x is no number. Pointers, because the way vectors are
 * passed depends on the processor. */
LTP_INLINE void ltp_keep_larger(ltp_vector *kept, const ltp_vector *x)
{
    const ltp_mask take = *x > *kept;
    *kept = (ltp_vector)((take & (ltp_mask)*x) | (~take & (ltp_mask)*kept));
}

/** The largest of four lanes, the smallest of four lanes. */
LTP_INLINE double ltp_largest(const ltp_vector *x)
{
    const double a = (*x)[0] > (*x)[1] ? (*x)[0] : (*x)[1];
    const double b = (*x)[2] > (*x)[3] ? (*x)[2] : (*x)[3];
    return a > b ? a : b;
}

LTP_INLINE double ltp_smallest(const ltp_vector *x)
{
    const double a = (*x)[0] < (*x)[1] ? (*x)[0] : (*x)[1];
    const double b = (*x)[2] < (*x)[3] ? (*x)[2] : (*x)[3];
    return a < b ? a : b;
}

LTP_INLINE void ltp_keep_smaller(ltp_vector *kept, const ltp_vector *x)
{
    const ltp_mask take = *x < *kept;
    *kept = (ltp_vector)((take & (ltp_mask)*x) | (~take & (ltp_mask)*kept));
}

/** Sum of a[i] b[i] in eight parts, so that the processor need not wait for each addition. */
LTP_INLINE double ltp_dot(const double *restrict a, const double *restrict b, size_t count)
{
    ltp_vector sums = {0.0, 0.0, 0.0, 0.0};
    ltp_vector more = sums;
    size_t i = 0;
    for (; i + 8 <= count; i += 8) {
        sums += *(const ltp_quad *)(a + i) * *(const ltp_quad *)(b + i);
        more += *(const ltp_quad *)(a + i + 4) * *(const ltp_quad *)(b + i + 4);
    }
    double sum = 0.0;
    for (; i < count; i++)
        sum += a[i] * b[i];
    sums += more;
    return sum + ((sums[0] + sums[1]) + (sums[2] + sums[3]));
}

#endif
