/* SPDX-License-Identifier: MIT
 * Level, sweeps and seconds of a measurement where they are not given: silence, then bursts from quiet to loud enough.
 */
#include "measure.h"

#include "base/alloc.h"

#define SILENCE_S 1.5
#define AFTER_S 0.7
#define HIGHEST_DBFS (-6.0)

#define CLEARLY 10.0 /* power of a burst re the noise: nothing that noise does by itself */

typedef struct {
    lt_level_finder f;
    double quiet[LT_LIVE_CHANNELS_MAX]; /* mean squares of the noise */
    unsigned other;                     /* input, counted from 1, where the last burst came in most clearly; 0 = none */
} finding;

static double mean_square(const lt_signal *x)
{
    const double rms = lt_signal_rms(x);
    return rms * rms;
}

/* Of those that are recorded beside the chosen one. */
static unsigned heard_elsewhere(const cli_measure_job *j, const finding *d, const lt_take *t)
{
    unsigned input = 0;
    double most = CLEARLY;
    for (unsigned c = 0; c < t->channel_count; c++) {
        const double ratio = mean_square(t->channels[c]) / (d->quiet[c] + 1e-20);
        if (c != j->live->channel && ratio > most) {
            most = ratio;
            input = c + 1;
        }
    }
    return input;
}

static lt_status listen(cli_measure_job *j, finding *d, lt_error *err)
{
    lt_take *take = NULL;
    cli_live_say(j->live, "Listening to the noise, then short bursts, each a little louder.");
    lt_status st = cli_live_take(j->live, "noise", NULL, SILENCE_S, &take, err);
    if (st == LT_OK)
        st = lt_level_finder_start(&d->f, take->channels[j->live->channel], err);
    for (unsigned c = 0; st == LT_OK && c < take->channel_count; c++)
        d->quiet[c] = mean_square(take->channels[c]);
    lt_take_free(take);
    return st;
}

static lt_status play_burst(cli_measure_job *j, finding *d, lt_error *err)
{
    lt_level_finder *f = &d->f;
    lt_signal *burst = NULL;
    lt_take *take = NULL;
    char what[40];
    (void)snprintf(what, sizeof what, "burst at %.0f dBFS", f->level_dbfs);
    j->live->opt.ceiling_dbfs = f->level_dbfs + 0.1;
    lt_status st = lt_level_burst(j->live->opt.rate_hz, f->level_dbfs, &burst, err);
    if (st == LT_OK)
        st = cli_live_take(j->live, what, burst, AFTER_S, &take, err);
    if (st == LT_OK)
        st = lt_level_finder_push(f, take->channels[j->live->channel], err);
    if (st == LT_OK)
        d->other = heard_elsewhere(j, d, take);
    lt_take_free(take);
    lt_signal_free(burst);
    return st;
}

static void note_end(cli_measure_job *j, const lt_level_finder *f, const lt_plan *p)
{
    if (f->end == LT_LEVEL_AMPLIFIER)
        lt_notes_add(
            &j->notes, "amplifier-clips",
            "Above %.0f dBFS the return grows no more as it should: the amplifier clips; it is measured below.",
            f->level_dbfs);
    if (!p->enough)
        lt_notes_add(&j->notes, "too-noisy",
                     "Even %u sweeps leave only %.0f dB to the noise at %.0f Hz; measure at a quieter time.", p->sweeps,
                     p->snr_db, p->hz);
}

lt_status cli_measure_plan(cli_measure_job *j, lt_error *err)
{
    const bool given = lt_is_known(j->level_dbfs);
    lt_plan p;
    if (given && j->sweeps > 0 && lt_is_known(j->seconds))
        return LT_OK;
    finding d = {.f = {.highest_dbfs = HIGHEST_DBFS, .cal_db = j->live->cal_db, .max_spl_db = j->live->max_spl_db}};
    lt_level_finder *f = &d.f;
    lt_status st = listen(j, &d, err);
    if (given)
        f->level_dbfs = f->highest_dbfs = j->level_dbfs; /* one burst there tells how long and how often */
    do {
        if (st == LT_OK)
            st = play_burst(j, &d, err);
    } while (st == LT_OK && f->end == LT_LEVEL_GO_ON);
    if (st == LT_OK && f->heard_bands == 0 && d.other > 0)
        st = ltp_fail(err, LT_E_SNR,
                      "the bursts come in on input %u and not on input %u, up to %.0f dBFS; look whether the plugs are "
                      "swapped or the cable of input %u is loose, or choose with --in-channel",
                      d.other, j->live->channel + 1, f->level_dbfs, j->live->channel + 1);
    if (st == LT_OK && f->heard_bands == 0)
        st = ltp_fail(err, LT_E_SNR,
                      "nothing of the bursts comes back on input %u, not even at %.0f dBFS; look at cables, taps and "
                      "levels, and whether the plugs are swapped",
                      j->live->channel + 1, f->level_dbfs);
    if (st != LT_OK)
        return st;
    lt_plan_make(f, &p);
    if (!given) {
        j->level_dbfs = f->level_dbfs;
        j->result.level_end = lt_level_end_name(f->end);
        note_end(j, f, &p);
    }
    const double per_sweep_s = lt_is_known(j->seconds) ? j->seconds : p.seconds;
    if (j->sweeps == 0)
        j->sweeps = (unsigned)fmin(32.0, fmax(1.0, ceil(p.sweeps * p.seconds / per_sweep_s - 1e-9)));
    j->seconds = per_sweep_s;
    return LT_OK;
}
