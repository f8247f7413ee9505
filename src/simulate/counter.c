/* SPDX-License-Identifier: MIT
 * The operator's end: a desk unit's loudspeaker, the way to the operator's ear, and the way back into its microphone by
 * air, desk, window and room. Times and levels of the reflections are ours, of the size of a small office. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

typedef struct {
    double later_ms, level_db; /* re the direct arrival */
    unsigned bounces;
} reflection;

static const reflection at_ear[] = {{0.0, 0.0, 0}, {0.7, -7.0, 1}, {6.3, -16.0, 1}, {9.1, -18.0, 2}};
static const reflection at_microphone[] = {{0.0, 0.0, 0},    {0.45, -6.0, 1},  {3.7, -12.0, 1}, {7.9, -15.0, 2},
                                           {11.8, -16.0, 2}, {19.3, -20.0, 3}, {31.0, -26.0, 4}};
static const double ear_m = 0.6;
static const double microphone_m = 0.45;

static void fill(const reflection *r, size_t count, double first_s, ltp_arrivals *out)
{
    out->count = 0;
    for (size_t i = 0; i < count; i++)
        out->items[out->count++] = (ltp_arrival){.delay_s = first_s + 1e-3 * r[i].later_ms,
                                                 .gain = lt_amplitude_from_db(r[i].level_db),
                                                 .bounces = r[i].bounces};
}

static lt_complex arrivals_at(const ltp_arrivals *a, double hz)
{
    lt_complex sum = {0.0, 0.0};
    for (size_t i = 0; i < a->count; i++) {
        const double gain = a->items[i].gain * ltp_bounce_gain(hz, a->items[i].bounces);
        const double turn = -2.0 * LT_PI * hz * a->items[i].delay_s;
        sum.re += gain * cos(turn);
        sum.im += gain * sin(turn);
    }
    return sum;
}

lt_complex ltp_counter_coupling_at(const ltp_counter *c, double hz)
{
    const lt_complex air =
        lt_complex_multiply(arrivals_at(&c->coupling, hz), ltp_chain_at(&c->speaker, hz, c->rate_hz));
    return lt_complex_multiply(air, ltp_chain_at(&c->microphone, hz, c->rate_hz));
}

lt_complex ltp_counter_receive_at(const ltp_counter *c, double hz)
{
    return lt_complex_multiply(arrivals_at(&c->receive, hz), ltp_chain_at(&c->speaker, hz, c->rate_hz));
}

/* Mean of |H|^2 over the octave, which no comb notch at one frequency can upset. */
static double octave_mean_power(const ltp_counter *c)
{
    enum { STEPS = 256 };
    const lt_band octave = lt_octave(0);
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++)
        sum += lt_complex_power(
            ltp_counter_coupling_at(c, octave.lower_hz + (i + 0.5) / STEPS * (octave.upper_hz - octave.lower_hz)));
    return sum / STEPS;
}

void ltp_counter_of(const lt_scene_lane *lane, ltp_counter *out)
{
    const double sound_m_s = lt_speed_of_sound_m_s(lane->temperature_c);
    out->rate_hz = lane->rate_hz;
    out->speaker = ltp_counter_speaker(lane);
    out->microphone = ltp_counter_microphone(lane);
    fill(at_ear, LTP_COUNT(at_ear), ear_m / sound_m_s, &out->receive);
    fill(at_microphone, LTP_COUNT(at_microphone), microphone_m / sound_m_s, &out->coupling);
    const double gain = lt_amplitude_from_db(lane->counter_coupling_db) / sqrt(octave_mean_power(out));
    for (size_t i = 0; i < out->coupling.count; i++)
        out->coupling.items[i].gain *= gain;
}
