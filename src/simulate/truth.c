/* SPDX-License-Identifier: MIT
 * True figures of a lane, from the model itself. L = lane coupling x counter coupling; the loop closes with a + sign
 * and is stable for a gain k < 1 / max{Re L : Im L = 0, Re L > 0}. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>

/* ---- bands ---- */

static lt_status path_bands(const lt_scene_lane *lane, size_t condition, lt_scene_path path, double add_db,
                            double band_db[LT_SPEECH_BANDS], lt_error *err)
{
    lt_ir *ir = NULL;
    lt_band bands[LT_SPEECH_BANDS];
    for (int i = 0; i < LT_SPEECH_BANDS; i++)
        bands[i] = lt_third_octave(LT_THIRD_SPEECH_FIRST + i);
    lt_status st = lt_scene_ir(lane, condition, path, &ir, err);
    if (st == LT_OK)
        st = lt_ir_band_levels(ir, bands, LT_SPEECH_BANDS, band_db, err);
    lt_ir_free(ir);
    for (int i = 0; i < LT_SPEECH_BANDS && st == LT_OK; i++)
        band_db[i] += add_db;
    return st;
}

/* Mean square that all sources leave between two frequencies. */
static double noise_power(const ltp_hearing *h, double from_hz, double to_hz)
{
    enum { STEPS = 48 };
    const double step_hz = (to_hz - from_hz) / STEPS;
    double sum = 0.0;
    for (int i = 0; i < STEPS; i++)
        for (ltp_noise_kind k = LTP_NOISE_ROAD; k < LTP_NOISE_KINDS; k++)
            sum += ltp_hearing_density(h, k, from_hz + (i + 0.5) * step_hz) * step_hz;
    const ltp_tones *const tones[] = {&h->hum, &h->engine};
    for (size_t t = 0; t < LTP_COUNT(tones); t++)
        for (size_t k = 0; k < tones[t]->count; k++) {
            const double hz = tones[t]->hz * (double)(k + 1);
            sum += hz >= from_hz && hz < to_hz ? tones[t]->mean_square[k] : 0.0;
        }
    return sum;
}

/* Third octaves from 20 Hz to 20 kHz; `a` may be NULL. */
static lt_status noise_bands(const lt_scene_lane *lane, size_t condition, lt_scene_path path, double add_db,
                             double band_db[LT_SPEECH_BANDS], double *laeq_db, lt_error *err)
{
    static const int first = -17;
    ltp_hearing *h = NULL;
    const lt_status st = ltp_hearing_create(lane, condition, path, &h, err);
    if (st != LT_OK)
        return st;
    double sum = 0.0;
    for (int i = first; i <= LT_THIRD_LAST; i++) {
        const lt_band b = lt_third_octave(i);
        const double level_db = lt_dbfs_from_mean_square(noise_power(h, b.lower_hz, b.upper_hz)) + add_db;
        sum += lt_power_from_db(level_db + lt_weight_a_db(b.exact_hz));
        const int speech = i - LT_THIRD_SPEECH_FIRST;
        if (speech >= 0 && speech < LT_SPEECH_BANDS)
            band_db[speech] = level_db;
    }
    if (laeq_db != NULL)
        *laeq_db = lt_db_from_power(sum);
    ltp_hearing_free(h);
    return LT_OK;
}

/* ---- margins ---- */

/* Largest |L| near bin k, by a parabola through three levels. */
static double refined_peak_db(const lt_complex *l, size_t k)
{
    const double a = lt_db_from_power(lt_complex_power(l[k - 1]));
    const double b = lt_db_from_power(lt_complex_power(l[k]));
    const double c = lt_db_from_power(lt_complex_power(l[k + 1]));
    const double bend = a - 2.0 * b + c;
    return isfinite(bend) && bend < 0.0 ? b - (a - c) * (a - c) / (8.0 * bend) : b;
}

static void scan_margins(const lt_complex *l, size_t bins, double bin_hz, lt_scene_truth *out)
{
    size_t loudest = 1;
    double largest = 0.0;
    for (size_t k = 1; k + 1 < bins; k++) {
        if (lt_complex_power(l[k]) > lt_complex_power(l[loudest]))
            loudest = k;
        if ((l[k].im < 0.0) == (l[k + 1].im < 0.0))
            continue;
        const double part = l[k].im / (l[k].im - l[k + 1].im);
        const double re = l[k].re + part * (l[k + 1].re - l[k].re);
        if (re > largest) {
            largest = re;
            out->ring_hz = ((double)k + part) * bin_hz;
        }
    }
    out->safe_margin_db = -refined_peak_db(l, loudest);
    if (largest > 0.0)
        out->margin_db = -lt_db_from_amplitude(largest);
}

