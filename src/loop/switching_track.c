/* SPDX-License-Identifier: MIT
 * Voice switching: from two recordings to blocks of 1 ms that each tell something about the gain. */
#include "loop/switching.h"

#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double working_rate_hz = 16000.0, lowest_cut_hz = 120.0;
static const double earliest_s = 0.02, latest_s = 0.6;                  /* delay of returned after sent */
static const double frame_s = 0.064, before_s = 0.006, after_s = 0.030; /* of the path's impulse response */
static const double window_s = 0.02;
static const double least_s = 3.0;
enum { PREDICTION = 10, DELAY_SECONDS = 60, CLASSES = 6 };

/* ---- preparation ---- */

static lt_status prepare(const lt_signal *in, double rate_hz, bool high_pass, lt_signal **out, lt_error *err)
{
    lt_status st = lt_resample(in, rate_hz, out, err);
    if (st != LT_OK)
        return st;
    lt_signal *s = *out;
    const double mean = lt_mean(s->samples, s->count);
    lt_biquad_state state = {0};
    const lt_biquad hp = lt_biquad_highpass(lowest_cut_hz, 0.707, rate_hz);
    for (size_t i = 0; i < s->count; i++)
        s->samples[i] -= mean;
    if (high_pass)
        lt_biquad_run(&hp, &state, s->samples, s->samples, s->count);
    return LT_OK;
}

/* ---- delay: generalised cross-correlation, whitened half-way (the smoothed coherence of speech is uneven) ---- */

static lt_status find_delay(const lt_signal *a, const lt_signal *b, ptrdiff_t *delay, lt_error *err)
{
    const size_t limit = (size_t)(DELAY_SECONDS * a->rate_hz);
    const size_t count = a->count < limit ? a->count : limit;
    const size_t n = lt_rfft_good_size(2 * count);
    lt_rfft *f = NULL;
    lt_complex *x = ltp_alloc(n / 2 + 1, sizeof *x), *y = ltp_alloc(n / 2 + 1, sizeof *y);
    double *r = ltp_alloc(n, sizeof *r);
    lt_status st = x == NULL || y == NULL || r == NULL ? ltp_fail_nomem(err, "the delay of two recordings")
                                                       : lt_rfft_create(n, &f, err);
    if (st == LT_OK) {
        lt_rfft_forward_padded(f, a->samples, count, x);
        lt_rfft_forward_padded(f, b->samples, count, y);
        double floor_power = 0.0;
        for (size_t k = 0; k <= n / 2; k++)
            floor_power += sqrt(lt_complex_power(x[k]) * lt_complex_power(y[k]));
        floor_power = 1e-4 * floor_power / (double)(n / 2 + 1) + 1e-300;
        for (size_t k = 0; k <= n / 2; k++) {
            const lt_complex z = lt_complex_multiply(y[k], (lt_complex){x[k].re, -x[k].im});
            const double w = 1.0 / sqrt(sqrt(lt_complex_power(z)) + floor_power);
            x[k] = (lt_complex){z.re * w, z.im * w};
        }
        lt_rfft_inverse(f, x, r);
        const ptrdiff_t lo = -(ptrdiff_t)(earliest_s * a->rate_hz), hi = (ptrdiff_t)(latest_s * a->rate_hz);
        double best = 0.0;
        *delay = 0;
        for (ptrdiff_t lag = lo; lag <= hi; lag++) {
            const double v = fabs(r[lag >= 0 ? (size_t)lag : n - (size_t)-lag]);
            if (v > best) {
                best = v;
                *delay = lag;
            }
        }
    }
    lt_rfft_free(f);
    ltp_free(x);
    ltp_free(y);
    ltp_free(r);
    return st;
}

static double at(const lt_signal *s, ptrdiff_t i)
{
    return i >= 0 && (size_t)i < s->count ? s->samples[i] : 0.0;
}

/* ---- path: cross-spectrum over the loud frames of sent ---- */

