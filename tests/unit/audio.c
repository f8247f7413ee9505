/* SPDX-License-Identifier: MIT
 * Layer audio: the list of its tests. */
#define SUITES(X) X(audio_read) X(audio_write) X(audio_junk) X(audio_ring) X(audio_large) X(audio_sizes) X(audio_live)
#include "suite.h"
