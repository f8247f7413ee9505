/* SPDX-License-Identifier: MIT
 * Tables of IEC 60268-16. Second entry: tests/reference/data/sti_*.csv, compared by tests/reference/speech_sti.c. */
#ifndef LTP_SPEECH_STI_TABLES_H
#define LTP_SPEECH_STI_TABLES_H

#include <lanetune/speech.h>

typedef struct {
    double nominal_hz;
    double alpha[LT_STI_VOICE_COUNT], beta[LT_STI_VOICE_COUNT]; /* beta: to the next band; of the last: not used */
    double speech_db;    /* male spectrum of edition 5, dB re its A-weighted level */
    double threshold_db; /* reception threshold, dB SPL */
    double stipa_hz[LT_STIPA_MODULATIONS];
} ltp_sti_row;
extern const ltp_sti_row ltp_sti_rows[LT_STI_BANDS];

/** The 14 modulation frequencies as printed, Hz. */
extern const double ltp_sti_modulation_hz[LT_STI_MODULATIONS];

/** Level-dependent auditory masking: below `below_db` of the lower band, its effect is slope * level + intercept, dB.
 */
typedef struct {
    double below_db, slope, intercept_db;
} ltp_sti_masking;
enum { LTP_STI_MASKING = 4 };
extern const ltp_sti_masking ltp_sti_maskings[LTP_STI_MASKING];

/** Qualification bands and quality labels: the word from this STI on. Highest first; the last begins at 0. */
typedef struct {
    double from;
    const char *word;
} ltp_sti_word;
enum { LTP_STI_CATEGORIES = 12, LTP_STI_LABELS = 5 };
extern const ltp_sti_word ltp_sti_categories[LTP_STI_CATEGORIES];
extern const ltp_sti_word ltp_sti_labels[LTP_STI_LABELS];

#endif
