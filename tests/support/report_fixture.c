/* SPDX-License-Identifier: MIT
 * Surveys made by hand for the tests of the HTML report. */
#include "report_fixture.h"

#include "base/alloc.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

const char *const report_fixture_names[REPORT_FIXTURE_COUNT] = {"three-lanes", "one-lane", "nothing", "hostile",
                                                                "crowded"};

enum { LANES = 3, RATE = 48000, IR_FRAMES = 12000, IR_ORIGIN = 2400, RECORDINGS = 10 };

static void *need(size_t count, size_t size)
{
    void *p = ltp_alloc(count, size);
    if (p == NULL)
        abort();
    return p;
}

static void copy(char *to, size_t size, const char *from)
{
    (void)snprintf(to, size, "%s", from);
}

/* ---- responses ---- */

/* Magnitude of a small loudspeaker with a little ripple, dB. */
static double speaker_db(double hz, double ripple_db, double phase)
{
    const double low = -10.0 * log10(1.0 + pow(260.0 / hz, 4.0)), high = -10.0 * log10(1.0 + pow(hz / 7500.0, 4.0));
    return low + high + ripple_db * sin(9.0 * log10(hz) + phase) +
           0.5 * ripple_db * sin(31.0 * log10(hz) + 2.0 * phase);
}

/* A click through a resonant band-pass at `delay_ms`, plus the given later arrivals and a decaying tail. */
static lt_ir *make_ir(double delay_ms, double gain, const lt_arrival *arrivals, size_t count, uint64_t seed)
{
    lt_ir *ir = need(1, sizeof *ir);
    *ir = (lt_ir){.samples = need(IR_FRAMES, sizeof(double)),
                  .count = IR_FRAMES,
                  .rate_hz = RATE,
                  .origin_frames = IR_ORIGIN,
                  .from_hz = 50.0,
                  .to_hz = 18000.0};
    lt_rng rng = {seed};
    const size_t direct = IR_ORIGIN + (size_t)(delay_ms * 1e-3 * RATE + 0.5);
    for (size_t a = 0; a <= count; a++) {
        const double level = a == 0 ? 1.0 : lt_amplitude_from_db(arrivals[a - 1].level_db);
        const size_t start = direct + (a == 0 ? 0 : (size_t)(arrivals[a - 1].delay_ms * 1e-3 * RATE + 0.5));
        for (size_t i = start; i < IR_FRAMES; i++) {
            const double t = (double)(i - start) / RATE;
            ir->samples[i] += gain * level *
                              (exp(-t / 0.0009) * cos(2.0 * LT_PI * 1700.0 * t) +
                               0.4 * exp(-t / 0.002) * cos(2.0 * LT_PI * 620.0 * t));
        }
    }
    for (size_t i = 0; i < IR_FRAMES; i++) {
        const double t = ((double)i - (double)direct) / RATE;
        ir->samples[i] += gain * 0.004 * lt_rng_gauss(&rng) * (t > 0.0 ? exp(-t / 0.03) : 0.08);
    }
    return ir;
}

static lt_response *make_response(double level_db, double snr_db, double delay_ms, const lt_arrival *arrivals,
                                  size_t count, uint64_t seed)
{
    lt_response *r = need(1, sizeof *r);
    *r = (lt_response){.rate_hz = RATE,
                       .from_hz = 50.0,
                       .to_hz = 18000.0,
                       .delay_ms = delay_ms,
                       .polarity = 1,
                       .drift_ppm = 12.4,
                       .snr_db = snr_db,
                       .edt_s = 0.11,
                       .t20_s = NAN,
                       .c50_db = 14.2,
                       .repeats = 3};
    const double phase = (double)seed;
    for (int i = -104; i <= 97 && r->point_count < LT_RESPONSE_POINTS_MAX; i++) {
        const lt_band band = lt_fractional_octave(24, i);
        const double shape = speaker_db(band.exact_hz, 2.5, phase);
        r->points[r->point_count++] = (lt_response_point){band.exact_hz, level_db + shape, snr_db + 0.9 * shape};
    }
    for (int i = LT_THIRD_50_HZ; i <= LT_THIRD_16_KHZ; i++) {
        const lt_band band = lt_third_octave(i);
        const double shape = speaker_db(band.exact_hz, 2.5, phase);
        r->bands[r->band_count++] =
            (lt_response_band){band, level_db + shape, snr_db + 0.9 * shape, band.exact_hz < 6000 ? 1.2 : (double)NAN};
    }
    for (size_t i = 0; i < count; i++)
        r->arrivals[r->arrival_count++] = arrivals[i];
    r->ir = make_ir(delay_ms, lt_amplitude_from_db(level_db) * 0.25, arrivals, count, seed);
    return r;
}

