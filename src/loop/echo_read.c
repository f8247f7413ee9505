/* SPDX-License-Identifier: MIT
 * What an echo path holds: arrivals, tail, flatness. The path's own smoothed colour is taken out as a minimum-phase
 * response, so that each arrival is a short pulse whose envelope peaks at its delay. Frames; linear scale. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

static const double smooth = 1.26;        /* half width of the smoothing: 2/3 octave in all */
static const double narrowest_hz = 300.0; /* ... at least: the teeth of a loop's comb are not its colour */
static const double usable_db = -30.0;    /* of the smoothed response re its top */
static const double deepest_db = -24.0;   /* colour is taken out down to this */
static const double least = 0.0251;       /* an arrival re the strongest: -32 dB */
static const double early_least = 0.1;    /* the first arrival re the strongest: -20 dB */
static const double over_noise = 5.0;     /* envelope re the noise's RMS in it */
static const double over_lobe = 2.0;      /* re the side lobes of a stronger pulse */
static const double rise = 1.4;           /* re the lowest point shortly before */
static const double rise_within_s = 0.0015;
static const double apart_s = 0.0005;
static const double ringing_at_0_db = -18.0; /* what a housing's ringing may hold after an arrival (ours) */
static const double ringing_db_per_ms = 1.6;
static const double tail_db = -30.0;
static const double gap_s = 0.008; /* silence within a tail */
enum { CANDIDATES_MAX = 512 };

typedef struct {
    size_t n, bins;
    lt_rfft *fft;
    lt_complex *spectrum, *work; /* [bins] */
    double *power, *shape;       /* [bins] |H|^2; its smoothed logarithm */
    double *envelope, *lobe, *x; /* [n] */
    double low_hz, high_hz, bin_hz;
} reader;

static void reader_clear(reader *k)
{
    lt_rfft_free(k->fft);
    ltp_free(k->spectrum);
    ltp_free(k->work);
    ltp_free(k->power);
    ltp_free(k->shape);
    ltp_free(k->envelope);
    ltp_free(k->lobe);
    ltp_free(k->x);
}

static lt_status reader_make(const lt_ir *ir, reader *k, lt_error *err)
{
    k->n = lt_rfft_good_size(2 * ir->count > 4096 ? 2 * ir->count : 4096);
    k->bins = k->n / 2 + 1;
    k->bin_hz = ir->rate_hz / (double)k->n;
    k->spectrum = ltp_alloc(k->bins, sizeof *k->spectrum);
    k->work = ltp_alloc(k->bins, sizeof *k->work);
    k->power = ltp_alloc(k->bins + 1, sizeof *k->power);
    k->shape = ltp_alloc(k->bins, sizeof *k->shape);
    k->envelope = ltp_alloc(k->n, sizeof *k->envelope);
    k->lobe = ltp_alloc(k->n, sizeof *k->lobe);
    k->x = ltp_alloc(k->n, sizeof *k->x);
    if (k->spectrum == NULL || k->work == NULL || k->power == NULL || k->shape == NULL || k->envelope == NULL ||
        k->lobe == NULL || k->x == NULL)
        return ltp_fail_nomem(err, "the arrivals of an echo");
    return lt_rfft_create(k->n, &k->fft, err);
}

/* shape = log of the power smoothed over 2/3 octave; its usable band. */
static bool make_shape(const lt_ir *ir, reader *k)
{
    double *sum = k->power; /* running sum, replaced by the power again below */
    double total = 0.0;
    for (size_t i = 0; i < k->bins; i++) {
        const double p = lt_complex_power(k->spectrum[i]);
        sum[i] = total;
        total += p;
    }
    sum[k->bins] = total;
    double top = 0.0;
    for (size_t i = 0; i < k->bins; i++) {
        const double hz = (double)i * k->bin_hz;
        const double lower_hz = fmin(hz / smooth, hz - narrowest_hz), upper_hz = fmax(hz * smooth, hz + narrowest_hz);
        size_t from = (size_t)ceil(fmax(lower_hz, ir->from_hz) / k->bin_hz);
        size_t to = (size_t)floor(fmax(fmin(upper_hz, ir->to_hz), 0.0) / k->bin_hz) + 1;
        to = to > k->bins ? k->bins : to;
        from = from < to ? from : to > 0 ? to - 1 : 0;
        const double mean = (sum[to] - sum[from]) / (double)(to - from > 0 ? to - from : 1);
        k->shape[i] = 0.5 * log(fmax(mean, 0.0) + 1e-300);
        if (hz >= ir->from_hz && hz <= ir->to_hz)
            top = fmax(top, mean);
    }
    for (size_t i = 0; i < k->bins; i++)
        k->power[i] = lt_complex_power(k->spectrum[i]);
    const double usable = 0.5 * log(top + 1e-300) + usable_db / 20.0 * log(10.0);
    k->low_hz = ir->to_hz;
    k->high_hz = ir->from_hz;
    for (size_t i = 0; i < k->bins; i++) {
        const double hz = (double)i * k->bin_hz;
        if (hz < ir->from_hz || hz > ir->to_hz || k->shape[i] < usable)
            continue;
        k->low_hz = fmin(k->low_hz, hz);
        k->high_hz = fmax(k->high_hz, hz);
    }
    const double deepest = 0.5 * log(top + 1e-300) + deepest_db / 20.0 * log(10.0);
    const size_t low = (size_t)(k->low_hz / k->bin_hz), high = (size_t)(k->high_hz / k->bin_hz);
    for (size_t i = 0; i < k->bins; i++) {
        k->shape[i] = i < low ? k->shape[low] : i > high ? k->shape[high] : k->shape[i];
        k->shape[i] = fmax(k->shape[i], deepest);
    }
    return k->high_hz > 2.0 * k->low_hz;
}

