/* SPDX-License-Identifier: MIT
 * One recorded sweep: cutting it out of a recording, and the windows on its deconvolved form. */
#include "response/take.h"
#include "base/alloc.h"
#include "response/shift.h"

#include <math.h>
#include <string.h>

static const double margin_s = 0.02;      /* the response is kept a little longer than asked, to move it later */
static const double fade_in_share = 0.35; /* of what lies before the direct arrival */
static const double fade_out_s = 0.05;
static const double noise_s = 0.4; /* each noise window, at most */
static const double noise_least_s = 0.01;
static const double before_of_image = 0.4; /* share of the distance to the 2nd harmonic's image */
static const double image_before = 0.3;    /* of the distance to the next earlier image */
static const double image_after = 0.5;     /* of the distance to the next later one */
static const double image_after_s = 0.5;
static const double piece_fade_s = 0.005;
static const double drift_least = 3e-7; /* less is not worth a resampling: 3 us in 10 s */

static size_t frames_of(double seconds, double rate_hz)
{
    return seconds > 0.0 ? (size_t)llround(seconds * rate_hz) : 0;
}

static ltp_window window_between(double from_s, double to_s, double rate_hz)
{
    ltp_window w = {.first = (ptrdiff_t)llround(from_s * rate_hz), .count = frames_of(to_s - from_s, rate_hz)};
    w.fade_in = w.fade_out = w.count / 2;
    return w;
}

static void place_images(const ltp_structure *s, double rate_hz, ltp_layout *l)
{
    for (int n = LTP_HARMONIC_FIRST; n <= LTP_HARMONIC_LAST; n++) {
        const double at_s = -s->growth_s * log(n);
        const double later_s = s->growth_s * log(n / (n - 1.0));
        const double earlier_s = s->growth_s * log((n + 1.0) / n);
        const double before_s = image_before * earlier_s;
        const double after_s = fmin(image_after * later_s, image_after_s);
        ltp_window w = window_between(at_s - before_s, at_s + after_s, rate_hz);
        w.fade_in = frames_of(0.7 * before_s, rate_hz);
        w.fade_out = frames_of(0.2 * after_s, rate_hz);
        l->image[n - LTP_HARMONIC_FIRST] = w;
        /* Between the end of the image before (image_after of the distance later) and the start of this one. */
        l->image_quiet[n - LTP_HARMONIC_FIRST] =
            window_between(at_s - (1.0 - image_after) * earlier_s, at_s - before_s, rate_hz);
    }
}

static double window_gain(const ltp_window *w, size_t i)
{
    double gain = 1.0;
    if (i < w->fade_in)
        gain = lt_fade(((double)i + 0.5) / (double)w->fade_in);
    if (w->count - i <= w->fade_out)
        gain *= lt_fade(((double)(w->count - i) - 0.5) / (double)w->fade_out);
    return gain;
}

static void set_energy(ltp_window *w)
{
    w->energy = 0.0;
    for (size_t i = 0; i < w->count; i++) {
        const double g = window_gain(w, i);
        w->energy += g * g;
    }
}

void ltp_layout_make(const ltp_structure *s, double rate_hz, const lt_response_options *opt, ltp_layout *out)
{
    const bool exponential = s->kind == LTP_EXPONENTIAL;
    *out = (ltp_layout){.growth_s = exponential ? s->growth_s : 0.0, .start_hz = exponential ? s->start_hz : 0.0};
    double before_s = opt->pre_s + margin_s;
    double quiet_s = noise_s; /* room for noise before the response */
    if (exponential) {
        place_images(s, rate_hz, out);
        const double image_s = s->growth_s * log(2.0);
        before_s = fmin(before_s, before_of_image * image_s);
        quiet_s = fmin(noise_s, image_s - before_s - fmin(image_after * image_s, image_after_s));
    }
    const double after_s = opt->post_s + margin_s;
    out->response = window_between(-before_s, after_s, rate_hz);
    out->response.fade_in = frames_of(fade_in_share * before_s, rate_hz);
    out->response.fade_out = frames_of(fmin(fade_out_s, 0.2 * after_s), rate_hz);
    if (quiet_s >= noise_least_s)
        out->before = window_between(-before_s - quiet_s, -before_s, rate_hz);
    out->after = window_between(after_s, after_s + noise_s, rate_hz);
    set_energy(&out->response);
    set_energy(&out->before);
    set_energy(&out->after);
    for (size_t i = 0; i < LTP_IMAGES; i++) {
        set_energy(&out->image[i]);
        set_energy(&out->image_quiet[i]);
    }
    size_t longest = out->response.count;
    for (size_t i = 0; i < LTP_IMAGES; i++)
        longest = out->image[i].count > longest ? out->image[i].count : longest;
    longest = out->after.count > longest ? out->after.count : longest;
    const ltp_window *earliest = exponential ? &out->image_quiet[LTP_IMAGES - 1] : &out->response;
    const ptrdiff_t first =
        out->before.count > 0 && out->before.first < earliest->first ? out->before.first : earliest->first;
    out->span = (size_t)(out->after.first + (ptrdiff_t)out->after.count - first);
    out->n = lt_rfft_good_size(longest + longest / 8);
    out->bins = out->n / 2 + 1;
}

