/* SPDX-License-Identifier: MIT
 * Voice switching: two gains, when they change, and the ramp between them, by likelihood. */
#include "loop/switching.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double change_cost = 20.0; /* nats that a change of the gain must be worth */
static const double inside_s = 0.03;    /* levels are taken this far from a change */
static const double shortest_s = 0.025;
static const double context_s = 0.12; /* of the steady gain on both sides of a ramp */
static const double deepest = 1e-4;   /* -80 dB re open */
enum { ROUNDS = 8, RAMP_BLOCKS_MAX = 2048 };

double ltp_track_likelihood(const ltp_track *t, size_t k, double g)
{
    if (t->same) {
        return (2.0 * g * t->cross[k] - g * g * t->reference[k]) / (2.0 * t->variance[k]);
    }
    const double p = g * g + t->noise + 1e-30;
    return -0.5 * ((double)t->block * log(p) + t->power[k] / p);
}

/* ---- two gains ---- */

/* Viterbi over two states. back: [2 count] of scratch. */
static double viterbi(const ltp_track *t, double open, double closed, unsigned char *state, unsigned char *back)
{
    double v[2] = {0.0, 0.0};
    for (size_t k = 0; k < t->count; k++) {
        double next[2];
        for (unsigned s = 0; s < 2; s++) {
            const bool change = v[1 - s] - change_cost > v[s];
            back[2 * k + s] = change;
            next[s] = (change ? v[1 - s] - change_cost : v[s]) + ltp_track_likelihood(t, k, s == 1 ? open : closed);
        }
        v[0] = next[0];
        v[1] = next[1];
    }
    unsigned s = v[1] > v[0] ? 1 : 0;
    const double total = v[s];
    for (size_t k = t->count; k-- > 0;) {
        state[k] = (unsigned char)s;
        s = back[2 * k + s] ? 1 - s : s;
    }
    return total;
}

/* No voice switch moves twice within 25 ms: such stretches are chance. */
static void drop_short(const ltp_track *t, unsigned char *state)
{
    const size_t least = (size_t)(shortest_s / LTP_BLOCK_S);
    for (size_t k = 0; k < t->count;) {
        size_t end = k;
        while (end < t->count && state[end] == state[k])
            end++;
        if (k > 0 && end < t->count && end - k < least)
            memset(state + k, state[k - 1], end - k);
        k = end;
    }
}

typedef struct {
    double gain, sigma; /* sigma: standard error */
    size_t blocks;
} level_estimate;

/* Gain of all blocks of one state that lie `inside` from its ends. */
static level_estimate estimate(const ltp_track *t, const unsigned char *state, unsigned which, size_t after,
                               size_t before)
{
    double cross = 0.0, reference = 0.0, power = 0.0;
    level_estimate e = {NAN, NAN, 0};
    for (size_t k = 0; k < t->count;) {
        size_t end = k;
        while (end < t->count && state[end] == state[k])
            end++;
        for (size_t i = k + (k > 0 ? after : 0); state[k] == which && i + before < end; i++) {
            const double w = t->same ? 1.0 / t->variance[i] : 1.0;
            cross += w * t->cross[i];
            reference += w * t->reference[i];
            power += t->power[i];
            e.blocks++;
        }
        k = end;
    }
    if (e.blocks == 0)
        return e;
    if (t->same) {
        e.gain = reference > 0.0 ? cross / reference : (double)NAN;
        e.sigma = reference > 0.0 ? 1.0 / sqrt(reference) : (double)NAN;
    } else {
        const double n = (double)e.blocks * (double)t->block;
        e.gain = sqrt(power / n);
        e.sigma = e.gain / sqrt(2.0 * n);
    }
    return e;
}

