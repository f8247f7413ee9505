/* SPDX-License-Identifier: MIT
 * The echo path as taps, from speech: least squares, weighted over time by the inverse of what the path does not
 * explain (so double-talk and bursts of noise drop out), regularised over frequency by the noise there. dB where named.
 */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

enum { PSD_FRAMES = 1024, ROUNDS = 4, COARSE_ROUNDS = 2, ITERATIONS = 24, COARSE_ITERATIONS = 12 };
static const double segment_s = 0.032;
static const double weight_span_db = 10.0; /* a segment counts at most this much more than the median one */
static const double misfit = 0.003;        /* of the echo: a smaller residual makes no segment more believable */
static const double nothing_sent = 1e-6;   /* power density re the top: no echo of it could be told, however quiet */
static const double gain_block_s = 0.75;
static const double gain_least_db = 1.5; /* spread from which the level is said to change */

typedef struct {
    const double *sent; /* [count] */
    double *target;     /* [count] returned, shifted by the first lag */
    double *w, *y;      /* [count] */
    double *gain;       /* [count] amplitude */
    double *density;    /* [bins] */
    double *ridge;      /* [bins] */
    size_t count;
    size_t late;       /* of the strongest part of the path, from its first tap */
    size_t begin, end; /* of the frames for which the returned recording has something */
    lt_rfft *fft;
    double window[PSD_FRAMES];
    double energy; /* of the window */
} fitting;

static void fitting_clear(fitting *k)
{
    ltp_free(k->target);
    ltp_free(k->w);
    ltp_free(k->y);
    ltp_free(k->gain);
    ltp_free(k->density);
    ltp_free(k->ridge);
    lt_rfft_free(k->fft);
}

/* Mean power density of sqrt(w) x: its mean over the circle is the mean square. x is taken `late` frames late, as what
 * was sent has to be where the weights are those of its echo. */
static void density(fitting *k, const double *x, size_t late, double *psd)
{
    double frame[PSD_FRAMES];
    lt_complex spectrum[PSD_FRAMES / 2 + 1];
    memset(psd, 0, (PSD_FRAMES / 2 + 1) * sizeof *psd);
    size_t frames = 0;
    for (size_t at = 0; at + PSD_FRAMES <= k->count; at += PSD_FRAMES / 2, frames++) {
        for (size_t i = 0; i < PSD_FRAMES; i++)
            frame[i] = at + i >= late ? x[at + i - late] * sqrt(k->w[at + i]) * k->window[i] : 0.0;
        lt_rfft_forward(k->fft, frame, spectrum);
        for (size_t i = 0; i <= PSD_FRAMES / 2; i++)
            psd[i] += lt_complex_power(spectrum[i]);
    }
    for (size_t i = 0; i <= PSD_FRAMES / 2 && frames > 0; i++)
        psd[i] /= k->energy * (double)frames;
}

static double mean_square(const double *x, size_t from, size_t to)
{
    double sum = 0.0;
    for (size_t i = from; i < to; i++)
        sum += x[i] * x[i];
    return to > from ? sum / (double)(to - from) : 0.0;
}

static size_t segment_end(const fitting *k, const ltp_echo_fit *f, size_t s)
{
    const size_t end = (s + 1) * f->segment_frames;
    return end < k->count ? end : k->count;
}

