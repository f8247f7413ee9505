/* SPDX-License-Identifier: MIT
 * Flat tops at a recording's own extreme: what a clipped capture leaves behind. Full scale = 1.0, but any level counts.
 *
 * The rule (ours). The rounded peak of a slow sine in a 16-bit file has runs of equal samples too. But such a peak is a
 * parabola: if its slope just outside a run of m samples is s a sample, it falls by s m^2 / (4 (m + 3)) from its middle
 * to the ends of the run, and that fall must hide inside one quantisation step q. Where it would be more than three
 * steps, the top is flat because something cut it. q is the smallest step that the recording shows outside flat runs.
 * At full scale two equal samples are enough. */
#include "base/vector.h"
#include <lanetune/dsp.h>

#include <math.h>

enum { SHORTEST_FLAT = 3, SHORTEST_AT_FULL_SCALE = 2 };
static const double hidden_steps = 3.0;
static const double same_level = 1.0 - 1e-3;          /* flat tops of one clipper lie within 0.1 % */
static const double full_scale = 1.0 - 1.5 / 32768.0; /* 16-bit files reach 32767 / 32768 on the positive side */

static void count_flat(lt_clip_side *side, double level, size_t run)
{
    if (level >= side->extreme * same_level)
        side->flat += run;
}

static void raise_extreme(lt_clip_side *side, double level)
{
    if (level <= side->extreme)
        return;
    if (level * same_level > side->extreme)
        side->flat = 0; /* the former ceiling was none */
    side->extreme = level;
}

static bool is_cut(const lt_clip_meter *m, double slope)
{
    const double run = (double)m->run;
    if (m->run >= SHORTEST_AT_FULL_SCALE && fabs(m->value) >= full_scale)
        return true;
    return m->run >= SHORTEST_FLAT && m->step > 0.0 && slope * run * run / (4.0 * (run + 3.0)) > hidden_steps * m->step;
}

static void end_run(lt_clip_meter *m, double next)
{
    const bool top = fabs(m->value) > fabs(m->before) && fabs(m->value) > fabs(next);
    const double slope = fabs(m->before - m->before_that);
    if (top && is_cut(m, slope))
        count_flat(m->value > 0.0 ? &m->above : &m->below, fabs(m->value), m->run);
    const double step = fabs(next - m->value);
    if (m->run < SHORTEST_FLAT && (m->step <= 0.0 || step < m->step))
        m->step = step;
}

static void push_one(lt_clip_meter *m, double x)
{
    if (m->run > 0 && !(x < m->value) && !(x > m->value)) {
        m->run++;
        return;
    }
    if (m->run > 0)
        end_run(m, x);
    raise_extreme(x > 0.0 ? &m->above : &m->below, fabs(x));
    m->before_that = m->run > 1 ? m->value : m->before;
    m->before = m->value;
    m->value = x;
    m->run = 1;
}

/* What many samples without a flat top leave behind. */
typedef struct {
    double highest, lowest;
    double step; /* smallest difference of neighbours that is not 0 */
} stretch;

enum { STRETCH = 64 };

/* x[STRETCH] with two older samples before it. False if neighbours are equal: then look_closely(). */
LTP_INLINE bool look_at(const double *x, stretch *out)
{
    const ltp_mask no_sign = (ltp_mask){INT64_MAX, INT64_MAX, INT64_MAX, INT64_MAX};
    ltp_vector highest = *(const ltp_quad *)x;
    ltp_vector lowest = highest;
    ltp_vector step = {INFINITY, INFINITY, INFINITY, INFINITY};
    for (ptrdiff_t i = 0; i < STRETCH; i += 4) {
        const ltp_vector a = *(const ltp_quad *)(x + i);
        const ltp_vector rise = a - *(const ltp_quad *)(x + i - 1);
        const ltp_vector size = (ltp_vector)((ltp_mask)rise & no_sign);
        ltp_keep_larger(&highest, &a);
        ltp_keep_smaller(&lowest, &a);
        ltp_keep_smaller(&step, &size);
    }
    *out = (stretch){ltp_largest(&highest), ltp_smallest(&lowest), ltp_smallest(&step)};
    return out->step > 0.0;
}

