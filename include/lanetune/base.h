/* SPDX-License-Identifier: MIT
 * base: status and error, notes, signals, bands, units, random numbers.
 * Scales: PCM full scale = 1.0. Levels: dB re the RMS of a full-scale sine (dBFS, AES17) unless a name says otherwise.
 * "Not known" is NaN in C and null in JSON; the level of silence is -INFINITY in C and null in JSON. */
#ifndef LT_BASE_H
#define LT_BASE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#define LT_NODISCARD __attribute__((warn_unused_result))
#define LT_PRINTF(f, a) __attribute__((format(printf, f, a)))
#define LT_PI 3.14159265358979323846

/* ---- status and error ---- */

/* clang-format off */
#define LT_STATUS_MAP(X)                                                                   \
    X(LT_OK, "ok") X(LT_E_ARG, "argument out of range") X(LT_E_STATE, "call out of order") \
    X(LT_E_NOMEM, "out of memory") X(LT_E_IO, "file or device failed")                     \
    X(LT_E_FORMAT, "unsupported file") X(LT_E_XRUN, "samples lost during capture")         \
    X(LT_E_CLIP, "recording clipped") X(LT_E_SNR, "noise too high to measure")
/* clang-format on */
typedef enum {
#define X(id, text) id,
    LT_STATUS_MAP(X)
#undef X
        LT_STATUS_COUNT /* derived, so text and count cannot drift */
} lt_status;

/** First cause of a failure. Zero-initialise; the first writer wins. */
typedef struct {
    lt_status status;
    char what[512]; /* one line: what, where, what to do */
} lt_error;

const char *lt_status_text(lt_status s); /* never NULL, even for junk */

/* ---- notes: doubts that travel with a result (JSON "warnings" and "assumptions") ---- */

enum { LT_NOTES_MAX = 48 };
typedef struct {
    char code[40];     /* machine-readable, kebab-case: "low-snr" */
    char message[256]; /* one sentence a technician understands */
} lt_note;
typedef struct {
    lt_note items[LT_NOTES_MAX];
    size_t count;
} lt_notes;

/** Add one note; an identical note (code and message) is added once; a full list drops it. notes may be NULL. */
void lt_notes_add(lt_notes *notes, const char *code, const char *format, ...) LT_PRINTF(3, 4);
void lt_notes_append(lt_notes *notes, const lt_notes *more);
bool lt_notes_has(const lt_notes *notes, const char *code);

/* ---- signals: one channel for analysis ---- */

/** [count] samples, full scale = 1.0, at rate_hz. Owned: free with lt_signal_free(). */
typedef struct {
    double *samples;
    size_t count;
    double rate_hz; /* (0, 1e6] */
} lt_signal;

enum { LT_SIGNAL_MAX_COUNT = 1 << 30 }; /* a longer one is refused with LT_E_ARG */

/** Zeroed signal. LT_E_ARG rate or count out of range (0 samples are allowed); LT_E_NOMEM. */
LT_NODISCARD lt_status lt_signal_create(size_t count, double rate_hz, lt_signal **out, lt_error *err);
LT_NODISCARD lt_status lt_signal_copy(const lt_signal *s, size_t first, size_t count, lt_signal **out, lt_error *err);
void lt_signal_free(lt_signal *s); /* NULL is fine */
double lt_signal_rms(const lt_signal *s);
double lt_signal_peak(const lt_signal *s); /* max |x| */

/* ---- bands: IEC 61260-1:2014 base-10 fractional octaves ---- */

typedef struct {
    int index;         /* 0 = the band at 1 kHz, +1 = one band higher */
    double nominal_hz; /* as printed: 31.5, 1250 */
    double exact_hz;   /* 1000 * 10^(0.3 index / fraction) */
    double lower_hz, upper_hz;
} lt_band;

enum {
    LT_THIRD_FIRST = -20,       /* 10 Hz  */
    LT_THIRD_LAST = 13,         /* 20 kHz */
    LT_THIRD_50_HZ = -13,       /* responses and noise spectra are listed from here ... */
    LT_THIRD_16_KHZ = 12,       /* ... to here */
    LT_THIRD_SPEECH_FIRST = -8, /* 160 Hz: first of the 18 bands of ANSI S3.5 */
    LT_SPEECH_BANDS = 18,       /* ... 8 kHz */
    LT_THIRDS = LT_THIRD_LAST - LT_THIRD_FIRST + 1
};

lt_band lt_third_octave(int index); /* index in [LT_THIRD_FIRST, LT_THIRD_LAST]; nominal names per IEC 61260-1 */
lt_band lt_octave(int index);       /* 0 = 1 kHz, [-6, 4] */
/** Band of 1/fraction octave, even fractions centred half a step off 1 kHz as the standard says. nominal = exact. */
lt_band lt_fractional_octave(int fraction, int index);

/* ---- units ---- */

double lt_db_from_power(double power_ratio);         /* 10 lg; <= 0 gives -INFINITY */
double lt_db_from_amplitude(double amplitude_ratio); /* 20 lg |x|; 0 gives -INFINITY */
double lt_power_from_db(double db);
double lt_amplitude_from_db(double db);
double lt_dbfs_from_rms(double rms); /* 0 dBFS = RMS of a full-scale sine: 20 lg rms + 3.0103 */
double lt_rms_from_dbfs(double dbfs);
double lt_dbfs_from_mean_square(double mean_square);
double lt_dbfs_from_dbov(double dbov); /* + 3.0103: 0 dBov = RMS of a full-scale square wave */
/** Power sum of levels, ignoring -INFINITY; NaN if any is NaN. */
double lt_db_sum(const double *levels_db, size_t count);
/** Speed of sound in air, m/s: 343.2 sqrt(T / 293.15 K). Source: ISO 9613-1. */
double lt_speed_of_sound_m_s(double temperature_c);
bool lt_is_known(double x); /* neither NaN nor infinite */

/* ---- random numbers: splitmix64, same on every machine ---- */

typedef struct {
    uint64_t state;
} lt_rng;
uint64_t lt_rng_next(lt_rng *r);
double lt_rng_uniform(lt_rng *r); /* [0, 1) */
double lt_rng_gauss(lt_rng *r);   /* mean 0, variance 1 */

#ifdef __cplusplus
}
#endif
#endif