/* ---- noise and speech ---- */

static lt_levels *make_levels(double level_db, double swing_db, uint64_t seed)
{
    lt_levels *l = need(1, sizeof *l);
    *l = (lt_levels){.seconds = 60.0,
                     .laeq_db = level_db,
                     .lceq_db = level_db + 6.0,
                     .lafmax_db = level_db + swing_db + 4.0,
                     .la10_db = level_db + 0.4 * swing_db,
                     .la50_db = level_db - 0.25 * swing_db,
                     .la90_db = level_db - 0.6 * swing_db,
                     .peak_dbfs = -14.0,
                     .history_step_s = 0.25};
    lt_rng rng = {seed};
    double passing = 0.0;
    for (size_t i = 0; i < 240; i++) {
        const double t = 0.25 * (double)i;
        passing = 0.0;
        for (double at = 7.0; at < 60.0; at += 13.5)
            passing += swing_db * 1.5 * exp(-0.5 * pow((t - at) / 1.6, 2.0));
        l->history_dba[l->history_count++] = level_db - 0.65 * swing_db + passing + 0.5 * lt_rng_gauss(&rng);
    }
    for (int i = LT_THIRD_50_HZ; i <= LT_THIRD_16_KHZ; i++) {
        const double leq = level_db - 9.0 - 0.9 * (double)(i - LT_THIRD_50_HZ - 13);
        l->bands[l->band_count++] = (lt_level_band){
            .band = lt_third_octave(i), .leq_db = leq, .l10_db = leq + 3.0, .l50_db = leq - 2.0, .l90_db = leq - 5.0};
    }
    return l;
}

static lt_talk_test *make_talk_test(void)
{
    lt_talk_test *t = need(1, sizeof *t);
    *t = (lt_talk_test){.level = {-28.4, -31.0, 55.0, 0.002}, .noise_level_db = -51.3, .seconds = 24.0};
    for (int i = LT_THIRD_50_HZ; i <= LT_THIRD_16_KHZ; i++) {
        t->bands[t->band_count].band = lt_third_octave(i);
        t->bands[t->band_count].speech_db = -40.0 - 0.4 * abs(i + 3);
        t->bands[t->band_count++].noise_db = -60.0 - 0.5 * i;
    }
    return t;
}

/* Spectrum levels of one condition: speech of the given overall levels in noise that falls with frequency. */
static void fill_condition(lt_tune_condition *c, const char *name, double ear_db, double noise_ear_db,
                           double operator_db, double lane_noise_db, double counter_noise_db)
{
    copy(c->name, sizeof c->name, name);
    lt_speech_shape(LT_EFFORT_NORMAL, ear_db, c->speech_ear_db);
    lt_speech_shape(LT_EFFORT_NORMAL, operator_db, c->speech_operator_db);
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const double colour = speaker_db(lt_sii_band_at(LT_SII_THIRD_OCTAVE, i).hz, 1.5, 1.0);
        c->speech_ear_db[i] += colour;
        c->speech_operator_db[i] += 0.7 * colour;
        c->noise_ear_db[i] = noise_ear_db - 28.0 - 2.1 * (double)i;
        c->lane_noise_operator_db[i] = lane_noise_db - 30.0 - 1.9 * (double)i + 0.7 * colour;
        c->counter_noise_db[i] = counter_noise_db - 30.0 - 1.6 * (double)i;
    }
}

