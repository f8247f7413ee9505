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
static const unsigned by_path[LT_PATH_COUNT] = {
    [LT_PATH_OUTBOUND] = TO_CUSTOMER,
    [LT_PATH_INBOUND] = TO_OPERATOR,
    [LT_PATH_LANE_COUPLING] = COUPLING,
    [LT_PATH_COUNTER_COUPLING] = LTP_ABOUT_MARGIN,
    [LT_PATH_LOOP] = LTP_ABOUT_MARGIN,
    [LT_PATH_NOISE_EAR] = LTP_ABOUT_SII_OUTBOUND,
    [LT_PATH_NOISE_MIC] = LTP_ABOUT_SII_INBOUND,
    [LT_PATH_NOISE_COUNTER] = LTP_ABOUT_SII_INBOUND,
    [LT_PATH_TALK_TEST] = TO_OPERATOR,
};

/* Which numbers a note speaks about. */
static unsigned subject_of(const lt_note *n)
{
    for (size_t i = 0; i < LTP_COUNT(by_code); i++)
        if (strstr(n->code, by_code[i].piece) != NULL)
            return by_code[i].about;
    for (size_t i = 0; i < LTP_COUNT(by_path); i++) {
        const char *name = lt_path_name((lt_path)i);
        const size_t length = strlen(name);
        if (strncmp(n->message, name, length) == 0 && strchr(":. ", n->message[length]) != NULL)
            return by_path[i];
    }
    return 0;
}

/* The code as words: "counter-coupling" of an assumption reads "counter coupling assumed". */
static void put_short(ltp_textbuf *b, const char *code, bool assumption)
{
    if (strcmp(code, "low-snr") == 0) {
        ltp_text_add(b, "noisy recording");
        return;
    }
    char words[sizeof((lt_note *)0)->code];
    size_t i = 0;
    for (; i + 1 < sizeof words && code[i] != '\0'; i++)
        words[i] = code[i];
    for (size_t k = 0; k < i; k++)
        if (words[k] == '-' || words[k] == '_')
            words[k] = ' ';
    words[i] = '\0';
    ltp_text_add_escaped(b, words);
    static const char *const told[] = {"assum", "stated", "borrowed", "default", "unknown", "missing", "not ", "no "};
    for (size_t k = 0; k < LTP_COUNT(told); k++)
        if (strstr(words, told[k]) != NULL)
            return;
    ltp_text_add(b, assumption ? " assumed" : "");
}

/* ---- which notes are listed ---- */

/* Does a note of a recording's own measurement say this? The message there lacks the path in front. */
static bool is_said_by(const lt_notes *notes, const char *message)
{
    for (size_t i = 0; i < notes->count && i < LT_NOTES_MAX; i++)
        if (strncmp(notes->items[i].message, message, strlen(message)) == 0)
            return true;
    return false;
}

/* Remarks about single bands of one recording stand with that recording; where they touch a figure, the search says so
 * in a note of its own. */
static bool is_remark(const ltp_lane_view *v, const lt_note *n)
{
    if (strcmp(n->code, "low-snr") != 0 && strcmp(n->code, "thd-noise") != 0)
        return false;
    const char *message = strstr(n->message, ": ");
    for (size_t i = 0; message != NULL && i < v->lane->recording_count; i++) {
        const lt_recording *r = &v->lane->recordings[i];
        if (r->response != NULL && is_said_by(&r->response->notes, message + 2))
            return true;
    }
    return false;
}

typedef struct {
    const lt_note *items[2 * LT_NOTES_MAX];
    size_t count;
    size_t assumptions; /* the first ones */
} note_list;

/* Note number k of the page (from 1 on) is items[k - 1]. */
static note_list listed_notes(const ltp_lane_view *v)
{
    note_list list = {0};
    const lt_tune_result *r = v->result;
    for (size_t i = 0; i < r->assumptions.count && i < LT_NOTES_MAX; i++)
        list.items[list.count++] = &r->assumptions.items[i];
    list.assumptions = list.count;
    for (size_t i = 0; i < r->warnings.count && i < LT_NOTES_MAX; i++)
        if (!is_remark(v, &r->warnings.items[i]))
            list.items[list.count++] = &r->warnings.items[i];
    return list;
}

/* ---- beside a number ---- */

enum { DOUBTS_NAMED = 2 };

void ltp_put_doubts(ltp_textbuf *b, const ltp_lane_view *v, unsigned about)
{
    const note_list list = listed_notes(v);
    const char *named[DOUBTS_NAMED] = {NULL};
    size_t count = 0, more = 0;
    for (size_t i = 0; i < list.count; i++) {
        const char *code = list.items[i]->code;
        if ((subject_of(list.items[i]) & about) == 0)
            continue;
        bool known = false;
        for (size_t k = 0; k < count; k++)
            known = known || strcmp(named[k], code) == 0;
        if (known || count == DOUBTS_NAMED) {
            more++;
            continue;
        }
        ltp_text_add(b, count == 0 ? "<span class=\"doubt\">(" : "; ");
        ltp_text_format(b, "<a href=\"#l%zu-note-%zu\">", v->index + 1, i + 1);
        put_short(b, code, i < list.assumptions);
        ltp_text_add(b, "</a>");
        named[count++] = code;
    }
    if (count > 0)
        ltp_text_add(b, more > 0 ? "; see the notes below)</span>" : ")</span>");
}

/* ---- the sentences ---- */

static void put_list(ltp_textbuf *b, const ltp_lane_view *v, const note_list *list, const char *title, size_t first,
                     size_t end)
{
    if (first == end)
        return;
    ltp_text_format(b, "<div><h4>%s</h4>\n<ol class=\"notes\" start=\"%zu\">\n", title, first + 1);
    for (size_t i = first; i < end; i++) {
        ltp_text_format(b, "<li id=\"l%zu-note-%zu\">", v->index + 1, i + 1);
        ltp_text_add_escaped(b, list->items[i]->message);
        ltp_text_add(b, "</li>\n");
    }
    ltp_text_add(b, "</ol></div>\n");
}

void ltp_html_notes(ltp_textbuf *b, const ltp_lane_view *v)
{
    const note_list list = listed_notes(v);
    if (list.count == 0)
        ltp_text_add(b, "<div><h4>Assumptions and doubts</h4>\n<p>No assumption had to be made.</p></div>\n");
    put_list(b, v, &list, "Assumed, because it was not measured", 0, list.assumptions);
    put_list(b, v, &list, "Doubts about the measurement", list.assumptions, list.count);
}

size_t ltp_notes_bytes(const ltp_lane_view *v)
{
    const note_list list = listed_notes(v);
    size_t bytes = 0;
    for (size_t i = 0; i < list.count; i++)
        bytes += strlen(list.items[i]->message);
    return bytes;
}
