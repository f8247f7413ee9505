/* SPDX-License-Identifier: MIT
 * level: sound levels, percentiles, octave and one-third-octave spectra, mains hum; streaming in constant memory.
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
    double max_db;                         /* largest Fast level */
    double exceeded_db[LT_PERCENTILES];    /* [p - 1]: exceeded p % of the time, p = 1 .. 99 */
} lt_level_band;

enum {
    LT_LEVEL_BANDS_MAX = 32,
    LT_LEVEL_LOW_BANDS = 3, /* 25, 31.5, 40 Hz */
    LT_LEVEL_OCTAVES = 10,  /* 31.5 Hz .. 16 kHz */
    LT_HUM_LINES_MAX = 40,
    LT_HISTORY_MAX = 600
};
typedef struct {
    double hz, level_db;
} lt_hum_line;
typedef struct {
    double seconds;
    double laeq_db, lceq_db, lafmax_db, la10_db, la50_db, la90_db;
    double lzeq_db;                          /* unweighted, a constant offset left out */
    double lafmin_db, lasmax_db, lcfmax_db;  /* F: Fast, 125 ms; S: Slow, 1 s */
    double lcpeak_db;                        /* of the largest C-weighted sample: a sine reads 3 dB over its level */
    double lae_db;                           /* sound exposure level: laeq_db + 10 lg(seconds) */
    double la_exceeded_db[LT_PERCENTILES];   /* A-weighted Fast level exceeded p % of the time at [p - 1] */
    double peak_dbfs;                        /* largest |sample|, dB re full scale */
    lt_level_band bands[LT_LEVEL_BANDS_MAX]; /* 50 Hz .. 16 kHz as far as the rate reaches */
    size_t band_count;
    lt_level_band low_bands[LT_LEVEL_LOW_BANDS]; /* one-third octaves below them */
    size_t low_band_count;
    lt_level_band octaves[LT_LEVEL_OCTAVES]; /* octave filters, 31.5 Hz .. 16 kHz as far as the rate reaches */
    size_t octave_count;
    bool hum;            /* false: no mains hum found, the fields below are not set */
    double mains_hz;     /* 50 or 60, also where the fundamental itself is missing */
    double hum_level_db; /* unweighted power sum of the lines */
    lt_hum_line lines[LT_HUM_LINES_MAX];
    size_t line_count;
    double history_step_s; /* A-weighted equivalent levels of equal, consecutive intervals, at most 600 */
    double history_dba[LT_HISTORY_MAX];
    size_t history_count;
    const struct lt_interference_result *interference; /* borrowed; NULL: it was not looked for */
    lt_notes notes;                                    /* "clipping", "short", "silent", "dc-offset" */
} lt_levels;

typedef struct lt_level_meter lt_level_meter;
struct lt_screened;
/** cal_db: SPL (or any level) that reads 0 dBFS; 0 = results in dBFS. LT_E_ARG (rate 4000 to 400000), LT_E_NOMEM. */
LT_NODISCARD lt_status lt_level_meter_create(double rate_hz, double cal_db, lt_level_meter **out, lt_error *err);
/** Any block sizes give the same bits as one block. Never allocates. */
void lt_level_meter_push(lt_level_meter *m, const double *x, size_t count);
/** Before the first sample: also look, at little cost, for where interference may be; lt_level_meter_screened() tells
 * at the end. Reset ends it. LT_E_NOMEM; LT_E_STATE: samples were pushed. */
LT_NODISCARD lt_status lt_level_meter_screen(lt_level_meter *m, lt_error *err);
/** LT_E_ARG: nothing was pushed. The meter must then be reset or freed. */
LT_NODISCARD lt_status lt_level_meter_finish(lt_level_meter *m, lt_levels *out, lt_error *err);
void lt_level_meter_reset(lt_level_meter *m);
/** One row of a level history; levels as in lt_levels, over this interval alone. */
typedef struct {
    double start_s, seconds;
    double laeq_db, lceq_db, lzeq_db, lafmax_db, lafmin_db, lcpeak_db;
    const lt_band *bands;      /* [band_count] one-third octaves from 25 Hz; NULL where they were not asked for */
    const double *band_leq_db; /* [band_count]; NaN in a row shorter than 10 ms */
    size_t band_count;
} lt_level_row;
typedef void (*lt_level_watch)(void *context, const lt_level_row *row);
/** Before the first sample: call `watch` with a row for each interval, with the last, maybe shorter one from finish.
 * Ends of intervals fall on the nearest hop (about 10 ms), without drift. At most 4 a meter; they survive reset.
 * LT_E_ARG: interval outside [0.02 s, 1 day]; LT_E_STATE: too many, or samples were pushed. */
