/* SPDX-License-Identifier: MIT
 * The open-loop response: product of lane and counter path on a fine frequency grid. Linear scale: L = 1 is 0 dB. */
#include "base/alloc.h"
#include "loop/loop_internal.h"

#include <math.h>
#include <string.h>

enum {
    LEAST_FFT = 1 << 14,  /* a short loop still gets a smooth curve */
    FINE_FACTOR = 8,      /* zero-padding: phase turns at most 1/8 of a circle from bin to bin */
    COARSE_FACTOR = 4,    /* ... for very long responses */
    FINE_REACH = 1 << 19, /* frames up to which the fine factor is used */
    EDGE_FRAMES = 1024,   /* silence given to the resampler before and after */
    SHIFT_FRAMES = 4096,  /* further frames of silence tried to bring t = 0 onto the new grid */
};

/* How much silence before the response makes its origin a whole number of frames at the new rate. */
static size_t aligned_lead(ptrdiff_t origin, double ratio)
{
    size_t best = EDGE_FRAMES;
    double best_miss = INFINITY;
    for (size_t lead = EDGE_FRAMES; lead < EDGE_FRAMES + SHIFT_FRAMES; lead++) {
        const double at = ((double)origin + (double)lead) * ratio;
        const double miss = fabs(at - round(at));
        if (miss < best_miss - 1e-9) {
            best = lead;
            best_miss = miss;
        }
    }
    return best;
}

/* The same response at another rate. Its samples are scaled so that the sum over them, H(0), stays. */
lt_status ltp_ir_resampled(const lt_ir *ir, double rate_hz, lt_ir *out, lt_error *err)
{
    const double ratio = rate_hz / ir->rate_hz;
    const size_t lead = aligned_lead(ir->origin_frames, ratio);
    lt_signal *padded = NULL;
    lt_signal *changed = NULL;
    lt_status st = lt_signal_create(lead + ir->count + EDGE_FRAMES, ir->rate_hz, &padded, err);
    if (st != LT_OK)
        goto done;
    memcpy(padded->samples + lead, ir->samples, ir->count * sizeof *ir->samples);
    st = lt_resample(padded, rate_hz, &changed, err);
    if (st != LT_OK)
        goto done;
    for (size_t i = 0; i < changed->count; i++)
        changed->samples[i] /= ratio;
    *out = (lt_ir){.samples = changed->samples,
                   .count = changed->count,
                   .rate_hz = rate_hz,
                   .origin_frames = (ptrdiff_t)llround(((double)ir->origin_frames + (double)lead) * ratio),
                   .from_hz = ir->from_hz,
                   .to_hz = ir->to_hz};
    changed->samples = NULL;
done:
    lt_signal_free(padded);
    lt_signal_free(changed);
    return st;
}

lt_status ltp_ir_check(const lt_ir *ir, const char *which, lt_error *err)
{
    if (ir->count == 0 || !(ir->rate_hz > 0.0))
        return ltp_fail(err, LT_E_ARG, "the %s impulse response is empty: measure it again", which);
    for (size_t i = 0; i < ir->count; i++)
        if (!isfinite(ir->samples[i]))
            return ltp_fail(err, LT_E_ARG, "the %s impulse response holds a value that is no number (sample %zu)",
                            which, i);
    if (!(ir->from_hz < ir->to_hz))
        return ltp_fail(err, LT_E_ARG, "the %s impulse response covers no band (%g to %g Hz)", which, ir->from_hz,
                        ir->to_hz);
    return LT_OK;
}

/* out = a * b at one rate; origins add, the band is common to both. */
static lt_status product(const lt_ir *a, const lt_ir *b, lt_ir *out, lt_error *err)
{
    *out = (lt_ir){.rate_hz = a->rate_hz};
    out->count = a->count + b->count - 1;
    out->origin_frames = a->origin_frames + b->origin_frames;
    out->from_hz = fmax(a->from_hz, b->from_hz);
    out->to_hz = fmin(a->to_hz, b->to_hz);
    out->samples = ltp_alloc(out->count, sizeof *out->samples);
    if (out->samples == NULL)
        return ltp_fail_nomem(err, "a loop");
    return lt_convolve(a->samples, a->count, b->samples, b->count, out->samples, err);
}

/* The product of both, at the lower of both rates. */
static lt_status multiply(const lt_ir *lane, const lt_ir *counter, lt_ir *out, lt_error *err)
{
    lt_ir changed = {0};
    lt_status st = LT_OK;
    if (fabs(lane->rate_hz - counter->rate_hz) < 1e-9 * lane->rate_hz) {
        st = product(lane, counter, out, err);
    } else if (lane->rate_hz > counter->rate_hz) {
        st = ltp_ir_resampled(lane, counter->rate_hz, &changed, err);
        if (st == LT_OK)
            st = product(&changed, counter, out, err);
    } else {
        st = ltp_ir_resampled(counter, lane->rate_hz, &changed, err);
        if (st == LT_OK)
            st = product(lane, &changed, out, err);
    }
    ltp_free(changed.samples);
    return st;
}

static lt_status copy_lane(const lt_ir *lane, lt_ir *out, lt_error *err)
{
    *out = *lane;
    out->samples = ltp_alloc(lane->count, sizeof *out->samples);
    if (out->samples == NULL)
        return ltp_fail_nomem(err, "a loop");
    memcpy(out->samples, lane->samples, lane->count * sizeof *out->samples);
    return LT_OK;
}

