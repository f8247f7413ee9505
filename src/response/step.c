/* SPDX-License-Identifier: MIT
 * One step of the delay between two clocks. Markers T apart that have moved by D frames fit a drift D / T and no loss
 * as well as a drift (D + F) / T and F frames lost. But both markers and the sweep between them have gone through the
 * same lane, so at each frequency of the markers' band the phase of the sweep's response against theirs is the delay at
 * the moment when the sweep passed it, whatever the lane is: a ramp for drift, a step where frames are missing. F and
 * the moment are searched together, for the highest agreement of all phases. Frames of the stimulus unless a name says
 * otherwise. */
#include "response/step.h"
#include "base/alloc.h"
#include "response/drift.h"
#include "response/shift.h"
#include "response/take.h"

#include <math.h>

static const double reach_s = 0.2;                    /* a marker lies so near to where it is looked for */
static const double before_s = 0.012, after_s = 0.05; /* of the responses, about their strongest sample */
static const double fade_s = 0.003;
static const double band_margin = 1.1;
static const double half_width = 1.06; /* the noise of the markers is smoothed over a sixth of an octave */
static const double agreement_least = 0.35;
static const double more_least = 0.15; /* agreement with a step over that without */
static const double least_s = 0.3e-3;  /* a step; 10 cm of the way through the air */
static const double place_s = 0.01;    /* reflections come later than the direct sound */
static const double marker_coherence = 0.3;
enum { MARKERS = 2, SWEEPS_MOST = 8 };

typedef struct {
    const lt_signal *recording, *stimulus;
    const ltp_structure *s;
    double start_s;
    double span;      /* T */
    double moved;     /* D */
    double lag;       /* of the first marker's strongest sample */
    double growth[2]; /* of the marker: frames per e-fold, its first frequency in Hz */
    ltp_kernel *marker, *sweep;
    double *h[MARKERS]; /* [marker->n] */
    double *hs;         /* [sweep->n] */
    lt_rfft *fft;       /* of the windows */
    size_t n;
    double base;                 /* lag of the windows' first frame */
    double *window;              /* [n] */
    lt_complex *mean, *other;    /* [n / 2 + 1] response by the markers; scratch */
    double *power, *noise;       /* [n / 2 + 1] of the mean */
    size_t count;                /* phases */
    lt_complex *phase;           /* [count] weighted, in the order of time */
    double *time, *turn, *apart; /* [count] from marker 1; 2 pi f / rate; between marker and sweep */
    double weights;
} search;

static void search_clear(search *q)
{
    for (int i = 0; i < MARKERS; i++)
        ltp_free(q->h[i]);
    ltp_kernel_free(q->marker);
    ltp_kernel_free(q->sweep);
    ltp_free(q->hs);
    lt_rfft_free(q->fft);
    ltp_free(q->window);
    ltp_free(q->mean);
    ltp_free(q->other);
    ltp_free(q->power);
    ltp_free(q->noise);
    ltp_free(q->phase);
    ltp_free(q->time);
    ltp_free(q->turn);
    ltp_free(q->apart);
}

static size_t smaller(size_t a, size_t b)
{
    return a < b ? a : b;
}

/* The responses by both markers, and by the kernel of the sweeps. */
static lt_status make_kernels(search *q, lt_error *err)
{
    const ltp_structure *s = q->s;
    const double rate = q->stimulus->rate_hz, highest_hz = fmin(0.5 * rate, 0.46 * q->recording->rate_hz);
    const lt_signal marker = {q->stimulus->samples + s->marker[0].first, s->marker[0].count, rate};
    const lt_signal sweep = {q->stimulus->samples + s->sweeps[0].first, s->sweeps[0].count, rate};
    const ltp_span *last = &s->sweeps[s->sweep_count - 1];
    const size_t room = (size_t)((reach_s + after_s) * rate);
    const size_t free_before = s->sweeps[0].first - (s->marker[0].first + s->marker[0].count);
    const size_t free_after = s->marker[1].first - (last->first + last->count);
    const size_t free_least = smaller(free_before, free_after);
    lt_status st =
        ltp_kernel_create(&marker, smaller(room, free_least), smaller(room, free_least), highest_hz, &q->marker, err);
    if (st == LT_OK)
        st = ltp_kernel_create(&sweep, smaller(room, free_before), smaller(room, free_after), highest_hz, &q->sweep,
                               err);
    if (st != LT_OK)
        return st;
    for (int i = 0; i < MARKERS; i++)
        q->h[i] = ltp_alloc(q->marker->n, sizeof *q->h[i]);
    q->hs = ltp_alloc(q->sweep->n, sizeof *q->hs);
    return q->h[0] != NULL && q->h[1] != NULL && q->hs != NULL ? LT_OK : ltp_fail_nomem(err, "the search for a step");
}