LT_NODISCARD lt_status lt_level_meter_watch(lt_level_meter *m, double interval_s, bool bands, lt_level_watch watch,
                                            void *context, lt_error *err);
/** Share of the time, [0, 1], that the A-weighted Fast level was above level_db. Before or after finish; NaN if empty.
 */
double lt_level_meter_share_above(const lt_level_meter *m, double level_db);
/** After finish, and only after lt_level_meter_screen(). */
void lt_level_meter_screened(const lt_level_meter *m, struct lt_screened *out);
void lt_level_meter_free(lt_level_meter *m);
/** One-shot. */
LT_NODISCARD lt_status lt_levels_measure(const lt_signal *s, double cal_db, lt_levels *out, lt_error *err);
/** Band `index` (third octave) or NULL. */
const lt_level_band *lt_levels_band(const lt_levels *l, int index);

/* ---- traffic beside the lane ---- */

enum { LT_PASSBYS_MAX = 1000 };
#define LT_TRAFFIC_STEP_S 0.125 /* interval of the rows that lt_traffic_push() wants */
typedef struct {
    double start_s, duration_s; /* while the Fast level was within 10 dB of the peak */
    double peak_s, peak_dba;    /* LAFmax and when */
    double exposure_db;         /* sound exposure level LAE over that time */
    double background_dba;      /* LA90 of the five minutes around the peak */
} lt_passby;
typedef struct {
    lt_passby passbys[LT_PASSBYS_MAX]; /* by start; of more than these the loudest */
    size_t passby_count;
    uint64_t passby_total;
    bool busy_hour;                              /* false: shorter than an hour, the fields below are not set */
    double busy_hour_start_s, busy_hour_laeq_db; /* the loudest hour that begins with a minute of the recording */
} lt_traffic_result;

typedef struct lt_traffic lt_traffic;
/** rise_db: how far a pass-by must stand above the background, [4, 60]. LT_E_ARG, LT_E_NOMEM. Constant memory. */
LT_NODISCARD lt_status lt_traffic_create(double rise_db, lt_traffic **out, lt_error *err);
/** Next row of a history of LT_TRAFFIC_STEP_S. *out: zeroed before the first row, gathers what is found. */
void lt_traffic_push(lt_traffic *t, const lt_level_row *row, lt_traffic_result *out);
void lt_traffic_finish(lt_traffic *t, lt_traffic_result *out);
void lt_traffic_free(lt_traffic *t);

/* ---- noise criterion ---- */

enum { LT_NC_BANDS = 9 }; /* octaves 31.5 Hz .. 8 kHz */
typedef struct {
    double rating;       /* number of the highest NC curve that the spectrum touches, interpolated */
    double governing_hz; /* nominal frequency of the band that touches it */
    double sil_db;       /* speech interference level: mean of 500, 1000, 2000 and 4000 Hz */
    bool below, above;   /* outside NC-15 to NC-70: `rating` is then an extrapolation that no curve backs */
} lt_nc;
/** octave_db: dB SPL; -INFINITY = silence. false: a level is not known. Source: ANSI S12.2, tangency method. */
bool lt_nc_rate(const double octave_db[LT_NC_BANDS], lt_nc *out);
/** Curve 15, 20, .. 70 at octave i from 31.5 Hz; NaN for others. */
double lt_nc_curve_db(int curve, size_t band);

/* ---- howl: a tone that grows, while something else may be playing ---- */

typedef struct {
    double hz;   /* of the tone, within 1 % */
    double at_s; /* since the first sample pushed */
    double rise_db_per_s;
    double level_dbfs; /* of the tone when it was told */
} lt_howl_event;

