/* SPDX-License-Identifier: MIT
 * YAML files: text checks, libcyaml's loading, and complaints in one line with line number and field path.
 *
 * libcyaml tells what is wrong, and where, through its log. For a value that it accepts and we do not, the place is
 * found by loading once more while the memory for just that value is refused: the log then names its line and path. */
#include "site/yaml.h"

#include "base/alloc.h"

#include <lanetune/audio.h>

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { DEPTH = 12, PATH_TEXT = 160 };

/* ---- memory: every block knows its number in the order of requests ---- */

typedef union {
    size_t number;
    long double align_a;
    void *align_b;
} block_head;

typedef struct {
    size_t requests;
    size_t refuse; /* number of the request that fails; 0 = none */
} memory;

static void *serve(void *context, void *p, size_t size)
{
    memory *m = context;
    block_head *old = p == NULL ? NULL : (block_head *)p - 1;
    if (size == 0) {
        ltp_free(old);
        return NULL;
    }
    m->requests++;
    if (m->requests == m->refuse || size > SIZE_MAX - sizeof *old)
        return NULL;
    block_head *fresh = ltp_realloc(old, size + sizeof *fresh, 1);
    if (fresh == NULL)
        return NULL;
    fresh->number = m->requests;
    return fresh + 1;
}

/* ---- what libcyaml says ---- */

typedef struct {
    char field[64]; /* "" = an entry of a list, or the fields of a group as a whole */
    unsigned entry; /* from 1; 0 = no entry */
    size_t line;
} place;

typedef struct {
    char reason[200];
    bool several_documents;
    place places[DEPTH]; /* innermost first */
    size_t count;
} complaint;

static bool read_place(const char *line, place *p)
{
    *p = (place){0};
    if (sscanf(line, " in mapping field '%63[^']' (line: %zu", p->field, &p->line) == 2)
        return true;
    *p = (place){0};
    if (sscanf(line, " in sequence entry '%u' (line: %zu", &p->entry, &p->line) == 2)
        return true;
    *p = (place){0};
    return sscanf(line, " in mapping (line: %zu", &p->line) == 1;
}

LT_PRINTF(3, 0) static void hear(cyaml_log_t level, void *context, const char *format, va_list args)
{
    complaint *c = context;
    char line[256];
    place p;
    (void)vsnprintf(line, sizeof line, format, args);
    if (level == CYAML_LOG_WARNING) {
        c->several_documents |= strstr(line, "documents") != NULL;
    } else if (read_place(line, &p)) {
        if (c->count < DEPTH)
            c->places[c->count++] = p;
    } else if (c->reason[0] == '\0' && strstr(line, "Backtrace") == NULL) {
        line[strcspn(line, "\n")] = '\0';
        (void)snprintf(c->reason, sizeof c->reason, "%.190s", strncmp(line, "Load: ", 6) == 0 ? line + 6 : line);
    }
}

static cyaml_err_t load(const ltp_yaml *y, size_t bytes, memory *m, complaint *c, void **raw)
{
    const cyaml_config_t config = {.log_fn = hear,
                                   .log_ctx = c,
                                   .mem_fn = serve,
                                   .mem_ctx = m,
                                   .log_level = CYAML_LOG_WARNING,
                                   .flags = CYAML_CFG_NO_ALIAS};
    *c = (complaint){0};
    *raw = NULL;
    const void *text = y->text;
    return cyaml_load_data(text, bytes, &config, y->schema, raw, NULL);
}

static void unload(const ltp_yaml *y, void *raw)
{
    memory m = {0};
    complaint c;
    const cyaml_config_t config = {.log_fn = hear,
                                   .log_ctx = &c,
                                   .mem_fn = serve,
                                   .mem_ctx = &m,
                                   .log_level = CYAML_LOG_ERROR,
                                   .flags = CYAML_CFG_NO_ALIAS};
    if (raw != NULL)
        (void)cyaml_free(&config, y->schema, raw, 0);
}

/* "lanes[0].outbound", outermost first; with_entry false leaves an innermost entry out. */
static void path_text(const complaint *c, bool with_entry, char text[PATH_TEXT])
{
    size_t used = 0;
    text[0] = '\0';
    for (size_t i = c->count; i-- > 0;) {
        const place *p = &c->places[i];
        int n = 0;
        if (p->field[0] != '\0')
            n = snprintf(text + used, PATH_TEXT - used, "%s%s", used > 0 ? "." : "", p->field);
        else if (p->entry > 0 && (i > 0 || with_entry))
            n = snprintf(text + used, PATH_TEXT - used, "[%u]", p->entry - 1);
        used += n > 0 && (size_t)n < PATH_TEXT - used ? (size_t)n : 0;
    }
}

