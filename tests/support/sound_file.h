/* SPDX-License-Identifier: MIT
 * Parts of tests on sound files: headers written byte by byte, and a load for a test of failing allocations. */
#ifndef LT_TESTS_SOUND_FILE_H
#define LT_TESTS_SOUND_FILE_H

#include "suite.h"

#include <lanetune/audio.h>

#include <stdint.h>
#include <string.h>

/** `bytes` of value, least first. Returns bytes. */
static inline size_t put(unsigned char *at, uint64_t value, size_t bytes)
{
    for (size_t i = 0; i < bytes; i++)
        at[i] = (unsigned char)(value >> (8 * i) & 0xff);
    return bytes;
}

static inline size_t put_text(unsigned char *at, const char *text, size_t bytes)
{
    memcpy(at, text, bytes);
    return bytes;
}

/** context: the path. */
static inline lt_status load_and_free(void *context, lt_error *err)
{
    lt_signal *s = NULL;
    const lt_status st = lt_audio_load(context, 0, &s, NULL, err);
    assert_true((s == NULL) == (st != LT_OK));
    lt_signal_free(s);
    return st;
}

#endif
