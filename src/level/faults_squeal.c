/* SPDX-License-Identifier: MIT
 * Howl in a recording: lt_howl tells a tone that grows; it counts only if the tone then stays. Where it began is traced
 * back in the last seconds of sound. Full scale = 1.0. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

enum { FRAMES = 400 };
static const double ring_s = 5.0, stay_s = 0.5, shortest_stay_s = 0.1;
static const double frame_s = 0.04, step_s = 0.02;
static const double fall = 0.25;        /* power: it may fall by 6 dB while it stays */
static const double share_least = 0.05; /* of all power */
static const double slope_part = 0.25;  /* of the rise: less than that, and it had not begun */
static const double loud_db = -30.0, alone = 0.25;
enum { SMOOTH = 5 };

struct ltp_squeal {
    double rate_hz;
    lt_howl *howl;
    double *ring; /* [n] */
    size_t n, at;
    uint64_t pushed;
    double *frame; /* [frame_n] scratch */
    size_t frame_n, step_n;
    bool waiting, found;
    lt_howl_event event; /* at_s in the recording's time */
    uint64_t restarted;  /* frames before the detector's own start */
    uint64_t decide_at;
    double from_s, level_db, share;
    size_t refused;
};

void ltp_squeal_free(ltp_squeal *d)
{
    if (d == NULL)
        return;
    lt_howl_free(d->howl);
    ltp_free(d->ring);
    ltp_free(d->frame);
    ltp_free(d);
}

lt_status ltp_squeal_create(double rate_hz, ltp_squeal **out, lt_error *err)
{
    *out = NULL;
    ltp_squeal *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for howl");
    d->rate_hz = rate_hz;
    d->n = (size_t)(ring_s * rate_hz);
    d->frame_n = (size_t)(frame_s * rate_hz);
    d->step_n = (size_t)(step_s * rate_hz);
    d->ring = ltp_alloc(d->n, sizeof *d->ring);
    d->frame = ltp_alloc(d->frame_n, sizeof *d->frame);
    lt_status st = d->ring && d->frame ? LT_OK : ltp_fail_nomem(err, "the search for howl");
    if (st == LT_OK && rate_hz >= 8000.0 && rate_hz <= 200000.0) /* outside, no howl is looked for */
        st = lt_howl_create(rate_hz, &d->howl, err);
    if (st != LT_OK) {
        ltp_squeal_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

/* Mean square of the tone in the frame that begins at `start`, and of everything there. */
static double tone_in(ltp_squeal *d, uint64_t start, double hz, double *all)
{
    *all = 0.0;
    for (size_t i = 0; i < d->frame_n; i++) {
        const double x = d->ring[(start + i) % d->n];
        *all += x * x / (double)d->frame_n;
        d->frame[i] = x * (1.0 - cos(2.0 * LT_PI * (double)i / (double)d->frame_n));
    }
    const lt_complex z = lt_dtft(d->frame, d->frame_n, d->rate_hz, hz);
    return 2.0 * lt_complex_power(z) / ((double)d->frame_n * (double)d->frame_n);
}

static bool stays(ltp_squeal *d)
{
    const uint64_t told = (uint64_t)(d->event.at_s * d->rate_hz);
    const uint64_t from = told > d->frame_n ? told - d->frame_n : 0;
    double all, worst_share = 1.0, power = 0.0;
    const double first = tone_in(d, from, d->event.hz, &all);
    for (uint64_t at = from; at + d->frame_n <= d->pushed; at += d->step_n) {
        power = tone_in(d, at, d->event.hz, &all);
        worst_share = fmin(worst_share, power / (all + 1e-30));
        if (power < fall * first)
            return false;
    }
    d->level_db = lt_dbfs_from_mean_square(power);
    d->share = worst_share;
    return worst_share > share_least && (double)(d->pushed - told) >= shortest_stay_s * d->rate_hz;
}

/* Back from where it was told, as long as the tone gets weaker on the way. */
static double beginning(ltp_squeal *d)
{
    double level[FRAMES], all;
    const uint64_t told = (uint64_t)(d->event.at_s * d->rate_hz);
    const uint64_t oldest = d->pushed > d->n ? d->pushed - d->n : 0;
    size_t count = 0;
    for (; count < FRAMES && told >= oldest + d->frame_n + count * d->step_n; count++)
        level[count] = lt_db_from_power(tone_in(d, told - d->frame_n - count * d->step_n, d->event.hz, &all) + 1e-15);
    size_t at = 0;
    const double needed = slope_part * fmax(8.0, d->event.rise_db_per_s) * SMOOTH * step_s;
    while (at + 2 * SMOOTH <= count) {
        double newer = 0.0, older = 0.0;
        for (size_t i = 0; i < SMOOTH; i++) {
            newer += level[at + i] / SMOOTH;
            older += level[at + SMOOTH + i] / SMOOTH;
        }
        if (newer - older < needed)
            break;
        at++;
    }
    return fmax(0.0,
                ((double)told - 0.5 * (double)d->frame_n - (double)(at + SMOOTH / 2) * (double)d->step_n) / d->rate_hz);
}

static void decide(ltp_squeal *d)
{
    d->waiting = false;
    if (stays(d)) {
        d->found = true;
        d->from_s = beginning(d);
        return;
    }
    d->refused++;
    lt_howl_reset(d->howl);
    d->restarted = d->pushed;
}

void ltp_squeal_push(ltp_squeal *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count && d->howl != NULL && !d->found; i++) {
        d->ring[d->at] = x[i];
        d->at = d->at + 1 == d->n ? 0 : d->at + 1;
        d->pushed++;
        if (d->waiting) {
            if (d->pushed >= d->decide_at)
                decide(d);
        } else if (lt_howl_push(d->howl, x + i, NULL, 1, &d->event)) {
            d->event.at_s += (double)d->restarted / d->rate_hz;
            d->waiting = true;
            d->decide_at = d->pushed + (uint64_t)(stay_s * d->rate_hz);
        }
    }
}

void ltp_squeal_finish(ltp_squeal *d, const ltp_scan_end *end)
{
    if (d->waiting)
        decide(d);
    if (!d->found)
        return;
    const bool grave = d->level_db > loud_db && d->share > alone;
    lt_faults_add(end->out, LT_FAULT_HOWL, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel, d->from_s,
                  "a tone at %.0f Hz grows by %.0f dB a second and stays, at %.0f dBFS: the loop from speaker to "
                  "microphone and back is unstable; turn one direction down by 6 dB or more, look for a speaker that "
                  "faces its microphone, a missing gasket or foam",
                  d->event.hz, d->event.rise_db_per_s, d->level_db);
}
