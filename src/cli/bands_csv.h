/* SPDX-License-Identifier: MIT
 * Reading band values from CSV: strict about numbers and bands, tolerant about how programs write CSV. */
#ifndef CLI_BANDS_CSV_H
#define CLI_BANDS_CSV_H

#include "cli.h"

enum { BANDS_CSV_COLUMNS = 16, BANDS_CSV_BANDS = 32 };

typedef enum {
    BANDS_CSV_NEEDED,
    BANDS_CSV_OPTIONAL,
    BANDS_CSV_IGNORED /* may be there, is not looked at */
} bands_csv_need;
typedef struct {
    const char *name;
    bands_csv_need need;
} bands_csv_column;

/** What a table has to hold: the column hz and these, and each band once. */
typedef struct {
    const char *procedure; /* what messages say needs the bands: "octave procedure" */
    const double *hz;      /* [band_count] centres */
    size_t band_count;     /* at most BANDS_CSV_BANDS */
    const bands_csv_column *columns;
    size_t column_count; /* at most BANDS_CSV_COLUMNS */
} bands_csv_format;

typedef struct {
    bool present[BANDS_CSV_COLUMNS];
    double value[BANDS_CSV_COLUMNS][BANDS_CSV_BANDS]; /* 0 where a column is absent */
} bands_csv;

/** path NULL: standard input. Columns are found by their names in the first line that is no comment. Every band exactly
 * once, in any order, within 1 % of its centre. LT_E_ARG names file, line and column. */
LT_NODISCARD lt_status bands_csv_load(cli_args *a, const char *path, const bands_csv_format *format, bands_csv *out,
                                      lt_error *err);

#endif