static double sii_at(const double *speech, const double *noise, double gain_db)
{
    double moved[LT_SPEECH_BANDS];
    lt_sii_result result;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++)
        moved[i] = speech[i] + gain_db;
    if (lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, moved, noise, NULL, &result, NULL) != LT_OK)
        return NAN;
    return result.sii;
}

static void fill_figures(const lt_tune_result *r, double outbound_db, double inbound_db, lt_tune_figures *f)
{
    *f = (lt_tune_figures){.sii_outbound = 1.0,
                           .sii_inbound = 1.0,
                           .margin_db = NAN,
                           .safe_margin_db = NAN,
                           .ear_dba = -INFINITY,
                           .operator_dba = -INFINITY,
                           .property_line_dba = NAN,
                           .echo_telr_db = NAN,
                           .echo_weighted_db = NAN,
                           .headroom_db = 9.4 - outbound_db,
                           .speaker_power_w = 0.21 * lt_power_from_db(outbound_db)};
    for (size_t k = 0; k < r->condition_count; k++) {
        const lt_tune_condition *c = &r->conditions[k];
        double noise[LT_SPEECH_BANDS];
        for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
            const double parts[] = {c->lane_noise_operator_db[i] + inbound_db, c->counter_noise_db[i]};
            noise[i] = lt_db_sum(parts, 2);
        }
        f->sii_outbound = fmin(f->sii_outbound, sii_at(c->speech_ear_db, c->noise_ear_db, outbound_db));
        f->sii_inbound = fmin(f->sii_inbound, sii_at(c->speech_operator_db, noise, inbound_db));
        f->ear_dba = fmax(f->ear_dba, lt_speech_dba(c->speech_ear_db) + outbound_db);
        f->operator_dba = fmax(f->operator_dba, lt_speech_dba(c->speech_operator_db) + inbound_db);
    }
}

/* ---- a lane ---- */

typedef struct {
    const char *name;
    lt_duplex duplex;
    double outbound_now_db, outbound_db, inbound_now_db, inbound_db;
    double ear_db, noise_ear_db, operator_db, lane_noise_db, counter_noise_db;
    double lane_coupling_db;
    size_t condition_count;
    lt_arrival arrivals[3];
    size_t arrival_count;
} lane_plan;

static const lane_plan plans[LANES] = {
    {"Highway side", LT_DUPLEX_FULL, 0, 4, 0, 2, 64, 66, 66, 56, 50, -29, 2, {{5.9, -9.5}, {11.2, -15.0}, {0, 0}}, 2},
    {"Wall side",
     LT_DUPLEX_VOICE_SWITCHED,
     -2,
     -2,
     3,
     -1,
     66,
     54,
     68,
     48,
     46,
     -18,
     2,
     {{3.1, -12.0}, {18.4, -7.0}, {36.9, -16.5}},
     3},
    {"Window", LT_DUPLEX_FULL, -4, -7, -3, -6, 70, 60, 64, 50, 56, -14, 3, {{5.2, -11.0}, {0, 0}, {0, 0}}, 1},
};

static void fill_adjuster(lt_adjuster *a, double now_db)
{
    *a = (lt_adjuster){.now_db = now_db, .recorded_db = now_db, .step_count = 31};
    for (size_t i = 0; i < a->step_count; i++)
        a->steps_db[i] = -20.0 + (double)i;
}

static size_t step_of(const lt_adjuster *a, double db)
{
    for (size_t i = 0; i < a->step_count; i++)
        if (fabs(a->steps_db[i] - db) < 1e-9)
            return i;
    return 0;
}

