/* SPDX-License-Identifier: MIT
 * Changing visit.yaml line by line: what the user wrote around the changed values stays, comments too. Only the plain
 * ways of writing are edited (a value on the line of its field; a list in lines that begin with '-', or [] ); the
 * result is read back before it takes the old file's place, so that another way of writing is refused, not spoiled. */
#include "base/alloc.h"
#include "site/folder.h"
#include "site/visit.h"
#include "site/words.h"

#include <errno.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { VISIT_BYTES_MAX = 1 << 20 };

/* ---- lines ---- */

static const char *line_end(const char *line)
{
    return line + strcspn(line, "\n");
}

static const char *next_line(const char *line)
{
    const char *end = line_end(line);
    return *end == '\n' ? end + 1 : end;
}

/* The line of a field that stands at the left margin; NULL if there is none. */
static const char *find_field(const char *text, const char *field)
{
    const size_t n = strlen(field);
    for (const char *line = text; *line != '\0'; line = next_line(line))
        if (strncmp(line, field, n) == 0 && line[n] == ':')
            return line;
    return NULL;
}

/* End of the value that begins at `value`: before the comment and the blanks in front of it, or the end of the line. */
static const char *value_end(const char *value)
{
    const char *end = line_end(value);
    char quote = '\0';
    for (const char *c = value; c < end; c++) {
        if (quote != '\0')
            quote = *c == quote ? '\0' : quote;
        else if (*c == '"' || *c == '\'')
            quote = *c;
        else if (*c == '#' && (c == value || c[-1] == ' ' || c[-1] == '\t'))
            end = c;
    }
    while (end > value && (end[-1] == ' ' || end[-1] == '\t' || end[-1] == '\r'))
        end--;
    return end;
}

static void add_bytes(ltp_sheet *t, const char *from, const char *to)
{
    for (; from < to; from += 512)
        ltp_sheet_add(t, "%.*s", (int)(to - from < 512 ? to - from : 512), from);
}

static lt_status take(ltp_sheet *t, char **text, lt_error *err)
{
    ltp_free(*text);
    *text = t->data;
    return t->failed || t->data == NULL ? ltp_fail_nomem(err, "visit.yaml") : LT_OK;
}

static const char *after_newline(const char *text)
{
    const size_t n = strlen(text);
    return n > 0 && text[n - 1] != '\n' ? "\n" : "";
}

/* ---- one value ---- */

static lt_status set_number(char **text, const char *field, double x, lt_error *err)
{
    ltp_sheet t = {0};
    const char *line = find_field(*text, field);
    if (line == NULL) {
        ltp_sheet_add(&t, "%s%s%s: ", *text, after_newline(*text), field);
        ltp_sheet_number(&t, x);
        ltp_sheet_add(&t, "\n");
        return take(&t, text, err);
    }
    const char *value = line + strlen(field) + 1;
    const char *end = value_end(value);
    add_bytes(&t, *text, value);
    const size_t before = t.used;
    ltp_sheet_add(&t, " ");
    ltp_sheet_number(&t, x);
    /* A comment stays in its column as far as there is room. */
    size_t blanks = strspn(end, " ");
    const size_t wanted = (size_t)(end - value) + blanks, used = t.used - before;
    if (end[blanks] == '#') {
        ltp_sheet_add(&t, "%*s", wanted > used ? (int)(wanted - used) : 1, "");
        end += blanks;
    }
    ltp_sheet_add(&t, "%s", end);
    return take(&t, text, err);
}

/* ---- one entry of a list ---- */

void ltp_put_calibration(ltp_sheet *t, const lt_calibration *c)
{
    ltp_sheet_add(t, "{date: %s, method: %s, device: ", c->date, lt_calibration_method_name(c->method));
    ltp_sheet_quoted(t, c->device);
    ltp_sheet_add(t, ", channel: %u, rate_hz: ", c->channel);
    ltp_sheet_number(t, c->rate_hz);
    ltp_sheet_add(t, ", level_db: ");
    ltp_sheet_number(t, c->level_db);
    ltp_sheet_add(t, ", result_db: ");
    ltp_sheet_number(t, c->result_db);
    ltp_sheet_add(t, ", latency_ms: ");
    ltp_sheet_number(t, c->latency_ms);
    ltp_sheet_add(t, "}");
}

/* Behind the last line of the list that begins after `line`; *indent is that of its entries. */
static const char *list_end(const char *line, int *indent)
{
    const char *end = next_line(line);
    bool first = true;
    for (const char *l = end; *l != '\0'; l = next_line(l)) {
        const size_t blanks = strspn(l, " ");
        if (l[blanks] == '#' || l[blanks] == '\n' || l[blanks] == '\r')
            continue; /* a comment or an empty line belongs to the list only if more of it follows */
        if (blanks == 0 && l[0] != '-')
            break;
        if (first)
            *indent = (int)blanks;
        first = false;
        end = next_line(l);
    }
    return end;
}