/* Response by what was played at `first` of the stimulus; *late: what to add to its lags. */
static lt_status respond(const search *q, ltp_kernel *k, size_t first, double *h, double *late, lt_error *err)
{
    const double ideal_s = q->start_s + (double)first / k->rate_hz;
    double zero_s = ideal_s;
    lt_signal *piece = NULL;
    const lt_status st = ltp_piece_cut(q->recording, &zero_s, 0.0, k, &piece, err);
    if (st == LT_OK)
        ltp_kernel_apply(k, piece->samples, piece->count, h);
    lt_signal_free(piece);
    *late = (zero_s - ideal_s) * k->rate_hz;
    return st;
}

/* Frames base .. base + n of a response onto the window. */
static void cut(search *q, const ltp_kernel *k, const double *h, double late, double from, double to)
{
    const double fade = fade_s * k->rate_hz, n = (double)k->n;
    for (size_t i = 0; i < q->n; i++) {
        const double lag = q->base + (double)i;
        const double gain = lt_fade((lag + late - from) / fade + 1.0) * lt_fade((to - lag - late) / fade + 1.0);
        const double at = fmod((double)k->before + lag + n, n);
        q->window[i] = gain > 0.0 && lag > -0.5 * n && lag < 0.5 * n ? gain * h[(size_t)at] : 0.0;
    }
}

static double strongest(const ltp_kernel *k, const double *h)
{
    const ptrdiff_t n = (ptrdiff_t)k->n, before = (ptrdiff_t)k->before;
    const ptrdiff_t most = (ptrdiff_t)(reach_s * k->rate_hz);
    ptrdiff_t best = 0;
    double top = -1.0;
    for (ptrdiff_t lag = -most; lag <= most; lag++) {
        const double a = fabs(h[((before + lag) % n + n) % n]);
        top = a > top ? a : top;
        best = a >= top ? lag : best;
    }
    return (double)best;
}

static lt_status allocate(search *q, lt_error *err)
{
    const double rate = q->marker->rate_hz;
    const double most = 2.0 * LTP_DRIFT_MOST * q->span + fabs(q->moved); /* the sweep's response may be so far off */
    q->base = floor(q->lag - before_s * rate - most - fade_s * rate);
    q->n = lt_rfft_good_size((size_t)((before_s + after_s + 2.0 * fade_s) * rate + 2.0 * most));
    const lt_status st = lt_rfft_create(q->n, &q->fft, err);
    if (st != LT_OK)
        return st;
    const size_t bins = q->n / 2 + 1, all = bins * smaller(q->s->sweep_count, SWEEPS_MOST);
    q->window = ltp_alloc(q->n, sizeof *q->window);
    q->mean = ltp_alloc(bins, sizeof *q->mean);
    q->other = ltp_alloc(bins, sizeof *q->other);
    q->power = ltp_alloc(bins, sizeof *q->power);
    q->noise = ltp_alloc(bins, sizeof *q->noise);
    q->phase = ltp_alloc(all, sizeof *q->phase);
    q->time = ltp_alloc(all, sizeof *q->time);
    q->turn = ltp_alloc(all, sizeof *q->turn);
    q->apart = ltp_alloc(all, sizeof *q->apart);
    return q->window && q->mean && q->other && q->power && q->noise && q->phase && q->time && q->turn && q->apart
               ? LT_OK
               : ltp_fail_nomem(err, "the search for a step");
}

