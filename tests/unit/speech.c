/* SPDX-License-Identifier: MIT
 * Tests of the speech layer. */
#define SUITES(X) X(speech_sii) X(speech_p56) X(speech_talk) X(speech_exposure) X(speech_stoi) X(speech_recorded)
#include "suite.h"