/* Weights from the mean square of each segment's residual, with its neighbours, and spread over the frames. */
static lt_status weigh(fitting *k, ltp_echo_fit *f, const double *level, double floor, lt_error *err)
{
    double *smooth = ltp_alloc(f->segments, sizeof *smooth);
    double *sorted = ltp_alloc(f->segments, sizeof *sorted);
    if (smooth == NULL || sorted == NULL) {
        ltp_free(smooth);
        ltp_free(sorted);
        return ltp_fail_nomem(err, "an echo path");
    }
    for (size_t s = 0; s < f->segments; s++) {
        const double before = level[s > 0 ? s - 1 : 0];
        const double after = level[s + 1 < f->segments ? s + 1 : s];
        smooth[s] = sorted[s] = 0.25 * before + 0.5 * level[s] + 0.25 * after;
    }
    const double middle = lt_median(sorted, f->segments);
    const double least = fmax(floor, middle * lt_power_from_db(-weight_span_db)) + 1e-30;
    double sum = 0.0;
    for (size_t s = 0; s < f->segments; s++) {
        const bool inside = s * f->segment_frames >= k->begin && segment_end(k, f, s) <= k->end;
        sum += f->weight[s] = inside ? 1.0 / (smooth[s] + least) : 0.0;
    }
    for (size_t s = 0; s < f->segments; s++)
        f->weight[s] *= (double)f->segments / fmax(sum, 1e-300);
    for (size_t i = 0; i < k->count; i++) { /* linear from middle to middle: no steps inside an echo */
        const double x = ((double)i + 0.5) / (double)f->segment_frames - 0.5;
        const size_t a = x > 0.0 ? (size_t)x : 0;
        const size_t b = a + 1 < f->segments ? a + 1 : a;
        const double t = fmin(fmax(x - (double)a, 0.0), 1.0);
        k->w[i] = f->weight[a < f->segments ? a : f->segments - 1] * (1.0 - t) + f->weight[b] * t;
    }
    ltp_free(smooth);
    ltp_free(sorted);
    return LT_OK;
}

/* y = residual; its level, that of the echo and of the return by segment. */
static void explain(fitting *k, ltp_normal *m, ltp_echo_fit *f)
{
    ltp_normal_apply(m, f->h, k->y);
    for (size_t i = 0; i < k->count; i++)
        k->y[i] *= k->gain[i];
    for (size_t s = 0; s < f->segments; s++) {
        const size_t from = s * f->segment_frames;
        const size_t to = segment_end(k, f, s);
        f->echo[s] = mean_square(k->y, from, to);
        f->power[s] = mean_square(k->target, from, to);
    }
    for (size_t i = 0; i < k->count; i++)
        k->y[i] = k->target[i] - k->y[i];
    for (size_t s = 0; s < f->segments; s++)
        f->residual[s] = mean_square(k->y, s * f->segment_frames, segment_end(k, f, s));
}

/* Ridge = noise density x taps / energy of the path: what a path of that energy, spread evenly, would be believed at.
 */
static void make_ridge(fitting *k, const ltp_echo_fit *f)
{
    double energy = 0.0;
    for (size_t i = 0; i < f->taps; i++)
        energy += f->h[i] * f->h[i];
    double sent = 0.0, back = 0.0;
    for (size_t i = 0; i < f->bins; i++) {
        sent += k->density[i];
        back += f->noise_psd[i];
    }
    /* From above, never from below: a path that is once believed to be nothing would stay nothing. */
    const double all = back / (sent + 1e-300) + 1e-30;
    const double spread = (double)f->taps / (energy > 0.0 ? fmax(energy, 0.01 * all) : all);
    for (size_t i = 0; i < f->bins; i++)
        k->ridge[i] = f->noise_psd[i] * spread;
}

static lt_status solve(fitting *k, ltp_normal *m, ltp_echo_fit *f, int iterations, lt_error *err)
{
    density(k, k->sent, k->late, k->density);
    density(k, k->y, 0, f->noise_psd);
    make_ridge(k, f);
    for (size_t i = 0; i < f->bins; i++)
        k->density[i] *= (double)k->count;
    /* The level of the path at each time goes to the weight and to the target: w g^2 (r / g - s * h)^2. */
    double *w = ltp_alloc(k->count, sizeof *w);
    double *target = ltp_alloc(k->count, sizeof *target);
    lt_status st = w == NULL || target == NULL ? ltp_fail_nomem(err, "an echo path") : LT_OK;
    if (st == LT_OK) {
        for (size_t i = 0; i < k->count; i++) {
            w[i] = k->w[i] * k->gain[i] * k->gain[i];
            target[i] = k->target[i] / k->gain[i];
        }
        st = ltp_normal_solve(m, w, target, k->ridge, k->density, f->bins, iterations, f->h, err);
    }
    ltp_free(w);
    ltp_free(target);
    if (st == LT_OK)
        explain(k, m, f);
    return st;
}

