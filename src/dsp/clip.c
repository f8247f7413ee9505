/* SPDX-License-Identifier: MIT
 * Flat tops at a recording's own extreme: what a clipped capture leaves behind. Full scale = 1.0, but any level counts.
 *
 * The rule (ours). The rounded peak of a slow sine in a 16-bit file has runs of equal samples too. But such a peak is a
 * parabola: if its slope just outside a run of m samples is s a sample, it falls by s m^2 / (4 (m + 3)) from its middle
 * to the ends of the run, and that fall must hide inside one quantisation step q. Where it would be more than three
 * steps, the top is flat because something cut it. q is the smallest step that the recording shows outside flat runs.
 * At full scale two equal samples are enough. */
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

void lt_clip_push(lt_clip_meter *m, const double *x, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (m->run > 0 && !(x[i] < m->value) && !(x[i] > m->value)) {
            m->run++;
            continue;
        }
        if (m->run > 0)
            end_run(m, x[i]);
        raise_extreme(x[i] > 0.0 ? &m->above : &m->below, fabs(x[i]));
        m->before_that = m->run > 1 ? m->value : m->before;
        m->before = m->value;
        m->value = x[i];
        m->run = 1;
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
