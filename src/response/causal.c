/* SPDX-License-Identifier: MIT
 * A measured response as one that begins at t = 0. What a stimulus does not reach is missing from it, and so it rings
 * before the sound is there, for tens of milliseconds at a lower edge of 50 Hz; with that simply cut off, the level at
 * the edge is off by up to 2 dB. But a path is causal: among the responses without anything before t = 0, one is
 * looked for that in the band is what was measured and outside of it is free, by projecting on both in turn
 * (Papoulis 1975, IEEE Trans. CAS-22; Gerchberg 1974). Outside it stays below the level at the band's edges, so that no
 * margin is made of what nobody has measured. */
#include "base/alloc.h"
#include "response/bands.h"
#include "response/ir.h"

#include <math.h>
#include <string.h>

enum { ROUNDS = 40 };
static const double edge = 1.41;      /* half an octave: where the level at an edge is taken */
static const double share_most = 0.5; /* of the energy before t = 0: with more, the direct sound lies there */

typedef struct {
    size_t n, bins;
    double bin_hz;
    lt_rfft *fft;
    lt_complex *wanted, *now;     /* [bins] */
    double *h;                    /* [n] */
    double low_power, high_power; /* most outside of the band */
} projection;

static double energy(const double *x, size_t count)
{
    double sum = 0.0;
    for (size_t i = 0; i < count; i++)
        sum += x[i] * x[i];
    return sum;
}

static double most_power(const projection *p, double from_hz, double to_hz)
{
    double most = 0.0;
    for (size_t k = 0; k < p->bins; k++)
        if ((double)k * p->bin_hz >= from_hz && (double)k * p->bin_hz <= to_hz)
            most = fmax(most, lt_complex_power(p->wanted[k]));
    return most;
}

static void correct_spectrum(const projection *p, const lt_ir *ir)
{
    for (size_t k = 0; k < p->bins; k++) {
        const double hz = (double)k * p->bin_hz;
        const double most = hz < ir->from_hz ? p->low_power : p->high_power;
        const double power = lt_complex_power(p->now[k]);
        if (hz >= ir->from_hz && hz <= ir->to_hz) {
            p->now[k] = p->wanted[k];
        } else if (power > most) {
            const double scale = sqrt(most / power);
            p->now[k] = (lt_complex){p->now[k].re * scale, p->now[k].im * scale};
        }
    }
}

static lt_status project(projection *p, const lt_ir *ir, double *x, size_t length, lt_error *err)
{
    lt_status st = lt_rfft_create(p->n, &p->fft, err);
    if (st != LT_OK)
        return st;
    p->wanted = ltp_alloc(p->bins, sizeof *p->wanted);
    p->now = ltp_alloc(p->bins, sizeof *p->now);
    p->h = ltp_alloc(p->n, sizeof *p->h);
    if (p->wanted == NULL || p->now == NULL || p->h == NULL)
        return ltp_fail_nomem(err, "an impulse response");
    st = lt_ir_spectrum_by(ir, p->fft, p->wanted, err);
    if (st != LT_OK)
        return st;
    p->low_power = most_power(p, ir->from_hz, ir->from_hz * edge);
    p->high_power = most_power(p, ir->to_hz / edge, ir->to_hz);
    for (int round = 0; round < ROUNDS; round++) {
        lt_rfft_forward_padded(p->fft, x, length, p->now);
        correct_spectrum(p, ir);
        lt_rfft_inverse(p->fft, p->now, p->h);
        memcpy(x, p->h, length * sizeof *x);
    }
    return LT_OK;
}

lt_status ltp_ir_make_causal(const lt_ir *ir, double *x, size_t length, lt_error *err)
{
    const bool whole = ir->from_hz <= 0.0 && ir->to_hz >= 0.5 * ir->rate_hz * (1.0 - 1e-12);
    const double before = ir->origin_frames > 0 ? energy(ir->samples, (size_t)ir->origin_frames) : 0.0;
    if (whole || !(before > 0.0) || !(before < share_most * energy(ir->samples, ir->count)))
        return LT_OK;
    projection p = {.n = lt_rfft_good_size(2 * ir->count)};
    p.bins = p.n / 2 + 1;
    p.bin_hz = ir->rate_hz / (double)p.n;
    const lt_status st = project(&p, ir, x, length, err);
    lt_rfft_free(p.fft);
    ltp_free(p.wanted);
    ltp_free(p.now);
    ltp_free(p.h);
    return st;
}