static void fill_lane(lt_tune_lane *t, const lane_plan *p, unsigned number)
{
    *t = (lt_tune_lane){.lane = number,
                        .duplex = p->duplex,
                        .switching_attenuation_db = 20.0,
                        .listening = LT_LISTEN_LOUDSPEAKER,
                        .line_speech_dbov = -26.0,
                        .coupling_db = NAN,
                        .speaker_to_ear_m = 1.1,
                        .mouth_to_microphone_m = 1.1,
                        .speaker_to_microphone_m = 0.3,
                        .speaker_to_property_line_m = 25.0,
                        .clip_line_dbfs = -2.0,
                        .volts_at_0_dbfs = 12.0,
                        .speaker_ohm = 8.0,
                        .speaker_power_w = 5.0,
                        .cable_gauge_awg = 18.0,
                        .cable_length_m = 30.0,
                        .safe_margin_limit_db = 6.0,
                        .ear_limit_dba = 80.0,
                        .operator_limit_dba = 80.0,
                        .property_line_limit_dba = 55.0,
                        .target_sii = 0.75,
                        .temperature_c = 18.0,
                        .mic_cal_db = 118.3,
                        .loopback_db = -1.2,
                        .lane_mic_cal_db = NAN,
                        .condition_count = p->condition_count};
    copy(t->name, sizeof t->name, p->name);
    fill_adjuster(&t->outbound, p->outbound_now_db);
    fill_adjuster(&t->inbound, p->inbound_now_db);
}

static lt_recording *record(lt_survey_lane *l, lt_path path, const char *condition)
{
    lt_recording *r = &l->recordings[l->recording_count++];
    r->path = path;
    r->usable = true;
    copy(r->condition, sizeof r->condition, condition);
    (void)snprintf(r->file, sizeof r->file, "visits/2024-05-14/lane-%u/%s%s%s.wav", l->tune.lane, lt_path_name(path),
                   condition[0] == '\0' ? "" : ".", condition);
    return r;
}

static lt_response *record_response(lt_survey_lane *l, lt_path path, const char *condition, lt_response *response)
{
    record(l, path, condition)->response = response;
    return response;
}

static lt_levels *record_levels(lt_survey_lane *l, lt_path path, const char *condition, lt_levels *levels)
{
    record(l, path, condition)->levels = levels;
    return levels;
}

static void fill_recordings(lt_survey_lane *l, const lane_plan *p)
{
    static const char *const names[] = {"", "car", "van"};
    lt_tune_recordings plain = {.delay_known = true};
    const uint64_t seed = l->tune.lane;
    l->recordings = need(RECORDINGS, sizeof *l->recordings);
    plain.outbound = record_response(l, LT_PATH_OUTBOUND, "", make_response(-26.0, 44.0, 3.2, p->arrivals, 1, seed));
    plain.inbound = record_response(l, LT_PATH_INBOUND, "", make_response(-34.0, 52.0, 1.1, NULL, 0, seed + 3));
    plain.lane_coupling =
        record_response(l, LT_PATH_LANE_COUPLING, "",
                        make_response(p->lane_coupling_db, 38.0, 0.9, p->arrivals, p->arrival_count, seed + 5));
    plain.noise_ear = record_levels(l, LT_PATH_NOISE_EAR, "", make_levels(p->noise_ear_db, 9.0, seed));
    plain.noise_mic = record_levels(l, LT_PATH_NOISE_MIC, "", make_levels(-52.0, 7.0, seed + 1));
    plain.noise_counter = record_levels(l, LT_PATH_NOISE_COUNTER, "", make_levels(p->counter_noise_db, 4.0, seed + 2));
    record(l, LT_PATH_TALK_TEST, "")->talk_test = make_talk_test();
    plain.talk_test = l->recordings[l->recording_count - 1].talk_test;
    for (size_t k = 0; k < p->condition_count; k++) {
        lt_tune_recordings *r = &l->tune.recordings[k];
        *r = plain;
        copy(r->name, sizeof r->name, names[k]);
        if (k > 0)
            r->lane_coupling = record_response(l, LT_PATH_LANE_COUPLING, names[k],
                                               make_response(p->lane_coupling_db + 2.0 * (double)k, 36.0, 0.9,
                                                             p->arrivals, p->arrival_count, seed + 7 * k));
    }
}

