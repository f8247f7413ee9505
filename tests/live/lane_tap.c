/* SPDX-License-Identifier: MIT
 * What really went through the lane, sample by sample, with the time of each block: the judge of how fast a sound ends.
 * Kept in memory while the server runs, written when the plan is replaced or the lane ends. */
#include "lane_plan.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

struct lane_tap {
    size_t blocks, block, used;
    float *samples; /* [blocks][2][block]: speaker 1, microphone 1 */
    int64_t *ns;    /* [blocks] CLOCK_MONOTONIC */
    char path[1000];
};

lane_tap *lane_tap_new(const char *path, double seconds, double rate_hz, size_t block)
{
    lane_tap *t = calloc(1, sizeof *t);
    if (t == NULL)
        return NULL;
    t->block = block;
    t->blocks = (size_t)(seconds * rate_hz) / block + 1;
    t->samples = malloc(t->blocks * 2 * block * sizeof *t->samples);
    t->ns = malloc(t->blocks * sizeof *t->ns);
    if (t->samples != NULL)
        memset(t->samples, 0, t->blocks * 2 * block * sizeof *t->samples);
    snprintf(t->path, sizeof t->path, "%s", path);
    return t;
}

void lane_tap_push(lane_tap *t, const float *speaker, const float *heard)
{
    struct timespec now;
    if (t == NULL || t->samples == NULL || t->ns == NULL || t->used == t->blocks)
        return;
    clock_gettime(CLOCK_MONOTONIC, &now);
    t->ns[t->used] = (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
    memcpy(t->samples + t->used * 2 * t->block, speaker, t->block * sizeof *speaker);
    memcpy(t->samples + (t->used * 2 + 1) * t->block, heard, t->block * sizeof *heard);
    t->used++;
}

static void save(const char *path, const void *data, size_t size, size_t count)
{
    FILE *f = fopen(path, "wb");
    if (f == NULL || fwrite(data, size, count, f) != count)
        perror(path);
    if (f != NULL)
        fclose(f);
}

void lane_tap_free(lane_tap *t)
{
    char name[1010];
    if (t == NULL)
        return;
    if (t->samples != NULL && t->ns != NULL) {
        snprintf(name, sizeof name, "%s.ns", t->path);
        save(name, t->ns, sizeof *t->ns, t->used);
        save(t->path, t->samples, sizeof *t->samples, t->used * 2 * t->block);
    }
    free(t->samples);
    free(t->ns);
    free(t);
}
