/* SPDX-License-Identifier: MIT
 * Inside the level meter: what its stream part (meter.c) gathers and its closing part (meter_finish.c) reads. */
#ifndef LTP_LEVEL_METER_H
#define LTP_LEVEL_METER_H

#include "base/sum.h"
#include "level/lead.h"
#include "level/line_spectrum.h"
#include "level/screen.h"
#include "level/weighting.h"
#include <lanetune/level.h>

enum {
    LTP_PARTS = 16,        /* of a hop: the detectors' steps, 0.625 ms */
    LTP_PARTS_A_LEVEL = 2, /* parts between two entries of the percentiles: 1.25 ms */
    LTP_METER_BANDS = LT_LEVEL_LOW_BANDS + LT_LEVEL_BANDS_MAX + LT_LEVEL_OCTAVES,
    LTP_WATCHERS = 4
};

/** All bands, side by side. */
typedef struct {
    double power[LTP_METER_BANDS]; /* mean square, Fast */
    double max[LTP_METER_BANDS];
    double gain[LTP_METER_BANDS];   /* of the detector: 0 until the band's filter answers */
    ltp_sum sum[LTP_METER_BANDS];   /* of the mean squares of the hops */
    size_t settle[LTP_METER_BANDS]; /* hops until the filter answers */
    lt_histogram *fast[LTP_METER_BANDS];
    double level_db[LTP_METER_BANDS]; /* scratch */
} ltp_meter_bands;

/** One detector twice: once settled by the lead, for percentiles and the minimum, and once from zero, as a meter that
 * is switched on, for the maximum. */
typedef struct {
    double gain; /* 1 - exp(-part / (rate tau)) */
    double power, from_zero, max;
} ltp_detector;

typedef struct {
    size_t hops; /* of one interval */
    size_t filled;
    double sum;
    size_t count;
    double energy[LT_HISTORY_MAX];
} ltp_meter_history;

/** Sums of the interval that is filling. */
typedef struct {
    double interval_s;
    lt_level_watch watch;
    void *context;
    bool bands;
    uint64_t rows, start, frames; /* rows given; first frame and length of this one */
    double a_energy, c_energy, sum, energy;
    double fast_max, fast_min, c_peak; /* mean squares; largest square */
    size_t hops;
    double band_sum[LTP_METER_BANDS];
} ltp_watcher;

struct lt_level_meter {
    double rate_hz, cal_db;
    size_t hop, lead_hops;
    bool started;
    size_t held;  /* frames in `hold` */
    double *hold; /* [(lead_hops + 1) hop]; one hop once started */
    double *lead; /* [lead_hops hop] */
    ltp_lead *maker;
    double *scratch;     /* [3 hop + LTP_WEIGHTING_TAPS] */
    size_t hops;         /* seen, the lead included */
    size_t counted_hops; /* in the sums of the bands */

    lt_bank *bank;
    double band_gain; /* 1 - exp(-hop time / tau) */
    size_t band_count, third_count, low_count;
    ltp_meter_bands bands; /* low bands, the bands of every result, octaves */
    double mean_square[LTP_METER_BANDS];

    ltp_weighting weighting;
    ltp_weighted parts[LTP_PARTS];
    ltp_detector fast, slow, fast_c;
    double fast_min;
    bool fast_seeded, fast_counted;
    double fast_power[LTP_PARTS / LTP_PARTS_A_LEVEL + 1]; /* on their way into the percentiles */
    size_t fast_parts;                                    /* since the last entry */
    lt_histogram *fast_levels;
    ltp_sum a_energy, c_energy;
    double c_peak; /* largest square */

    ltp_meter_history history;
    ltp_watcher watchers[LTP_WATCHERS];
    size_t watcher_count;
    ltp_line_spectrum *lines;
    bool lines_at_half; /* they hear the bank's half rate */
    ltp_screen *screen; /* NULL: not asked for */
    lt_clip_meter clip;
    uint64_t frames;
    ltp_sum sum, energy; /* unweighted */
};

/** The rest of the stream: whatever is still held is counted. */
void ltp_meter_drain(lt_level_meter *m);
/** Rows that are not complete are given out as they are. */
void ltp_watchers_end(lt_level_meter *m);
void ltp_watchers_reset(lt_level_meter *m);
/** One hop (or, at the end, part of one) was counted: its sums; bands: whether mean_square belongs to it. */
typedef struct {
    double a_energy, c_energy, sum, energy, fast_max, fast_min, c_peak;
    size_t frames;
    bool bands;
} ltp_hop_sums;
void ltp_watchers_hop(lt_level_meter *m, const ltp_hop_sums *h);

#endif
