/* SPDX-License-Identifier: MIT
 * What a stimulus is made of: parts between silences, markers at both ends, equal repeats between them. */
#include "response/structure.h"
#include "base/alloc.h"

#include <math.h>

static const double block_s = 0.005;
static const double silence_db = -55.0;      /* re the loudest block */
static const double silence_least_s = 0.06;  /* shorter pauses do not separate */
static const double extend_s = 0.05;         /* faint ends of a part that lie in the silence around it */
static const double marker_of_longest = 0.9; /* a marker is at most this long, re the longest part */
static const double shortest_s = 0.02;
static const double same_length_s = 0.016;
static const double same_correlation = 0.98;

enum { PARTS_MAX = LTP_REPEATS_MAX + 2, PROBE = 1024 };

typedef struct {
    ltp_span items[PARTS_MAX];
    size_t count;
    bool too_many;
} parts;

static double block_power(const lt_signal *s, size_t block, size_t i)
{
    const size_t first = i * block;
    const size_t end = first + block < s->count ? first + block : s->count;
    double sum = 0.0;
    for (size_t k = first; k < end; k++)
        sum += s->samples[k] * s->samples[k];
    return sum / (double)block;
}

static void add_part(parts *p, size_t first, size_t end)
{
    if (p->count == PARTS_MAX) {
        p->too_many = true;
        return;
    }
    p->items[p->count++] = (ltp_span){first, end - first};
}

static void find_parts(const lt_signal *s, parts *p)
{
    const size_t block = (size_t)fmax(block_s * s->rate_hz, 1.0);
    const size_t blocks = (s->count + block - 1) / block;
    const size_t quiet_least = (size_t)(silence_least_s / block_s);
    double top = 0.0;
    for (size_t i = 0; i < blocks; i++)
        top = fmax(top, block_power(s, block, i));
    const double threshold = top * lt_power_from_db(silence_db);
    size_t first = 0;
    size_t end = 0; /* one past the last loud block; 0 = in silence */
    for (size_t i = 0; i < blocks; i++) {
        if (block_power(s, block, i) > threshold) {
            if (end == 0)
                first = i;
            end = i + 1;
        } else if (end != 0 && i - end >= quiet_least) {
            add_part(p, first * block, end * block);
            end = 0;
        }
    }
    if (end != 0)
        add_part(p, first * block, end * block < s->count ? end * block : s->count);
}

/* Normalised correlation of count samples of a with b shifted, best over around +- reach; *lag = the shift. */
static double probe(const double *a, const double *b, ptrdiff_t b_room_before, ptrdiff_t b_room_after, size_t count,
                    ptrdiff_t around, ptrdiff_t reach, ptrdiff_t *lag)
{
    double aa = 0.0;
    for (size_t i = 0; i < count; i++)
        aa += a[i] * a[i];
    double best = 0.0;
    for (ptrdiff_t k = around - reach; k <= around + reach; k++) {
        if (k < -b_room_before || k > b_room_after)
            continue;
        double ab = 0.0;
        double bb = 0.0;
        for (size_t i = 0; i < count; i++) {
            const double y = b[(ptrdiff_t)i + k];
            ab += a[i] * y;
            bb += y * y;
        }
        const double r = aa > 0.0 && bb > 0.0 ? ab / sqrt(aa * bb) : 0.0;
        if (r > best) {
            best = r;
            *lag = k;
        }
    }
    return best;
}

/* Moves part b so that it is the copy of part a, sample by sample; both get the same length. False: it is no copy. */
static bool align_copy(const lt_signal *s, ltp_span *copied, ltp_span *b)
{
    const ltp_span a = *copied;
    static const double places[] = {0.7, 0.3, 0.5};
    if (fabs((double)a.count - (double)b->count) > same_length_s * s->rate_hz)
        return false;
    const ptrdiff_t wide = (ptrdiff_t)(3.0 * block_s * s->rate_hz); /* parts begin on whole blocks, give or take one */
    ptrdiff_t shift = 0;
    for (size_t i = 0; i < LTP_COUNT(places); i++) {
        const size_t at = (size_t)(places[i] * (double)a.count);
        const size_t count = a.count / 4 < PROBE ? a.count / 4 : PROBE;
        const ptrdiff_t from = (ptrdiff_t)(b->first + at);
        if (from + (ptrdiff_t)count > (ptrdiff_t)s->count)
            return false;
        ptrdiff_t lag = 0;
        const double r = probe(s->samples + a.first + at, s->samples + from, from,
                               (ptrdiff_t)s->count - from - (ptrdiff_t)count, count, shift, i == 0 ? wide : 2, &lag);
        if (r < same_correlation || (i > 0 && lag != shift))
            return false;
        shift = lag;
    }
    const ptrdiff_t first = (ptrdiff_t)b->first + shift;
    if (first < 0 || first >= (ptrdiff_t)s->count)
        return false;
    /* Parts end on whole blocks: the copy may end with the file, a little earlier. */
    const size_t left = s->count - (size_t)first;
    copied->count = a.count < left ? a.count : left;
    *b = (ltp_span){(size_t)first, copied->count};
    return true;
}

