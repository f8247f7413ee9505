/* SPDX-License-Identifier: MIT
 * A gap in a recorded sweep. The response from the whole sweep, cut to what a lane can do (a few hundred milliseconds),
 * predicts the recording; prediction and rest are looked at through a filter that follows the sweep's frequency, so
 * that noise at other frequencies does not count. Where the recording has nothing at that frequency for a moment though
 * the prediction has, samples were lost and filled up; where the device reported a loss, any sudden rest is one. */
#include "response/gaps.h"
#include "base/alloc.h"

#include <math.h>
#include <string.h>

static const double block_s = 0.002;
static const double window_s = 0.004, window_turns = 3.0; /* of the moving filter, at least */
static const double before_s = 0.006, after_s = 0.35;     /* of the response */
static const double fade_s = 0.003;
static const double back_s = 0.03, near_strongest = 0.3;     /* the direct arrival before the strongest one */
static const double near_s = 0.4;                            /* what is usual is taken from so far around */
static const double usual_times = 60.0;                      /* power of the rest over its median */
static const double of_signal = 0.03;                        /* ... and over the signal: -15 dB */
static const double odd_times = 30.0, odd_of_signal = 0.006; /* the same where the device reported a loss */
static const double missing = 0.06;                          /* power left in a gap */
static const double silent_most = 0.15;                      /* energy left in a gap, at all frequencies */
static const double quiet = 0.02; /* median of the rest over the signal's, where gaps can be told */
static const double suspect_before_s = 0.3, suspect_after_s = 0.6;
static const double edge = 0.04; /* of the sweep at both ends, where it fades */
static const double burst_most_s = 0.25, burst_margin_s = 0.1, burst_of_signal = 0.12;
static const double jump_times = 10.0, jump_of_signal = 0.03, jump_snr = 10.0, jump_apart_s = 0.06;
static const double coherence_least = 0.5, sigma_most = 0.1;

struct ltp_gap_search {
    const lt_signal *stimulus;
    const ltp_structure *s;
    ltp_kernel *kernel;
    lt_complex *sweep; /* spectrum [kernel bins] */
    lt_complex *work;
    double *h, *rest; /* [kernel n] */
    size_t blocks, block;
    lt_complex *prediction_sum, *rest_sum;            /* [blocks + 1] running sums of the demodulated blocks */
    double *prediction, *rest_power, *total, *sorted; /* [blocks] */
    double *heard, *expected;                         /* [blocks + 1] running energy: recorded, predicted */
    bool *sudden, *gone, *odd;                        /* [blocks] */
    size_t piece;                                     /* FFT size for the delay of the repeats */
    lt_rfft *fft;
    lt_complex *first, *now; /* [piece / 2 + 1] */
    bool have_first;
};

void ltp_gap_search_free(ltp_gap_search *g)
{
    if (g == NULL)
        return;
    ltp_kernel_free(g->kernel);
    ltp_free(g->sweep);
    ltp_free(g->work);
    ltp_free(g->h);
    ltp_free(g->rest);
    ltp_free(g->prediction_sum);
    ltp_free(g->rest_sum);
    ltp_free(g->prediction);
    ltp_free(g->rest_power);
    ltp_free(g->total);
    ltp_free(g->sorted);
    ltp_free(g->heard);
    ltp_free(g->expected);
    ltp_free(g->sudden);
    ltp_free(g->gone);
    ltp_free(g->odd);
    lt_rfft_free(g->fft);
    ltp_free(g->first);
    ltp_free(g->now);
    ltp_free(g);
}

