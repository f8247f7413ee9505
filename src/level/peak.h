/* SPDX-License-Identifier: MIT
 * Where between the bins of a spectrum a peak is highest. */
#ifndef LTP_LEVEL_PEAK_H
#define LTP_LEVEL_PEAK_H

/** Offset in bins, -0.5 to 0.5, of the top of a parabola through the logarithms of the powers of a peak's bin and its
 * neighbours, as the main lobe of a window is nearly one in dB. 0 where there is no top. */
double ltp_peak_offset(double left, double here, double right);

#endif
