/* SPDX-License-Identifier: MIT
 * Pieces of the results of `noise`. */
#ifndef LTP_REPORT_LEVELS_H
#define LTP_REPORT_LEVELS_H

#include "report/json_build.h"
#include "report/text_build.h"

/** [{"hz", "leq_db", "l10_db", "l50_db", "l90_db"}] */
json_t *ltp_json_bands(ltp_json *j, const lt_level_band *bands, size_t count);
/** Detectors, low bands and octaves. */
void ltp_json_put_detectors(ltp_json *j, json_t *result, const lt_levels *l);
void ltp_json_put_more(ltp_json *j, json_t *result, const lt_levels *l, const lt_level_more *more);

void ltp_text_detectors(ltp_textbuf *b, const lt_levels *l, bool calibrated);
void ltp_text_bands(ltp_textbuf *b, const lt_level_band *bands, size_t count);
void ltp_text_more(ltp_textbuf *b, const lt_level_more *more, bool calibrated);

#endif
