/* SPDX-License-Identifier: MIT
 * Visits across their own files. */
#ifndef LTP_SITE_VISIT_H
#define LTP_SITE_VISIT_H

#include "site/folder.h"

#include <lanetune/site.h>

/** Read a visit.yaml that stands at `path`; a missing one means all defaults. `date` is the name of the visit. */
LT_NODISCARD lt_status ltp_visit_read(const char *path, const char *date, lt_visit **out, lt_error *err);
/** "{date: 2024-05-14, method: ...}": one entry of the list `calibrations`. */
void ltp_put_calibration(ltp_sheet *t, const lt_calibration *c);

#endif
