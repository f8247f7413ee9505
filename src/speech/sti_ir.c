/* SPDX-License-Identifier: MIT
 * Modulation transfer of an impulse response: Schroeder, "Modulation transfer functions: definition and measurement",
 * Acustica 49 (1981). m(F) = |sum h^2 exp(-j 2 pi F t)| / sum h^2 with h limited to one octave.
 *
 * A filter rings, and its own ringing would look like the path's (at 125 Hz and 12.5 Hz as much as an SNR of 8 dB). In
 * the frequency domain m is the correlation of H(f) with H(f + F), each weighted with the filter G: what the filter
 * takes is the share of |H|^2 whose partner at a distance of F lies outside of it. The correlation is therefore
 * referred to the energies under G(f) G(f + F) instead of G(f)^2: an ideal path has m = 1, a decaying tone loses
 * nothing. */
#include "base/alloc.h"
#include "speech/sti_octave.h"
#include "speech/sti_tables.h"

#include <math.h>
#include <string.h>

static const double lowest_rate_hz = 16000.0;
static const double longest_s = 60.0;
static const double pad_s = 0.3; /* before the response, for what the filters ring before it */
static const double block_s = 0.016;
static const double decaying_db = 4.0; /* from one quarter to the next: the end is no noise but still the decay */
static const double above_noise = 4.0; /* power: blocks that count as response */
static const double low_snr_db = 15.0;
static const double tail_share = 0.005; /* of the energy, cut off by the end of the file: worth a note */
static const double empty_share = 1e-7; /* of the densest octave's energy per hertz: nothing went through */
enum { FEWEST_BLOCKS = 12 };

typedef struct {
    lt_rfft *forward;
    lt_complex *spectrum, *band; /* [n / 2 + 1] */
    double *padded, *squares;    /* [n] */
    size_t n, pad, count;        /* the response lies in [pad, pad + count) */
    double rate_hz;
} workspace;

static lt_status open_workspace(workspace *w, size_t count, double rate_hz, lt_error *err)
{
    w->pad = (size_t)lround(pad_s * rate_hz);
    w->count = count;
    w->rate_hz = rate_hz;
    w->n = 64 * lt_rfft_good_size((count + 2 * w->pad) / 64 + 1);
    w->spectrum = ltp_alloc(w->n / 2 + 1, sizeof *w->spectrum);
    w->band = ltp_alloc(w->n / 2 + 1, sizeof *w->band);
    w->padded = ltp_alloc(w->n, sizeof *w->padded);
    w->squares = ltp_alloc(w->n, sizeof *w->squares);
    if (w->spectrum == NULL || w->band == NULL || w->padded == NULL || w->squares == NULL)
        return ltp_fail_nomem(err, "a modulation transfer");
    return lt_rfft_create(w->n, &w->forward, err);
}

static void close_workspace(workspace *w)
{
    lt_rfft_free(w->forward);
    ltp_free(w->spectrum);
    ltp_free(w->band);
    ltp_free(w->padded);
    ltp_free(w->squares);
}

/* Squares of the response in one octave, in w->squares: *size values at *rate_hz. */
static lt_status band_squares(workspace *w, size_t band, size_t *size, double *rate_hz, lt_error *err)
{
    lt_rfft *inverse = NULL;
    *size = ltp_sti_octave_size(w->n, w->rate_hz, band);
    *rate_hz = w->rate_hz * (double)*size / (double)w->n;
    const lt_status status = lt_rfft_create(*size, &inverse, err);
    if (status != LT_OK)
        return status;
    ltp_sti_octave_filter(w->spectrum, w->n, w->rate_hz / (double)w->n, band, w->band, *size);
    lt_rfft_inverse(inverse, w->band, w->squares);
    for (size_t i = 0; i < *size; i++)
        w->squares[i] *= w->squares[i];
    lt_rfft_free(inverse);
    return LT_OK;
}

/* m at each modulation frequency of the squares in [from, to). */
static void modulation(const double *squares, size_t from, size_t to, double rate_hz, double *m)
{
    double sum = 0.0;
    for (size_t i = from; i < to; i++)
        sum += squares[i];
    for (size_t f = 0; f < LT_STI_MODULATIONS; f++) {
        const lt_complex x = lt_dtft(squares + from, to - from, rate_hz, ltp_sti_modulation_hz[f]);
        m[f] = sum > 0.0 ? fmax(0.0, sqrt(lt_complex_power(x)) / sum) : 0.0;
    }
}

/* ---- what of a band is the response, what is noise ---- */

typedef struct {
    double noise;    /* mean square */
    size_t from, to; /* samples that hold the response */
    double energy;   /* without the noise */
    double peak;     /* mean square of the loudest block */
    double lost;     /* energy that lies beyond the end, as far as the decay tells */
} extent;

