/* SPDX-License-Identifier: MIT
 * A second, simple way from a lane's recordings to its recommended settings: every pair of settings is computed from
 * the definitions, nothing is shared with the library but the speech intelligibility index and the band tables. Only
 * for lanes that are fully measured (counter coupling and talk test may be missing). dB. */
#ifndef LT_TESTS_BRUTE_LANE_H
#define LT_TESTS_BRUTE_LANE_H

#include "base/alloc.h"
#include <lanetune/tune.h>

#include <math.h>

typedef struct {
    double sii_out, sii_in, ear_dba, operator_dba, property_dba, safe_margin_db, telr_db, weighted_db, headroom_db,
        power_w;
} brute_figures;

typedef struct {
    size_t out, in;
    bool feasible;
    double best; /* objective */
} brute_choice;

/* What does not depend on the settings, by condition. */
typedef struct {
    double loop_db[LT_CONDITIONS_MAX]; /* 20 lg max |L| */
    double echo_loss_db[LT_CONDITIONS_MAX];
} brute_paths;

/* |H|^2 at one frequency: Horner's scheme in exp(-j w). */
static inline double brute_power(const lt_ir *ir, double hz)
{
    const double w = 2.0 * LT_PI * hz / ir->rate_hz;
    const double zr = cos(w);
    const double zi = -sin(w);
    double re = 0.0;
    double im = 0.0;
    for (size_t i = ir->count; i-- > 0;) {
        const double r = re * zr - im * zi + ir->samples[i];
        im = re * zi + im * zr;
        re = r;
    }
    return re * re + im * im;
}

static inline double brute_loop_db(const lt_tune_lane *l, const lt_tune_recordings *r)
{
    static const double flat[] = {-10.0, -30.0, -40.0};
    double best = 0.0;
    for (double hz = 50.0; hz <= 7000.0; hz += 1.0) {
        double power = 0.0;
        if (r->loop != NULL)
            power = brute_power(r->loop->ir, hz);
        else if (r->counter_coupling != NULL)
            power = brute_power(r->lane_coupling->ir, hz) * brute_power(r->counter_coupling->ir, hz);
        else
            power = brute_power(r->lane_coupling->ir, hz);
        best = fmax(best, power);
    }
    double db = 10.0 * log10(best) - l->loopback_db;
    if (r->loop == NULL && r->counter_coupling != NULL)
        db -= l->loopback_db;
    else if (r->loop == NULL)
        db += isnan(l->coupling_db) ? flat[l->listening] : l->coupling_db;
    return db;
}

/* Mean of |H|^2 over lg f from 300 to 3400 Hz, midpoints of equal steps. */
static inline double brute_echo_loss_db(const lt_tune_lane *l, const lt_ir *ir)
{
    enum { STEPS = 1500 };
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++)
        sum += brute_power(ir, 300.0 * pow(3400.0 / 300.0, (i + 0.5) / STEPS));
    return -10.0 * log10(sum / STEPS) + l->loopback_db;
}

static inline void brute_paths_fill(const lt_tune_lane *l, brute_paths *p)
{
    for (size_t c = 0; c < l->condition_count; c++) {
        p->loop_db[c] = brute_loop_db(l, &l->recordings[c]);
        p->echo_loss_db[c] = brute_echo_loss_db(l, l->recordings[c].lane_coupling->ir);
    }
}

static inline double brute_noise(const lt_tune_lane *l, const lt_levels *n, size_t i, double width_db)
{
    return (l->noise_case == LT_NOISE_BUSY ? n->bands[i].l10_db : n->bands[i].leq_db) - width_db;
}

/* The 18 speech bands start at the third of a fixture's bands. */
static inline double brute_response(const lt_response *r, size_t i)
{
    return r->bands[i + 2].level_db;
}

static inline double brute_sii(const double *speech, const double *noise)
{
    lt_sii_result s;
    return lt_sii(LT_SII_THIRD_OCTAVE, LT_SII_AVERAGE, NULL, speech, noise, NULL, &s, NULL) == LT_OK ? s.sii
                                                                                                     : (double)NAN;
}

typedef struct {
    double speech_ear[LT_SPEECH_BANDS], noise_ear[LT_SPEECH_BANDS];
    double speech_op[LT_SPEECH_BANDS], noise_op[LT_SPEECH_BANDS];
    double ear_power, op_power; /* A-weighted */
} brute_spectra;

