/* SPDX-License-Identifier: MIT
 * What the files of the virtual lane share. Amplitudes: full scale = 1.0; lengths in metres, delays in seconds.
 * Spectra: forward unscaled; phases count from t = 0, the stimulus' own start. */
#ifndef LTP_SIMULATE_MODEL_H
#define LTP_SIMULATE_MODEL_H

#include <lanetune/simulate.h>

/* ---- scene.c ---- */

#define LTP_MOUTH_BELOW_EAR_M 0.09
/** Checks every field that the model reads, and that the condition exists. LT_E_ARG names the field and its range. */
LT_NODISCARD lt_status ltp_scene_check(const lt_scene_lane *lane, size_t condition, lt_error *err);
bool ltp_path_sounds(lt_scene_path path);    /* something is played or spoken */
bool ltp_path_from_line(lt_scene_path path); /* recorded from a line: loopback_db applies */

/* ---- geometry.c: image sources ---- */

typedef struct {
    double x, y, z;
} ltp_point;
typedef struct {
    double delay_s, gain; /* gain 1 = 1 m from the source in its half-space */
    unsigned bounces;     /* reflections that cost treble */
} ltp_arrival;
enum { LTP_ARRIVALS_MAX = 512, LTP_BOUNCES_MAX = 15 };
typedef struct {
    ltp_arrival items[LTP_ARRIVALS_MAX]; /* the direct one first */
    size_t count;
} ltp_arrivals;

ltp_point ltp_speaker_point(const lt_scene_lane *lane);
ltp_point ltp_microphone_point(const lt_scene_lane *lane);
ltp_point ltp_ear_point(const lt_scene_lane *lane);
ltp_point ltp_mouth_point(const lt_scene_lane *lane);
/** All arrivals between a point on the panel and any other point in front of it, in either direction, up to 20 m. */
void ltp_arrivals_between(const lt_scene_lane *lane, const lt_scene_condition *c, ltp_point on_panel, ltp_point other,
                          ltp_arrivals *out);
/** What `bounces` reflections leave at a frequency, re low frequencies: a real factor in (0, 1]. */
double ltp_bounce_gain(double hz, unsigned bounces);

/* ---- transducers.c ---- */

enum { LTP_CHAIN_MAX = 6 };
typedef struct {
    lt_biquad stages[LTP_CHAIN_MAX];
    size_t count;
    double gain;      /* signed */
    double advance_s; /* delay of the roll-off at low frequencies, taken off: positions are acoustic centres */
} ltp_chain;
lt_complex ltp_chain_at(const ltp_chain *c, double hz, double rate_hz);
ltp_chain ltp_lane_speaker(const lt_scene_lane *lane);    /* line to 1 at 1 m = speaker_spl_db; gain 1 at 1 kHz */
ltp_chain ltp_lane_microphone(const lt_scene_lane *lane); /* gain 1 at 1 kHz */
ltp_chain ltp_housing_leak(const lt_scene_lane *lane);    /* gain 1 at its resonance */
ltp_chain ltp_counter_speaker(const lt_scene_lane *lane); /* gain 1 at 1 kHz */
ltp_chain ltp_counter_microphone(const lt_scene_lane *lane);
#define LTP_LEAK_DETOUR 1.25 /* way inside the housing re the straight line */

/* ---- amplifier.c ---- */

/** x through the amplifier in place; harmonics above half the rate are kept from folding back. */
LT_NODISCARD lt_status ltp_amplify(double clip_line_dbfs, double *x, size_t count, lt_error *err);

/* ---- spectrum.c: transfer functions on an FFT grid ---- */

typedef struct {
    size_t n, bins;
    double rate_hz;
    lt_rfft *fft;
    double *time;     /* [n] scratch */
    lt_complex *work; /* [bins] scratch */
    lt_complex *h;    /* [bins] the transfer function */
} ltp_grid;
/** A zero transfer function on a grid that holds `seconds`. */
LT_NODISCARD lt_status ltp_grid_create(double rate_hz, double seconds, ltp_grid **out, lt_error *err);
void ltp_grid_free(ltp_grid *g);
double ltp_grid_hz(const ltp_grid *g, size_t bin);
void ltp_grid_add_arrivals(ltp_grid *g, const ltp_arrival *items, size_t count, double gain);
void ltp_grid_add_constant(ltp_grid *g, double gain);
void ltp_grid_chain(ltp_grid *g, const ltp_chain *c);
void ltp_grid_scale(ltp_grid *g, double gain);
void ltp_grid_delay(ltp_grid *g, double seconds); /* negative = advance */
/** Samples of the impulse response: [n], the first `origin` of them before t = 0. */
void ltp_grid_samples(const ltp_grid *g, size_t origin, double *samples);

/* ---- scene.c: paths ---- */

enum { LTP_ORIGIN_FRAMES = 256 }; /* of impulse responses: room for the band limit's ringing before t = 0 */
/** Transfer function of a sounding path as lt_scene_ir() gives it. */
LT_NODISCARD lt_status ltp_path_grid(const lt_scene_lane *lane, size_t condition, lt_scene_path path, ltp_grid **out,
                                     lt_error *err);