/* How far the second marker has moved against the first: the correlation of all that was recorded about them. */
static lt_status find_moved(search *q, const double late[MARKERS], bool *clear, lt_error *err)
{
    const ltp_kernel *k = q->marker;
    lt_complex *a = ltp_alloc(k->bins, sizeof *a), *b = ltp_alloc(k->bins, sizeof *b);
    ltp_shift shift = {0};
    lt_status st = a != NULL && b != NULL ? LT_OK : ltp_fail_nomem(err, "the search for a step");
    *clear = false;
    if (st == LT_OK) {
        double *x = q->hs; /* free at this time; the sweep's kernel is the longer one */
        lt_complex *const spectra[] = {a, b};
        for (int i = 0; i < MARKERS; i++) {
            const double top = strongest(k, q->h[i]), fade = fade_s * k->rate_hz, n = (double)k->n;
            q->lag = i == 0 ? top + late[0] : q->lag;
            for (size_t j = 0; j < k->n; j++) {
                double t = (double)j - (double)k->before;
                t += (t > 0.5 * n ? -n : 0.0) - top;
                x[j] = q->h[i][j] * lt_fade((t + before_s * k->rate_hz) / fade) *
                       lt_fade((after_s * k->rate_hz - t) / fade);
            }
            lt_rfft_forward(k->fft, x, spectra[i]);
        }
        st = ltp_shift_find(k->fft, a, b, NULL, k->n / 2 - 1, &shift, err);
    }
    q->moved = shift.frames + late[1] - late[0];
    *clear = st == LT_OK && shift.coherence > marker_coherence;
    ltp_free(a);
    ltp_free(b);
    return st;
}

/* Mean of the markers' responses, the second one moved back; the noise in it by their difference. */
static void average_markers(search *q, const double late[MARKERS])
{
    const double rate = q->marker->rate_hz, from = q->lag - before_s * rate, to = q->lag + after_s * rate;
    const size_t bins = q->n / 2 + 1;
    const double bin_hz = rate / (double)q->n;
    cut(q, q->marker, q->h[0], late[0], from, to);
    lt_rfft_forward(q->fft, q->window, q->mean);
    ltp_shift_apply(q->mean, q->n, late[0]);
    cut(q, q->marker, q->h[1], late[1], from + q->moved, to + q->moved);
    lt_rfft_forward(q->fft, q->window, q->other);
    ltp_shift_apply(q->other, q->n, late[1] - q->moved);
    for (size_t i = 0; i < bins; i++) {
        const lt_complex a = q->mean[i], b = q->other[i];
        q->mean[i] = (lt_complex){0.5 * (a.re + b.re), 0.5 * (a.im + b.im)};
        q->power[i] = lt_complex_power(q->mean[i]);
        q->window[i] = 0.25 * lt_complex_power((lt_complex){a.re - b.re, a.im - b.im});
    }
    for (size_t i = 0; i < bins; i++) {
        const double hz = (double)i * bin_hz;
        q->noise[i] = ltp_band_mean(q->window, bins, bin_hz, hz / half_width, hz * half_width);
    }
}

/* Phases of sweep j against the markers. Few of them where the markers are noisy. */
static lt_status add_sweep(search *q, size_t j, lt_error *err)
{
    const ltp_structure *s = q->s;
    const double rate = q->marker->rate_hz, most = 2.0 * LTP_DRIFT_MOST * q->span + fabs(q->moved);
    double late = 0.0;
    const lt_status st = respond(q, q->sweep, s->sweeps[j].first, q->hs, &late, err);
    if (st != LT_OK)
        return st;
    cut(q, q->sweep, q->hs, late, q->lag - before_s * rate - most, q->lag + after_s * rate + most);
    lt_rfft_forward(q->fft, q->window, q->other);
    ltp_shift_apply(q->other, q->n, late);
    const double first = (double)(s->sweeps[j].first - s->marker[0].first), bin_hz = rate / (double)q->n;
    const double from_hz = band_margin * fmax(q->marker->from_hz, q->sweep->from_hz);
    const double to_hz = fmin(q->marker->to_hz, q->sweep->to_hz) / band_margin;
    for (size_t i = (size_t)(from_hz / bin_hz) + 1; i <= q->n / 2 && (double)i * bin_hz < to_hz; i++) {
        const double hz = (double)i * bin_hz, power = q->power[i] * lt_complex_power(q->other[i]);
        const double weight = q->power[i] / (q->power[i] + q->noise[i]) / sqrt(hz);
        if (!(power > 0.0))
            continue;
        const lt_complex x = ltp_product(q->other[i], (lt_complex){q->mean[i].re, -q->mean[i].im});
        const size_t at = q->count++;
        q->phase[at] = (lt_complex){weight * x.re / sqrt(power), weight * x.im / sqrt(power)};
        q->time[at] = first + s->growth_s * rate * log(hz / s->start_hz);
        q->apart[at] = q->time[at] - q->growth[0] * log(fmax(hz / q->growth[1], 1.0));
        q->turn[at] = 2.0 * LT_PI * hz / rate;
        q->weights += weight;
    }
    return LT_OK;
}

