/* SPDX-License-Identifier: MIT
 * Is this a sound calibrator's tone, and what does it read? Levels in dBFS, frequencies in Hz. */
#include <lanetune/level.h>

#include "base/alloc.h"

#include <math.h>

/* IEC 60942:2017 allows a class 1 calibrator 0.07 dB of short-term fluctuation and 0.7 % of frequency, class 2 twice as
 * much and more (memory); the limits here leave room for a worn coupler and a cheap interface's clock. */
static const double nominal_hz = 1000.0, frequency_part = 0.02, steady_db = 0.1;
static const double other_most_db = -26.0; /* 5 % in amplitude moves the level by 0.01 dB and is a fault all the same */
static const double hum_most_db = -40.0;
static const double quietest_dbfs = -80.0;
#define BLOCK_S 0.5
#define AT_LEAST_S 2.0
#define EDGE_S 0.1 /* left out at both ends */

/* Frequency from the phase that a tone gains between two halves, with a Hann window. Short halves first: a phase is
 * known but for whole turns. */
static double refine(const double *x, size_t count, double rate_hz, double near_hz, double *window)
{
    static const double lengths_s[] = {0.1, 0.4, 1e9};
    double hz = near_hz;
    for (size_t pass = 0; pass < LTP_COUNT(lengths_s); pass++) {
        const size_t half = (size_t)fmin(lengths_s[pass] * rate_hz, (double)(count / 2));
        lt_window_hann(window, half);
        lt_complex a[2] = {{0.0, 0.0}, {0.0, 0.0}};
        for (int part = 0; part < 2; part++)
            for (size_t i = 0; i < half; i++) {
                const double t = 2.0 * LT_PI * hz * (double)i / rate_hz, v = x[i + (size_t)part * half] * window[i];
                a[part].re += v * cos(t);
                a[part].im -= v * sin(t);
            }
        const double step = 2.0 * LT_PI * hz * (double)half / rate_hz;
        double turn = atan2(a[1].im, a[1].re) - atan2(a[0].im, a[0].re) - step;
        turn -= 2.0 * LT_PI * round(turn / (2.0 * LT_PI));
        hz += turn * rate_hz / (2.0 * LT_PI * (double)half);
    }
    return hz;
}

/* Mean square of the sine of this frequency that fits best (least squares). */
static double tone_power(const double *x, size_t count, double rate_hz, double hz)
{
    double cc = 0.0, ss = 0.0, cs = 0.0, xc = 0.0, xs = 0.0;
    for (size_t i = 0; i < count; i++) {
        const double t = 2.0 * LT_PI * hz * (double)i / rate_hz, c = cos(t), s = sin(t);
        cc += c * c;
        ss += s * s;
        cs += c * s;
        xc += x[i] * c;
        xs += x[i] * s;
    }
    const double d = cc * ss - cs * cs;
    return (xc * (xc * ss - xs * cs) + xs * (xs * cc - xc * cs)) / (d * (double)count);
}

/* The strongest of the frequencies 240 Hz to 2 kHz (there are calibrators of 250 Hz) in steps that a quarter of a
 * second cannot miss. */
static double strongest(const double *x, size_t count, double rate_hz)
{
    const size_t n = count < (size_t)(0.25 * rate_hz) ? count : (size_t)(0.25 * rate_hz);
    double best_hz = 0.0, best = -1.0;
    for (double hz = 240.0; hz <= 2000.0; hz += 2.0) {
        const double power = lt_complex_power(lt_dtft(x, n, rate_hz, hz));
        if (power > best) {
            best = power;
            best_hz = hz;
        }
    }
    return best_hz;
}

