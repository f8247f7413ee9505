/* SPDX-License-Identifier: MIT
 * Dropouts: sound that breaks off within a moment and comes back as suddenly.
 *
 * Sub-blocks of half a millisecond. A gap begins where a sub-block holds nothing (34 dB below the last 10 ms) or only
 * one and the same value, while the 10 ms before it were not much weaker than the 40 ms before and above the noise of a
 * converter: speech, rooms and edited silence fade over many milliseconds. It must end as suddenly. Silence at the
 * start does not count; silence up to the end is a channel that died. Tones that stop and start on purpose (beeps,
 * dialling) are told by being tones, and short ones. Levels in dBFS; full scale = 1.0. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

enum { BEFORE = 20, LONG_BEFORE = 80, RING_MS = 24, LAGS = 4 };
static const double block_s = 0.0005;
static const double shortest_s = 0.0015, shortest_held_s = 0.004;
static const double silent_part = 0.02; /* of the RMS of the last 10 ms */
static const double changed_part =
    0.1; /* from sample to sample, re before: something slow that crosses zero changes on */
static const double faded_part = 0.15;                      /* 10 ms against 40 ms: less than that, and it had faded */
static const double least_rms = 0.0007;                     /* about -60 dBFS */
static const double least_held_rms = 0.005;                 /* a held value: about -43 dBFS */
static const double return_part = 0.1;                      /* after the gap, re before */
enum { RETURN_SHORT = 20, RETURN_LONG = 80 };               /* sub-blocks: 10 and 40 ms, as before the gap */
static const double sudden_part = 0.5;                      /* 10 ms against 40 ms, at one of the edges at least */
static const double long_part = 0.35, rather_long_s = 0.06; /* ... and at the other, if the gap is so long */
static const double jump_part = 0.15;                       /* by which a held value is left */
/* RMS steps from sample to sample that a held value must have lasted, re the RMS before: the crests of something slow
 * (wind, rumble) stay on one value of a coarse coding for a while, and are left by a jump. */
static const double held_moves = 2.0;
static const double pause_size = 2e-5;
static const double test_rate_hz = 8000.0;
static const double longest_error_s = 0.5, died_s = 1.0;
static const double floor_part = 0.3;                 /* a dead channel is quieter than all pauses before were */
static const double beep_gap_s = 0.025, beep_s = 1.2; /* a tone that lasted less before a longer silence is a beep */
static const double tonal = 1e-4;                     /* residual of a prediction from four samples */

typedef enum { SOUND, QUIET, RETURNING } state;

struct ltp_gap {
    double rate_hz;
    size_t block, in_block;
    double energy, low, high;
    double ring[LONG_BEFORE];    /* mean square of the last sub-blocks */
    double changes[LONG_BEFORE]; /* ... of the differences between samples */
    double change, last_x;
    double extreme; /* largest |sample| so far */
    size_t blocks;  /* since the sound began */
    uint64_t frames;
    double *last; /* [RING_MS] audio before the gap, for the test of tones; a ring */
    size_t last_count, last_at;

    state now;
    double before_rms, before_step; /* before_step: RMS difference from sample to sample */
    bool held, tone;
    uint64_t gap_start, gap_end;
    double sound_s; /* sound lasted so long before the gap */
    uint64_t sound_start;
    double back_energy, back_short, entry;
    double held_value;
    double quiet_energy; /* in the gap */
    size_t quiet_blocks;
    double floor_rms; /* the quietest 40 ms so far, once something was heard */
    bool heard;
    size_t back_blocks;

    size_t silent_blocks, pauses; /* digital silence, at least so long as a long gap, however it began */
    size_t count, long_count, beeps, brief;
    double first_s, first_long_s, longest_s, total_s, shortest_seen_s;
    size_t held_count;
    double died_at_s, died_rms;
};

void ltp_gap_free(ltp_gap *d)
{
    if (d == NULL)
        return;
    ltp_free(d->last);
    ltp_free(d);
}

lt_status ltp_gap_create(double rate_hz, ltp_gap **out, lt_error *err)
{
    *out = NULL;
    ltp_gap *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for dropouts");
    d->rate_hz = rate_hz;
    d->block = (size_t)fmax(2.0, round(block_s * rate_hz));
    d->last_count = (size_t)round(RING_MS * 1e-3 * rate_hz);
    d->last = ltp_alloc(d->last_count, sizeof *d->last);
    d->first_s = d->first_long_s = d->died_at_s = NAN;
    d->low = d->floor_rms = INFINITY;
    d->high = -INFINITY;
    if (d->last == NULL) {
        ltp_gap_free(d);
        return ltp_fail_nomem(err, "the search for dropouts");
    }
    *out = d;
    return LT_OK;
}

static double rms_of_last(const ltp_gap *d, size_t count)
{
    const size_t n = d->blocks < count ? d->blocks : count;
    double sum = 0.0;
    for (size_t i = 1; i <= n; i++)
        sum += d->ring[(d->blocks - i) % LONG_BEFORE];
    return n > 0 ? sqrt(sum / (double)n) : 0.0;
}

