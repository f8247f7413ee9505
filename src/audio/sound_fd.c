/* SPDX-License-Identifier: MIT
 * A sound file on a descriptor that stays ours. */
#define _POSIX_C_SOURCE 200809L

#include "audio/sound_fd.h"

#include <fcntl.h>

SNDFILE *ltp_sound_open_fd(int fd, int mode, SF_INFO *sf)
{
    const int own = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    return own < 0 ? NULL : sf_open_fd(own, mode, sf, SF_TRUE);
}
