/* SPDX-License-Identifier: MIT
 * Tables of ANSI S3.5-1997, as printed: rows from the lowest band up. */
#ifndef LTP_SPEECH_SII_TABLES_H
#define LTP_SPEECH_SII_TABLES_H

#include <lanetune/speech.h>

typedef struct {
    double centre_hz, lower_hz, upper_hz;
    double bandwidth_db;               /* 10 lg (bandwidth / 1 Hz) */
    double speech_db[LT_EFFORT_COUNT]; /* standard speech spectrum level at 1 m */
    double internal_noise_db;          /* reference internal noise spectrum level */
    double eardrum_db;                 /* free field to eardrum */
} ltp_sii_row;

enum { LTP_SII_CRITICAL = 21, LTP_SII_EQUAL = 17, LTP_SII_THIRD = 18, LTP_SII_OCTAVE = 6 };

extern const ltp_sii_row ltp_sii_critical[LTP_SII_CRITICAL];
extern const ltp_sii_row ltp_sii_equal[LTP_SII_EQUAL];
extern const ltp_sii_row ltp_sii_third[LTP_SII_THIRD];
extern const ltp_sii_row ltp_sii_octave[LTP_SII_OCTAVE];

extern const double ltp_sii_importance_critical[LTP_SII_CRITICAL][LT_SII_IMPORTANCE_COUNT];
extern const double ltp_sii_importance_third[LTP_SII_THIRD][LT_SII_IMPORTANCE_COUNT];
extern const double ltp_sii_importance_octave[LTP_SII_OCTAVE][LT_SII_IMPORTANCE_COUNT];
extern const double ltp_sii_importance_equal;

#endif