/* Two sines are predicted from four samples without a rest (covariance method of linear prediction). */
static bool is_tone(const ltp_gap *d)
{
    double a[LAGS][LAGS + 1] = {{0}}, energy = 0.0;
    const size_t n = d->last_count - 2 * d->block; /* the last but one sub-block may hold the edge */
    const size_t stride = (size_t)fmax(1.0, d->rate_hz / test_rate_hz); /* aliases of a tone are tones */
    for (size_t i = LAGS * stride; i < n; i++) {
        double v[LAGS + 1];
        for (size_t k = 0; k <= LAGS; k++)
            v[k] = d->last[(d->last_at + i - k * stride) % d->last_count];
        for (size_t r = 0; r < LAGS; r++) {
            for (size_t c = 0; c < LAGS; c++)
                a[r][c] += v[r + 1] * v[c + 1];
            a[r][LAGS] += v[r + 1] * v[0];
        }
        energy += v[0] * v[0];
    }
    double rest = energy;
    double right[LAGS];
    for (size_t r = 0; r < LAGS; r++) {
        a[r][r] += 1e-9 * energy;
        right[r] = a[r][LAGS];
    }
    for (size_t r = 0; r < LAGS; r++) /* symmetric and positive: no pivots needed */
        for (size_t k = r + 1; k < LAGS; k++) {
            const double f = a[r][r] > 0.0 ? a[k][r] / a[r][r] : 0.0;
            for (size_t c = r; c <= LAGS; c++)
                a[k][c] -= f * a[r][c];
        }
    double w[LAGS];
    for (size_t r = LAGS; r-- > 0;) {
        w[r] = a[r][LAGS];
        for (size_t c = r + 1; c < LAGS; c++)
            w[r] -= a[r][c] * w[c];
        w[r] = a[r][r] > 0.0 ? w[r] / a[r][r] : 0.0;
        rest -= w[r] * right[r];
    }
    return rest < tonal * energy;
}

static void start_gap(ltp_gap *d, double before, double step, bool held)
{
    d->now = QUIET;
    d->before_rms = before;
    d->before_step = step;
    d->held = held;
    d->tone = is_tone(d);
    d->gap_start = d->frames - d->block;
    d->gap_end = d->frames;
    d->sound_s = (double)(d->gap_start - d->sound_start) / d->rate_hz;
    d->back_energy = 0.0;
    d->back_blocks = 0;
    d->held_value = d->high;
    d->quiet_energy = 0.0;
    d->quiet_blocks = 0;
    d->entry = before / (rms_of_last(d, LONG_BEFORE) + 1e-30);
}

static void count_gap(ltp_gap *d)
{
    const double length_s = (double)(d->gap_end - d->gap_start) / d->rate_hz;
    const double at_s = (double)d->gap_start / d->rate_hz;
    if (length_s < (d->held ? shortest_held_s : shortest_s))
        return;
    const bool moves = (double)(d->gap_end - d->gap_start) * d->before_step >= held_moves * d->before_rms;
    if (d->held && (!moves || fabs(d->held_value) >= d->extreme)) /* at its extreme it is an overload */
        return;
    if (length_s < shortest_held_s && d->quiet_energy > 0.0)
        return; /* tones that cancel for a moment */
    if (d->tone && length_s > beep_gap_s && d->sound_s < beep_s) {
        d->beeps++;
        return;
    }
    const bool is_long = length_s > longest_error_s;
    double *first = is_long ? &d->first_long_s : &d->first_s;
    *first = isnan(*first) ? at_s : *first;
    d->count += !is_long;
    d->brief += length_s < rather_long_s;
    d->long_count += is_long;
    d->held_count += d->held;
    d->longest_s = fmax(d->longest_s, length_s);
    d->shortest_seen_s = d->count + d->long_count == 1 ? length_s : fmin(d->shortest_seen_s, length_s);
    d->total_s += length_s;
}

static void sound_again(ltp_gap *d)
{
    d->now = SOUND;
    d->sound_start = d->gap_end;
    d->blocks = 0;
}

static void count_pause(ltp_gap *d, double size)
{
    if (size < pause_size) {
        d->silent_blocks++;
        return;
    }
    const size_t blocks = d->silent_blocks;
    const bool after_sound = d->frames > (blocks + 2) * d->block;
    d->pauses += (double)blocks * block_s > rather_long_s && after_sound;
    d->silent_blocks = 0;
}