/* ---- lines of the text ---- */

static size_t line_end(const ltp_yaml *y, size_t at)
{
    while (at < y->bytes && y->text[at] != '\n' && y->text[at] != '\r')
        at++;
    if (at + 1 < y->bytes && y->text[at] == '\r' && y->text[at + 1] == '\n')
        at++;
    return at < y->bytes ? at + 1 : at;
}

static size_t line_start(const ltp_yaml *y, size_t line)
{
    size_t at = 0;
    for (size_t i = 1; i < line; i++)
        at = line_end(y, at);
    return at;
}

static size_t line_of(const ltp_yaml *y, size_t offset)
{
    size_t line = 1;
    for (size_t at = line_end(y, 0); at <= offset && at < y->bytes; at = line_end(y, at))
        line++;
    return line;
}

static bool is_key_at(const char *p, const char *end, const char *key, size_t length)
{
    if ((size_t)(end - p) <= length || memcmp(p, key, length) != 0)
        return false;
    for (p += length; p < end && (*p == ' ' || *p == '"' || *p == '\''); p++)
        ;
    return p < end && *p == ':';
}

/* First line from `line` on that holds "key:"; `line` itself if there is none. */
static size_t line_of_key(const ltp_yaml *y, size_t line, const char *key)
{
    const size_t length = strlen(key);
    size_t at = line_start(y, line);
    for (size_t n = line; at < y->bytes; n++) {
        const size_t end = line_end(y, at);
        for (size_t i = at; i < end; i++) {
            const bool begins = i == at || strchr(" \t{,\"'-?", y->text[i - 1]) != NULL;
            if (begins && is_key_at(y->text + i, y->text + end, key, length))
                return n;
        }
        at = end;
    }
    return line;
}

/* ---- complaints ---- */

static lt_status fail_at(ltp_yaml *y, lt_status status, size_t line, const char *field, const char *what)
{
    const char *colon = field[0] != '\0' ? ": " : "";
    y->status = line > 0 ? ltp_fail(y->err, status, "%s, line %zu: %s%s%s", y->path, line, field, colon, what)
                         : ltp_fail(y->err, status, "%s: %s%s%s", y->path, field, colon, what);
    return y->status;
}

lt_status ltp_yaml_fail(ltp_yaml *y, const char *leaf, const char *field, const char *format, ...)
{
    char what[320], path[PATH_TEXT];
    complaint c = {0};
    va_list args;
    if (y->status != LT_OK)
        return y->status;
    va_start(args, format);
    (void)vsnprintf(what, sizeof what, format, args);
    va_end(args);
    if (leaf == NULL)
        return fail_at(y, LT_E_ARG, 0, field, what);
    const void *block = leaf;
    memory m = {.refuse = ((const block_head *)block - 1)->number};
    void *raw = NULL;
    (void)load(y, y->bytes, &m, &c, &raw);
    unload(y, raw); /* the load was made to fail, so this is NULL */
    path_text(&c, true, path);
    return fail_at(y, LT_E_ARG, c.count > 0 ? c.places[0].line : 0, path[0] != '\0' ? path : field, what);
}

/* The fields that a group may have, found by following the places from the outside. */
static const cyaml_schema_field_t *fields_of(const ltp_yaml *y, const complaint *c)
{
    const cyaml_schema_value_t *v = y->schema;
    for (size_t i = c->count; i-- > 0;) {
        const place *p = &c->places[i];
        if (p->entry > 0 && v->type == CYAML_SEQUENCE) {
            v = v->sequence.entry;
        } else if (p->field[0] != '\0' && v->type == CYAML_MAPPING) {
            const cyaml_schema_field_t *f = v->mapping.fields;
            while (f->key != NULL && strcmp(f->key, p->field) != 0)
                f++;
            if (f->key == NULL)
                return NULL;
            v = &f->value;
        }
    }
    return v->type == CYAML_MAPPING ? v->mapping.fields : NULL;
}