size_t ltp_ir_reach(const lt_ir *ir)
{
    const ptrdiff_t last = (ptrdiff_t)ir->count - 1 - ir->origin_frames;
    const ptrdiff_t first = -ir->origin_frames;
    const size_t a = (size_t)(last < 0 ? -last : last);
    const size_t b = (size_t)(first < 0 ? -first : first);
    const size_t far = a > b ? a : b;
    return far > ir->count ? far : ir->count;
}

lt_status ltp_fft_size(size_t far, double rate_hz, size_t *n_fft, lt_error *err)
{
    if (far > (size_t)1 << 26)
        return ltp_fail(err, LT_E_ARG, "the loop's response reaches %.0f s from the playback: cut the recording",
                        (double)far / rate_hz);
    const size_t wanted = far * (far <= FINE_REACH ? FINE_FACTOR : COARSE_FACTOR);
    *n_fft = lt_rfft_good_size(wanted > LEAST_FFT ? wanted : LEAST_FFT);
    return LT_OK;
}

static lt_status transform(lt_loop *l, lt_error *err)
{
    const lt_status st = ltp_fft_size(ltp_ir_reach(&l->ir), l->ir.rate_hz, &l->n_fft, err);
    if (st != LT_OK)
        return st;
    l->spectrum = ltp_alloc(l->n_fft / 2 + 1, sizeof *l->spectrum);
    if (l->spectrum == NULL)
        return ltp_fail_nomem(err, "a loop");
    return lt_ir_spectrum(&l->ir, l->n_fft, l->spectrum, err);
}

static lt_status build(lt_loop *l, const lt_ir *lane, const lt_ir *counter, double gain_db, lt_error *err)
{
    lt_status st = counter != NULL ? multiply(lane, counter, &l->ir, err) : copy_lane(lane, &l->ir, err);
    if (st != LT_OK)
        return st;
    l->ir.from_hz = fmax(l->ir.from_hz, 0.0);
    l->ir.to_hz = fmin(l->ir.to_hz, l->ir.rate_hz / 2.0);
    if (!(l->ir.from_hz < l->ir.to_hz))
        return ltp_fail(err, LT_E_ARG, "lane and counter coupling have no band in common: use one stimulus for both");
    const double gain = lt_amplitude_from_db(gain_db);
    for (size_t i = 0; i < l->ir.count; i++)
        l->ir.samples[i] *= gain;
    return transform(l, err);
}

lt_status lt_loop_create(const lt_ir *lane, const lt_ir *counter, double counter_db, double gain_db, lt_loop **out,
                         lt_error *err)
{
    *out = NULL;
    lt_status st = ltp_ir_check(lane, "lane", err);
    if (st == LT_OK && counter != NULL)
        st = ltp_ir_check(counter, "counter", err);
    if (st != LT_OK)
        return st;
    const double total_db = gain_db + (counter == NULL ? counter_db : 0.0);
    if (!lt_is_known(total_db))
        return ltp_fail(err, LT_E_ARG, "a loop needs a gain in dB that is a number");
    lt_loop *l = ltp_alloc(1, sizeof *l);
    if (l == NULL)
        return ltp_fail_nomem(err, "a loop");
    st = build(l, lane, counter, total_db, err);
    if (st != LT_OK) {
        lt_loop_free(l);
        return st;
    }
    *out = l;
    return LT_OK;
}

void lt_loop_free(lt_loop *l)
{
    if (l == NULL)
        return;
    ltp_free(l->ir.samples);
    ltp_free(l->spectrum);
    ltp_free(l);
}

double lt_loop_from_hz(const lt_loop *l)
{
    return l->ir.from_hz;
}

double lt_loop_to_hz(const lt_loop *l)
{
    return l->ir.to_hz;
}

double lt_loop_rate_hz(const lt_loop *l)
{
    return l->ir.rate_hz;
}

lt_complex lt_loop_at(const lt_loop *l, double hz)
{
    if (!(hz >= l->ir.from_hz && hz <= l->ir.to_hz))
        return (lt_complex){0.0, 0.0};
    return lt_ir_at(&l->ir, hz);
}

/* Largest |L|^2 of the bins in [from, to); 0 without one. */
static double largest_power(const lt_loop *l, double from_hz, double to_hz)
{
    const double bin_hz = l->ir.rate_hz / (double)l->n_fft;
    const double lower = fmax(from_hz, l->ir.from_hz);
    const double upper = fmin(to_hz, l->ir.to_hz);
    double best = 0.0;
    for (size_t k = (size_t)ceil(fmax(lower, 0.0) / bin_hz); k <= l->n_fft / 2 && (double)k * bin_hz < upper; k++)
        best = fmax(best, lt_complex_power(l->spectrum[k]));
    return best;
}

lt_status lt_loop_curve(const lt_loop *l, double from_hz, double to_hz, size_t count, double *hz, double *level_db,
                        lt_error *err)
{
    if (!(from_hz > 0.0 && to_hz > from_hz && isfinite(to_hz)) || count < 2)
        return ltp_fail(err, LT_E_ARG, "a loop curve needs 0 < from < to and 2 points or more (%g to %g Hz, %zu)",
                        from_hz, to_hz, count);
    const double step = log(to_hz / from_hz) / (double)(count - 1);
    const double half = exp(step / 2.0);
    for (size_t i = 0; i < count; i++) {
        hz[i] = from_hz * exp(step * (double)i);
        const double at = lt_complex_power(lt_loop_at(l, hz[i]));
        level_db[i] = lt_db_from_power(fmax(at, largest_power(l, hz[i] / half, hz[i] * half)));
    }
    return LT_OK;
}