/* First guess: quantiles of the gain in windows of 20 ms. */
static lt_status first_guess(const ltp_track *t, double *open, double *closed, lt_error *err)
{
    const size_t per = 20, windows = t->count / per;
    double *g = ltp_alloc(windows + 1, sizeof *g);
    size_t count = 0;
    if (g == NULL)
        return ltp_fail_nomem(err, "the gains of a voice switch");
    for (size_t w = 0; w < windows; w++) {
        double c = 0.0, r = 0.0, p = 0.0;
        for (size_t k = w * per; k < (w + 1) * per; k++) {
            c += t->cross[k];
            r += t->reference[k];
            p += t->power[k];
        }
        if (!t->same)
            g[count++] = sqrt(p / (double)(per * t->block));
        else if (r > 100.0 * t->noise)
            g[count++] = fmax(c / r, 0.0);
    }
    *open = count > 0 ? lt_quantile(g, count, 0.9) : 1.0;
    *closed = count > 0 ? lt_quantile(g, count, 0.1) : 0.1;
    *closed = fmax(fmin(*closed, 0.6 * *open), 0.003 * *open);
    ltp_free(g);
    return LT_OK;
}

static double one_gain(const ltp_track *t, unsigned char *state)
{
    double total = 0.0;
    memset(state, 1, t->count);
    const level_estimate e = estimate(t, state, 1, 0, 0);
    for (size_t k = 0; k < t->count && lt_is_known(e.gain); k++)
        total += ltp_track_likelihood(t, k, e.gain);
    return total;
}

lt_status ltp_levels_fit_create(const ltp_track *t, ltp_levels_fit *out, lt_error *err)
{
    unsigned char *back = ltp_alloc(2 * t->count, 1);
    *out = (ltp_levels_fit){.state = ltp_alloc(t->count, 1)};
    lt_status st = back == NULL || out->state == NULL ? ltp_fail_nomem(err, "the gains of a voice switch")
                                                      : first_guess(t, &out->open, &out->closed, err);
    if (st != LT_OK)
        goto done;
    const double alone = one_gain(t, out->state);
    const size_t inside = (size_t)(inside_s / LTP_BLOCK_S);
    double total = alone;
    for (int round = 0; round < ROUNDS; round++) {
        total = viterbi(t, out->open, out->closed, out->state, back);
        drop_short(t, out->state);
        level_estimate o = estimate(t, out->state, 1, 2 * inside, inside);
        /* Closed: the release ramps on for long, so the later part of each closed stretch counts where there is one. */
        level_estimate c = estimate(t, out->state, 0, 8 * inside, inside);
        if (c.blocks < 100)
            c = estimate(t, out->state, 0, inside, inside / 3);
        if (o.blocks < 20)
            o = estimate(t, out->state, 1, inside / 3, inside / 3);
        if (!lt_is_known(o.gain) || !lt_is_known(c.gain) || o.gain <= 0.0)
            break;
        out->open = o.gain;
        out->closed_in_noise = t->same && c.gain < 3.0 * c.sigma;
        out->closed = fmax(out->closed_in_noise ? fmax(c.gain, c.sigma) + c.sigma : c.gain, deepest * o.gain);
        out->closed_sigma = hypot(c.sigma / fmax(out->closed, 1e-30), o.sigma / o.gain);
    }
    out->evidence = total - alone;
done:
    ltp_free(back);
    if (st != LT_OK)
        ltp_levels_fit_free(out);
    return st;
}

void ltp_levels_fit_free(ltp_levels_fit *f)
{
    ltp_free(f->state);
    f->state = NULL;
}

/* ---- ramps ---- */

double ltp_ramp_gain(lt_ramp_shape shape, double time_s, double a, double b, double after)
{
    if (after <= 0.0)
        return a;
    if (shape == LT_RAMP_EXPONENTIAL)
        return b + (a - b) * exp(-after / fmax(time_s, 1e-5));
    if (after >= time_s)
        return b;
    const double x = after / time_s;
    return shape == LT_RAMP_AMPLITUDE ? a + (b - a) * x : a * pow(b / a, x);
}