static double edge(const reader *k, double hz)
{
    if (hz <= k->low_hz || hz >= k->high_hz)
        return 0.0;
    return lt_fade((hz - k->low_hz) / (0.4 * k->low_hz + 40.0)) * lt_fade((k->high_hz - hz) / (0.12 * k->high_hz));
}

/* Envelope of a one-sided spectrum (consumed). */
static void envelope_of(reader *k, lt_complex *spectrum, double *out)
{
    lt_rfft_inverse(k->fft, spectrum, out);
    for (size_t i = 0; i < k->bins; i++)
        spectrum[i] = (lt_complex){spectrum[i].im, -spectrum[i].re};
    lt_rfft_inverse(k->fft, spectrum, k->x);
    for (size_t i = 0; i < k->n; i++)
        out[i] = hypot(out[i], k->x[i]);
}

static void make_lobe(reader *k)
{
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = (lt_complex){edge(k, (double)i * k->bin_hz), 0.0};
    envelope_of(k, k->work, k->lobe);
    const double top = k->lobe[0] > 0.0 ? k->lobe[0] : 1.0;
    double most = 0.0;
    for (size_t i = k->n / 2 + 1; i-- > 0;) {
        most = fmax(most, k->lobe[i] / top);
        k->lobe[i] = most;
    }
}

/* envelope = |path without its colour|. */
static void make_envelope(reader *k)
{
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = (lt_complex){k->shape[i], 0.0};
    lt_rfft_inverse(k->fft, k->work, k->x);
    for (size_t i = 1; i < k->n / 2; i++)
        k->x[i] *= 2.0;
    for (size_t i = k->n / 2 + 1; i < k->n; i++)
        k->x[i] = 0.0;
    lt_rfft_forward(k->fft, k->x, k->work);
    for (size_t i = 0; i < k->bins; i++) {
        const double gain = edge(k, (double)i * k->bin_hz) * exp(-k->work[i].re);
        const double phase = -k->work[i].im;
        k->work[i] = lt_complex_multiply(k->spectrum[i], (lt_complex){gain * cos(phase), gain * sin(phase)});
    }
    envelope_of(k, k->work, k->envelope);
}

/* RMS of the noise in the envelope: the quieter half of the 5 ms blocks. */
static double quiet_level(const double *e, size_t count, double rate_hz)
{
    double level[4096];
    const size_t per = (size_t)fmax(0.005 * rate_hz, (double)count / 4000.0);
    size_t n = 0;
    for (size_t at = 0; at + per <= count && n < LTP_COUNT(level); at += per) {
        double sum = 0.0;
        for (size_t i = at; i < at + per; i++)
            sum += e[i] * e[i];
        level[n++] = sum / (double)per;
    }
    return n > 4 ? sqrt(lt_quantile(level, n, 0.4)) : 0.0;
}

typedef struct {
    double at, height;
} candidate;

static size_t find_candidates(const reader *k, size_t count, double rate_hz, double lowest, candidate *out)
{
    const double *e = k->envelope;
    const size_t reach = (size_t)(rise_within_s * rate_hz);
    size_t n = 0;
    for (size_t i = 1; i + 1 < count && n < CANDIDATES_MAX; i++) {
        if (!(e[i] > e[i - 1] && e[i] >= e[i + 1]) || e[i] < lowest)
            continue;
        double valley = e[i];
        for (size_t j = i > reach ? i - reach : 0; j < i; j++)
            valley = fmin(valley, e[j]);
        if (i > reach && e[i] < rise * valley)
            continue;
        const double bend = e[i - 1] - 2.0 * e[i] + e[i + 1];
        const double shift = bend < 0.0 ? 0.5 * (e[i - 1] - e[i + 1]) / bend : 0.0;
        out[n++] = (candidate){(double)i + shift, e[i] - 0.25 * (e[i - 1] - e[i + 1]) * shift};
    }
    return n;
}

