/* SPDX-License-Identifier: MIT
 * The howl detector's state, and its rules for what a sweep leaves behind and for tones that come together. Bins and
 * hops of short spectra. */
#ifndef LTP_LEVEL_HOWL_H
#define LTP_LEVEL_HOWL_H

#include <lanetune/level.h>

enum {
    LTP_HOWL_DEPTH = 21,  /* spectra kept */
    LTP_HOWL_MEAN = 4,    /* hops in a mean */
    LTP_HOWL_MEANS = 100, /* means of hops kept */
    LTP_HOWL_NEAR = 5,    /* bins beside a peak that are its own */
    LTP_HOWL_FAR = 20,    /* ... up to where its neighbourhood reaches */
    LTP_HOWL_AFTER = 60,  /* hops after a sweep has passed */
    LTP_HOWL_BLOCK = 64,  /* hops: a howl that is not told within one or two is part of the return */
    LTP_HOWL_LINGER = 10, /* hops in which what a lane rings on has fallen by 9 dB at least */
    LTP_HOWL_LONGER = 16, /* ... by 15 dB, also where other tones beat with it */
    LTP_HOWL_PACE = 8     /* hops by which a marker is told from a sweep */
};
#define LTP_HOWL_PROMINENCE_DB 17.0 /* over what lies beside it */
#define LTP_HOWL_STEEPEST_DB_S 270.0
#define LTP_HOWL_RISE_DB_S 9.0 /* what rises less behind a sweep is a howl at its limit, or a note */

struct lt_howl {
    double rate_hz;
    size_t n, hop, bins, first, last; /* bins that are looked at */
    size_t hold_hops;
    size_t tone_bin; /* of the strongest tone that is played; 0 = none */
    lt_rfft *fft;
    double *window, *x, *played, *work;
    lt_complex *spectrum;        /* [LTP_HOWL_DEPTH x bins], ring */
    double *power;               /* [bins] of the newest */
    double *sum;                 /* [bins] of the hops of a mean; NaN: something was played there */
    float *mean;                 /* [LTP_HOWL_MEANS x bins], ring */
    size_t means;                /* so far */
    double *reference;           /* [bins] of what was played */
    bool *struck;                /* [bins] a tone began there at once, after the sweep had passed */
    double *most;                /* [bins] power since then */
    uint32_t *crowded_until;     /* [bins] other tones were there, too: until this hop it takes more to be a howl */
    double *passed;              /* [bins] power while the sweep passed, the most */
    bool *chirped;               /* [bins] what passed was too fast to wake a loop: a marker */
    size_t pace[LTP_HOWL_DEPTH]; /* tone_bin of the last hops, ring */
    double loudest[3];           /* power of what came back of played tones: in this block, in the last one, before */
    double *sorted;              /* [bins] */
    uint32_t *masked_until;      /* [bins] hop number */
    uint32_t *swept_until;       /* [bins] ... narrower: nothing that is played itself has its peak there */
    uint32_t *flank_until;       /* [bins] ... wider: no measure for the level beside a peak */
    uint32_t *peak_since;        /* [bins] a tone was played there from this hop to the next */
    uint32_t *peak_last;
    uint8_t *points;      /* [bins] */
    uint8_t *company;     /* [bins] as points, of hops with other tones */
    uint32_t *rose_until; /* [bins] a rise that was seen while the bin was masked counts until then */
    size_t filled;        /* samples in x that are new */
    uint32_t hops;
    uint64_t pushed;
    double scale; /* |X|^2 of the three bins of a tone to its mean square */
    bool found;
    lt_howl_event event;
};

/** A straight line: its rise from the first to the last value, what is left, the means of its thirds. */
typedef struct {
    double rise_db, scatter_db, third[3], last_db;
} ltp_howl_line;

const lt_complex *ltp_howl_spectrum(const lt_howl *h, size_t hops_ago);
double ltp_howl_level(const lt_howl *h, double power);
/** The last n means of bin k, dB; NaN where something was played. */
void ltp_howl_history(const lt_howl *h, size_t k, size_t n, double *y);
/** Through y[n], without those that are NaN. False: too few. */
bool ltp_howl_fit(const double *y, size_t n, ltp_howl_line *out);
/** Power about bin k: what another bin's tone adds wavers less. */
double ltp_howl_wide_power(const lt_complex *x, size_t k);
/** One frequency for the last n hops, n < LTP_HOWL_DEPTH; limits: 1, or that many times as wide. */
bool ltp_howl_stays(const lt_howl *h, size_t k, size_t n, double limits, double *hz);

/* ---- tones beside it ---- */

/** Harmonics, as those of a voice or an engine; a young howl has none. limited: it may be at a limiter. */
bool ltp_howl_has_mates(const lt_howl *h, size_t k, double hz, bool limited);
/** Another steady tone among the peaks where no sweep has passed; lately: it came within the last moments. */
bool ltp_howl_has_company(const lt_howl *h, size_t k, const size_t *peaks, size_t count, bool lately);
/** Every hop for every peak: has company that came lately, or had it for some time. */
bool ltp_howl_watch_company(lt_howl *h, size_t k, const size_t *peaks, size_t count);
void ltp_howl_forget_company(lt_howl *h);

/* ---- where a sweep has passed ---- */

/** dB over the median beside the peak: other modes of a loop may stand there. */
double ltp_howl_stands_out_db(const lt_howl *h, size_t k);
bool ltp_howl_lingers(const lt_howl *h, size_t k, double *slope_db_s, double *level_db);
bool ltp_howl_outlasts(const lt_howl *h, size_t k, double *slope_db_s, double *level_db);
bool ltp_howl_drowns(const lt_howl *h, size_t k, double *level_db);
void ltp_howl_watch_attacks(lt_howl *h);
/** Every LTP_HOWL_BLOCK hops. */
void ltp_howl_next_block(lt_howl *h);
/** A peak that may be the return of what is played. */
void ltp_howl_keep_loudest(lt_howl *h, size_t k);

#endif
