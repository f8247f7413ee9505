/* SPDX-License-Identifier: MIT
 * Isolation test: a chain recorded at several points. Where a figure jumps from one recorded point to the next, the
 * part between them is at fault; points that were not recorded leave several parts suspected, and the next recording
 * goes where it halves them. Thresholds and probabilities are ours. */
#include "base/alloc.h"
#include <lanetune/tune.h>

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

/* What one point tells. NaN: not known. */
typedef struct {
    double figure[LT_ISOLATE_KIND_COUNT];
    double snr_db;
} metrics;

/* A jump counts from here; "bad" is a figure that is a fault even at the first point; silent: below it nobody hears. */
static const struct {
    const char *name, *unit, *word;
    double from, bad, silent;
    bool falls; /* a lower figure is worse */
} kinds[LT_ISOLATE_KIND_COUNT] = {
    [LT_ISOLATE_LOSS] = {"loss", "dB", "level", 3.0, NAN, NAN, true},
    [LT_ISOLATE_TREBLE] = {"treble", "dB", "treble re middle", 3.0, NAN, NAN, true},
    [LT_ISOLATE_NOISE] = {"noise", "dB", "noise", 3.0, -20.0, -48.0, false},
    [LT_ISOLATE_HUM] = {"hum", "dB", "hum", 6.0, -35.0, -70.0, false},
    [LT_ISOLATE_DELAY] = {"delay", "ms", "delay", 2.0, NAN, NAN, false},
    [LT_ISOLATE_ECHO] = {"echo", "dB", "strongest later arrival", 6.0, -15.0, -30.0, false},
    [LT_ISOLATE_DISTORTION] = {"distortion", "%", "distortion", 1.0, 5.0, 1.0, false},
    [LT_ISOLATE_POLARITY] = {"polarity", "", "polarity", 1.0, NAN, NAN, true},
};
static const double echo_after_ms = 4.0, least_snr_db = 6.0, nothing_db = -100.0;

const char *lt_isolate_kind_name(lt_isolate_kind k)
{
    return (unsigned)k < LT_ISOLATE_KIND_COUNT ? kinds[k].name : "unknown";
}

static void say(char out[256], const char *format, ...) LT_PRINTF(2, 3);
static void say(char out[256], const char *format, ...)
{
    va_list args;
    va_start(args, format);
    (void)vsnprintf(out, 256, format, args);
    va_end(args);
}

/* ---- figures of one point ---- */

static double mean_level(const lt_response *r, double from_hz, double to_hz, size_t at_least)
{
    double sum = 0.0;
    size_t count = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        if (b->band.nominal_hz < from_hz || b->band.nominal_hz > to_hz || b->snr_db < least_snr_db)
            continue;
        sum += b->level_db;
        count++;
    }
    return count >= at_least ? sum / (double)count : (double)NAN;
}

static void from_response(const lt_response *r, metrics *m)
{
    double thd[LT_RESPONSE_BANDS_MAX], noise = 0.0, signal = 0.0;
    size_t thd_count = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        if (b->band.nominal_hz > 290.0 && b->band.nominal_hz < 3500.0 && lt_is_known(b->snr_db)) {
            noise += lt_power_from_db(b->level_db - b->snr_db);
            signal += lt_power_from_db(b->level_db);
        }
        if (b->band.nominal_hz > 390.0 && b->band.nominal_hz < 2100.0 && lt_is_known(b->thd_percent))
            thd[thd_count++] = b->thd_percent;
    }
    m->snr_db = r->snr_db;
    m->figure[LT_ISOLATE_LOSS] = mean_level(r, 390.0, 3200.0, 4);
    m->figure[LT_ISOLATE_TREBLE] = mean_level(r, 1900.0, 8100.0, 3) - mean_level(r, 390.0, 1700.0, 3);
    m->figure[LT_ISOLATE_NOISE] = signal > 0.0 ? lt_db_from_power(noise / signal) : (double)NAN;
    m->figure[LT_ISOLATE_DELAY] = r->delay_ms;
    m->figure[LT_ISOLATE_DISTORTION] = thd_count >= 3 ? lt_median(thd, thd_count) : (double)NAN;
    m->figure[LT_ISOLATE_POLARITY] = r->polarity == 0 ? (double)NAN : (double)r->polarity;
    double strongest = nothing_db;
    for (size_t i = 0; i < r->arrival_count; i++)
        if (r->arrivals[i].delay_ms >= echo_after_ms)
            strongest = fmax(strongest, r->arrivals[i].level_db);
    m->figure[LT_ISOLATE_ECHO] = strongest;
}

