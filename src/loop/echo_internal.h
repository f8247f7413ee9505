/* SPDX-License-Identifier: MIT
 * The echo path between two recordings, across the files of loop: preparation, lag and drift, weighted least squares,
 * reading of the path, finding. Time in frames of the analysis rate unless a name says otherwise; linear scale. */
#ifndef LTP_LOOP_ECHO_INTERNAL_H
#define LTP_LOOP_ECHO_INTERNAL_H

#include <lanetune/loop.h>

/** Both recordings at one rate, high-passed alike. */
typedef struct {
    lt_signal *sent, *returned;
    double rate_hz;
    bool causal;    /* nothing can come back before it was sent: no lag under 0 is looked at */
    ptrdiff_t skew; /* frames by which the first one of returned lies later in its file than that of sent in its own */
} ltp_echo_pair;
/** LT_E_SNR a silent recording, LT_E_ARG too short, LT_E_NOMEM. */
LT_NODISCARD lt_status ltp_echo_prepare(const lt_signal *sent, const lt_signal *returned, ltp_echo_pair *out,
                                        lt_error *err);
void ltp_echo_pair_clear(ltp_echo_pair *p);

/** The echo path from a prepared pair of speech, as lt_echo_measure() takes it; the pair is changed. */
LT_NODISCARD lt_status ltp_echo_from_speech(ltp_echo_pair *p, const lt_echo_options *o, lt_echo *e, lt_error *err);
/** Take a clock drift off the returned recording. */
LT_NODISCARD lt_status ltp_echo_correct_drift(ltp_echo_pair *p, double ppm, lt_error *err);
/** An empty result: nothing known. */
LT_NODISCARD lt_status ltp_echo_create(lt_echo **out, lt_error *err);

/* ---- lag and drift ---- */

typedef struct {
    double lag;         /* of the strongest common part: returned(n + lag) ~ sent(n) */
    double contrast;    /* of its peak to what chance reaches at other lags */
    double share;       /* of the blocks in which it stands out by itself, 0 to 1 */
    double drift_ppm;   /* positive: the returned recording is the longer one; 0 where not looked for */
    double drift_error; /* standard error, ppm */
    bool drifts;
} ltp_echo_lag;
/** Generalised cross-correlation with SCOT weighting over blocks, added up without their phase so that drift does not
 * smear it. first, last: lags searched. coarse: to half a millisecond, in a fraction of the memory. */
LT_NODISCARD lt_status ltp_echo_lag_find(const ltp_echo_pair *p, double first, double last, bool coarse,
                                         ltp_echo_lag *out, lt_error *err);
/** Clock drift around out->lag and out->drift_ppm, by which shift over time makes the blocks' correlations add up; sets
 * lag to its value at the start. */
LT_NODISCARD lt_status ltp_echo_drift_find(const ltp_echo_pair *p, ltp_echo_lag *out, lt_error *err);
/** Find lag and drift, take the drift off, and keep the part in which most is said. */
LT_NODISCARD lt_status ltp_echo_align(ltp_echo_pair *p, const lt_echo_options *o, ltp_echo_lag *lag, lt_echo *e,
                                      lt_error *err);
/** A chance peak stays below this contrast. */
#define LTP_ECHO_CONTRAST_LEAST 1.25

/* ---- least squares ---- */

/** The path as taps: returned(n + first) ~ sum h[k] sent(n - k). */
typedef struct {
    double *h; /* [taps] */
    size_t taps;
    ptrdiff_t first;
    double *weight;   /* [segments] of each segment of segment_frames, mean 1 */
    double *residual; /* [segments] mean square of what the path does not explain */
    double *power;    /* [segments] mean square of the returned recording */
    double *echo;     /* [segments] mean square of the sent recording sent through the path */
    double *gain;     /* [segments] dB, slow level changes of the path; 0 = as the median */
    size_t segments, segment_frames;
    double *noise_psd, *echo_psd, *return_psd; /* [bins] weighted */
    double *certainty;                         /* [bins] 0 to 1: how little the regularisation holds H back */
    size_t bins;                               /* 0 to rate / 2 */
    double gain_spread_db;
} ltp_echo_fit;
/** late: taps from the first one to the strongest part, about. coarse: enough to see where the path is, in a quarter of
 * the time. */
LT_NODISCARD lt_status ltp_echo_fit_make(const ltp_echo_pair *p, ptrdiff_t first, size_t taps, size_t late, bool coarse,
                                         ltp_echo_fit *out, lt_error *err);
void ltp_echo_fit_clear(ltp_echo_fit *f);

/** The normal equations of weighted least squares, solved by conjugate gradients. */
typedef struct ltp_normal ltp_normal;
LT_NODISCARD lt_status ltp_normal_create(const double *sent, size_t count, size_t taps, ltp_normal **out,
                                         lt_error *err);
void ltp_normal_free(ltp_normal *n);
/** y[count] = sent * h. */
void ltp_normal_apply(ltp_normal *n, const double *h, double *y);
/** g[taps]: g[k] = sum z[i] sent[i - k]. */
void ltp_normal_correlate(ltp_normal *n, const double *z, double *g);
/** Minimise sum w (target - sent * h)^2 + sum over f of ridge |H|^2. w[count]; ridge[bins] and the sent power
 * density[bins] (sum over all frames) on the grid of `bins` frequencies; h[taps] is start and result. */
LT_NODISCARD lt_status ltp_normal_solve(ltp_normal *n, const double *w, const double *target, const double *ridge,
                                        const double *density, size_t bins, int iterations, double *h, lt_error *err);

/* ---- reading a path ---- */

/** A path, what noise it holds, and what can be read from it. */
typedef struct {
    const lt_ir *ir;                    /* band from_hz to_hz; t = 0 is the sent signal */
    double noise_rms;                   /* of ir's samples, where no echo is */
    double at[LT_ECHO_ARRIVALS_MAX];    /* arrivals by time, frames from t = 0 */
    double level[LT_ECHO_ARRIVALS_MAX]; /* amplitude */
    size_t count;
    int polarity;
    double floor_db;     /* below this, re the first arrival, none could be seen */
    double tail_frames;  /* NaN: hidden by the noise */
    double tilt_db;      /* per octave, of the one-third octaves */
    double ripple_db;    /* standard deviation of the one-third octaves about that line */
    double flatness_db;  /* ... about their mean */
    double spread;       /* share of the energy within 4 ms of the first arrival that is not within 0.4 ms of it */
    double peak_over_db; /* highest 1/12 octave of |H|^2 over the median of them */
    double peak_hz;
    double peak_decay_s; /* time in which the path at that frequency falls by 60 dB; NaN */
} ltp_echo_reading;
LT_NODISCARD lt_status ltp_echo_read(const lt_ir *ir, ltp_echo_reading *out, lt_error *err);
/** Echo loss as in G.122, over another band. */
LT_NODISCARD lt_status ltp_echo_loss_between(const lt_ir *path, double low_hz, double high_hz, double *echo_loss_db,
                                             lt_error *err);
/** Evenly spaced repeats among the arrivals: distance in frames and amplitude ratio; false if there are none. */
bool ltp_echo_repeats(const ltp_echo_reading *r, double *distance, double *ratio);

/** Finding, rival, confidence, evidence and advice from everything else in e. */
void ltp_echo_judge(const ltp_echo_reading *r, const lt_echo_options *opt, lt_echo *e);
void ltp_echo_advise(const ltp_echo_reading *r, const lt_echo_options *opt, lt_echo *e);

#endif
