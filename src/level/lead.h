/* SPDX-License-Identifier: MIT
 * What may have been heard before a recording began: made up, so that filters are settled when it begins. */
#ifndef LTP_LEVEL_LEAD_H
#define LTP_LEVEL_LEAD_H

#include <lanetune/base.h>

typedef struct ltp_lead ltp_lead;

/** most: the longest beginning that will be looked at, in frames. LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_lead_create(size_t most, double rate_hz, ltp_lead **out, lt_error *err);
void ltp_lead_free(ltp_lead *l);
/** x[count] is the beginning; lead[wanted] comes right before it. wanted < count <= most. */
void ltp_lead_make(ltp_lead *l, const double *x, size_t count, double *lead, size_t wanted);

#endif
