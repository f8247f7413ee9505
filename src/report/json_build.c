/* SPDX-License-Identifier: MIT
 * Pieces of JSON: numbers rounded per quantity, text made valid UTF-8, the head of every result. */
#include "report/json_build.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

/* 15 digits print every number that was rounded to a few decimals without a tail like 12.300000000000001. */
#define PRINT_FLAGS (JSON_INDENT(2) | JSON_REAL_PRECISION(15))

static const double no_rounding_above = 1e9; /* beyond it the scaled value loses its last digits */

json_t *ltp_json_number(double x, int decimals)
{
    if (!lt_is_known(x))
        return json_null();
    const double scale = pow(10.0, decimals);
    const double rounded = fabs(x) < no_rounding_above ? round(x * scale) / scale : x;
    return json_real(rounded + 0.0); /* + 0.0 turns -0 into 0 */
}

/* Length of the UTF-8 sequence at s (RFC 3629: no overlong forms, no surrogates, at most U+10FFFF); 0 if it is none. */
static size_t utf8_length(const unsigned char *s)
{
    static const struct {
        unsigned char first, last, second_first, second_last;
        size_t length;
    } forms[] = {
        {0x00, 0x7F, 0, 0, 1},       {0xC2, 0xDF, 0x80, 0xBF, 2}, {0xE0, 0xE0, 0xA0, 0xBF, 3},
        {0xE1, 0xEC, 0x80, 0xBF, 3}, {0xED, 0xED, 0x80, 0x9F, 3}, {0xEE, 0xEF, 0x80, 0xBF, 3},
        {0xF0, 0xF0, 0x90, 0xBF, 4}, {0xF1, 0xF3, 0x80, 0xBF, 4}, {0xF4, 0xF4, 0x80, 0x8F, 4},
    };
    for (size_t f = 0; f < LTP_COUNT(forms); f++) {
        if (s[0] < forms[f].first || s[0] > forms[f].last)
            continue;
        if (forms[f].length > 1 && (s[1] < forms[f].second_first || s[1] > forms[f].second_last))
            return 0;
        for (size_t i = 2; i < forms[f].length; i++) {
            if ((s[i] & 0xC0) != 0x80)
                return 0;
        }
        return forms[f].length;
    }
    return 0;
}

json_t *ltp_json_text(const char *text)
{
    static const char replacement[] = "\xEF\xBF\xBD"; /* U+FFFD */
    if (text == NULL)
        return json_null();
    const unsigned char *s = (const unsigned char *)text;
    char *clean = ltp_alloc(strlen(text) + 1, sizeof replacement - 1); /* at worst every byte is replaced */
    if (clean == NULL)
        return NULL;
    size_t used = 0;
    while (*s != '\0') {
        const size_t length = utf8_length(s);
        const void *from = length > 0 ? (const void *)s : (const void *)replacement;
        const size_t bytes = length > 0 ? length : sizeof replacement - 1;
        memcpy(clean + used, from, bytes);
        used += bytes;
        s += length > 0 ? length : 1;
    }
    json_t *value = json_stringn(clean, used);
    ltp_free(clean);
    return value;
}

void ltp_json_put(ltp_json *j, json_t *object, const char *key, json_t *value)
{
    if (json_object_set_new(object, key, value) != 0)
        j->failed = true;
}

void ltp_json_append(ltp_json *j, json_t *array, json_t *value)
{
    if (json_array_append_new(array, value) != 0)
        j->failed = true;
}

void ltp_json_put_db(ltp_json *j, json_t *object, const char *key, double db)
{
    ltp_json_put(j, object, key, ltp_json_number(db, LTP_DECIMALS_DB));
}

void ltp_json_put_hz(ltp_json *j, json_t *object, const char *key, double hz)
{
    ltp_json_put(j, object, key, ltp_json_number(hz, LTP_DECIMALS_HZ));
}

static bool note_is_in(const lt_notes *notes, const lt_note *note)
{
    for (size_t i = 0; notes != NULL && i < notes->count; i++) {
        if (strcmp(notes->items[i].code, note->code) == 0 && strcmp(notes->items[i].message, note->message) == 0)
            return true;
    }
    return false;
}

static void append_note(ltp_json *j, json_t *array, const lt_note *note)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "code", ltp_json_text(note->code));
    ltp_json_put(j, object, "message", ltp_json_text(note->message));
    ltp_json_append(j, array, object);
}

json_t *ltp_json_notes(ltp_json *j, const lt_notes *first, const lt_notes *second)
{
    json_t *array = json_array();
    for (size_t i = 0; first != NULL && i < first->count; i++)
        append_note(j, array, &first->items[i]);
    for (size_t i = 0; second != NULL && i < second->count; i++) {
        if (!note_is_in(first, &second->items[i]))
            append_note(j, array, &second->items[i]);
    }
    return array;
}

json_t *ltp_json_notches(ltp_json *j, const lt_notch *notches, size_t count)
{
    json_t *array = json_array();
    for (size_t i = 0; i < count; i++) {
        json_t *notch = json_object();
        ltp_json_put_hz(j, notch, "hz", notches[i].hz);
        ltp_json_put(j, notch, "q", ltp_json_number(notches[i].q, LTP_DECIMALS_Q));
        ltp_json_put_db(j, notch, "cut_db", notches[i].cut_db);
        ltp_json_append(j, array, notch);
    }
    return array;
}

lt_status ltp_json_print(const ltp_json *j, json_t *root, char **out, lt_error *err)
{
    *out = NULL;
    const size_t bytes = j->failed || root == NULL ? 0 : json_dumpb(root, NULL, 0, PRINT_FLAGS);
    char *text = bytes == 0 ? NULL : ltp_alloc(bytes + 2, 1);
    const bool printed = text != NULL && json_dumpb(root, text, bytes, PRINT_FLAGS) == bytes;
    json_decref(root);
    if (!printed) {
        ltp_free(text);
        return ltp_fail_nomem(err, "JSON result");
    }
    text[bytes] = '\n';
    *out = text;
    return LT_OK;
}

lt_status ltp_json_wrap(ltp_json *j, const lt_json_head *h, json_t *warnings, json_t *result, char **out, lt_error *err)
{
    json_t *root = json_object();
    ltp_json_put(j, root, "lanetune", ltp_json_text(h->version));
    ltp_json_put(j, root, "command", ltp_json_text(h->command));
    json_t *inputs = json_array();
    for (size_t i = 0; i < h->input_count; i++)
        ltp_json_append(j, inputs, ltp_json_text(h->inputs[i]));
    ltp_json_put(j, root, "inputs", inputs);
    ltp_json_put(j, root, "warnings", warnings);
    ltp_json_put(j, root, "result", result);
    return ltp_json_print(j, root, out, err);
}

lt_status ltp_json_finish(ltp_json *j, const lt_json_head *h, const lt_notes *notes, json_t *result, char **out,
                          lt_error *err)
{
    return ltp_json_wrap(j, h, ltp_json_notes(j, h->warnings, notes), result, out, err);
}