static inline void brute_bands(const lt_tune_lane *l, size_t c, double d_out, double d_in, brute_spectra *s)
{
    const lt_tune_recordings *r = &l->recordings[c];
    double normal_power = 0.0;
    s->ear_power = s->op_power = 0.0;
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_sii_band b = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i);
        normal_power += pow(10.0, (b.normal_db + b.bandwidth_db) / 10.0);
    }
    const double speech_dbfs = l->line_speech_dbov + 20.0 * log10(sqrt(2.0));
    for (size_t i = 0; i < LT_SPEECH_BANDS; i++) {
        const lt_sii_band b = lt_sii_band_at(LT_SII_THIRD_OCTAVE, i);
        const double a_db = lt_weight_a_db(lt_third_octave(LT_THIRD_SPEECH_FIRST + (int)i).exact_hz) + b.bandwidth_db;
        const double receive = brute_response(r->inbound, i) + l->mic_cal_db + d_in;
        const double line = b.normal_db - 10.0 * log10(normal_power) + speech_dbfs;
        s->speech_ear[i] = line + brute_response(r->outbound, i) + l->mic_cal_db + d_out;
        s->noise_ear[i] = brute_noise(l, r->noise_ear, i, b.bandwidth_db);
        if (r->talk_test != NULL)
            s->speech_op[i] = r->talk_test->bands[i].speech_db - b.bandwidth_db - l->loopback_db + receive;
        else
            s->speech_op[i] = lt_sii_speech_db(LT_SII_THIRD_OCTAVE, l->vocal_effort, i) -
                              20.0 * log10(l->mouth_to_microphone_m) - l->lane_mic_cal_db + receive;
        const double lane = r->noise_mic != NULL ? brute_noise(l, r->noise_mic, i, b.bandwidth_db)
                                                 : r->talk_test->bands[i].noise_db - b.bandwidth_db;
        s->noise_op[i] = 10.0 * log10(pow(10.0, (lane - l->loopback_db + receive) / 10.0) +
                                      pow(10.0, brute_noise(l, r->noise_counter, i, b.bandwidth_db) / 10.0));
        s->ear_power += pow(10.0, (s->speech_ear[i] + a_db) / 10.0);
        s->op_power += pow(10.0, (s->speech_op[i] + a_db) / 10.0);
    }
}

/* Everything at one pair of dial positions. */
static inline brute_figures brute_figures_at(const lt_tune_lane *l, const brute_paths *p, double out_db, double in_db)
{
    const double d_out = out_db - l->outbound.recorded_db;
    const double d_in = in_db - l->inbound.recorded_db;
    brute_figures f = {.sii_out = 1.0, .sii_in = 1.0, .ear_dba = -INFINITY, .operator_dba = -INFINITY};
    f.safe_margin_db = f.telr_db = f.weighted_db = INFINITY;
    const double less = l->duplex == LT_DUPLEX_VOICE_SWITCHED ? l->switching_attenuation_db : 0.0;
    for (size_t c = 0; c < l->condition_count; c++) {
        brute_spectra s;
        brute_bands(l, c, d_out, d_in, &s);
        f.sii_out = fmin(f.sii_out, brute_sii(s.speech_ear, s.noise_ear));
        f.sii_in = fmin(f.sii_in, brute_sii(s.speech_op, s.noise_op));
        f.ear_dba = fmax(f.ear_dba, 10.0 * log10(s.ear_power));
        f.operator_dba = fmax(f.operator_dba, 10.0 * log10(s.op_power));
        f.safe_margin_db = fmin(f.safe_margin_db, -(p->loop_db[c] + d_out + d_in - less));
        const double telr = 10.0 + p->echo_loss_db[c] - d_out - d_in + less;
        const double t = l->recordings[c].lane_coupling->delay_ms / 2.0;
        f.telr_db = fmin(f.telr_db, telr);
        f.weighted_db =
            fmin(f.weighted_db, telr - 40.0 * log10((1.0 + t / 10.0) / (1.0 + t / 150.0)) + 6.0 * exp(-0.3 * t * t));
    }
    f.property_dba = f.ear_dba - 20.0 * log10(l->speaker_to_property_line_m / l->speaker_to_ear_m);
    /* Amplifier data hold at now_db. */
    const double line = l->line_speech_dbov + 20.0 * log10(sqrt(2.0)) + out_db - l->outbound.now_db;
    f.headroom_db = l->clip_line_dbfs - line - 12.0;
    const double metre_ohm =
        1.7241e-8 / (LT_PI / 4.0 * pow(0.127e-3 * pow(92.0, (36.0 - l->cable_gauge_awg) / 39.0), 2.0));
    const double volts = l->volts_at_0_dbfs * pow(10.0, line / 20.0) * l->speaker_ohm /
                         (l->speaker_ohm + 2.0 * l->cable_length_m * metre_ohm);
    f.power_w = volts * volts / l->speaker_ohm;
    return f;
}