static void fill_margin(const lt_survey_lane *l, double gain_db, lt_margin *out)
{
    lt_loop *loops[LT_CONDITIONS_MAX] = {NULL};
    const lt_margin_options opt = lt_margin_default_options();
    for (size_t k = 0; k < l->tune.condition_count; k++)
        if (lt_loop_create(l->tune.recordings[k].lane_coupling->ir, NULL, -10.0, 1.2, &loops[k], NULL) != LT_OK)
            abort();
    const double switched_db = l->tune.duplex == LT_DUPLEX_VOICE_SWITCHED ? l->tune.switching_attenuation_db : 0.0;
    if (lt_margin_compute((const lt_loop *const *)loops, l->tune.condition_count, gain_db - switched_db, &opt, out,
                          NULL) != LT_OK)
        abort();
    for (size_t k = 0; k < l->tune.condition_count; k++)
        lt_loop_free(loops[k]);
}

static void fill_result(const lt_survey_lane *l, const lane_plan *p, lt_tune_result *r)
{
    static const char *const names[] = {"", "car", "van"};
    *r = (lt_tune_result){.lane = l->tune.lane,
                          .outbound_now_db = p->outbound_now_db,
                          .outbound_recommended_db = p->outbound_db,
                          .inbound_now_db = p->inbound_now_db,
                          .inbound_recommended_db = p->inbound_db,
                          .outbound_step = step_of(&l->tune.outbound, p->outbound_db),
                          .inbound_step = step_of(&l->tune.inbound, p->inbound_db),
                          .safe_margin_with_notches_db = NAN};
    copy(r->name, sizeof r->name, p->name);
    r->condition_count = p->condition_count;
    for (size_t k = 0; k < p->condition_count; k++)
        fill_condition(&r->conditions[k], names[k], p->ear_db + 0.5 * (double)k, p->noise_ear_db + 2.0 * (double)k,
                       p->operator_db, p->lane_noise_db + (double)k, p->counter_noise_db);
    const double change_out = p->outbound_db - p->outbound_now_db, change_in = p->inbound_db - p->inbound_now_db;
    fill_figures(r, 0.0, 0.0, &r->before);
    fill_figures(r, change_out, change_in, &r->after);
    lt_margin before;
    fill_margin(l, 0.0, &before);
    fill_margin(l, change_out + change_in, &r->margin);
    r->before.margin_db = before.margin_db;
    r->before.safe_margin_db = before.safe_margin_db;
    r->after.margin_db = r->margin.margin_db;
    r->after.safe_margin_db = r->margin.safe_margin_db;
    r->before.property_line_dba = r->before.ear_dba - 27.1;
    r->after.property_line_dba = r->after.ear_dba - 27.1;
    r->before.echo_weighted_db = 19.5;
    r->after.echo_weighted_db = 19.5 - change_out - change_in;
    /* 0.5 ms one way: the weighting of G.131 is 5.6 dB - 1.7 dB there. */
    r->before.echo_telr_db = 15.6;
    r->after.echo_telr_db = 15.6 - change_out - change_in;
    for (size_t k = 0; k < r->condition_count; k++) {
        r->conditions[k].echo_telr_db = 15.6;
        r->conditions[k].echo_one_way_ms = 0.5;
        r->conditions[k].echo_weighted_db = 19.5;
    }
}

/* ---- what is special about each lane ---- */

static void advise(lt_tune_result *r, const char *text)
{
    if (r->advice_count < LT_ADVICE_MAX)
        copy(r->advice[r->advice_count++], sizeof r->advice[0], text);
}

