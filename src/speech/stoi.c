/* SPDX-License-Identifier: MIT
 * Short-time objective intelligibility. STOI: Taal, Hendriks, Heusdens, Jensen, IEEE Trans. Audio Speech Lang. Process.
 * 19 (2011) 2125. ESTOI: Jensen, Taal, IEEE/ACM Trans. Audio Speech Lang. Process. 24 (2016) 2009. Both at 10 kHz. */
#include "speech/stoi.h"
#include "base/alloc.h"

#include <float.h>
#include <math.h>
#include <string.h>

enum { FRAME = 256, HOP = FRAME / 2, FFT = 512, BINS = FFT / 2 + 1, BANDS = 15, SEGMENT = 30 };
static const double lowest_band_hz = 150.0; /* centre of the first one-third octave */
static const double dynamic_range_db = 40.0;
static const double clip_db = -15.0; /* least signal-to-distortion ratio of a cell */
static const double lowest_rate_hz = 8000.0;
static const double short_s = 3.0;

/* Hann without its zeros at the ends: their frames are divided by nothing and added up again. */
static void make_window(double *w)
{
    for (int i = 0; i < FRAME; i++)
        w[i] = 0.5 - 0.5 * cos(2.0 * LT_PI * (i + 1) / (FRAME + 1));
}

/* Frames [start, start + FRAME) with start + FRAME < count, as in the authors' publication. */
static size_t frames_in(size_t count)
{
    return count > FRAME ? (count - FRAME - 1) / HOP + 1 : 0;
}

/* Leave out the frames whose reference is more than 40 dB under its loudest one; add up the others. New count. */
static lt_status drop_silence(double *x, double *y, size_t *count, lt_error *err)
{
    double window[FRAME];
    const size_t frames = frames_in(*count);
    double *energy = ltp_alloc(frames + 1, sizeof *energy);
    double *kept_x = ltp_alloc(*count + 1, sizeof *kept_x);
    double *kept_y = ltp_alloc(*count + 1, sizeof *kept_y);
    lt_status status = LT_OK;
    double most = 0.0;
    size_t kept = 0;
    make_window(window);
    if (energy == NULL || kept_x == NULL || kept_y == NULL) {
        status = ltp_fail_nomem(err, "STOI");
        goto done;
    }
    for (size_t f = 0; f < frames; f++) {
        for (size_t i = 0; i < FRAME; i++)
            energy[f] += window[i] * x[f * HOP + i] * window[i] * x[f * HOP + i];
        most = fmax(most, energy[f]);
    }
    for (size_t f = 0; f < frames; f++) {
        if (!(energy[f] > most * lt_power_from_db(-dynamic_range_db)))
            continue;
        for (size_t i = 0; i < FRAME; i++) {
            kept_x[kept * HOP + i] += window[i] * x[f * HOP + i];
            kept_y[kept * HOP + i] += window[i] * y[f * HOP + i];
        }
        kept++;
    }
    *count = kept > 0 ? (kept - 1) * HOP + FRAME : 0;
    memcpy(x, kept_x, *count * sizeof *x);
    memcpy(y, kept_y, *count * sizeof *y);
done:
    ltp_free(energy);
    ltp_free(kept_x);
    ltp_free(kept_y);
    return status;
}

static size_t nearest_bin(double hz)
{
    return (size_t)lround(hz * FFT / LTP_STOI_RATE_HZ);
}

/* cells[frames][BANDS]: magnitude of each one-third octave in each frame. */
static lt_status make_cells(const double *x, size_t frames, double *cells, lt_error *err)
{
    double window[FRAME], frame[FRAME];
    lt_complex spectrum[BINS];
    lt_rfft *fft = NULL;
    lt_status status = lt_rfft_create(FFT, &fft, err);
    make_window(window);
    for (size_t f = 0; status == LT_OK && f < frames; f++) {
        for (size_t i = 0; i < FRAME; i++)
            frame[i] = window[i] * x[f * HOP + i];
        lt_rfft_forward_padded(fft, frame, FRAME, spectrum);
        for (int b = 0; b < BANDS; b++) {
            const size_t from = nearest_bin(lowest_band_hz * exp2((2.0 * b - 1.0) / 6.0));
            const size_t to = nearest_bin(lowest_band_hz * exp2((2.0 * b + 1.0) / 6.0));
            double power = 0.0;
            for (size_t k = from; k < to; k++)
                power += lt_complex_power(spectrum[k]);
            cells[f * BANDS + (size_t)b] = sqrt(power);
        }
    }
    lt_rfft_free(fft);
    return status;
}

