/* SPDX-License-Identifier: MIT
 * Independent pieces of work on several threads, their results taken in order: what comes out does not depend on the
 * number of threads. */
#ifndef LTP_BASE_PARALLEL_H
#define LTP_BASE_PARALLEL_H

#include <stdbool.h>
#include <stddef.h>

enum { LTP_THREADS_MAX = 256 };

typedef struct {
    size_t count;   /* pieces, numbered from 0 */
    size_t threads; /* 0 = one per processor; 1 = on the calling thread */
    size_t ahead;   /* pieces for each thread that may be begun and not taken yet; 0 = any number */
    void *context;
    /** On any thread. Only piece i's own data may change. */
    void (*work)(void *context, size_t i);
    /** On the calling thread, i = 0, 1, 2 ... after work(i). false: no further piece is begun or taken. */
    bool (*take)(void *context, size_t i);
} ltp_parallel;

/** Returns when all pieces are taken, or take() said false and what was begun has ended. Where no thread can be
 * started, and while an allocation is to fail (ltp_fault_after() counts on its own thread), the calling thread works.
 */
void ltp_parallel_run(const ltp_parallel *p);

#endif
