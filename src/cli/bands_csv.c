/* SPDX-License-Identifier: MIT
 * CSV of band values: byte order mark, CRLF, quotes, blank lines, # comments, comma, semicolon or tab are all fine;
 * a field that is no finite number, a band twice, an unknown or a missing band is not. */
#include "bands_csv.h"

#include "base/alloc.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>
#include <unistd.h>

enum { FIELDS_MAX = 64, CSV_MAX_BYTES = 1 << 20 };
static const double band_tolerance = 0.01; /* 158.49 and 160 Hz are the same band */

typedef struct {
    const char *name; /* of the file */
    const bands_csv_format *format;
    char separator;
    size_t line; /* counted from 1 */
    bool has_header;
    size_t field_count;               /* of the header */
    size_t hz_field;                  /* field of the band's frequency */
    size_t column[BANDS_CSV_COLUMNS]; /* field of each column; FIELDS_MAX = absent */
    size_t seen_in[BANDS_CSV_BANDS];  /* line of each band; 0 = not yet */
    bands_csv *out;
} reader;

/* ---- lines and fields ---- */

/* The next line without its end; CR, LF and CRLF all end one. NULL at the end of the text. */
static char *next_line(char **rest)
{
    char *line = *rest;
    if (line == NULL || *line == '\0')
        return NULL;
    char *end = line + strcspn(line, "\r\n");
    if (*end == '\0') {
        *rest = end;
        return line;
    }
    *rest = end + (end[0] == '\r' && end[1] == '\n' ? 2 : 1);
    *end = '\0';
    return line;
}

static char *trimmed(char *s)
{
    s += strspn(s, " \t");
    size_t n = strlen(s);
    while (n > 0 && (s[n - 1] == ' ' || s[n - 1] == '\t'))
        n--;
    s[n] = '\0';
    return s;
}

/* Ends the quoted field that begins at s and removes its quotes; returns what follows. NULL: the quote never closes. */
static char *end_of_quoted(char *s)
{
    char *to = s;
    char *from = s + 1;
    while (*from != '\0' && !(from[0] == '"' && from[1] != '"')) {
        from += from[0] == '"' ? 1 : 0; /* "" stands for one quote */
        *to++ = *from++;
    }
    if (*from == '\0')
        return NULL;
    *to = '\0';
    return from + 1;
}

/* Cut a line into fields. FIELDS_MAX + 1: too many; 0: a quote that never closes. */
static size_t split(char *line, char separator, char **fields)
{
    size_t count = 0;
    const char stop[] = {separator, '\0'};
    for (char *s = line;;) {
        if (count == FIELDS_MAX)
            return FIELDS_MAX + 1;
        char *begin = s + strspn(s, separator == '\t' ? " " : " \t");
        char *after = *begin == '"' ? end_of_quoted(begin) : begin;
        if (after == NULL)
            return 0;
        char *end = after + strcspn(after, stop);
        const bool last = *end == '\0';
        if (after == begin) {
            *end = '\0';
            begin = trimmed(begin);
        } else if (trimmed(after)[0] != '\0' && after + strspn(after, " \t") < end) {
            return 0; /* text behind a closing quote */
        }
        fields[count++] = begin;
        if (last)
            return count;
        s = end + 1;
    }
}

/* ---- header ---- */

static char find_separator(const char *header)
{
    static const char candidates[] = {',', ';', '\t'};
    for (size_t i = 0; i < LTP_COUNT(candidates); i++) {
        if (strchr(header, candidates[i]) != NULL)
            return candidates[i];
    }
    return ',';
}

/* Place in which a field of the header is kept; NULL: no such column. */
static size_t *place_of(reader *r, const char *field)
{
    if (strcasecmp(field, "hz") == 0)
        return &r->hz_field;
    for (size_t c = 0; c < r->format->column_count; c++) {
        if (strcasecmp(field, r->format->columns[c].name) == 0)
            return &r->column[c];
    }
    return NULL;
}

