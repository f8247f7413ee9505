/* SPDX-License-Identifier: MIT
 * Clipping at any level, on one side or both: flat tops at the extreme of half a second.
 *
 * The rule (ours). Samples within a tolerance t of the extreme form a run. If the top were a rounded one, a parabola
 * with the slope s a sample just outside a run of m samples, it would fall by s m^2 / (4 (m + 3)) inside the run; for
 * a sine of any frequency that is t itself. Where it would be more than three times t (or three quantisation steps up
 * there: mu-law and A-law are coarse near the top), something cut it. t = 0.2 % finds the flat tops of a converter;
 * t = 1 % those that noise, a resampler or a speech coder has roughened, which then must be nearly all of the tops.
 * Equal samples (t = 0) prove a cut where the sound is too slow for that. A top of three equal samples at full scale
 * needs no proof.
 *
 * Sound of few samples a top is cut to single ones: all tops of the recording that reach one and the same extreme,
 * where chance would spread them over the last percent below it. Those of a tone repeat with the samples beside them,
 * and do not count. */
#include "base/alloc.h"
#include "level/faults.h"
#include "level/frames.h"

#include <string.h>

static const double window_s = 0.5;
static const double hard = 0.002, soft = 0.01; /* tolerances */
static const double full_scale = 1.0 - 1.5 / 32768.0;
static const double quiet = 0.003;
static const double times = 3.0;
static const double same_level = 0.003, recent_s = 2.0; /* a single flat top belongs to those that follow */
static const double tie = 1e-6, near_top = 0.01, lopsided_top = 0.05, by_chance = 20.7; /* ln of a billion */
static const double share_error = 1e-3, share_worst_error = 0.01; /* of the samples: of all, of half a second */
enum { NEAR_TOP = 256, HARD_RUNS = 2, SOFT_RUNS = 6, FILE_RUNS = 3, TIES = 4 };
static const char subject[] = "the search for clipping";

typedef struct {
    size_t runs, samples; /* flat tops */
    size_t tops;          /* all runs of two samples or more at the extreme */
    size_t first;         /* index of the first flat top */
    double level;
} tally;

/* Tops on one side that reach one and the same value, the recording's extreme so far. */
typedef struct {
    double level, first_s;
    double step;            /* smallest between values near the top */
    double tops, close;     /* those that reach it with unlike sides, and those that only come near it */
    double lowest, highest; /* of the higher samples beside the tops */
} ceiling;

struct ltp_flat {
    double rate_hz;
    double *before; /* [n] the window before, for tops at a ceiling that is known only now */
    size_t before_n;
    ceiling reached[2];
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
    ltp_free(d->before);
    ltp_free(d);
}

lt_status ltp_flat_create(double rate_hz, ltp_flat **out, lt_error *err)
{
    *out = NULL;
    ltp_flat *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, subject);
    d->rate_hz = rate_hz;
    const size_t n = (size_t)round(window_s * rate_hz);
    lt_status st = ltp_frames_open(&d->frames, n, n, NULL, subject, err);
    d->before = ltp_alloc(n, sizeof *d->before);
    if (st == LT_OK && d->before == NULL)
        st = ltp_fail_nomem(err, subject);
    d->reached[0].step = d->reached[1].step = INFINITY;
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

