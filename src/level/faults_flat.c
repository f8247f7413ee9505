/* SPDX-License-Identifier: MIT
 * Clipping at any level, on one side or both: flat tops at the extreme of half a second.
 *
 * The rule (ours). Samples within a tolerance t of the extreme form a run. If the top were a rounded one, a parabola
 * with the slope s a sample just outside a run of m samples, it would fall by s m^2 / (4 (m + 3)) inside the run; for
 * a sine of any frequency that is t itself. Where it would be more than three times t (or three quantisation steps up
 * there: mu-law and A-law are coarse near the top), something cut it. t = 0.2 % finds the flat tops of a converter;
 * t = 1 % those that noise, a resampler or a speech coder has roughened, which then must be nearly all of the tops.
 * A top of three equal samples at full scale needs no proof. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"

#include <string.h>

static const double window_s = 0.5;
static const double hard = 0.002, soft = 0.01; /* tolerances */
static const double full_scale = 1.0 - 1.5 / 32768.0;
static const double quiet = 0.003;
static const double times = 3.0;
static const double same_level = 0.003, recent_s = 2.0;           /* a single flat top belongs to those that follow */
static const double share_error = 1e-3, share_worst_error = 0.01; /* of the samples: of all, of half a second */
enum { HARD_RUNS = 2, SOFT_RUNS = 6, FILE_RUNS = 3 };

typedef struct {
    size_t runs, samples; /* flat tops */
    size_t tops;          /* all runs of two samples or more at the extreme */
    size_t first;         /* index of the first flat top */
    double level;
} tally;

struct ltp_flat {
    double rate_hz;
    ltp_frames frames; /* side by side: windows */
    uint64_t start;    /* samples before the window */
    size_t windows;
    uint64_t above, below; /* clipped samples on each side */
    uint64_t runs;
    uint64_t hard_windows, soft_windows;
    double worst; /* largest share of a window */
    double at_s;
    double level; /* highest ceiling */
    struct {
        double at_s, level; /* a single flat top in the window before */
    } maybe[2];
};

void ltp_flat_free(ltp_flat *d)
{
    if (d == NULL)
        return;
    ltp_frames_close(&d->frames);
    ltp_free(d);
}

lt_status ltp_flat_create(double rate_hz, ltp_flat **out, lt_error *err)
{
    *out = NULL;
    ltp_flat *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for clipping");
    d->rate_hz = rate_hz;
    const size_t n = (size_t)round(window_s * rate_hz);
    const lt_status st = ltp_frames_open(&d->frames, n, n, NULL, "the search for clipping", err);
    d->at_s = d->maybe[0].at_s = d->maybe[1].at_s = NAN;
    if (st != LT_OK) {
        ltp_flat_free(d);
        return st;
    }
    *out = d;
    return LT_OK;
}

/* Distance from the extreme to the next lower level that occurs: coarse where the file was coded. */
static double step_at(const double *x, size_t n, double side, double extreme, double tolerance)
{
    double next = 0.0;
    const double below = extreme * (1.0 - tolerance);
    for (size_t i = 0; i < n; i++) {
        const double v = side * x[i];
        next = v < below && v > next ? v : next;
    }
    return extreme - next - 0.5 * tolerance * extreme;
}

static double smallest_step(const double *x, size_t n)
{
    double least = 1.0;
    for (size_t i = 1; i < n; i++) {
        const double step = fabs(x[i] - x[i - 1]);
        least = step > 0.0 && step < least ? step : least;
    }
    return least;
}

static bool is_flat(const double *x, size_t n, size_t from, size_t to, double needed)
{
    const double m = (double)(to - from);
    const double before = from >= 2 ? fabs(x[from - 1] - x[from - 2]) : (double)INFINITY;
    const double after = to + 1 < n ? fabs(x[to] - x[to + 1]) : (double)INFINITY;
    const double slope = fmin(before, after);
    return m >= 3.0 && isfinite(slope) && slope * m * m / (4.0 * (m + 3.0)) > needed;
}

static tally count_side(const double *x, size_t n, double side, double extreme, double tolerance, double least_step)
{
    tally t = {.first = n, .level = extreme};
    const double below = extreme * (1.0 - tolerance);
    const double coarse = step_at(x, n, side, extreme, tolerance);
    const double needed = times * fmax(fmax(coarse, least_step), tolerance * extreme);
    const bool full = extreme >= full_scale;
    for (size_t i = 0; i < n; i++) {
        if (side * x[i] < below)
            continue;
        size_t to = i;
        while (to < n && side * x[to] >= below)
            to++;
        size_t equal = 1, most = 1;
        for (size_t k = i + 1; k < to; k++) {
            equal = !(x[k] < x[k - 1]) && !(x[k] > x[k - 1]) ? equal + 1 : 1;
            most = equal > most ? equal : most;
        }
        t.tops += to - i >= 2;
        if ((full && most >= 3) || is_flat(x, n, i, to, needed)) {
            t.first = t.runs == 0 ? i : t.first;
            t.runs++;
            t.samples += to - i;
        }
        i = to;
    }
    return t;
}