static lt_status missing_column(const reader *r, const char *name, lt_error *err)
{
    char names[240] = "hz";
    for (size_t c = 0; c < r->format->column_count; c++) {
        if (r->format->columns[c].need == BANDS_CSV_NEEDED) {
            strncat(names, ",", sizeof names - strlen(names) - 1);
            strncat(names, r->format->columns[c].name, sizeof names - strlen(names) - 1);
        }
    }
    return ltp_fail(err, LT_E_ARG, "%s, line %zu: there is no column %s; the first line names the columns %s", r->name,
                    r->line, name, names);
}

static lt_status read_header(reader *r, char **fields, size_t count, lt_notes *notes, lt_error *err)
{
    r->hz_field = FIELDS_MAX;
    for (size_t c = 0; c < r->format->column_count; c++)
        r->column[c] = FIELDS_MAX;
    for (size_t f = 0; f < count; f++) {
        size_t *place = place_of(r, fields[f]);
        if (place == NULL) {
            lt_notes_add(notes, "unknown-column", "%s, line %zu: column '%s' is not known and not used", r->name,
                         r->line, fields[f]);
            continue;
        }
        if (*place != FIELDS_MAX)
            return ltp_fail(err, LT_E_ARG, "%s, line %zu: column %s is there twice; remove one", r->name, r->line,
                            fields[f]);
        *place = f;
    }
    if (r->hz_field == FIELDS_MAX)
        return missing_column(r, "hz", err);
    for (size_t c = 0; c < r->format->column_count; c++) {
        r->out->present[c] = r->column[c] != FIELDS_MAX && r->format->columns[c].need != BANDS_CSV_IGNORED;
        if (r->column[c] == FIELDS_MAX && r->format->columns[c].need == BANDS_CSV_NEEDED)
            return missing_column(r, r->format->columns[c].name, err);
    }
    r->field_count = count;
    r->has_header = true;
    return LT_OK;
}

/* ---- rows ---- */

static bool parse_number(const char *text, double *out)
{
    char *end = NULL;
    if (text[0] == '\0' || text[strspn(text, "+-.0123456789eE")] != '\0')
        return false; /* neither nan, inf, hexadecimal nor a decimal comma */
    errno = 0;
    *out = strtod(text, &end);
    return *end == '\0' && isfinite(*out);
}

static lt_status field_number(const reader *r, const char *column, const char *text, double *out, lt_error *err)
{
    if (parse_number(text, out))
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s, line %zu, column %s: '%s' is no number; write one like 42.5", r->name, r->line,
                    column, text);
}

static lt_status find_band(const reader *r, double hz, size_t *band, lt_error *err)
{
    size_t nearest = 0;
    for (size_t i = 0; i < r->format->band_count; i++) {
        if (fabs(hz - r->format->hz[i]) < fabs(hz - r->format->hz[nearest]))
            nearest = i;
    }
    const double centre = r->format->hz[nearest];
    *band = nearest;
    if (fabs(hz - centre) <= band_tolerance * centre)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s, line %zu, column hz: %.10g Hz is no band of the %s (the nearest is %g Hz)",
                    r->name, r->line, hz, r->format->procedure, centre);
}

static lt_status read_row(reader *r, char **fields, size_t count, lt_error *err)
{
    double hz = 0.0;
    size_t band = 0;
    if (count != r->field_count)
        return ltp_fail(err, LT_E_ARG, "%s, line %zu: %zu field%s where the first line has %zu; complete the line",
                        r->name, r->line, count, count == 1 ? "" : "s", r->field_count);
    lt_status status = field_number(r, "hz", fields[r->hz_field], &hz, err);
    if (status == LT_OK)
        status = find_band(r, hz, &band, err);
    if (status == LT_OK && r->seen_in[band] != 0)
        status =
            ltp_fail(err, LT_E_ARG, "%s, line %zu, column hz: the band %g Hz stands in line %zu already; remove one",
                     r->name, r->line, r->format->hz[band], r->seen_in[band]);
    for (size_t c = 0; c < r->format->column_count && status == LT_OK; c++) {
        if (r->out->present[c])
            status = field_number(r, r->format->columns[c].name, fields[r->column[c]], &r->out->value[c][band], err);
    }
    r->seen_in[band] = r->line;
    return status;
}

