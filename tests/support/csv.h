/* SPDX-License-Identifier: MIT
 * Reads a table of tests/reference/data: comma-separated, first line = column names, no quotes. A missing file or
 * column fails the test. Include near.h first. LT_TEST_DATA is the folder. */
#ifndef LT_TESTS_CSV_H
#define LT_TESTS_CSV_H

#include "near.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { CSV_MAX_COLUMNS = 64, CSV_MAX_ROWS = 512 };

typedef struct {
    char *text;
    const char *names[CSV_MAX_COLUMNS];
    const char *cells[CSV_MAX_ROWS][CSV_MAX_COLUMNS];
    size_t columns, rows;
} csv_table;

static inline size_t csv_split(char *line, const char **cells)
{
    size_t n = 0;
    line[strcspn(line, "\r")] = '\0';
    for (char *cell = line; cell != NULL && n < CSV_MAX_COLUMNS; n++) {
        cells[n] = cell;
        cell = strchr(cell, ',');
        if (cell != NULL)
            *cell++ = '\0';
    }
    return n;
}

static inline char *csv_slurp(const char *path)
{
    FILE *f = fopen(path, "rb");
    if (f == NULL)
        return NULL;
    char *text = calloc(1, 1U << 20);
    if (text != NULL && fread(text, 1, (1U << 20) - 1, f) == 0)
        text[0] = '\0';
    (void)fclose(f);
    return text;
}

static inline csv_table *csv_load(const char *name)
{
    char path[1024];
    (void)snprintf(path, sizeof path, "%s/%s", LT_TEST_DATA, name);
    csv_table *t = calloc(1, sizeof *t);
    assert_non_null(t);
    t->text = csv_slurp(path);
    if (t->text == NULL)
        fail_msg("%s cannot be read", path);
    for (char *line = t->text; line != NULL && *line != '\0' && t->rows < CSV_MAX_ROWS;) {
        char *next = strchr(line, '\n');
        if (next != NULL)
            *next++ = '\0';
        if (t->columns == 0)
            t->columns = csv_split(line, t->names);
        else if (*line != '\0')
            (void)csv_split(line, t->cells[t->rows++]);
        line = next;
    }
    assert_true(t->rows > 0);
    return t;
}

static inline void csv_free(csv_table *t)
{
    free(t->text);
    free(t);
}

static inline const char *csv_text(const csv_table *t, size_t row, const char *column)
{
    for (size_t i = 0; i < t->columns; i++)
        if (strcmp(t->names[i], column) == 0)
            return t->cells[row][i] == NULL ? "" : t->cells[row][i];
    fail_msg("no column %s", column);
    return "";
}

/** NaN for an empty cell or one that is no number; "inf" and "-inf" are infinite. */
static inline double csv_number(const csv_table *t, size_t row, const char *column)
{
    const char *text = csv_text(t, row, column);
    char *end = NULL;
    const double value = strtod(text, &end);
    return end == text || *end != '\0' ? (double)NAN : value;
}

#endif
