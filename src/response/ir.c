/* SPDX-License-Identifier: MIT
 * Impulse responses: making one, its spectrum, its band levels. Scale: recorded per played full scale. */
#include "response/ir.h"
#include "base/alloc.h"
#include "response/bands.h"

#include <math.h>
#include <string.h>

enum { FINE_TURNS = 64 };

lt_status ltp_ir_create(size_t count, double rate_hz, lt_ir **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz > 0.0 && rate_hz <= 1e6) || count == 0 || count > LT_SIGNAL_MAX_COUNT)
        return ltp_fail(err, LT_E_ARG, "an impulse response of %zu samples at %g Hz cannot be used", count, rate_hz);
    lt_ir *ir = ltp_alloc(1, sizeof *ir);
    double *samples = ltp_alloc(count, sizeof *samples);
    if (ir == NULL || samples == NULL) {
        ltp_free(ir);
        ltp_free(samples);
        return ltp_fail_nomem(err, "an impulse response");
    }
    *ir = (lt_ir){.samples = samples, .count = count, .rate_hz = rate_hz, .to_hz = 0.5 * rate_hz};
    *out = ir;
    return LT_OK;
}

lt_status lt_ir_from_signal(const lt_signal *s, lt_ir **out, lt_error *err)
{
    const lt_status st = ltp_ir_create(s->count, s->rate_hz, out, err);
    if (st == LT_OK)
        memcpy((*out)->samples, s->samples, s->count * sizeof *s->samples);
    return st;
}

void lt_ir_free(lt_ir *ir)
{
    if (ir == NULL)
        return;
    ltp_free(ir->samples);
    ltp_free(ir);
}

lt_status lt_ir_to_signal(const lt_ir *ir, lt_signal **out, lt_error *err)
{
    *out = NULL;
    const ptrdiff_t length = (ptrdiff_t)ir->count - ir->origin_frames; /* of what lies at t >= 0 */
    if (length <= 0)
        return lt_signal_create(0, ir->rate_hz, out, err);
    const lt_status st = lt_signal_create((size_t)length, ir->rate_hz, out, err);
    if (st != LT_OK)
        return st;
    const size_t skip = ir->origin_frames > 0 ? (size_t)ir->origin_frames : 0;
    const size_t late = ir->origin_frames < 0 ? (size_t)-ir->origin_frames : 0;
    memcpy((*out)->samples + late, ir->samples + skip, (ir->count - skip) * sizeof *ir->samples);
    const lt_status causal = ltp_ir_make_causal(ir, (*out)->samples, (*out)->count, err);
    if (causal != LT_OK) {
        lt_signal_free(*out);
        *out = NULL;
    }
    return causal;
}

/* spectrum[k] times exp(+j 2 pi k origin / n), the angle as a whole number of n-ths: each factor is a coarse one times
 * a fine one. */
static void turn_to_origin(ptrdiff_t origin_frames, size_t n_fft, lt_complex *spectrum)
{
    const ptrdiff_t n = (ptrdiff_t)n_fft;
    const uint64_t origin = (uint64_t)((origin_frames % n + n) % n);
    const double unit = 2.0 * LT_PI / (double)n_fft;
    lt_complex fine[FINE_TURNS];
    if (origin == 0)
        return;
    for (uint64_t k = 0; k < FINE_TURNS; k++) {
        const double angle = unit * (double)(k * origin % (uint64_t)n_fft);
        fine[k] = (lt_complex){cos(angle), sin(angle)};
    }
    for (size_t first = 0; first <= n_fft / 2; first += FINE_TURNS) {
        const double angle = unit * (double)((uint64_t)first * origin % (uint64_t)n_fft);
        const lt_complex coarse = {cos(angle), sin(angle)};
        for (size_t k = 0; k < FINE_TURNS && first + k <= n_fft / 2; k++)
            spectrum[first + k] = ltp_product(spectrum[first + k], ltp_product(coarse, fine[k]));
    }
}

lt_status lt_ir_spectrum_by(const lt_ir *ir, lt_rfft *fft, lt_complex *spectrum, lt_error *err)
{
    const size_t n_fft = lt_rfft_size(fft);
    if (n_fft < ir->count)
        return ltp_fail(err, LT_E_ARG, "a spectrum of %zu points is too short for an impulse response of %zu samples",
                        n_fft, ir->count);
    lt_rfft_forward_padded(fft, ir->samples, ir->count, spectrum);
    turn_to_origin(ir->origin_frames, n_fft, spectrum);
    return LT_OK;
}

lt_status lt_ir_spectrum(const lt_ir *ir, size_t n_fft, lt_complex *spectrum, lt_error *err)
{
    lt_rfft *fft = NULL;
    lt_status st = lt_rfft_create(n_fft, &fft, err);
    if (st == LT_OK)
        st = lt_ir_spectrum_by(ir, fft, spectrum, err);
    lt_rfft_free(fft);
    return st;
}

lt_complex lt_ir_at(const lt_ir *ir, double hz)
{
    const lt_complex h = lt_dtft(ir->samples, ir->count, ir->rate_hz, hz);
    const double angle = 2.0 * LT_PI * fmod(hz * (double)ir->origin_frames / ir->rate_hz, 1.0);
    return lt_complex_multiply(h, (lt_complex){cos(angle), sin(angle)});
}

lt_status ltp_power_spectrum(const double *x, size_t count, double rate_hz, double **out, size_t *bins, lt_error *err)
{
    static const double coarsest_hz = 1.0;
    *out = NULL;
    /* |H|^2 of count samples is sampled without loss by 2 count points; finer still where bands are narrow. */
    const size_t n = lt_rfft_good_size((size_t)fmax(2.0 * (double)count, rate_hz / coarsest_hz));
    lt_rfft *fft = NULL;
    const lt_status st = lt_rfft_create(n, &fft, err);
    if (st != LT_OK)
        return st;
    lt_complex *spectrum = ltp_alloc(n / 2 + 1, sizeof *spectrum);
    double *power = ltp_alloc(n / 2 + 1, sizeof *power);
    if (spectrum != NULL && power != NULL) {
        lt_rfft_forward_padded(fft, x, count, spectrum);
        for (size_t k = 0; k <= n / 2; k++)
            power[k] = lt_complex_power(spectrum[k]);
        *out = power;
        *bins = n / 2 + 1;
        power = NULL;
    }
    lt_rfft_free(fft);
    ltp_free(spectrum);
    ltp_free(power);
    return *out == NULL ? ltp_fail_nomem(err, "a spectrum") : LT_OK;
}

lt_status lt_ir_band_levels(const lt_ir *ir, const lt_band *bands, size_t count, double *level_db, lt_error *err)
{
    double *power = NULL;
    size_t bins = 0;
    const lt_status st = ltp_power_spectrum(ir->samples, ir->count, ir->rate_hz, &power, &bins, err);
    if (st != LT_OK)
        return st;
    const double bin_hz = 0.5 * ir->rate_hz / (double)(bins - 1);
    for (size_t i = 0; i < count; i++)
        level_db[i] = lt_db_from_power(ltp_band_mean(power, bins, bin_hz, bands[i].lower_hz, bands[i].upper_hz));
    ltp_free(power);
    return LT_OK;
}
