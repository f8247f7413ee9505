/* SPDX-License-Identifier: MIT
 * Notes: doubts that travel with a result. */
#include <lanetune/base.h>

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static bool is_listed(const lt_notes *notes, const lt_note *n)
{
    for (size_t i = 0; i < notes->count; i++)
        if (strcmp(notes->items[i].code, n->code) == 0 && strcmp(notes->items[i].message, n->message) == 0)
            return true;
    return false;
}

static void add(lt_notes *notes, const lt_note *n)
{
    if (notes->count < LT_NOTES_MAX && !is_listed(notes, n))
        notes->items[notes->count++] = *n;
}

void lt_notes_add(lt_notes *notes, const char *code, const char *format, ...)
{
    if (notes == NULL)
        return;
    lt_note n = {0};
    (void)snprintf(n.code, sizeof n.code, "%s", code);
    va_list args;
    va_start(args, format);
    const int length = vsnprintf(n.message, sizeof n.message, format, args);
    va_end(args);
    if (length < 0)
        n.message[0] = '\0';
    add(notes, &n);
}

void lt_notes_append(lt_notes *notes, const lt_notes *more)
{
    if (notes == NULL || more == NULL || notes == more)
        return;
    for (size_t i = 0; i < more->count; i++)
        add(notes, &more->items[i]);
}

bool lt_notes_has(const lt_notes *notes, const char *code)
{
    if (notes == NULL)
        return false;
    for (size_t i = 0; i < notes->count; i++)
        if (strcmp(notes->items[i].code, code) == 0)
            return true;
    return false;
}