static bool is_clear(const reader *k, double rate_hz, candidate c, const candidate *accepted, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        const double frames = fabs(c.at - accepted[i].at);
        const size_t away = (size_t)frames;
        const double ringing_db =
            c.at > accepted[i].at ? ringing_at_0_db - ringing_db_per_ms * 1e3 * frames / rate_hz : -200.0;
        if (frames < apart_s * rate_hz || away > k->n / 2 ||
            c.height < over_lobe * accepted[i].height * k->lobe[away] ||
            c.height < accepted[i].height * lt_amplitude_from_db(ringing_db))
            return false;
    }
    return true;
}

/* The strongest first, as long as each is clear of all stronger ones. */
static size_t accept(const reader *k, double rate_hz, candidate *c, size_t count, candidate *accepted)
{
    size_t n = 0;
    while (n < LT_ECHO_ARRIVALS_MAX && count > 0) {
        size_t best = 0;
        for (size_t i = 1; i < count; i++)
            if (c[i].height > c[best].height)
                best = i;
        if (!(c[best].height > 0.0))
            break;
        if (is_clear(k, rate_hz, c[best], accepted, n))
            accepted[n++] = c[best];
        c[best].height = 0.0;
    }
    return n;
}

static void keep(const candidate *accepted, size_t n, ptrdiff_t origin, ltp_echo_reading *out)
{
    double top = 0.0;
    for (size_t i = 0; i < n; i++)
        top = fmax(top, accepted[i].height);
    candidate sorted[LT_ECHO_ARRIVALS_MAX];
    for (size_t i = 0; i < n; i++) {
        size_t at = i;
        for (; at > 0 && sorted[at - 1].at > accepted[i].at; at--)
            sorted[at] = sorted[at - 1];
        sorted[at] = accepted[i];
    }
    size_t first = 0;
    while (first < n && sorted[first].height < early_least * top)
        first++;
    out->count = 0;
    for (size_t i = first; i < n; i++) {
        out->at[out->count] = sorted[i].at - (double)origin;
        out->level[out->count++] = sorted[i].height;
    }
}

static lt_status find_arrivals(const lt_ir *ir, reader *k, ltp_echo_reading *out, lt_error *err)
{
    candidate *c = ltp_alloc(CANDIDATES_MAX, sizeof *c);
    if (c == NULL)
        return ltp_fail_nomem(err, "the arrivals of an echo");
    double top = 0.0;
    for (size_t i = 0; i < ir->count; i++)
        top = fmax(top, k->envelope[i]);
    const double noise = quiet_level(k->envelope, ir->count, ir->rate_hz);
    const double lowest = fmax(top * least, over_noise * noise);
    const size_t found = find_candidates(k, ir->count, ir->rate_hz, lowest, c);
    candidate accepted[LT_ECHO_ARRIVALS_MAX];
    const size_t n = accept(k, ir->rate_hz, c, found, accepted);
    keep(accepted, n, ir->origin_frames, out);
    if (out->count > 0)
        out->floor_db = lt_db_from_amplitude(lowest / out->level[0]);
    ltp_free(c);
    return LT_OK;
}

/* Very soft edges: sharp ones would ring for longer than a short path. */
static double soft_band(const reader *k, double hz)
{
    if (hz <= k->low_hz || hz >= k->high_hz)
        return 0.0;
    return lt_fade((hz - k->low_hz) / (2.5 * k->low_hz)) * lt_fade((k->high_hz - hz) / (0.4 * k->high_hz));
}

/* Frames after its middle in which the pulse of that band itself falls to the tail's end. */
static double pulse_frames(reader *k)
{
    for (size_t i = 0; i < k->bins; i++)
        k->work[i] = (lt_complex){soft_band(k, (double)i * k->bin_hz), 0.0};
    lt_rfft_inverse(k->fft, k->work, k->x);
    double total = 0.0;
    for (size_t i = 0; i < k->n; i++)
        total += k->x[i] * k->x[i];
    double left = 0.0;
    size_t i = k->n / 2;
    while (i > 0 && left < total * lt_power_from_db(tail_db)) {
        i--;
        left += k->x[i] * k->x[i];
    }
    return (double)i;
}