static double block_mean(const double *squares, size_t block, size_t length)
{
    return lt_sum(squares + block * length, length) / (double)length;
}

static double mean_of_blocks(const double *squares, size_t from, size_t to, size_t length)
{
    return lt_sum(squares + from * length, (to - from) * length) / (double)((to - from) * length);
}

/* Noise from the last quarters after the peak, unless the decay still goes on there. */
static void find_noise(const double *squares, size_t peak, size_t end, size_t length, extent *e)
{
    const size_t quarter = (end - peak) / 4;
    if (end - peak < FEWEST_BLOCKS)
        return;
    const double third = mean_of_blocks(squares, end - 2 * quarter, end - quarter, length);
    const double fourth = mean_of_blocks(squares, end - quarter, end, length);
    const double drop = fourth > 0.0 ? third / fourth : 0.0;
    if (drop <= 0.0)
        return;
    if (drop < lt_power_from_db(decaying_db))
        e->noise = fmin(third, fourth);
    else /* an exponential decay that goes on: what is left after its last quarter */
        e->lost = fourth / sqrt(drop) * (double)(quarter * length) / log(drop);
}

/* Blocks of the response stand above the noise; everything between the first and the last of them belongs to it, so a
 * late echo does too. first, end: blocks that the file fills. */
static void find_extent(const double *squares, size_t first, size_t end, size_t length, extent *e)
{
    size_t peak = first;
    *e = (extent){0};
    for (size_t b = first; b < end; b++) {
        const double mean = block_mean(squares, b, length);
        if (mean > e->peak) {
            e->peak = mean;
            peak = b;
        }
    }
    find_noise(squares, peak, end, length, e);
    size_t from = first;
    size_t to = end;
    if (e->noise > 0.0) {
        const double limit = above_noise * e->noise;
        while (from + 3 < peak && mean_of_blocks(squares, from, from + 3, length) < limit)
            from++;
        while (to > peak + 3 && mean_of_blocks(squares, to - 3, to, length) < limit)
            to--;
    }
    e->from = from * length;
    e->to = to * length;
    for (size_t i = e->from; i < e->to; i++)
        e->energy += squares[i] - e->noise;
}

static void note_band(size_t band, const extent *e, double nyquist_hz, lt_notes *notes)
{
    const double hz = ltp_sti_rows[band].nominal_hz;
    if (e->noise > 0.0 && e->peak < e->noise * lt_power_from_db(low_snr_db))
        lt_notes_add(notes, "low-snr",
                     "At %g Hz the impulse response stands only %.0f dB above its noise: its modulation transfer is "
                     "uncertain; measure it louder or longer.",
                     hz, lt_db_from_power(e->peak / e->noise));
    if (e->lost > tail_share * (e->energy + e->lost))
        lt_notes_add(
            notes, "ir-short",
            "At %g Hz the impulse response ends before it has decayed (%.1f %% of its energy is missing): keep "
            "at least 1.6 s and half the reverberation time.",
            hz, 100.0 * e->lost / (e->energy + e->lost));
    if (lt_octave((int)band - 3).upper_hz > 1.02 * nyquist_hz)
        lt_notes_add(notes, "band-limited",
                     "The sample rate ends inside the octave of %g Hz: its figure stands for the part below %.0f Hz.",
                     hz, nyquist_hz);
}

/* One octave: m of the response, of which the filter's share is taken off later. *density: energy per hertz. */
static lt_status measure_band(workspace *w, size_t band, double *m, double *density, lt_notes *notes, lt_error *err)
{
    size_t size = 0;
    double rate_hz = 0.0;
    const lt_status status = band_squares(w, band, &size, &rate_hz, err);
    if (status != LT_OK)
        return status;
    const double ratio = (double)size / (double)w->n;
    const double ring = ltp_sti_octave_ring_s(band) * w->rate_hz;
    const size_t length = (size_t)fmax(1.0, round(block_s * rate_hz));
    const double begin = fmax(0.0, (double)w->pad - ring) * ratio;
    const double stop = fmin((double)w->n, (double)(w->pad + w->count)) * ratio;
    extent e;
    const size_t end = (size_t)ceil(stop / (double)length);
    find_extent(w->squares, (size_t)begin / length, end, length, &e);
    if (e.to == end * length) /* what the filter still rings after the end */
        e.to = (size_t)fmin((double)size, (double)e.to + ring * ratio);
    for (size_t i = e.from; i < e.to; i++)
        w->squares[i] -= e.noise;
    modulation(w->squares, e.from, e.to, rate_hz, m);
    const lt_band octave = lt_octave((int)band - 3);
    *density = fmax(0.0, e.energy) / (rate_hz * (octave.upper_hz - octave.lower_hz));
    if (e.energy > 0.0)
        note_band(band, &e, 0.5 * w->rate_hz, notes);
    return LT_OK;
}