/* Windowed part of circular h; x[window count]. */
static void cut_window(const ltp_window *w, const ltp_kernel *k, const double *h, ptrdiff_t centre, double *x)
{
    const ptrdiff_t n = (ptrdiff_t)k->n;
    size_t at = (size_t)((((ptrdiff_t)k->before + centre + w->first) % n + n) % n);
    for (size_t i = 0; i < w->count; i++) {
        x[i] = h[at] * window_gain(w, i);
        at = at + 1 < k->n ? at + 1 : 0;
    }
}

/* What the filling of a take works with. */
typedef struct {
    const ltp_layout *l;
    const ltp_kernel *k;
    const double *h;
    ptrdiff_t centre;
    double covered_from, covered_to;
    lt_rfft *fft;
    double *x, *power;
    lt_complex *spectrum;
} filler;

static void transform_window(const filler *f, const ltp_window *w, lt_complex *out)
{
    cut_window(w, f->k, f->h, f->centre, f->x);
    lt_rfft_forward_padded(f->fft, f->x, w->count, out);
}

/* True if the noise that reaches window w at hz was recorded: at frequency f a lag t holds what was recorded t after
 * the sweep passed f. */
static bool is_covered(const filler *f, const ltp_window *w, double hz)
{
    const double sweep = (double)f->k->sweep;
    double from = 0.0; /* of other stimuli only the worst case is known */
    double to = sweep;
    if (f->l->growth_s > 0.0) {
        const double pass = f->l->growth_s * log(fmax(hz / f->l->start_hz, 1.0)) * f->k->rate_hz;
        from = to = fmin(pass, sweep);
    }
    const double slack = 0.1 * (double)w->count;
    const double first = (double)(f->centre + w->first);
    return from + first >= f->covered_from - slack && to + first + (double)w->count <= f->covered_to + slack;
}

/* Noise that a window of the given energy would hold, from one that holds nothing else. The larger of this and what is
 * in noise[] stays: noise that came or went counts in full. Negative = not known yet. */
static void measure_noise(const filler *f, const ltp_window *quiet, double energy, bool covered_only, double *noise)
{
    if (quiet->count == 0 || !(quiet->energy > 0.0))
        return;
    transform_window(f, quiet, f->spectrum);
    const double bin_hz = f->k->rate_hz / (double)f->l->n;
    const double scale = energy / quiet->energy;
    for (size_t i = 0; i < f->l->bins; i++)
        f->power[i] = scale * lt_complex_power(f->spectrum[i]);
    for (size_t i = 0; i < f->k->grid_count; i++) {
        const double hz = ltp_grid_band(i).exact_hz;
        double from_hz = 0.0;
        double to_hz = 0.0;
        ltp_kernel_about(f->k, hz, &from_hz, &to_hz);
        if (!covered_only || is_covered(f, quiet, hz))
            noise[i] = fmax(noise[i], ltp_band_mean(f->power, f->l->bins, bin_hz, from_hz, to_hz));
    }
}

/* Noise of the point nearest to i where it is known, as if the noise were white: |H|^2 = |noise|^2 / |S|^2. */
static double nearest_known(const ltp_kernel *k, const double *noise, size_t i)
{
    for (size_t away = 1; away < k->grid_count && k->power[i] > 0.0; away++) {
        if (i >= away && noise[i - away] >= 0.0)
            return noise[i - away] * k->power[i - away] / k->power[i];
        if (i + away < k->grid_count && noise[i + away] >= 0.0)
            return noise[i + away] * k->power[i + away] / k->power[i];
    }
    return 0.0;
}