static bool allocate(ltp_gap_search *g)
{
    const size_t bins = g->kernel->bins;
    g->sweep = ltp_alloc(bins, sizeof *g->sweep);
    g->work = ltp_alloc(bins, sizeof *g->work);
    g->h = ltp_alloc(g->kernel->n, sizeof *g->h);
    g->rest = ltp_alloc(g->kernel->n, sizeof *g->rest);
    g->prediction_sum = ltp_alloc(g->blocks + 1, sizeof *g->prediction_sum);
    g->rest_sum = ltp_alloc(g->blocks + 1, sizeof *g->rest_sum);
    g->prediction = ltp_alloc(g->blocks, sizeof *g->prediction);
    g->rest_power = ltp_alloc(g->blocks, sizeof *g->rest_power);
    g->total = ltp_alloc(g->blocks, sizeof *g->total);
    g->sorted = ltp_alloc(g->blocks, sizeof *g->sorted);
    g->heard = ltp_alloc(g->blocks + 1, sizeof *g->heard);
    g->expected = ltp_alloc(g->blocks + 1, sizeof *g->expected);
    g->sudden = ltp_alloc(g->blocks, sizeof *g->sudden);
    g->gone = ltp_alloc(g->blocks, sizeof *g->gone);
    g->odd = ltp_alloc(g->blocks, sizeof *g->odd);
    g->first = ltp_alloc(g->piece / 2 + 1, sizeof *g->first);
    g->now = ltp_alloc(g->piece / 2 + 1, sizeof *g->now);
    return g->sweep && g->work && g->h && g->rest && g->prediction_sum && g->rest_sum && g->prediction &&
           g->rest_power && g->total && g->sorted && g->heard && g->expected && g->sudden && g->gone && g->odd &&
           g->first && g->now;
}

lt_status ltp_gap_search_create(const lt_signal *stimulus, const ltp_structure *s, size_t room, ltp_gap_search **out,
                                lt_error *err)
{
    *out = NULL;
    ltp_gap_search *g = ltp_alloc(1, sizeof *g);
    if (g == NULL)
        return ltp_fail_nomem(err, "the search for gaps");
    const ltp_span *first = &s->sweeps[0], *last = &s->sweeps[s->sweep_count - 1];
    size_t before = room, after = room;
    if (s->markers) { /* a marker in the piece would look like a response */
        const size_t free_before = first->first - (s->marker[0].first + s->marker[0].count);
        const size_t free_after = s->marker[1].first - (last->first + last->count);
        before = before < free_before ? before : free_before;
        after = after < free_after ? after : free_after;
    }
    g->stimulus = stimulus;
    g->s = s;
    g->block = (size_t)(block_s * stimulus->rate_hz);
    g->blocks = first->count / g->block;
    g->piece = lt_rfft_good_size((size_t)((before_s + after_s) * stimulus->rate_hz));
    const lt_signal sweep = {stimulus->samples + first->first, first->count, stimulus->rate_hz};
    lt_status st = ltp_kernel_create(&sweep, before, after, 0.5 * stimulus->rate_hz, &g->kernel, err);
    if (st == LT_OK)
        st = lt_rfft_create(g->piece, &g->fft, err);
    if (st != LT_OK || !allocate(g)) {
        ltp_gap_search_free(g);
        return st != LT_OK ? st : ltp_fail_nomem(err, "the search for gaps");
    }
    lt_rfft_forward_padded(g->kernel->fft, sweep.samples, sweep.count, g->sweep);
    *out = g;
    return LT_OK;
}

static double at_lag(const ltp_kernel *k, const double *h, ptrdiff_t lag)
{
    const ptrdiff_t n = (ptrdiff_t)k->n;
    return fabs(h[(((ptrdiff_t)k->before + lag) % n + n) % n]);
}

/* Lag of the first strong sample: within a tenth of a second the strongest, then back to what comes near it. */
static ptrdiff_t direct_lag(const ltp_kernel *k, const double *h)
{
    const ptrdiff_t most = (ptrdiff_t)(0.1 * k->rate_hz), back = (ptrdiff_t)(back_s * k->rate_hz);
    ptrdiff_t best = 0;
    for (ptrdiff_t lag = -most; lag <= most; lag++)
        best = at_lag(k, h, lag) > at_lag(k, h, best) ? lag : best;
    ptrdiff_t first = best - back;
    while (first < best && at_lag(k, h, first) < near_strongest * at_lag(k, h, best))
        first++;
    return first;
}

/* Cuts h to what a lane can do; also gives that part's spectrum. more: frames that are kept on both sides beside it. */
static void cut_response(ltp_gap_search *g, ptrdiff_t centre, double more)
{
    const ltp_kernel *k = g->kernel;
    const double from = (double)centre - before_s * k->rate_hz - more;
    const double to = (double)centre + after_s * k->rate_hz + more;
    const double fade = fade_s * k->rate_hz;
    double *part = g->rest; /* free at this time */
    memset(part, 0, g->piece * sizeof *part);
    for (size_t i = 0; i < k->n; i++) {
        double lag = (double)i - (double)k->before;
        lag -= lag > 0.5 * (double)k->n ? (double)k->n : 0.0;
        g->h[i] *= lt_fade((lag - from) / fade) * lt_fade((to - lag) / fade);
        const double at = lag - floor(from);
        if (at >= 0.0 && at < (double)g->piece)
            part[(size_t)at] = g->h[i];
    }
    lt_rfft_forward(g->fft, part, g->now);
}

