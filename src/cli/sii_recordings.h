/* SPDX-License-Identifier: MIT
 * Speech and noise of an SII straight from recordings: a talk test, and a noise or the talk test's own pauses. */
#ifndef CLI_SII_RECORDINGS_H
#define CLI_SII_RECORDINGS_H

#include "cli.h"

typedef struct {
    bool has_speech, has_noise;
    double speech_db[LT_SPEECH_BANDS], noise_db[LT_SPEECH_BANDS]; /* spectrum levels, dB SPL */
    lt_sii_recorded about;
} sii_recordings;

/** Whether an option names a recording. */
bool sii_recordings_asked(const cli_args *a);
/** CLI_DONE, or CLI_WRONG_USAGE after a line. */
int sii_recordings_check(const cli_args *a);
/** has_noise: a table gives it, so the pauses need not. What cannot be known is said in a->notes. LT_E_SNR: neither a
 * noise nor a pause. */
LT_NODISCARD lt_status sii_recordings_measure(cli_args *a, bool has_noise, sii_recordings *out, lt_error *err);

#endif
