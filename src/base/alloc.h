/* SPDX-License-Identifier: MIT
 * The one door to malloc, and the way a failure is reported. */
#ifndef LTP_BASE_ALLOC_H
#define LTP_BASE_ALLOC_H

#include <lanetune/base.h>

/** Zeroed memory for count objects of size bytes; NULL when the product overflows or memory is out. */
void *ltp_alloc(size_t count, size_t size);
/** As realloc with a checked product; the new part is not zeroed. */
void *ltp_realloc(void *p, size_t count, size_t size);
void ltp_free(void *p);
/** Test builds (LT_FAULTS): allocation n from now on this thread returns NULL; -1 ends it. No effect otherwise. */
void ltp_fault_after(long n);
/** True while that allocation has not come yet. */
bool ltp_fault_pending(void);

/** Fill err (the first cause stays) and return status. err may be NULL. */
lt_status ltp_fail(lt_error *err, lt_status status, const char *format, ...) LT_PRINTF(3, 4);
lt_status ltp_fail_nomem(lt_error *err, const char *what);

#define LTP_COUNT(a) (sizeof(a) / sizeof((a)[0]))

#endif