/* Noise recordings count at the level of the signal: what a part amplifies it has not added. */
static void from_noise(const lt_levels *l, metrics *m)
{
    double power = 0.0;
    const double gain = lt_is_known(m->figure[LT_ISOLATE_LOSS]) ? m->figure[LT_ISOLATE_LOSS] : 0.0;
    for (size_t i = 0; i < l->band_count; i++)
        if (l->bands[i].band.nominal_hz > 290.0 && l->bands[i].band.nominal_hz < 3500.0)
            power += lt_power_from_db(l->bands[i].leq_db);
    m->figure[LT_ISOLATE_NOISE] = fmax(lt_db_from_power(power) - gain, nothing_db);
    m->figure[LT_ISOLATE_HUM] = l->hum ? l->hum_level_db - gain : nothing_db;
}

static void from_talk(const lt_talk_test *t, metrics *m)
{
    double sums[2] = {0.0, 0.0};
    size_t counts[2] = {0, 0};
    for (size_t i = 0; i < t->band_count; i++) {
        const double hz = t->bands[i].band.nominal_hz;
        const int part = hz > 390.0 && hz < 1700.0 ? 0 : hz > 1900.0 && hz < 4100.0 ? 1 : -1;
        if (part < 0 || !lt_is_known(t->bands[i].speech_db))
            continue;
        sums[part] += t->bands[i].speech_db;
        counts[part]++;
    }
    if (lt_is_known(m->figure[LT_ISOLATE_LOSS]))
        return; /* a sweep tells more */
    m->figure[LT_ISOLATE_LOSS] = t->level.active_level_db;
    if (counts[0] >= 3 && counts[1] >= 3)
        m->figure[LT_ISOLATE_TREBLE] = sums[1] / (double)counts[1] - sums[0] / (double)counts[0];
    if (!lt_is_known(m->figure[LT_ISOLATE_NOISE]) && lt_is_known(t->noise_level_db))
        m->figure[LT_ISOLATE_NOISE] = t->noise_level_db - t->level.active_level_db;
    m->snr_db = t->level.active_level_db - t->noise_level_db;
}

static metrics measure(const lt_response *r, const lt_levels *noise, const lt_talk_test *talk)
{
    metrics m = {.snr_db = NAN};
    for (int k = 0; k < LT_ISOLATE_KIND_COUNT; k++)
        m.figure[k] = NAN;
    if (r != NULL)
        from_response(r, &m);
    if (talk != NULL)
        from_talk(talk, &m);
    if (noise != NULL)
        from_noise(noise, &m);
    return m;
}

/* ---- jumps ---- */

/* How much worse `b` is than `a`; negative: better; NaN: cannot be told. */
static double jump(lt_isolate_kind k, const metrics *a, const metrics *b)
{
    const double x = a->figure[k], y = b->figure[k];
    if (!lt_is_known(x) || !lt_is_known(y))
        return NAN;
    if (k == LT_ISOLATE_POLARITY)
        return x * y < 0.0 ? 2.0 : 0.0;
    if (!kinds[k].falls && lt_is_known(kinds[k].silent) && y < kinds[k].silent)
        return 0.0;
    if (k == LT_ISOLATE_DISTORTION && y < 2.0 * x)
        return 0.0;
    return kinds[k].falls ? x - y : y - x;
}

static double probability_of(lt_isolate_kind k, double change, const metrics *a, const metrics *b)
{
    const double times = change / kinds[k].from, snr = fmin(a->snr_db, b->snr_db);
    double p = times >= 2.0 ? 0.95 : times >= 1.4 ? 0.85 : 0.7;
    if (snr < 10.0 && k != LT_ISOLATE_NOISE && k != LT_ISOLATE_HUM)
        p -= 0.25;
    return p;
}

typedef struct {
    const lt_isolate_point *points;
    size_t count, bridge_from, bridge_to;
    metrics plain[LT_ISOLATE_POINTS_MAX], bypass[LT_ISOLATE_POINTS_MAX];
    bool recorded[LT_ISOLATE_POINTS_MAX], bypassed[LT_ISOLATE_POINTS_MAX];
    lt_isolation *out;
} job;

static lt_isolate_fault *add(job *j, lt_isolate_kind k, size_t from, size_t to, double change, double probability)
{
    if (j->out->fault_count == LT_ISOLATE_FAULTS_MAX)
        return NULL;
    lt_isolate_fault *f = &j->out->faults[j->out->fault_count++];
    *f = (lt_isolate_fault){.kind = k, .from = from, .to = to, .change = change, .probability = probability};
    (void)snprintf(f->unit, sizeof f->unit, "%s", kinds[k].unit);
    f->before = from == to ? (double)NAN : j->plain[from].figure[k];
    f->after = j->plain[to].figure[k];
    return f;
}

