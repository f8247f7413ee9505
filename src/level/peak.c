/* SPDX-License-Identifier: MIT
 * Where between the bins of a spectrum a peak is highest. */
#include "level/peak.h"

#include <math.h>

static const double least = 1e-30; /* power: a logarithm of nothing */

double ltp_peak_offset(double left, double here, double right)
{
    const double a = log(fmax(left, least)), b = log(fmax(here, least)), c = log(fmax(right, least));
    const double bend = a - 2.0 * b + c;
    return bend < 0.0 ? fmax(-0.5, fmin(0.5, 0.5 * (a - c) / bend)) : 0.0;
}