/* ---- one segment: [SEGMENT][BANDS] of the reference and of the recording ---- */

typedef double segment[SEGMENT][BANDS];

/* Correlation coefficient of a band's course with its clipped, level-matched counterpart. */
static double band_correlation(segment x, segment y, size_t band)
{
    double xx = 0.0, yy = 0.0;
    for (size_t n = 0; n < SEGMENT; n++) {
        xx += x[n][band] * x[n][band];
        yy += y[n][band] * y[n][band];
    }
    const double gain = yy > 0.0 ? sqrt(xx / yy) : 0.0;
    const double most = 1.0 + lt_amplitude_from_db(-clip_db);
    double clipped[SEGMENT];
    double mean_x = 0.0, mean_y = 0.0;
    for (size_t n = 0; n < SEGMENT; n++) {
        clipped[n] = fmin(gain * y[n][band], most * x[n][band]);
        mean_x += x[n][band] / SEGMENT;
        mean_y += clipped[n] / SEGMENT;
    }
    double sum_xy = 0.0, sum_xx = 0.0, sum_yy = 0.0;
    for (size_t n = 0; n < SEGMENT; n++) {
        const double a = x[n][band] - mean_x;
        const double b = clipped[n] - mean_y;
        sum_xy += a * b;
        sum_xx += a * a;
        sum_yy += b * b;
    }
    const double product = sqrt(sum_xx) * sqrt(sum_yy);
    return product > 0.0 ? sum_xy / product : 0.0;
}

/* Mean out, norm to one; what does not vary becomes zero. */
static void normalise(double *x, size_t count, size_t stride)
{
    double mean = 0.0, square = 0.0, sum = 0.0;
    for (size_t i = 0; i < count; i++) {
        mean += x[i * stride] / (double)count;
        square += x[i * stride] * x[i * stride];
    }
    for (size_t i = 0; i < count; i++) {
        x[i * stride] -= mean;
        sum += x[i * stride] * x[i * stride];
    }
    const double scale = sum > DBL_EPSILON * DBL_EPSILON * square && sum > 0.0 ? 1.0 / sqrt(sum) : 0.0;
    for (size_t i = 0; i < count; i++)
        x[i * stride] *= scale;
}

static double spectral_correlation(segment x, segment y)
{
    double sum = 0.0;
    for (size_t b = 0; b < BANDS; b++) {
        normalise(&x[0][b], SEGMENT, BANDS);
        normalise(&y[0][b], SEGMENT, BANDS);
    }
    for (size_t n = 0; n < SEGMENT; n++) {
        normalise(x[n], BANDS, 1);
        normalise(y[n], BANDS, 1);
        for (size_t b = 0; b < BANDS; b++)
            sum += x[n][b] * y[n][b];
    }
    return sum / SEGMENT;
}

static void average_segments(const double *x, const double *y, size_t frames, lt_stoi_result *out)
{
    segment a, b;
    const size_t count = frames - SEGMENT + 1;
    out->stoi = out->estoi = 0.0;
    for (size_t s = 0; s < count; s++) {
        memcpy(a, x + s * BANDS, sizeof a);
        memcpy(b, y + s * BANDS, sizeof b);
        double sum = 0.0;
        for (size_t band = 0; band < BANDS; band++)
            sum += band_correlation(a, b, band);
        out->stoi += sum / BANDS / (double)count;
        out->estoi += spectral_correlation(a, b) / (double)count;
    }
}

