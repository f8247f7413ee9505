/* SPDX-License-Identifier: MIT
 * Generalised cross-correlation of blocks of two recordings (Knapp and Carter, IEEE Trans. ASSP 24, 1976; the SCOT
 * weighting). */
#include "loop/echo_search.h"
#include "base/alloc.h"
#include "dsp/even.h"
#include "loop/complex.h"

#include <math.h>
#include <string.h>

enum { WELCH = 1024 };
static const double work_rate_hz = 8000.0;
static const double low_hz = 200.0;

void ltp_echo_search_clear(ltp_echo_search *s)
{
    lt_signal_free(s->sent);
    lt_signal_free(s->returned);
    ltp_free(s->weight);
    lt_rfft_free(s->fft);
    ltp_free(s->a);
    ltp_free(s->b);
    ltp_free(s->x);
    *s = (ltp_echo_search){0};
}

static lt_status make_signal(const lt_signal *in, lt_signal **out, lt_error *err)
{
    const lt_status st = in->rate_hz > 1.01 * work_rate_hz ? lt_resample(in, work_rate_hz, out, err)
                                                           : lt_signal_copy(in, 0, in->count, out, err);
    return st == LT_OK ? ltp_even_levels((*out)->samples, (*out)->count, (*out)->rate_hz, "the lag of an echo", err)
                       : st;
}

static lt_status welch(const lt_signal *s, double *psd, lt_error *err)
{
    double window[WELCH], x[WELCH];
    lt_complex spectrum[WELCH / 2 + 1];
    lt_rfft *fft = NULL;
    const lt_status st = lt_rfft_create(WELCH, &fft, err);
    if (st != LT_OK)
        return st;
    lt_window_hann(window, WELCH);
    memset(psd, 0, (WELCH / 2 + 1) * sizeof *psd);
    for (size_t at = 0; at + WELCH <= s->count; at += WELCH / 2) {
        for (size_t i = 0; i < WELCH; i++)
            x[i] = s->samples[at + i] * window[i];
        lt_rfft_forward(fft, x, spectrum);
        for (size_t i = 0; i <= WELCH / 2; i++)
            psd[i] += lt_complex_power(spectrum[i]);
    }
    lt_rfft_free(fft);
    return LT_OK;
}

static lt_status make_weight(ltp_echo_search *s, lt_error *err)
{
    double a[WELCH / 2 + 1], b[WELCH / 2 + 1];
    lt_status st = welch(s->sent, a, err);
    if (st == LT_OK)
        st = welch(s->returned, b, err);
    if (st != LT_OK)
        return st;
    double top = 0.0;
    for (size_t i = 0; i <= WELCH / 2; i++)
        top = fmax(top, a[i] * b[i]);
    const double bin_hz = s->sent->rate_hz / WELCH;
    const double high_hz = 0.46 * s->sent->rate_hz;
    for (size_t i = 0; i <= WELCH / 2; i++) {
        const double hz = (double)i * bin_hz;
        const double edge = lt_fade((hz - low_hz) / 150.0) * lt_fade((high_hz - hz) / 300.0);
        s->weight[i] = edge / sqrt(a[i] * b[i] + 1e-6 * top + 1e-300);
    }
    return LT_OK;
}

lt_status ltp_echo_search_make(const ltp_echo_pair *p, double block_s, double first, double last, ltp_echo_search *s,
                               lt_error *err)
{
    *s = (ltp_echo_search){0};
    lt_status st = make_signal(p->sent, &s->sent, err);
    if (st == LT_OK)
        st = make_signal(p->returned, &s->returned, err);
    if (st != LT_OK)
        return st;
    const double ratio = s->sent->rate_hz / p->rate_hz;
    s->block = (size_t)(block_s * s->sent->rate_hz);
    if (s->block > s->sent->count)
        s->block = s->sent->count;
    s->first = (ptrdiff_t)floor(first * ratio);
    s->range = (size_t)((ptrdiff_t)ceil(last * ratio) - s->first + 1);
    s->n = lt_rfft_good_size(s->block + s->range);
    s->bins = s->n / 2 + 1;
    s->weight = ltp_alloc(WELCH / 2 + 1, sizeof *s->weight);
    s->a = ltp_alloc(s->bins, sizeof *s->a);
    s->b = ltp_alloc(s->bins, sizeof *s->b);
    s->x = ltp_alloc(s->n, sizeof *s->x);
    if (s->weight == NULL || s->a == NULL || s->b == NULL || s->x == NULL)
        return ltp_fail_nomem(err, "the lag of an echo");
    st = lt_rfft_create(s->n, &s->fft, err);
    return st == LT_OK ? make_weight(s, err) : st;
}

static void load(ltp_echo_search *s, const lt_signal *x, ptrdiff_t from, size_t count, lt_complex *out)
{
    memset(s->x, 0, s->n * sizeof *s->x);
    for (size_t i = 0; i < count; i++) {
        const ptrdiff_t at = from + (ptrdiff_t)i;
        if (at >= 0 && (size_t)at < x->count)
            s->x[i] = x->samples[at];
    }
    lt_rfft_forward(s->fft, s->x, out);
}

static double weight_at(const ltp_echo_search *s, size_t bin)
{
    const double x = (double)bin * (WELCH / 2) / (double)(s->bins - 1);
    const size_t k = (size_t)x < WELCH / 2 ? (size_t)x : WELCH / 2 - 1;
    const double t = x - (double)k;
    return s->weight[k] * (1.0 - t) + s->weight[k + 1] * t;
}

void ltp_echo_correlate(ltp_echo_search *s, size_t at)
{
    load(s, s->sent, (ptrdiff_t)at, s->block, s->a);
    load(s, s->returned, (ptrdiff_t)at + s->first, s->block + s->range, s->b);
    for (size_t i = 0; i < s->bins; i++)
        s->b[i] = ltp_complex_scaled(ltp_complex_product(ltp_complex_conjugate(s->a[i]), s->b[i]), weight_at(s, i));
    lt_rfft_inverse(s->fft, s->b, s->x);
}

bool ltp_echo_is_quiet(const ltp_echo_search *s, size_t at)
{
    double sum = 0.0;
    for (size_t i = 0; i < s->block; i++)
        sum += s->sent->samples[at + i] * s->sent->samples[at + i];
    return sum < 0.02 * (double)s->block; /* levels are even: 1 while somebody speaks */
}
