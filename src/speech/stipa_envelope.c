/* SPDX-License-Identifier: MIT
 * Intensities of the octaves of a recording in frames of 10 ms, and the fit of two modulations to them. */
#include "base/alloc.h"
#include "speech/sti_octave.h"
#include "speech/sti_tables.h"
#include "speech/stipa.h"

#include <math.h>
#include <string.h>

static const double chunk_s = 20.0;
static const double margin_s = 0.3; /* on both sides of a chunk, for the filters */
static const double second_s = 1.0;

/* ---- intensities ---- */

typedef struct {
    lt_rfft *forward, *inverse[LT_STI_BANDS];
    lt_complex *spectrum, *band; /* [n / 2 + 1] */
    double *x, *squares;         /* [n] */
    size_t n, size[LT_STI_BANDS];
    double rate_hz;
} workspace;

static lt_status open_workspace(workspace *w, double seconds, double rate_hz, lt_error *err)
{
    w->rate_hz = rate_hz;
    w->n = 64 * lt_rfft_good_size((size_t)((fmin(seconds, chunk_s) + 2.0 * margin_s) * rate_hz) / 64 + 2);
    w->spectrum = ltp_alloc(w->n / 2 + 1, sizeof *w->spectrum);
    w->band = ltp_alloc(w->n / 2 + 1, sizeof *w->band);
    w->x = ltp_alloc(w->n, sizeof *w->x);
    w->squares = ltp_alloc(w->n, sizeof *w->squares);
    if (w->spectrum == NULL || w->band == NULL || w->x == NULL || w->squares == NULL)
        return ltp_fail_nomem(err, "a STIPA measurement");
    lt_status status = lt_rfft_create(w->n, &w->forward, err);
    for (size_t k = 0; k < LT_STI_BANDS && status == LT_OK; k++) {
        w->size[k] = ltp_sti_octave_size(w->n, rate_hz, k);
        status = lt_rfft_create(w->size[k], &w->inverse[k], err);
    }
    return status;
}

static void close_workspace(workspace *w)
{
    lt_rfft_free(w->forward);
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        lt_rfft_free(w->inverse[k]);
    ltp_free(w->spectrum);
    ltp_free(w->band);
    ltp_free(w->x);
    ltp_free(w->squares);
}

/* Mean of the squares between two places, which may lie between samples. A sample stands for half a step around it. */
static double mean_between(const double *squares, size_t size, double from, double to)
{
    double sum = 0.0;
    const size_t first = (size_t)fmax(0.0, floor(from + 0.5));
    const size_t last = (size_t)fmax(0.0, floor(to + 0.5));
    for (size_t i = first; i <= last && i < size; i++)
        sum += squares[i] * (fmin(to, (double)i + 0.5) - fmax(from, (double)i - 0.5));
    return sum / (to - from);
}

/* Frames [first, end) of all bands. */
static void measure_chunk(workspace *w, const lt_signal *s, size_t first, size_t end, ltp_stipa_envelope *e)
{
    const double frame = LTP_STIPA_FRAME_S * w->rate_hz; /* in samples */
    const double begin = (double)first * frame - margin_s * w->rate_hz;
    const ptrdiff_t origin = (ptrdiff_t)floor(begin);
    for (size_t i = 0; i < w->n; i++) {
        const ptrdiff_t at = origin + (ptrdiff_t)i;
        w->x[i] = at >= 0 && (size_t)at < s->count ? s->samples[at] : 0.0;
    }
    lt_rfft_forward(w->forward, w->x, w->spectrum);
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        const double ratio = (double)w->size[k] / (double)w->n;
        ltp_sti_octave_filter(w->spectrum, w->n, w->rate_hz / (double)w->n, k, w->band, w->size[k]);
        lt_rfft_inverse(w->inverse[k], w->band, w->squares);
        for (size_t i = 0; i < w->size[k]; i++)
            w->squares[i] *= w->squares[i];
        for (size_t j = first; j < end; j++) {
            const double from = ((double)j * frame - (double)origin) * ratio;
            e->u[k][j] = mean_between(w->squares, w->size[k], from, from + frame * ratio);
        }
    }
}

/* Divide by the median of the means of seconds, so that an event does not set the scale. */
static lt_status normalise(ltp_stipa_envelope *e, lt_error *err)
{
    const size_t second = (size_t)lround(second_s / LTP_STIPA_FRAME_S);
    const size_t count = e->frames / second;
    double *means = ltp_alloc(count + 1, sizeof *means);
    if (means == NULL)
        return ltp_fail_nomem(err, "a STIPA measurement");
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        for (size_t i = 0; i < count; i++)
            means[i] = lt_mean(e->u[k] + i * second, second);
        e->median[k] = count > 0 ? lt_median(means, count) : 0.0;
        if (!(e->median[k] > 0.0)) /* silence for half of the time */
            e->median[k] = lt_mean(e->u[k], e->frames);
        for (size_t j = 0; j < e->frames && e->median[k] > 0.0; j++)
            e->u[k][j] /= e->median[k];
    }
    ltp_free(means);
    return LT_OK;
}

