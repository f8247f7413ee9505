/* SPDX-License-Identifier: MIT
 * What the detectors of faults share. Each is one object that is fed the same samples; scale: full scale = 1.0. */
#ifndef LTP_LEVEL_FAULTS_H
#define LTP_LEVEL_FAULTS_H

#include "level/hum.h"
#include <lanetune/level.h>

#include <math.h>

/** What one detector needs to know of the others' findings when it words its own. */
typedef struct {
    lt_faults *out;
    unsigned channel;
    double seconds;   /* length of the recording */
    double active_db; /* level exceeded 5 % of the time, dBFS, frames of 20 ms */
    double peak;      /* largest |sample| */
    double mains_hz;  /* exact, of the hum that was found; NaN */
    double burst_s;   /* a mobile phone buzzes so long */
} ltp_scan_end;

/** Rates that the detectors are made for: LT_E_ARG. */
lt_status ltp_faults_check_rate(double rate_hz, lt_error *err);

/* ---- steady: constant offset, too low a level, nothing at all ---- */
typedef struct ltp_steady ltp_steady;
lt_status ltp_steady_create(double rate_hz, ltp_steady **out, lt_error *err);
void ltp_steady_free(ltp_steady *d);
void ltp_steady_push(ltp_steady *d, const double *x, size_t count);
/** Sets seconds, active_db and peak of *end. */
void ltp_steady_levels(ltp_steady *d, ltp_scan_end *end);
void ltp_steady_finish(ltp_steady *d, const ltp_scan_end *end);
size_t ltp_steady_history(const ltp_steady *d, double *level_db, double *step_s);

/* ---- clipping ---- */
typedef struct ltp_flat ltp_flat;
lt_status ltp_flat_create(double rate_hz, ltp_flat **out, lt_error *err);
void ltp_flat_free(ltp_flat *d);
void ltp_flat_push(ltp_flat *d, const double *x, size_t count);
void ltp_flat_finish(ltp_flat *d, const ltp_scan_end *end);

/* ---- dropouts ---- */
typedef struct ltp_gap ltp_gap;
lt_status ltp_gap_create(double rate_hz, ltp_gap **out, lt_error *err);
void ltp_gap_free(ltp_gap *d);
void ltp_gap_push(ltp_gap *d, const double *x, size_t count);
void ltp_gap_finish(ltp_gap *d, const ltp_scan_end *end);

/* ---- crackle ---- */
typedef struct ltp_click ltp_click;
lt_status ltp_click_create(double rate_hz, ltp_click **out, lt_error *err);
void ltp_click_free(ltp_click *d);
void ltp_click_push(ltp_click *d, const double *x, size_t count);
void ltp_click_finish(ltp_click *d, const ltp_scan_end *end);

/* ---- mains hum, with the time since when ---- */
typedef struct ltp_mains ltp_mains;
typedef struct {
    ltp_hum hum;       /* mains_hz 0 = none */
    double exact_hz;   /* NaN */
    double level_dbfs; /* power sum of the lines */
    double from_s;     /* NaN: all the time */
} ltp_mains_result;
lt_status ltp_mains_create(double rate_hz, ltp_mains **out, lt_error *err);
void ltp_mains_free(ltp_mains *d);
void ltp_mains_push(ltp_mains *d, const double *x, size_t count);
lt_status ltp_mains_result_of(ltp_mains *d, ltp_mains_result *out, lt_error *err);
void ltp_mains_finish(const ltp_mains_result *r, const ltp_scan_end *end);

/* ---- whine: narrow tones that stay ---- */
typedef struct ltp_whine ltp_whine;
lt_status ltp_whine_create(double rate_hz, ltp_whine **out, lt_error *err);
void ltp_whine_free(ltp_whine *d);
void ltp_whine_push(ltp_whine *d, const double *x, size_t count);
/** Loudest first; mains_hz NaN or the exact mains frequency, whose multiples are hum and no whine; burst_s: time in
 * which a phone buzzes, whose comb is no whine either. */
size_t ltp_whine_list(ltp_whine *d, double mains_hz, double burst_s, lt_whine list[LT_WHINES_MAX]);
/** The loudest stay, loudest first. */
void ltp_whine_insert(lt_whine list[LT_WHINES_MAX], size_t *count, const lt_whine *w);
void ltp_whine_finish(ltp_whine *d, const ltp_scan_end *end);

/* ---- burst buzz of mobile phones ---- */
typedef struct ltp_burst ltp_burst;
typedef struct {
    size_t bursts;
    double seconds, from_s, level_dbfs; /* from_s NaN: none */
} ltp_burst_result;
lt_status ltp_burst_create(double rate_hz, ltp_burst **out, lt_error *err);
void ltp_burst_free(ltp_burst *d);
void ltp_burst_push(ltp_burst *d, const double *x, size_t count);
void ltp_burst_result_of(ltp_burst *d, ltp_burst_result *out);
/** Whether a tone of length_s may be a line of the comb, which sounds for burst_s altogether. */
bool ltp_burst_has_line(double hz, double length_s, double burst_s);
/** Seconds of buzz; 0: none. */
double ltp_burst_finish(ltp_burst *d, const ltp_scan_end *end);

/* ---- wind on the microphone ---- */
typedef struct ltp_wind ltp_wind;
typedef struct {
    double seconds, from_s; /* from_s NaN: none */
    double level_dbfs;      /* of the gusts below below_hz */
    double below_hz;
} ltp_wind_result;
lt_status ltp_wind_create(double rate_hz, ltp_wind **out, lt_error *err);
void ltp_wind_free(ltp_wind *d);
void ltp_wind_push(ltp_wind *d, const double *x, size_t count);
void ltp_wind_result_of(ltp_wind *d, ltp_wind_result *out);
void ltp_wind_finish(ltp_wind *d, const ltp_scan_end *end);

/* ---- howl ---- */
typedef struct ltp_squeal ltp_squeal;
lt_status ltp_squeal_create(double rate_hz, ltp_squeal **out, lt_error *err);
void ltp_squeal_free(ltp_squeal *d);
void ltp_squeal_push(ltp_squeal *d, const double *x, size_t count);
void ltp_squeal_finish(ltp_squeal *d, const ltp_scan_end *end);

/* ---- band limits ---- */
typedef struct ltp_extent ltp_extent;
lt_status ltp_extent_create(double rate_hz, ltp_extent **out, lt_error *err);
void ltp_extent_free(ltp_extent *d);
void ltp_extent_push(ltp_extent *d, const double *x, size_t count);
void ltp_extent_finish(ltp_extent *d, const ltp_scan_end *end);

#endif