/* rest = piece - h * sweep; h = the prediction. */
static void predict(ltp_gap_search *g, const lt_signal *piece)
{
    const ltp_kernel *k = g->kernel;
    lt_rfft_forward(k->fft, g->h, g->work);
    for (size_t i = 0; i < k->bins; i++)
        g->work[i] = ltp_product(g->work[i], g->sweep[i]);
    lt_rfft_inverse(k->fft, g->work, g->h);
    for (size_t i = 0; i < k->n; i++)
        g->rest[i] = (i < piece->count ? piece->samples[i] : 0.0) - g->h[i];
}

/* Turns the sweep's own frequency to 0, block by block. first: index of the direct sound of the sweep's first frame. */
static void demodulate(ltp_gap_search *g, size_t first)
{
    const ltp_structure *s = g->s;
    const double rate = g->kernel->rate_hz, turns = s->start_hz * s->growth_s;
    g->prediction_sum[0] = g->rest_sum[0] = (lt_complex){0};
    g->heard[0] = g->expected[0] = 0.0;
    for (size_t b = 0; b < g->blocks; b++) {
        lt_complex p = {0}, e = {0};
        double heard = 0.0, expected = 0.0;
        for (size_t i = b * g->block; i < (b + 1) * g->block; i++) {
            const double phase = 2.0 * LT_PI * fmod(turns * expm1((double)i / rate / s->growth_s), 1.0);
            const double c = cos(phase), d = -sin(phase), x = g->h[(first + i) % g->kernel->n],
                         y = g->rest[(first + i) % g->kernel->n];
            p.re += x * c;
            p.im += x * d;
            e.re += y * c;
            e.im += y * d;
            heard += (x + y) * (x + y);
            expected += x * x;
        }
        g->heard[b + 1] = g->heard[b] + heard;
        g->expected[b + 1] = g->expected[b] + expected;
        g->prediction_sum[b + 1] = (lt_complex){g->prediction_sum[b].re + p.re, g->prediction_sum[b].im + p.im};
        g->rest_sum[b + 1] = (lt_complex){g->rest_sum[b].re + e.re, g->rest_sum[b].im + e.im};
    }
}

static lt_complex mean(const lt_complex *sum, size_t from, size_t to)
{
    const double n = (double)(to - from);
    return (lt_complex){(sum[to].re - sum[from].re) / n, (sum[to].im - sum[from].im) / n};
}

static size_t window_blocks(const ltp_gap_search *g, size_t b)
{
    const double t = (double)(b * g->block) / g->kernel->rate_hz;
    const double hz = g->s->start_hz * exp(t / g->s->growth_s);
    return (size_t)ceil(fmax(window_s, window_turns / hz) / block_s);
}

static void window_powers(ltp_gap_search *g)
{
    for (size_t b = 0; b < g->blocks; b++) {
        const size_t w = window_blocks(g, b);
        const size_t to = b + w < g->blocks ? b + w : g->blocks;
        const lt_complex p = mean(g->prediction_sum, b, to), e = mean(g->rest_sum, b, to);
        g->prediction[b] = lt_complex_power(p);
        g->rest_power[b] = lt_complex_power(e);
        g->total[b] = lt_complex_power((lt_complex){p.re + e.re, p.im + e.im});
    }
}

static double median_near(ltp_gap_search *g, const double *x, size_t b)
{
    const size_t half = (size_t)(near_s / block_s);
    const size_t from = b > half ? b - half : 0, to = b + half < g->blocks ? b + half : g->blocks;
    memcpy(g->sorted, x + from, (to - from) * sizeof *x);
    return lt_median(g->sorted, to - from);
}

static bool suspected(double at_s, double rate_hz, const uint64_t *suspects, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const double s = (double)suspects[i] / rate_hz;
        if (at_s > s - suspect_before_s && at_s < s + suspect_after_s)
            return true;
    }
    return false;
}

