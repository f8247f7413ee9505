/* SPDX-License-Identifier: MIT
 * Random numbers that are the same on every machine: splitmix64 (Steele, Lea, Flood, "Fast splittable pseudorandom
 * number generators", OOPSLA 2014), and the polar method of Marsaglia and Bray for normal ones. */
#include <lanetune/base.h>

#include <math.h>

uint64_t lt_rng_next(lt_rng *r)
{
    r->state += UINT64_C(0x9e3779b97f4a7c15);
    uint64_t z = r->state;
    z = (z ^ (z >> 30)) * UINT64_C(0xbf58476d1ce4e5b9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94d049bb133111eb);
    return z ^ (z >> 31);
}

double lt_rng_uniform(lt_rng *r)
{
    return (double)(lt_rng_next(r) >> 11) * 0x1p-53;
}

double lt_rng_gauss(lt_rng *r)
{
    double u = 0.0;
    double s = 0.0;
    do { /* a point in the unit disc, without its centre; the second normal number is not kept: no hidden state */
        u = 2.0 * lt_rng_uniform(r) - 1.0;
        const double v = 2.0 * lt_rng_uniform(r) - 1.0;
        s = u * u + v * v;
    } while (s >= 1.0 || s <= 0.0);
    return u * sqrt(-2.0 * log(s) / s);
}
