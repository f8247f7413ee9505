/* SPDX-License-Identifier: MIT
 * A lane made by hand: responses, levels and a talk test with known band values, couplings with known taps. No
 * measurement code is involved. Levels: dB as the fields of lt_tune_recordings say. */
#ifndef LT_TESTS_LANE_FIXTURE_H
#define LT_TESTS_LANE_FIXTURE_H

#include <lanetune/tune.h>

#include <math.h>
#include <string.h>

enum { FIXTURE_TAPS = 48, FIXTURE_CONDITIONS = 3 };
#define FIXTURE_RATE_HZ 16000.0

/** A response and the taps of its impulse response. */
typedef struct {
    lt_response response;
    lt_ir ir;
    double taps[FIXTURE_TAPS];
} fixture_path;

typedef struct {
    fixture_path outbound, inbound, lane_coupling, counter_coupling, loop;
    lt_levels noise_ear, noise_mic, noise_counter;
    lt_talk_test talk_test;
} fixture_condition;

typedef struct {
    lt_tune_lane lane;
    fixture_condition conditions[FIXTURE_CONDITIONS];
} fixture;

/** One-third octaves 100 Hz to 10 kHz; the 18 speech bands take level_db, those beside them their neighbour's. */
static inline void fixture_bands(fixture_path *p, const double level_db[LT_SPEECH_BANDS])
{
    p->response.band_count = 0;
    for (int index = LT_THIRD_SPEECH_FIRST - 2; index < LT_THIRD_SPEECH_FIRST + LT_SPEECH_BANDS + 1; index++) {
        int i = index - LT_THIRD_SPEECH_FIRST;
        i = i < 0 ? 0 : i >= LT_SPEECH_BANDS ? LT_SPEECH_BANDS - 1 : i;
        p->response.bands[p->response.band_count++] = (lt_response_band){
            .band = lt_third_octave(index), .level_db = level_db[i], .snr_db = 40.0, .thd_percent = NAN};
    }
    p->response.polarity = 1;
}

static inline void fixture_taps(fixture_path *p, const double *taps, size_t count)
{
    memset(p->taps, 0, sizeof p->taps);
    memcpy(p->taps, taps, count * sizeof *taps);
    p->ir = (lt_ir){
        .samples = p->taps, .count = FIXTURE_TAPS, .rate_hz = FIXTURE_RATE_HZ, .from_hz = 50.0, .to_hz = 7000.0};
    p->response.ir = &p->ir;
    p->response.delay_ms = 4.0;
    p->response.rate_hz = FIXTURE_RATE_HZ;
}

/** leq_db: band levels; L10 lies l10_above_db higher. */
static inline void fixture_levels(lt_levels *l, const double leq_db[LT_SPEECH_BANDS], double l10_above_db)
{
    *l = (lt_levels){.seconds = 60.0, .band_count = LT_SPEECH_BANDS};
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        l->bands[i] = (lt_level_band){.band = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i),
                                      .leq_db = leq_db[i],
                                      .l10_db = leq_db[i] + l10_above_db,
                                      .l50_db = leq_db[i] - 1.0,
                                      .l90_db = leq_db[i] - 3.0};
}

static inline void fixture_talk(lt_talk_test *t, const double speech_db[LT_SPEECH_BANDS],
                                const double noise_db[LT_SPEECH_BANDS])
{
    *t = (lt_talk_test){.seconds = 20.0, .band_count = LT_SPEECH_BANDS};
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        t->bands[i].band = lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i);
        t->bands[i].speech_db = speech_db[i];
        t->bands[i].noise_db = noise_db[i];
    }
}

static inline void fixture_steps(lt_adjuster *a, double from_db, double to_db, double step_db)
{
    a->step_count = 0;
    for (double db = from_db; db <= to_db + 1e-9; db = from_db + step_db * (double)a->step_count)
        a->steps_db[a->step_count++] = db;
}

