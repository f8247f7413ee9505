/* SPDX-License-Identifier: MIT
 * A sound file on a descriptor that stays ours. */
#ifndef LTP_AUDIO_SOUND_FD_H
#define LTP_AUDIO_SOUND_FD_H

#include <sndfile.h>

/** libsndfile gets a descriptor of its own: where it cannot open a file it closes what it was given, asked or not, and
 * to close that again would close a file that another thread has opened meanwhile. mode: SFM_READ or SFM_WRITE. fd has
 * to be closed by the caller as before. NULL: errno or sf_strerror() says why. */
SNDFILE *ltp_sound_open_fd(int fd, int mode, SF_INFO *sf);

#endif