typedef struct {
    size_t n, hop, frames;
    double *window, *level, *sorted, *x, *y, *power;
    lt_complex *cross, *fx, *fy;
    lt_rfft *fft;
} path_work;

static void path_work_free(path_work *w)
{
    lt_rfft_free(w->fft);
    double *doubles[] = {w->window, w->level, w->sorted, w->x, w->y, w->power};
    for (size_t i = 0; i < LTP_COUNT(doubles); i++)
        ltp_free(doubles[i]);
    ltp_free(w->cross);
    ltp_free(w->fx);
    ltp_free(w->fy);
}

static lt_status path_work_create(const lt_signal *a, path_work *w, lt_error *err)
{
    *w = (path_work){.n = lt_rfft_good_size((size_t)(frame_s * a->rate_hz))};
    w->hop = w->n / 2;
    w->frames = a->count / w->hop;
    w->window = ltp_alloc(w->n, sizeof(double));
    w->level = ltp_alloc(w->frames + 1, sizeof(double));
    w->sorted = ltp_alloc(w->frames + 1, sizeof(double));
    w->x = ltp_alloc(w->n, sizeof(double));
    w->y = ltp_alloc(w->n, sizeof(double));
    w->power = ltp_alloc(w->n / 2 + 1, sizeof(double));
    w->cross = ltp_alloc(w->n / 2 + 1, sizeof(lt_complex));
    w->fx = ltp_alloc(w->n / 2 + 1, sizeof(lt_complex));
    w->fy = ltp_alloc(w->n / 2 + 1, sizeof(lt_complex));
    if (w->window == NULL || w->level == NULL || w->sorted == NULL || w->x == NULL || w->y == NULL ||
        w->power == NULL || w->cross == NULL || w->fx == NULL || w->fy == NULL)
        return ltp_fail_nomem(err, "the path of two recordings");
    lt_window_hann(w->window, w->n);
    return lt_rfft_create(w->n, &w->fft, err);
}

static void add_frames(path_work *w, const lt_signal *a, const lt_signal *b, ptrdiff_t delay, double threshold)
{
    for (size_t m = 0; m < w->frames; m++) {
        if (w->level[m] < threshold)
            continue;
        for (size_t i = 0; i < w->n; i++) {
            w->x[i] = w->window[i] * at(a, (ptrdiff_t)(m * w->hop + i));
            w->y[i] = w->window[i] * at(b, (ptrdiff_t)(m * w->hop + i) + delay);
        }
        lt_rfft_forward(w->fft, w->x, w->fx);
        lt_rfft_forward(w->fft, w->y, w->fy);
        for (size_t k = 0; k <= w->n / 2; k++) {
            const lt_complex z = lt_complex_multiply(w->fy[k], (lt_complex){w->fx[k].re, -w->fx[k].im});
            w->cross[k].re += z.re;
            w->cross[k].im += z.im;
            w->power[k] += lt_complex_power(w->fx[k]);
        }
    }
}

