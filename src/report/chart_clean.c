/* SPDX-License-Identifier: MIT
 * gnuplot's SVG made fit to stand in a page. A small tag scanner: it knows no more than gnuplot's terminal writes, lets
 * known elements and attributes pass, and drops everything else (comments, version, fonts, scripts). */
#include "base/alloc.h"
#include "report/chart.h"
#include "report/escape.h"

#include <ctype.h>
#include <string.h>

/* A part of the document, not NUL-terminated. */
typedef struct {
    const char *text;
    size_t bytes;
} span;

static bool is_word(span s, const char *word)
{
    return strlen(word) == s.bytes && memcmp(s.text, word, s.bytes) == 0;
}

static bool is_listed(span s, const char *const *list, size_t count)
{
    for (size_t i = 0; i < count; i++)
        if (is_word(s, list[i]))
            return true;
    return false;
}

static bool passes_element(span name)
{
    static const char *const known[] = {"g", "path", "polygon", "polyline", "rect", "circle", "text", "tspan"};
    return is_listed(name, known, LTP_COUNT(known));
}

static bool passes_attribute(span name)
{
    static const char *const known[] = {
        "x",
        "y",
        "width",
        "height",
        "cx",
        "cy",
        "r",
        "d",
        "points",
        "transform",
        "fill",
        "stroke",
        "stroke-width",
        "stroke-linecap",
        "color",
        "style",
        "stroke-linejoin",
        "stroke-dasharray",
        "font-size",
        "text-anchor",
        "fill-opacity",
        "fill-rule",
        "shape-rendering",
        "dy",
        "font-style",
        "font-weight",
    };
    return is_listed(name, known, LTP_COUNT(known));
}

/* Numbers, names, colours and path data; nothing that refers to another place. */
static bool passes_value(span value)
{
    for (size_t i = 0; i < value.bytes; i++) {
        const char c = value.text[i];
        if (isalnum((unsigned char)c) == 0 && isspace((unsigned char)c) == 0 &&
            (c == '\0' || strchr(".,-+#()%;:", c) == NULL))
            return false;
        if (value.bytes - i >= 4 && memcmp(value.text + i, "url(", 4) == 0)
            return false;
    }
    return true;
}

/* White space in gnuplot's lists of points is for its own line breaks: one blank serves. */
static void add_value(ltp_textbuf *out, span value)
{
    bool blank = true;
    for (size_t i = 0; i < value.bytes; i++) {
        const bool space = isspace((unsigned char)value.text[i]) != 0;
        if (!space)
            ltp_text_add_bytes(out, value.text + i, 1);
        else if (!blank && i + 1 < value.bytes)
            ltp_text_add(out, " ");
        blank = space;
    }
}

/* Next name="value" or name='value' of a tag's inside; false at its end. */
static bool next_attribute(span *rest, span *name, span *value)
{
    const char *p = rest->text, *end = rest->text + rest->bytes;
    while (p < end && (isspace((unsigned char)*p) || *p == '/'))
        p++;
    const char *start = p;
    while (p < end && !isspace((unsigned char)*p) && *p != '=')
        p++;
    *name = (span){start, (size_t)(p - start)};
    while (p < end && (isspace((unsigned char)*p) || *p == '='))
        p++;
    if (name->bytes == 0 || p >= end || (*p != '"' && *p != '\''))
        return false;
    const char *close = memchr(p + 1, *p, (size_t)(end - p - 1));
    if (close == NULL)
        return false;
    *value = (span){p + 1, (size_t)(close - p - 1)};
    *rest = (span){close + 1, (size_t)(end - close - 1)};
    return true;
}

static void add_tag(ltp_textbuf *out, span name, span inside, bool empty)
{
    ltp_text_add(out, "<");
    ltp_text_add_bytes(out, name.text, name.bytes);
    span attribute, value;
    while (next_attribute(&inside, &attribute, &value)) {
        if (!passes_attribute(attribute) || !passes_value(value))
            continue;
        ltp_text_add(out, " ");
        ltp_text_add_bytes(out, attribute.text, attribute.bytes);
        ltp_text_add(out, "=\"");
        add_value(out, value);
        ltp_text_add(out, "\"");
    }
    ltp_text_add(out, empty ? "/>" : ">");
}

/* Text between tags: gnuplot has escaped it already; tokens @@N@@ become the escaped word. */
static void add_text(const ltp_charts *c, ltp_textbuf *out, span s)
{
    for (size_t i = 0; i < s.bytes; i++) {
        size_t number = 0, j = i + 2;
        bool token = s.bytes - i >= 5 && s.text[i] == '@' && s.text[i + 1] == '@';
        for (; token && j < s.bytes && isdigit((unsigned char)s.text[j]) && number < 100000; j++)
            number = 10 * number + (size_t)(s.text[j] - '0');
        token = token && j > i + 2 && s.bytes - j >= 2 && s.text[j] == '@' && s.text[j + 1] == '@' &&
                number < c->word_count;
        if (token) {
            ltp_text_add_escaped_part(out, c->words[number], LTP_WORD_COLUMNS);
            i = j + 1;
        } else {
            ltp_text_add_bytes(out, s.text + i, 1);
        }
    }
}

