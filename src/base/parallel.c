/* SPDX-License-Identifier: MIT
 * Threads take one piece of work after the other; the calling thread takes the results in order. */
#include "base/parallel.h"

#include "base/alloc.h"

#include <pthread.h>
#include <unistd.h>

typedef struct {
    const ltp_parallel *p;
    bool *done;   /* [count] */
    size_t begun; /* pieces */
    size_t taken;
    size_t ahead; /* pieces that may be begun and not taken yet; 0 = any number */
    bool stopped;
    pthread_mutex_t lock;
    pthread_cond_t changed;
} crew;

static void work_alone(const ltp_parallel *p)
{
    bool more = true;
    for (size_t i = 0; i < p->count && more; i++) {
        p->work(p->context, i);
        more = p->take(p->context, i);
    }
}

/* Number of the next piece to begin; count: none is left. */
static size_t begin_next(crew *c)
{
    const ltp_parallel *p = c->p;
    (void)pthread_mutex_lock(&c->lock);
    while (!c->stopped && c->begun < p->count && c->ahead > 0 && c->begun >= c->taken + c->ahead)
        (void)pthread_cond_wait(&c->changed, &c->lock);
    const size_t i = c->stopped || c->begun == p->count ? p->count : c->begun++;
    (void)pthread_mutex_unlock(&c->lock);
    return i;
}

static void *worker(void *context)
{
    crew *c = context;
    for (size_t i = begin_next(c); i < c->p->count; i = begin_next(c)) {
        c->p->work(c->p->context, i);
        (void)pthread_mutex_lock(&c->lock);
        c->done[i] = true;
        (void)pthread_cond_broadcast(&c->changed);
        (void)pthread_mutex_unlock(&c->lock);
    }
    return NULL;
}

static void take_all(crew *c)
{
    bool more = true;
    for (size_t i = 0; i < c->p->count && more; i++) {
        (void)pthread_mutex_lock(&c->lock);
        while (!c->done[i])
            (void)pthread_cond_wait(&c->changed, &c->lock);
        (void)pthread_mutex_unlock(&c->lock);
        more = c->p->take(c->p->context, i);
        (void)pthread_mutex_lock(&c->lock);
        c->taken = i + 1;
        c->stopped = !more;
        (void)pthread_cond_broadcast(&c->changed);
        (void)pthread_mutex_unlock(&c->lock);
    }
}

static size_t threads_for(const ltp_parallel *p)
{
    const long processors = sysconf(_SC_NPROCESSORS_ONLN);
    size_t threads = p->threads > 0 ? p->threads : processors < 1 ? 1 : (size_t)processors;
    threads = threads < p->count ? threads : p->count;
    return ltp_fault_pending() ? 1 : threads < LTP_THREADS_MAX ? threads : LTP_THREADS_MAX;
}

void ltp_parallel_run(const ltp_parallel *p)
{
    pthread_t threads[LTP_THREADS_MAX];
    const size_t wanted = threads_for(p);
    crew c = {.p = p, .ahead = wanted * p->ahead, .done = wanted > 1 ? ltp_alloc(p->count, sizeof *c.done) : NULL};
    if (c.done == NULL) {
        work_alone(p);
        return;
    }
    (void)pthread_mutex_init(&c.lock, NULL);
    (void)pthread_cond_init(&c.changed, NULL);
    size_t started = 0;
    while (started < wanted && pthread_create(&threads[started], NULL, worker, &c) == 0)
        started++;
    if (started > 0)
        take_all(&c);
    else
        work_alone(p);
    for (size_t i = 0; i < started; i++)
        (void)pthread_join(threads[i], NULL);
    (void)pthread_cond_destroy(&c.changed);
    (void)pthread_mutex_destroy(&c.lock);
    ltp_free(c.done);
}
