/* SPDX-License-Identifier: MIT
 * The STIPA test signal, IEC 60268-16:2020: a half-octave pink carrier in the middle of each octave, its intensity
 * modulated as 0.5 (1 + 0.55 (sin 2 pi f1 t - sin 2 pi f2 t)), the octaves in the male speech spectrum.
 *
 * A carrier of noise fluctuates by itself, and slowly enough to be taken for modulation: 44 Hz wide and 20 s long, it
 * shows m = 0.05 where there is none. Two things prevent that:
 *
 * The carriers are combs of lines 8 f1 / p apart (about 1.8 Hz; p odd), with random phases. Their lines beat at
 * multiples of that distance only, whatever a path does to the lines, and no such multiple falls on a frequency that
 * the measurement looks at: f1, f2 = 5 f1, and those that mix to them, 2 f1, 4 f1, 6 f1, 10 f1.
 *
 * The phases are changed until the beats are weak (after Pumplin, "Low-noise noise", J. Acoust. Soc. Am. 78 (1985)):
 * divide by the root of the smoothed intensity, limit to the lines again, and once more. */
#include "base/alloc.h"
#include "speech/sti_octave.h"
#include "speech/sti_tables.h"

#include <math.h>

static const double modulation_index = 0.55;
static const double half_carrier =
    1.1885022274370185;               /* 10^(0.3 / 4): from the mid-band to the edge of a half octave */
static const double smooth_hz = 30.0; /* fluctuations slower than this are removed */
static const double fade_s = 0.01;
static const double carrier_s = 30.0;                                 /* longer signals repeat their carriers */
static const int comb_divisor[LT_STI_BANDS] = {7, 5, 3, 9, 5, 3, 11}; /* p */
enum { ROUNDS = 12, FLATTENED_BANDS = 5 /* above 2 kHz the carriers are wide enough */ };

lt_stipa_options lt_stipa_default_options(void)
{
    return (lt_stipa_options){.rate_hz = 48000.0, .seconds = 20.0, .rms_dbfs = -20.0, .seed = 1};
}

/* One carrier at a low rate: size samples that last as long as the whole signal. */
typedef struct {
    lt_rfft *fft;
    lt_complex *spectrum, *smooth; /* [size / 2 + 1] */
    double *x, *intensity;         /* [size] */
    size_t size;
    double bin_hz;
    size_t last; /* highest line */
    bool *line;  /* [size / 2 + 1] bins of the comb */
} carrier;

static void choose_lines(carrier *c, size_t band)
{
    const double mid_hz = lt_octave((int)band - 3).exact_hz;
    const double distance_hz = 8.0 * ltp_sti_rows[band].stipa_hz[0] / comb_divisor[band];
    for (double hz = mid_hz / half_carrier; hz <= mid_hz * half_carrier; hz += distance_hz) {
        c->last = (size_t)lround(hz / c->bin_hz);
        c->line[c->last] = true;
    }
}

static lt_status open_carrier(carrier *c, size_t n, double rate_hz, size_t band, lt_error *err)
{
    c->size = ltp_sti_octave_size(n, rate_hz, band);
    c->bin_hz = rate_hz / (double)n;
    c->spectrum = ltp_alloc(c->size / 2 + 1, sizeof *c->spectrum);
    c->smooth = ltp_alloc(c->size / 2 + 1, sizeof *c->smooth);
    c->x = ltp_alloc(c->size, sizeof *c->x);
    c->intensity = ltp_alloc(c->size, sizeof *c->intensity);
    c->line = ltp_alloc(c->size / 2 + 1, sizeof *c->line);
    if (c->spectrum == NULL || c->smooth == NULL || c->x == NULL || c->intensity == NULL || c->line == NULL)
        return ltp_fail_nomem(err, "a STIPA signal");
    choose_lines(c, band);
    return lt_rfft_create(c->size, &c->fft, err);
}

static void close_carrier(carrier *c)
{
    lt_rfft_free(c->fft);
    ltp_free(c->spectrum);
    ltp_free(c->smooth);
    ltp_free(c->x);
    ltp_free(c->intensity);
    ltp_free(c->line);
}

/* Pink: power falls with the frequency. Keeps the phases, sets the magnitudes, clears everything outside. */
static void shape(carrier *c)
{
    for (size_t k = 0; k <= c->size / 2; k++) {
        const double magnitude = sqrt(lt_complex_power(c->spectrum[k]));
        const bool inside = c->line[k] && magnitude > 0.0;
        const double gain = inside ? (double)c->size / (sqrt((double)k) * magnitude) : 0.0;
        c->spectrum[k].re *= gain;
        c->spectrum[k].im *= gain;
    }
}

/* Divide x by the root of its smoothed intensity. */
static void flatten(carrier *c)
{
    double mean = 0.0;
    for (size_t i = 0; i < c->size; i++) {
        c->intensity[i] = c->x[i] * c->x[i];
        mean += c->intensity[i] / (double)c->size;
    }
    lt_rfft_forward(c->fft, c->intensity, c->smooth);
    for (size_t k = 0; k <= c->size / 2; k++) {
        const double hz = (double)k * c->bin_hz;
        const double gain = exp(-0.5 * (hz / smooth_hz) * (hz / smooth_hz)); /* Gaussian: stays positive in time */
        c->smooth[k].re *= gain;
        c->smooth[k].im *= gain;
    }
    lt_rfft_inverse(c->fft, c->smooth, c->intensity);
    for (size_t i = 0; i < c->size; i++)
        c->x[i] /= sqrt(fmax(c->intensity[i], 0.05 * mean));
}