typedef struct {
    size_t change;      /* block at which the state changes */
    size_t first, last; /* blocks that the fit may look at */
} event;

static size_t list_events(const ltp_track *t, const ltp_levels_fit *l, bool opens, event *out)
{
    size_t count = 0, previous = 0;
    for (size_t k = 1; k < t->count; k++) {
        if (l->state[k] == l->state[k - 1])
            continue;
        size_t next = k + 1;
        while (next < t->count && l->state[next] == l->state[k])
            next++;
        if ((l->state[k] == 1) == opens && count < LT_SWITCHING_EVENTS_MAX)
            out[count++] = (event){.change = k, .first = previous, .last = next};
        previous = k;
    }
    return count;
}

/* Events with room on both sides come first in `roomy`; where there are too few, all. */
static size_t choose_roomy(const event *e, size_t count, size_t room_before, size_t room_after, event *roomy,
                           bool *is_roomy)
{
    size_t kept = 0;
    for (size_t i = 0; i < count; i++) {
        is_roomy[i] = e[i].change - e[i].first >= room_before && e[i].last - e[i].change >= room_after;
        if (is_roomy[i])
            roomy[kept++] = e[i];
    }
    if (kept >= 3)
        return kept;
    memcpy(roomy, e, count * sizeof *e);
    for (size_t i = 0; i < count; i++)
        is_roomy[i] = true;
    return count;
}

typedef struct {
    const ltp_track *t;
    double a, b;                 /* gains before and after */
    const double *sum_a, *sum_b; /* [count + 1] running sums of the likelihoods of both */
    /* Likelihood of block k on step i of the ramp: by_first[i] first[k] + by_second[i] second[k] + alone[i]. */
    const double *first, *second;
    double by_first[RAMP_BLOCKS_MAX], by_second[RAMP_BLOCKS_MAX], alone[RAMP_BLOCKS_MAX];
    size_t length;
} ramp_job;

static void make_ramp(ramp_job *j, lt_ramp_shape shape, double time_s)
{
    const double span = shape == LT_RAMP_EXPONENTIAL ? 7.0 * time_s : time_s;
    j->length = (size_t)ceil(span / LTP_BLOCK_S) + 1;
    if (j->length > RAMP_BLOCKS_MAX)
        j->length = RAMP_BLOCKS_MAX;
    for (size_t i = 0; i < j->length; i++) {
        const double g = ltp_ramp_gain(shape, time_s, j->a, j->b, ((double)i + 0.5) * LTP_BLOCK_S);
        const double p = g * g + j->t->noise + 1e-30;
        j->by_first[i] = j->t->same ? g : -0.5 / p;
        j->by_second[i] = j->t->same ? -g * g : 0.0;
        j->alone[i] = j->t->same ? 0.0 : -0.5 * (double)j->t->block * log(p);
    }
}

/* Likelihood of a ramp that starts at block `start`, over [lo, hi). */
static double ramp_likelihood(const ramp_job *j, size_t start, size_t lo, size_t hi)
{
    double sum = j->sum_a[start] - j->sum_a[lo];
    size_t k = start;
    for (size_t i = 0; i < j->length && k < hi; i++, k++)
        sum += j->by_first[i] * j->first[k] + j->by_second[i] * j->second[k] + j->alone[i];
    return k < hi ? sum + j->sum_b[hi] - j->sum_b[k] : sum;
}

