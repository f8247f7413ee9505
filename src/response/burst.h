/* SPDX-License-Identifier: MIT
 * The bursts of level finding: energies per band and distortion of what came back. */
#ifndef LTP_RESPONSE_BURST_H
#define LTP_RESPONSE_BURST_H

#include <lanetune/response.h>

#define LTP_BURST_S 0.3
#define LTP_BURST_FROM_HZ 100.0
#define LTP_BURST_TO_HZ 10000.0

/** Energy per speech band, mean square x seconds. */
LT_NODISCARD lt_status ltp_band_energies(const lt_signal *s, double energy[LT_SPEECH_BANDS], lt_error *err);
/** Harmonics 2 to 5 of a burst of peak_dbfs in what came back, energy re that of the linear part. The noise is taken
 * off; *noise is what was, in the same unit: less than that says nothing;
 * infinite: the burst itself is hardly heard. */
LT_NODISCARD lt_status ltp_burst_distortion(const lt_signal *back, double peak_dbfs, double *distortion, double *noise,
                                            lt_error *err);

#endif