/* reference[i] = path * sent, aligned with returned. */
static lt_status apply_path(const lt_signal *a, const lt_signal *b, ptrdiff_t delay, double *reference, lt_error *err)
{
    path_work w;
    double *taps = NULL, *wet = NULL;
    lt_status st = path_work_create(a, &w, err);
    if (st != LT_OK)
        goto done;
    for (size_t m = 0; m < w.frames; m++) {
        for (size_t i = 0; i < w.n; i++)
            w.level[m] += at(a, (ptrdiff_t)(m * w.hop + i)) * at(a, (ptrdiff_t)(m * w.hop + i));
        w.sorted[m] = w.level[m];
    }
    const double threshold = lt_quantile(w.sorted, w.frames, 0.7);
    add_frames(&w, a, b, delay, threshold);
    double largest = 0.0;
    for (size_t k = 0; k <= w.n / 2; k++)
        largest = fmax(largest, w.power[k]);
    for (size_t k = 0; k <= w.n / 2; k++) {
        const double p = w.power[k] + 1e-8 * largest + 1e-300;
        w.cross[k].re /= p;
        w.cross[k].im /= p;
    }
    lt_rfft_inverse(w.fft, w.cross, w.x); /* taps, those before t = 0 at the end */
    const size_t pre = (size_t)(before_s * a->rate_hz), post = (size_t)(after_s * a->rate_hz), count = pre + post;
    taps = ltp_alloc(count, sizeof *taps);
    wet = ltp_alloc(a->count + count, sizeof *wet);
    if (taps == NULL || wet == NULL) {
        st = ltp_fail_nomem(err, "the path of two recordings");
        goto done;
    }
    for (size_t i = 0; i < count; i++)
        taps[i] = w.x[i >= pre ? i - pre : w.n - pre + i];
    st = lt_convolve(a->samples, a->count, taps, count, wet, err);
    for (size_t i = 0; i < b->count && st == LT_OK; i++) { /* wet[j] belongs to returned[j - pre + delay] */
        const ptrdiff_t j = (ptrdiff_t)i + (ptrdiff_t)pre - delay;
        reference[i] = j >= 0 && (size_t)j < a->count + count - 1 ? wet[j] : 0.0;
    }
done:
    path_work_free(&w);
    ltp_free(taps);
    ltp_free(wet);
    return st;
}

/* ---- whitening: linear prediction (autocorrelation, Levinson) makes each sample tell something new ---- */

static void predict(double *x, size_t count, double *copy)
{
    double r[PREDICTION + 1] = {0}, a[PREDICTION + 1] = {1.0};
    for (size_t lag = 0; lag <= PREDICTION; lag++)
        for (size_t i = lag; i < count; i++)
            r[lag] += x[i] * x[i - lag];
    double e = r[0] * (1.0 + 1e-9);
    r[0] = e;
    for (size_t m = 1; m <= PREDICTION && e > 0.0; m++) {
        double k = r[m], next[PREDICTION + 1];
        for (size_t i = 1; i < m; i++)
            k += a[i] * r[m - i];
        k = -k / e;
        memcpy(next, a, sizeof next);
        for (size_t i = 1; i < m; i++)
            next[i] = a[i] + k * a[m - i];
        next[m] = k;
        memcpy(a, next, sizeof a);
        e *= 1.0 - k * k;
    }
    memcpy(copy, x, count * sizeof *x);
    for (size_t i = 0; i < count; i++) {
        double v = copy[i];
        for (size_t m = 1; m <= PREDICTION && m <= i; m++)
            v += a[m] * copy[i - m];
        x[i] = v;
    }
}

/* ---- blocks ---- */

static void fill_blocks(ltp_track *t, const double *returned, const double *reference)
{
    for (size_t k = 0; k < t->count; k++)
        for (size_t i = k * t->block; i < (k + 1) * t->block; i++) {
            t->power[k] += returned[i] * returned[i];
            if (reference != NULL) {
                t->cross[k] += returned[i] * reference[i];
                t->reference[k] += reference[i] * reference[i];
            }
        }
}

/* One window of 20 ms under its best gain. */
typedef struct {
    double cross, reference, power;
    double rest;      /* variance of what the gain leaves */
    double explained; /* variance that it explains */
} window_sums;

static window_sums window_at(const ltp_track *t, size_t w, size_t per)
{
    window_sums s = {0};
    const double samples = (double)(per * t->block);
    for (size_t k = w * per; k < (w + 1) * per; k++) {
        s.cross += t->cross[k];
        s.reference += t->reference[k];
        s.power += t->power[k];
    }
    s.explained = s.reference > 0.0 ? s.cross * s.cross / s.reference / samples : 0.0;
    s.rest = fmax(s.power / samples - s.explained, 0.0) * samples / (samples - 1.0);
    return s;
}

/* The estimated path explains loud and soft sounds of sent differently well; the median of the unexplained share of
 * each class of loudness goes into the variance, so that no block claims to know more than it does. */