static void fill_unknown(const ltp_kernel *k, double *noise)
{
    double known[LTP_GRID_MAX];
    memcpy(known, noise, sizeof known);
    for (size_t i = 0; i < k->grid_count; i++)
        if (known[i] < 0.0)
            noise[i] = nearest_known(k, known, i);
}

/* ---- short disturbances: a door, a drop on the microphone ----
 *
 * One that falls into the response of a band misses the noise windows of that band, which lie before and after it in
 * time. But the sweep passes the neighbouring frequencies earlier or later, so their windows hold the same moment. The
 * windows are cut into slices; a slice that is far louder than the others of its band dates the disturbance, and all
 * bands whose response holds that moment get its power added to their noise. */

enum { SLICES_MAX = 16, WIDE_LEAST = 10 }; /* a tone shows in 8 points of the grid, as noise is smoothed */
static const double slice_s = 0.1;
static const double far_louder = 8.0;           /* power re the median of the slices */
static const double neighbours = 1.0;           /* octaves */
static const double least_half_width_hz = 60.0; /* narrower bands of so short a slice are all chance */

static const double inside_low = 5.0; /* the ends of the band ring into the slices */
static const double inside_high = 1.05;

typedef struct {
    ltp_window window;
    double power[LTP_GRID_MAX]; /* as noise of the response window; negative = not recorded */
} slice;

static size_t cut_slices(const filler *f, const ltp_window *side, slice *slices, size_t count)
{
    const size_t length = frames_of(slice_s, f->k->rate_hz);
    for (size_t at = 0; at + length <= side->count && count < SLICES_MAX; at += length, count++) {
        slice *s = &slices[count];
        s->window = (ltp_window){.first = side->first + (ptrdiff_t)at, .count = length};
        s->window.fade_in = s->window.fade_out = length / 8;
        set_energy(&s->window);
        transform_window(f, &s->window, f->spectrum);
        for (size_t i = 0; i < f->l->bins; i++)
            f->power[i] = f->l->response.energy / s->window.energy * lt_complex_power(f->spectrum[i]);
        for (size_t g = 0; g < f->k->grid_count; g++) {
            const double hz = ltp_grid_band(g).exact_hz;
            const double half = fmax(0.122 * hz, least_half_width_hz);
            s->power[g] =
                is_covered(f, &s->window, hz)
                    ? ltp_band_mean(f->power, f->l->bins, f->k->rate_hz / (double)f->l->n, hz - half, hz + half)
                    : -1.0;
        }
    }
    return count;
}

/* Median over the slices of one point; negative when none was recorded. */
static double usual_power(const slice *slices, size_t count, size_t g)
{
    double known[SLICES_MAX];
    size_t n = 0;
    for (size_t i = 0; i < count; i++)
        if (slices[i].power[g] >= 0.0)
            known[n++] = slices[i].power[g];
    return n > 2 ? lt_median(known, n) : -1.0;
}

static double pass_frames(const filler *f, size_t g)
{
    return f->l->growth_s * log(ltp_grid_band(g).exact_hz / f->l->start_hz) * f->k->rate_hz;
}

/* What the loudest moment in each slice of time of point g's response adds to its noise. How the disturbance is
 * coloured from the neighbour to g is not known: like the usual noise or like white noise, whichever is less. */