typedef struct lt_howl lt_howl;
/** Tells a tone that rises steadily at one frequency by 3 to 200 dB/s, within 250 ms once it stands out (21 dB above
 * the noise in 35 Hz, and -60 dBFS), as a loop does that has just become unstable; knows a sweep by its moving, hum by
 * its standing still, speech by its changing, a note by its attack, which flattens, and a chord by the notes that came
 * with it where no sweep has passed. Behind a sweep the lane's own return falls, by 90 dB/s or more; a tone that rises
 * by 9 dB/s and more there, or stays and is louder than the return, can be told from it as soon as it stands out, the
 * return has moved on by 35 Hz (the width of the 43 ms window) and is 6 dB weaker in the tone's three bins: 96 of 100
 * are told within 250 ms of that. Not told: modes of a loop closer than 66 Hz that grow alike, for none of them is a
 * narrow-band tone, and a howl that is at its limit, but no louder than the return. LT_E_ARG (rate 8000 to 200000),
 * LT_E_NOMEM. One object, one thread. */
LT_NODISCARD lt_status lt_howl_create(double rate_hz, lt_howl **out, lt_error *err);
/** Next samples of the return. played[count] (may be NULL) is what sounded meanwhile, in any scale: a tone that is in
 * it, or was within the last 80 ms, is no howl. Any block sizes. Never allocates. True once a howl was found; *event
 * (may be NULL) is that of the first one. */
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

/* ---- faults: what makes a recording unusable or a lane need a repair ---- */

/* clang-format off */
#define LT_FAULT_MAP(X)                                                                                        \
    X(LT_FAULT_CLIPPING, "clipping") X(LT_FAULT_DC_OFFSET, "dc-offset") X(LT_FAULT_MAINS_HUM, "mains-hum")     \
    X(LT_FAULT_BURST_BUZZ, "burst-buzz") X(LT_FAULT_WHINE, "whine") X(LT_FAULT_DROPOUT, "dropout")             \
    X(LT_FAULT_DEAD_CHANNEL, "dead-channel") X(LT_FAULT_LOW_LEVEL, "low-level") X(LT_FAULT_CRACKLE, "crackle") \
    X(LT_FAULT_WIND, "wind") X(LT_FAULT_HOWL, "howl") X(LT_FAULT_BAND_LIMITED, "band-limited")                 \
    X(LT_FAULT_RATTLE, "rattle") X(LT_FAULT_RUB, "rub") X(LT_FAULT_POLARITY, "polarity")                       \
    X(LT_FAULT_SWAPPED_CHANNELS, "swapped-channels")
/* clang-format on */
typedef enum {
#define X(id, word) id,
    LT_FAULT_MAP(X)
#undef X
        LT_FAULT_CODE_COUNT
} lt_fault_code;
const char *lt_fault_code_name(lt_fault_code code); /* "mains-hum"; never NULL */

typedef enum {
    LT_SEVERITY_NOTE,
    LT_SEVERITY_WARNING,
    LT_SEVERITY_ERROR, /* unusable, or the lane needs a repair */
    LT_SEVERITY_COUNT
} lt_severity;
const char *lt_severity_name(lt_severity s); /* "note", "warning", "error" */

typedef struct {
    lt_fault_code code;
    lt_severity severity;
    unsigned channel;  /* 1-based; 0 = the file as a whole */
    double at_s;       /* first occurrence; NaN = the whole file is meant */
    char message[512]; /* the evidence with figures, then likely causes, in a technician's words */
} lt_fault;

enum { LT_FAULTS_MAX = 64 };
typedef struct {
    lt_fault items[LT_FAULTS_MAX];
    size_t count;
} lt_faults;
/** A full list drops what comes. */
void lt_faults_add(lt_faults *f, lt_fault_code code, lt_severity severity, unsigned channel, double at_s,
                   const char *format, ...) LT_PRINTF(6, 7);
/** Worst first, then by time (whole file first), channel and code. */
void lt_faults_sort(lt_faults *f);
/** The gravest; LT_SEVERITY_COUNT if there is none. */
lt_severity lt_faults_worst(const lt_faults *f);

/** One channel of a recording, streaming in constant memory. Tells all codes up to band-limited. The rules are ours and
 * stand in the detectors' own files. */
typedef struct lt_fault_scan lt_fault_scan;
/** rate 4000 to 400000 Hz (LT_E_ARG); channel is what the faults will carry. LT_E_NOMEM. One object, one thread. */
LT_NODISCARD lt_status lt_fault_scan_create(double rate_hz, unsigned channel, lt_fault_scan **out, lt_error *err);
void lt_fault_scan_free(lt_fault_scan *s);
/** Any block sizes give the same faults. Never allocates. */
void lt_fault_scan_push(lt_fault_scan *s, const double *x, size_t count);
/** Appends to *out, unsorted. Once; the object can then only be freed. LT_E_NOMEM. */
LT_NODISCARD lt_status lt_fault_scan_finish(lt_fault_scan *s, lt_faults *out, lt_error *err);
/** Level over time for a chart: RMS of equal, consecutive intervals in dBFS, at most LT_HISTORY_MAX. */
size_t lt_fault_scan_history(const lt_fault_scan *s, double *level_db, double *step_s);