static void finish_first(lt_tune_result *r)
{
    r->binding[r->binding_count++] = (lt_binding){LT_LIMIT_NOISE, 0.0};
    advise(r, "A shield of 1 m by 1.2 m on the highway side of the panel would take about 4 dB off the noise at the "
              "car window.");
    lt_notes_add(&r->assumptions, "counter-coupling",
                 "The counter coupling was not measured; -10 dB is assumed for a loudspeaker at the counter.");
    lt_notes_add(&r->warnings, "low-snr",
                 "outbound.wav: below 125 Hz the sweep stands less than 20 dB above the noise.");
}

static void finish_second(lt_tune_result *r)
{
    r->binding[r->binding_count++] = (lt_binding){LT_LIMIT_TALKER_ECHO, 0.0123};
    r->binding[r->binding_count++] = (lt_binding){LT_LIMIT_RANGE, 0.0};
    advise(r, "The echo 18.4 ms after the direct sound has travelled 6.3 m farther: absorbent panels on the wall "
              "behind the car "
              "would take it away.");
    advise(r, "Point the lane speaker 15 degrees down and away from the wall.");
    lt_notes_add(&r->assumptions, "counter-coupling",
                 "The counter coupling was not measured; -10 dB is assumed for a loudspeaker at the counter.");
    lt_notes_add(&r->assumptions, "echo-delay",
                 "The recorder started before the playback, so the delay of the echo is taken as that of the speaker's "
                 "distance.");
}

static void finish_third(lt_tune_result *r)
{
    r->binding[r->binding_count++] = (lt_binding){LT_LIMIT_SAFE_MARGIN, 0.0312};
    r->notches[0] = (lt_notch){1690.0, 6.2, 6.0};
    r->notches[1] = (lt_notch){640.0, 4.0, 3.5};
    r->notch_count = 2;
    r->safe_margin_with_notches_db = r->after.safe_margin_db + 4.4;
    advise(r, "Seal the housing between speaker and microphone: most of the coupling arrives before the sound in the "
              "air could.");
    advise(r, "A handset at the counter in place of the loudspeaker would open about 20 dB of margin.");
    lt_notes_add(&r->assumptions, "counter-coupling",
                 "The counter coupling was not measured; -10 dB is assumed for a loudspeaker at the counter.");
    lt_notes_add(&r->assumptions, "property-line",
                 "The level at the property line is an estimate for free field from the distances given.");
    lt_notes_add(&r->warnings, "headroom-unknown",
                 "The amplifier's clipping level is not known, so headroom was not checked.");
}

/* ---- variants ---- */

static void cross_out(double *x, size_t count)
{
    for (size_t i = 0; i < count; i++)
        x[i] = i % 2 == 0 ? (double)NAN : -(double)INFINITY;
}

/* A lane of which nothing is known. */
static void forget(lt_survey *s, lt_tune_result *r)
{
    lt_survey_lane *l = &s->lanes[0];
    lt_tune_lane *t = &l->tune;
    const lt_tune_figures none = {NAN, NAN, NAN, NAN, -INFINITY, NAN, NAN, NAN, NAN, NAN, NAN};
    const lt_levels *kept_levels = l->recordings[3].levels;
    for (size_t k = 0; k < t->condition_count; k++)
        t->recordings[k] = (lt_tune_recordings){.name = ""};
    t->condition_count = 1;
    t->recordings[0].noise_ear = kept_levels;
    cross_out(l->recordings[3].levels->history_dba, l->recordings[3].levels->history_count);
    t->recordings[0].outbound = l->recordings[0].response;
    for (size_t i = 0; i < l->recordings[0].response->point_count; i++)
        l->recordings[0].response->points[i] = (lt_response_point){100.0 + (double)i, NAN, -INFINITY};
    memset(l->recordings[0].response->ir->samples, 0, IR_FRAMES * sizeof(double));
    for (size_t i = 0; i < l->recording_count; i++)
        l->recordings[i].usable = false;
    lt_notes_add(&l->recordings[0].notes, "silent", "outbound.wav: the recording is silent.");
    t->mic_cal_db = t->loopback_db = t->temperature_c = t->property_line_limit_dba = t->speaker_power_w =
        t->coupling_db = NAN;
    s->visit->mic_cal_db = s->visit->loopback_db = NAN;
    s->site->temperature_c = NAN;
    s->visit->who[0] = s->visit->weather[0] = s->visit->notes[0] = s->site->name[0] = r->name[0] = '\0';
    s->visit->condition_count = 0;
    r->before = r->after = none;
    r->condition_count = 1;
    lt_tune_condition *c = &r->conditions[0];
    cross_out(c->speech_ear_db, LT_SPEECH_BANDS);
    cross_out(c->noise_ear_db, LT_SPEECH_BANDS);
    cross_out(c->speech_operator_db, LT_SPEECH_BANDS);
    cross_out(c->lane_noise_operator_db, LT_SPEECH_BANDS);
    cross_out(c->counter_noise_db, LT_SPEECH_BANDS);
    r->margin = (lt_margin){.margin_db = NAN, .safe_margin_db = NAN, .ring_hz = NAN, .safe_hz = NAN};
    r->binding_count = r->advice_count = r->assumptions.count = r->warnings.count = 0;
    r->outbound_recommended_db = r->outbound_now_db;
    r->inbound_recommended_db = r->inbound_now_db;
}