/* Level of the path over time: regression of the return on the echo in blocks, re the median. */
static lt_status follow_gain(fitting *k, ltp_normal *m, ltp_echo_fit *f, lt_error *err)
{
    const size_t per = (size_t)fmax(round(gain_block_s * 1.0 / segment_s), 1.0);
    const size_t blocks = (f->segments + per - 1) / per;
    double *level = ltp_alloc(blocks, sizeof *level);
    double *known = ltp_alloc(blocks, sizeof *known);
    if (level == NULL || known == NULL) {
        ltp_free(level);
        ltp_free(known);
        return ltp_fail_nomem(err, "an echo path");
    }
    ltp_normal_apply(m, f->h, k->y);
    size_t n = 0;
    for (size_t b = 0; b < blocks; b++) {
        double yy = 0.0, ry = 0.0, rr = 0.0;
        for (size_t i = b * per * f->segment_frames; i < (b + 1) * per * f->segment_frames && i < k->count; i++) {
            yy += k->w[i] * k->y[i] * k->y[i];
            ry += k->w[i] * k->y[i] * k->target[i];
            rr += k->w[i] * k->target[i] * k->target[i];
        }
        const double g = yy > 0.0 ? ry / yy : 0.0;
        const bool clear = g > 0.0 && ry * ry > 0.5 * yy * rr; /* half of the power at least is echo */
        level[b] = clear ? 20.0 * log10(g) : (double)NAN;
        if (clear)
            known[n++] = level[b];
    }
    f->gain_spread_db = 0.0;
    double middle = 0.0;
    if (n >= 4) {
        const double low = lt_quantile(known, n, 0.15);
        const double high = lt_quantile(known, n, 0.85);
        middle = lt_median(known, n);
        f->gain_spread_db = high - low;
    }
    const bool changes = f->gain_spread_db > gain_least_db;
    double last = middle;
    for (size_t s = 0; s < f->segments; s++) {
        if (lt_is_known(level[s / per]))
            last = level[s / per];
        f->gain[s] = changes ? fmin(fmax(last - middle, -30.0), 30.0) : 0.0;
    }
    for (size_t i = 0; i < k->count; i++)
        k->gain[i] = lt_amplitude_from_db(f->gain[i / f->segment_frames]);
    ltp_free(level);
    ltp_free(known);
    explain(k, m, f);
    return LT_OK;
}

static lt_status fitting_make(const ltp_echo_pair *p, ptrdiff_t first, fitting *k, ltp_echo_fit *f, lt_error *err)
{
    k->count = p->sent->count;
    k->sent = p->sent->samples;
    f->bins = PSD_FRAMES / 2 + 1;
    f->segment_frames = (size_t)(segment_s * p->rate_hz);
    f->segments = (k->count + f->segment_frames - 1) / f->segment_frames;
    double **const per_frame[] = {&k->target, &k->w, &k->y, &k->gain};
    double **const per_bin[] = {&k->density, &k->ridge, &f->noise_psd, &f->echo_psd, &f->return_psd, &f->certainty};
    double **const per_segment[] = {&f->weight, &f->residual, &f->power, &f->echo, &f->gain};
    bool ok = (f->h = ltp_alloc(f->taps, sizeof *f->h)) != NULL;
    for (size_t i = 0; i < LTP_COUNT(per_frame) && ok; i++)
        ok = (*per_frame[i] = ltp_alloc(k->count, sizeof(double))) != NULL;
    for (size_t i = 0; i < LTP_COUNT(per_bin) && ok; i++)
        ok = (*per_bin[i] = ltp_alloc(f->bins, sizeof(double))) != NULL;
    for (size_t i = 0; i < LTP_COUNT(per_segment) && ok; i++)
        ok = (*per_segment[i] = ltp_alloc(f->segments, sizeof(double))) != NULL;
    if (!ok)
        return ltp_fail_nomem(err, "an echo path");
    const ptrdiff_t shift = first - p->skew;
    k->begin = shift < 0 ? (size_t)-shift : 0;
    k->end = k->count;
    if ((ptrdiff_t)k->count + shift > (ptrdiff_t)p->returned->count)
        k->end = (size_t)fmax((double)((ptrdiff_t)p->returned->count - shift), 0.0);
    for (size_t i = 0; i < k->count; i++) {
        const ptrdiff_t at = (ptrdiff_t)i + shift;
        k->target[i] = at >= 0 && (size_t)at < p->returned->count ? p->returned->samples[at] : 0.0;
        k->y[i] = k->target[i];
        k->gain[i] = 1.0;
    }
    lt_window_hann(k->window, PSD_FRAMES);
    for (size_t i = 0; i < PSD_FRAMES; i++)
        k->energy += k->window[i] * k->window[i];
    return lt_rfft_create(PSD_FRAMES, &k->fft, err);
}