/* h limited to the known band, colour and all. */
static void band_limited(reader *k)
{
    for (size_t i = 0; i < k->bins; i++) {
        const double g = soft_band(k, (double)i * k->bin_hz);
        k->work[i] = (lt_complex){g * k->spectrum[i].re, g * k->spectrum[i].im};
    }
    lt_rfft_inverse(k->fft, k->work, k->x);
}

static int first_swing(const double *h, size_t count, double at, double rate_hz)
{
    const size_t half = (size_t)(0.0004 * rate_hz) + 1;
    const size_t middle = (size_t)fmax(at + 0.5, 0.0);
    double best = 0.0;
    for (size_t i = middle > half ? middle - half : 0; i <= middle + half && i < count; i++)
        if (fabs(h[i]) > fabs(best))
            best = h[i];
    return best > 0.0 ? 1 : best < 0.0 ? -1 : 0;
}

/* True if an arrival lies in slot s, which begins at frame `from`. */
static bool holds_arrival(const ltp_echo_reading *r, double from, double slot)
{
    for (size_t i = 0; i < r->count; i++) {
        const double at = r->at[i] + (double)r->ir->origin_frames - from;
        if (at > -2.0 * slot && at < 3.0 * slot)
            return true;
    }
    return false;
}

/* Energy by 0.5 ms slots above the noise, as far as it hangs together with an arrival, then summed from the end. */
static lt_status measure_tail(const lt_ir *ir, const reader *k, ltp_echo_reading *out, lt_error *err)
{
    const double *h = k->x;
    const size_t slot = (size_t)fmax(1.0, 1e-3 * ir->rate_hz / 2.0);
    const double start = out->at[0] + (double)ir->origin_frames;
    const size_t begin = (size_t)fmax(start - 0.0006 * ir->rate_hz, 0.0);
    const size_t slots = (ir->count - begin) / slot;
    double *energy = ltp_alloc(slots > 0 ? slots : 1, sizeof *energy);
    bool *connected = ltp_alloc(slots > 0 ? slots : 1, sizeof *connected);
    if (energy == NULL || connected == NULL) {
        ltp_free(energy);
        ltp_free(connected);
        return ltp_fail_nomem(err, "the tail of an echo");
    }
    double total = 0.0;
    for (size_t s = 0; s < slots; s++)
        for (size_t i = begin + s * slot; i < begin + (s + 1) * slot; i++)
            energy[s] += h[i] * h[i];
    const double noise = out->noise_rms * out->noise_rms * (double)slot;
    const size_t gap = (size_t)(gap_s * ir->rate_hz / (double)slot);
    size_t since = 0; /* slots since the last one that counted */
    for (size_t s = 0; s < slots; s++) {
        double around = 0.0;
        size_t n = 0;
        for (size_t j = s >= 3 ? s - 3 : 0; j <= s + 3 && j < slots; j++, n++)
            around += energy[j];
        const bool counts = around > 3.0 * noise * (double)n || energy[s] > 14.0 * noise;
        since = holds_arrival(out, (double)(begin + s * slot), (double)slot) ? 0 : since + 1;
        connected[s] = counts && since <= gap;
        since = connected[s] ? 0 : since;
    }
    for (size_t s = 0; s < slots; s++) {
        energy[s] = connected[s] ? fmax(energy[s] - noise, 0.0) : 0.0;
        total += energy[s];
    }
    const double goal = total * lt_power_from_db(tail_db);
    double left = 0.0;
    size_t s = slots;
    while (s > 0 && left + energy[s - 1] < goal)
        left += energy[--s];
    out->tail_frames = NAN;
    if (s > 0 && total > 0.0) { /* inside slot s - 1 the energy passes the goal: place it by the samples */
        double inside = left;
        size_t i = begin + s * slot;
        const size_t from = begin + (s - 1) * slot;
        while (i > from && inside < goal) {
            i--;
            inside += fmax(h[i] * h[i] - out->noise_rms * out->noise_rms, 0.0);
        }
        out->tail_frames = fmax((double)i - start, 0.0);
    }
    ltp_free(energy);
    ltp_free(connected);
    return LT_OK;
}

