/* SPDX-License-Identifier: MIT
 * Doubts in the HTML report: numbered sentences at the end of a lane, and a short word beside each number concerned. */
#include "report/html.h"

#include "base/alloc.h"

#include <string.h>

typedef struct {
    const char *piece;
    unsigned about;
} subject;

enum {
    TO_CUSTOMER = LTP_ABOUT_SII_OUTBOUND | LTP_ABOUT_EAR,
    TO_OPERATOR = LTP_ABOUT_SII_INBOUND | LTP_ABOUT_OPERATOR,
    COUPLING = LTP_ABOUT_MARGIN | LTP_ABOUT_ECHO
};

/* By a piece of the code; the first row that fits counts. */
static const subject by_code[] = {
    {"echo", LTP_ABOUT_ECHO},
    {"counter-coupling", LTP_ABOUT_MARGIN},
    {"lane-coupling", COUPLING},
    {"loop", LTP_ABOUT_MARGIN},
    {"property", LTP_ABOUT_PROPERTY_LINE},
    {"headroom", LTP_ABOUT_HEADROOM},
    {"speaker-power", LTP_ABOUT_POWER},
    {"noise-ear", LTP_ABOUT_SII_OUTBOUND},
    {"counter-noise", LTP_ABOUT_SII_INBOUND},
    {"lane-noise", LTP_ABOUT_SII_INBOUND},
    {"talk-test", TO_OPERATOR},
    {"lane-mic", TO_OPERATOR},
    {"inbound", TO_OPERATOR},
    {"receive", TO_OPERATOR},
    {"outbound", TO_CUSTOMER},
};

/* By the path that the message begins with: "lane-coupling.car: ...". */
static const subject by_path[] = {
    {"outbound", TO_CUSTOMER},
    {"inbound", TO_OPERATOR},
    {"lane-coupling", COUPLING},
    {"counter-coupling", LTP_ABOUT_MARGIN},
    {"loop", LTP_ABOUT_MARGIN},
    {"noise-ear", LTP_ABOUT_SII_OUTBOUND},
    {"noise-mic", LTP_ABOUT_SII_INBOUND},
    {"noise-counter", LTP_ABOUT_SII_INBOUND},
    {"talk-test", TO_OPERATOR},
};

/* Which numbers a note speaks about. */
static unsigned subject_of(const lt_note *n)
{
    for (size_t i = 0; i < LTP_COUNT(by_code); i++)
        if (strstr(n->code, by_code[i].piece) != NULL)
            return by_code[i].about;
    for (size_t i = 0; i < LTP_COUNT(by_path); i++) {
        const size_t length = strlen(by_path[i].piece);
        const char after = strncmp(n->message, by_path[i].piece, length) == 0 ? n->message[length] : '\0';
        if (after == ':' || after == '.' || after == ' ')
            return by_path[i].about;
    }
    return 0;
}

/* The code as words: "counter-coupling" of an assumption reads "counter coupling assumed". */
static void put_short(ltp_textbuf *b, const char *code, bool assumption)
{
    char words[sizeof((lt_note *)0)->code];
    size_t i = 0;
    for (; i + 1 < sizeof words && code[i] != '\0'; i++)
        words[i] = code[i] == '-' || code[i] == '_' ? ' ' : code[i];
    words[i] = '\0';
    ltp_text_add_escaped(b, words);
    static const char *const told[] = {"assum", "stated", "borrowed", "default", "unknown", "missing", "not ", "no "};
    for (size_t k = 0; k < LTP_COUNT(told); k++)
        if (strstr(words, told[k]) != NULL)
            return;
    ltp_text_add(b, assumption ? " assumed" : "");
}

enum { DOUBTS_NAMED = 2 };

typedef struct {
    const char *named[DOUBTS_NAMED]; /* codes that were written out */
    size_t count;                    /* notes that concern the number, the named ones included */
} doubts;

static void put_doubts_of(ltp_textbuf *b, const ltp_lane_view *v, const lt_notes *notes, bool assumption, size_t first,
                          unsigned about, doubts *d)
{
    size_t named = d->count < DOUBTS_NAMED ? d->count : DOUBTS_NAMED;
    for (size_t i = 0; i < notes->count && i < LT_NOTES_MAX; i++) {
        const char *code = notes->items[i].code;
        if ((subject_of(&notes->items[i]) & about) == 0)
            continue;
        d->count++;
        bool known = named == DOUBTS_NAMED;
        for (size_t k = 0; k < named; k++)
            known = known || strcmp(d->named[k], code) == 0;
        if (known)
            continue;
        ltp_text_add(b, named == 0 ? "<span class=\"doubt\">(" : "; ");
        ltp_text_format(b, "<a href=\"#l%zu-note-%zu\">", v->index + 1, first + i);
        put_short(b, code, assumption);
        ltp_text_add(b, "</a>");
        d->named[named++] = code;
    }
}

void ltp_put_doubts(ltp_textbuf *b, const ltp_lane_view *v, unsigned about)
{
    const lt_tune_result *r = v->result;
    doubts d = {0};
    put_doubts_of(b, v, &r->assumptions, true, 1, about, &d);
    put_doubts_of(b, v, &r->warnings, false, r->assumptions.count + 1, about, &d);
    if (d.count > DOUBTS_NAMED)
        ltp_text_add(b, "; see the notes below");
    if (d.count > 0)
        ltp_text_add(b, ")</span>");
}

static void put_list(ltp_textbuf *b, const ltp_lane_view *v, const lt_notes *notes, const char *title, size_t first)
{
    if (notes->count == 0)
        return;
    ltp_text_format(b, "<div><h4>%s</h4>\n<ol class=\"notes\" start=\"%zu\">\n", title, first);
    for (size_t i = 0; i < notes->count && i < LT_NOTES_MAX; i++) {
        ltp_text_format(b, "<li id=\"l%zu-note-%zu\">", v->index + 1, first + i);
        ltp_text_add_escaped(b, notes->items[i].message);
        ltp_text_add(b, "</li>\n");
    }
    ltp_text_add(b, "</ol></div>\n");
}

void ltp_html_notes(ltp_textbuf *b, const ltp_lane_view *v)
{
    const lt_tune_result *r = v->result;
    if (r->assumptions.count + r->warnings.count == 0) {
        ltp_text_add(b, "<div><h4>Assumptions and doubts</h4>\n<p>None: everything was measured.</p></div>\n");
        return;
    }
    put_list(b, v, &r->assumptions, "Assumed, because it was not measured", 1);
    put_list(b, v, &r->warnings, "Doubts about the measurement", r->assumptions.count + 1);
}