lt_status ltp_stipa_envelope_create(const lt_signal *s, ltp_stipa_envelope **out, lt_error *err)
{
    *out = NULL;
    workspace w = {0};
    const double seconds = (double)s->count / s->rate_hz;
    const size_t chunk = (size_t)lround(chunk_s / LTP_STIPA_FRAME_S);
    ltp_stipa_envelope *e = ltp_alloc(1, sizeof *e);
    if (e == NULL)
        return ltp_fail_nomem(err, "a STIPA measurement");
    e->frames = (size_t)floor(seconds / LTP_STIPA_FRAME_S);
    lt_status status = open_workspace(&w, seconds, s->rate_hz, err);
    for (size_t k = 0; k < LT_STI_BANDS && status == LT_OK; k++) {
        e->u[k] = ltp_alloc(e->frames + 1, sizeof *e->u[k]);
        if (e->u[k] == NULL)
            status = ltp_fail_nomem(err, "a STIPA measurement");
    }
    if (status != LT_OK)
        goto done;
    for (size_t j = 0; j < e->frames; j += chunk)
        measure_chunk(&w, s, j, j + chunk < e->frames ? j + chunk : e->frames, e);
    status = normalise(e, err);
    if (status != LT_OK)
        goto done;
    *out = e;
    e = NULL;
done:
    close_workspace(&w);
    ltp_stipa_envelope_free(e);
    return status;
}

void ltp_stipa_envelope_free(ltp_stipa_envelope *e)
{
    if (e == NULL)
        return;
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        ltp_free(e->u[k]);
    ltp_free(e);
}

/* ---- fit ---- */

enum { UNKNOWNS = 1 + 2 * LT_STIPA_MODULATIONS };

/* Solves a x = b for a symmetric positive matrix; false if it is singular. b becomes x. */
static bool solve(double a[UNKNOWNS][UNKNOWNS], double b[UNKNOWNS])
{
    for (size_t i = 0; i < UNKNOWNS; i++) {
        if (!(a[i][i] > 1e-9 * a[0][0]))
            return false;
        for (size_t r = i + 1; r < UNKNOWNS; r++) {
            const double factor = a[r][i] / a[i][i];
            for (size_t c = i; c < UNKNOWNS; c++)
                a[r][c] -= factor * a[i][c];
            b[r] -= factor * b[i];
        }
    }
    for (size_t i = UNKNOWNS; i-- > 0;) {
        for (size_t c = i + 1; c < UNKNOWNS; c++)
            b[i] -= a[i][c] * b[c];
        b[i] /= a[i][i];
    }
    return true;
}

static void basis(const double *hz, size_t frame, double row[UNKNOWNS])
{
    const double t = ((double)frame + 0.5) * LTP_STIPA_FRAME_S;
    row[0] = 1.0;
    for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++) {
        const double angle = 2.0 * LT_PI * hz[i] * t;
        row[1 + 2 * i] = cos(angle);
        row[2 + 2 * i] = sin(angle);
    }
}

/* Weight of a frame: a half wave over [from, to), so that what fluctuates near a line does not leak into it. */
static double weight_of(size_t frame, size_t from, size_t to)
{
    return sin(LT_PI * ((double)(frame - from) + 0.5) / (double)(to - from));
}

/* What the fit leaves, beside each line but clear of the other: its mean squared amplitude is what noise gives a line.
 */
static void measure_noise(const double *u, const double *hz, size_t from, size_t to, const bool *used, double weights,
                          const double x[UNKNOWNS], ltp_stipa_fit *out)
{
    enum { PLACES = 6 };
    static const double places[PLACES] = {-4.3, -3.3, -2.3, 2.3, 3.3, 4.3}; /* in resolutions of the recording */
    lt_complex sum[LT_STIPA_MODULATIONS][PLACES] = {0};
    const double resolution_hz = 0.5 * LT_PI / (weights * LTP_STIPA_FRAME_S); /* the mean of the half wave is 2 / pi */
    for (size_t j = from; j < to; j++) {
        if (used != NULL && !used[j])
            continue;
        double row[UNKNOWNS];
        double rest = u[j];
        basis(hz, j, row);
        for (size_t i = 0; i < UNKNOWNS; i++)
            rest -= x[i] * row[i];
        rest *= weight_of(j, from, to);
        const double t = ((double)j + 0.5) * LTP_STIPA_FRAME_S;
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++) {
            for (size_t p = 0; p < PLACES; p++) {
                const double angle = 2.0 * LT_PI * (hz[i] + places[p] * resolution_hz) * t;
                sum[i][p].re += rest * cos(angle);
                sum[i][p].im += rest * sin(angle);
            }
        }
    }
    for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++) {
        double power = 0.0;
        for (size_t p = 0; p < PLACES; p++)
            power += lt_complex_power(sum[i][p]) / PLACES;
        out->noise[i] = 4.0 * power / (weights * weights);
    }
}

bool ltp_stipa_fit_band(const ltp_stipa_envelope *e, size_t band, double speed, size_t from, size_t to,
                        const bool *used, bool with_noise, ltp_stipa_fit *out)
{
    double a[UNKNOWNS][UNKNOWNS] = {{0}};
    double b[UNKNOWNS] = {0};
    const double hz[LT_STIPA_MODULATIONS] = {speed * ltp_sti_rows[band].stipa_hz[0],
                                             speed * ltp_sti_rows[band].stipa_hz[1]};
    const double *u = e->u[band];
    size_t count = 0;
    double weights = 0.0;
    *out = (ltp_stipa_fit){0};
    for (size_t j = from; j < to; j++) {
        if (used != NULL && !used[j])
            continue;
        double row[UNKNOWNS];
        basis(hz, j, row);
        const double weight = weight_of(j, from, to);
        for (size_t r = 0; r < UNKNOWNS; r++) {
            for (size_t c = 0; c < UNKNOWNS; c++)
                a[r][c] += weight * row[r] * row[c];
            b[r] += weight * row[r] * u[j];
        }
        weights += weight;
        count++;
    }
    if (count < 2 * UNKNOWNS || !solve(a, b))
        return false;
    out->mean = b[0];
    for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++)
        out->line[i] = (lt_complex){b[1 + 2 * i], b[2 + 2 * i]};
    if (with_noise)
        measure_noise(u, hz, from, to, used, weights, b, out);
    return true;
}
