/* SPDX-License-Identifier: MIT
 * Choosing devices by name, and texts about them. Only in the child process: the sound library must be initialised. */
#ifndef LTP_AUDIO_DEVICE_FIND_H
#define LTP_AUDIO_DEVICE_FIND_H

#include <lanetune/audio.h>

#include <portaudio.h>

typedef struct {
    PaDeviceIndex input, output; /* output paNoDevice: not asked for */
    bool apart;                  /* two devices that one stream cannot or should not serve */
} ltp_device_choice;

/** Devices that the options name. LT_E_IO: none, several, or too few channels. */
LT_NODISCARD lt_status ltp_device_find(const lt_live_options *opt, bool with_output, ltp_device_choice *out,
                                       lt_error *err);
/** One stream cannot or should not serve both. */
bool ltp_device_are_apart(PaDeviceIndex input, PaDeviceIndex output);
const char *ltp_device_host(PaDeviceIndex device);
/** Copy without control characters, always terminated. */
void ltp_device_text(char *out, size_t size, const char *text);

#endif