/* The window does not depend on time or shape, so that likelihoods can be compared. */
static double fit_event(const ramp_job *j, const event *e, size_t step, size_t reach, size_t *start)
{
    const size_t context = (size_t)(context_s / LTP_BLOCK_S);
    size_t lo = e->change > reach + context ? e->change - reach - context : 0;
    size_t hi = e->change + reach + context;
    lo = lo < e->first ? e->first : lo;
    hi = hi > e->last ? e->last : hi;
    double best = -(double)INFINITY;
    const size_t from = e->change > lo + reach ? e->change - reach : lo;
    const size_t to = e->change + reach < hi ? e->change + reach : hi;
    size_t at = from;
    for (size_t s = from; s < to; s += step) {
        const double v = ramp_likelihood(j, s, lo, hi);
        if (v > best) {
            best = v;
            at = s;
        }
    }
    for (size_t s = at > from + step ? at - step + 1 : from; step > 1 && s < at + step && s < to; s++) {
        const double v = ramp_likelihood(j, s, lo, hi);
        if (v > best) {
            best = v;
            at = s;
        }
    }
    *start = at;
    return best;
}

static double fit_all(ramp_job *j, const event *e, size_t count, size_t reach, lt_ramp_shape shape, double time_s)
{
    double sum = 0.0;
    size_t start = 0;
    make_ramp(j, shape, time_s);
    for (size_t i = 0; i < count; i++)
        sum += fit_event(j, &e[i], 6, reach, &start);
    return sum;
}

/* Best time of a shape: a coarse row of times, then golden steps about the best. */
static double best_time(ramp_job *j, const event *e, size_t count, size_t reach, lt_ramp_shape shape,
                        double *likelihood)
{
    static const double row_s[] = {0.001, 0.002, 0.0035, 0.006, 0.01, 0.016, 0.025,
                                   0.04,  0.06,  0.09,   0.13,  0.19, 0.28,  0.4};
    double best = -(double)INFINITY, at = row_s[0];
    size_t index = 0;
    const double scale = shape == LT_RAMP_EXPONENTIAL ? 0.4 : 1.0;
    for (size_t i = 0; i < LTP_COUNT(row_s); i++) {
        const double v = fit_all(j, e, count, reach, shape, scale * row_s[i]);
        if (v > best) {
            best = v;
            index = i;
        }
    }
    double lo = scale * row_s[index > 0 ? index - 1 : 0],
           hi = scale * row_s[index + 1 < LTP_COUNT(row_s) ? index + 1 : index];
    at = scale * row_s[index];
    for (int round = 0; round < 6; round++) {
        const double left = (lo + at) / 2.0, right = (at + hi) / 2.0;
        const double vl = fit_all(j, e, count, reach, shape, left), vr = fit_all(j, e, count, reach, shape, right);
        if (vl > best && vl >= vr) {
            hi = at;
            at = left;
            best = vl;
        } else if (vr > best) {
            lo = at;
            at = right;
            best = vr;
        } else {
            lo = left;
            hi = right;
        }
    }
    *likelihood = best;
    return at;
}

static void running_sums(const ltp_track *t, double g, double *sum)
{
    sum[0] = 0.0;
    for (size_t k = 0; k < t->count; k++)
        sum[k + 1] = sum[k] + ltp_track_likelihood(t, k, g);
}