static double seconds_of(const lt_signal *s)
{
    return (double)s->count / s->rate_hz;
}

static lt_status check_length(size_t count, lt_error *err)
{
    if (frames_in(count) >= SEGMENT)
        return LT_OK;
    return ltp_fail(err, LT_E_ARG, "only %.2f s of speech to compare: STOI needs %d frames, 0.4 s; record more of it",
                    (double)count / LTP_STOI_RATE_HZ, (int)SEGMENT);
}

/* x, y [count] at 10 kHz; both are changed. */
static lt_status evaluate(double *x, double *y, size_t count, lt_stoi_result *out, lt_error *err)
{
    double *cells = NULL;
    lt_status status = drop_silence(x, y, &count, err);
    const size_t frames = frames_in(count);
    out->seconds = (double)count / LTP_STOI_RATE_HZ;
    if (status == LT_OK)
        status = check_length(count, err);
    if (status == LT_OK) {
        cells = ltp_alloc(2 * frames, BANDS * sizeof *cells);
        if (cells == NULL)
            status = ltp_fail_nomem(err, "STOI");
    }
    if (status == LT_OK)
        status = make_cells(x, frames, cells, err);
    if (status == LT_OK)
        status = make_cells(y, frames, cells + frames * BANDS, err);
    if (status == LT_OK)
        average_segments(cells, cells + frames * BANDS, frames, out);
    if (status == LT_OK && !(lt_is_known(out->stoi) && lt_is_known(out->estoi)))
        status = ltp_fail(err, LT_E_ARG, "the reference or the recording holds samples that are no finite number");
    ltp_free(cells);
    return status;
}

/* A constant offset is no sound; nor is what rounding leaves of one. */
static bool is_silent(const lt_signal *s)
{
    const double mean = lt_mean(s->samples, s->count);
    double largest = 0.0;
    for (size_t i = 0; i < s->count; i++)
        largest = fmax(largest, fabs(s->samples[i] - mean));
    return !(largest > 1e-12 * fabs(mean));
}

lt_status lt_stoi_check(const lt_signal *s, const char *what, lt_error *err)
{
    if (!(s->rate_hz >= lowest_rate_hz))
        return ltp_fail(err, LT_E_ARG, "%s: sample rate %g Hz; STOI needs at least %g Hz", what, s->rate_hz,
                        lowest_rate_hz);
    if (s->count == 0)
        return ltp_fail(err, LT_E_SNR, "%s is empty: nothing to compare", what);
    if (!isfinite(lt_signal_rms(s)))
        return ltp_fail(err, LT_E_ARG, "%s holds samples that are no finite number", what);
    return is_silent(s) ? ltp_fail(err, LT_E_SNR, "%s is silence: nothing to compare", what) : LT_OK;
}

static lt_status check(const lt_signal *s, const char *what, lt_stoi_result *out, lt_error *err)
{
    const double top_hz = lowest_band_hz * exp2((2.0 * BANDS - 1.0) / 6.0);
    const lt_status status = lt_stoi_check(s, what, err);
    if (status == LT_OK && 0.5 * s->rate_hz < top_hz)
        lt_notes_add(&out->notes, "band-limited",
                     "%s has a sample rate of %g Hz: the highest band of STOI (up to %.0f Hz) is not all there", what,
                     s->rate_hz, top_hz);
    return status;
}

/* The signal at 10 kHz, its clock faster by `drift` undone. */
static lt_status at_work_rate(const lt_signal *s, double drift, lt_signal **out, lt_error *err)
{
    const lt_signal retimed = {.samples = s->samples, .count = s->count, .rate_hz = s->rate_hz * (1.0 + drift)};
    return lt_resample(&retimed, LTP_STOI_RATE_HZ, out, err);
}

/* Both are fit for it; *x: the reference at 10 kHz. */
static lt_status begin(const lt_signal *reference, const lt_signal *recording, lt_signal **x, lt_stoi_result *out,
                       lt_error *err)
{
    *out = (lt_stoi_result){.delay_ms = NAN, .drift_ppm = NAN};
    lt_status status = check(reference, "the reference", out, err);
    if (status == LT_OK)
        status = check(recording, "the recording", out, err);
    if (status == LT_OK)
        status = at_work_rate(reference, 0.0, x, err);
    return status;
}

