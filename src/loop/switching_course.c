/* SPDX-License-Identifier: MIT
 * The mean gain around the beginnings of all ramps of one kind: what was measured, beside what was fitted. */
#include "loop/switching.h"

#include <math.h>

static const double least_before_s = 0.010, least_after_s = 0.015;
static const double before_ramps = 0.4, after_ramps = 1.4; /* lengths of the ramp that are shown */
static const double time_constants = 3.0;                  /* of an exponential one, until it counts as done */
static const double most_doubt = 0.3;                      /* relative standard error of a gain that is shown */

static double ramp_s(const ltp_ramp_fit *f)
{
    return f->time_s * (f->shape == LT_RAMP_EXPONENTIAL ? time_constants : 1.0);
}

/* Time around one ramp that no ramp of the other kind touches. */
static void free_time(const ltp_track *t, double start_s, const ltp_ramp_fit *others, double *from_s, double *to_s)
{
    *from_s = 0.0;
    *to_s = (double)t->count * LTP_BLOCK_S;
    for (size_t i = 0; i < others->count; i++) {
        if (others->start_s[i] <= start_s)
            *from_s = fmax(*from_s, others->start_s[i] + ramp_s(others));
        else
            *to_s = fmin(*to_s, others->start_s[i]);
    }
}

typedef struct {
    double cross, reference, variance; /* same */
    double power, blocks;              /* opposite */
} sums;

static double gain_of(const ltp_track *t, const sums *s)
{
    if (t->same) {
        const double g = s->reference > 0.0 ? s->cross / s->reference : 0.0;
        return g > 0.0 && sqrt(s->variance) <= most_doubt * g * s->reference ? g : (double)NAN;
    }
    const double p = s->blocks > 0.0 ? s->power / (s->blocks * (double)t->block) - t->noise : 0.0;
    return p > 0.0 ? sqrt(p) : (double)NAN;
}

void ltp_switching_course(const ltp_track *t, const ltp_levels_fit *l, const ltp_ramp_fit *ramps,
                          const ltp_ramp_fit *others, bool opens, lt_switching_course *out)
{
    sums bins[LT_SWITCHING_COURSE] = {{0}};
    const double before_s = fmax(least_before_s, before_ramps * ramp_s(ramps));
    const double after_s = fmax(least_after_s, after_ramps * ramp_s(ramps));
    const double width_s = fmax(LTP_BLOCK_S, (before_s + after_s) / LT_SWITCHING_COURSE);
    const size_t count = (size_t)floor((before_s + after_s) / width_s + 1e-9);
    out->count = ramps->count == 0 ? 0 : count < LT_SWITCHING_COURSE ? count : LT_SWITCHING_COURSE;
    for (size_t e = 0; e < ramps->count; e++) {
        double from_s, to_s;
        const double start_s = ramps->start_s[e];
        free_time(t, start_s, others, &from_s, &to_s);
        from_s = fmax(from_s, start_s - before_s);
        to_s = fmin(to_s, start_s + after_s);
        for (size_t k = (size_t)ceil(from_s / LTP_BLOCK_S); k < t->count && (double)(k + 1) * LTP_BLOCK_S <= to_s;
             k++) {
            const double at_s = ((double)k + 0.5) * LTP_BLOCK_S - start_s + before_s;
            const size_t b = (size_t)fmax(at_s / width_s, 0.0);
            if (b >= out->count)
                break;
            bins[b].blocks += 1.0;
            bins[b].power += t->power[k];
            if (t->same) {
                bins[b].cross += t->cross[k];
                bins[b].reference += t->reference[k];
                bins[b].variance += t->variance[k] * t->reference[k];
            }
        }
    }
    for (size_t b = 0; b < out->count; b++) {
        const double at_s = ((double)b + 0.5) * width_s - before_s;
        const double fitted =
            ltp_ramp_gain(ramps->shape, ramps->time_s, opens ? l->closed : l->open, opens ? l->open : l->closed, at_s);
        out->ms[b] = 1000.0 * at_s;
        out->measured_db[b] = lt_db_from_amplitude(gain_of(t, &bins[b]) / l->open);
        out->fitted_db[b] = lt_db_from_amplitude(fitted / l->open);
    }
}