static lt_status fail_unknown(ltp_yaml *y, const complaint *c, const char *key)
{
    const char *keys[64];
    char path[PATH_TEXT], field[PATH_TEXT + 72], list[200] = "", what[300];
    size_t count = 0, used = 0;
    for (const cyaml_schema_field_t *f = fields_of(y, c); f != NULL && f->key != NULL && count < LTP_COUNT(keys); f++) {
        const int n = snprintf(list + used, sizeof list - used, "%s%s", count == 0 ? "" : ", ", f->key);
        used += n > 0 && (size_t)n < sizeof list - used ? (size_t)n : 0;
        keys[count++] = f->key;
    }
    const char *nearest = ltp_nearest_word(key, keys, count);
    path_text(c, true, path);
    (void)snprintf(field, sizeof field, "%s%s%.60s", path, path[0] != '\0' ? "." : "", key);
    if (nearest != NULL)
        (void)snprintf(what, sizeof what, "there is no such field; the nearest one is '%s'", nearest);
    else
        (void)snprintf(what, sizeof what, "there is no such field; the fields here are %s", list);
    return fail_at(y, LT_E_ARG, line_of_key(y, c->count > 0 ? c->places[0].line : 1, key), field, what);
}

/* Where a reader gives up lies at or behind the last place it names: the shortest part of the text, line by line, that
 * makes it give up in the same way ends in the line at fault. */
static size_t line_of_syntax(const ltp_yaml *y, const complaint *c)
{
    enum { TRIES = 300 };
    const size_t first = c->count > 0 ? c->places[0].line : 1;
    size_t at = line_start(y, first);
    for (size_t n = 0; n < TRIES && at < y->bytes; n++) {
        complaint part;
        memory m = {0};
        void *raw = NULL;
        at = line_end(y, at);
        const cyaml_err_t e = load(y, at, &m, &part, &raw);
        unload(y, raw);
        if (e == CYAML_ERR_LIBYAML_PARSER && strcmp(part.reason, c->reason) == 0)
            return first + n;
    }
    return first;
}

static bool is_indented_by_tab(const ltp_yaml *y, size_t line)
{
    size_t at = line_start(y, line);
    while (at < y->bytes && y->text[at] == ' ')
        at++;
    return at < y->bytes && y->text[at] == '\t';
}

static lt_status fail_syntax(ltp_yaml *y, const complaint *c)
{
    static const struct {
        const char *says, *means;
    } table[] = {
        {"mapping values are not allowed", "a ':' in the wrong place; check the indentation, and put text that holds "
                                           "': ' into quotes"},
        {"did not find expected key", "the indentation does not fit the lines above, or a quote or comma is missing"},
        {"expected '-' indicator", "the indentation does not fit the list above"},
        {"unexpected end of stream", "a quote that begins here is not closed"},
        {"could not find expected ':'", "a field without ':'; write 'field: value'"},
        {"expected ',' or ']'", "a bracket [ is not closed, or a comma is missing"},
        {"expected ',' or '}'", "a brace { is not closed, or a comma is missing"},
        {"cannot start any token", "a character that needs quotes around the text, or a tab; use spaces"},
        {"document start", "text behind the end of the document; remove the lines '---' and '...'"},
        {"incompatible YAML", "YAML 1.1 or 1.2 is needed; remove the line that begins with %"},
        {"undefined tag", "tags (!) are not used here; remove it or put the text into quotes"},
    };
    const char *means = "it cannot be read as YAML; check indentation, quotes and brackets";
    for (size_t i = 0; i < LTP_COUNT(table); i++)
        if (strstr(c->reason, table[i].says) != NULL) {
            means = table[i].means;
            break;
        }
    const size_t line = line_of_syntax(y, c);
    if (is_indented_by_tab(y, line))
        means = "tabs cannot indent; use spaces";
    return fail_at(y, LT_E_ARG, line, "", means);
}

static lt_status fail_shape(ltp_yaml *y, const complaint *c, const char *path)
{
    const char *what = "this value does not belong here";
    if (strstr(c->reason, "Expecting STRING") != NULL)
        what = "one value is needed here, not a list or a group of fields";
    else if (strstr(c->reason, "Expecting SEQUENCE") != NULL)
        what = "a list is needed here: entries that begin with '- ', or [..] for numbers";
    else if (strstr(c->reason, "Expecting MAPPING") != NULL)
        what = c->count == 0 ? "fields are needed here, lines of the form 'field: value'"
                             : "a group of fields is needed here, 'field: value', not a single value or a list";
    return fail_at(y, LT_E_ARG, c->count > 0 ? c->places[0].line : 1, path, what);
}

