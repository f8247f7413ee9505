/* SPDX-License-Identifier: MIT
 * response: stimuli, deconvolution to an impulse response, frequency response, SNR, distortion, decay, arrivals.
 * Sources: Farina, AES 108th Convention (2000), preprint 5093; ISO 18233; ISO 3382-1 (decay). No input or output. */
#ifndef LT_RESPONSE_H
#define LT_RESPONSE_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>

#ifdef __cplusplus
extern "C" {
#endif

/* ---- stimuli ---- */

typedef struct {
    double rate_hz;   /* sample rate                          [8000, 192000]         48000 */
    double from_hz;   /* sweep start                          [10, to_hz)            50    */
    double to_hz;     /* sweep end; at most 0.46 rate         (from_hz, 0.46 rate]   18000 */
    double seconds;   /* length of one sweep                  [0.2, 120]             10    */
    double peak_dbfs; /* peak, dB re full scale               [-60, 0]               -6    */
    double lead_s;    /* silence before the first marker      [0, 10]                0.5   */
    double tail_s;    /* silence after the last marker        [0, 10]                1.0   */
    double gap_s;     /* silence after a marker and after each sweep [0.1, 10]       1.0   */
    unsigned repeats; /* sweeps between the two markers       [1, 64]                1     */
    bool markers;     /* a short chirp before and after, for the clock drift         true  */
} lt_sweep_options;
lt_sweep_options lt_sweep_default_options(void);
/** [lead][marker][gap][sweep][gap]...[sweep][gap][marker][tail]. The sweep begins at from_hz / 1.45 and ends at
 * 1.06 to_hz (at most 0.49 rate) and is faded there, so that from_hz / 1.13 to to_hz is at full level: the one-third
 * octave about from_hz is complete. LT_E_ARG names the option and its range. */
LT_NODISCARD lt_status lt_sweep_create(const lt_sweep_options *opt, lt_signal **out, lt_error *err);

typedef enum { LT_NOISE_WHITE, LT_NOISE_PINK, LT_NOISE_SPEECH } lt_noise_kind;
typedef struct {
    lt_noise_kind kind;    /* SPEECH: long-term shape of the normal-effort spectrum, ANSI S3.5 table 3 */
    double rate_hz;        /* [8000, 192000] */
    double seconds;        /* (0, 3600] */
    double rms_dbfs;       /* RMS, dB re the RMS of a full-scale sine; LT_E_ARG if peaks would clip */
    double from_hz, to_hz; /* band limits for WHITE and PINK */
    uint64_t seed;
} lt_noise_options;
lt_noise_options lt_noise_default_options(void);
LT_NODISCARD lt_status lt_noise_create(const lt_noise_options *opt, lt_signal **out, lt_error *err);

typedef struct {
    double rate_hz, hz, seconds, rms_dbfs; /* sine with 20 ms fades */
} lt_tone_options;
LT_NODISCARD lt_status lt_tone_create(const lt_tone_options *opt, lt_signal **out, lt_error *err);

/* ---- impulse response ---- */

/** Impulse response of one path and channel. Time of samples[i] is (i - origin_frames) / rate_hz, t = 0 being the
 * stimulus' own start. Scale: recorded full scale per played full scale. */
typedef struct {
    double *samples; /* [count] */
    size_t count;
    double rate_hz;
    ptrdiff_t origin_frames;
    double from_hz, to_hz; /* band in which it means something */
} lt_ir;
/** A plain signal as an impulse response: origin 0, band 0 to rate/2. Copies. */
LT_NODISCARD lt_status lt_ir_from_signal(const lt_signal *s, lt_ir **out, lt_error *err);
void lt_ir_free(lt_ir *ir);
/** As a plain signal whose first sample is t = 0: a late start is filled with zeros, what lies before is cut off. What
 * a band edge rings there is made up for outside of the band, so that in the band the levels stay as they were. */
LT_NODISCARD lt_status lt_ir_to_signal(const lt_ir *ir, lt_signal **out, lt_error *err);
/** H at n_fft/2 + 1 frequencies from 0 to rate/2, with the phase of t = 0. n_fft even and >= count. */
LT_NODISCARD lt_status lt_ir_spectrum(const lt_ir *ir, size_t n_fft, lt_complex *spectrum, lt_error *err);
/** The same by a transform that is there already, of its size. */
LT_NODISCARD lt_status lt_ir_spectrum_by(const lt_ir *ir, lt_rfft *fft, lt_complex *spectrum, lt_error *err);
lt_complex lt_ir_at(const lt_ir *ir, double hz); /* H at one frequency, exact */
/** 10 lg of the mean of |H|^2 between two frequencies on a linear axis (bin edges handled by their share), dB. */
LT_NODISCARD lt_status lt_ir_band_levels(const lt_ir *ir, const lt_band *bands, size_t count, double *level_db,
                                         lt_error *err);

/* ---- measurement ---- */

/** The frequency response of the interface itself. */
typedef struct lt_interface lt_interface;
typedef struct {
    double post_s;                 /* impulse response kept after the direct arrival  [0.05, 5]   0.5 */
    double pre_s;                  /* ... and before it                               [0.01, 0.5] 0.15 */
    const lt_interface *interface; /* taken off the result; NULL = none */
} lt_response_options;
lt_response_options lt_response_default_options(void);

typedef struct {
    lt_band band;
    double level_db; /* 10 lg mean |H|^2 */
    /* Response window against noise of the same recording, lowered where a narrow band holds few independent values:
     * above 20 dB the level is right within 0.2 dB. */
    double snr_db;
    double
        thd_percent; /* harmonics 2 to 5 as far as they lie inside; NaN where the second does not or noise hides 10 % */
} lt_response_band;
typedef struct {
    double hz, level_db, snr_db;
} lt_response_point; /* 1/24 octave */
typedef struct {
    double delay_ms; /* after the direct arrival */
    double level_db; /* re the direct arrival */
} lt_arrival;

enum { LT_RESPONSE_BANDS_MAX = 32, LT_RESPONSE_POINTS_MAX = 320, LT_ARRIVALS_MAX = 24 };
typedef struct {
    double rate_hz;        /* of the stimulus */
    double from_hz, to_hz; /* band of the stimulus */
    double delay_ms;       /* of the direct arrival from the stimulus' own start in the recorder's time */
    int polarity;          /* +1, -1; 0 = cannot be told */
    double drift_ppm;      /* positive: the recording is longer than what was played; NaN = cannot be told */
    double snr_db;         /* over the whole band */
    lt_response_band bands[LT_RESPONSE_BANDS_MAX]; /* one-third octaves 50 Hz .. 16 kHz inside the stimulus' band */
    size_t band_count;
    lt_response_point points[LT_RESPONSE_POINTS_MAX];
    size_t point_count;
    double edt_s, t20_s, c50_db;          /* 500 Hz to 2 kHz octaves; NaN = decay range too small */
    lt_arrival arrivals[LT_ARRIVALS_MAX]; /* later ones only, by delay */
    size_t arrival_count;
    unsigned repeats; /* sweeps averaged */
    lt_ir *ir;        /* owned */
    /* "clipping", "low-snr", "drift", "drift-unknown", "drift-estimated", "repeat-spoiled", "thd-noise", "truncated" */
    lt_notes notes;
} lt_response;

/** Find the stimulus in each recording (it may start at any time, be played several times, have another rate), remove
 * clock drift, deconvolve, and average all repeats with weights from each one's noise per band.
 * @param[in] opt NULL means lt_response_default_options()
 * @param[in] recordings [count] at any rates; resampled to the stimulus' rate
 * @return LT_E_ARG too short or silent stimulus, no recording; LT_E_SNR silent recording or stimulus not found in it;
 *   LT_E_CLIP flat-topped so that no curve can be trusted; LT_E_FORMAT recording ends before the stimulus does;
 *   LT_E_XRUN frames were lost or repeated within the sweep.
 * names [count] may be NULL: what the messages call each recording. */
LT_NODISCARD lt_status lt_response_measure(const lt_signal *const *recordings, const char *const *names, size_t count,
                                           const lt_signal *stimulus, const lt_response_options *opt, lt_response **out,
                                           lt_error *err);
/** The acoustic part (bands, points, delay, polarity, decay, arrivals) of a given impulse response; SNR is NaN. */
LT_NODISCARD lt_status lt_response_from_ir(const lt_ir *ir, lt_response **out, lt_error *err);
void lt_response_free(lt_response *r);
/** level_db of the one-third-octave band `index`; NaN if absent. */
double lt_response_band_level(const lt_response *r, int index);

/** From the response of a loopback (output wired to input). Its gain at 1 kHz and its delay in whole frames stay in the
 * results it is taken off; where it lies more than 20 dB down, and outside its band, nothing is made up. Immutable.
 * @return LT_E_SNR: a speech band stands less than 40 dB above the noise: it says nothing; LT_E_ARG; LT_E_NOMEM */
LT_NODISCARD lt_status lt_interface_create(const lt_response *loopback, lt_interface **out, lt_error *err);
void lt_interface_free(lt_interface *f);
/** The largest deviation of a one-third-octave band from the level at 1 kHz, dB. Below 0.1 dB nothing is taken off. */
double lt_interface_most_db(const lt_interface *f);

/* ---- planning: how loud, how long, how often ---- */

enum { LT_PLAN_SWEEPS_MAX = 16 };
#define LT_PLAN_SNR_DB 25.0 /* wanted in each of the 18 speech bands */
typedef enum {
    LT_LEVEL_GO_ON,     /* play the next burst */
    LT_LEVEL_ENOUGH,    /* one sweep of 10 s will do */
    LT_LEVEL_CAPTURE,   /* louder, and the recording would clip */
    LT_LEVEL_AMPLIFIER, /* the return lacks 0.15 dB and is distorted, or distortion rises: the amplifier clips */
    LT_LEVEL_SPL,       /* louder, and the limit at the measurement microphone would be passed */
    LT_LEVEL_HIGHEST,   /* the highest level that is allowed */
    LT_LEVEL_END_COUNT
} lt_level_end;
const char *lt_level_end_name(lt_level_end e); /* "enough", "capture", ... */
/** Level finding: set the first three fields, zero the rest. */
typedef struct {
    double highest_dbfs; /* peak */
    double cal_db;       /* SPL that reads 0 dBFS in the return; NaN = not known */
    double max_spl_db;
    double level_dbfs; /* of the next burst; at the end, the level to measure at */
    lt_level_end end;
    double noise[LT_SPEECH_BANDS];  /* mean square per band */
    double signal[LT_SPEECH_BANDS]; /* energy of the burst's return per band, at level_dbfs: mean square x seconds */
    double before[LT_SPEECH_BANDS], before_dbfs;
    double gain_db[LT_SPEECH_BANDS], gain_weight[LT_SPEECH_BANDS]; /* energy re level, dB, of the quieter bursts */
    double distortion_noise, distortion,
        least_distortion; /* harmonics 2 to 5 re the linear part, power: of the burst before; of all */
    double burst_s;       /* length of what came back */
    double loss_db, loss_sigma_db, accepted_sigma_db; /* against that gain; how certain, now and at `before` */
    unsigned check; /* a suspicion about the amplifier is looked at again, from suspect_dbfs */
    double suspect_dbfs;
    unsigned bursts;
    unsigned heard_bands; /* in which the last burst stood above the noise */
} lt_level_finder;
/** silence: what is recorded while nothing is played, 0.5 s or more. The first burst has -50 dBFS, or highest_dbfs. */
LT_NODISCARD lt_status lt_level_finder_start(lt_level_finder *f, const lt_signal *silence, lt_error *err);
/** A sweep of 0.3 s, 100 Hz to 10 kHz. */
LT_NODISCARD lt_status lt_level_burst(double rate_hz, double peak_dbfs, lt_signal **out, lt_error *err);
/** What came back of a burst at level_dbfs, all of it. f->end says how to go on. */
LT_NODISCARD lt_status lt_level_finder_push(lt_level_finder *f, const lt_signal *back, lt_error *err);

typedef struct {
    double seconds; /* of one sweep */
    unsigned sweeps;
    double total_s;
    double snr_db, hz; /* expected in the worst speech band, and which one that is */
    bool enough;       /* false: even so many sweeps do not reach LT_PLAN_SNR_DB */
} lt_plan;
/** From a finder that has ended. Energy of a sweep grows with its length and with the number of repeats. */
void lt_plan_make(const lt_level_finder *f, lt_plan *out);

/* ---- continuity: was every sample kept? ---- */

typedef enum {
    LT_CONTINUITY_WHOLE,  /* nothing was lost or repeated, as far as can be told */
    LT_CONTINUITY_BROKEN, /* samples were lost or repeated */
    LT_CONTINUITY_UNCLEAR /* too much noise, or no markers and no sweep to tell it by */
} lt_continuity_verdict;
typedef struct {
    lt_continuity_verdict verdict;
    double frames;       /* lost > 0, repeated < 0, in frames of the recording; NaN = not known */
    double from_s, to_s; /* recorder's time between which it happened; NaN = not known */
    double drift_ppm;    /* as in lt_response, from the markers; NaN without */
    double least_frames; /* a smaller loss would not have been seen */
} lt_continuity;
/** Compares a recording with the sweep (with or without markers and repeats) that was played: the distance of the
 * markers, the repeats against each other, gaps along the sweep. one_clock: the same device played and recorded, so
 * that no drift is allowed; every lost or repeated sample between the markers is then seen. With two clocks a loss of
 * 0.3 ms or more is told from drift by the delay of the sweep against the markers at each frequency of their band.
 * @param[in] suspects [suspect_count] frames where the device reported an overrun or underrun; may be NULL. A
 * disturbance there counts as a loss, elsewhere it may be a door.
 * @return LT_E_ARG, LT_E_SNR (the stimulus is not there), LT_E_FORMAT as lt_response_measure(), LT_E_NOMEM */
LT_NODISCARD lt_status lt_response_continuity(const lt_signal *recording, const lt_signal *stimulus, bool one_clock,
                                              const uint64_t *suspects, size_t suspect_count, lt_continuity *out,
                                              lt_error *err);

/* ---- irregular distortion: what a sweep shakes loose ---- */

typedef struct {
    bool found;       /* false: the figures are NaN */
    bool synchronous; /* once every period, as a voice coil that rubs; else as a loose part that rattles */
    double from_hz, to_hz, worst_hz; /* of the sweep, while it sounded */
    double level_db;                 /* above ten times the sweep's frequency, re the whole signal, at worst_hz */
    double over_noise_db;            /* ... and re the noise of the pauses */
    double at_s;                     /* in the recording */
} lt_irregular;
/** @param[in] r of the same recording and stimulus, by lt_response_measure()
 * @return LT_E_ARG no rising exponential sweep; LT_E_SNR no pause to know the noise from; LT_E_NOMEM */
LT_NODISCARD lt_status lt_irregular_find(const lt_signal *recording, const lt_signal *stimulus, const lt_response *r,
                                         lt_irregular *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