static void add_gap(const ltp_gap_search *g, ltp_gap_result *out, double zero_s, size_t from, size_t to)
{
    const double per_block_s = (double)g->block / g->kernel->rate_hz;
    if (!out->gap)
        out->from_s = zero_s + (double)from * per_block_s;
    out->gap = true;
    out->to_s = zero_s + (double)(to + window_blocks(g, to)) * per_block_s;
}

/* Noise that covers the sweep may cancel it for a moment, but not everything else with it. */
static bool silent(const ltp_gap_search *g, size_t b)
{
    const size_t to = b + window_blocks(g, b) < g->blocks ? b + window_blocks(g, b) : g->blocks;
    return g->heard[to] - g->heard[b] < silent_most * (g->expected[to] - g->expected[b]);
}

/* The sweep disappears and comes back, both at once: from sudden block `at` on. 0 = it does not, else where it is back.
 * A notch of the lane comes and goes gradually; a door adds sound and takes none away. */
static size_t gone_until(const ltp_gap_search *g, const bool *sudden, const bool *gone, size_t at)
{
    const size_t w = window_blocks(g, at) + 2;
    size_t from = at + 1;
    while (from < g->blocks && from <= at + w && !gone[from])
        from++;
    if (from >= g->blocks || !gone[from])
        return 0;
    size_t to = from;
    while (to + 1 < g->blocks && gone[to + 1])
        to++;
    for (size_t b = to + 1; b < g->blocks && b <= to + w; b++)
        if (sudden[b])
            return b;
    return 0;
}

/* All that is sudden lies together: a loss that something else has told must be there. */
static void find_burst(const ltp_gap_search *g, double zero_s, ltp_gap_result *out)
{
    size_t first = g->blocks, last = 0;
    for (size_t b = 0; b < g->blocks; b++)
        if (g->sudden[b] && g->rest_power[b] > burst_of_signal * g->prediction[b]) {
            first = b < first ? b : first;
            last = b;
        }
    const double per_block_s = (double)g->block / g->kernel->rate_hz;
    out->burst = first < g->blocks && (double)(last - first) * per_block_s < burst_most_s;
    if (out->burst) {
        out->burst_from_s = zero_s + (double)first * per_block_s - burst_margin_s;
        out->burst_to_s = zero_s + (double)(last + window_blocks(g, last)) * per_block_s + burst_margin_s;
    }
}

static void find_gap(ltp_gap_search *g, double zero_s, double rate_hz, const uint64_t *suspects, size_t count,
                     ltp_gap_result *out)
{
    enum { REFRESH = 32 };
    double usual_rest = 0.0, usual_signal = 0.0;
    const size_t skip = (size_t)(edge * (double)g->blocks);
    for (size_t b = skip; b + skip < g->blocks; b++) {
        if ((b - skip) % REFRESH == 0) {
            usual_rest = median_near(g, g->rest_power, b + REFRESH / 2 < g->blocks ? b + REFRESH / 2 : b);
            usual_signal = median_near(g, g->prediction, b + REFRESH / 2 < g->blocks ? b + REFRESH / 2 : b);
        }
        const double signal = fmax(usual_signal, g->prediction[b]), rest = g->rest_power[b];
        g->odd[b] = rest > odd_times * usual_rest && rest > odd_of_signal * signal;
        g->sudden[b] = g->odd[b] && rest > usual_times * usual_rest && rest > of_signal * signal;
        g->gone[b] = usual_rest < quiet * usual_signal && g->total[b] < missing * usual_signal && silent(g, b);
    }
    for (size_t b = skip; b + skip < g->blocks; b++) {
        if (!g->odd[b])
            continue;
        const double at_s = zero_s + (double)(b * g->block) / g->kernel->rate_hz;
        const size_t back = g->sudden[b] ? gone_until(g, g->sudden, g->gone, b) : 0;
        if (back > 0 || suspected(at_s, rate_hz, suspects, count))
            add_gap(g, out, zero_s, b, back > 0 ? back : b);
    }
}

const ltp_kernel *ltp_gap_search_kernel(const ltp_gap_search *g)
{
    return g->kernel;
}