static void describe(const job *j, lt_isolate_fault *f)
{
    const char *a = j->points[f->from].name, *b = j->points[f->to].name;
    const char *unit = kinds[f->kind].unit, *word = kinds[f->kind].word;
    if (f->kind == LT_ISOLATE_POLARITY)
        say(f->evidence, "The first swing is %s at %.40s and %s at %.40s.", f->before > 0.0 ? "positive" : "negative",
            a, f->after > 0.0 ? "positive" : "negative", b);
    else if (f->from == f->to)
        say(f->evidence, "%s %.1f %s already at %.40s, the first point recorded.", word, f->after, unit, b);
    else if (f->before <= nothing_db)
        say(f->evidence, "%s: none at %.40s, %.1f %s at %.40s.", word, a, f->after, unit, b);
    else
        say(f->evidence, "%s %.1f %s at %.40s, %.1f %s at %.40s.", word, f->before, unit, a, f->after, unit, b);
}

/* With the coupler in place the fault is gone: it is in the bridged part. It stays: it is elsewhere. */
static void narrow(const job *j, lt_isolate_fault *f)
{
    const size_t p = f->to;
    if (j->bridge_from == j->bridge_to || f->from == f->to || !j->bypassed[p] || f->to - f->from < 1)
        return;
    if (f->to <= j->bridge_from || f->from >= j->bridge_to)
        return; /* the coupler does not bridge any suspect */
    const double left = jump(f->kind, &j->plain[f->from], &j->bypass[p]);
    if (!lt_is_known(left))
        return;
    char more[80];
    const bool gone = left<0.5 * f->change, stays = left> 0.8 * f->change;
    if (!gone && !stays)
        return;
    (void)snprintf(more, sizeof more, " With the coupler it %s.", gone ? "is gone" : "stays");
    const size_t used = strlen(f->evidence);
    (void)snprintf(f->evidence + used, sizeof f->evidence - used, "%s", more);
    f->bypass_tells = true;
    f->probability = fmin(0.97, f->probability + 0.05);
    if (gone) {
        f->from = f->from > j->bridge_from ? f->from : j->bridge_from;
        f->to = f->to < j->bridge_to ? f->to : j->bridge_to;
    } else if (j->bridge_from <= f->from) { /* what is left lies behind the bridge ... */
        f->from = j->bridge_to < f->to ? j->bridge_to : f->from;
    } else if (j->bridge_to >= f->to) { /* ... or before it */
        f->to = j->bridge_from;
    }
}

static void advise(const job *j, lt_isolate_fault *f)
{
    if (f->from == f->to)
        say(f->next_step, "It comes from before %.40s: record nearer to the source, or at the source itself.",
            j->points[f->to].name);
    else if (f->to - f->from == 1)
        say(f->next_step, "The part between %.40s and %.40s: re-terminate or swap it, and record %.40s again.",
            j->points[f->from].name, j->points[f->to].name, j->points[f->to].name);
    else
        say(f->next_step, "%zu parts between %.40s and %.40s are suspected: record at %.40s next.", f->to - f->from,
            j->points[f->from].name, j->points[f->to].name, j->points[f->from + (f->to - f->from) / 2].name);
}

static void find_faults(job *j)
{
    for (int k = 0; k < LT_ISOLATE_KIND_COUNT; k++) {
        const lt_isolate_kind kind = (lt_isolate_kind)k;
        size_t last = j->count;
        for (size_t p = 0; p < j->count; p++) {
            if (!j->recorded[p] || !lt_is_known(j->plain[p].figure[k]))
                continue;
            lt_isolate_fault *f = NULL;
            if (last == j->count) {
                if (lt_is_known(kinds[k].bad) && j->plain[p].figure[k] >= kinds[k].bad && p + 1 < j->count)
                    f = add(j, kind, p, p, j->plain[p].figure[k], 0.6);
            } else {
                const double change = jump(kind, &j->plain[last], &j->plain[p]);
                if (change >= kinds[k].from)
                    f = add(j, kind, last, p, change, probability_of(kind, change, &j->plain[last], &j->plain[p]));
            }
            last = p;
            if (f == NULL)
                continue;
            describe(j, f);
            narrow(j, f);
            advise(j, f);
        }
    }
}

/* Loss makes noise and distortion of the recorder stand out; where the signal is all but gone only the loss is told. */
static void drop_consequences(job *j)
{
    size_t kept = 0;
    for (size_t i = 0; i < j->out->fault_count; i++) {
        const lt_isolate_fault *f = &j->out->faults[i];
        bool follows = false;
        for (size_t k = 0; k < j->out->fault_count; k++) {
            const lt_isolate_fault *loss = &j->out->faults[k];
            follows |= loss->kind == LT_ISOLATE_LOSS && f->kind == LT_ISOLATE_NOISE && loss->to == f->to &&
                       loss->from == f->from && f->change < loss->change + 2.0 && f->after < -25.0;
        }
        if (!follows)
            j->out->faults[kept++] = *f;
    }
    j->out->fault_count = kept;
}