#define HOSTILE "<script>alert('x')</script>\" onload=\"y & \xC3\x9C\xE7\x95\x8C\xE2\x80\xAE\xFF\n"
#define LONG_WORD "Donaudampfschifffahrtsgesellschaftskapitaenswitwenrente"

static void poison(lt_survey *s, lt_tune_result *results)
{
    copy(s->site->name, sizeof s->site->name, HOSTILE LONG_WORD LONG_WORD LONG_WORD);
    copy(s->visit->date, sizeof s->visit->date, "<b>2024</b>");
    copy(s->visit->who, sizeof s->visit->who, HOSTILE);
    copy(s->visit->weather, sizeof s->visit->weather, LONG_WORD LONG_WORD LONG_WORD HOSTILE);
    copy(s->visit->notes, sizeof s->visit->notes, "</p></section>" HOSTILE "\x01\x7F second line");
    copy(s->visit->conditions[0].text, sizeof s->visit->conditions[0].text, HOSTILE);
    for (size_t i = 0; i < s->lane_count; i++) {
        lt_tune_result *r = &results[i];
        copy(r->name, sizeof r->name, i == 0 ? HOSTILE : LONG_WORD);
        copy(r->advice[0], sizeof r->advice[0], "]]><style>*{display:none}</style>" HOSTILE LONG_WORD LONG_WORD);
        copy(s->lanes[i].tune.outbound.shared, sizeof s->lanes[i].tune.outbound.shared, "<i>'\"&");
        copy(s->lanes[i].tune.recordings[1].name, LT_NAME_MAX, "'; system \"id\" #`$(x)`<svg onload=z>");
        copy(r->conditions[1].name, LT_NAME_MAX, "'; system \"id\" #`$(x)`<svg onload=z>");
        copy(s->lanes[i].recordings[0].file, sizeof s->lanes[i].recordings[0].file,
             "a/<img src=x>" LONG_WORD LONG_WORD ".wav");
        s->lanes[i].recordings[0].usable = false;
        lt_notes_add(&s->lanes[i].recordings[0].notes, "<x>", "%s", HOSTILE);
        lt_notes_add(&r->warnings, "outbound-<script>'\"&", "%s", "<iframe src=http://example.org>" HOSTILE);
        r->unmet[0] = (lt_unmet){.limit = LT_LIMIT_EAR_LEVEL, .by_db = 3.25};
        copy(r->unmet[0].advice, sizeof r->unmet[0].advice, HOSTILE LONG_WORD);
        r->unmet_count = 1;
    }
}

