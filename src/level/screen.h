/* SPDX-License-Identifier: MIT
 * A quick look for interference beside the level meter, at a fortieth of the cost of the detectors: it says when there
 * may be whine or burst buzz, and the detectors then listen to those parts of the recording again. Wind is found here
 * altogether, at a lower rate. */
#ifndef LTP_LEVEL_SCREEN_H
#define LTP_LEVEL_SCREEN_H

#include <lanetune/level.h>

typedef struct ltp_screen ltp_screen;

/** half: pushes come with the signal at half the rate as well. LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_screen_create(double rate_hz, bool half, ltp_screen **out, lt_error *err);
void ltp_screen_free(ltp_screen *s);
/** x[count], and half[count / 2] if it was promised; count even then. Blocks of any size give the same. */
void ltp_screen_push(ltp_screen *s, const double *x, size_t count, const double *half);
void ltp_screen_result(ltp_screen *s, lt_screened *out);

#endif