/* What the solution says about itself, by frequency. */
static void describe(fitting *k, ltp_normal *m, ltp_echo_fit *f)
{
    density(k, k->y, 0, f->noise_psd);
    density(k, k->target, 0, f->return_psd);
    density(k, k->sent, k->late, k->density);
    make_ridge(k, f);
    double top = 0.0;
    for (size_t i = 0; i < f->bins; i++)
        top = fmax(top, k->density[i] * (double)k->count);
    for (size_t i = 0; i < f->bins; i++) {
        const double told = k->density[i] * (double)k->count;
        f->certainty[i] = told > 0.0 ? told / (told + k->ridge[i] + nothing_sent * top) : 0.0;
    }
    ltp_normal_apply(m, f->h, k->y);
    for (size_t i = 0; i < k->count; i++)
        k->y[i] *= k->gain[i];
    density(k, k->y, 0, f->echo_psd);
}

lt_status ltp_echo_fit_make(const ltp_echo_pair *p, ptrdiff_t first, size_t taps, size_t late, bool coarse,
                            ltp_echo_fit *out, lt_error *err)
{
    *out = (ltp_echo_fit){.taps = taps, .first = first};
    fitting k = {.late = late};
    ltp_normal *m = NULL;
    lt_status st = fitting_make(p, first, &k, out, err);
    if (st == LT_OK)
        st = ltp_normal_create(k.sent, k.count, taps, &m, err);
    if (st == LT_OK) {
        explain(&k, m, out);
        st = weigh(&k, out, out->power, lt_mean(out->power, out->segments), err); /* only the loudest parts give way */
    }
    const int rounds = coarse ? COARSE_ROUNDS : ROUNDS;
    for (int round = 0; round < rounds && st == LT_OK; round++) {
        st = solve(&k, m, out, coarse ? COARSE_ITERATIONS : ITERATIONS, err);
        if (st == LT_OK && round == 1 && !coarse)
            st = follow_gain(&k, m, out, err);
        if (st == LT_OK && round + 1 < rounds)
            st = weigh(&k, out, out->residual, misfit * lt_mean(out->echo, out->segments), err);
    }
    if (st == LT_OK)
        describe(&k, m, out);
    ltp_normal_free(m);
    fitting_clear(&k);
    if (st != LT_OK)
        ltp_echo_fit_clear(out);
    return st;
}

void ltp_echo_fit_clear(ltp_echo_fit *f)
{
    ltp_free(f->h);
    ltp_free(f->weight);
    ltp_free(f->residual);
    ltp_free(f->power);
    ltp_free(f->echo);
    ltp_free(f->gain);
    ltp_free(f->noise_psd);
    ltp_free(f->echo_psd);
    ltp_free(f->return_psd);
    ltp_free(f->certainty);
    *f = (ltp_echo_fit){0};
}
