/* SPDX-License-Identifier: MIT
 * Ring of audio frames between one writer (the callback) and one reader, without locks; lives in memory that two
 * processes may share. Interleaved float, full scale = 1.0. */
#ifndef LTP_AUDIO_RING_H
#define LTP_AUDIO_RING_H

#include <stdalign.h>
#include <stdatomic.h>
#include <stddef.h>
#include <stdint.h>

enum { LTP_CACHE_LINE = 64 };

/** Positions count frames since the start and never wrap (64 bit). */
typedef struct {
    alignas(LTP_CACHE_LINE) _Atomic uint64_t written;
    alignas(LTP_CACHE_LINE) _Atomic uint64_t read;
    alignas(LTP_CACHE_LINE) size_t capacity; /* frames, a power of two */
    size_t channels;
} ltp_ring;

/** capacity_frames: a power of two. The samples [capacity x channels] lie elsewhere and are passed to every call, for
 * two processes may see them at different addresses. */
void ltp_ring_init(ltp_ring *r, size_t capacity_frames, size_t channels);
/** Writer: up to `frames` frames; returns how many fitted. */
size_t ltp_ring_write(ltp_ring *r, float *samples, const float *in, size_t frames);
/** Reader: up to `frames` frames; returns how many there were. */
size_t ltp_ring_read(ltp_ring *r, const float *samples, float *out, size_t frames);
/** Frames that the reader can have now. */
size_t ltp_ring_filled(ltp_ring *r);

#endif