static void crowd(lt_survey *s, lt_tune_result *results)
{
    for (size_t i = 0; i < s->lane_count; i++) {
        lt_tune_result *r = &results[i];
        for (int k = 0; k < 6; k++) {
            char text[200];
            (void)snprintf(text, sizeof text,
                           "Advice number %d, a sentence of the usual length about something at the lane that could be "
                           "changed for the better.",
                           k);
            advise(r, text);
            lt_notes_add(
                &r->assumptions, "talk-test",
                "Assumption number %d, a sentence of the usual length about something that was not measured this time.",
                k);
            lt_notes_add(&r->warnings, "inbound-snr",
                         "Warning number %d, a sentence of the usual length about something that was measured badly.",
                         k);
        }
    }
}

/* ---- making and freeing ---- */

static void fill_visit(lt_survey *s)
{
    s->site = need(1, sizeof *s->site);
    s->visit = need(1, sizeof *s->visit);
    copy(s->site->name, sizeof s->site->name, "Corner of Mill Road and Third");
    s->site->temperature_c = 18.0;
    copy(s->visit->date, sizeof s->visit->date, "2024-05-14");
    copy(s->visit->who, sizeof s->visit->who, "A. Technician");
    copy(s->visit->weather, sizeof s->visit->weather, "dry, light wind");
    copy(s->visit->notes, sizeof s->visit->notes,
         "Customer complains of an echo in lane 2 since the wall was rebuilt.");
    s->visit->mic_cal_db = 118.3;
    s->visit->loopback_db = -1.2;
    s->visit->lane_mic_cal_db = NAN;
    copy(s->visit->conditions[0].condition, LT_NAME_MAX, "car");
    copy(s->visit->conditions[0].text, LT_TEXT_MAX, "saloon car, window open");
    copy(s->visit->conditions[1].condition, LT_NAME_MAX, "van");
    copy(s->visit->conditions[1].text, LT_TEXT_MAX, "delivery van");
    s->visit->condition_count = 2;
}

report_fixture report_fixture_make(report_fixture_kind kind)
{
    static void (*const finish[LANES])(lt_tune_result *) = {finish_first, finish_second, finish_third};
    report_fixture f = {.survey = need(1, sizeof *f.survey), .results = need(LANES, sizeof *f.results)};
    lt_survey *s = f.survey;
    fill_visit(s);
    s->lane_count = kind == REPORT_ONE_LANE || kind == REPORT_NOTHING ? 1 : LANES;
    s->lanes = need(LANES, sizeof *s->lanes);
    s->site->lanes = need(LANES, sizeof *s->site->lanes);
    s->site->lane_count = s->lane_count;
    for (size_t i = 0; i < s->lane_count; i++) {
        fill_lane(&s->lanes[i].tune, &plans[i], (unsigned)i + 1);
        s->site->lanes[i].tune = s->lanes[i].tune;
        s->lanes[i].lane = &s->site->lanes[i];
        fill_recordings(&s->lanes[i], &plans[i]);
        fill_result(&s->lanes[i], &plans[i], &f.results[i]);
        finish[i](&f.results[i]);
    }
    if (kind == REPORT_NOTHING)
        forget(s, &f.results[0]);
    if (kind == REPORT_HOSTILE)
        poison(s, f.results);
    if (kind == REPORT_CROWDED)
        crowd(s, f.results);
    return f;
}

void report_fixture_free(report_fixture *f)
{
    lt_survey *s = f->survey;
    for (size_t i = 0; s != NULL && i < s->lane_count; i++) {
        for (size_t k = 0; k < s->lanes[i].recording_count; k++) {
            lt_recording *r = &s->lanes[i].recordings[k];
            if (r->response != NULL)
                lt_ir_free(r->response->ir);
            ltp_free(r->response);
            ltp_free(r->levels);
            ltp_free(r->talk_test);
        }
        ltp_free(s->lanes[i].recordings);
    }
    if (s != NULL) {
        ltp_free(s->site->lanes);
        ltp_free(s->site);
        ltp_free(s->visit);
        ltp_free(s->lanes);
    }
    ltp_free(s);
    ltp_free(f->results);
    *f = (report_fixture){0};
}