lt_status lt_stoi(const lt_signal *reference, const lt_signal *recording, lt_stoi_result *out, lt_error *err)
{
    lt_signal *x = NULL;
    lt_signal *y = NULL;
    lt_status status = begin(reference, recording, &x, out, err);
    if (status == LT_OK)
        status = at_work_rate(recording, 0.0, &y, err);
    if (status == LT_OK)
        status = evaluate(x->samples, y->samples, x->count < y->count ? x->count : y->count, out, err);
    lt_signal_free(x);
    lt_signal_free(y);
    return status;
}

/* What both hold, the reference beginning at frame `lag` of the recording. */
static lt_status evaluate_at(lt_signal *x, lt_signal *y, double lag, lt_stoi_result *out, lt_error *err)
{
    const ptrdiff_t shift = (ptrdiff_t)llround(lag);
    const size_t skip_x = shift < 0 ? (size_t)-shift : 0;
    const size_t skip_y = shift > 0 ? (size_t)shift : 0;
    if (skip_x >= x->count || skip_y >= y->count)
        return ltp_fail(err, LT_E_SNR, "the reference is not in the recording");
    const size_t left_x = x->count - skip_x;
    const size_t left_y = y->count - skip_y;
    const size_t count = left_x < left_y ? left_x : left_y;
    const double missing_s = (double)(x->count - count) / LTP_STOI_RATE_HZ;
    if (missing_s > 0.05)
        lt_notes_add(&out->notes, "reference-cut", "%.1f s of the reference lie outside the recording and do not count",
                     missing_s);
    return evaluate(x->samples + skip_x, y->samples + skip_y, count, out, err);
}

/* *y: the recording at 10 kHz, its clock drift undone. A large drift smears the correlation it is found by, so that it
 * is looked for a second time in what the first correction leaves. */
static lt_status align(const lt_signal *x, const lt_signal *recording, lt_signal **y, ltp_stoi_place *out,
                       lt_error *err)
{
    enum { ROUNDS = 2 };
    *out = (ltp_stoi_place){0};
    lt_status status = at_work_rate(recording, 0.0, y, err);
    for (int round = 0; status == LT_OK && round < ROUNDS; round++) {
        ltp_stoi_place place;
        status = ltp_stoi_find(x, *y, &place, err);
        if (status != LT_OK)
            break;
        out->lag = place.lag * (1.0 + out->drift);
        out->drift_known = place.drift_known;
        if (!place.drift_known)
            break;
        out->drift = (1.0 + out->drift) * (1.0 + place.drift) - 1.0;
        lt_signal_free(*y);
        *y = NULL;
        status = at_work_rate(recording, out->drift, y, err);
    }
    return status;
}

lt_status lt_stoi_measure(const lt_signal *reference, const lt_signal *recording, lt_stoi_result *out, lt_error *err)
{
    ltp_stoi_place place = {0};
    lt_signal *x = NULL;
    lt_signal *y = NULL;
    lt_status status = begin(reference, recording, &x, out, err);
    if (status == LT_OK)
        status = check_length((size_t)fmin((double)x->count, seconds_of(recording) * LTP_STOI_RATE_HZ), err);
    if (status == LT_OK)
        status = align(x, recording, &y, &place, err);
    if (status == LT_OK) {
        if (place.drift_known)
            out->drift_ppm = 1e6 * place.drift;
        out->delay_ms = 1e3 * place.lag / LTP_STOI_RATE_HZ;
        status = evaluate_at(x, y, place.lag / (1.0 + place.drift), out, err);
    }
    if (status == LT_OK && out->seconds < short_s)
        lt_notes_add(&out->notes, "reference-short",
                     "Only %.1f s of speech were compared; for a steady STOI play some sentences", out->seconds);
    lt_signal_free(x);
    lt_signal_free(y);
    return status;
}