static void fill_variance(ltp_track *t, const window_sums *w, size_t windows, size_t per, double *scratch)
{
    double edges[CLASSES + 1], share[CLASSES];
    for (size_t c = 0; c <= CLASSES; c++) {
        for (size_t i = 0; i < windows; i++)
            scratch[i] = w[i].reference;
        edges[c] = lt_quantile(scratch, windows, (double)c / CLASSES);
    }
    for (size_t c = 0; c < CLASSES; c++) {
        size_t count = 0;
        for (size_t i = 0; i < windows; i++)
            if (w[i].reference >= edges[c] && w[i].reference <= edges[c + 1] && w[i].explained > 0.0)
                scratch[count++] = fmin(fmax(w[i].rest - t->noise, 0.0) / w[i].explained, 10.0);
        share[c] = count > 0 ? fmax(lt_median(scratch, count), 1e-5) : 1.0;
    }
    for (size_t k = 0; k < t->count; k++) {
        const size_t i = k / per < windows ? k / per : windows - 1;
        size_t c = 0;
        while (c + 1 < CLASSES && w[i].reference > edges[c + 1])
            c++;
        t->variance[k] = t->noise + share[c] * w[i].explained;
    }
}

static lt_status fill_noise(ltp_track *t, double *share, double *idle_db, lt_error *err)
{
    const size_t per = (size_t)(window_s / LTP_BLOCK_S), windows = t->count / per;
    window_sums *w = ltp_alloc(windows + 1, sizeof *w);
    double *scratch = ltp_alloc(windows + 1, sizeof *scratch);
    if (w == NULL || scratch == NULL) {
        ltp_free(w);
        ltp_free(scratch);
        return ltp_fail_nomem(err, "the noise of a voice switch");
    }
    double explained = 0.0, all = 0.0, idle = 0.0;
    size_t idle_count = 0, active_count = 0;
    for (size_t i = 0; i < windows; i++)
        w[i] = window_at(t, i, per);
    for (size_t i = 0; i < windows; i++)
        scratch[i] = w[i].reference;
    const double high = lt_quantile(scratch, windows, 0.75), low = lt_quantile(scratch, windows, 0.25);
    for (size_t i = 0; i < windows; i++) {
        if (w[i].reference >= high) {
            explained += w[i].explained * (double)(per * t->block);
            all += w[i].power;
            active_count++;
        } else if (w[i].reference <= low) {
            idle += w[i].power;
            idle_count++;
        }
        scratch[i] = w[i].rest;
    }
    *share = all > 0.0 ? explained / all : 0.0;
    *idle_db = lt_db_from_power(idle / fmax((double)idle_count, 1.0)) -
               lt_db_from_power(all / fmax((double)active_count, 1.0));
    t->noise = lt_quantile(scratch, windows, 0.2) + 1e-20;
    fill_variance(t, w, windows, per, scratch);
    ltp_free(w);
    ltp_free(scratch);
    return LT_OK;
}

static lt_status as_same(ltp_track *t, const lt_signal *raw, const lt_signal *a, const lt_signal *b, double *share,
                         double *idle_db, lt_error *err)
{
    ptrdiff_t delay = 0;
    double *reference = ltp_alloc(b->count, sizeof *reference);
    lt_status st =
        reference == NULL ? ltp_fail_nomem(err, "the path of two recordings") : find_delay(a, b, &delay, err);
    if (st == LT_OK)
        st = apply_path(a, b, delay, reference, err);
    if (st == LT_OK) {
        fill_blocks(t, b->samples, reference);
        t->delay_s = (double)delay / t->rate_hz;
        st = fill_noise(t, share, idle_db, err);
    }
    for (size_t i = 0; i < t->count * t->block && st == LT_OK; i++)
        t->sent[i] = at(raw, (ptrdiff_t)i - delay);
    ltp_free(reference);
    return st;
}

