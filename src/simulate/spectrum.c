/* SPDX-License-Identifier: MIT
 * Transfer functions on the grid of an FFT. Arrivals between samples are placed as a band-limited impulse (sinc under a
 * Blackman-Harris window), so delays are exact to far less than a sample. Forward unscaled, inverse 1/N. */
#include "simulate/model.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

enum { SINC_HALF_FRAMES = 48 };

lt_status ltp_grid_create(double rate_hz, double seconds, ltp_grid **out, lt_error *err)
{
    *out = NULL;
    ltp_grid *g = ltp_alloc(1, sizeof *g);
    if (g == NULL)
        return ltp_fail_nomem(err, "a transfer function");
    g->rate_hz = rate_hz;
    g->n = lt_rfft_good_size((size_t)ceil(rate_hz * seconds) + (size_t)2 * LTP_ORIGIN_FRAMES);
    g->bins = g->n / 2 + 1;
    lt_status st = lt_rfft_create(g->n, &g->fft, err);
    g->time = ltp_alloc(g->n, sizeof *g->time);
    g->work = ltp_alloc(g->bins, sizeof *g->work);
    g->h = ltp_alloc(g->bins, sizeof *g->h);
    if (st == LT_OK && (g->time == NULL || g->work == NULL || g->h == NULL))
        st = ltp_fail_nomem(err, "a transfer function");
    if (st != LT_OK) {
        ltp_grid_free(g);
        return st;
    }
    *out = g;
    return LT_OK;
}

void ltp_grid_free(ltp_grid *g)
{
    if (g == NULL)
        return;
    lt_rfft_free(g->fft);
    ltp_free(g->time);
    ltp_free(g->work);
    ltp_free(g->h);
    ltp_free(g);
}

double ltp_grid_hz(const ltp_grid *g, size_t bin)
{
    return (double)bin * g->rate_hz / (double)g->n;
}

/* Adds gain sinc(i - at) w(i - at); times before 0 wrap to the end of the buffer. */
static void place(ltp_grid *g, double at, double gain)
{
    const double first = ceil(at) - SINC_HALF_FRAMES;
    for (int k = 0; k < 2 * SINC_HALF_FRAMES; k++) {
        const double offset = first + k - at;
        const double w = LT_PI * offset / SINC_HALF_FRAMES;
        const double window = 0.35875 + 0.48829 * cos(w) + 0.14128 * cos(2.0 * w) + 0.01168 * cos(3.0 * w);
        const double phase = LT_PI * offset;
        const double sinc = fabs(phase) < 1e-9 ? 1.0 : sin(phase) / phase;
        const double wrapped = first + k < 0.0 ? first + k + (double)g->n : first + k;
        const size_t i = (size_t)wrapped;
        if (i < g->n)
            g->time[i] += gain * sinc * window;
    }
}

void ltp_grid_add_arrivals(ltp_grid *g, const ltp_arrival *items, size_t count, double gain)
{
    for (unsigned bounces = 0; bounces <= LTP_BOUNCES_MAX; bounces++) {
        bool any = false;
        memset(g->time, 0, g->n * sizeof *g->time);
        for (size_t i = 0; i < count; i++)
            if (items[i].bounces == bounces) {
                place(g, items[i].delay_s * g->rate_hz, gain * items[i].gain);
                any = true;
            }
        if (!any)
            continue;
        lt_rfft_forward(g->fft, g->time, g->work);
        for (size_t k = 0; k < g->bins; k++) {
            const double loss = ltp_bounce_gain(ltp_grid_hz(g, k), bounces);
            g->h[k].re += loss * g->work[k].re;
            g->h[k].im += loss * g->work[k].im;
        }
    }
}

void ltp_grid_add_constant(ltp_grid *g, double gain)
{
    for (size_t k = 0; k < g->bins; k++)
        g->h[k].re += gain;
}

void ltp_grid_chain(ltp_grid *g, const ltp_chain *c)
{
    for (size_t k = 0; k < g->bins; k++)
        g->h[k] = lt_complex_multiply(g->h[k], ltp_chain_at(c, ltp_grid_hz(g, k), g->rate_hz));
}

void ltp_grid_scale(ltp_grid *g, double gain)
{
    for (size_t k = 0; k < g->bins; k++) {
        g->h[k].re *= gain;
        g->h[k].im *= gain;
    }
}

void ltp_grid_delay(ltp_grid *g, double seconds)
{
    for (size_t k = 0; k < g->bins; k++) {
        const double turn = -2.0 * LT_PI * ltp_grid_hz(g, k) * seconds;
        g->h[k] = lt_complex_multiply(g->h[k], (lt_complex){cos(turn), sin(turn)});
    }
}

void ltp_grid_samples(const ltp_grid *g, size_t origin, double *samples)
{
    lt_rfft_inverse(g->fft, g->h, g->time);
    memcpy(samples, g->time + (g->n - origin), origin * sizeof *samples);
    memcpy(samples + origin, g->time, (g->n - origin) * sizeof *samples);
}