static lt_complex turned(double angle)
{
    return (lt_complex){cos(angle), sin(angle)};
}

typedef struct {
    double frames; /* of the stimulus */
    double agreement;
    double from, to; /* place, frames from marker 1 */
} candidate;

/* The best place for a step of `frames`: ramp[count] = phases with its drift taken off, step[count] what it adds. */
static candidate best_place(const search *q, const lt_complex *ramp, const lt_complex *step, double frames)
{
    static const double doubt = 8.0; /* log likelihood */
    const double independent = (before_s + after_s) / ((double)q->n / q->marker->rate_hz) * (double)q->count;
    double sum = 0.0, top = 0.0;
    candidate c = {.frames = frames};
    for (size_t i = 0; i < q->count; i++)
        sum += ltp_product(ramp[i], step[i]).re;
    const double all = sum;
    top = sum;
    for (size_t i = 0; i < q->count; i++) {
        sum += ramp[i].re - ltp_product(ramp[i], step[i]).re;
        top = fmax(top, sum);
    }
    c.agreement = top / q->weights;
    /* The variance of a phase is 2 (1 - agreement); half an independent phase more, for the leakage between them. */
    const double least = top - q->weights * (2.0 * doubt * (1.0 - c.agreement) + 0.5) / independent;
    c.from = INFINITY;
    sum = all;
    for (size_t i = 0; i <= q->count; i++) {
        if (sum >= least) {
            c.from = fmin(c.from, i > 0 ? q->time[i - 1] : 0.0);
            c.to = i < q->count ? q->time[i] : q->span;
        }
        if (i < q->count)
            sum += ramp[i].re - ltp_product(ramp[i], step[i]).re;
    }
    return c;
}

/* All F that leave a drift which clocks can have. plain: the agreement with F = 0. */
static lt_status find_best(const search *q, candidate *best, double *plain, lt_error *err)
{
    const double per_frame = q->marker->rate_hz / q->recording->rate_hz, most = LTP_DRIFT_MOST * q->span;
    const long first = lround((-q->moved - most) / per_frame), last = lround((-q->moved + most) / per_frame);
    lt_complex *ramp = ltp_alloc(4 * q->count + 1, sizeof *ramp);
    if (ramp == NULL)
        return ltp_fail_nomem(err, "the search for a step");
    lt_complex *step = ramp + q->count, *more = step + q->count, *less = more + q->count;
    for (size_t i = 0; i < q->count; i++) {
        const double f = (double)first * per_frame;
        ramp[i] =
            ltp_product(q->phase[i], turned(fmod(q->turn[i] * q->apart[i] * (q->moved + f) / q->span, 2.0 * LT_PI)));
        step[i] = turned(fmod(-q->turn[i] * f, 2.0 * LT_PI));
        more[i] = turned(q->turn[i] * q->apart[i] * per_frame / q->span);
        less[i] = turned(-q->turn[i] * per_frame);
    }
    *best = (candidate){.agreement = -1.0};
    *plain = 0.0;
    for (long frames = first; frames <= last; frames++) {
        const candidate c = best_place(q, ramp, step, (double)frames * per_frame);
        if (frames == 0)
            *plain = c.agreement;
        if (c.agreement > best->agreement)
            *best = c;
        for (size_t i = 0; i < q->count; i++) {
            ramp[i] = ltp_product(ramp[i], more[i]);
            step[i] = ltp_product(step[i], less[i]);
        }
    }
    ltp_free(ramp);
    return LT_OK;
}

