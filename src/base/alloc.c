/* SPDX-License-Identifier: MIT
 * The one door to malloc: checked sizes, zeroed memory, and failures on demand in test builds. */
#include "base/alloc.h"

#include <stdlib.h>

#ifdef LT_FAULTS
/* Allocations still allowed on this thread before one fails; negative: never. Exists in test builds only. */
static _Thread_local long allocations_left = -1;

static bool fault_due(void)
{
    if (allocations_left < 0)
        return false;
    return allocations_left-- == 0;
}

void ltp_fault_after(long n)
{
    allocations_left = n;
}

bool ltp_fault_pending(void)
{
    return allocations_left >= 0;
}
#else
static bool fault_due(void)
{
    return false;
}

void ltp_fault_after(long n)
{
    (void)n;
}

bool ltp_fault_pending(void)
{
    return false;
}
#endif

void *ltp_alloc(size_t count, size_t size)
{
    /* calloc(0, n) may answer NULL, which would look like a failure. */
    if (count == 0 || size == 0)
        count = size = 1;
    if (count > (size_t)PTRDIFF_MAX / size || fault_due())
        return NULL;
    return calloc(count, size);
}

void *ltp_realloc(void *p, size_t count, size_t size)
{
    if (count == 0 || size == 0)
        count = size = 1;
    if (count > (size_t)PTRDIFF_MAX / size || fault_due())
        return NULL;
    return realloc(p, count * size);
}

void ltp_free(void *p)
{
    free(p);
}