/* Level of the one-third octaves: how flat, along which slope. */
static void measure_flatness(const lt_ir *ir, const reader *k, ltp_echo_reading *out)
{
    double x[LT_ECHO_BANDS_MAX], y[LT_ECHO_BANDS_MAX];
    size_t n = 0;
    for (int b = -5; b <= 5 && n < LT_ECHO_BANDS_MAX; b++) { /* 315 Hz to 3.15 kHz */
        const lt_band band = lt_third_octave(b);
        if (band.lower_hz < ir->from_hz * 0.999 || band.upper_hz > ir->to_hz * 1.001)
            continue;
        double sum = 0.0;
        size_t bins = 0;
        for (size_t i = (size_t)(band.lower_hz / k->bin_hz); i < k->bins && (double)i * k->bin_hz < band.upper_hz;
             i++, bins++)
            sum += k->power[i];
        x[n] = b / 3.0;
        y[n++] = lt_db_from_power(sum / (double)(bins > 0 ? bins : 1) + 1e-300);
    }
    double mx = 0.0, my = 0.0, xx = 0.0, xy = 0.0, flat = 0.0, ripple = 0.0;
    for (size_t i = 0; i < n; i++) {
        mx += x[i] / (double)n;
        my += y[i] / (double)n;
    }
    for (size_t i = 0; i < n; i++) {
        xx += (x[i] - mx) * (x[i] - mx);
        xy += (x[i] - mx) * (y[i] - my);
        flat += (y[i] - my) * (y[i] - my) / (double)n;
    }
    out->tilt_db = xx > 0.0 ? xy / xx : 0.0;
    for (size_t i = 0; i < n; i++) {
        const double d = y[i] - my - out->tilt_db * (x[i] - mx);
        ripple += d * d / (double)n;
    }
    out->flatness_db = n > 3 ? sqrt(flat) : (double)NAN;
    out->ripple_db = n > 3 ? sqrt(ripple) : (double)NAN;
}

/* How much of the early energy is not in the first pulse itself. */
static void measure_spread(const lt_ir *ir, const reader *k, ltp_echo_reading *out)
{
    const double start = out->at[0] + (double)ir->origin_frames;
    double near = 0.0, early = 0.0;
    for (size_t i = 0; i < ir->count; i++) {
        const double t = ((double)i - start) / ir->rate_hz;
        const double e = k->envelope[i] * k->envelope[i];
        if (t > -0.0006 && t < 0.0008)
            near += e;
        if (t > -0.0006 && t < 0.005)
            early += e;
    }
    out->spread = early > 0.0 ? 1.0 - near / early : 0.0;
}

/* The highest 1/12 octave, and how far it stands out. */
static void measure_peak(const lt_ir *ir, const reader *k, ltp_echo_reading *out)
{
    double level[96], sorted[96], hz[96];
    size_t n = 0;
    const double step = pow(2.0, 1.0 / 12.0);
    for (double f = fmax(ir->from_hz, 200.0) * sqrt(step); f * sqrt(step) < ir->to_hz && n < LTP_COUNT(level);
         f *= step) {
        double sum = 0.0;
        size_t bins = 0;
        for (size_t i = (size_t)ceil(f / sqrt(step) / k->bin_hz); i < k->bins && (double)i * k->bin_hz < f * sqrt(step);
             i++, bins++)
            sum += k->power[i];
        hz[n] = f;
        level[n] = sorted[n] = lt_db_from_power(sum / (double)(bins > 0 ? bins : 1) + 1e-300);
        n++;
    }
    out->peak_over_db = 0.0;
    out->peak_hz = NAN;
    if (n < 6)
        return;
    size_t top = 0;
    for (size_t i = 0; i < n; i++)
        top = level[i] > level[top] ? i : top;
    out->peak_over_db = level[top] - lt_median(sorted, n);
    out->peak_hz = hz[top];
}

lt_status ltp_echo_read(const lt_ir *ir, ltp_echo_reading *out, lt_error *err)
{
    *out = (ltp_echo_reading){.ir = ir, .tail_frames = NAN};
    reader k = {0};
    lt_status st = reader_make(ir, &k, err);
    if (st != LT_OK)
        goto done;
    lt_rfft_forward_padded(k.fft, ir->samples, ir->count, k.spectrum);
    if (!make_shape(ir, &k))
        goto done;
    make_lobe(&k);
    make_envelope(&k);
    st = find_arrivals(ir, &k, out, err);
    if (st != LT_OK || out->count == 0)
        goto done;
    measure_flatness(ir, &k, out);
    measure_spread(ir, &k, out);
    measure_peak(ir, &k, out);
    band_limited(&k);
    out->noise_rms = quiet_level(k.x, ir->count, ir->rate_hz);
    out->polarity = first_swing(k.x, ir->count, out->at[0] + (double)ir->origin_frames, ir->rate_hz);
    st = measure_tail(ir, &k, out, err);
    if (lt_is_known(out->tail_frames)) /* what the band alone makes of a path without any tail */
        out->tail_frames = fmax(out->tail_frames - 0.6 * pulse_frames(&k), 0.0);
done:
    reader_clear(&k);
    return st;
}
