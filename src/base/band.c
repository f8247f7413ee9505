/* SPDX-License-Identifier: MIT
 * Fractional-octave bands of IEC 61260-1:2014, base 10 (G = 10^0.3, reference 1 kHz). */
#include <lanetune/base.h>

#include <assert.h>
#include <math.h>

/* Nominal one-third-octave mid-bands of one decade, IEC 61260-1:2014 annex E; every third of an octave band. */
static const double third_decade_hz[10] = {1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000};

/* Mid-band of band `steps` halves of a band above 1 kHz, with half a band to either side: eqs. (2) to (6). */
static lt_band band_at(int fraction, int half_steps, int index)
{
    const double exponent = 0.15 / fraction; /* lg G^(1/(2b)) */
    lt_band b = {.index = index};
    b.exact_hz = 1000.0 * pow(10.0, half_steps * exponent);
    b.lower_hz = 1000.0 * pow(10.0, (half_steps - 1) * exponent);
    b.upper_hz = 1000.0 * pow(10.0, (half_steps + 1) * exponent);
    b.nominal_hz = b.exact_hz;
    return b;
}

static double third_nominal_hz(int index)
{
    const int decade = index >= 0 ? index / 10 : -((9 - index) / 10);
    const double scaled = third_decade_hz[index - 10 * decade];
    /* Dividing by a power of ten is exact for every name that has one decimal or none. */
    return decade >= 0 ? scaled * pow(10.0, decade) : scaled / pow(10.0, -decade);
}

lt_band lt_third_octave(int index)
{
    assert(index >= LT_THIRD_FIRST && index <= LT_THIRD_LAST);
    lt_band b = band_at(3, 2 * index, index);
    b.nominal_hz = third_nominal_hz(index);
    return b;
}

lt_band lt_octave(int index)
{
    assert(index >= -6 && index <= 4);
    lt_band b = band_at(1, 2 * index, index);
    b.nominal_hz = third_nominal_hz(3 * index);
    return b;
}

lt_band lt_fractional_octave(int fraction, int index)
{
    assert(fraction > 0);
    return band_at(fraction, fraction % 2 == 0 ? 2 * index + 1 : 2 * index, index);
}