/* Bit k: limit k is violated. Unknown figures (NaN) violate nothing. by_db [6] may be NULL. */
static inline unsigned brute_violated(const lt_tune_lane *l, const brute_figures *f, double *by_db)
{
    static const double demands[] = {14.0, 8.0, -INFINITY};
    const bool open = l->duplex == LT_DUPLEX_PUSH_TO_TALK;
    double over[LT_LIMIT_RANGE] = {0};
    over[LT_LIMIT_SAFE_MARGIN] = open ? -1.0 : l->safe_margin_limit_db - f->safe_margin_db;
    over[LT_LIMIT_EAR_LEVEL] = f->ear_dba - l->ear_limit_dba;
    over[LT_LIMIT_OPERATOR_LEVEL] = f->operator_dba - l->operator_limit_dba;
    over[LT_LIMIT_HEADROOM] = fmax(-f->headroom_db, 10.0 * log10(f->power_w / l->speaker_power_w));
    over[LT_LIMIT_PROPERTY_LINE] = f->property_dba - l->property_line_limit_dba;
    over[LT_LIMIT_TALKER_ECHO] = open ? -1.0 : demands[l->echo_limit] - f->weighted_db;
    unsigned mask = 0;
    for (unsigned k = 0; k < LT_LIMIT_RANGE; k++) {
        mask |= over[k] > 1e-9 ? 1u << k : 0u;
        if (by_db != NULL)
            by_db[k] = over[k];
    }
    return mask;
}

/* All pairs; limits in `ignored` do not count; `more` further steps of the last increment beyond the last. */
static inline brute_choice brute_search(const lt_tune_lane *l, const brute_paths *p, unsigned ignored, bool beyond)
{
    enum { MOST = 640 };
    double pos[2][MOST] = {{0}};
    size_t n[2];
    const lt_adjuster *a[2] = {&l->outbound, &l->inbound};
    for (int k = 0; k < 2; k++) {
        n[k] = a[k]->step_count;
        for (size_t i = 0; i < n[k]; i++)
            pos[k][i] = a[k]->steps_db[i];
        const double step = n[k] > 1 ? pos[k][n[k] - 1] - pos[k][n[k] - 2] : 1.0;
        const double last = pos[k][n[k] - 1];
        for (int i = 1; beyond && step * (i - 1) < 30.0 - 1e-9 && n[k] < MOST; i++)
            pos[k][n[k]++] = last + step * i;
    }
    /* The SII of one direction does not depend on the other's setting: keep it, to be fast enough. */
    double sii_out[MOST];
    double sii_in[MOST];
    for (size_t i = 0; i < n[0]; i++)
        sii_out[i] = brute_figures_at(l, p, pos[0][i], pos[1][0]).sii_out;
    for (size_t j = 0; j < n[1]; j++)
        sii_in[j] = brute_figures_at(l, p, pos[0][0], pos[1][j]).sii_in;
    const brute_figures low = brute_figures_at(l, p, pos[0][0], pos[1][0]);
    brute_choice best = {0};
    best.best = fmin(l->target_sii, fmin(low.sii_out, low.sii_in));
    double quietest = INFINITY;
    for (int pass = 0; pass < 2; pass++)
        for (size_t i = 0; i < n[0]; i++)
            for (size_t j = 0; j < n[1]; j++) {
                brute_figures f = low; /* levels and margins move dB for dB */
                const double up = pos[0][i] - pos[0][0];
                const double both = up + pos[1][j] - pos[1][0];
                f.ear_dba += up;
                f.operator_dba += pos[1][j] - pos[1][0];
                f.property_dba += up;
                f.headroom_db -= up;
                f.power_w *= pow(10.0, up / 10.0);
                f.safe_margin_db -= both;
                f.weighted_db -= both;
                if ((brute_violated(l, &f, NULL) & ~ignored) != 0)
                    continue;
                const double objective = fmin(fmin(sii_out[i], l->target_sii), fmin(sii_in[j], l->target_sii));
                if (pass == 0) {
                    best.best = best.feasible ? fmax(best.best, objective) : objective;
                    best.feasible = true;
                } else if (objective >= best.best - 0.002) {
                    const double sum = pos[0][i] + pos[1][j];
                    if (sum < quietest - 1e-9) {
                        quietest = sum;
                        best.out = i;
                        best.in = j;
                    }
                }
            }
    return best;
}

#endif