static double extreme_of(const double *x, size_t n, double side)
{
    double top = 0.0;
    for (size_t i = 0; i < n; i++)
        top = side * x[i] > top ? side * x[i] : top;
    return top;
}

static void end_window(ltp_flat *d)
{
    const double *x = d->frames.x;
    const size_t count = d->frames.filled;
    size_t samples = 0, first = count;
    bool is_hard = false, is_soft = false;
    double earlier_s = INFINITY;
    const double start_s = (double)d->start / d->rate_hz;
    const double least_step = smallest_step(x, count);
    for (int s = 0; s < 2; s++) {
        const double side = s == 0 ? 1.0 : -1.0;
        const double extreme = extreme_of(x, count, side);
        if (extreme < quiet)
            continue;
        tally t = count_side(x, count, side, extreme, hard, least_step);
        const tally lone = t;
        bool found = t.runs >= HARD_RUNS || (t.runs == 1 && extreme >= full_scale);
        is_hard |= found;
        if (!found) {
            t = count_side(x, count, side, extreme, soft, least_step);
            found = t.runs >= SOFT_RUNS && 4 * t.runs >= 3 * t.tops;
            is_soft |= found;
        }
        if (!found) {
            if (lone.runs > 0 && (isnan(d->maybe[s].at_s) || start_s - d->maybe[s].at_s > recent_s ||
                                  fabs(d->maybe[s].level - lone.level) > same_level * lone.level)) {
                d->maybe[s].at_s = start_s + (double)lone.first / d->rate_hz;
                d->maybe[s].level = lone.level;
            }
            continue;
        }
        if (isnan(d->at_s) && start_s - d->maybe[s].at_s < recent_s &&
            fabs(d->maybe[s].level - t.level) < same_level * t.level)
            earlier_s = fmin(earlier_s, d->maybe[s].at_s);
        samples += t.samples;
        first = t.first < first ? t.first : first;
        d->runs += t.runs;
        d->level = fmax(d->level, t.level);
        *(s == 0 ? &d->above : &d->below) += t.samples;
    }
    d->hard_windows += is_hard;
    d->soft_windows += is_soft && !is_hard;
    if (samples > 0 && isnan(d->at_s))
        d->at_s = fmin(earlier_s, (double)(d->start + first) / d->rate_hz);
    d->worst = fmax(d->worst, (double)samples / (double)d->frames.n);
    d->start += d->frames.filled;
}

void ltp_flat_push(ltp_flat *d, const double *x, size_t count)
{
    while (ltp_frames_take(&d->frames, &x, &count))
        end_window(d);
}

void ltp_flat_finish(ltp_flat *d, const ltp_scan_end *end)
{
    if (d->frames.filled > 0)
        end_window(d);
    const uint64_t samples = d->above + d->below;
    const bool full = d->level >= full_scale;
    if (samples == 0 || (d->runs < FILE_RUNS && !full) || (d->hard_windows == 0 && d->soft_windows < 2))
        return;
    const double share = (double)samples / (double)d->start;
    const bool grave = d->hard_windows > 0 && (share > share_error || d->worst > share_worst_error);
    const double lopsided = (double)(d->above > d->below ? d->above : d->below) / (double)samples;
    const char *sides = lopsided < 0.9        ? "on both sides"
                        : d->above > d->below ? "of the positive half only"
                                              : "of the negative half only";
    const char *cause =
        lopsided >= 0.9 ? "an amplifier stage with a wrong bias or an offset in front of the recorder, or a failing "
                          "output transistor"
        : full          ? "too much recording gain: repeat it with 10 dB less"
                        : "an amplifier or line input overdriven ahead of the recorder: turn down the stage before it, "
                          "turning down the recorder does not help";
    lt_faults_add(end->out, LT_FAULT_CLIPPING, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel, d->at_s,
                  "%llu flat tops %s at %.1f dB re full scale, %.3f %% of all samples, up to %.1f %% within half a "
                  "second: likely %s",
                  (unsigned long long)d->runs, sides, lt_db_from_amplitude(d->level), 100.0 * share, 100.0 * d->worst,
                  cause);
}