/* coarse: the step of the coding up there. */
static tally count_side(const double *x, size_t n, double side, double extreme, double tolerance, double coarse)
{
    tally t = {.first = n, .level = extreme};
    const double below = extreme * (1.0 - tolerance);
    const double needed = times * fmax(coarse, tolerance * extreme);
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

/* Smallest step between different values in the upper fifth, on either side. */
static double step_near_top(const double *x, size_t n, double extreme)
{
    double v[NEAR_TOP], least = INFINITY;
    size_t count = 0;
    for (size_t i = 0; i < n && count < NEAR_TOP; i++)
        if (fabs(x[i]) > 0.8 * extreme && fabs(x[i]) <= extreme)
            v[count++] = fabs(x[i]);
    if (count == 0)
        return INFINITY;
    (void)lt_quantile(v, count, 0.5); /* sorts */
    for (size_t i = 1; i < count; i++)
        least = v[i] > v[i - 1] ? fmin(least, v[i] - v[i - 1]) : least;
    return least;
}

/* Tops of this window that reach the recording's extreme, and those that nearly do. */
static void follow_ceiling(ceiling *c, const double *x, size_t n, double side, double extreme, double start_s,
                           double rate_hz)
{
    if (extreme > c->level * (1.0 + tie))
        *c = (ceiling){.level = extreme, .step = c->step, .lowest = INFINITY};
    if (extreme < c->level * (1.0 - near_top))
        return;
    c->step = fmin(c->step, step_near_top(x, n, c->level));
    for (size_t i = 1; i + 1 < n; i++) {
        if (side * x[i] < c->level * (1.0 - near_top) || side * x[i] <= side * x[i - 1])
            continue;
        size_t to = i;
        while (to + 1 < n && !(x[to + 1] < x[i]) && !(x[to + 1] > x[i]))
            to++;
        if (to + 1 == n || side * x[to + 1] > side * x[i])
            continue;
        if (side * x[i] < c->level * (1.0 - tie)) {
            c->close += 1.0;
            continue;
        }
        if (fabs(x[i - 1] - x[to + 1]) < lopsided_top * c->level)
            continue; /* the crest of a tone that is sampled at its highest */
        const double beside = fmax(side * x[i - 1], side * x[to + 1]);
        c->first_s = c->tops > 0.0 ? c->first_s : start_s + (double)i / rate_hz;
        c->lowest = fmin(c->lowest, beside);
        c->highest = fmax(c->highest, beside);
        c->tops += 1.0;
    }
}

/* Do more tops reach the same value than chance would have it? */
static bool is_ceiling(const ceiling *c)
{
    if (!(c->level > 0.0))
        return false; /* silence */
    const double part = fmin(1.0, fmax(c->step, tie * c->level) / (near_top * c->level));
    double evidence = -(c->tops - 1.0) * log(part);
    for (double i = 1.0; i < c->tops && c->close > 0.0; i += 1.0)
        evidence -= log((c->close + i) / i);
    return c->tops >= TIES && evidence > by_chance && c->highest - c->lowest > near_top * c->level;
}

/* The first flat top at a ceiling in the window before, in which what came earlier was louder; n = none. */
static size_t first_before(const ltp_flat *d, double side, double level, double step)
{
    const double *x = d->before;
    size_t i = d->before_n, first = d->before_n;
    while (i > 0 && side * x[i - 1] <= level * (1.0 + hard)) {
        size_t from = i;
        while (from > 0 && fabs(side * x[from - 1] - level) <= hard * level)
            from--;
        if (from < i && is_flat(x, d->before_n, from, i, times * fmax(step, hard * level)))
            first = from;
        i = from < i ? from : i - 1;
    }
    return first;
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
        follow_ceiling(&d->reached[s], x, count, side, extreme, start_s, d->rate_hz);
        tally t = count_side(x, count, side, extreme, hard, fmax(step_at(x, count, side, extreme, hard), least_step));
        const tally lone = t;
        bool found = t.runs >= HARD_RUNS || (t.runs == 1 && extreme >= full_scale);
        if (!found) {
            t = count_side(x, count, side, extreme, 0.0, step_near_top(x, count, extreme));
            found = t.runs >= HARD_RUNS;
        }
        is_hard |= found;
        if (!found) {
            t = count_side(x, count, side, extreme, soft, fmax(step_at(x, count, side, extreme, soft), least_step));
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
        if (isnan(d->at_s)) {
            const size_t at = first_before(d, side, t.level, least_step);
            if (at < d->before_n)
                earlier_s = fmin(earlier_s, (double)(d->start - d->before_n + at) / d->rate_hz);
        }
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
    d->start += count;
    d->before_n = count;
    memcpy(d->before, x, count * sizeof *x);
}

void ltp_flat_push(ltp_flat *d, const double *x, size_t count)
{
    while (ltp_frames_take(&d->frames, &x, &count))
        end_window(d);
}

/* The ceiling that single samples prove: of one side, or the same on both. NULL if there is none; *both is scratch. */
static const ceiling *proved_ceiling(const ltp_flat *d, ceiling *both)
{
    const ceiling *a = &d->reached[0], *b = &d->reached[1];
    if (fabs(a->level - b->level) <= tie * a->level && a->tops > 0.0 && b->tops > 0.0) {
        *both = (ceiling){.level = a->level,
                          .first_s = fmin(a->first_s, b->first_s),
                          .step = fmin(a->step, b->step),
                          .tops = a->tops + b->tops,
                          .close = a->close + b->close,
                          .lowest = fmin(a->lowest, b->lowest),
                          .highest = fmax(a->highest, b->highest)};
        return is_ceiling(both) ? both : NULL;
    }
    return is_ceiling(a) ? a : is_ceiling(b) ? b : NULL;
}

static void say_ceiling(const ceiling *c, const ltp_scan_end *end)
{
    lt_faults_add(
        end->out, LT_FAULT_CLIPPING, LT_SEVERITY_WARNING, end->channel, c->first_s,
        "%.0f tops of single samples end at one and the same value, %.1f dB re full scale: likely an input or "
        "amplifier overdriven ahead of the recorder, or a limiter that cuts peaks; turn down the stage before "
        "it",
        c->tops, lt_db_from_amplitude(c->level));
}

static void say_flat(const ltp_flat *d, const ceiling *c, const ltp_scan_end *end)
{
    const uint64_t samples = d->above + d->below;
    const bool full = d->level >= full_scale;
    const double share = (double)samples / (double)d->start;
    const bool grave = d->hard_windows > 0 && (share > share_error || d->worst > share_worst_error);
    const double lopsided = (double)(d->above > d->below ? d->above : d->below) / (double)samples;
    const bool earlier = c != NULL && fabs(c->level - d->level) < same_level * d->level;
    const char *sides = lopsided < 0.9        ? "on both sides"
                        : d->above > d->below ? "of the positive half only"
                                              : "of the negative half only";
    const char *cause =
        lopsided >= 0.9 ? "an amplifier stage with a wrong bias or an offset in front of the recorder, or a failing "
                          "output transistor"
        : full          ? "too much recording gain: repeat it with 10 dB less"
                        : "an amplifier or line input overdriven ahead of the recorder: turn down the stage before it, "
                          "turning down the recorder does not help";
    lt_faults_add(end->out, LT_FAULT_CLIPPING, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel,
                  earlier ? fmin(d->at_s, c->first_s) : d->at_s,
                  "%llu flat tops %s at %.1f dB re full scale, %.3f %% of all samples, up to %.1f %% within half a "
                  "second: likely %s",
                  (unsigned long long)d->runs, sides, lt_db_from_amplitude(d->level), 100.0 * share, 100.0 * d->worst,
                  cause);
}

void ltp_flat_finish(ltp_flat *d, const ltp_scan_end *end)
{
    if (d->frames.filled > 0)
        end_window(d);
    ceiling both;
    const ceiling *c = proved_ceiling(d, &both);
    const bool flat = d->above + d->below > 0 && (d->runs >= FILE_RUNS || d->level >= full_scale) &&
                      (d->hard_windows > 0 || d->soft_windows >= 2);
    if (flat)
        say_flat(d, c, end);
    else if (c != NULL)
        say_ceiling(c, end);
}