lt_status ltp_ramp_fit_make(const ltp_track *t, const ltp_levels_fit *l, bool opens, ltp_ramp_fit *out, lt_error *err)
{
    *out = (ltp_ramp_fit){.time_s = NAN};
    ramp_job *j = ltp_alloc(1, sizeof *j);
    event *events = ltp_alloc(2 * LT_SWITCHING_EVENTS_MAX, sizeof *events); /* all, then the roomy ones */
    double *sums = ltp_alloc(4 * (t->count + 1), sizeof *sums); /* two running sums, then first and second */
    lt_status st = LT_OK;
    if (j == NULL || events == NULL || sums == NULL) {
        st = ltp_fail_nomem(err, "the ramps of a voice switch");
        goto done;
    }
    *j = (ramp_job){.t = t, .a = opens ? l->closed : l->open, .b = opens ? l->open : l->closed};
    running_sums(t, j->a, sums);
    running_sums(t, j->b, sums + t->count + 1);
    j->sum_a = sums;
    j->sum_b = sums + t->count + 1;
    double *first = sums + 2 * (t->count + 1), *second = first + t->count + 1;
    for (size_t k = 0; k < t->count; k++) {
        first[k] = t->same ? t->cross[k] / t->variance[k] : t->power[k];
        second[k] = t->same ? t->reference[k] / (2.0 * t->variance[k]) : 0.0;
    }
    j->first = first;
    j->second = second;
    const size_t count = list_events(t, l, opens, events);
    event *roomy = events + LT_SWITCHING_EVENTS_MAX;
    out->roomy = choose_roomy(events, count, 60, 150, roomy, out->is_roomy);
    if (count == 0)
        goto done;
    const size_t reach = 350;
    double best = -(double)INFINITY;
    const size_t used = out->roomy > 30 ? 30 : out->roomy; /* for shape and time; the starts are found for all */
    for (int s = LT_RAMP_DB; s <= LT_RAMP_EXPONENTIAL; s++) {
        double v;
        const double time_s = best_time(j, roomy, used, reach, (lt_ramp_shape)s, &v);
        if (v > best) {
            best = v;
            out->shape = (lt_ramp_shape)s;
            out->time_s = time_s;
        }
    }
    make_ramp(j, out->shape, out->time_s);
    for (size_t i = 0; i < count; i++) {
        size_t start = 0;
        (void)fit_event(j, &events[i], 1, reach, &start);
        out->start_s[out->count++] = (double)start * LTP_BLOCK_S;
    }
done:
    ltp_free(j);
    ltp_free(events);
    ltp_free(sums);
    return st;
}

/* ---- levels between the ramps ---- */

static size_t span_blocks(const ltp_ramp_fit *f)
{
    const double whole_s = f->shape == LT_RAMP_EXPONENTIAL ? 8.0 * f->time_s : f->time_s;
    return (size_t)ceil(whole_s / LTP_BLOCK_S) + 5;
}

/* Marks in `state` (2 = neither) what lies between the end of a ramp and the beginning of the next. */
static size_t mark_between(const ltp_track *t, const ltp_ramp_fit *from, const ltp_ramp_fit *to, unsigned char value,
                           unsigned char *state)
{
    size_t marked = 0;
    for (size_t i = 0; i < from->count; i++) {
        const size_t start = (size_t)lround(from->start_s[i] / LTP_BLOCK_S);
        size_t end = t->count;
        for (size_t k = 0; k < to->count; k++) {
            const size_t next = (size_t)lround(to->start_s[k] / LTP_BLOCK_S);
            if (next > start && next < end)
                end = next;
        }
        for (size_t k = start + span_blocks(from); k + 5 < end; k++, marked++)
            state[k] = value;
    }
    return marked;
}

lt_status ltp_levels_refine(const ltp_track *t, const ltp_ramp_fit *opens, const ltp_ramp_fit *closes,
                            ltp_levels_fit *l, lt_error *err)
{
    if (opens->count == 0 || closes->count == 0)
        return LT_OK;
    unsigned char *state = ltp_alloc(t->count, 1);
    if (state == NULL)
        return ltp_fail_nomem(err, "the gains of a voice switch");
    memset(state, 2, t->count);
    const size_t open = mark_between(t, opens, closes, 1, state), closed = mark_between(t, closes, opens, 0, state);
    const level_estimate o = estimate(t, state, 1, 0, 0), c = estimate(t, state, 0, 0, 0);
    if (open >= 100 && lt_is_known(o.gain) && o.gain > 0.0)
        l->open = o.gain;
    if (closed >= 100 && lt_is_known(c.gain)) {
        l->closed_in_noise = t->same && c.gain < 3.0 * c.sigma;
        l->closed = fmax(l->closed_in_noise ? fmax(c.gain, c.sigma) + c.sigma : c.gain, deepest * l->open);
        l->closed_sigma = hypot(c.sigma / l->closed, o.sigma / o.gain);
    }
    ltp_free(state);
    return LT_OK;
}
