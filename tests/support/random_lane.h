/* SPDX-License-Identifier: MIT
 * Random lanes from a seed: several conditions, uneven tables of steps, voice switching, push-to-talk, limits that bind
 * and limits that cannot be met. Each lane is what a visit could bring; none measures anything. */
#ifndef LT_TESTS_RANDOM_LANE_H
#define LT_TESTS_RANDOM_LANE_H

#include "lane_fixture.h"
#include "rng.h"

static inline bool chance(lt_rng *r, double probability)
{
    return lt_rng_uniform(r) < probability;
}

static inline void random_bands(lt_rng *r, double level_db, double tilt_db, double ripple_db,
                                double out[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = level_db + tilt_db * ((double)i - 8.5) / 3.0 + ripple_db * lt_rng_gauss(r);
}

static inline void random_noise(lt_rng *r, double spectrum_db, double out[LT_SPEECH_BANDS])
{
    fixture_tilted(spectrum_db, between(r, -6.0, -1.0), out);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] += lt_rng_gauss(r);
}

static inline void random_taps(lt_rng *r, fixture_path *p, double gain)
{
    double taps[FIXTURE_TAPS] = {0};
    const size_t first = 1 + (size_t)between(r, 0.0, 12.0);
    taps[first] = chance(r, 0.5) ? gain : -gain;
    for (int k = 0; k < 6; k++) {
        const size_t at = first + (size_t)between(r, 1.0, (double)(FIXTURE_TAPS - first - 1));
        taps[at] += 0.4 * gain * lt_rng_gauss(r);
    }
    fixture_taps(p, taps, FIXTURE_TAPS);
    p->response.delay_ms = between(r, 0.2, 60.0);
}

/* The order of evaluation of arguments is the compiler's own: each draw has its statement. */
static inline void random_response(lt_rng *r, fixture_path *p, double low_db, double high_db)
{
    double v[LT_SPEECH_BANDS];
    const double level_db = between(r, low_db, high_db);
    const double tilt_db = between(r, -1.0, 1.0);
    random_bands(r, level_db, tilt_db, 1.5, v);
    fixture_bands(p, v);
}

static inline void random_levels(lt_rng *r, lt_levels *l, double low_db, double high_db)
{
    double v[LT_SPEECH_BANDS];
    random_noise(r, between(r, low_db, high_db), v);
    fixture_levels(l, v, between(r, 1.0, 7.0));
}

static inline void random_condition(lt_rng *r, fixture_condition *c)
{
    double v[LT_SPEECH_BANDS];
    double w[LT_SPEECH_BANDS];
    random_response(r, &c->outbound, -30.0, -5.0);
    random_response(r, &c->inbound, -30.0, -10.0);
    random_taps(r, &c->lane_coupling, pow(10.0, between(r, -40.0, -4.0) / 20.0));
    random_taps(r, &c->counter_coupling, pow(10.0, between(r, -30.0, -3.0) / 20.0));
    random_taps(r, &c->loop, pow(10.0, between(r, -50.0, -5.0) / 20.0));
    random_levels(r, &c->noise_ear, 15.0, 45.0);
    random_levels(r, &c->noise_counter, 0.0, 30.0);
    random_levels(r, &c->noise_mic, -90.0, -60.0);
    random_noise(r, between(r, -70.0, -50.0), w);
    random_noise(r, between(r, -90.0, -60.0), v);
    fixture_talk(&c->talk_test, w, v);
}

static inline void random_steps(lt_rng *r, lt_adjuster *a)
{
    if (chance(r, 0.5)) {
        const double from_db = between(r, -25.0, -8.0);
        const double to_db = between(r, -6.0, 15.0);
        const double step_db = chance(r, 0.5) ? 1.0 : between(r, 0.5, 3.0);
        fixture_steps(a, from_db, to_db, step_db);
    } else {
        a->step_count = 1 + (size_t)between(r, 0.0, 14.0);
        a->steps_db[0] = between(r, -30.0, 0.0);
        for (size_t i = 1; i < a->step_count; i++)
            a->steps_db[i] = a->steps_db[i - 1] + between(r, 0.3, 5.0);
    }
    a->now_db = a->steps_db[(size_t)between(r, 0.0, (double)a->step_count)];
    a->recorded_db = chance(r, 0.8) ? a->now_db : a->now_db + between(r, -4.0, 4.0);
}