static lt_status check(const lt_calibrator *c, lt_error *err)
{
    if (c->other_db > 0.0)
        return ltp_fail(err, LT_E_SNR,
                        "no tone stands out of noise and hum; switch the calibrator on and push the microphone in as "
                        "far as it goes");
    if (!(fabs(c->hz - nominal_hz) <= frequency_part * nominal_hz))
        return ltp_fail(
            err, LT_E_SNR,
            "the tone has %.0f Hz instead of 1000 Hz; choose 1 kHz at the calibrator, or look at the sample "
            "rate of the interface",
            c->hz);
    if (c->hum_db > hum_most_db)
        return ltp_fail(err, LT_E_SNR,
                        "mains hum is only %.0f dB below the tone; look for a ground loop, run the laptop on battery",
                        -c->hum_db);
    if (c->other_db > other_most_db)
        return ltp_fail(err, LT_E_SNR,
                        "noise is only %.0f dB below the tone; seat the microphone in the coupler and switch the "
                        "calibrator on",
                        -c->other_db);
    /* last: hum and noise make it move too, and are the better explanation */
    if (!(c->unsteady_db <= steady_db))
        return ltp_fail(err, LT_E_SNR,
                        "the level moves by %.2f dB, 0.1 dB is allowed; seat the microphone in the coupler, wait ten "
                        "seconds, hold still",
                        c->unsteady_db);
    return LT_OK;
}

static lt_status find_hum(const lt_signal *part, double tone_dbfs, double *hum_db, lt_error *err)
{
    lt_levels *l = ltp_alloc(1, sizeof *l);
    *hum_db = -INFINITY;
    lt_status st = l == NULL ? ltp_fail_nomem(err, "the calibration") : lt_levels_measure(part, 0.0, l, err);
    if (st == LT_OK && l->hum) {
        /* 1 kHz is a multiple of 50 Hz: the tone itself may stand among the lines. */
        double sum = 0.0;
        for (size_t i = 0; i < l->line_count; i++)
            sum += l->lines[i].hz < 900.0 ? lt_power_from_db(l->lines[i].level_db) : 0.0;
        *hum_db = lt_db_from_power(sum) - tone_dbfs;
    }
    ltp_free(l);
    return st;
}

static void measure_blocks(const lt_signal *p, lt_calibrator *c)
{
    const size_t n = (size_t)(BLOCK_S * p->rate_hz);
    double least = HUGE_VAL, most = 0.0;
    for (size_t at = 0; at + n <= p->count; at += n) {
        const double power = tone_power(p->samples + at, n, p->rate_hz, c->hz);
        least = fmin(least, power);
        most = fmax(most, power);
    }
    c->unsteady_db = lt_db_from_power(most) - lt_db_from_power(least);
}

lt_status lt_calibrator_measure(const lt_signal *s, double spl_db, lt_calibrator *out, lt_error *err)
{
    lt_signal *p = NULL;
    double *window = NULL;
    *out = (lt_calibrator){0};
    if (!(s->rate_hz >= 8000.0 && s->rate_hz <= 200000.0) || (double)s->count < AT_LEAST_S * s->rate_hz)
        return ltp_fail(err, LT_E_ARG, "%.1f s at %.0f Hz; a calibration needs 2 s at 8 kHz or more",
                        (double)s->count / s->rate_hz, s->rate_hz);
    const size_t edge = (size_t)(EDGE_S * s->rate_hz);
    lt_status st = lt_signal_copy(s, edge, s->count - 2 * edge, &p, err);
    if (st != LT_OK)
        return st;
    const double total = lt_signal_rms(p);
    if (!(lt_dbfs_from_rms(total) > quietest_dbfs))
        st = ltp_fail(err, LT_E_SNR, "nothing is heard; look at the cable, the input gain and the phantom power");
    else if (lt_clipped_samples(s) > s->count / 1000)
        st = ltp_fail(err, LT_E_CLIP, "the recording clips; turn the input gain down and leave it there");
    window = ltp_alloc(p->count, sizeof *window);
    if (st == LT_OK && window == NULL)
        st = ltp_fail_nomem(err, "the calibration");
    if (st == LT_OK) {
        out->hz = refine(p->samples, p->count, p->rate_hz, strongest(p->samples, p->count, p->rate_hz), window);
        const double tone = tone_power(p->samples, p->count, p->rate_hz, out->hz);
        out->level_dbfs = lt_dbfs_from_mean_square(tone);
        out->mic_cal_db = spl_db - out->level_dbfs;
        out->other_db = lt_db_from_power(fmax(total * total - tone, 0.0) / tone);
        measure_blocks(p, out);
        st = find_hum(p, out->level_dbfs, &out->hum_db, err);
    }
    if (st == LT_OK)
        st = check(out, err);
    ltp_free(window);
    lt_signal_free(p);
    return st;
}
