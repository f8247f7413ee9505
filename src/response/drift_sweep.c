/* SPDX-License-Identifier: MIT
 * Clock drift from a sweep without markers.
 * A recording that is longer by a factor 1 + d turns the phase of the response at f by -2 pi f d t(f), t(f) being the
 * time when the sweep passes f. A loudspeaker, a microphone and weaker reflections after the direct sound are a
 * minimum-phase system and a delay. So what is left of the phase beside the minimum phase of the measured magnitude
 * must be a delay; the drift that makes it one is searched: it gives the highest pulse. */
#include "base/alloc.h"
#include "response/drift.h"

#include <math.h>

static const double before_s = 0.006; /* of the impulse response, about its strongest sample */
static const double after_s = 0.03;
static const double size_s = 0.1;
static const double low_hz = 400.0; /* used at most; the phase of the ends of the band is less certain */
static const double high_hz = 11000.0;
static const double of_band_end = 0.65;
static const double range = 4e-4;              /* drift searched on both sides */
static const double steps_a_pulse = 0.35;      /* step of the search re the drift that spoils the pulse */
static const double unit_most = 3.5e-4;        /* drift of one radian: a lower band tells too little ... */
static const double straight_least = 0.8;      /* pulse re what it would be with no other phase left */
static const double unit_of_straight = 1e-3;   /* ... unless nothing but the drift and a delay is in the phase: */
static const double straight_of_unit = 0.9995; /* a short sweep through a plain loudspeaker */
static const double bends_as_drift = 3.0;      /* the phase left, RMS, may hide this much more that looks like drift */
static const double sigma_least = 0.003;       /* rad */
static const double usable_db = -30.0;         /* magnitude re its top */
static const double low_end_db = -20.0;        /* ... below which the low end is not measured but extrapolated */
enum { FINE_ROUNDS = 6 };

typedef struct {
    lt_rfft *fft;
    size_t n, bins;
    double bin_hz;
    lt_complex *x;  /* [bins] excess phase times weight */
    lt_complex *y;  /* [bins] scratch */
    double *turn;   /* [bins] 2 pi f t(f) */
    double *c;      /* [n] scratch */
    double weights; /* sum */
} search;

static void search_clear(search *s)
{
    lt_rfft_free(s->fft);
    ltp_free(s->x);
    ltp_free(s->y);
    ltp_free(s->turn);
    ltp_free(s->c);
}

static lt_status search_make(search *s, double rate_hz, lt_error *err)
{
    s->n = lt_rfft_good_size((size_t)(size_s * rate_hz));
    s->bins = s->n / 2 + 1;
    s->bin_hz = rate_hz / (double)s->n;
    const lt_status st = lt_rfft_create(s->n, &s->fft, err);
    if (st != LT_OK)
        return st;
    s->x = ltp_alloc(s->bins, sizeof *s->x);
    s->y = ltp_alloc(s->bins, sizeof *s->y);
    s->turn = ltp_alloc(s->bins, sizeof *s->turn);
    s->c = ltp_alloc(s->n, sizeof *s->c);
    if (s->x == NULL || s->y == NULL || s->turn == NULL || s->c == NULL)
        return ltp_fail_nomem(err, "the clock drift");
    return LT_OK;
}

/* t(f): the stimulus' group delay, by the transform of n s[n] times 1 / S, averaged over each of our bins. */
static lt_status pass_times(search *s, ltp_kernel *k, const lt_signal *sweep, lt_error *err)
{
    double *ramp = ltp_alloc(sweep->count, sizeof *ramp);
    if (ramp == NULL)
        return ltp_fail_nomem(err, "the clock drift");
    for (size_t i = 0; i < sweep->count; i++)
        ramp[i] = (double)i / sweep->rate_hz * sweep->samples[i];
    lt_rfft_forward_padded(k->fft, ramp, sweep->count, k->work);
    ltp_free(ramp);
    const double long_bin_hz = k->rate_hz / (double)k->n;
    for (size_t i = 0; i < s->bins; i++) {
        const size_t from = (size_t)fmax(((double)i - 0.5) * s->bin_hz / long_bin_hz, 0.0);
        size_t to = (size_t)(((double)i + 0.5) * s->bin_hz / long_bin_hz) + 1;
        to = to < k->bins ? to : k->bins;
        double sum = 0.0;
        for (size_t b = from; b < to; b++)
            sum += ltp_product(k->work[b], k->inverse[b]).re;
        s->turn[i] = 2.0 * LT_PI * (double)i * s->bin_hz * sum / (double)(to > from ? to - from : 1);
    }
    return LT_OK;
}

/* Cuts the impulse response; x = its spectrum. */
static void cut(search *s, const ltp_kernel *k, const double *h, size_t direct)
{
    const ptrdiff_t before = (ptrdiff_t)(before_s * k->rate_hz);
    const double after = after_s * k->rate_hz;
    for (size_t i = 0; i < s->n; i++) {
        const ptrdiff_t at = (ptrdiff_t)direct - before + (ptrdiff_t)i;
        const double t = (double)i - (double)before;
        const double gain = lt_fade(2.0 * (1.0 + t / (double)before)) * lt_fade(2.0 * (1.0 - t / after));
        s->c[i] = gain * h[(at + (ptrdiff_t)k->n) % (ptrdiff_t)k->n];
    }
    lt_rfft_forward(s->fft, s->c, s->x);
}

