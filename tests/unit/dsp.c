/* SPDX-License-Identifier: MIT
 * Layer dsp: the list of its test files. */
#define SUITES(X) X(dsp_fft) X(dsp_filters) X(dsp_bank) X(dsp_resample) X(dsp_statistics) X(dsp_clip)
#include "suite.h"
