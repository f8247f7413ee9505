/* SPDX-License-Identifier: MIT
 * Pieces of work on threads: each is done once, and taken once in order, whatever the number of threads. */
#include "base/alloc.h"
#include "base/parallel.h"

#include "near.h"
#include "suite.h"

#include <stdatomic.h>
#include <time.h>

enum { MOST = 300 };

typedef struct {
    atomic_size_t begun, running, most_running, most_ahead;
    atomic_uint worked[MOST];
    size_t taken, out_of_order, untouched;
    size_t stop_at; /* take() of this piece says no more */
} tally;

static void raise(atomic_size_t *kept, size_t value)
{
    size_t before = atomic_load(kept);
    while (value > before && !atomic_compare_exchange_weak(kept, &before, value))
        ;
}

/* Pieces of unlike length, so that later ones are done before earlier ones. */
static void work(void *context, size_t i)
{
    tally *t = context;
    raise(&t->most_running, atomic_fetch_add(&t->running, 1) + 1);
    atomic_fetch_add(&t->begun, 1);
    const struct timespec nap = {.tv_nsec = (long)(i * 7919 % 5) * 100000};
    (void)nanosleep(&nap, NULL);
    atomic_fetch_add(&t->worked[i], 1);
    atomic_fetch_sub(&t->running, 1);
}

static bool take(void *context, size_t i)
{
    tally *t = context;
    t->out_of_order += i != t->taken;
    t->untouched += atomic_load(&t->worked[i]) != 1;
    raise(&t->most_ahead, atomic_load(&t->begun) - t->taken);
    t->taken++;
    return i != t->stop_at;
}

static const struct {
    const char *row;
    size_t count, threads, ahead, stop_at;
} rows[] = {
    {"none", 0, 4, 0, MOST},
    {"one piece, many threads", 1, 8, 0, MOST},
    {"on the calling thread", 40, 1, 0, MOST},
    {"a thread for each processor", 100, 0, 0, MOST},
    {"more threads than pieces", 20, 64, 0, MOST},
    {"more threads than there may be", MOST, 10000, 0, MOST},
    {"not far ahead", MOST, 6, 2, MOST},
    {"one ahead of each", MOST, 3, 1, MOST},
    {"stopped in the midst", MOST, 6, 0, 50},
    {"stopped at the first", MOST, 6, 1, 0},
    {"stopped on the calling thread", MOST, 1, 0, 7},
};

static void each_piece_is_done_once_and_taken_in_order(void **state)
{
    (void)state;
    int bad = 0;
    for (size_t k = 0; k < LTP_COUNT(rows); k++) {
        tally t = {.stop_at = rows[k].stop_at};
        ltp_parallel_run(&(ltp_parallel){.count = rows[k].count,
                                         .threads = rows[k].threads,
                                         .ahead = rows[k].ahead,
                                         .context = &t,
                                         .work = work,
                                         .take = take});
        const size_t want = rows[k].stop_at < rows[k].count ? rows[k].stop_at + 1 : rows[k].count;
        const size_t ahead = rows[k].ahead > 0 ? rows[k].ahead * rows[k].threads : MOST;
        size_t twice = 0;
        for (size_t i = 0; i < MOST; i++)
            twice += atomic_load(&t.worked[i]) > 1;
        if (t.taken != want || t.out_of_order > 0 || t.untouched > 0 || twice > 0 || t.running != 0 ||
            t.most_ahead > ahead || (rows[k].threads > 0 && t.most_running > rows[k].threads)) {
            print_error("%s: taken %zu of %zu, %zu out of order, %zu not done before, %zu twice, %zu ahead, %zu at a "
                        "time\n",
                        rows[k].row, t.taken, want, t.out_of_order, t.untouched, twice, (size_t)t.most_ahead,
                        (size_t)t.most_running);
            bad++;
        }
    }
    assert_int_equal(bad, 0);
}

/* Two pieces that wait for each other end only if both are begun. */
static void meet(void *context, size_t i)
{
    tally *t = context;
    atomic_fetch_add(&t->running, 1);
    const struct timespec nap = {.tv_nsec = 1000000};
    for (int k = 0; k < 10000 && atomic_load(&t->running) < 2; k++)
        (void)nanosleep(&nap, NULL);
    atomic_fetch_add(&t->worked[i], atomic_load(&t->running) == 2);
}

static void pieces_run_side_by_side(void **state)
{
    (void)state;
    tally t = {.stop_at = MOST};
    ltp_parallel_run(&(ltp_parallel){.count = 2, .threads = 2, .context = &t, .work = meet, .take = take});
    assert_int_equal(t.taken, 2);
    assert_int_equal(t.untouched, 0);
}

SUITE(base_parallel)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(each_piece_is_done_once_and_taken_in_order),
        cmocka_unit_test(pieces_run_side_by_side),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