static lt_status read_line(reader *r, char *line, lt_notes *notes, lt_error *err)
{
    char *fields[FIELDS_MAX];
    const char *content = line + strspn(line, " \t");
    if (content[0] == '\0' || content[0] == '#')
        return LT_OK;
    if (!r->has_header)
        r->separator = find_separator(line);
    const size_t count = split(line, r->separator, fields);
    if (count == 0 || count > FIELDS_MAX)
        return ltp_fail(err, LT_E_ARG, "%s, line %zu: %s", r->name, r->line,
                        count == 0 ? "a quote is not closed as it should; check the line"
                                   : "far too many fields; give a table of bands");
    return r->has_header ? read_row(r, fields, count, err) : read_header(r, fields, count, notes, err);
}

static lt_status parse(char *text, const char *name, const bands_csv_format *format, bands_csv *out, lt_notes *notes,
                       lt_error *err)
{
    reader r = {.name = name, .format = format, .out = out};
    char *rest = strncmp(text, "\xEF\xBB\xBF", 3) == 0 ? text + 3 : text; /* byte order mark */
    lt_status status = LT_OK;
    for (char *line = next_line(&rest); line != NULL && status == LT_OK; line = next_line(&rest)) {
        r.line++;
        status = read_line(&r, line, notes, err);
    }
    if (status != LT_OK)
        return status;
    if (!r.has_header)
        return ltp_fail(err, LT_E_ARG, "%s: there is nothing in it; give a table with columns hz,speech_db,noise_db",
                        name);
    for (size_t i = 0; i < format->band_count; i++) {
        if (r.seen_in[i] == 0)
            return ltp_fail(err, LT_E_ARG,
                            "%s, after line %zu, column hz: the band %g Hz is missing; the %s needs all %zu bands",
                            name, r.line, format->hz[i], format->procedure, format->band_count);
    }
    return LT_OK;
}

/* ---- text ---- */

static lt_status read_stdin(const char *command, char **out, lt_error *err)
{
    char *text = ltp_alloc(CSV_MAX_BYTES + 1, 1);
    *out = NULL;
    if (text == NULL)
        return ltp_fail_nomem(err, "standard input");
    if (isatty(STDIN_FILENO) == 1)
        cli_message(command, "reading the bands from the terminal, end with Ctrl-D");
    const size_t bytes = fread(text, 1, CSV_MAX_BYTES, stdin);
    lt_status status = LT_OK;
    if (ferror(stdin))
        status = ltp_fail(err, LT_E_IO, "standard input: cannot be read; give the name of a file");
    else if (bytes == CSV_MAX_BYTES)
        status =
            ltp_fail(err, LT_E_ARG, "standard input: more than %d bytes; give a table of bands", CSV_MAX_BYTES - 1);
    else if (strlen(text) != bytes)
        status = ltp_fail(err, LT_E_FORMAT, "standard input: holds zero bytes and is no text; give CSV");
    if (status != LT_OK) {
        ltp_free(text);
        return status;
    }
    *out = text;
    return LT_OK;
}

static lt_status read_text(const char *command, const char *path, char **out, lt_error *err)
{
    char *loaded = NULL;
    size_t bytes = 0;
    *out = NULL;
    if (path == NULL)
        return read_stdin(command, out, err);
    lt_status status = lt_file_load(path, CSV_MAX_BYTES, &loaded, &bytes, err);
    if (status == LT_OK && strlen(loaded) != bytes)
        status = ltp_fail(err, LT_E_FORMAT, "%s: holds zero bytes and is no text; give CSV", path);
    if (status == LT_OK) {
        *out = ltp_alloc(bytes + 1, 1);
        if (*out == NULL)
            status = ltp_fail_nomem(err, "bands");
        else
            memcpy(*out, loaded, bytes);
    }
    lt_file_free(loaded);
    return status;
}

lt_status bands_csv_load(cli_args *a, const char *path, const bands_csv_format *format, bands_csv *out, lt_error *err)
{
    char *text = NULL;
    memset(out, 0, sizeof *out);
    lt_status status = read_text(a->command->name, path, &text, err);
    if (status == LT_OK)
        status = parse(text, path != NULL ? path : "standard input", format, out, &a->notes, err);
    ltp_free(text);
    return status;
}
