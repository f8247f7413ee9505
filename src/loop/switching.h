/* SPDX-License-Identifier: MIT
 * Voice switching across its own files. Time runs in blocks of 1 ms; gains are amplitudes re an arbitrary level. */
#ifndef LTP_LOOP_SWITCHING_H
#define LTP_LOOP_SWITCHING_H

#include <lanetune/loop.h>

#define LTP_BLOCK_S 0.001

/** Two recordings as a track of blocks. Same direction: returned = gain x path(sent) + noise, so that sent tells the
 * gain of every block in which it sounds. Opposite: returned is a whitened noise whose power tells the gain. */
typedef struct {
    double rate_hz;
    bool same;
    size_t count;      /* blocks */
    size_t block;      /* samples of one */
    double *cross;     /* [count] sum of returned x path(sent); same only */
    double *reference; /* [count] sum of path(sent)^2; same only */
    double *power;     /* [count] sum of returned^2 (whitened where opposite) */
    double *level;     /* [count] sum of returned^2, never whitened */
    double *variance;  /* [count] same: of a sample that the best gain leaves unexplained */
    double noise;      /* same: its floor; opposite: what the switch does not attenuate */
    double *sent;      /* [count * block] as it triggers, aligned with returned */
    double delay_s;
    bool echo; /* opposite: returned holds a good part of sent */
} ltp_track;

/* ---- switching_track.c ---- */
LT_NODISCARD lt_status ltp_track_create(const lt_signal *sent, const lt_signal *returned, lt_switching_direction d,
                                        ltp_track *out, lt_error *err);
void ltp_track_free(ltp_track *t);

/* ---- switching_fit.c ---- */
/** Logarithm of the likelihood of block k with gain g, up to a constant. */
double ltp_track_likelihood(const ltp_track *t, size_t k, double g);
typedef struct {
    double open, closed; /* gains */
    double closed_sigma; /* standard error of closed, relative */
    double evidence;     /* likelihood gained over one gain for all, nats */
    bool closed_in_noise;
    unsigned char *state; /* [count] 1 = open */
} ltp_levels_fit;
LT_NODISCARD lt_status ltp_levels_fit_create(const ltp_track *t, ltp_levels_fit *out, lt_error *err);
void ltp_levels_fit_free(ltp_levels_fit *f);

typedef struct {
    lt_ramp_shape shape;
    double time_s;
    size_t count; /* all events, in order */
    size_t roomy; /* of them with enough steady gain on both sides */
    bool is_roomy[LT_SWITCHING_EVENTS_MAX];
    double start_s[LT_SWITCHING_EVENTS_MAX]; /* of each event, begin of the ramp */
} ltp_ramp_fit;
/** All changes of one kind with one shape and time. */
LT_NODISCARD lt_status ltp_ramp_fit_make(const ltp_track *t, const ltp_levels_fit *l, bool opens, ltp_ramp_fit *out,
                                         lt_error *err);
/** Levels once more, from the blocks between the fitted ramps. */
LT_NODISCARD lt_status ltp_levels_refine(const ltp_track *t, const ltp_ramp_fit *opens, const ltp_ramp_fit *closes,
                                         ltp_levels_fit *l, lt_error *err);
/** Gain `after_s` after the start of a ramp from a to b. */
double ltp_ramp_gain(lt_ramp_shape shape, double time_s, double a, double b, double after_s);

/* ---- switching_course.c ---- */
void ltp_switching_course(const ltp_track *t, const ltp_levels_fit *l, const ltp_ramp_fit *ramps,
                          const ltp_ramp_fit *others, bool opens, lt_switching_course *out);

/* ---- switching_trigger.c ---- */
/** Finds the detector on sent that explains attacks and releases best; fills threshold, smoothing, reaction, hold. */
LT_NODISCARD lt_status ltp_trigger_find(const ltp_track *t, const ltp_ramp_fit *attacks, const ltp_ramp_fit *releases,
                                        lt_switching *out, lt_error *err);

#endif
