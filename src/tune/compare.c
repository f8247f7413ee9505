/* SPDX-License-Identifier: MIT
 * Two visits of one lane: the frame, the list of findings and its order. */
#include "tune/compare.h"

#include "base/alloc.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

lt_compare_options lt_compare_default_options(void)
{
    return (lt_compare_options){.worse_db = 3.0, .worse_sii = 0.05};
}

/* ---- names ---- */

const char *lt_finding_code_name(lt_finding_code c)
{
    static const char *const names[] = {
#define X(id, text) text,
        LT_FINDING_MAP(X)
#undef X
    };
    return (unsigned)c < LT_FINDING_CODE_COUNT ? names[c] : "unknown";
}

const char *lt_finding_kind_name(lt_finding_kind k)
{
    static const char *const names[LT_FINDING_KIND_COUNT] = {"worse", "better", "note"};
    return (unsigned)k < LT_FINDING_KIND_COUNT ? names[k] : "unknown";
}

const char *lt_finding_sure_name(double probability)
{
    return probability >= 0.85 ? "sure" : probability >= 0.6 ? "likely" : "possible";
}

/* ---- what was compared ---- */

const lt_compare_response *ltp_compare_find(const lt_compare_lane *l, lt_compare_path path, const char *condition)
{
    for (size_t i = 0; i < l->response_count; i++)
        if (l->responses[i].path == path && strcmp(l->responses[i].condition, condition) == 0)
            return &l->responses[i];
    return NULL;
}

const lt_compare_noise *ltp_compare_find_noise(const lt_compare_lane *l, lt_compare_noise_kind kind,
                                               const char *condition)
{
    for (size_t i = 0; i < l->noise_count; i++)
        if (l->noises[i].kind == kind && strcmp(l->noises[i].condition, condition) == 0)
            return &l->noises[i];
    return NULL;
}

const lt_compare_talk *ltp_compare_find_talk(const lt_compare_lane *l, const char *condition)
{
    for (size_t i = 0; i < l->talk_count; i++)
        if (strcmp(l->talks[i].condition, condition) == 0)
            return &l->talks[i];
    return NULL;
}

/* ---- findings ---- */

void ltp_compare_say(char out[256], const char *format, ...)
{
    va_list args;
    va_start(args, format);
    (void)vsnprintf(out, 256, format, args);
    va_end(args);
}

lt_finding *ltp_compare_add(ltp_compare *c, const ltp_finding_head *head)
{
    lt_compare_lane *l = c->out;
    if (l->finding_count < LT_FINDINGS_MAX)
        l->finding_count++;
    lt_finding *f = &l->findings[l->finding_count - 1];
    *f = (lt_finding){.code = head->code,
                      .kind = head->kind,
                      .change = head->change,
                      .probability = head->probability,
                      .over_limit = head->over_limit};
    (void)snprintf(f->path, sizeof f->path, "%s", head->path != NULL ? head->path : "");
    (void)snprintf(f->condition, sizeof f->condition, "%s", head->condition != NULL ? head->condition : "");
    (void)snprintf(f->unit, sizeof f->unit, "%s", head->unit != NULL ? head->unit : "");
    return f;
}

static int rank(const lt_finding *f)
{
    return f->kind == LT_FINDING_WORSE ? (f->over_limit ? 0 : 1) : f->kind == LT_FINDING_BETTER ? 2 : 3;
}

/* Stable: causes were found before what follows from them, and stay before it. */
static void sort_findings(lt_compare_lane *l)
{
    for (size_t i = 1; i < l->finding_count; i++) {
        const lt_finding f = l->findings[i];
        size_t k = i;
        for (; k > 0 && rank(&l->findings[k - 1]) > rank(&f); k--)
            l->findings[k] = l->findings[k - 1];
        l->findings[k] = f;
    }
}

static void say_nothing_changed(ltp_compare *c)
{
    size_t bands = 0, changed = 0;
    for (size_t i = 0; i < c->out->finding_count; i++)
        if (c->out->findings[i].kind != LT_FINDING_NOTE)
            return;
    for (size_t i = 0; i < c->out->response_count; i++)
        for (size_t k = 0; k < c->out->responses[i].band_count; k++) {
            bands++;
            changed += c->out->responses[i].bands[k].changed ? 1 : 0;
        }
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_NOTHING,
                                                           .kind = LT_FINDING_NOTE,
                                                           .change = NAN,
                                                           .probability = bands >= 10 ? 0.9 : 0.6});
    ltp_compare_say(f->evidence, "%zu of %zu one-third octaves of %zu paths lie within their doubt.", bands - changed,
                    bands, c->out->response_count);
    ltp_compare_say(f->cause, "Nothing changed by more than the two measurements can tell.");
    ltp_compare_say(f->next_step, "Nothing to do.");
}

static void fill_lane(ltp_compare *c)
{
    const lt_tune_lane *b = c->before->lane, *a = c->after->lane;
    const lt_tune_result *rb = c->before->result, *ra = c->after->result;
    lt_compare_lane *l = c->out;
    *l = (lt_compare_lane){.lane = a->lane,
                           .outbound_setting_db = {b->outbound.recorded_db, a->outbound.recorded_db},
                           .inbound_setting_db = {b->inbound.recorded_db, a->inbound.recorded_db},
                           .outbound_recommended_db = {NAN, NAN},
                           .inbound_recommended_db = {NAN, NAN},
                           .figures_known = rb != NULL && ra != NULL};
    (void)snprintf(l->name, sizeof l->name, "%s", a->name);
    if (rb != NULL) {
        l->figures_before = rb->before;
        l->outbound_recommended_db.before = rb->outbound_recommended_db;
        l->inbound_recommended_db.before = rb->inbound_recommended_db;
    }
    if (ra != NULL) {
        l->figures_after = ra->before;
        l->outbound_recommended_db.after = ra->outbound_recommended_db;
        l->inbound_recommended_db.after = ra->inbound_recommended_db;
    }
}

lt_status lt_compare(const lt_compare_side *before, const lt_compare_side *after, const lt_compare_options *opt,
                     lt_compare_lane *out, lt_error *err)
{
    const lt_compare_options defaults = lt_compare_default_options();
    ltp_compare c = {.before = before, .after = after, .opt = opt != NULL ? opt : &defaults, .out = out};
    if (!(c.opt->worse_db >= 0.5 && c.opt->worse_db <= 40.0))
        return ltp_fail(err, LT_E_ARG, "limit %g dB: it must be 0.5 to 40 dB", c.opt->worse_db);
    if (!(c.opt->worse_sii >= 0.005 && c.opt->worse_sii <= 1.0))
        return ltp_fail(err, LT_E_ARG, "limit of the index %g: it must be 0.005 to 1", c.opt->worse_sii);
    fill_lane(&c);
    ltp_compare_responses(&c);
    ltp_compare_noises(&c);
    ltp_compare_talks(&c);
    if (out->response_count + out->noise_count + out->talk_count == 0)
        return ltp_fail(err, LT_E_ARG, "lane %u: no path was recorded in both visits, so there is nothing to compare",
                        out->lane);
    ltp_compare_find_levels(&c);
    ltp_compare_find_others(&c);
    ltp_compare_find_figures(&c);
    say_nothing_changed(&c);
    sort_findings(out);
    for (size_t i = 0; i < out->finding_count; i++)
        out->worse |= out->findings[i].over_limit;
    return LT_OK;
}