static inline void random_recordings(lt_rng *r, fixture *f, size_t c, bool measured_loop)
{
    fixture_condition *own = &f->conditions[c];
    lt_tune_recordings *to = &f->lane.recordings[c];
    const lt_tune_recordings *plain = &f->lane.recordings[0];
    const bool first = c == 0;
    to->delay_known = true;
    if (!first) {
        *to = *plain; /* a path without a file for this condition uses its plain file */
        to->name[0] = (char)('a' + (int)c);
    }
    if (first || chance(r, 0.5))
        to->outbound = &own->outbound.response;
    if (first || chance(r, 0.3))
        to->inbound = &own->inbound.response;
    if (first || chance(r, 0.6))
        to->lane_coupling = &own->lane_coupling.response;
    if ((first && chance(r, 0.7)) || (!first && plain->counter_coupling != NULL && chance(r, 0.3)))
        to->counter_coupling = &own->counter_coupling.response;
    if (measured_loop && (first || chance(r, 0.5)))
        to->loop = &own->loop.response;
    if (first || chance(r, 0.6))
        to->noise_ear = &own->noise_ear;
    if ((first && chance(r, 0.6)) || (!first && plain->noise_mic != NULL && chance(r, 0.5)))
        to->noise_mic = &own->noise_mic;
    if (first || chance(r, 0.3))
        to->noise_counter = &own->noise_counter;
    if ((first && chance(r, 0.8)) || (!first && plain->talk_test != NULL && chance(r, 0.2)))
        to->talk_test = &own->talk_test;
    if (first && to->talk_test == NULL)
        to->noise_mic = &own->noise_mic;
}

static inline void random_lane(fixture *f, uint64_t seed)
{
    lt_rng generator = {seed};
    lt_rng *r = &generator;
    fixture_make(f);
    lt_tune_lane *l = &f->lane;
    memset(l->recordings, 0, sizeof l->recordings);
    for (size_t c = 0; c < FIXTURE_CONDITIONS; c++)
        random_condition(r, &f->conditions[c]);
    random_steps(r, &l->outbound);
    random_steps(r, &l->inbound);
    const double kind = lt_rng_uniform(r);
    l->duplex = kind < 0.6 ? LT_DUPLEX_FULL : kind < 0.85 ? LT_DUPLEX_VOICE_SWITCHED : LT_DUPLEX_PUSH_TO_TALK;
    l->switching_attenuation_db = between(r, 5.0, 25.0);
    l->listening = (lt_listening)between(r, 0.0, (double)LT_LISTEN_COUNT);
    l->line_speech_dbov = between(r, -32.0, -20.0);
    l->coupling_db = chance(r, 0.5) ? between(r, -35.0, -5.0) : (double)NAN;
    l->vocal_effort = (lt_vocal_effort)between(r, 0.0, (double)LT_EFFORT_COUNT);
    l->mouth_to_microphone_m = between(r, 0.4, 1.5);
    l->speaker_to_ear_m = between(r, 0.6, 1.5);
    if (chance(r, 0.5)) {
        l->speaker_to_property_line_m = between(r, 4.0, 30.0);
        l->property_line_limit_dba = between(r, 40.0, 62.0);
    }
    if (chance(r, 0.5))
        l->clip_line_dbfs = between(r, -12.0, 6.0);
    if (chance(r, 0.5)) {
        l->volts_at_0_dbfs = between(r, 3.0, 30.0);
        l->speaker_power_w = between(r, 0.2, 10.0);
    }
    l->safe_margin_limit_db = between(r, 2.0, 12.0);
    l->ear_limit_dba = between(r, 65.0, 90.0);
    l->operator_limit_dba = between(r, 65.0, 90.0);
    l->echo_limit = (lt_echo_limit)between(r, 0.0, (double)LT_ECHO_LIMIT_COUNT);
    l->target_sii = chance(r, 0.7) ? 0.75 : between(r, 0.3, 0.95);
    l->noise_case = chance(r, 0.6) ? LT_NOISE_BUSY : LT_NOISE_USUAL;
    l->mic_cal_db = between(r, 105.0, 125.0);
    l->loopback_db = chance(r, 0.5) ? 0.0 : between(r, -3.0, 3.0);
    l->lane_mic_cal_db = between(r, 85.0, 110.0);
    l->condition_count = 1 + (size_t)between(r, 0.0, (double)FIXTURE_CONDITIONS);
    const bool measured_loop = chance(r, 0.25);
    for (size_t c = 0; c < l->condition_count; c++)
        random_recordings(r, f, c, measured_loop);
}

#endif