static double log_magnitude(const search *s, size_t from, size_t to)
{
    double sum = 0.0;
    for (size_t i = from; i <= to; i++)
        sum += lt_complex_power(s->x[i]);
    return 0.5 * log(sum / (double)(to - from + 1) + 1e-300);
}

/* d ln |x| / d ln f over half an octave from bin `from` up. */
static double slope_at(const search *s, size_t from)
{
    const size_t middle = (size_t)(1.19 * (double)from) + 1;
    const size_t end = (size_t)(1.19 * (double)middle) + 1;
    if (end >= s->bins)
        return 0.0;
    return (log_magnitude(s, middle, end) - log_magnitude(s, from, middle)) /
           log((double)(middle + end) / (double)(from + middle));
}

/* Minimum phase of |x|. Outside the band where the magnitude is known it goes on as it ended, by its slope over half
 * an octave. y = log H. */
static void minimum_phase(search *s, const ltp_kernel *k)
{
    size_t first = (size_t)ceil(k->from_hz * 1.5 / s->bin_hz);
    const size_t last = (size_t)floor(fmin(k->to_hz * 0.97 / s->bin_hz, (double)s->bins - 1.0));
    double top = 0.0;
    for (size_t i = first; i <= last; i++)
        top = fmax(top, lt_complex_power(s->x[i]));
    while (first < last / 8 && lt_complex_power(s->x[first]) < top * lt_power_from_db(low_end_db))
        first++;
    const double below = fmax(slope_at(s, first), 0.0);
    const double above = fmin(slope_at(s, (size_t)((double)last / 1.45)), 0.0);
    for (size_t i = 0; i < s->bins; i++) {
        const size_t held = i < first ? first : (i > last ? last : i);
        const double beyond = i > last ? above * log((double)i / (double)last) : 0.0;
        const double before = i < first ? below * log(fmax((double)i, 0.5) / (double)first) : 0.0;
        s->y[i] = (lt_complex){0.5 * log(lt_complex_power(s->x[held]) + 1e-9 * top + 1e-300) + beyond + before, 0.0};
    }
    lt_rfft_inverse(s->fft, s->y, s->c);
    for (size_t i = 1; i < s->n / 2; i++)
        s->c[i] *= 2.0;
    for (size_t i = s->n / 2 + 1; i < s->n; i++)
        s->c[i] = 0.0;
    lt_rfft_forward(s->fft, s->c, s->y);
}

/* x becomes weight times exp(j excess phase). */
static void take_out_minimum_phase(search *s, const ltp_kernel *k)
{
    const double from = fmax(low_hz, 2.0 * k->from_hz);
    const double to = fmin(high_hz, of_band_end * k->to_hz);
    double top = 0.0;
    for (size_t i = 0; i < s->bins; i++)
        top = fmax(top, lt_complex_power(s->x[i]));
    s->weights = 0.0;
    for (size_t i = 0; i < s->bins; i++) {
        const double hz = (double)i * s->bin_hz;
        const double power = lt_complex_power(s->x[i]);
        double weight = 0.0;
        if (hz > from && hz < to && power > top * lt_power_from_db(usable_db)) {
            const double x = log(hz / from) / log(to / from);
            weight = lt_fade(5.0 * x) * lt_fade(5.0 * (1.0 - x)) / sqrt(hz);
        }
        s->weights += weight;
        const double scale = power > 0.0 ? weight / sqrt(power) : 0.0;
        const lt_complex turned = ltp_product(s->x[i], (lt_complex){scale * cos(s->y[i].im), -scale * sin(s->y[i].im)});
        s->x[i] = turned;
    }
}

/* Height of the pulse when `drift` is taken out; *at = where, frames; *sign = its sign. */
static double pulse(search *s, double drift, size_t *at, double *sign)
{
    for (size_t i = 0; i < s->bins; i++)
        s->y[i] = ltp_product(s->x[i], (lt_complex){cos(drift * s->turn[i]), sin(drift * s->turn[i])});
    lt_rfft_inverse(s->fft, s->y, s->c);
    *at = 0;
    for (size_t i = 0; i < s->n; i++)
        if (fabs(s->c[i]) > fabs(s->c[*at]))
            *at = i;
    *sign = s->c[*at] < 0.0 ? -1.0 : 1.0;
    return fabs(s->c[*at]);
}

