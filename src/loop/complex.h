/* SPDX-License-Identifier: MIT
 * Complex arithmetic of inner loops: inline, because a call would cost a quarter of their time. */
#ifndef LTP_LOOP_COMPLEX_H
#define LTP_LOOP_COMPLEX_H

#include <lanetune/dsp.h>

static inline lt_complex ltp_complex_add(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re + b.re, a.im + b.im};
}

static inline lt_complex ltp_complex_subtract(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re - b.re, a.im - b.im};
}

static inline lt_complex ltp_complex_product(lt_complex a, lt_complex b)
{
    return (lt_complex){a.re * b.re - a.im * b.im, a.re * b.im + a.im * b.re};
}

static inline double ltp_complex_power(lt_complex z)
{
    return z.re * z.re + z.im * z.im;
}

static inline lt_complex ltp_complex_conjugate(lt_complex a)
{
    return (lt_complex){a.re, -a.im};
}

static inline lt_complex ltp_complex_scaled(lt_complex a, double k)
{
    return (lt_complex){a.re * k, a.im * k};
}

#endif