static lt_status add_calibration(char **text, const lt_calibration *c, lt_error *err)
{
    static const char field[] = "calibrations";
    ltp_sheet t = {0};
    int indent = 2;
    const char *line = find_field(*text, field);
    if (line == NULL) {
        ltp_sheet_add(&t, "%s%s%s:\n  - ", *text, after_newline(*text), field);
        ltp_put_calibration(&t, c);
        ltp_sheet_add(&t, "\n");
        return take(&t, text, err);
    }
    const char *value = line + strlen(field) + 1, *end = value_end(value);
    const char *begin = value + strspn(value, " \t");
    const size_t n = begin < end ? (size_t)(end - begin) : 0;
    const bool empty = n == 0 || (n == 2 && strncmp(begin, "[]", n) == 0) || (n == 4 && strncmp(begin, "null", n) == 0);
    if (!empty)
        return ltp_fail(err, LT_E_ARG,
                        "visit.yaml: the list 'calibrations' is written in a way that is not edited here; write one "
                        "entry a line, each beginning with '- '");
    const char *rest = list_end(line, &indent);
    add_bytes(&t, *text, value);
    add_bytes(&t, n == 0 ? value : end, rest);
    if (rest > *text && rest[-1] != '\n')
        ltp_sheet_add(&t, "\n");
    ltp_sheet_add(&t, "%*s- ", indent, "");
    ltp_put_calibration(&t, c);
    ltp_sheet_add(&t, "\n%s", rest);
    return take(&t, text, err);
}

/* ---- the file ---- */

static lt_status load(const char *path, char **text, lt_error *err)
{
    struct stat s;
    char *read = NULL;
    size_t bytes = 0;
    *text = NULL;
    lt_status st = LT_OK;
    if (stat(path, &s) != 0 ? errno != ENOENT : s.st_size > 0)
        st = lt_file_load(path, VISIT_BYTES_MAX, &read, &bytes, err);
    if (st == LT_OK && read != NULL && strlen(read) != bytes)
        st = ltp_fail(err, LT_E_FORMAT, "%s: this is no text file; write it anew", path);
    if (st == LT_OK) {
        ltp_sheet t = {0};
        ltp_sheet_add(&t, "%s", read != NULL ? read : "");
        st = take(&t, text, err);
    }
    lt_file_free(read);
    return st;
}

static bool is_close(double wanted, double got)
{
    return !lt_is_known(wanted) || (got - wanted < 0.001 && wanted - got < 0.001);
}

/* The new text must read as the old one does, with the change in it. */
static lt_status check(const char *part, const lt_visit *old, const lt_visit_change *c, lt_error *err)
{
    lt_visit *v = NULL;
    lt_error why = {0};
    const lt_status st = ltp_visit_read(part, old->date, &v, &why);
    if (st != LT_OK)
        return ltp_fail(err, st,
                        "visit.yaml stays as it is, for the change would make it unreadable; write it by hand "
                        "(%.300s)",
                        why.what);
    const size_t wanted = old->calibration_count + (c->calibration != NULL ? 1 : 0);
    const bool right = is_close(c->mic_cal_db, v->mic_cal_db) && is_close(c->loopback_db, v->loopback_db) &&
                       v->calibration_count == wanted && v->setting_count == old->setting_count &&
                       v->condition_count == old->condition_count && strcmp(v->notes, old->notes) == 0;
    lt_visit_free(v);
    return right ? LT_OK
                 : ltp_fail(err, LT_E_ARG,
                            "visit.yaml stays as it is, for it is written in a way that is not edited here; put the "
                            "calibration in by hand");
}

lt_status lt_visit_write(const char *dir, const char *date, const lt_visit_change *change, lt_error *err)
{
    char path[LTP_SITE_PATH_MAX], part[LTP_SITE_PATH_MAX];
    char *text = NULL;
    lt_visit *old = NULL;
    lt_status st = lt_visit_load(dir, date, &old, err);
    if (st == LT_OK)
        st = ltp_site_path(path, err, "%s/visits/%s/visit.yaml", dir, old->date);
    if (st == LT_OK)
        st = ltp_site_path(part, err, "%s/visits/%s/.lanetune-part-visit.yaml", dir, old->date);
    if (st == LT_OK)
        st = load(path, &text, err);
    if (st == LT_OK && lt_is_known(change->mic_cal_db))
        st = set_number(&text, "mic_cal_db", change->mic_cal_db, err);
    if (st == LT_OK && lt_is_known(change->loopback_db))
        st = set_number(&text, "loopback_db", change->loopback_db, err);
    if (st == LT_OK && change->calibration != NULL)
        st = add_calibration(&text, change->calibration, err);
    if (st == LT_OK)
        st = lt_file_save(part, text, strlen(text), err);
    if (st == LT_OK) {
        st = check(part, old, change, err);
        if (st == LT_OK && rename(part, path) != 0)
            st = ltp_fail(err, LT_E_IO, "%s: cannot be replaced (%s); check its permissions", path, strerror(errno));
        if (st != LT_OK)
            (void)unlink(part);
    }
    ltp_free(text);
    lt_visit_free(old);
    return st;
}
