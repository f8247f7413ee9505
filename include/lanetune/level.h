/* SPDX-License-Identifier: MIT
 * level: sound levels, percentiles, one-third-octave spectra, mains hum; streaming in constant memory.
 * Sources: IEC 61672-1:2013 (weightings, Fast), IEC 61260-1:2014 (bands). Levels are dBFS + cal_db. No input or output.
 */
#ifndef LT_LEVEL_H
#define LT_LEVEL_H

#include <lanetune/base.h>
#include <lanetune/dsp.h>

#ifdef __cplusplus
extern "C" {
#endif

typedef struct {
    lt_band band;
    double leq_db, l10_db, l50_db, l90_db; /* percentiles of the Fast level: exceeded 10, 50, 90 % of the time */
} lt_level_band;

enum { LT_LEVEL_BANDS_MAX = 32, LT_HUM_LINES_MAX = 40, LT_HISTORY_MAX = 600 };
typedef struct {
    double hz, level_db;
} lt_hum_line;
typedef struct {
    double seconds;
    double laeq_db, lceq_db, lafmax_db, la10_db, la50_db, la90_db;
    double peak_dbfs;                        /* largest |sample|, dB re full scale */
    lt_level_band bands[LT_LEVEL_BANDS_MAX]; /* 50 Hz .. 16 kHz as far as the rate reaches */
    size_t band_count;
    bool hum;            /* false: no mains hum found, the fields below are not set */
    double mains_hz;     /* 50 or 60, also where the fundamental itself is missing */
    double hum_level_db; /* unweighted power sum of the lines */
    lt_hum_line lines[LT_HUM_LINES_MAX];
    size_t line_count;
    double history_step_s; /* A-weighted equivalent levels of equal, consecutive intervals, at most 600 */
    double history_dba[LT_HISTORY_MAX];
    size_t history_count;
    lt_notes notes; /* "clipping", "short", "silent", "dc-offset" */
} lt_levels;

typedef struct lt_level_meter lt_level_meter;
/** cal_db: SPL (or any level) that reads 0 dBFS; 0 = results in dBFS. LT_E_ARG (rate 4000 to 400000), LT_E_NOMEM. */
LT_NODISCARD lt_status lt_level_meter_create(double rate_hz, double cal_db, lt_level_meter **out, lt_error *err);
/** Any block sizes give the same bits as one block. Never allocates. */
void lt_level_meter_push(lt_level_meter *m, const double *x, size_t count);
/** LT_E_ARG: nothing was pushed. The meter must then be reset or freed. */
LT_NODISCARD lt_status lt_level_meter_finish(lt_level_meter *m, lt_levels *out, lt_error *err);
void lt_level_meter_reset(lt_level_meter *m);
void lt_level_meter_free(lt_level_meter *m);
/** One-shot. */
LT_NODISCARD lt_status lt_levels_measure(const lt_signal *s, double cal_db, lt_levels *out, lt_error *err);
/** Band `index` (third octave) or NULL. */
const lt_level_band *lt_levels_band(const lt_levels *l, int index);

/* ---- howl: a tone that grows, while something else may be playing ---- */

typedef struct {
    double hz;   /* of the tone, within 1 % */
    double at_s; /* since the first sample pushed */
    double rise_db_per_s;
    double level_dbfs; /* of the tone when it was told */
} lt_howl_event;

typedef struct lt_howl lt_howl;
/** Tells a tone that rises steadily at one frequency, within 250 ms once it stands out, as a loop does that has just
 * become unstable; knows a sweep by its moving, hum and whistles by their standing still, speech by its changing.
 * LT_E_ARG (rate 8000 to 200000), LT_E_NOMEM. One object, one thread. */
LT_NODISCARD lt_status lt_howl_create(double rate_hz, lt_howl **out, lt_error *err);
/** Next samples of the return. played[count] (may be NULL) is what sounded meanwhile, in any scale: a tone that is in
 * it, or was during the last half second, is no howl. Any block sizes. Never allocates. True once a howl was found;
 * *event (may be NULL) is that of the first one. */
bool lt_howl_push(lt_howl *h, const double *x, const double *played, size_t count, lt_howl_event *event);
void lt_howl_reset(lt_howl *h);
void lt_howl_free(lt_howl *h);

/* ---- calibrator: a microphone in the coupler of a sound calibrator (IEC 60942) ---- */

typedef struct {
    double hz;          /* of the tone */
    double level_dbfs;  /* of the tone alone, over the steady part */
    double mic_cal_db;  /* calibrator's SPL - level_dbfs */
    double unsteady_db; /* highest minus lowest level of blocks of 0.5 s */
    double other_db;    /* everything that is not the tone, re the tone */
    double hum_db;      /* mains hum re the tone; -INFINITY = none */
} lt_calibrator;
/** @param[in] s at least 2 s with the calibrator running; @param[in] spl_db 94, 114, ...
 * @return LT_E_SNR silence, no tone within 2 % of 1 kHz, a level that moves by more than 0.1 dB, hum or noise that
 * counts; LT_E_CLIP; LT_E_ARG too short, rate. Each message says what to do. */
LT_NODISCARD lt_status lt_calibrator_measure(const lt_signal *s, double spl_db, lt_calibrator *out, lt_error *err);

#ifdef __cplusplus
}
#endif
#endif