/* The marker's own frequency law; a marker that is no sweep is taken to sound at once. */
static lt_status fit_marker(search *q)
{
    const ltp_span *m = &q->s->marker[0];
    lt_status st = LT_OK;
    double growth_s = 0.0, start_hz = 0.0;
    const bool fits =
        ltp_sweep_fit(q->stimulus->samples + m->first, m->count, q->stimulus->rate_hz, &growth_s, &start_hz, &st);
    q->growth[0] = fits ? growth_s * q->stimulus->rate_hz : 0.0;
    q->growth[1] = fits ? start_hz : 1.0;
    return st;
}

static lt_status compare(search *q, bool *clear, lt_error *err)
{
    const ltp_structure *s = q->s;
    double late[MARKERS] = {0.0};
    lt_status st = fit_marker(q) == LT_OK ? LT_OK : ltp_fail_nomem(err, "the search for a step");
    if (st == LT_OK)
        st = make_kernels(q, err);
    for (int i = 0; st == LT_OK && i < MARKERS; i++)
        st = respond(q, q->marker, s->marker[i].first, q->h[i], &late[i], err);
    if (st == LT_OK)
        st = find_moved(q, late, clear, err);
    if (st != LT_OK || !*clear)
        return st;
    st = allocate(q, err);
    if (st == LT_OK)
        average_markers(q, late);
    for (size_t j = 0; st == LT_OK && j < smaller(s->sweep_count, SWEEPS_MOST); j++)
        st = add_sweep(q, j, err);
    return st;
}

/* The place in the recorder's time. Up to T the sweep was recorded when it was played, from T + F on F earlier. What
 * lies between is lost and its phases are anybody's, so that the split which fits best may be anywhere in it; what was
 * recorded twice, |F| before T, fits on both sides. */
static void tell_place(const search *q, const candidate *best, double zero_s, ltp_step *out)
{
    const double per_second = (1.0 + out->drift) / q->stimulus->rate_hz;
    const double lost = fmax(best->frames, 0.0), twice = fmax(-best->frames, 0.0);
    out->from_s = zero_s + (best->from - lost + q->lag) * per_second - place_s;
    out->to_s = zero_s + (best->to + twice + q->lag) * per_second + place_s;
}

lt_status ltp_step_find(const lt_signal *recording, const lt_signal *stimulus, const ltp_structure *s, double start_s,
                        ltp_step *out, lt_error *err)
{
    *out = (ltp_step){.frames = (double)NAN, .from_s = (double)NAN, .to_s = (double)NAN};
    if (!s->markers || s->kind != LTP_EXPONENTIAL)
        return LT_OK;
    search q = {.recording = recording, .stimulus = stimulus, .s = s, .start_s = start_s};
    q.span = (double)(s->marker[1].first - s->marker[0].first);
    bool clear = false;
    candidate best = {0};
    lt_status st = compare(&q, &clear, err);
    if (st == LT_OK && clear && q.weights > 0.0)
        st = find_best(&q, &best, &out->plain, err);
    if (st == LT_OK && clear && q.weights > 0.0) {
        const double rate = stimulus->rate_hz, zero_s = start_s + (double)s->marker[0].first / rate;
        out->agreement = best.agreement;
        out->known = best.agreement > agreement_least;
        out->least_frames = ceil(least_s * recording->rate_hz);
        out->frames = round(best.frames / rate * recording->rate_hz);
        out->found = out->known && best.agreement - out->plain > more_least && fabs(out->frames) >= out->least_frames;
        out->drift = (q.moved + best.frames) / q.span;
        tell_place(&q, &best, zero_s, out);
        if (out->found && s->sweep_count == 1)
            st = ltp_step_place(recording, stimulus, s,
                                zero_s + (double)(s->sweeps[0].first - s->marker[0].first) / rate * (1.0 + out->drift),
                                out, err);
    }
    search_clear(&q);
    return st;
}