/* The loop on a grid of about 0.2 Hz, from 20 Hz to half the rate. */
static lt_status find_margins(const lt_scene_lane *lane, size_t condition, lt_scene_truth *out, lt_error *err)
{
    lt_ir *ir = NULL;
    lt_complex *l = NULL;
    out->margin_db = out->safe_margin_db = out->ring_hz = NAN;
    lt_status st = lt_scene_ir(lane, condition, LT_SCENE_LOOP, &ir, err);
    if (st != LT_OK)
        return st;
    const size_t n = lt_rfft_good_size((size_t)(5.0 * lane->rate_hz) + ir->count);
    const double unloop = lt_amplitude_from_db(-lane->loopback_db);
    l = ltp_alloc(n / 2 + 1, sizeof *l);
    st = l == NULL ? ltp_fail_nomem(err, "the loop's response") : lt_ir_spectrum(ir, n, l, err);
    if (st == LT_OK) {
        for (size_t k = 0; k <= n / 2; k++)
            l[k] = (lt_complex){unloop * l[k].re, unloop * l[k].im};
        scan_margins(l, n / 2 + 1, lane->rate_hz / (double)n, out);
    }
    ltp_free(l);
    lt_ir_free(ir);
    return st;
}

lt_status lt_scene_truth_of(const lt_scene_lane *lane, size_t condition, lt_scene_truth *out, lt_error *err)
{
    *out = (lt_scene_truth){0};
    lt_status st = path_bands(lane, condition, LT_SCENE_OUTBOUND, lane->mic_cal_db, out->outbound_band_db, err);
    if (st == LT_OK)
        st = path_bands(lane, condition, LT_SCENE_INBOUND, lane->mic_cal_db, out->receive_band_db, err);
    if (st == LT_OK)
        st = path_bands(lane, condition, LT_SCENE_LANE_COUPLING, -lane->loopback_db, out->coupling_band_db, err);
    if (st == LT_OK)
        st = path_bands(lane, condition, LT_SCENE_TALK_TEST, -lane->loopback_db, out->mouth_band_db, err);
    if (st == LT_OK)
        st = noise_bands(lane, condition, LT_SCENE_NOISE_EAR, lane->mic_cal_db, out->noise_ear_leq_db,
                         &out->noise_ear_laeq_db, err);
    if (st == LT_OK)
        st = noise_bands(lane, condition, LT_SCENE_NOISE_MIC, -lane->loopback_db, out->noise_mic_leq_db, NULL, err);
    if (st == LT_OK)
        st = noise_bands(lane, condition, LT_SCENE_NOISE_COUNTER, lane->mic_cal_db, out->noise_counter_leq_db,
                         &out->noise_counter_laeq_db, err);
    if (st == LT_OK)
        st = find_margins(lane, condition, out, err);
    out->delay_ms =
        1e3 * lane->speaker_to_microphone_m / lt_speed_of_sound_m_s(lane->temperature_c) + lane->hub_delay_ms;
    return st;
}

/* ---- distortion ---- */

enum { HARMONICS = 5 };

/* Amplitudes of the harmonics of a sine through the amplifier's curve: its Fourier integral, by the mean over one
 * period (exact for a smooth curve). */
static void curve_harmonics(double clip_line_dbfs, double amplitude, double harmonic[HARMONICS + 1])
{
    enum { STEPS = 4096 };
    for (int n = 1; n <= HARMONICS; n++) {
        double re = 0.0;
        double im = 0.0;
        for (int i = 0; i < STEPS; i++) {
            const double turn = 2.0 * LT_PI * i / STEPS;
            const double y = lt_scene_amplifier(clip_line_dbfs, amplitude * sin(turn));
            re += y * cos(n * turn);
            im += y * sin(n * turn);
        }
        harmonic[n] = 2.0 / STEPS * hypot(re, im);
    }
}

lt_status lt_scene_thd(const lt_scene_lane *lane, size_t condition, lt_scene_path path, double hz, double line_dbfs,
                       double to_hz, double *thd_percent, lt_error *err)
{
    *thd_percent = NAN;
    const double half_hz = 0.5 * lane->rate_hz;
    if (!(hz > 0.0 && hz < half_hz && to_hz > 0.0 && to_hz <= half_hz) || isnan(line_dbfs))
        return ltp_fail(err, LT_E_ARG, "distortion at %g Hz, %g dBFS, up to %g Hz: frequencies must be 0 to %g Hz", hz,
                        line_dbfs, to_hz, half_hz);
    lt_ir *ir = NULL;
    const lt_status st = lt_scene_ir(lane, condition, path, &ir, err);
    if (st != LT_OK)
        return st;
    const bool amplified = path == LT_SCENE_OUTBOUND || path == LT_SCENE_LANE_COUPLING || path == LT_SCENE_LOOP;
    double harmonic[HARMONICS + 1];
    curve_harmonics(amplified ? lane->clip_line_dbfs : (double)NAN, lt_amplitude_from_db(line_dbfs), harmonic);
    double sum = 0.0;
    for (int n = 2; n <= HARMONICS && n * hz <= to_hz; n++)
        sum += harmonic[n] * harmonic[n] * lt_complex_power(lt_ir_at(ir, n * hz));
    if (2.0 * hz <= to_hz)
        *thd_percent = 100.0 * sqrt(sum / lt_complex_power(lt_ir_at(ir, hz))) / harmonic[1];
    lt_ir_free(ir);
    return LT_OK;
}