/* The drift that turns the phases across the band by one radian, RMS about a delay. */
static double drift_of_one_radian(const search *s)
{
    double w = 0.0;
    double f = 0.0;
    double y = 0.0;
    double ff = 0.0;
    double fy = 0.0;
    double yy = 0.0;
    for (size_t i = 0; i < s->bins; i++) {
        const double weight = sqrt(lt_complex_power(s->x[i]));
        const double hz = (double)i * s->bin_hz;
        w += weight;
        f += weight * hz;
        y += weight * s->turn[i];
        ff += weight * hz * hz;
        fy += weight * hz * s->turn[i];
        yy += weight * s->turn[i] * s->turn[i];
    }
    if (!(w > 0.0))
        return INFINITY;
    const double vff = ff - f * f / w;
    const double vfy = fy - f * y / w;
    const double vyy = yy - y * y / w;
    const double rest = vff > 0.0 ? (vyy - vfy * vfy / vff) / w : 0.0;
    return rest > 0.0 ? 1.0 / sqrt(rest) : (double)INFINITY;
}

/* What is fitted to the phases that are left: drift, delay, and an error of the minimum phase that falls with 1 / f,
 * as it comes from the low end of the band, where the magnitude is least certain. */
enum { UNKNOWNS = 3 };

/* Gaussian elimination of a small symmetric system; b becomes the solution. */
static void eliminate(double a[UNKNOWNS][UNKNOWNS], double b[UNKNOWNS])
{
    for (size_t i = 0; i < UNKNOWNS; i++)
        for (size_t r = 0; r < UNKNOWNS; r++) {
            if (r == i || !(fabs(a[i][i]) > 0.0))
                continue;
            const double share = a[r][i] / a[i][i];
            for (size_t c = 0; c < UNKNOWNS; c++)
                a[r][c] -= share * a[i][c];
            b[r] -= share * b[i];
        }
    for (size_t i = 0; i < UNKNOWNS; i++)
        b[i] = fabs(a[i][i]) > 0.0 ? b[i] / a[i][i] : 0.0;
}

/* One round of least squares: the unknowns move by what the fit says. Returns the share of the weights in phase. */
static double straighten(search *s, double sign, double x[UNKNOWNS])
{
    double a[UNKNOWNS][UNKNOWNS] = {{0.0}};
    double b[UNKNOWNS] = {0.0};
    double along = 0.0;
    for (size_t i = 1; i < s->bins; i++) {
        const double weight = sqrt(lt_complex_power(s->x[i]));
        if (!(weight > 0.0))
            continue;
        const double row[UNKNOWNS] = {s->turn[i], 2.0 * LT_PI * (double)i / (double)s->n,
                                      1e3 / ((double)i * s->bin_hz)};
        const double angle = x[0] * row[0] + fmod(x[1] * row[1], 2.0 * LT_PI) + x[2] * row[2];
        const lt_complex z = ltp_product(s->x[i], (lt_complex){sign * cos(angle), sign * sin(angle)});
        const double phase = -atan2(z.im, z.re);
        along += z.re;
        for (size_t r = 0; r < UNKNOWNS; r++) {
            for (size_t c = 0; c < UNKNOWNS; c++)
                a[r][c] += weight * row[r] * row[c];
            b[r] += weight * row[r] * phase;
        }
    }
    eliminate(a, b);
    for (size_t r = 0; r < UNKNOWNS; r++)
        x[r] += b[r];
    return s->weights > 0.0 ? along / s->weights : 0.0;
}

/* Does the phase left say that this is the drift? */
static bool believable(double drift, double unit, double straight)
{
    if (!(fabs(drift) <= range))
        return false;
    return (unit <= unit_most && straight >= straight_least) ||
           (unit <= unit_of_straight && straight >= straight_of_unit);
}

static double find_best(search *s, double unit, double *straight)
{
    const double step = steps_a_pulse * unit;
    const int steps = (int)ceil(range / step);
    double top = -1.0;
    double x[UNKNOWNS] = {0.0};
    double sign = 1.0;
    for (int i = -steps; i <= steps; i++) {
        size_t at = 0;
        double at_sign = 1.0;
        const double p = pulse(s, i * step, &at, &at_sign);
        if (p > top) {
            top = p;
            x[0] = i * step;
            x[1] = (double)at;
            sign = at_sign;
        }
    }
    for (int round = 0; round < FINE_ROUNDS; round++)
        *straight = straighten(s, sign, x);
    return x[0];
}

lt_status ltp_drift_from_sweep(ltp_kernel *k, const lt_signal *sweep, const double *h, size_t direct, double used,
                               ltp_drift *out, lt_error *err)
{
    *out = (ltp_drift){.drift = used, .sigma = INFINITY};
    search s = {0};
    lt_status st = search_make(&s, k->rate_hz, err);
    if (st == LT_OK)
        st = pass_times(&s, k, sweep, err);
    if (st == LT_OK) {
        cut(&s, k, h, direct);
        minimum_phase(&s, k);
        take_out_minimum_phase(&s, k);
        const double unit = drift_of_one_radian(&s);
        if (unit <= unit_of_straight) {
            double straight = 0.0;
            const double drift = find_best(&s, unit, &straight);
            const double left = sqrt(2.0 * fmax(1.0 - straight, 0.0)); /* rad, RMS: the pulse is the mean of cos */
            if (believable(drift, unit, straight))
                *out = (ltp_drift){.drift = used + drift, .sigma = (sigma_least + bends_as_drift * left) * unit};
        }
    }
    search_clear(&s);
    return st;
}