static double weight(const lt_isolate_fault *f)
{
    return f->change / kinds[f->kind].from * (f->from == f->to ? 0.1 : 1.0);
}

static void sort_faults(lt_isolation *o)
{
    for (size_t i = 1; i < o->fault_count; i++) {
        const lt_isolate_fault f = o->faults[i];
        size_t k = i;
        for (; k > 0 && weight(&o->faults[k - 1]) < weight(&f); k--)
            o->faults[k] = o->faults[k - 1];
        o->faults[k] = f;
    }
}

/* ---- what to record next ---- */

/* The point not yet recorded that is nearest to the middle of (from, to). */
static bool middle(const job *j, size_t from, size_t to, size_t *point)
{
    double best = (double)INFINITY;
    for (size_t p = from + 1; p < to; p++) {
        const double distance = fabs((double)p - (double)(from + to) / 2.0);
        if (!j->recorded[p] && distance < best) {
            best = distance;
            *point = p;
        }
    }
    return best < (double)INFINITY;
}

static void suggest(job *j)
{
    lt_isolation *o = j->out;
    size_t first = j->count, last = 0;
    for (size_t p = 0; p < j->count; p++)
        if (j->recorded[p]) {
            first = p < first ? p : first;
            last = p;
        }
    for (size_t i = 0; i < o->fault_count && !o->next_known; i++) {
        const lt_isolate_fault *f = &o->faults[i];
        if (f->to - f->from < 2)
            continue;
        o->next_known = middle(j, f->from, f->to, &o->next_point);
        if (o->next_known)
            say(o->next_why, "Of the %zu parts suspected of %s it leaves %zu or %zu.", f->to - f->from,
                kinds[f->kind].name, o->next_point - f->from, f->to - o->next_point);
    }
    if (o->next_known || o->fault_count > 0)
        return;
    if (o->recorded == 1 && j->count > 1) { /* one end: the other one brackets the chain */
        o->next_known = true;
        o->next_point = first > j->count - 1 - first ? 0 : j->count - 1;
        say(o->next_why, "One point shows no jump; the two ends together bracket the whole chain.");
    } else if (last + 1 < j->count || first > 0) {
        o->next_known = true;
        o->next_point = last + 1 < j->count ? j->count - 1 : 0;
        say(o->next_why, "No fault up to here; the other end brackets what is left.");
    }
}

lt_status lt_isolate(const lt_isolate_point *points, size_t count, size_t bridge_from, size_t bridge_to,
                     lt_isolation *out, lt_error *err)
{
    *out = (lt_isolation){0};
    if (count < 2 || count > LT_ISOLATE_POINTS_MAX)
        return ltp_fail(err, LT_E_ARG, "%zu points: an isolation test needs 2 to %d, in the order of the signal", count,
                        (int)LT_ISOLATE_POINTS_MAX);
    if (bridge_from > bridge_to || bridge_to >= count)
        return ltp_fail(err, LT_E_ARG, "the bypass must go from one point to a later one");
    job *j = ltp_alloc(1, sizeof *j);
    if (j == NULL)
        return ltp_fail_nomem(err, "an isolation test");
    *j = (job){.points = points, .count = count, .bridge_from = bridge_from, .bridge_to = bridge_to, .out = out};
    for (size_t p = 0; p < count; p++) {
        const lt_isolate_point *q = &points[p];
        j->recorded[p] = q->response != NULL || q->noise != NULL || q->talk != NULL;
        j->bypassed[p] = q->bypass_response != NULL || q->bypass_noise != NULL || q->bypass_talk != NULL;
        j->plain[p] = measure(q->response, q->noise, q->talk);
        j->bypass[p] = measure(q->bypass_response, q->bypass_noise, q->bypass_talk);
        out->recorded += j->recorded[p] ? 1 : 0;
        if (q->response != NULL && (q->response->delay_ms < -1.0 || q->response->delay_ms > 1500.0)) {
            lt_notes_add(&out->notes, "delay-unknown",
                         "%.60s: the recorder did not begin with the playback, so delays are not compared.", q->name);
            for (size_t k = 0; k < count; k++)
                j->plain[k].figure[LT_ISOLATE_DELAY] = j->bypass[k].figure[LT_ISOLATE_DELAY] = NAN;
        }
    }
    lt_status st = LT_OK;
    if (out->recorded == 0) {
        st = ltp_fail(err, LT_E_ARG, "no point has a recording yet: record the first and the last one");
    } else {
        find_faults(j);
        drop_consequences(j);
        sort_faults(out);
        suggest(j);
    }
    ltp_free(j);
    return st;
}
