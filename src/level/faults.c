/* SPDX-License-Identifier: MIT
 * The list of faults, and one channel's scan: every detector is fed the same samples, then each words what it found. */
#include "level/faults.h"
#include "base/alloc.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

static const double min_rate_hz = 4000.0, max_rate_hz = 400000.0;

const char *lt_fault_code_name(lt_fault_code code)
{
    static const char *const words[] = {
#define X(id, word) word,
        LT_FAULT_MAP(X)
#undef X
    };
    return (size_t)code < LTP_COUNT(words) ? words[code] : "unknown";
}

const char *lt_severity_name(lt_severity s)
{
    static const char *const words[] = {"note", "warning", "error"};
    return (size_t)s < LTP_COUNT(words) ? words[s] : "unknown";
}

void lt_faults_add(lt_faults *f, lt_fault_code code, lt_severity severity, unsigned channel, double at_s,
                   const char *format, ...)
{
    if (f->count == LT_FAULTS_MAX)
        return;
    lt_fault *item = &f->items[f->count++];
    *item = (lt_fault){.code = code, .severity = severity, .channel = channel, .at_s = at_s};
    va_list words;
    va_start(words, format);
    (void)vsnprintf(item->message, sizeof item->message, format, words);
    va_end(words);
}

/* Negative: a stands before b. */
static int compare(const lt_fault *a, const lt_fault *b)
{
    if (a->severity != b->severity)
        return a->severity > b->severity ? -1 : 1;
    const double ta = isnan(a->at_s) ? -1.0 : a->at_s;
    const double tb = isnan(b->at_s) ? -1.0 : b->at_s;
    if (ta < tb || ta > tb)
        return ta < tb ? -1 : 1;
    if (a->channel != b->channel)
        return a->channel < b->channel ? -1 : 1;
    return a->code < b->code ? -1 : a->code > b->code;
}

void lt_faults_sort(lt_faults *f)
{
    for (size_t i = 1; i < f->count; i++) {
        const lt_fault item = f->items[i];
        size_t at = i;
        for (; at > 0 && compare(&item, &f->items[at - 1]) < 0; at--)
            f->items[at] = f->items[at - 1];
        f->items[at] = item;
    }
}

lt_severity lt_faults_worst(const lt_faults *f)
{
    lt_severity worst = LT_SEVERITY_COUNT;
    for (size_t i = 0; i < f->count; i++)
        if (worst == LT_SEVERITY_COUNT || f->items[i].severity > worst)
            worst = f->items[i].severity;
    return worst;
}

/* ---- one channel ---- */

struct lt_fault_scan {
    unsigned channel;
    ltp_steady *steady;
    ltp_flat *flat;
    ltp_gap *gap;
    ltp_click *click;
    ltp_mains *mains;
    ltp_whine *whine;
    ltp_burst *burst;
    ltp_wind *wind;
    ltp_squeal *squeal;
    ltp_extent *extent;
};

void lt_fault_scan_free(lt_fault_scan *s)
{
    if (s == NULL)
        return;
    ltp_steady_free(s->steady);
    ltp_flat_free(s->flat);
    ltp_gap_free(s->gap);
    ltp_click_free(s->click);
    ltp_mains_free(s->mains);
    ltp_whine_free(s->whine);
    ltp_burst_free(s->burst);
    ltp_wind_free(s->wind);
    ltp_squeal_free(s->squeal);
    ltp_extent_free(s->extent);
    ltp_free(s);
}

static lt_status create_all(lt_fault_scan *s, double rate_hz, lt_error *err)
{
    lt_status st = ltp_steady_create(rate_hz, &s->steady, err);
    st = st != LT_OK ? st : ltp_flat_create(rate_hz, &s->flat, err);
    st = st != LT_OK ? st : ltp_gap_create(rate_hz, &s->gap, err);
    st = st != LT_OK ? st : ltp_click_create(rate_hz, &s->click, err);
    st = st != LT_OK ? st : ltp_mains_create(rate_hz, &s->mains, err);
    st = st != LT_OK ? st : ltp_whine_create(rate_hz, &s->whine, err);
    st = st != LT_OK ? st : ltp_burst_create(rate_hz, &s->burst, err);
    st = st != LT_OK ? st : ltp_wind_create(rate_hz, &s->wind, err);
    st = st != LT_OK ? st : ltp_squeal_create(rate_hz, &s->squeal, err);
    return st != LT_OK ? st : ltp_extent_create(rate_hz, &s->extent, err);
}

lt_status ltp_faults_check_rate(double rate_hz, lt_error *err)
{
    if (rate_hz >= min_rate_hz && rate_hz <= max_rate_hz)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "sample rate %g Hz; faults are looked for at %g to %g Hz", rate_hz, min_rate_hz,
                    max_rate_hz);
}

lt_status lt_fault_scan_create(double rate_hz, unsigned channel, lt_fault_scan **out, lt_error *err)
{
    *out = NULL;
    lt_status st = ltp_faults_check_rate(rate_hz, err);
    if (st != LT_OK)
        return st;
    lt_fault_scan *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the search for faults");
    s->channel = channel;
    st = create_all(s, rate_hz, err);
    if (st != LT_OK) {
        lt_fault_scan_free(s);
        return st;
    }
    *out = s;
    return LT_OK;
}

void lt_fault_scan_push(lt_fault_scan *s, const double *x, size_t count)
{
    ltp_steady_push(s->steady, x, count);
    ltp_flat_push(s->flat, x, count);
    ltp_gap_push(s->gap, x, count);
    ltp_click_push(s->click, x, count);
    ltp_mains_push(s->mains, x, count);
    ltp_whine_push(s->whine, x, count);
    ltp_burst_push(s->burst, x, count);
    ltp_wind_push(s->wind, x, count);
    ltp_squeal_push(s->squeal, x, count);
    ltp_extent_push(s->extent, x, count);
}

lt_status lt_fault_scan_finish(lt_fault_scan *s, lt_faults *out, lt_error *err)
{
    ltp_scan_end end = {.out = out, .channel = s->channel, .mains_hz = NAN};
    ltp_mains_result mains;
    ltp_steady_levels(s->steady, &end);
    const lt_status st = ltp_mains_result_of(s->mains, &mains, err);
    if (st != LT_OK)
        return st;
    end.mains_hz = mains.exact_hz;
    ltp_steady_finish(s->steady, &end);
    ltp_flat_finish(s->flat, &end);
    ltp_gap_finish(s->gap, &end);
    ltp_click_finish(s->click, &end);
    ltp_mains_finish(&mains, &end);
    end.burst_s = ltp_burst_finish(s->burst, &end);
    ltp_whine_finish(s->whine, &end);
    ltp_wind_finish(s->wind, &end);
    ltp_squeal_finish(s->squeal, &end);
    ltp_extent_finish(s->extent, &end);
    return LT_OK;
}

size_t lt_fault_scan_history(const lt_fault_scan *s, double *level_db, double *step_s)
{
    return ltp_steady_history(s->steady, level_db, step_s);
}