/* ---- the walk ---- */

enum { DEPTH_MAX = 32 }; /* gnuplot stays below 10 */

typedef struct {
    const ltp_charts *charts;
    ltp_textbuf *out;
    const char *prefix, *title;
    size_t depth;                               /* open elements that were written, svg included */
    size_t begin[DEPTH_MAX], inside[DEPTH_MAX]; /* where each of them, and what it holds, begins in out */
    size_t skipped;                             /* open elements inside one that is dropped with all it holds */
    bool in_text, begun, complete;
} walk;

static void open_svg(walk *w, span inside)
{
    span name, value;
    ltp_text_add(w->out, "<svg class=\"chart\"");
    while (next_attribute(&inside, &name, &value)) {
        if (is_word(name, "viewBox") && passes_value(value)) {
            ltp_text_add(w->out, " viewBox=\"");
            add_value(w->out, value);
            ltp_text_add(w->out, "\"");
        }
    }
    ltp_text_format(w->out, " role=\"img\" aria-labelledby=\"%stitle\"><title id=\"%stitle\">", w->prefix, w->prefix);
    ltp_text_add_escaped(w->out, w->title);
    ltp_text_add(w->out, "</title>");
    w->begun = true;
    w->depth = 1;
}

static void open_element(walk *w, span name, span inside, bool empty)
{
    if (w->skipped > 0 || (w->begun && !passes_element(name))) {
        w->skipped += empty ? 0 : 1;
        return;
    }
    if (!w->begun) {
        if (is_word(name, "svg") && !empty)
            open_svg(w, inside);
        return;
    }
    if (!empty && w->depth == DEPTH_MAX) {
        w->skipped = 1;
        return;
    }
    const size_t begin = w->out->length;
    add_tag(w->out, name, inside, empty);
    if (!empty) {
        w->begin[w->depth] = begin;
        w->inside[w->depth++] = w->out->length;
    }
    if (is_word(name, "text"))
        w->in_text = !empty;
}

static void close_element(walk *w, span name)
{
    if (w->skipped > 0) {
        w->skipped--;
        return;
    }
    if (!w->begun || w->depth == 0 || !(passes_element(name) || is_word(name, "svg")))
        return;
    w->depth--;
    if (w->depth > 0 && w->out->length == w->inside[w->depth]) { /* it holds nothing: as if it had never begun */
        w->out->length = w->begin[w->depth];
    } else {
        ltp_text_add(w->out, "</");
        ltp_text_add_bytes(w->out, name.text, name.bytes);
        ltp_text_add(w->out, ">");
    }
    if (is_word(name, "text"))
        w->in_text = false;
    if (w->depth == 0)
        w->complete = is_word(name, "svg");
}

/* One tag from its "<" to its ">"; comments and declarations are passed over. Returns what follows it, NULL: no end. */
static const char *take_tag(walk *w, const char *p, const char *end)
{
    const char *close = memchr(p, '>', (size_t)(end - p));
    if (end - p >= 4 && memcmp(p, "<!--", 4) == 0) {
        while (close != NULL && (close - p < 6 || close[-1] != '-' || close[-2] != '-'))
            close = memchr(close + 1, '>', (size_t)(end - close - 1));
        return close == NULL ? NULL : close + 1;
    }
    if (close == NULL)
        return NULL;
    if (p[1] == '!' || p[1] == '?')
        return close + 1;
    const bool closing = p[1] == '/';
    const char *name = p + (closing ? 2 : 1), *after = name;
    while (after < close && !isspace((unsigned char)*after) && *after != '/')
        after++;
    const span word = {name, (size_t)(after - name)};
    if (closing)
        close_element(w, word);
    else
        open_element(w, word, (span){after, (size_t)(close - after)}, close[-1] == '/');
    return close + 1;
}

bool ltp_chart_clean(const ltp_charts *c, const char *svg, size_t bytes, const char *prefix, const char *title,
                     ltp_textbuf *out)
{
    walk w = {.charts = c, .out = out, .prefix = prefix, .title = title};
    const char *p = svg, *end = svg + bytes;
    while (p != NULL && p < end && !w.complete) {
        if (*p == '<') {
            p = take_tag(&w, p, end);
            continue;
        }
        const char *next = memchr(p, '<', (size_t)(end - p));
        next = next == NULL ? end : next;
        if (w.in_text && w.skipped == 0)
            add_text(c, out, (span){p, (size_t)(next - p)});
        p = next;
    }
    return w.complete;
}
