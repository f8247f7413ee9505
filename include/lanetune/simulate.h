/* SPDX-License-Identifier: MIT
 * simulate: a virtual lane with known truth. Deterministic from its seed. No input or output.
 * Everything is in the units of the real thing: line levels in dBFS, sound in dB re 20 uPa, positions in metres.
 * The model, its sources and its limits: docs/virtual-lane.md. */
#ifndef LT_SIMULATE_H
#define LT_SIMULATE_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>
#include <lanetune/response.h>

#ifdef __cplusplus
extern "C" {
#endif

enum { LT_SCENE_LANES_MAX = 16, LT_SCENE_CONDITIONS_MAX = 8 };

/** A vehicle (or none) at the lane and the noise that goes with the condition. */
typedef struct {
    char name[32];          /* "" = lane empty */
    double car_distance_m;  /* panel to the car's side; 0 = no car */
    double car_height_m;    /* of the reflecting side */
    double car_reflection;  /* pressure reflection factor [0, 1] */
    double idle_engine_dba; /* at the listening position; 0 = off */
} lt_scene_condition;

typedef struct {
    unsigned lane;
    char name[64];
    uint64_t seed;
    double rate_hz; /* 48000 */
    double temperature_c;
    /* geometry: panel in the plane x = 0, z up, ground z = 0, +x towards the lane */
    double speaker_height_m, microphone_height_m, speaker_to_microphone_m; /* on the panel */
    double ear_distance_m, ear_height_m; /* listening position, before the speaker; the mouth lies 0.09 m below it */
    double ground_reflection;            /* [0, 1] */
    double canopy_height_m, canopy_reflection; /* height 0 = none */
    double wall_distance_m, wall_reflection;   /* a wall behind the car, parallel to the panel; 0 = none */
    /* transducers */
    double speaker_low_hz, speaker_resonance_q, speaker_high_hz; /* small loudspeaker: 2nd-order high-pass, roll-off */
    double speaker_spl_db; /* SPL at 1 m on axis at 1 kHz for 0 dBFS on the line, free field, adjuster as it stands */
    double microphone_line_db; /* SPL at the microphone at 1 kHz that makes 0 dBFS on the inbound line */
    double microphone_low_hz, microphone_high_hz;
    double clip_line_dbfs;  /* outbound line level at which the amplifier's soft clipping has its knee; NaN = linear */
    double housing_leak_db; /* speaker to microphone inside the housing, re the direct air path; -INFINITY = none */
    double crosstalk_db;    /* outbound line to inbound line, electrical, dB; -INFINITY = none */
    double hub_delay_ms;    /* added to the inbound line */
    bool inverted;          /* polarity of the lane speaker */
    /* noise */
    double road_dba;              /* steady highway noise at the listening position; 0 = none */
    double passes_per_minute;     /* passing vehicles on top */
    double pass_dba;              /* their typical maximum */
    double wind_dba;              /* low-frequency bluster; 0 = none */
    double microphone_noise_db;   /* road and engine at the lane microphone re the listening position: +3 in a plain
                                   * panel (ISO 1996-2: 6 dB on a facade, 3 dB in front of it), less under a hood or
                                   * where the building shields it */
    double hum_hz, hum_line_dbfs; /* on the inbound line; hum_hz 0 = none */
    /* people and the counter end */
    double talker_db;      /* active level of the customer's speech at 1 m, dB SPL: for talk tests that name none */
    double counter_spl_db; /* SPL at the operator's ear at 1 kHz for 0 dBFS on the inbound line */
    double counter_coupling_db; /* counter speaker to counter microphone, line to line, about 1 kHz */
    double counter_noise_dba;   /* at the operator's ear; 0 = none */
    /* recording gear */
    double mic_cal_db;          /* SPL that reads 0 dBFS in the measurement microphone's recordings */
    double loopback_db;         /* played 0 dBFS read on the line input */
    double recorder_noise_dbfs; /* white noise of the recorder */
    double drift_ppm, start_s;  /* recorder's clock against the player's (positive: longer), how early it starts */
    lt_scene_condition conditions[LT_SCENE_CONDITIONS_MAX];
    size_t condition_count;
} lt_scene_lane;

/** A plausible lane to start from; every field set. */
lt_scene_lane lt_scene_lane_default(void);

typedef enum {
    LT_SCENE_OUTBOUND,
    LT_SCENE_INBOUND,
    LT_SCENE_LANE_COUPLING,
    LT_SCENE_COUNTER_COUPLING,
    LT_SCENE_LOOP,
    LT_SCENE_NOISE_EAR,
    LT_SCENE_NOISE_MIC,
    LT_SCENE_NOISE_COUNTER,
    LT_SCENE_TALK_TEST,
    LT_SCENE_PATH_COUNT
} lt_scene_path;
const char *lt_scene_path_name(lt_scene_path p); /* outbound, inbound, lane-coupling, ... as in file names */

/** True impulse response of a path, small-signal: recorded full scale per played full scale, loopback_db included where
 * the recording is of a line, mic_cal_db where it is of a microphone, without the recorder's clock and start. The talk
 * test's: line full scale per "full scale" of speech at 1 m from the mouth in free field that counts dB SPL as dBFS.
 * @param[out] out caller frees with lt_ir_free(); t = 0 is the stimulus' own start
 * @return LT_E_ARG a noise path, a condition or a field of the lane out of range (named); LT_E_NOMEM */
LT_NODISCARD lt_status lt_scene_ir(const lt_scene_lane *lane, size_t condition, lt_scene_path path, lt_ir **out,
                                   lt_error *err);
/** Recording of a path at the lane's rate.
 * Sounding paths: `stimulus` (at the lane's rate) through amplifier and path, its noise, drift, early start and
 * recorder noise; 1 s longer than the stimulus, and at least `seconds`. Noise paths: `seconds` of noise; stimulus NULL.
 * Talk test: `stimulus` is dry speech at any level; it is scaled so that its active level (ITU-T P.56) is talker_db dB
 * SPL at 1 m (NaN: the lane's talker_db), pauses stay pauses.
 * Every path and condition has noise of its own; the same lane always gives the same bits, another seed other noise.
 * @return LT_E_ARG also for a stimulus missing, silent (talk test) or at another rate */
LT_NODISCARD lt_status lt_scene_record(const lt_scene_lane *lane, size_t condition, lt_scene_path path,
                                       const lt_signal *stimulus, double seconds, double talker_db, lt_signal **out,
                                       lt_error *err);
/** Speech-like signal: voiced and unvoiced syllables at 3 to 5 a second, sentences of 2 to 3.2 s, pauses of 1.3 to 2 s.
 * Long-term spectrum: the normal-effort shape of ANSI S3.5 table 3, 160 Hz to 8 kHz. Active level -26 dBov.
 * @param rate_hz [16000, 192000]  @param seconds [2, 600] */
LT_NODISCARD lt_status lt_scene_talker(double rate_hz, double seconds, uint64_t seed, lt_signal **out, lt_error *err);

/** True figures of a condition, computed from the model, not from recordings. Expected noise is the long-term mean;
 * a recording of some seconds scatters about it, the more the fewer vehicles pass. -INFINITY = none. */
typedef struct {
    double outbound_band_db[LT_SPEECH_BANDS];        /* dB SPL at the listening position per dBFS on the line */
    double receive_band_db[LT_SPEECH_BANDS];         /* dB SPL at the operator's ear per dBFS on the line */
    double coupling_band_db[LT_SPEECH_BANDS];        /* lane coupling, line to line */
    double mouth_band_db[LT_SPEECH_BANDS];           /* dBFS on the inbound line per dB SPL at 1 m from the mouth */
    double noise_ear_leq_db[LT_SPEECH_BANDS];        /* band levels, SPL */
    double noise_mic_leq_db[LT_SPEECH_BANDS];        /* band levels on the inbound line, dBFS, hum included */
    double noise_counter_leq_db[LT_SPEECH_BANDS];    /* band levels, SPL */
    double noise_ear_laeq_db, noise_counter_laeq_db; /* 20 Hz to 20 kHz */
    double margin_db, safe_margin_db; /* of lane coupling x counter coupling; margin NaN: no zero-phase crossing */
    double ring_hz;                   /* worst zero-phase crossing */
    double delay_ms;                  /* of the lane coupling's direct arrival: geometry and hub, acoustic centres */
} lt_scene_truth;
LT_NODISCARD lt_status lt_scene_truth_of(const lt_scene_lane *lane, size_t condition, lt_scene_truth *out,
                                         lt_error *err);

/** The amplifier's curve: outbound line sample in, loudspeaker sample out, small-signal gain 1, no memory. */
double lt_scene_amplifier(double clip_line_dbfs, double sample);
/** Steady-sine truth of a sounding path: total harmonic distortion, harmonics 2 to 5 that lie at or below to_hz, re the
 * fundamental, for a sine of line_dbfs on the played line. NaN: the second harmonic lies above to_hz. LT_E_ARG as
 * lt_scene_ir(), and hz or to_hz outside (0, rate/2). */
LT_NODISCARD lt_status lt_scene_thd(const lt_scene_lane *lane, size_t condition, lt_scene_path path, double hz,
                                    double line_dbfs, double to_hz, double *thd_percent, lt_error *err);

/** The demo site's lanes: 0 beside a highway, 1 with an echo complaint, 2 limited by feedback. */
size_t lt_scene_demo_count(void);
lt_scene_lane lt_scene_demo_lane(size_t i);

#ifdef __cplusplus
}
#endif
#endif
