/* SPDX-License-Identifier: MIT
 * Memory that the caller and the child share. */
#define _DEFAULT_SOURCE /* MAP_ANONYMOUS, MAP_NORESERVE */

#include "audio/live_job.h"
#include "base/alloc.h"

#include <sys/mman.h>

/* More than three hours of eight channels; a take that long belongs into a file. */
static const uint64_t max_bytes = UINT64_C(4) << 30;

lt_status ltp_live_map(ltp_live_job *job, size_t capacity_frames, lt_error *err)
{
    const size_t head = (sizeof(ltp_shared) + 4095U) & ~(size_t)4095U;
    const uint64_t samples = (uint64_t)capacity_frames * job->channels_most;
    if (samples > max_bytes / sizeof(float))
        return ltp_fail(err, LT_E_ARG, "a take of %zu frames is too long; record to a file, or play a shorter stimulus",
                        capacity_frames);
    job->mapped_bytes = head + (size_t)samples * sizeof(float);
    /* Pages come into being as they are used; the child touches them before the stream starts. */
    char *at = mmap(NULL, job->mapped_bytes, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    if (at == MAP_FAILED)
        return ltp_fail_nomem(err, "the take");
    job->shared = (ltp_shared *)(void *)at;
    job->samples = (float *)(void *)(at + head);
    job->capacity_frames = capacity_frames;
    job->shared->channels = job->opt->input_channels;
    return LT_OK;
}

void ltp_live_unmap(ltp_live_job *job)
{
    if (job->shared != NULL)
        (void)munmap(job->shared, job->mapped_bytes);
    job->shared = NULL;
    job->samples = NULL;
}