/* All parts from first on, count of them, as copies of the first one. */
static bool take_repeats(const lt_signal *s, const parts *p, size_t first, size_t count, ltp_structure *out)
{
    if (count == 0 || count > LTP_REPEATS_MAX)
        return false;
    out->sweeps[0] = p->items[first];
    for (size_t i = 1; i < count; i++) {
        out->sweeps[i] = p->items[first + i];
        if (!align_copy(s, &out->sweeps[0], &out->sweeps[i]))
            return false;
    }
    for (size_t i = 1; i < count; i++)
        out->sweeps[i].count = out->sweeps[0].count;
    out->sweep_count = count;
    return true;
}

static bool take_markers(const lt_signal *s, const parts *p, ltp_structure *out)
{
    if (p->count < 3)
        return false;
    size_t longest = 0;
    for (size_t i = 1; i + 1 < p->count; i++)
        longest = p->items[i].count > longest ? p->items[i].count : longest;
    out->marker[0] = p->items[0];
    out->marker[1] = p->items[p->count - 1];
    return (double)out->marker[0].count <= marker_of_longest * (double)longest &&
           align_copy(s, &out->marker[0], &out->marker[1]);
}

static void take_whole(const parts *p, size_t first, size_t count, ltp_structure *out)
{
    const ltp_span *a = &p->items[first];
    const ltp_span *b = &p->items[first + count - 1];
    out->sweeps[0] = (ltp_span){a->first, b->first + b->count - a->first};
    out->sweep_count = 1;
}

static lt_status check_stimulus(const lt_signal *s, lt_error *err)
{
    if ((double)s->count < shortest_s * s->rate_hz)
        return ltp_fail(err, LT_E_ARG, "the stimulus has only %zu samples; give the file that was played", s->count);
    const double peak = lt_signal_peak(s);
    if (!isfinite(peak))
        return ltp_fail(err, LT_E_ARG, "the stimulus holds samples that are no numbers; give the file that was played");
    if (!(peak > 0.0))
        return ltp_fail(err, LT_E_ARG, "the stimulus is silent; give the file that was played");
    return LT_OK;
}

/* Frames of silence that belong to a part: half of that between two parts, all of it at the ends, extend_s at most. */
static size_t room_before(const lt_signal *s, const parts *p, size_t i)
{
    const size_t most = (size_t)(extend_s * s->rate_hz);
    const size_t end = i == 0 ? 0 : p->items[i - 1].first + p->items[i - 1].count;
    const size_t silence = p->items[i].first - end;
    const size_t room = i == 0 ? silence : silence / 2;
    return room < most ? room : most;
}

static size_t room_after(const lt_signal *s, const parts *p, size_t i)
{
    const size_t most = (size_t)(extend_s * s->rate_hz);
    const size_t end = p->items[i].first + p->items[i].count;
    const size_t silence = (i + 1 < p->count ? p->items[i + 1].first : s->count) - end;
    const size_t room = i + 1 < p->count ? silence / 2 : silence;
    return room < most ? room : most;
}

/* Ends that are fainter than the threshold still belong to a part, as far as the silence is theirs. Copies stay copies:
 * all are extended alike. spans[count] are the parts first, first + step, ... */
static void extend(const lt_signal *s, const parts *p, size_t first, size_t step, ltp_span *spans, size_t count)
{
    size_t before = SIZE_MAX;
    size_t after = SIZE_MAX;
    for (size_t i = 0; i < count; i++) {
        const size_t b = room_before(s, p, first + i * step);
        const size_t a = room_after(s, p, first + i * step);
        before = b < before ? b : before;
        after = a < after ? a : after;
    }
    for (size_t i = 0; i < count; i++) { /* aligning copies may have moved them by some frames */
        const size_t end = spans[i].first + spans[i].count;
        before = before < spans[i].first ? before : spans[i].first;
        after = after < s->count - end ? after : s->count - end;
    }
    for (size_t i = 0; i < count; i++) {
        spans[i].first -= before;
        spans[i].count += before + after;
    }
}

lt_status ltp_structure_find(const lt_signal *stimulus, ltp_structure *out, lt_error *err)
{
    *out = (ltp_structure){.kind = LTP_OTHER};
    lt_status st = check_stimulus(stimulus, err);
    if (st != LT_OK)
        return st;
    parts p = {.count = 0};
    find_parts(stimulus, &p);
    if (p.too_many) { /* speech and the like: pauses mean nothing */
        p.items[0] = (ltp_span){0, stimulus->count};
        p.count = 1;
    }
    out->markers = take_markers(stimulus, &p, out);
    if (out->markers)
        extend(stimulus, &p, 0, p.count - 1, out->marker, 2);
    const size_t first = out->markers ? 1 : 0;
    const size_t count = p.count - 2 * first;
    if (take_repeats(stimulus, &p, first, count, out)) {
        extend(stimulus, &p, first, 1, out->sweeps, count);
    } else {
        take_whole(&p, first, count, out);
        const size_t before = room_before(stimulus, &p, first);
        out->sweeps[0].first -= before;
        out->sweeps[0].count += before + room_after(stimulus, &p, first + count - 1);
    }
    const ltp_span *sweep = &out->sweeps[0];
    if (ltp_sweep_fit(stimulus->samples + sweep->first, sweep->count, stimulus->rate_hz, &out->growth_s, &out->start_hz,
                      &st))
        out->kind = LTP_EXPONENTIAL;
    return st == LT_OK ? LT_OK : ltp_fail_nomem(err, "the stimulus");
}
