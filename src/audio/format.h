/* SPDX-License-Identifier: MIT
 * Names of file formats and sample encodings. */
#ifndef LTP_AUDIO_FORMAT_H
#define LTP_AUDIO_FORMAT_H

#include <stddef.h>

/** "WAV, 24 bit PCM" for a libsndfile format number. */
void ltp_format_text(int format, char *text, size_t size);
/** Bits of a linear PCM sample; 0 for floating point and coded samples. */
unsigned ltp_format_bits(int format);

#endif