static void end_block(ltp_gap *d)
{
    const double mean_square = d->energy / (double)d->block;
    const double size = fmax(fabs(d->low), fabs(d->high));
    count_pause(d, size);
    const bool held = !(d->high > d->low);
    if (d->now == SOUND) {
        const double before = rms_of_last(d, BEFORE), longer = rms_of_last(d, LONG_BEFORE);
        if (before > least_rms)
            d->heard = true;
        if (d->heard && d->blocks >= LONG_BEFORE)
            d->floor_rms = fmin(d->floor_rms, longer);
        const bool sudden = d->blocks >= BEFORE && before > least_rms && before > faded_part * longer;
        double changes = 0.0;
        for (size_t i = 0; i < BEFORE; i++)
            changes += d->changes[(d->blocks + LONG_BEFORE - 1 - i) % LONG_BEFORE] / BEFORE;
        const bool nothing = size < silent_part * before && d->change < changed_part * changed_part * changes;
        const bool stuck = held && before > least_held_rms && !nothing && size < 2.0 * before;
        if (sudden && (nothing || stuck))
            start_gap(d, before, sqrt(changes / (double)(d->block - 1)), stuck);
    } else if (d->now == QUIET) {
        const bool quiet = d->held ? held && !(d->high > d->held_value) && !(d->high < d->held_value)
                                   : size < silent_part * d->before_rms;
        const double jump = fmax(fabs(d->high - d->held_value), fabs(d->low - d->held_value));
        d->quiet_energy += quiet ? mean_square : 0.0;
        d->quiet_blocks += quiet;
        if (quiet)
            d->gap_end = d->frames;
        else if (d->held && jump < jump_part * d->before_rms)
            d->now = SOUND; /* the flat top of something slow in a coarse file */
        else
            d->now = RETURNING;
    }
    if (d->now == RETURNING) {
        d->back_energy += mean_square;
        d->back_blocks++;
        if (d->back_blocks == RETURN_SHORT)
            d->back_short = sqrt(d->back_energy / RETURN_SHORT);
        if (d->back_blocks == RETURN_LONG) {
            const double exit_part = d->back_short / (sqrt(d->back_energy / RETURN_LONG) + 1e-30);
            if (d->back_short > return_part * d->before_rms && d->back_short > least_rms && exit_part > faded_part &&
                fmax(exit_part, d->entry) > sudden_part &&
                (fmin(exit_part, d->entry) > long_part ||
                 (double)(d->gap_end - d->gap_start) < rather_long_s * d->rate_hz))
                count_gap(d);
            sound_again(d);
        }
    }
    if (d->now == SOUND) {
        d->changes[d->blocks % LONG_BEFORE] = d->change;
        d->ring[d->blocks++ % LONG_BEFORE] = mean_square;
    }
    d->change = 0.0;
    d->energy = 0.0;
    d->low = INFINITY;
    d->high = -INFINITY;
    d->in_block = 0;
}

void ltp_gap_push(ltp_gap *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        d->energy += x[i] * x[i];
        if (d->in_block > 0) /* the step into a gap does not count */
            d->change += (x[i] - d->last_x) * (x[i] - d->last_x);
        d->last_x = x[i];
        d->extreme = fmax(d->extreme, fabs(x[i]));
        d->low = x[i] < d->low ? x[i] : d->low;
        d->high = x[i] > d->high ? x[i] : d->high;
        d->frames++;
        if (d->now == SOUND) {
            d->last[d->last_at] = x[i];
            d->last_at = d->last_at + 1 == d->last_count ? 0 : d->last_at + 1;
        }
        if (++d->in_block == d->block)
            end_block(d);
    }
}

static void finish_gaps(const ltp_gap *d, const ltp_scan_end *end)
{
    const size_t all = d->count + d->long_count;
    /* Where silence is edited or gated in all over the file, a sudden pause is no proof of a fault. */
    const bool grave = d->brief > 0 || (d->count > 0 && d->pauses <= all);
    const char *what = 2 * d->held_count > all ? "the last value is held" : "nothing is left";
    lt_faults_add(
        end->out, LT_FAULT_DROPOUT, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel,
        isnan(d->first_s)        ? d->first_long_s
        : isnan(d->first_long_s) ? d->first_s
                                 : fmin(d->first_s, d->first_long_s),
        "%zu gap%s of %.1f to %.1f ms, %.0f ms together, in which %s between sudden edges: likely lost packets or "
        "a jammed buffer on a digital line, a radio or cordless headset out of range, a loose connector, or a "
        "recorder that lost samples",
        all, all == 1 ? "" : "s", 1e3 * d->shortest_seen_s, 1e3 * d->longest_s, 1e3 * d->total_s, what);
}

void ltp_gap_finish(ltp_gap *d, const ltp_scan_end *end)
{
    if (d->count + d->long_count > 0)
        finish_gaps(d, end);
    if (d->now != QUIET || d->held)
        return;
    const double length_s = (double)(d->frames - d->gap_start) / d->rate_hz;
    const double rest = sqrt(d->quiet_energy / (double)(d->quiet_blocks > 0 ? d->quiet_blocks : 1));
    if (length_s < died_s || d->tone || rest >= floor_part * d->floor_rms)
        return;
    lt_faults_add(end->out, LT_FAULT_DEAD_CHANNEL, LT_SEVERITY_WARNING, end->channel, (double)d->gap_start / d->rate_hz,
                  "sound at %.0f dBFS breaks off within a moment and does not come back for the last %.1f s: likely a "
                  "wire that came off, a supply or a mute that switched, or silence added to the file",
                  lt_dbfs_from_rms(d->before_rms), length_s);
}