/* ---- counter.c: the operator's end ---- */

/* SPL at the counter microphone that makes 0 dBFS on the outbound line: a close one, so that normal speech (62 dB at 1
 * m, ANSI S3.5) from 0.15 m stands at -26 dBov. */
#define LTP_COUNTER_MICROPHONE_DB 102.0
typedef struct {
    ltp_arrivals coupling, receive; /* receive: direct gain 1 */
    ltp_chain speaker, microphone;
    double rate_hz;
} ltp_counter;
/** coupling is scaled so that the mean of |H|^2 over the 1 kHz octave is counter_coupling_db. */
void ltp_counter_of(const lt_scene_lane *lane, ltp_counter *out);
lt_complex ltp_counter_coupling_at(const ltp_counter *c, double hz); /* line to line */
lt_complex ltp_counter_receive_at(const ltp_counter *c, double hz); /* line to the operator's ear, 1 = counter_spl_db */

/* ---- noise_shapes.c ---- */

typedef enum {
    LTP_NOISE_ROAD,
    LTP_NOISE_CAR, /* passing vehicles */
    LTP_NOISE_TRUCK,
    LTP_NOISE_WIND,
    LTP_NOISE_ENGINE, /* idling: what is not tonal */
    LTP_NOISE_OFFICE,
    LTP_NOISE_KINDS
} ltp_noise_kind;
double ltp_noise_shape_db(ltp_noise_kind kind, double hz); /* density, dB re 1/Hz, up to a constant */
double ltp_noise_shape_dba(ltp_noise_kind kind);           /* overall level of that shape, 20 Hz to 20 kHz, dB(A) */
/** Levels of the firing orders of an idling engine whose overall level, all of it, is 0 dB(A). */
enum { LTP_ENGINE_ORDERS = 24 };
#define LTP_ENGINE_FIRING_HZ 25.0   /* four cylinders at 750 revolutions a minute */
#define LTP_ENGINE_TONAL_SHARE 0.25 /* of the A-weighted power */
void ltp_engine_orders_db(double level_db[LTP_ENGINE_ORDERS]);

/* ---- noise.c: what a recording hears of it ---- */

enum { LTP_HUM_LINES = 8, LTP_TONES_MAX = LTP_ENGINE_ORDERS };
typedef struct {
    double hz; /* of the fundamental */
    double mean_square[LTP_TONES_MAX];
    size_t count;  /* 0 = none */
    double wander; /* relative, of its frequency */
} ltp_tones;
/** Noise in a path's recording, full scale = 1, loopback_db included, without the recorder's own. */
typedef struct {
    const lt_scene_lane *lane;
    const lt_scene_condition *condition;
    lt_scene_path path;
    ltp_chain microphone; /* of the lane or of the counter */
    ltp_counter counter;
    ltp_tones hum, engine;
    double level_db[LTP_NOISE_KINDS]; /* added to the shape: long-term, at the receiver's place; -INFINITY = absent */
} ltp_hearing;
LT_NODISCARD lt_status ltp_hearing_create(const lt_scene_lane *lane, size_t condition, lt_scene_path path,
                                          ltp_hearing **out, lt_error *err);
void ltp_hearing_free(ltp_hearing *h);
/** Long-term mean square per Hz that a kind of noise leaves in the recording at a frequency. */
double ltp_hearing_density(const ltp_hearing *h, ltp_noise_kind kind, double hz);
/** Adds the noise of this recording, sources and recorder, to samples[count]. */
LT_NODISCARD lt_status ltp_noise_add(const ltp_hearing *h, size_t condition, double *samples, size_t count,
                                     lt_error *err);

/* ---- traffic.c: time laws, as power re the long-term mean, one value a hop ---- */

/** Slow fluctuation, log-normal, of mean exactly 1 over the hops. */
void ltp_law_fluctuating(lt_rng *r, double sd_db, double tau_s, double hop_s, double *power, size_t hops);
/** Passing vehicles: power += their rise and fall. mean: of the process over a long time. */
typedef struct {
    double per_second, peak_mean; /* vehicles; mean peak power re that of pass_dba */
    double duration_s;            /* tau of 1 / (1 + (t / tau)^2) */
} ltp_passes;
ltp_passes ltp_passes_of(const lt_scene_lane *lane, ltp_noise_kind kind); /* LTP_NOISE_CAR or LTP_NOISE_TRUCK */
double ltp_passes_mean(const ltp_passes *p);                              /* long-term mean power re that of pass_dba */
void ltp_law_passes(lt_rng *r, const lt_scene_lane *lane, double hop_s, double *car, double *truck, size_t hops);

/* ---- activity.c ---- */

/** Active speech level by ITU-T P.56 method B, dBFS; -INFINITY for silence. */
double ltp_active_level_db(const lt_signal *s);

#endif