static double disturbance_at(const filler *f, const slice *slices, size_t count, const double *usual, size_t g)
{
    const double length = slice_s * f->k->rate_hz;
    double loudest[64] = {0.0};
    size_t wide[64] = {0}; /* points of the grid that show it */
    size_t last[64] = {0};
    const size_t reach = (size_t)(neighbours * LTP_GRID_FRACTION);
    const double begin = pass_frames(f, g) + (double)f->l->response.first;
    const size_t lowest = ltp_grid_index(inside_low * f->k->from_hz, f->k->grid_count);
    const size_t highest = ltp_grid_index(f->k->to_hz / inside_high, f->k->grid_count);
    const size_t first = g > lowest + reach ? g - reach : lowest;
    for (size_t o = first; o <= g + reach && o <= highest; o++)
        for (size_t i = 0; i < count; i++) {
            if (!(usual[o] > 0.0) || slices[i].power[o] < far_louder * usual[o])
                continue;
            const double at = pass_frames(f, o) + (double)slices[i].window.first + 0.5 * length - begin;
            if (at < 0.0 || at >= (double)f->l->response.count)
                continue;
            const size_t k = (size_t)(at / length);
            if (k >= LTP_COUNT(loudest))
                continue;
            const double colour = fmin(usual[g] / usual[o], f->k->power[o] / f->k->power[g]);
            loudest[k] = fmax(loudest[k], slices[i].power[o] * colour);
            wide[k] += last[k] != o;
            last[k] = o;
        }
    const size_t least = g < lowest + reach / 2 ? WIDE_LEAST / 2 : WIDE_LEAST; /* half of the neighbours are missing */
    double sum = 0.0;
    for (size_t k = 0; k < LTP_COUNT(loudest); k++)
        sum += wide[k] >= least ? loudest[k] * length / (double)f->l->response.count : 0.0;
    return sum;
}

static lt_status add_disturbances(const filler *f, double *noise, lt_error *err)
{
    if (!(f->l->growth_s > 0.0))
        return LT_OK;
    slice *slices = ltp_alloc(SLICES_MAX, sizeof *slices);
    if (slices == NULL)
        return ltp_fail_nomem(err, "the noise of a recording");
    size_t count = cut_slices(f, &f->l->before, slices, 0);
    count = cut_slices(f, &f->l->after, slices, count);
    double usual[LTP_GRID_MAX];
    for (size_t g = 0; g < f->k->grid_count; g++)
        usual[g] = usual_power(slices, count, g);
    double added[LTP_GRID_MAX] = {0.0};
    for (size_t g = 0; g < f->k->grid_count; g++)
        added[g] = usual[g] > 0.0 && f->k->power[g] > 0.0 ? disturbance_at(f, slices, count, usual, g) : 0.0;
    enum { REACH = LTP_GRID_FRACTION / 3 }; /* its edges in frequency are uncertain by a third of an octave */
    for (size_t g = 0; g < f->k->grid_count; g++) {
        double most = 0.0;
        for (size_t o = g > REACH ? g - REACH : 0; o <= g + REACH && o < f->k->grid_count; o++)
            most = fmax(most, added[o]);
        noise[g] += most;
    }
    ltp_free(slices);
    return LT_OK;
}

/* Noise beside the response, from both sides as far as they were recorded. */
static void measure_response_noise(const filler *f, double *noise)
{
    const ltp_layout *l = f->l;
    bool known = false;
    for (size_t i = 0; i < LTP_GRID_MAX; i++)
        noise[i] = -1.0;
    measure_noise(f, &l->before, l->response.energy, true, noise);
    measure_noise(f, &l->after, l->response.energy, true, noise);
    for (size_t i = 0; i < f->k->grid_count; i++)
        known = known || noise[i] >= 0.0;
    if (!known) { /* better than nothing */
        measure_noise(f, &l->before, l->response.energy, false, noise);
        measure_noise(f, &l->after, l->response.energy, false, noise);
    }
    fill_unknown(f->k, noise);
}

lt_status ltp_take_fill(ltp_take *t, const ltp_layout *l, const ltp_kernel *k, const double *h, ptrdiff_t centre,
                        lt_rfft *fft, lt_error *err)
{
    filler f = {.l = l, .k = k, .h = h, .centre = centre, .fft = fft};
    f.covered_from = t->covered_from;
    f.covered_to = t->covered_to;
    f.x = ltp_alloc(l->n, sizeof *f.x);
    f.power = ltp_alloc(l->bins, sizeof *f.power);
    f.spectrum = ltp_alloc(l->bins, sizeof *f.spectrum);
    t->response = ltp_alloc(l->bins, sizeof *t->response);
    bool ok = f.x != NULL && f.power != NULL && f.spectrum != NULL && t->response != NULL;
    for (size_t i = 0; i < LTP_IMAGES; i++)
        if (l->image[i].count > 0) {
            t->image[i] = ltp_alloc(l->bins, sizeof *t->image[i]);
            ok = ok && t->image[i] != NULL;
        }
    lt_status st = ok ? LT_OK : ltp_fail_nomem(err, "an impulse response");
    if (ok) {
        t->centre = (double)centre;
        transform_window(&f, &l->response, t->response);
        measure_response_noise(&f, t->noise);
        st = add_disturbances(&f, t->noise, err);
        memset(t->image_noise, 0, sizeof t->image_noise);
        for (size_t i = 0; i < LTP_IMAGES; i++)
            if (l->image[i].count > 0) {
                transform_window(&f, &l->image[i], t->image[i]);
                measure_noise(&f, &l->image_quiet[i], l->image[i].energy, false, t->image_noise[i]);
            }
    }
    ltp_free(f.x);
    ltp_free(f.power);
    ltp_free(f.spectrum);
    return st;
}

