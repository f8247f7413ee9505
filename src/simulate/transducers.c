/* SPDX-License-Identifier: MIT
 * Loudspeakers and microphones as chains of biquads (Bristow-Johnson's cookbook), normalised at 1 kHz.
 * A small loudspeaker: closed-box high-pass of second order (Small, J. Audio Eng. Soc. 20 (1972) 798), two break-up
 * bumps and a dip of the cone, roll-off. An electret microphone: low cut, high roll-off, a slight resonance of its
 * front cavity. */
#include "simulate/model.h"

#include <math.h>

static const double butterworth_q = 0.70710678118654752;
static const double reference_hz = 1000.0;

static void add_stage(ltp_chain *c, lt_biquad b)
{
    c->stages[c->count++] = b;
}

static lt_complex stages_at(const ltp_chain *c, double hz, double rate_hz)
{
    lt_complex h = {1.0, 0.0};
    for (size_t i = 0; i < c->count; i++)
        h = lt_complex_multiply(h, lt_biquad_response(&c->stages[i], hz, rate_hz));
    return h;
}

lt_complex ltp_chain_at(const ltp_chain *c, double hz, double rate_hz)
{
    const lt_complex h = stages_at(c, hz, rate_hz);
    const double turn = 2.0 * LT_PI * hz * c->advance_s;
    return lt_complex_multiply(h, (lt_complex){c->gain * cos(turn), c->gain * sin(turn)});
}

/* Delay of a low-pass far below its corner. The sound seems to come from behind a real transducer by as much: its
 * acoustic centre. Positions in the model are acoustic centres, so the delay is taken off. */
static double lowpass_delay_s(const lt_biquad *b, double rate_hz)
{
    static const double low_hz = 50.0;
    const lt_complex h = lt_biquad_response(b, low_hz, rate_hz);
    return -atan2(h.im, h.re) / (2.0 * LT_PI * low_hz);
}

static void add_rolloff(ltp_chain *c, double hz, double rate_hz)
{
    const lt_biquad b = lt_biquad_lowpass(hz, butterworth_q, rate_hz);
    c->advance_s += lowpass_delay_s(&b, rate_hz);
    add_stage(c, b);
}

static void normalise_at(ltp_chain *c, double hz, double rate_hz)
{
    c->gain = 1.0 / sqrt(lt_complex_power(stages_at(c, hz, rate_hz)));
}

ltp_chain ltp_lane_speaker(const lt_scene_lane *lane)
{
    ltp_chain c = {0};
    add_stage(&c, lt_biquad_highpass(lane->speaker_low_hz, lane->speaker_resonance_q, lane->rate_hz));
    add_stage(&c, lt_biquad_peaking(2100.0, 2.5, 3.0, lane->rate_hz));
    add_stage(&c, lt_biquad_peaking(3300.0, 3.5, -4.0, lane->rate_hz));
    add_stage(&c, lt_biquad_peaking(5200.0, 4.0, 4.0, lane->rate_hz));
    add_rolloff(&c, lane->speaker_high_hz, lane->rate_hz);
    normalise_at(&c, reference_hz, lane->rate_hz);
    if (lane->inverted)
        c.gain = -c.gain;
    return c;
}

ltp_chain ltp_lane_microphone(const lt_scene_lane *lane)
{
    ltp_chain c = {0};
    add_stage(&c, lt_biquad_highpass(lane->microphone_low_hz, butterworth_q, lane->rate_hz));
    add_stage(&c, lt_biquad_peaking(6000.0, 1.5, 2.0, lane->rate_hz));
    add_rolloff(&c, lane->microphone_high_hz, lane->rate_hz);
    normalise_at(&c, reference_hz, lane->rate_hz);
    return c;
}

/* The air in the housing couples the two through a resonance; walls and foam take the rest. */
ltp_chain ltp_housing_leak(const lt_scene_lane *lane)
{
    static const double resonance_hz = 1150.0;
    static const double q = 1.6;
    ltp_chain c = {0};
    add_stage(&c, lt_biquad_highpass(resonance_hz, q, lane->rate_hz));
    add_stage(&c, lt_biquad_lowpass(resonance_hz, q, lane->rate_hz));
    normalise_at(&c, resonance_hz, lane->rate_hz);
    return c;
}

ltp_chain ltp_counter_speaker(const lt_scene_lane *lane)
{
    ltp_chain c = {0};
    add_stage(&c, lt_biquad_highpass(300.0, 0.9, lane->rate_hz));
    add_stage(&c, lt_biquad_peaking(2600.0, 2.0, 3.0, lane->rate_hz));
    add_rolloff(&c, 7000.0 < 0.4 * lane->rate_hz ? 7000.0 : 0.4 * lane->rate_hz, lane->rate_hz);
    normalise_at(&c, reference_hz, lane->rate_hz);
    return c;
}

ltp_chain ltp_counter_microphone(const lt_scene_lane *lane)
{
    ltp_chain c = {0};
    add_stage(&c, lt_biquad_highpass(120.0, butterworth_q, lane->rate_hz));
    add_rolloff(&c, 10000.0 < 0.4 * lane->rate_hz ? 10000.0 : 0.4 * lane->rate_hz, lane->rate_hz);
    normalise_at(&c, reference_hz, lane->rate_hz);
    return c;
}
