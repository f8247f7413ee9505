/* SPDX-License-Identifier: MIT
 * The sound of the virtual lane: convolution, noise, loop, faults. Runs in the server's real-time thread. */
#include "lane_plan.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SINC_HALF = 32 };
static const double drift_start = 1024.0; /* frames of delay that a negative drift may use up: 140 s at -150 ppm */

convolver *convolver_new(const double *ir, size_t count, size_t block)
{
    convolver *c = calloc(1, sizeof *c);
    if (c == NULL)
        return NULL;
    c->block = block;
    c->parts = count / block + 1;
    c->bins = block + 1;
    c->h = calloc(c->parts * c->bins, sizeof *c->h);
    c->x = calloc(c->parts * c->bins, sizeof *c->x);
    c->sum = calloc(c->bins, sizeof *c->sum);
    c->past = calloc(2 * block, sizeof *c->past);
    c->out = calloc(2 * block, sizeof *c->out);
    if (!c->h || !c->x || !c->sum || !c->past || !c->out || lt_rfft_create(2 * block, &c->fft, NULL) != LT_OK) {
        convolver_free(c);
        return NULL;
    }
    for (size_t p = 0; p < c->parts; p++) {
        const size_t first = p * block, n = count > first ? count - first : 0;
        lt_rfft_forward_padded(c->fft, ir + first, n < block ? n : block, c->h + p * c->bins);
    }
    return c;
}

void convolver_free(convolver *c)
{
    if (c == NULL)
        return;
    lt_rfft_free(c->fft);
    free(c->h);
    free(c->x);
    free(c->sum);
    free(c->past);
    free(c->out);
    free(c);
}

void convolver_run(convolver *c, const double *in, double gain, double *out)
{
    memmove(c->past, c->past + c->block, c->block * sizeof *c->past);
    memcpy(c->past + c->block, in, c->block * sizeof *in);
    c->at = c->at == 0 ? c->parts - 1 : c->at - 1;
    lt_rfft_forward(c->fft, c->past, c->x + c->at * c->bins);
    memset(c->sum, 0, c->bins * sizeof *c->sum);
    for (size_t p = 0; p < c->parts; p++) {
        const lt_complex *h = c->h + p * c->bins, *x = c->x + (c->at + p) % c->parts * c->bins;
        for (size_t k = 0; k < c->bins; k++) {
            c->sum[k].re += h[k].re * x[k].re - h[k].im * x[k].im;
            c->sum[k].im += h[k].re * x[k].im + h[k].im * x[k].re;
        }
    }
    lt_rfft_inverse(c->fft, c->sum, c->out);
    for (size_t i = 0; i < c->block; i++)
        out[i] += gain * c->out[c->block + i];
}

/* Value of the history `delay` frames before position at; exact for whole delays. */
static double delayed(const double *history, uint64_t at, double delay)
{
    const double whole = floor(delay), part = delay - whole;
    const uint64_t base = at - (uint64_t)whole;
    if (part <= 0.0)
        return history[base % HISTORY];
    double sum = 0.0;
    const double s = sin(LT_PI * part);
    for (int k = 1 - SINC_HALF; k <= SINC_HALF; k++) {
        const double x = (double)k - part; /* of a sample k frames earlier than base */
        const double window = 0.5 + 0.5 * cos(LT_PI * x / (SINC_HALF + 1.0));
        const double sinc = (k % 2 == 0 ? -s : s) / (LT_PI * x);
        sum += window * sinc * history[(base - (uint64_t)(int64_t)k) % HISTORY];
    }
    return sum;
}

static void add_sources(plan *p, microphone *m, double *y)
{
    const double step = 2.0 * LT_PI * m->tone_hz / p->rate_hz;
    for (size_t i = 0; i < p->block; i++) {
        if (m->noise_rms > 0.0)
            y[i] += m->noise_rms * lt_rng_gauss(&p->rng);
        if (m->sound != NULL) {
            y[i] += (double)m->sound[m->sound_at];
            m->sound_at = (m->sound_at + 1) % m->sound_count;
        }
        if (m->tone_peak > 0.0) {
            y[i] += m->tone_peak * sin(m->tone_phase);
            m->tone_phase = fmod(m->tone_phase + step, 2.0 * LT_PI);
        }
    }
}

/* y += feedback * filter(y one turn ago); held by a limiter, as any amplifier is. */
static void add_loop(plan *p, microphone *m, double *y)
{
    if (m->feedback <= 0.0)
        return;
    for (size_t i = 0; i < p->block; i++) {
        const uint64_t at = p->frame + i;
        double back = m->loop[(at - m->feedback_frames) % HISTORY];
        lt_biquad_run(&m->feedback_filter, &m->feedback_state, &back, &back, 1);
        y[i] += m->feedback * back;
        y[i] = y[i] > 0.9 ? 0.9 : y[i] < -0.9 ? -0.9 : y[i];
        m->loop[at % HISTORY] = y[i];
    }
}

static double delay_of(const plan *p, microphone *m, size_t i)
{
    double delay = 0.0;
    if (m->shift_at >= 0) {
        const bool after = p->sounding && p->since_sound + (int64_t)i >= m->shift_at;
        const long frames = m->shift_frames;
        delay = frames > 0 ? (after ? 0.0 : (double)frames) : (after ? (double)-frames : 0.0);
    }
    if (fabs(m->drift) > 0.0) {
        /* a longer recording is read more slowly: the delay grows */
        m->delay += m->drift / (1.0 + m->drift);
        delay += drift_start + m->delay;
    }
    return delay;
}

static void finish(plan *p, microphone *m, const double *y, float *out)
{
    for (size_t i = 0; i < p->block; i++) {
        const uint64_t at = p->frame + i;
        m->history[at % HISTORY] = m->gain * y[i];
        double x = delayed(m->history, at, delay_of(p, m, i));
        if (m->clip > 0.0)
            x = x > m->clip ? m->clip : x < -m->clip ? -m->clip : x;
        const bool muted = m->mute_from >= 0 && p->sounding && p->since_sound + (int64_t)i >= m->mute_from;
        out[i] = muted ? 0.0F : (float)x;
    }
}

static void take_in(plan *p, const float *const *in)
{
    for (unsigned s = 0; s < p->speakers; s++)
        for (size_t i = 0; i < p->block; i++) {
            const double x = (double)in[s][i];
            if (!p->sounding && fabs(x) > 0.0) {
                p->sounding = true;
                p->since_sound = -(int64_t)i;
            }
            p->in[s][i] = isnan(p->clip_line_dbfs[s]) ? x : lt_scene_amplifier(p->clip_line_dbfs[s], x);
        }
}

void plan_run(plan *p, const float *const *in, float *const *out)
{
    take_in(p, in);
    for (unsigned m = 0; m < p->microphones; m++)
        memset(p->out[m], 0, p->block * sizeof *p->out[m]);
    for (size_t r = 0; r < p->route_count; r++) {
        const route *t = &p->routes[r];
        double *y = p->out[t->microphone];
        if (t->filter != NULL)
            convolver_run(t->filter, p->in[t->speaker], t->gain, y);
        else
            for (size_t i = 0; i < p->block; i++)
                y[i] += t->gain * p->in[t->speaker][i];
    }
    for (unsigned m = 0; m < p->microphones; m++) {
        add_sources(p, &p->mics[m], p->out[m]);
        add_loop(p, &p->mics[m], p->out[m]);
        finish(p, &p->mics[m], p->out[m], out[m]);
    }
    lane_tap_push(p->tap, in[0], out[0]);
    p->frame += p->block;
    p->since_sound += p->sounding ? (int64_t)p->block : 0;
}