lt_status ltp_take_solve(ltp_take *t, const ltp_layout *l, ltp_kernel *k, const lt_signal *piece, ptrdiff_t centre,
                         lt_rfft *fft, lt_error *err)
{
    const ltp_window *w = &l->response;
    double *h = ltp_alloc(l->n, sizeof *h);
    t->response = ltp_alloc(l->bins, sizeof *t->response);
    lt_status st = h == NULL || t->response == NULL ? ltp_fail_nomem(err, "an impulse response") : LT_OK;
    if (st == LT_OK)
        st = ltp_kernel_solve(k, piece->samples, piece->count, centre + w->first, w->count, h, t->noise, err);
    if (st == LT_OK) {
        t->centre = (double)centre;
        for (size_t i = 0; i < w->count; i++)
            h[i] *= window_gain(w, i);
        lt_rfft_forward_padded(fft, h, w->count, t->response);
        for (size_t i = 0; i < l->bins; i++) {
            const double gain = ltp_band_limit(k->from_hz, k->to_hz, k->rate_hz, (double)i * k->rate_hz / (double)l->n);
            t->response[i] = (lt_complex){gain * t->response[i].re, gain * t->response[i].im};
        }
        for (size_t g = 0; g < k->grid_count; g++)
            t->noise[g] *= w->energy;
    }
    ltp_free(h);
    return st;
}

void ltp_take_clear(ltp_take *t)
{
    ltp_free(t->response);
    for (size_t i = 0; i < LTP_IMAGES; i++)
        ltp_free(t->image[i]);
    *t = (ltp_take){.recording = 0};
}

void ltp_take_move(ltp_take *t, size_t n, double frames)
{
    if (fabs(frames) < 1e-6)
        return;
    ltp_shift_apply(t->response, n, frames);
    for (size_t i = 0; i < LTP_IMAGES; i++)
        if (t->image[i] != NULL)
            ltp_shift_apply(t->image[i], n, frames);
    t->centre -= frames;
}

/* Fades both ends, so that noise does not begin and end with a step. */
static void fade_ends(lt_signal *s)
{
    const size_t fade = frames_of(piece_fade_s, s->rate_hz);
    for (size_t i = 0; i < fade && i < s->count; i++) {
        const double g = lt_fade((double)i / (double)fade);
        s->samples[i] *= g;
        s->samples[s->count - 1 - i] *= g;
    }
}

lt_status ltp_piece_cut(const lt_signal *recording, double *zero_s, double drift, const ltp_kernel *k, lt_signal **out,
                        lt_error *err)
{
    *out = NULL;
    const double per_frame = recording->rate_hz * (1.0 + drift) / k->rate_hz; /* recorded per stimulus frame */
    const double start = round(*zero_s * recording->rate_hz - (double)k->before * per_frame);
    *zero_s = (start + (double)k->before * per_frame) / recording->rate_hz;
    const size_t wanted = k->before + k->sweep + k->after;
    const size_t count = (size_t)ceil((double)wanted * per_frame);
    lt_signal *raw = NULL;
    lt_status st = lt_signal_create(count, recording->rate_hz * (1.0 + drift), &raw, err);
    if (st != LT_OK)
        return st;
    const ptrdiff_t first = (ptrdiff_t)start;
    for (size_t i = 0; i < count; i++) {
        const ptrdiff_t at = first + (ptrdiff_t)i;
        if (at >= 0 && at < (ptrdiff_t)recording->count)
            raw->samples[i] = recording->samples[at];
    }
    fade_ends(raw);
    if (fabs(per_frame - 1.0) < drift_least) {
        *out = raw;
        return LT_OK;
    }
    st = lt_resample(raw, k->rate_hz, out, err);
    lt_signal_free(raw);
    return st;
}