/** Two channels of one recording against each other: polarity, order, one of them dead. Streaming. */
typedef struct lt_pair_scan lt_pair_scan;
/** first, second: the channels' numbers, 1-based. */
LT_NODISCARD lt_status lt_pair_scan_create(double rate_hz, unsigned first, unsigned second, lt_pair_scan **out,
                                           lt_error *err);
void lt_pair_scan_free(lt_pair_scan *s);
void lt_pair_scan_push(lt_pair_scan *s, const double *a, const double *b, size_t count);
void lt_pair_scan_finish(lt_pair_scan *s, lt_faults *out);

/* ---- interference: what comes in over wires and air, beside the level meter ---- */

enum { LT_WHINES_MAX = 12 };
typedef struct {
    double hz, level_db;
    double from_s, to_s;
} lt_whine;
typedef struct lt_interference_result {
    double mains_exact_hz;          /* measured on the lines; NaN without hum */
    double hum_from_s;              /* NaN: present all the time, or no hum */
    lt_whine whines[LT_WHINES_MAX]; /* loudest first */
    size_t whine_count;
    double burst_s;       /* time with the 217 Hz comb of a mobile phone */
    double burst_from_s;  /* NaN: none */
    double burst_db;      /* of the comb while it sounds */
    double wind_percent;  /* share of the time with wind on the microphone; 0 under 0.5 % or half a second */
    double wind_from_s;   /* NaN: none */
    double wind_below_hz; /* levels under this frequency are the wind's while it blows; NaN */
} lt_interference_result;
typedef struct lt_interference lt_interference;
/** What is looked for: any of these together. */
enum { LT_SEEK_HUM = 1, LT_SEEK_WHINE = 2, LT_SEEK_BURST = 4, LT_SEEK_WIND = 8, LT_SEEK_ALL = 15 };
/** Levels are dBFS + cal_db. rate 4000 to 400000 Hz (LT_E_ARG); LT_E_NOMEM. */
LT_NODISCARD lt_status lt_interference_create(double rate_hz, double cal_db, unsigned seek, lt_interference **out,
                                              lt_error *err);
void lt_interference_free(lt_interference *s);
void lt_interference_push(lt_interference *s, const double *x, size_t count);
/** What was found. mains_hz: exact, if known from elsewhere and hum was not looked for; NaN. burst_s: time with a burst
 * buzz, if known from elsewhere and it was not looked for, as its comb is no whine; 0. LT_E_NOMEM. */
LT_NODISCARD lt_status lt_interference_finish(lt_interference *s, double mains_hz, double burst_s,
                                              lt_interference_result *out, lt_error *err);

/** A long recording is screened by the level meter first; only where there may be something do the detectors above
 * listen. The parts of a list are in order and apart from each other; they end with the recording at the latest. */
enum { LT_SUSPECTS_MAX = 64 };
typedef struct {
    double from_s, to_s;
} lt_suspect;
typedef struct {
    lt_suspect items[LT_SUSPECTS_MAX];
    size_t count;
} lt_suspects;
typedef struct lt_screened {
    lt_suspects whine, burst;
    double wind_s;      /* wind needs no second look */
    double wind_from_s; /* NaN: none */
    double wind_below_hz;
} lt_screened;
/** Result of a recording before any part of it was listened to: only the wind is known. seconds: its length. */
lt_interference_result lt_interference_screened(const lt_screened *s, double seconds);
/** The result of a part that begins at from_s is added. Whines of the same frequency are one; those that are lines of a
 * burst buzz which was added before, or is now, are none. */
void lt_interference_add(lt_interference_result *all, const lt_interference_result *part, double from_s);
/** Mains frequency that the lines agree on; NaN without lines. mains_hz: 50 or 60. */
double lt_hum_exact_hz(double mains_hz, const lt_hum_line *lines, size_t count);
/** Where a hum of these lines most likely gets in, one sentence. */
const char *lt_hum_entry_point(double mains_hz, const lt_hum_line *lines, size_t count);

#ifdef __cplusplus
}
#endif
#endif
