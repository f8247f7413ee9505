/* SPDX-License-Identifier: MIT
 * WAV files whose sizes say nothing: left at 0 or at their largest value by a recorder that was stopped, or wrapped
 * because 32 bits end at 4 GiB. Such a file is shown to libsndfile as if its header were right. */
#ifndef LTP_AUDIO_WAV_SIZES_H
#define LTP_AUDIO_WAV_SIZES_H

#include <lanetune/base.h>

#include <sndfile.h>

typedef struct ltp_wav_view ltp_wav_view;

/** Looks at the sizes in the header of an open file of `bytes` bytes. *out is NULL, with LT_OK, if it is no WAV or they
 * can be believed as far as the file goes; else a view with the right ones. fd stays the caller's and must outlive it.
 * LT_E_FORMAT: over 4 GiB, and no reading of the sizes fits the file. LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_wav_look(const char *path, int fd, uint64_t bytes, ltp_wav_view **out, lt_error *err);
/** As sf_open_fd() for reading. */
SNDFILE *ltp_wav_view_open(ltp_wav_view *v, SF_INFO *info);
void ltp_wav_view_free(ltp_wav_view *v); /* NULL is fine */

#endif
