/* SPDX-License-Identifier: MIT
 * audio: sound files, block by block. PCM full scale = 1.0; interleaved float in files, double per channel for analysis.
 * A file that holds NaN or infinity is refused. Recordings are only ever read. */
#ifndef LT_AUDIO_H
#define LT_AUDIO_H

#include <lanetune/base.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    double rate_hz;
    unsigned channels;    /* 1 .. 1024 */
    uint64_t frames;      /* as the header claims; count what is read */
    unsigned bits;        /* of a PCM sample, 0 = floating point or coded */
    char format[48];      /* "WAV, 24 bit PCM" */
    bool truncated;       /* the header promises more than the file holds; final when the end has been read */
} lt_audio_info;

typedef struct lt_audio_reader lt_audio_reader;
/** Open anything libsndfile reads. LT_E_IO missing or unreadable; LT_E_FORMAT not a sound file, truncated header, no
 * channel or an absurd rate. err names path, cause and remedy in one line. */
LT_NODISCARD lt_status lt_audio_open(const char *path, lt_audio_reader **out, lt_error *err);
const lt_audio_info *lt_audio_reader_info(const lt_audio_reader *r);
/** Up to `frames` frames of one channel (0-based) into x; *got < frames only at the end. LT_E_IO, LT_E_FORMAT (NaN). */
LT_NODISCARD lt_status lt_audio_read(lt_audio_reader *r, unsigned channel, double *x, size_t frames, size_t *got, lt_error *err);
void lt_audio_close(lt_audio_reader *r);

/** One channel (0-based) of a whole file. LT_E_ARG no such channel or an empty file. info may be NULL. */
LT_NODISCARD lt_status lt_audio_load(const char *path, unsigned channel, lt_signal **out, lt_audio_info *info, lt_error *err);

typedef enum { LT_AUDIO_PCM16, LT_AUDIO_PCM24, LT_AUDIO_FLOAT } lt_audio_encoding;
/** Write a WAV of `channels` signals of equal rate and count beside `path` and rename it into place. PCM is clipped at
 * full scale (a note "clipped-on-write" in notes if it happens). The bytes depend on the samples alone (no time stamp).
 * LT_E_IO: nothing is left behind, an old file at `path` stays whole. */
LT_NODISCARD lt_status lt_audio_save(const char *path, const lt_signal *const *signals, unsigned channels, lt_audio_encoding encoding, lt_notes *notes, lt_error *err);

/** Write a text or binary file beside and rename. */
LT_NODISCARD lt_status lt_file_save(const char *path, const void *data, size_t bytes, lt_error *err);
/** Whole file, NUL-terminated (*bytes excludes it); LT_E_ARG if larger than max_bytes. Free with lt_file_free(). */
LT_NODISCARD lt_status lt_file_load(const char *path, size_t max_bytes, char **out, size_t *bytes, lt_error *err);
void lt_file_free(char *data);

#ifdef __cplusplus
}
#endif
#endif
