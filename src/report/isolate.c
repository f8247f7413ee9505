/* SPDX-License-Identifier: MIT
 * The isolation test as JSON and as text. */
#include "report/json_build.h"
#include "report/text_build.h"

#include <stdio.h>

lt_status lt_json_isolate(const lt_json_head *h, const lt_isolate_point *points, size_t count, const lt_isolation *r,
                          char **out, lt_error *err)
{
    ltp_json j = {0};
    json_t *result = json_object(), *names = json_array(), *faults = json_array();
    ltp_json_put(&j, result, "kind", ltp_json_text("isolation"));
    for (size_t i = 0; i < count; i++) {
        json_t *o = json_object();
        const lt_isolate_point *p = &points[i];
        ltp_json_put(&j, o, "point", ltp_json_text(p->name));
        ltp_json_put(&j, o, "recorded", json_boolean(p->response != NULL || p->noise != NULL || p->talk != NULL));
        ltp_json_put(&j, o, "bypass_recorded",
                     json_boolean(p->bypass_response != NULL || p->bypass_noise != NULL || p->bypass_talk != NULL));
        ltp_json_append(&j, names, o);
    }
    ltp_json_put(&j, result, "points", names);
    for (size_t i = 0; i < r->fault_count; i++) {
        const lt_isolate_fault *f = &r->faults[i];
        json_t *o = json_object();
        ltp_json_put(&j, o, "kind", ltp_json_text(lt_isolate_kind_name(f->kind)));
        ltp_json_put(&j, o, "from", f->from == f->to ? json_null() : ltp_json_text(points[f->from].name));
        ltp_json_put(&j, o, "to", ltp_json_text(points[f->to].name));
        ltp_json_put(&j, o, "parts", json_integer((json_int_t)(f->to - f->from)));
        ltp_json_put(&j, o, "bypass_tells", json_boolean(f->bypass_tells));
        ltp_json_put(&j, o, "change", ltp_json_number(f->change, LTP_DECIMALS_DB));
        ltp_json_put(&j, o, "before", ltp_json_number(f->before, LTP_DECIMALS_DB));
        ltp_json_put(&j, o, "after", ltp_json_number(f->after, LTP_DECIMALS_DB));
        ltp_json_put(&j, o, "unit", ltp_json_text(f->unit));
        ltp_json_put(&j, o, "sure", ltp_json_text(lt_finding_sure_name(f->probability)));
        ltp_json_put(&j, o, "probability", ltp_json_number(f->probability, 2));
        ltp_json_put(&j, o, "evidence", ltp_json_text(f->evidence));
        ltp_json_put(&j, o, "next_step", ltp_json_text(f->next_step));
        ltp_json_append(&j, faults, o);
    }
    ltp_json_put(&j, result, "faults", faults);
    json_t *next = json_null();
    if (r->next_known) {
        next = json_object();
        ltp_json_put(&j, next, "point", ltp_json_text(points[r->next_point].name));
        ltp_json_put(&j, next, "why", ltp_json_text(r->next_why));
    }
    ltp_json_put(&j, result, "next", next);
    return ltp_json_finish(&j, h, &r->notes, result, out, err);
}

static void chain_line(ltp_textbuf *b, const lt_isolate_point *points, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const lt_isolate_point *p = &points[i];
        const bool plain = p->response != NULL || p->noise != NULL || p->talk != NULL;
        const bool bypass = p->bypass_response != NULL || p->bypass_noise != NULL || p->bypass_talk != NULL;
        ltp_text_format(b, "  %2zu  ", i + 1);
        ltp_text_name_column(b, p->name, 30);
        ltp_text_add(b, plain && bypass ? "recorded, and with the coupler\n"
                        : plain         ? "recorded\n"
                        : bypass        ? "recorded with the coupler only\n"
                                        : "not recorded yet\n");
    }
}

lt_status lt_text_isolate(const lt_isolate_point *points, size_t count, const lt_isolation *r, char **out,
                          lt_error *err)
{
    ltp_textbuf b;
    char lead[64];
    ltp_text_init(&b, 0);
    if (r->fault_count == 0) {
        ltp_text_add(&b, r->next_known ? "no fault found yet\n\n" : "no fault found between the points\n\n");
    } else {
        const lt_isolate_fault *f = &r->faults[0];
        ltp_text_format(&b, "%s: ", lt_isolate_kind_name(f->kind));
        if (f->from == f->to)
            ltp_text_format(&b, "at or before %.50s\n\n", points[f->to].name);
        else
            ltp_text_format(&b, "between %.24s and %.24s\n\n", points[f->from].name, points[f->to].name);
    }
    chain_line(&b, points, count);
    for (size_t i = 0; i < r->fault_count; i++) {
        const lt_isolate_fault *f = &r->faults[i];
        (void)snprintf(lead, sizeof lead, "  %-12s", lt_isolate_kind_name(f->kind));
        ltp_text_add(&b, "\n");
        ltp_text_wrap(&b, lead, f->evidence);
        (void)snprintf(lead, sizeof lead, "              %s: ", lt_finding_sure_name(f->probability));
        ltp_text_wrap(&b, lead, f->next_step);
    }
    if (r->next_known) {
        (void)snprintf(lead, sizeof lead, "\n  Record next: ");
        ltp_text_add(&b, lead);
        ltp_text_name(&b, points[r->next_point].name, 50);
        ltp_text_add(&b, "\n");
        ltp_text_wrap(&b, "    ", r->next_why);
    }
    ltp_text_notes(&b, "  Note: ", &r->notes);
    return ltp_text_take(&b, out, err);
}