static void make_carrier(carrier *c, size_t band, lt_rng *rng)
{
    for (size_t k = 0; k <= c->last; k++) {
        const double phase = 2.0 * LT_PI * lt_rng_uniform(rng);
        c->spectrum[k] = (lt_complex){cos(phase), sin(phase)};
    }
    shape(c);
    for (int i = 0; i < ROUNDS && band < FLATTENED_BANDS; i++) {
        lt_rfft_inverse(c->fft, c->spectrum, c->x);
        flatten(c);
        lt_rfft_forward(c->fft, c->x, c->spectrum);
        shape(c);
    }
}

/* Amplitude of the modulation of one band at time t. */
static double envelope(size_t band, double t)
{
    const double *hz = ltp_sti_rows[band].stipa_hz;
    const double difference = sin(2.0 * LT_PI * fmod(hz[0] * t, 1.0)) - sin(2.0 * LT_PI * fmod(hz[1] * t, 1.0));
    return sqrt(fmax(0.0, 0.5 * (1.0 + modulation_index * difference)));
}

/* Add the modulated carrier of one band to out[count]. The carrier repeats after n samples, without a seam. */
static void add_band(const double *wide, size_t n, size_t count, double rate_hz, size_t band, double *out)
{
    double power = 0.0;
    for (size_t i = 0; i < n; i++)
        power += wide[i] * wide[i];
    if (!(power > 0.0)) /* so short that the carrier has no bin of its own */
        return;
    const double mean_intensity = 0.5; /* of the modulation */
    const double gain = sqrt(lt_power_from_db(ltp_sti_rows[band].speech_db) * (double)n / (power * mean_intensity));
    for (size_t i = 0; i < count; i++)
        out[i] += gain * wide[i % n] * envelope(band, (double)i / rate_hz);
}

static lt_status add_bands(const lt_stipa_options *opt, size_t count, double *out, lt_error *err)
{
    const double period_s = fmin(carrier_s, (double)count / opt->rate_hz);
    const size_t n = 64 * lt_rfft_good_size((size_t)(period_s * opt->rate_hz) / 64 + 1);
    double *wide = ltp_alloc(n, sizeof *wide);
    lt_complex *spectrum = ltp_alloc(n / 2 + 1, sizeof *spectrum);
    lt_rfft *fft = NULL;
    lt_rng rng = {opt->seed};
    lt_status status = LT_OK;
    if (wide == NULL || spectrum == NULL)
        status = ltp_fail_nomem(err, "a STIPA signal");
    else
        status = lt_rfft_create(n, &fft, err);
    for (size_t band = 0; band < LT_STI_BANDS && status == LT_OK; band++) {
        carrier c = {0};
        status = open_carrier(&c, n, opt->rate_hz, band, err);
        if (status == LT_OK) {
            make_carrier(&c, band, &rng);
            for (size_t k = 0; k <= n / 2; k++)
                spectrum[k] = k <= c.last ? c.spectrum[k] : (lt_complex){0};
            lt_rfft_inverse(fft, spectrum, wide);
            add_band(wide, n, count, opt->rate_hz, band, out);
        }
        close_carrier(&c);
    }
    lt_rfft_free(fft);
    ltp_free(spectrum);
    ltp_free(wide);
    return status;
}

static lt_status check_options(const lt_stipa_options *o, lt_error *err)
{
    if (!(o->rate_hz >= 22050.0 && o->rate_hz <= 192000.0))
        return ltp_fail(err, LT_E_ARG,
                        "sample rate %g Hz is out of range; it must be 22050 to 192000 Hz for the octave of 8 kHz",
                        o->rate_hz);
    if (!(o->seconds >= 1.0 && o->seconds <= 3600.0))
        return ltp_fail(err, LT_E_ARG, "length %g s is out of range; it must be 1 to 3600 s", o->seconds);
    if (!(o->rms_dbfs <= 0.0) || isinf(o->rms_dbfs))
        return ltp_fail(err, LT_E_ARG, "level %g dBFS is out of range; it must be below 0 dBFS", o->rms_dbfs);
    return LT_OK;
}

lt_status lt_stipa_create(const lt_stipa_options *opt, lt_signal **out, lt_error *err)
{
    *out = NULL;
    lt_signal *s = NULL;
    lt_status status = check_options(opt, err);
    if (status == LT_OK)
        status = lt_signal_create((size_t)llround(opt->seconds * opt->rate_hz), opt->rate_hz, &s, err);
    if (status == LT_OK)
        status = add_bands(opt, s->count, s->samples, err);
    if (status != LT_OK)
        goto done;
    const double gain = lt_rms_from_dbfs(opt->rms_dbfs) / lt_signal_rms(s);
    for (size_t i = 0; i < s->count; i++) {
        const double from_start = (double)i / opt->rate_hz;
        const double to_end = (double)(s->count - i) / opt->rate_hz;
        s->samples[i] *= gain * lt_fade(from_start / fade_s) * lt_fade(to_end / fade_s);
    }
    const double peak = lt_signal_peak(s);
    if (peak > 1.0) {
        status = ltp_fail(err, LT_E_ARG, "level %g dBFS would clip: use at most %.1f dBFS", opt->rms_dbfs,
                          floor(10.0 * (opt->rms_dbfs - lt_db_from_amplitude(peak))) * 0.1);
        goto done;
    }
    *out = s;
    s = NULL;
done:
    lt_signal_free(s);
    return status;
}