/** Band levels of a spectrum that is flat per hertz at `spectrum_db`, tilted by `tilt_db` an octave about 1 kHz. */
static inline void fixture_tilted(double spectrum_db, double tilt_db, double band_db[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_sii_band b = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i);
        band_db[i] = spectrum_db + b.bandwidth_db + tilt_db * log2(b.hz / 1000.0);
    }
}

static inline void fixture_flat(double level_db, double out[LT_SPEECH_BANDS])
{
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        out[i] = level_db;
}

/** Everything measured, one condition, defaults of site.yaml: a lane that can be tuned well. Pointers into *f. */
static inline void fixture_make(fixture *f)
{
    memset(f, 0, sizeof *f);
    fixture_condition *c = &f->conditions[0];
    double v[LT_SPEECH_BANDS];
    double w[LT_SPEECH_BANDS];
    double tap[3] = {0, 0, 0.02};
    fixture_flat(-20.0, v);
    fixture_bands(&c->outbound, v);
    fixture_bands(&c->inbound, v);
    fixture_flat(-30.0, v);
    fixture_bands(&c->lane_coupling, v);
    fixture_bands(&c->counter_coupling, v);
    fixture_bands(&c->loop, v);
    fixture_taps(&c->outbound, tap, 3);
    fixture_taps(&c->inbound, tap, 3);
    fixture_taps(&c->lane_coupling, tap, 3);
    fixture_taps(&c->counter_coupling, tap, 3);
    fixture_taps(&c->loop, tap, 3);
    fixture_tilted(15.0, -3.0, v);
    fixture_levels(&c->noise_ear, v, 4.0);
    fixture_tilted(5.0, -3.0, v);
    fixture_levels(&c->noise_counter, v, 2.0);
    fixture_tilted(-85.0, -3.0, v);
    fixture_levels(&c->noise_mic, v, 3.0);
    fixture_tilted(-60.0, -6.0, w);
    fixture_talk(&c->talk_test, w, v);
    lt_tune_lane *l = &f->lane;
    *l = (lt_tune_lane){.lane = 1,
                        .duplex = LT_DUPLEX_FULL,
                        .switching_attenuation_db = 20.0,
                        .listening = LT_LISTEN_LOUDSPEAKER,
                        .line_speech_dbov = -26.0,
                        .coupling_db = NAN,
                        .vocal_effort = LT_EFFORT_NORMAL,
                        .speaker_to_ear_m = 1.0,
                        .mouth_to_microphone_m = 1.0,
                        .speaker_to_microphone_m = 0.3,
                        .speaker_to_property_line_m = NAN,
                        .clip_line_dbfs = NAN,
                        .volts_at_0_dbfs = NAN,
                        .speaker_ohm = 8.0,
                        .speaker_power_w = NAN,
                        .cable_gauge_awg = 18.0,
                        .cable_length_m = 30.0,
                        .safe_margin_limit_db = 6.0,
                        .ear_limit_dba = 80.0,
                        .operator_limit_dba = 80.0,
                        .property_line_limit_dba = NAN,
                        .echo_limit = LT_ECHO_LIMIT_ACCEPTABLE,
                        .target_sii = 0.75,
                        .noise_case = LT_NOISE_BUSY,
                        .temperature_c = 20.0,
                        .mic_cal_db = 115.0,
                        .loopback_db = 0.0,
                        .lane_mic_cal_db = NAN,
                        .condition_count = 1};
    fixture_steps(&l->outbound, -20.0, 10.0, 1.0);
    fixture_steps(&l->inbound, -20.0, 10.0, 1.0);
    l->recordings[0] = (lt_tune_recordings){.outbound = &c->outbound.response,
                                            .inbound = &c->inbound.response,
                                            .lane_coupling = &c->lane_coupling.response,
                                            .counter_coupling = &c->counter_coupling.response,
                                            .noise_ear = &c->noise_ear,
                                            .noise_mic = &c->noise_mic,
                                            .noise_counter = &c->noise_counter,
                                            .talk_test = &c->talk_test,
                                            .delay_known = true};
}

#endif
