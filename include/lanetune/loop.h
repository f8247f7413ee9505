/* SPDX-License-Identifier: MIT
 * loop: open-loop response, feedback margin, ring candidates, notches, echo loss. No input or output.
 * The loop closes with a + sign: it is stable for a gain k as long as k < 1 / max{Re L(f) : Im L(f) = 0, Re L(f) > 0}.
 */
#ifndef LT_LOOP_H
#define LT_LOOP_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>
#include <lanetune/response.h>

#ifdef __cplusplus
extern "C" {
#endif

/** Open-loop response on a fine frequency grid. Immutable after creation. */
typedef struct lt_loop lt_loop;
/** L = lane x counter x 10^(gain_db/20). counter NULL: a flat coupling of counter_db (its polarity +1).
 * The rates may differ (the higher one is resampled). band: where both mean something; L counts as 0 outside. */
LT_NODISCARD lt_status lt_loop_create(const lt_ir *lane, const lt_ir *counter, double counter_db, double gain_db,
                                      lt_loop **out, lt_error *err);
void lt_loop_free(lt_loop *l);
double lt_loop_from_hz(const lt_loop *l);
double lt_loop_to_hz(const lt_loop *l);
double lt_loop_rate_hz(const lt_loop *l);
lt_complex lt_loop_at(const lt_loop *l, double hz);
/** |L| in dB at `count` log-spaced frequencies between from and to: the largest value around each (for charts). */
LT_NODISCARD lt_status lt_loop_curve(const lt_loop *l, double from_hz, double to_hz, size_t count, double *hz,
                                     double *level_db, lt_error *err);

enum { LT_CANDIDATES_MAX = 12, LT_NOTCHES_MAX = 6 };
typedef struct {
    double hz, margin_db; /* phase-true margin of that zero-phase crossing */
    /* Width of the band around hz in which |L| stays within 3 dB of its value there, as far as the stimulus reaches:
     * the -3 dB width of a peak. NaN: not known (several lanes). */
    double width_hz;
} lt_ring_candidate;
typedef struct {
    double hz, q, cut_db; /* peaking biquad with gain -cut_db, cookbook formulae, at rate_hz of the loop */
} lt_notch;
/** What the closed loop does to all that goes through it, 1 / (1 - L), from 100 Hz to 8 kHz. NaN: not known, or it
 * howls. */
typedef struct {
    double ripple_db; /* from the lowest to the highest point of |1 / (1 - L)| */
    double peak_db;   /* its highest point */
    double hz;        /* where that is */
    double decay_s;   /* how long it rings there after the sound stops: time for 60 dB, from the closed loop's pole */
} lt_colouration;

typedef struct {
    bool stable;
    double margin_db;                                /* phase-true; NaN: no positive real crossing at all */
    double safe_margin_db;                           /* -20 lg max |L|; NaN: no loop gain at all */
    double ring_hz;                                  /* worst zero-phase crossing; NaN if none */
    double safe_hz;                                  /* where |L| is largest */
    lt_ring_candidate candidates[LT_CANDIDATES_MAX]; /* worst first, at least 1/24 octave apart */
    size_t candidate_count;
    lt_notch notches[LT_NOTCHES_MAX];
    size_t notch_count;
    double safe_margin_with_notches_db;
    double margin_with_notches_db;
    lt_colouration colouration; /* of the loop that is coloured most */
} lt_margin;
typedef struct {
    unsigned notches_max; /* [0, LT_NOTCHES_MAX]  4 */
    double cut_max_db;    /* deepest notch        12 */
} lt_margin_options;
lt_margin_options lt_margin_default_options(void);
/** Worst case over `count` loops (conditions). gain_db is added to all (setting changes; minus a voice switch's
 * attenuation). Notches are proposed for all of them at once. */
LT_NODISCARD lt_status lt_margin_compute(const lt_loop *const *loops, size_t count, double gain_db,
                                         const lt_margin_options *opt, lt_margin *out, lt_error *err);

/** What a set of notches costs; the less the better. */
typedef double (*lt_notch_cost)(void *context, const lt_notch *notches, size_t count);
typedef struct {
    double want_db;         /* safe margin to be reached */
    unsigned notches_max;   /* [0, LT_NOTCHES_MAX]                      4 */
    double cut_max_db;      /* deepest cut                              12 */
    double cut_step_db;     /* cuts are multiples of it                 0.5 */
    const double *bands_hz; /* rising; the only centres there are (a graphic equalizer); Q follows from their spacing */
    size_t band_count;      /* 0: any centre and Q (parametric) */
    lt_notch_cost cost;     /* NULL: sum of cut / q */
    void *context;          /* for cost */
} lt_notch_demand;
lt_notch_demand lt_notch_demand_default(double want_db);
typedef struct {
    lt_notch notches[LT_NOTCHES_MAX];
    size_t count;
    bool reached;                     /* false: the best that can be had stays below want_db */
    double safe_margin_db, margin_db; /* with them, from the biquads themselves; NaN: no loop gain, no crossing */
    /* Over several loops (conditions): the peak under this notch lies elsewhere in another one by more than half the
     * notch's width, or is more than 3 dB lower there. */
    bool moves[LT_NOTCHES_MAX];
} lt_notch_set;
/** The smallest set of notches that reaches want_db for all loops, at the least cost. Empty where nothing is needed. */
LT_NODISCARD lt_status lt_notches_reach(const lt_loop *const *loops, size_t count, double gain_db,
                                        const lt_notch_demand *demand, lt_notch_set *out, lt_error *err);

/** Colouration of the loop that has most of it, whether it is stable or not (lt_margin has it for stable ones only). */
LT_NODISCARD lt_status lt_colouration_of(const lt_loop *const *loops, size_t count, double gain_db, lt_colouration *out,
                                         lt_error *err);
/** Attenuation that a voice switch must add to a full-duplex loop of this safe margin to reach `want_db`: never
 * negative; NaN where no loop is known. */
double lt_needed_attenuation_db(double safe_margin_db, double want_db);

/* ---- several lanes ---- */

enum { LT_MATRIX_LANES_MAX = 8 };

/** A path of the loop matrix: an impulse response, or flat. */
typedef struct {
    const lt_ir *ir; /* NULL: flat */
    double level_db; /* on top of ir; -INFINITY: nothing comes over */
    double delay_s;  /* [0, 1], on top of ir */
} lt_coupling;

/** Lanes and counters are numbered from 0 here. */
typedef struct {
    size_t lane_count, counter_count; /* [1, LT_MATRIX_LANES_MAX] */
    size_t counter_of[LT_MATRIX_LANES_MAX];
    lt_coupling lane[LT_MATRIX_LANES_MAX][LT_MATRIX_LANES_MAX]; /* [microphone's lane][speaker's lane], line to line */
    lt_coupling counter[LT_MATRIX_LANES_MAX][LT_MATRIX_LANES_MAX]; /* [microphone's counter][speaker's counter] */
    /* A lane's own way round, measured as a whole: stands for lane[i][i] x its counter's own coupling. ir NULL: not
     * measured. */
    lt_coupling loop[LT_MATRIX_LANES_MAX];
    double outbound_db[LT_MATRIX_LANES_MAX], inbound_db[LT_MATRIX_LANES_MAX]; /* gain changes */
    /* Attenuation of the direction that does not talk: 0 full duplex, INFINITY push-to-talk. */
    double switching_db[LT_MATRIX_LANES_MAX];
} lt_matrix_paths;

/** L(f) of several lanes: [i][j] is the way from the outbound line of lane j once round to the outbound line of lane i:
 * speaker j, all open microphones, counter speakers, counter microphones. Immutable after creation. */
typedef struct lt_loop_matrix lt_loop_matrix;
/** @return LT_E_ARG counts, gains or a response out of range, no response at all, no common band; LT_E_NOMEM */
LT_NODISCARD lt_status lt_loop_matrix_create(const lt_matrix_paths *paths, lt_loop_matrix **out, lt_error *err);
void lt_loop_matrix_free(lt_loop_matrix *m);
double lt_loop_matrix_from_hz(const lt_loop_matrix *m);
double lt_loop_matrix_to_hz(const lt_loop_matrix *m);
/** L at one frequency, of the lanes open (bit i: lane i), in rising order, row by row; switched lanes as if full
 * duplex.
 * @param[out] out [n x n], n the number of open lanes */
void lt_loop_matrix_at(const lt_loop_matrix *m, unsigned open, double hz, lt_complex *out);

/** Where it rings: the path whose coupling moves the eigenvalue most. */
typedef struct {
    bool known;
    size_t speaker_lane, microphone_lane, counter_speaker, counter_microphone;
    /* Part of that lane path, of that counter path in the loop's gain at the ring frequency: 1 dB less on the path
     * lowers the gain by share dB. Others may work against it, so it can be above 1. */
    double lane_share, counter_share;
} lt_ring_path;

typedef struct {
    unsigned open; /* bit i: lane i is open */
    bool stable;
    double margin_db, ring_hz;      /* phase-true: the worst crossing of an eigenvalue over the positive real axis */
    double safe_margin_db, safe_hz; /* -20 lg of the largest singular value of L */
    /* The same for the largest eigenvalue of the magnitudes of all paths: nothing that the air does to the phase of any
     * single path can undercut it (Wielandt's theorem), where the singular value bounds all lanes turning alike. */
    double any_phase_margin_db;
    size_t condition, safe_condition; /* index of the matrix that is worst */
    lt_ring_path path;
    lt_ring_candidate candidates[LT_CANDIDATES_MAX]; /* worst first, at least 1/24 octave apart */
    size_t candidate_count;
} lt_matrix_margin;
/** Worst case over `count` matrices (conditions) and over every state of the switched lanes that are open.
 * @param open which lanes; at least one, LT_E_ARG otherwise
 * @param candidates also list the candidates within 12 dB of the worst (slower) */
LT_NODISCARD lt_status lt_loop_matrix_margin(const lt_loop_matrix *const *matrices, size_t count, unsigned open,
                                             bool candidates, lt_matrix_margin *out, lt_error *err);
/** Margin that opening n microphones instead of one costs by the rule of thumb: 10 lg n, 3 dB each doubling. Common
 * practice. */
double lt_open_microphones_db(size_t n);

/* ---- echo ---- */

/** Echo loss of a path, ITU-T G.122, 300 to 3400 Hz, dB (positive = loss). NaN if the band is not covered. */
LT_NODISCARD lt_status lt_echo_loss(const lt_ir *path, double *echo_loss_db, lt_error *err);
/** Echo-weighted value of ITU-T G.131: TELR - 40 lg((1+T/10)/(1+T/150)) + 6 exp(-0.3 T^2), T = mean one-way ms. */
double lt_talker_echo_weighted_db(double telr_db, double one_way_ms);
#define LT_ECHO_ACCEPTABLE_DB 14.0 /* G.131 */
#define LT_ECHO_LIMITING_DB 8.0    /* G.131, memory */
/** TELR at which the echo-weighted value is `weighted_db`: the tolerance curve of G.131. */
double lt_talker_echo_required_db(double weighted_db, double one_way_ms);

/** Inputs of the E-model, ITU-T G.107; units and ranges in loop/emodel.c. */
typedef struct {
    double slr_db, rlr_db, stmr_db, lstr_db, ds_db, dr_db;
    double telr_db, one_way_ms; /* talker echo: TELR and T */
    double wepl_db, round_trip_ms;
    double absolute_delay_ms;
    double delay_sensitivity, delay_least_ms; /* sT, mT */
    double qdu, ie, bpl, ppl_percent, burst_ratio;
    double nc_dbm0p, nfor_dbmp, ps_dba, pr_dba;
    double advantage;
} lt_emodel;
lt_emodel lt_emodel_default(void); /* R = 93.2 */
typedef struct {
    double no_dbm0p, ro, is, idte, idle, idd, ie_eff, r, mos;
} lt_emodel_result;
void lt_emodel_compute(const lt_emodel *m, lt_emodel_result *out);
double lt_emodel_mos(double r); /* opinion score of a rating, 1 to 4.5 */

typedef enum {
    LT_ECHO_NONE,
    LT_ECHO_CROSSTALK,
    LT_ECHO_ACOUSTIC,
    LT_ECHO_REFLECTION,
    LT_ECHO_PROCESSING,
    LT_ECHO_NEAR_HOWL,
    LT_ECHO_UNCLEAR,
    LT_ECHO_FINDING_COUNT
} lt_echo_finding;
const char *lt_echo_finding_name(lt_echo_finding f); /* "none", "crosstalk", "acoustic-coupling", ... */
typedef enum {
    LT_ECHO_UNACCEPTABLE, /* weighted value under 8 dB */
    LT_ECHO_LIMITING,     /* 8 to 14 dB */
    LT_ECHO_ACCEPTABLE,   /* 14 dB and more, or no echo at all */
    LT_ECHO_NOT_JUDGED,   /* delay or loss not known */
    LT_ECHO_VERDICT_COUNT
} lt_echo_verdict;
const char *lt_echo_verdict_name(lt_echo_verdict v); /* NULL: not judged */
typedef enum { LT_ECHO_FROM_SPEECH, LT_ECHO_FROM_STIMULUS, LT_ECHO_BLIND } lt_echo_source;
const char *lt_echo_source_name(lt_echo_source s);

/** How one end hears its own talker. */
typedef struct {
    double telr_db;          /* 10 dB + echo loss; NaN: no echo, or a band that is not covered */
    double one_way_ms;       /* half the delay of the first arrival */
    double weighted_db;      /* G.131; NaN where the delay is not known */
    double required_telr_db; /* acceptable at this delay */
    lt_echo_verdict verdict;
    double r_with, r_without;     /* G.107, all else at its defaults */
    double mos_with, mos_without; /* opinion score */
} lt_talker_echo;
void lt_talker_echo_rate(double echo_loss_db, double one_way_ms, lt_talker_echo *out);
/** Double-talk behaviour of a terminal with this coupling loss, ITU-T P.340: "1", "2a", "2b", "2c" or "3". */
const char *lt_double_talk_type(double coupling_loss_db);

typedef struct {
    lt_band band;
    double level_db;  /* of the path, 10 lg mean |H|^2 */
    double coherence; /* share of the return that the path explains, 0 to 1; NaN: not from speech */
} lt_echo_band;
typedef struct {
    double delay_ms; /* from the sent signal */
    double level_db; /* re the first arrival */
    double path_m;   /* length beyond that of the first arrival, at the speed of sound */
} lt_echo_arrival;

typedef struct {
    double speaker_to_microphone_m; /* (0, 20]      0.3 */
    bool distance_known;            /* measured, not the default */
    double temperature_c;           /* [-60, 80]    20  */
    /** Both recordings were made by one recorder: no offset and no drift between them. */
    bool one_clock;
    /** The sent recording is a stimulus that was played, as lt_response_measure() takes it. A sweep is known as one
     * without being told. */
    bool stimulus;
} lt_echo_options;
lt_echo_options lt_echo_default_options(void);

enum { LT_ECHO_BANDS_MAX = 24, LT_ECHO_ARRIVALS_MAX = 48 };
typedef struct {
    lt_echo_source source;
    lt_echo_finding finding;
    lt_echo_finding rival; /* the second cause that is possible; LT_ECHO_NONE: no other */
    double confidence;     /* 0 to 1, ours: how far the evidence lies from what would change the finding */
    double delay_ms;       /* of the first arrival from the sent signal */
    double echo_loss_db;   /* G.122 */
    double tail_ms;        /* from the first arrival until the energy still to come has fallen by 30 dB */
    int polarity;
    lt_talker_echo talker;
    const char *double_talk_type;                   /* P.340; NULL: not known */
    lt_echo_arrival arrivals[LT_ECHO_ARRIVALS_MAX]; /* by delay, the first one first */
    size_t arrival_count;
    lt_echo_band bands[LT_ECHO_BANDS_MAX]; /* one-third octaves in which the path is known */
    size_t band_count;
    double from_hz, to_hz;       /* where the path is known */
    double coherence;            /* share of the return that is echo while something is sent, 0 to 1 */
    double snr_db;               /* echo re all else in the return, while something is sent */
    double double_talk_percent;  /* of the time in which something is sent */
    double drift_ppm;            /* positive: the returned recording is the longer one; NaN: not looked for */
    double level_change_db;      /* of the path during the recording; 0: steady */
    double repeat_ms, repeat_db; /* evenly spaced repeats: distance, step from one to the next; NaN: none */
    double seconds;              /* of speech or sweep that counted */
    lt_notes notes, evidence, advice;
    lt_ir *ir; /* owned; NULL with finding none */
} lt_echo;
/** The echo path between what was sent and what came back: ordinary speech, or a stimulus.
 * @param[in] opt NULL means lt_echo_default_options()
 * @return LT_E_ARG too short, a rate under 4 kHz; LT_E_SNR a silent recording; LT_E_NOMEM. No echo is LT_OK with
 *   finding LT_ECHO_NONE. */
LT_NODISCARD lt_status lt_echo_measure(const lt_signal *sent, const lt_signal *returned, const lt_echo_options *opt,
                                       lt_echo **out, lt_error *err);
/** The other way: what the far end sends back of those who talk into the returned line, from the same two recordings of
 * speech. `echo` is what lt_echo_measure() found with one_clock; its echo is taken off `returned` first, so that only
 * what was said at that end counts as sent.
 * @return LT_E_ARG a path not from speech on one clock; LT_E_SNR nobody talks into the returned line; LT_E_NOMEM. */
LT_NODISCARD lt_status lt_echo_measure_back(const lt_signal *sent, const lt_signal *returned, const lt_echo *echo,
                                            const lt_echo_options *opt, lt_echo **out, lt_error *err);
/** Echo in one recording alone: repeats of its own sound. delay_ms is from the sound to its first repeat, levels are re
 * the sound; less certain, and says so. */
LT_NODISCARD lt_status lt_echo_blind(const lt_signal *recording, const lt_echo_options *opt, lt_echo **out,
                                     lt_error *err);
void lt_echo_free(lt_echo *e);

/* ---- what an echo canceller would achieve (libspeexdsp) ---- */

enum { LT_CANCELLER_TAILS_MAX = 8 };
typedef struct {
    struct {
        double tail_ms;
        double erle_db; /* echo return loss enhancement once it has converged */
    } tails[LT_CANCELLER_TAILS_MAX];
    size_t count;
    double best_db;
    double sufficient_ms; /* shortest tail within 2 dB of the best; NaN: none gains 3 dB */
    double path_db;       /* what taking off the measured path itself would reach */
    double bulk_ms;       /* delay taken off before the canceller; 0: none */
} lt_canceller;
LT_NODISCARD lt_status lt_canceller_try(const lt_signal *sent, const lt_signal *returned, const lt_echo *echo,
                                        lt_canceller *out, lt_error *err);

/* ---- voice switching: from two recordings of the switching itself ---- */

typedef enum {
    LT_SWITCHING_AUTO,
    LT_SWITCHING_SAME,    /* returned is what the switch lets through of sent: before and behind it in one direction */
    LT_SWITCHING_OPPOSITE /* returned is the other direction, attenuated while sent talks */
} lt_switching_direction;
typedef enum {
    LT_RAMP_DB,         /* straight in dB; the time is that of the whole ramp */
    LT_RAMP_AMPLITUDE,  /* straight in amplitude; the same */
    LT_RAMP_EXPONENTIAL /* the time is the time constant of the amplitude */
} lt_ramp_shape;
const char *lt_switching_direction_name(lt_switching_direction d); /* auto, same, opposite */
const char *lt_ramp_shape_name(lt_ramp_shape s);                   /* straight-db, straight-amplitude, exponential */

enum { LT_SWITCHING_EVENTS_MAX = 400, LT_TALK_OFF_MAX = 32, LT_SWITCHING_COURSE = 64 };
typedef struct {
    double at_s; /* the gain begins to move, in the returned recording's time */
    bool opens;  /* the gain of returned rises */
} lt_switching_event;
typedef struct {
    double at_s, seconds, level_dbfs; /* of sent, meanwhile */
} lt_talk_off;

/** Mean gain around the beginnings of all ramps of one kind, for a chart. */
typedef struct {
    size_t count;                   /* 0: no such ramp */
    double ms[LT_SWITCHING_COURSE]; /* after the beginning of the ramp */
    double measured_db[LT_SWITCHING_COURSE],
        fitted_db[LT_SWITCHING_COURSE]; /* re open; measured NaN: too little sound */
} lt_switching_course;

/** NaN = not known. "Talks" is said of sent: same direction, returned opens then; opposite, returned is attenuated. */
typedef struct {
    lt_switching_direction direction; /* as found, or as given */
    bool switched;                    /* two gains were found, and sent explains when they change */
    double delay_ms;                  /* same direction: returned after sent */
    double attenuation_db;            /* open against closed */
    double attenuation_doubt_db;
    bool attenuation_at_least; /* closed lies in the noise of the recording: the true one is larger */
    double attack_ms;          /* gain moves because sent talks */
    lt_ramp_shape attack_shape;
    double reaction_ms; /* from the sound that triggers to the beginning of the attack */
    double hold_ms;     /* from the last sound that triggers to the beginning of the release */
    double hold_doubt_ms;
    double release_ms; /* gain moves back */
    lt_ramp_shape release_shape;
    double threshold_dbfs; /* level of sent that triggers (RMS of a sine of that peak), with the smoothing below */
    double smoothing_ms;   /* of the detector that explains the times best */
    lt_switching_event events[LT_SWITCHING_EVENTS_MAX];
    size_t event_count;
    unsigned attacks, releases; /* that the fits rest on */
    unsigned clipped;           /* same direction: attacks that took 10 ms or more from a beginning ... */
    unsigned beginnings;        /* ... of so many that could be judged */
    double clipped_mean_ms, clipped_worst_ms;
    double clipped_loss_db;                 /* energy lost of the first 100 ms of speech, mean over the attacks */
    lt_talk_off talk_offs[LT_TALK_OFF_MAX]; /* steady noise of sent held the switch for 1 s or more */
    size_t talk_off_count;
    double talking_percent; /* share of the time in which sent holds the switch */
    bool single_transducer; /* opposite: returned is dead while sent talks, as of one transducer for both */
    lt_switching_course attack_course, release_course;
    lt_notes notes; /* "few-events", "silent-pauses", "not-explained", "echo-in-return", "no-switching" */
} lt_switching;

/** @param[in] sent, returned recorded together; rates may differ (8 to 192 kHz), the shorter one counts
 * @return LT_E_ARG under 3 s or a rate out of range; LT_E_SNR one of them is silent
 * @source attack and hang-over in the sense of ITU-T P.340; the fit is ours */
LT_NODISCARD lt_status lt_switching_measure(const lt_signal *sent, const lt_signal *returned,
                                            lt_switching_direction direction, lt_switching *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
