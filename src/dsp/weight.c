/* SPDX-License-Identifier: MIT
 * Frequency weightings A and C of IEC 61672-1:2013, annex E, dB re 1 kHz. */
#include <lanetune/dsp.h>

#include <math.h>

/* Pole frequencies, Hz. IEC 61672-1:2013 annex E: f1 and f4 are the roots of f^4 + b f^2 + fL^2 fH^2, f2 and f3 are
 * fA (3 -+ sqrt 5) / 2, from fL = 10^1.5, fH = 10^3.9, fA = 10^2.45 Hz.
 * Second entry: tests/reference/data/iec61672_constants.csv */
static const double f1_hz = 20.598997;
static const double f2_hz = 107.652649;
static const double f3_hz = 737.862231;
static const double f4_hz = 12194.217148;

static double c_raw_db(double hz)
{
    const double f = hz * hz;
    return 20.0 * log10(f4_hz * f4_hz * f / ((f + f1_hz * f1_hz) * (f + f4_hz * f4_hz)));
}

static double a_raw_db(double hz)
{
    const double f = hz * hz;
    return c_raw_db(hz) + 10.0 * log10(f * f / ((f + f2_hz * f2_hz) * (f + f3_hz * f3_hz)));
}

double lt_weight_a_db(double hz)
{
    if (hz <= 0.0)
        return -INFINITY;
    return a_raw_db(hz) - a_raw_db(1000.0);
}

double lt_weight_c_db(double hz)
{
    if (hz <= 0.0)
        return -INFINITY;
    return c_raw_db(hz) - c_raw_db(1000.0);
}
