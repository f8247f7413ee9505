/* SPDX-License-Identifier: MIT
 * Mains hum in an averaged spectrum: lines on a comb of 50 or 60 Hz. */
#ifndef LTP_LEVEL_HUM_H
#define LTP_LEVEL_HUM_H

#include "level/line_spectrum.h"
#include <lanetune/level.h>

typedef struct {
    double mains_hz; /* 50 or 60; 0 = no hum */
    size_t line_count;
    lt_hum_line lines[LT_HUM_LINES_MAX]; /* by frequency; levels in dBFS */
} ltp_hum;

void ltp_hum_find(const ltp_line_view *view, ltp_hum *out);

#endif
