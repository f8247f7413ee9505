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

enum { COLUMN_HZ, COLUMN_SPEECH, COLUMN_NOISE, COLUMN_THRESHOLD, COLUMN_COUNT, FIELDS_MAX = 64 };
static const char *const column_names[COLUMN_COUNT] = {"hz", "speech_db", "noise_db", "threshold_db"};
static const double band_tolerance = 0.01; /* 158.49 and 160 Hz are the same band */

typedef struct {
    const char *name; /* of the file */
    lt_sii_method method;
    bool speech_needed;
    char separator;
    size_t line; /* counted from 1 */
    bool has_header;
    size_t field_count;               /* of the header */
    size_t column[COLUMN_COUNT];      /* field of each column; FIELDS_MAX = absent */
    size_t seen_in[LT_SII_BANDS_MAX]; /* line of each band; 0 = not yet */
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

static lt_status read_header(reader *r, char **fields, size_t count, lt_notes *notes, lt_error *err)
{
    for (size_t c = 0; c < COLUMN_COUNT; c++)
        r->column[c] = FIELDS_MAX;
    for (size_t f = 0; f < count; f++) {
        size_t c = 0;
        while (c < COLUMN_COUNT && strcasecmp(fields[f], column_names[c]) != 0)
            c++;
        if (c == COLUMN_COUNT) {
            lt_notes_add(notes, "unknown-column", "%s, line %zu: column '%s' is not known and not used", r->name,
                         r->line, fields[f]);
            continue;
        }
        if (r->column[c] != FIELDS_MAX)
            return ltp_fail(err, LT_E_ARG, "%s, line %zu: column %s is there twice; remove one", r->name, r->line,
                            column_names[c]);
        r->column[c] = f;
    }
    for (size_t c = 0; c < COLUMN_THRESHOLD; c++) {
        if (r->column[c] == FIELDS_MAX && (c != COLUMN_SPEECH || r->speech_needed))
            return ltp_fail(err, LT_E_ARG,
                            "%s, line %zu: there is no column %s; the first line names the columns "
                            "hz,speech_db,noise_db,threshold_db",
                            r->name, r->line, column_names[c]);
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

static lt_status field_number(const reader *r, size_t column, char **fields, double *out, lt_error *err)
{
    const char *text = fields[r->column[column]];
    if (parse_number(text, out))
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "%s, line %zu, column %s: '%s' is no number; write one like 42.5", r->name, r->line,
                    column_names[column], text);
}

static lt_status find_band(const reader *r, double hz, size_t *band, lt_error *err)
{
    const size_t count = lt_sii_band_count(r->method);
    size_t nearest = 0;
    for (size_t i = 0; i < count; i++) {
        if (fabs(hz - lt_sii_band_at(r->method, i).hz) < fabs(hz - lt_sii_band_at(r->method, nearest).hz))
            nearest = i;
    }
    const double centre = lt_sii_band_at(r->method, nearest).hz;
    *band = nearest;
    if (fabs(hz - centre) <= band_tolerance * centre)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG,
                    "%s, line %zu, column hz: %.10g Hz is no band of the %s procedure (the nearest is %g Hz)", r->name,
                    r->line, hz, lt_sii_method_name(r->method), centre);
}

static lt_status read_row(reader *r, char **fields, size_t count, lt_error *err)
{
    double hz = 0.0, noise = 0.0, speech = 0.0, threshold = 0.0;
    size_t band = 0;
    if (count != r->field_count)
        return ltp_fail(err, LT_E_ARG, "%s, line %zu: %zu field%s where the first line has %zu; complete the line",
                        r->name, r->line, count, count == 1 ? "" : "s", r->field_count);
    lt_status status = field_number(r, COLUMN_HZ, fields, &hz, err);
    if (status == LT_OK)
        status = find_band(r, hz, &band, err);
    if (status == LT_OK && r->seen_in[band] != 0)
        status =
            ltp_fail(err, LT_E_ARG, "%s, line %zu, column hz: the band %g Hz stands in line %zu already; remove one",
                     r->name, r->line, lt_sii_band_at(r->method, band).hz, r->seen_in[band]);
    if (status == LT_OK)
        status = field_number(r, COLUMN_NOISE, fields, &noise, err);
    if (status == LT_OK && r->speech_needed)
        status = field_number(r, COLUMN_SPEECH, fields, &speech, err);
    if (status == LT_OK && r->column[COLUMN_THRESHOLD] != FIELDS_MAX)
        status = field_number(r, COLUMN_THRESHOLD, fields, &threshold, err);
    if (status != LT_OK)
        return status;
    r->seen_in[band] = r->line;
    r->out->speech_db[band] = speech;
    r->out->noise_db[band] = noise;
    r->out->threshold_db[band] = threshold;
    return LT_OK;
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

lt_status bands_csv_parse(char *text, const char *name, lt_sii_method method, bool speech_needed, bands_csv *out,
                          lt_notes *notes, lt_error *err)
{
    reader r = {.name = name, .method = method, .speech_needed = speech_needed, .out = out};
    char *rest = strncmp(text, "\xEF\xBB\xBF", 3) == 0 ? text + 3 : text; /* byte order mark */
    lt_status status = LT_OK;
    *out = (bands_csv){0};
    for (char *line = next_line(&rest); line != NULL && status == LT_OK; line = next_line(&rest)) {
        r.line++;
        status = read_line(&r, line, notes, err);
    }
    if (status != LT_OK)
        return status;
    if (!r.has_header)
        return ltp_fail(err, LT_E_ARG, "%s: there is nothing in it; give a table with columns hz,speech_db,noise_db",
                        name);
    for (size_t i = 0; i < lt_sii_band_count(method); i++) {
        if (r.seen_in[i] == 0)
            return ltp_fail(
                err, LT_E_ARG,
                "%s, after line %zu, column hz: the band %g Hz is missing; the %s procedure needs all %zu bands", name,
                r.line, lt_sii_band_at(method, i).hz, lt_sii_method_name(method), lt_sii_band_count(method));
    }
    return LT_OK;
}