static lt_status as_opposite(ltp_track *t, const lt_signal *raw, lt_signal *b, lt_error *err)
{
    double *copy = ltp_alloc(b->count, sizeof *copy);
    if (copy == NULL)
        return ltp_fail_nomem(err, "the noise of a voice switch");
    memcpy(t->level, t->power, t->count * sizeof *t->level);
    predict(b->samples, b->count, copy);
    memset(t->power, 0, t->count * sizeof *t->power);
    fill_blocks(t, b->samples, NULL);
    memcpy(t->sent, raw->samples, t->count * t->block * sizeof *t->sent);
    t->delay_s = NAN;
    t->same = false;
    t->noise = 0.0;
    ltp_free(copy);
    return LT_OK;
}

static lt_status check(const lt_signal *s, const char *name, lt_error *err)
{
    if (!(s->rate_hz >= 8000.0 && s->rate_hz <= 192000.0))
        return ltp_fail(err, LT_E_ARG, "%s: sample rate %g Hz; it must be 8000 to 192000 Hz", name, s->rate_hz);
    if ((double)s->count < least_s * s->rate_hz)
        return ltp_fail(err, LT_E_ARG, "%s: %.1f s are too short; record 20 s of speech with pauses", name,
                        (double)s->count / s->rate_hz);
    if (!(lt_signal_rms(s) > 1e-7))
        return ltp_fail(err, LT_E_SNR, "%s: it is silent; check the wiring and the recording level", name);
    return LT_OK;
}

lt_status ltp_track_create(const lt_signal *sent, const lt_signal *returned, lt_switching_direction d, ltp_track *out,
                           lt_error *err)
{
    lt_signal *raw = NULL, *a = NULL, *b = NULL;
    double share = 0.0, idle_db = 0.0;
    *out = (ltp_track){0};
    lt_status st = check(sent, "sent", err);
    if (st == LT_OK)
        st = check(returned, "returned", err);
    if (st != LT_OK)
        return st;
    out->rate_hz = fmin(working_rate_hz, fmin(sent->rate_hz, returned->rate_hz));
    out->rate_hz = floor(out->rate_hz / 1000.0) * 1000.0; /* whole samples in a block */
    out->block = (size_t)lround(out->rate_hz * LTP_BLOCK_S);
    out->same = true;
    st = prepare(sent, out->rate_hz, false, &raw, err);
    if (st == LT_OK)
        st = prepare(sent, out->rate_hz, true, &a, err);
    if (st == LT_OK)
        st = prepare(returned, out->rate_hz, true, &b, err);
    if (st != LT_OK)
        goto done;
    a->count = b->count = raw->count = a->count < b->count ? a->count : b->count;
    out->count = a->count / out->block;
    out->cross = ltp_alloc(out->count, sizeof(double));
    out->reference = ltp_alloc(out->count, sizeof(double));
    out->power = ltp_alloc(out->count, sizeof(double));
    out->level = ltp_alloc(out->count, sizeof(double));
    out->variance = ltp_alloc(out->count, sizeof(double));
    out->sent = ltp_alloc(out->count * out->block, sizeof(double));
    if (out->cross == NULL || out->reference == NULL || out->power == NULL || out->level == NULL ||
        out->variance == NULL || out->sent == NULL)
        st = ltp_fail_nomem(err, "the track of a voice switch");
    if (st == LT_OK)
        st = as_same(out, raw, a, b, &share, &idle_db, err);
    if (st != LT_OK)
        goto done;
    /* What comes through a switch is explained by sent, and quieter while sent is quiet. */
    const bool same = d == LT_SWITCHING_SAME || (d == LT_SWITCHING_AUTO && share > 0.5 && idle_db < 0.0);
    if (!same) {
        out->echo = share > 0.3;
        st = as_opposite(out, raw, b, err);
    }
done:
    lt_signal_free(raw);
    lt_signal_free(a);
    lt_signal_free(b);
    if (st != LT_OK)
        ltp_track_free(out);
    return st;
}

void ltp_track_free(ltp_track *t)
{
    ltp_free(t->cross);
    ltp_free(t->reference);
    ltp_free(t->power);
    ltp_free(t->level);
    ltp_free(t->variance);
    ltp_free(t->sent);
    *t = (ltp_track){0};
}