static lt_status fail_load(ltp_yaml *y, cyaml_err_t e, const complaint *c)
{
    static const char unknown[] = "Unexpected key: ", twice[] = "Mapping field already seen: ";
    const size_t line = c->count > 0 ? c->places[0].line : 0;
    char path[PATH_TEXT];
    path_text(c, e != CYAML_ERR_SEQUENCE_ENTRIES_MAX, path);
    if (strncmp(c->reason, unknown, sizeof unknown - 1) == 0)
        return fail_unknown(y, c, c->reason + sizeof unknown - 1);
    if (strncmp(c->reason, twice, sizeof twice - 1) == 0)
        return fail_at(y, LT_E_ARG, line_of_key(y, line + 1, c->reason + sizeof twice - 1), path,
                       "this field stands here twice; remove one");
    switch ((int)e) {
    case CYAML_ERR_OOM:
        y->status = ltp_fail_nomem(y->err, y->path);
        return y->status;
    case CYAML_ERR_LIBYAML_PARSER:
        return fail_syntax(y, c);
    case CYAML_ERR_ALIAS:
    case CYAML_ERR_INVALID_ALIAS:
        return fail_at(y, LT_E_ARG, line, path,
                       "references (*) are not used here; write the value out, or put text that begins with * into "
                       "quotes");
    case CYAML_ERR_SEQUENCE_ENTRIES_MAX:
        return fail_at(y, LT_E_ARG, line, path, "the list has too many entries");
    default:
        return fail_shape(y, c, path);
    }
}

/* ---- text checks that need no parser ---- */

/* Bytes of the UTF-8 character at p, 0 if it is none or a control character other than tab and line ends. */
static size_t character_bytes(const unsigned char *p, size_t left)
{
    if (p[0] < 0x80)
        return p[0] >= 0x20 ? p[0] != 0x7f : p[0] == '\t' || p[0] == '\n' || p[0] == '\r';
    const size_t n = p[0] >= 0xf0 && p[0] < 0xf5 ? 4 : p[0] >= 0xe0 && p[0] < 0xf0 ? 3 : p[0] >= 0xc2 ? 2 : 0;
    if (n == 0 || n > left || p[0] >= 0xf5)
        return 0;
    for (size_t i = 1; i < n; i++)
        if ((p[i] & 0xc0) != 0x80)
            return 0;
    return n;
}

static lt_status check_text(ltp_yaml *y)
{
    const void *text = y->text;
    const unsigned char *p = text;
    if (y->bytes >= 2 && ((p[0] == 0xff && p[1] == 0xfe) || (p[0] == 0xfe && p[1] == 0xff)))
        return fail_at(y, LT_E_ARG, 1, "", "the file is saved as UTF-16; save it as UTF-8");
    for (size_t i = 0; i < y->bytes;) {
        const size_t n = character_bytes(p + i, y->bytes - i);
        if (n == 0)
            return fail_at(y, LT_E_ARG, line_of(y, i), "", "here is something that is no text; save the file as UTF-8");
        i += n;
    }
    return LT_OK;
}

lt_status ltp_yaml_open(ltp_yaml *y, const char *path, const cyaml_schema_value_t *schema, bool empty_is_error,
                        lt_error *err)
{
    *y = (ltp_yaml){.path = path, .schema = schema, .err = err};
    lt_error io = {0};
    y->status = lt_file_load(path, LTP_YAML_MAX_BYTES, &y->text, &y->bytes, &io);
    if (y->status != LT_OK && y->status != LT_E_FORMAT) /* LT_E_FORMAT: no byte in it, handled below */
        return ltp_fail(err, y->status, "%s", io.what);
    y->status = LT_OK;
    if (y->text != NULL && check_text(y) != LT_OK)
        return y->status;
    complaint c = {0};
    memory m = {0};
    const cyaml_err_t e = y->text == NULL ? CYAML_OK : load(y, y->bytes, &m, &c, &y->raw);
    if (e != CYAML_OK)
        return fail_load(y, e, &c);
    if (c.several_documents)
        return fail_at(y, LT_E_ARG, 0, "", "the file holds several documents; remove the lines '---' between them");
    if (y->raw == NULL && empty_is_error)
        return fail_at(y, LT_E_ARG, 0, "", "the file is empty; write at least the field 'site', or make a new site");
    return LT_OK;
}

void ltp_yaml_close(ltp_yaml *y)
{
    unload(y, y->raw);
    y->raw = NULL;
    lt_file_free(y->text);
    y->text = NULL;
}
