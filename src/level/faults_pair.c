/* SPDX-License-Identifier: MIT
 * Two channels of one recording against each other, by their cross-correlation from averaged spectra (blocks of about
 * 0.7 s): the sign of its peak is the relative polarity, its place says which channel comes first. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

static const double block_s = 0.7, farthest_s = 0.3;
static const double strong = 0.5; /* normalised correlation that says something about polarity */
static const double same = 0.3;
static const double early_s = 0.0004;
static const double dead_db = -70.0, alive_db = -45.0;

struct lt_pair_scan {
    double rate_hz;
    unsigned first, second;
    size_t n, half, bins, filled; /* n = 2 half: the second half stays zero */
    lt_rfft *fft;
    double *a, *b, *work;
    lt_complex *fa, *fb, *cross;
    double energy_a, energy_b;
    uint64_t frames;
};

void lt_pair_scan_free(lt_pair_scan *s)
{
    if (s == NULL)
        return;
    lt_rfft_free(s->fft);
    ltp_free(s->a);
    ltp_free(s->b);
    ltp_free(s->work);
    ltp_free(s->fa);
    ltp_free(s->fb);
    ltp_free(s->cross);
    ltp_free(s);
}

lt_status lt_pair_scan_create(double rate_hz, unsigned first, unsigned second, lt_pair_scan **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz >= 1000.0 && rate_hz <= 400000.0))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz; channels are compared at 1000 to 400000 Hz", rate_hz);
    lt_pair_scan *s = ltp_alloc(1, sizeof *s);
    if (s == NULL)
        return ltp_fail_nomem(err, "the comparison of channels");
    s->rate_hz = rate_hz;
    s->first = first;
    s->second = second;
    s->n = lt_rfft_good_size(2 * (size_t)(block_s * rate_hz));
    s->half = s->n / 2;
    s->bins = s->n / 2 + 1;
    s->a = ltp_alloc(s->n, sizeof *s->a);
    s->b = ltp_alloc(s->n, sizeof *s->b);
    s->work = ltp_alloc(s->n, sizeof *s->work);
    s->fa = ltp_alloc(s->bins, sizeof *s->fa);
    s->fb = ltp_alloc(s->bins, sizeof *s->fb);
    s->cross = ltp_alloc(s->bins, sizeof *s->cross);
    const lt_status st = s->a && s->b && s->work && s->fa && s->fb && s->cross
                             ? lt_rfft_create(s->n, &s->fft, err)
                             : ltp_fail_nomem(err, "the comparison of channels");
    if (st != LT_OK) {
        lt_pair_scan_free(s);
        return st;
    }
    *out = s;
    return LT_OK;
}

static void end_block(lt_pair_scan *s)
{
    lt_rfft_forward_padded(s->fft, s->a, s->filled, s->fa);
    lt_rfft_forward_padded(s->fft, s->b, s->filled, s->fb);
    for (size_t k = 0; k < s->bins; k++) { /* conj(A) B: positive lags where b comes later */
        const lt_complex c = lt_complex_multiply((lt_complex){s->fa[k].re, -s->fa[k].im}, s->fb[k]);
        s->cross[k].re += c.re;
        s->cross[k].im += c.im;
    }
    s->filled = 0;
}

void lt_pair_scan_push(lt_pair_scan *s, const double *a, const double *b, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        s->energy_a += a[i] * a[i];
        s->energy_b += b[i] * b[i];
        s->a[s->filled] = a[i];
        s->b[s->filled] = b[i];
        if (++s->filled == s->half)
            end_block(s);
    }
    s->frames += count;
}

static void say_dead(const lt_pair_scan *s, double a_db, double b_db, lt_faults *out)
{
    const unsigned dead = a_db < b_db ? s->first : s->second, alive = a_db < b_db ? s->second : s->first;
    for (size_t i = 0; i < out->count; i++)
        if (out->items[i].code == LT_FAULT_DEAD_CHANNEL && out->items[i].channel == dead)
            return;
    lt_faults_add(
        out, LT_FAULT_DEAD_CHANNEL, LT_SEVERITY_WARNING, dead, NAN,
        "at %.0f dBFS while channel %u has %.0f dBFS: likely an open pair, an unpowered microphone, or a channel "
        "that was not meant to be recorded",
        fmin(a_db, b_db), alive, fmax(a_db, b_db));
}

void lt_pair_scan_finish(lt_pair_scan *s, lt_faults *out)
{
    if (s->filled > 0)
        end_block(s);
    const double frames = (double)(s->frames > 0 ? s->frames : 1);
    const double a_db = lt_dbfs_from_mean_square(s->energy_a / frames);
    const double b_db = lt_dbfs_from_mean_square(s->energy_b / frames);
    if ((a_db < dead_db) != (b_db < dead_db) && fmax(a_db, b_db) > alive_db)
        say_dead(s, a_db, b_db, out);
    if (a_db < dead_db || b_db < dead_db)
        return;
    lt_rfft_inverse(s->fft, s->cross, s->work);
    const size_t far = (size_t)(farthest_s * s->rate_hz);
    double best = 0.0;
    ptrdiff_t lag = 0;
    for (size_t k = 0; k <= far; k++) {
        if (fabs(s->work[k]) > fabs(best)) {
            best = s->work[k];
            lag = (ptrdiff_t)k;
        }
        if (k > 0 && fabs(s->work[s->n - k]) > fabs(best)) {
            best = s->work[s->n - k];
            lag = -(ptrdiff_t)k;
        }
    }
    const double r = best / sqrt(s->energy_a * s->energy_b);
    const double lag_s = (double)lag / s->rate_hz;
    if (r < -strong)
        lt_faults_add(
            out, LT_FAULT_POLARITY, LT_SEVERITY_WARNING, s->second, NAN,
            "opposite to channel %u (correlation %.2f at %.1f ms): likely two wires of a pair exchanged, at a "
            "plug, a splice or a speaker terminal",
            s->first, r, 1e3 * lag_s);
    if (fabs(r) > same && lag_s < -early_s)
        lt_faults_add(
            out, LT_FAULT_SWAPPED_CHANNELS, LT_SEVERITY_NOTE, s->first, NAN,
            "comes %.1f ms after channel %u (correlation %.2f): if channel %u is meant to be what was sent and "
            "channel %u what returned, they are swapped",
            -1e3 * lag_s, s->second, r, s->first, s->second);
}