const double *ltp_gap_search_predict(ltp_gap_search *g, const lt_signal *piece)
{
    ltp_kernel_apply(g->kernel, piece->samples, piece->count, g->h);
    cut_response(g, direct_lag(g->kernel, g->h), 0.0);
    predict(g, piece);
    return g->h;
}

/* The most sudden block in from_s .. to_s that is far from those found before; NaN: none. */
static double next_jump(ltp_gap_search *g, double from_s, double to_s, const double *before, size_t count)
{
    const double per_block_s = (double)g->block / g->kernel->rate_hz;
    double most = jump_times, at_s = (double)NAN;
    for (size_t b = 0; b < g->blocks; b++) {
        const double t = ((double)b + 0.5 * (double)window_blocks(g, b)) * per_block_s;
        bool there = t < from_s || t > to_s || !(g->rest_power[b] > jump_of_signal * g->prediction[b]);
        for (size_t i = 0; i < count && !there; i++)
            there = fabs(t - before[i]) < jump_apart_s;
        if (there)
            continue;
        const double usual = median_near(g, g->rest_power, b) + 1e-30;
        if (g->rest_power[b] > most * usual && g->prediction[b] > jump_snr * usual) {
            most = g->rest_power[b] / usual;
            at_s = t;
        }
    }
    return at_s;
}

size_t ltp_gap_search_jumps(ltp_gap_search *g, const lt_signal *piece, double frames, double from_s, double to_s,
                            double *at_s, size_t most)
{
    ltp_kernel_apply(g->kernel, piece->samples, piece->count, g->h);
    const ptrdiff_t centre = direct_lag(g->kernel, g->h);
    const double direct_s = (double)centre / g->kernel->rate_hz;
    cut_response(g, centre, fabs(frames));
    predict(g, piece);
    demodulate(g, (size_t)((ptrdiff_t)g->kernel->before + centre));
    window_powers(g);
    size_t count = 0;
    for (; count < most; count++) {
        at_s[count] = next_jump(g, from_s - direct_s, to_s - direct_s, at_s, count);
        if (isnan(at_s[count]))
            break;
    }
    for (size_t i = 0; i < count; i++)
        at_s[i] += direct_s;
    return count;
}

lt_status ltp_gap_search_sweep(ltp_gap_search *g, const lt_signal *recording, double zero_s, double drift,
                               const uint64_t *suspects, size_t suspect_count, ltp_gap_result *out, lt_error *err)
{
    *out = (ltp_gap_result){.from_s = (double)NAN, .to_s = (double)NAN};
    double cut_s = zero_s;
    lt_signal *piece = NULL;
    lt_status st = ltp_piece_cut(recording, &cut_s, drift, g->kernel, &piece, err);
    if (st != LT_OK)
        return st;
    ltp_kernel_apply(g->kernel, piece->samples, piece->count, g->h);
    const ptrdiff_t centre = direct_lag(g->kernel, g->h);
    cut_response(g, centre, 0.0);
    /* The spectra begin at the response's own start: the rest of the delay is in whole frames. */
    const double start =
        floor((double)centre - before_s * g->kernel->rate_hz) + (cut_s - zero_s) / (1.0 + drift) * g->kernel->rate_hz;
    ltp_shift_apply(g->now, g->piece, start);
    if (g->have_first) {
        ltp_shift shift;
        st = ltp_shift_find(g->fft, g->first, g->now, NULL, g->piece / 2 - 1, &shift, err);
        out->late_known = st == LT_OK && shift.coherence > coherence_least && shift.sigma < sigma_most;
        out->late_frames = shift.frames;
    } else {
        memcpy(g->first, g->now, (g->piece / 2 + 1) * sizeof *g->first);
        g->have_first = true;
    }
    if (st == LT_OK && g->s->kind == LTP_EXPONENTIAL) {
        predict(g, piece);
        demodulate(g, (size_t)((ptrdiff_t)g->kernel->before + centre));
        window_powers(g);
        memset(g->sudden, 0, g->blocks * sizeof *g->sudden);
        find_gap(g, cut_s + (double)centre / g->kernel->rate_hz, recording->rate_hz, suspects, suspect_count, out);
        find_burst(g, cut_s + (double)centre / g->kernel->rate_hz, out);
    }
    lt_signal_free(piece);
    return st;
}