/* ---- all octaves ---- */

/* What the filter alone leaves of m at each modulation frequency, given how the path spreads its energy over the
 * octave: 1 for a line in its middle, the filter's own m for a flat spectrum. */
static void filter_share(const workspace *w, size_t band, double *share)
{
    const double bin_hz = w->rate_hz / (double)w->n;
    const lt_band octave = lt_octave((int)band - 3);
    const size_t first = (size_t)floor(0.5 * octave.lower_hz / bin_hz);
    const size_t last = (size_t)fmin((double)w->n / 2.0, ceil(2.0 * octave.upper_hz / bin_hz));
    double energy = 0.0;
    double above[LT_STI_MODULATIONS] = {0};
    double below[LT_STI_MODULATIONS] = {0};
    for (size_t k = first; k <= last; k++) {
        const double hz = (double)k * bin_hz;
        const double gain = ltp_sti_octave_gain(band, hz);
        const double power = gain * lt_complex_power(w->spectrum[k]);
        energy += power * gain;
        for (size_t f = 0; f < LT_STI_MODULATIONS; f++) {
            above[f] += power * ltp_sti_octave_gain(band, hz + ltp_sti_modulation_hz[f]);
            below[f] += power * ltp_sti_octave_gain(band, hz - ltp_sti_modulation_hz[f]);
        }
    }
    for (size_t f = 0; f < LT_STI_MODULATIONS; f++)
        share[f] = energy > 0.0 ? sqrt(above[f] * below[f]) / energy : 1.0;
}

static lt_status check_ir(const lt_ir *ir, lt_error *err)
{
    if (!(ir->rate_hz >= lowest_rate_hz))
        return ltp_fail(err, LT_E_ARG,
                        "sample rate %g Hz: STI needs the octaves up to 8 kHz; record at 24000 Hz or more",
                        ir->rate_hz);
    if ((double)ir->count > longest_s * ir->rate_hz)
        return ltp_fail(err, LT_E_ARG, "%.0f s long: no impulse response; make one with 'lanetune response --ir'",
                        (double)ir->count / ir->rate_hz);
    double sum = 0.0;
    for (size_t i = 0; i < ir->count; i++)
        sum += ir->samples[i] * ir->samples[i];
    if (!(sum > 0.0) || !isfinite(sum))
        return ltp_fail(err, LT_E_SNR, "the impulse response is %s: nothing to evaluate",
                        sum > 0.0 ? "not finite" : "silent");
    return LT_OK;
}

static lt_status measure_octaves(const lt_ir *ir, double m[LT_STI_BANDS][LT_STI_MODULATIONS], lt_notes *notes,
                                 lt_error *err)
{
    double density[LT_STI_BANDS] = {0};
    double densest = 0.0;
    workspace w = {0};
    lt_status status = open_workspace(&w, ir->count, ir->rate_hz, err);
    if (status == LT_OK) {
        memcpy(w.padded + w.pad, ir->samples, ir->count * sizeof *ir->samples);
        lt_rfft_forward(w.forward, w.padded, w.spectrum);
    }
    for (size_t k = 0; k < LT_STI_BANDS && status == LT_OK; k++) {
        status = measure_band(&w, k, m[k], &density[k], notes, err);
        densest = fmax(densest, density[k]);
    }
    for (size_t k = 0; k < LT_STI_BANDS && status == LT_OK; k++) {
        const bool empty = !(density[k] > empty_share * densest);
        if (empty)
            lt_notes_add(
                notes, "empty-band",
                "The path passes nothing at %g Hz, or the stimulus did not reach it: counted as no modulation.",
                ltp_sti_rows[k].nominal_hz);
        double share[LT_STI_MODULATIONS];
        filter_share(&w, k, share);
        for (size_t i = 0; i < LT_STI_MODULATIONS; i++)
            m[k][i] = empty ? 0.0 : fmin(1.0, m[k][i] / share[i]);
    }
    close_workspace(&w);
    return status;
}

lt_status lt_sti_from_ir(const lt_ir *ir, const lt_sti_options *opt, lt_sti_result *out, lt_error *err)
{
    double m[LT_STI_BANDS][LT_STI_MODULATIONS];
    lt_notes notes = {.count = 0};
    memset(out, 0, sizeof *out);
    lt_status status = check_ir(ir, err);
    if (status == LT_OK)
        status = measure_octaves(ir, m, &notes, err);
    if (status == LT_OK)
        status = lt_sti_from_mtf(m, LT_STI_IMPULSE_RESPONSE, opt, out, err);
    if (status == LT_OK)
        lt_notes_append(&out->notes, &notes);
    return status;
}
