/* SPDX-License-Identifier: MIT
 * Ring of audio frames between one writer and one reader in C11 atomics. */
#include "audio/ring.h"

#include <string.h>

_Static_assert(ATOMIC_LLONG_LOCK_FREE == 2, "a lock would stay locked when the other process dies");

void ltp_ring_init(ltp_ring *r, size_t capacity_frames, size_t channels)
{
    atomic_init(&r->written, 0);
    atomic_init(&r->read, 0);
    r->capacity = capacity_frames;
    r->channels = channels;
}

/* The run of `frames` frames from position `at` in at most two pieces. */
static size_t first_piece(const ltp_ring *r, uint64_t at, size_t frames)
{
    const size_t to_end = r->capacity - (size_t)(at & (r->capacity - 1));
    return frames < to_end ? frames : to_end;
}

size_t ltp_ring_write(ltp_ring *r, float *samples, const float *in, size_t frames)
{
    const uint64_t at = atomic_load_explicit(&r->written, memory_order_relaxed); /* ours alone */
    const uint64_t read = atomic_load_explicit(&r->read, memory_order_acquire);  /* what lies before it may be reused */
    const size_t room = r->capacity - (size_t)(at - read);
    const size_t n = frames < room ? frames : room;
    const size_t first = first_piece(r, at, n);
    const size_t offset = (size_t)(at & (r->capacity - 1));
    memcpy(samples + offset * r->channels, in, first * r->channels * sizeof *in);
    memcpy(samples, in + first * r->channels, (n - first) * r->channels * sizeof *in);
    atomic_store_explicit(&r->written, at + n, memory_order_release);
    return n;
}

size_t ltp_ring_read(ltp_ring *r, const float *samples, float *out, size_t frames)
{
    const uint64_t at = atomic_load_explicit(&r->read, memory_order_relaxed);
    const uint64_t written = atomic_load_explicit(&r->written, memory_order_acquire);
    const size_t filled = (size_t)(written - at);
    const size_t n = frames < filled ? frames : filled;
    const size_t first = first_piece(r, at, n);
    const size_t offset = (size_t)(at & (r->capacity - 1));
    memcpy(out, samples + offset * r->channels, first * r->channels * sizeof *out);
    memcpy(out + first * r->channels, samples, (n - first) * r->channels * sizeof *out);
    atomic_store_explicit(&r->read, at + n, memory_order_release);
    return n;
}

size_t ltp_ring_filled(ltp_ring *r)
{
    return (size_t)(atomic_load_explicit(&r->written, memory_order_acquire) -
                    atomic_load_explicit(&r->read, memory_order_relaxed));
}
