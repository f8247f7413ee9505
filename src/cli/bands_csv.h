/* SPDX-License-Identifier: MIT
 * Reading band values from CSV for the SII: strict about numbers and bands, tolerant about how programs write CSV. */
#ifndef CLI_BANDS_CSV_H
#define CLI_BANDS_CSV_H

#include <lanetune/lanetune.h>

typedef struct {
    double speech_db[LT_SII_BANDS_MAX], noise_db[LT_SII_BANDS_MAX], threshold_db[LT_SII_BANDS_MAX];
} bands_csv;

/** text: whole file, NUL-terminated and changed by parsing. name: what messages call the file. speech_needed: false =
 * the speech column is replaced anyway and not looked at. Columns are found by their names in the first line that is no
 * comment: hz, speech_db, noise_db, threshold_db (may be absent: 0). Every band of the method exactly once, in any
 * order, within 1 % of its tabulated centre. LT_E_ARG names file, line and column. */
LT_NODISCARD lt_status bands_csv_parse(char *text, const char *name, lt_sii_method method, bool speech_needed,
                                       bands_csv *out, lt_notes *notes, lt_error *err);

#endif