/* As look_at(), with equal neighbours left out of the step. False if three in a row are equal. */
LTP_INLINE bool look_closely(const double *x, stretch *out)
{
    const ltp_mask infinity = (ltp_mask)(ltp_vector){INFINITY, INFINITY, INFINITY, INFINITY};
    ltp_vector step = (ltp_vector)infinity;
    ltp_mask flat = {0};
    for (ptrdiff_t i = 0; i < STRETCH; i += 4) {
        const ltp_vector a = *(const ltp_quad *)(x + i);
        const ltp_vector b = *(const ltp_quad *)(x + i - 1);
        const ltp_vector c = *(const ltp_quad *)(x + i - 2);
        const ltp_vector rise = a - b;
        const ltp_vector fall = b - a;
        const ltp_mask up = a > b;
        const ltp_mask down = a < b;
        const ltp_mask equal = ~(up | down);
        const ltp_vector size = (ltp_vector)((up & (ltp_mask)rise) | (down & (ltp_mask)fall) | (equal & infinity));
        flat |= equal & ~((b > c) | (b < c));
        ltp_keep_smaller(&step, &size);
    }
    out->step = ltp_smallest(&step);
    return (flat[0] | flat[1] | flat[2] | flat[3]) == 0;
}

/* True if a side neither had flat tops nor can be changed by this level. */
static bool stays(const lt_clip_side *side, double level)
{
    return side->flat == 0 || level <= side->extreme;
}

/* Nearly all of a recording: no three equal samples, none at full scale, and no new extreme that would end flat tops
 * counted so far. Then neither end_run() counts nor does the order of the samples matter, and the meter moves on by
 * STRETCH samples at once, to the very state that one at a time would lead to. x has two older samples before it. */
LTP_INLINE bool push_stretch(lt_clip_meter *m, const double *x)
{
    stretch s;
    if (!look_at(x, &s) && !look_closely(x, &s))
        return false;
    if (!(s.highest < full_scale) || !(s.lowest > -full_scale) || !stays(&m->above, s.highest) ||
        !stays(&m->below, -s.lowest))
        return false;
    if (s.highest > m->above.extreme)
        m->above.extreme = s.highest;
    if (-s.lowest > m->below.extreme)
        m->below.extreme = -s.lowest;
    if (isfinite(s.step) && (m->step <= 0.0 || s.step < m->step))
        m->step = s.step;
    const double *last = x + STRETCH - 1;
    m->run = !(last[0] < last[-1]) && !(last[0] > last[-1]) ? 2 : 1;
    m->value = last[0];
    m->before = *(last - m->run);
    m->before_that = *(last - m->run - 1);
    return true;
}

LTP_WIDE void lt_clip_push(lt_clip_meter *m, const double *x, size_t count)
{
    size_t i = 0;
    while (i < count) {
        /* A run that may yet turn out to be a flat top must end sample by sample. */
        const bool open = m->run > 2 || (m->run == 2 && fabs(m->value) >= full_scale);
        if (i >= 2 && count - i >= STRETCH && !open && push_stretch(m, x + i)) {
            i += STRETCH;
            continue;
        }
        const size_t end = i + (i < 2 ? 1 : STRETCH / 2);
        for (; i < end && i < count; i++)
            push_one(m, x[i]);
    }
}

size_t lt_clip_count(const lt_clip_meter *m)
{
    return m->above.flat + m->below.flat;
}

size_t lt_clipped_samples(const lt_signal *s)
{
    lt_clip_meter m = {0};
    lt_clip_push(&m, s->samples, s->count);
    return lt_clip_count(&m);
}
