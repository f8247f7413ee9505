/* SPDX-License-Identifier: MIT
 * WAV files whose sizes say nothing: left at 0 or at their largest value by a recorder that was stopped, or wrapped
 * because 32 bits end at 4 GiB. Such a file is shown to libsndfile as if its header were right, and so is an RF64 with
 * chunks of odd size before its samples, which libsndfile 1.2 loses its way in. */
#ifndef LTP_AUDIO_WAV_SIZES_H
#define LTP_AUDIO_WAV_SIZES_H

#include <lanetune/base.h>

#include <sndfile.h>

typedef struct ltp_wav_view ltp_wav_view;

/** Looks at the sizes in the header of an open file of `bytes` bytes. *out is NULL, with LT_OK, if it is no WAV or
 * libsndfile can read it as it is; else a view with the right ones. fd stays the caller's and must outlive it.
 * LT_E_FORMAT: over 4 GiB, and no reading of the sizes fits the file. LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_wav_look(const char *path, int fd, uint64_t bytes, ltp_wav_view **out, lt_error *err);
/** As sf_open_fd() for reading. */
SNDFILE *ltp_wav_view_open(ltp_wav_view *v, SF_INFO *info);
bool ltp_wav_view_was_wrong(const ltp_wav_view *v); /* false: the sizes were right */
int ltp_wav_view_container(const ltp_wav_view *v);  /* of the file: SF_FORMAT_WAV, SF_FORMAT_RF64 */
void ltp_wav_view_free(ltp_wav_view *v);            /* NULL is fine */

#endif
