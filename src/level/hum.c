/* SPDX-License-Identifier: MIT
 * Which lines of a spectrum are mains hum. The rules are ours; docs/standards.md tells how they were tried.
 *
 * 1. A line is a peak at least 8 dB over the median of its neighbourhood, and more where few blocks were averaged.
 * 2. A comb is a fundamental within 0.25 % of 50 or 60 Hz (mains and the clock of the recorder) with the lines on it.
 * 3. Lines that another series explains (an engine, the other mains frequency) are taken off the comb.
 * 4. What is left is hum if it has a narrow line at once or twice the mains frequency, or three narrow lines in a row,
 *    neighbours or every other one: a single tone at 1 kHz is on the comb too, and is no hum. */
#include "level/hum.h"
#include "level/peak.h"

#include <math.h>
#include <string.h>

enum { PEAKS_MAX = 512, HARMONICS_MAX = 40, CORE_BINS = 2, ROW = 3 };

static const double least_over_median = 6.31;   /* 8 dB */
static const double clear_over_median = 100.0;  /* 20 dB: the noise hardly touches the level */
static const double noise_over_median = 1.4427; /* mean of exponentially distributed power: 1 / ln 2 */
static const double false_alarm_sigma = 4.26;   /* one bin in 100 000 */
static const double skirt_share = 1e-4;         /* of a strong line next to it: the window's own side lobes */
static const double mains_tolerance = 0.0025;
static const double bin_tolerance = 0.6;   /* of a bin, where a line's frequency is read */
static const double wander = 0.0003;       /* of the frequency: mains within a recording */
static const double mains_width = 0.001;   /* of the frequency: what its lines may spread over */
static const double engine_wander = 0.002; /* of the frequency: an idling engine */
static const double highest_line_hz = 2410.0;
static const double lowest_series_hz = 7.0;

typedef struct {
    double hz, ratio;
    size_t bin;
    bool narrow;
} peak;

typedef struct {
    peak items[PEAKS_MAX];
    size_t count;
    double bin_hz;
} peak_list;

typedef struct {
    double fundamental_hz;
    size_t matched;
    double ratio; /* sum over the matched peaks, decides between equals */
} comb;

/* ---- 1. lines ---- */

/* Quantile of the mean of `blocks` overlapping periodograms, by Wilson and Hilferty (1931); half-overlapped Hann
 * windows count as 0.9 each (Welch 1967). */
static double ratio_needed(double blocks)
{
    const double freedom = 2.0 * fmax(1.0, 0.9 * blocks);
    const double spread = 2.0 / (9.0 * freedom);
    const double root = 1.0 - spread + false_alarm_sigma * sqrt(spread);
    return fmax(least_over_median, noise_over_median * root * root * root);
}

static bool is_peak(const ltp_line_view *v, size_t i, double needed)
{
    if (v->ratio[i] < needed)
        return false;
    for (size_t k = 1; k <= 12; k++) {
        const double left = v->ratio[i - k];
        const double right = i + k < v->bins ? v->ratio[i + k] : 0.0;
        const double share = k <= CORE_BINS ? 1.0 : skirt_share;
        if (left * share > v->ratio[i] || right * share >= v->ratio[i])
            return false;
    }
    return true;
}

/* Most of the power above the noise lies in the few bins of a steady line. */
static bool is_narrow(const ltp_line_view *v, size_t i)
{
    const size_t reach = CORE_BINS + (size_t)(mains_width * (double)i);
    const size_t far = reach + 6;
    double core = 0.0;
    double wide = 0.0;
    for (size_t k = i > far ? i - far : 0; k <= i + far && k < v->bins; k++) {
        const double over = v->ratio[k] - noise_over_median;
        wide += over;
        if (k + reach >= i && k <= i + reach)
            core += over;
    }
    return core >= 0.7 * wide;
}

static double peak_hz(const ltp_line_view *v, size_t i)
{
    const double right = i + 1 < v->bins ? v->ratio[i + 1] : 0.0;
    return ((double)i + ltp_peak_offset(v->ratio[i - 1], v->ratio[i], right)) * v->bin_hz;
}

static void find_peaks(const ltp_line_view *v, peak_list *out)
{
    const double needed = ratio_needed(v->equal_blocks);
    out->count = 0;
    out->bin_hz = v->bin_hz;
    for (size_t i = 12; i < v->bins && out->count < PEAKS_MAX; i++)
        if (is_peak(v, i, needed))
            out->items[out->count++] = (peak){peak_hz(v, i), v->ratio[i], i, is_narrow(v, i)};
}

/* ---- 2. combs ---- */

static bool is_multiple(const peak_list *p, double hz, double of_hz, double spread)
{
    const double order = round(hz / of_hz);
    return order >= 1.0 && fabs(hz - order * of_hz) <= bin_tolerance * p->bin_hz + spread * hz;
}

static comb comb_at(const peak_list *p, double fundamental_hz)
{
    comb c = {fundamental_hz, 0, 0.0};
    for (size_t i = 0; i < p->count; i++) {
        if (p->items[i].hz > highest_line_hz || !is_multiple(p, p->items[i].hz, fundamental_hz, wander))
            continue;
        c.matched++;
        c.ratio += p->items[i].ratio;
    }
    return c;
}

static comb find_comb(const peak_list *p, double mains_hz)
{
    comb best = {mains_hz, 0, 0.0};
    for (size_t i = 0; i < p->count; i++) {
        const double order = round(p->items[i].hz / mains_hz);
        if (order < 1.0 || order > HARMONICS_MAX)
            continue;
        /* The reading of a low line is no sharper than its bin: its comb may then be the nominal one. */
        double fundamental_hz = p->items[i].hz / order;
        const double off = fabs(fundamental_hz - mains_hz);
        if (off > mains_tolerance * mains_hz + bin_tolerance * p->bin_hz / order)
            continue;
        fundamental_hz =
            fmax(mains_hz * (1.0 - mains_tolerance), fmin(mains_hz * (1.0 + mains_tolerance), fundamental_hz));
        const comb c = comb_at(p, fundamental_hz);
        if (c.matched > best.matched || (c.matched == best.matched && c.ratio > best.ratio))
            best = c;
    }
    return best;
}

/* ---- 3. other series ---- */

/* Is there a series of lines of this fundamental off the comb? At least three of them, half as many as it shares with
 * the comb, and no gap that is longer than what came before. */
static bool is_series(const peak_list *p, const bool *on_comb, double hz)
{
    size_t off = 0;
    size_t on = 0;
    size_t places = 0;
    size_t filled = 0;
    for (size_t k = 0; k < p->count; k++) {
        if (!is_multiple(p, p->items[k].hz, hz, engine_wander))
            continue;
        const size_t order = (size_t)lround(p->items[k].hz / hz);
        if (order > 2 * filled + 2)
            break;
        filled += order > places; /* a broad line may have several peaks */
        places = order;
        *(on_comb[k] ? &on : &off) += 1;
    }
    return off >= ROW && 2 * off >= on;
}

/* explained[i]: peak i is on the comb, and also in a series that the comb does not explain. */
static void find_other_series(const peak_list *p, const bool *on_comb, bool *explained)
{
    for (size_t i = 0; i < p->count; i++) {
        for (unsigned divisor = 1; !on_comb[i] && divisor <= 12; divisor++) {
            const double hz = p->items[i].hz / divisor;
            if (hz < lowest_series_hz || !is_series(p, on_comb, hz))
                continue;
            for (size_t k = 0; k < p->count; k++)
                explained[k] = explained[k] || (on_comb[k] && is_multiple(p, p->items[k].hz, hz, engine_wander));
        }
    }
}

/* line[h] = 1 + index of the peak on harmonic h, 0 = none or explained otherwise. */
static void assign_lines(const peak_list *p, const comb *c, size_t line[HARMONICS_MAX + 1])
{
    bool on_comb[PEAKS_MAX] = {false};
    bool explained[PEAKS_MAX] = {false};
    for (size_t i = 0; i < p->count; i++)
        on_comb[i] = is_multiple(p, p->items[i].hz, c->fundamental_hz, wander);
    find_other_series(p, on_comb, explained);
    memset(line, 0, (HARMONICS_MAX + 1) * sizeof *line);
    for (size_t i = 0; i < p->count; i++) {
        const double order = round(p->items[i].hz / c->fundamental_hz);
        if (!on_comb[i] || explained[i] || order > HARMONICS_MAX || p->items[i].hz > highest_line_hz)
            continue;
        size_t *at = &line[(size_t)order];
        if (*at == 0 || p->items[i].ratio > p->items[*at - 1].ratio)
            *at = i + 1;
    }
}

/* ---- 4. is it hum? ---- */

static bool has_row(const peak_list *p, const size_t line[HARMONICS_MAX + 1], size_t step)
{
    for (size_t h = 1; h + (ROW - 1) * step <= HARMONICS_MAX; h++) {
        size_t found = 0;
        for (size_t k = 0; k < ROW; k++)
            found += line[h + k * step] != 0 && p->items[line[h + k * step] - 1].narrow;
        if (found == ROW)
            return true;
    }
    return false;
}

static bool is_hum(const peak_list *p, const size_t line[HARMONICS_MAX + 1])
{
    for (size_t h = 1; h <= 2; h++)
        if (line[h] != 0 && p->items[line[h] - 1].narrow)
            return true;
    return has_row(p, line, 1) || has_row(p, line, 2);
}

/* ---- levels ---- */

static double local_median(const double *x, size_t bins, size_t middle, size_t reach)
{
    double copy[64];
    size_t count = 0;
    for (size_t i = middle > reach ? middle - reach : 0; i <= middle + reach && i < bins && count < 64; i++)
        copy[count++] = x[i];
    return lt_median(copy, count);
}

/* Mean square of the line at a peak. The plain average counts, unless loud moments drown the line there and it
 * stands out much better where blocks count by how quiet they are. */
static double line_power(const ltp_line_view *v, const peak *p)
{
    const size_t most = CORE_BINS + 1 + (size_t)(mains_width * (double)p->bin);
    size_t from = p->bin;
    size_t to = p->bin;
    while (from > 1 && p->bin - from < most &&
           (p->bin - from < CORE_BINS || v->ratio[from - 1] > 2.0 * noise_over_median))
        from--;
    while (to + 1 < v->bins && to - p->bin < most &&
           (to - p->bin < CORE_BINS || v->ratio[to + 1] > 2.0 * noise_over_median))
        to++;
    const double median = local_median(v->power, v->bins, p->bin, 28);
    const double third = 1.0 - 1.0 / (9.0 * v->equal_blocks); /* median over mean, Wilson and Hilferty */
    const double noise = median / (third * third * third);
    const double clear = v->power[p->bin] / fmax(median, 1e-300);
    const bool plain = clear >= clear_over_median || p->ratio < 4.0 * clear;
    double power = 0.0;
    for (size_t i = from; i <= to; i++)
        power += plain ? v->power[i] - noise : (v->ratio[i] - noise_over_median) / v->weight[i];
    return power;
}

static void set_lines(const ltp_line_view *v, const peak_list *p, const size_t line[HARMONICS_MAX + 1], ltp_hum *out)
{
    for (size_t h = 1; h <= HARMONICS_MAX; h++) {
        if (line[h] == 0)
            continue;
        const peak *at = &p->items[line[h] - 1];
        const double power = line_power(v, at);
        if (power > 0.0)
            out->lines[out->line_count++] = (lt_hum_line){at->hz, lt_dbfs_from_mean_square(power)};
    }
}

void ltp_hum_find(const ltp_line_view *view, ltp_hum *out)
{
    static const double mains_hz[] = {50.0, 60.0};
    memset(out, 0, sizeof *out);
    if (view->blocks == 0)
        return;
    peak_list peaks;
    find_peaks(view, &peaks);
    size_t most = 0;
    double strongest = 0.0;
    for (size_t m = 0; m < sizeof mains_hz / sizeof *mains_hz; m++) {
        size_t line[HARMONICS_MAX + 1];
        const comb c = find_comb(&peaks, mains_hz[m]);
        if (c.matched == 0)
            continue;
        assign_lines(&peaks, &c, line);
        if (!is_hum(&peaks, line))
            continue;
        size_t count = 0;
        double strength = 0.0;
        for (size_t h = 1; h <= HARMONICS_MAX; h++) {
            count += line[h] != 0;
            strength += line[h] != 0 ? peaks.items[line[h] - 1].ratio : 0.0;
        }
        if (count < most || (count == most && strength <= strongest))
            continue;
        most = count;
        strongest = strength;
        *out = (ltp_hum){.mains_hz = mains_hz[m]};
        set_lines(view, &peaks, line, out);
    }
}

/* ---- what the lines say ---- */

static const double agree_hz = 0.08, agree_part_hz = 0.01;

/* Each line of number h gives the frequency h times as well; those that do not agree with the strongest are left out.
 */
double lt_hum_exact_hz(double mains_hz, const lt_hum_line *lines, size_t count)
{
    double sum = 0.0, weight = 0.0;
    if (count == 0 || !(mains_hz > 0.0))
        return NAN;
    const lt_hum_line *top = &lines[0];
    for (size_t i = 1; i < count; i++)
        top = lines[i].level_db > top->level_db ? &lines[i] : top;
    const double about_hz = top->hz / fmax(1.0, round(top->hz / mains_hz));
    for (size_t i = 0; i < count; i++) {
        const double h = round(lines[i].hz / mains_hz);
        if (h < 1.0 || fabs(lines[i].hz - h * about_hz) > agree_hz + agree_part_hz * h)
            continue;
        sum += h * lines[i].hz;
        weight += h * h;
    }
    return weight > 0.0 ? sum / weight : (double)NAN;
}

const char *lt_hum_entry_point(double mains, const lt_hum_line *lines, size_t count)
{
    double odd = 0.0, even = 0.0, first = 0.0, high = 0.0;
    for (size_t i = 0; i < count; i++) {
        const double h = round(lines[i].hz / mains), power = lt_power_from_db(lines[i].level_db);
        if (h < 1.5)
            first += power;
        else if (fmod(h, 2.0) < 0.5)
            even += power;
        else
            odd += power;
        if (h > 9.5)
            high += power;
    }
    const double all = first + odd + even;
    if (even > 0.6 * all)
        return "even multiples dominate: ripple of a power supply (dried-out capacitor, overload), rather than the "
               "wiring";
    if (high > 0.25 * all)
        return "many high multiples: a buzz coupled from dimmers, lighting or a rectifier, as an unbalanced pair or an "
               "unshielded wire beside mains picks it up";
    if (first > 0.6 * all)
        return "the fundamental dominates: a ground loop (shield grounded at both ends) or a transformer close to the "
               "wiring; lift the audio pair's shield at one end as the equipment's manual allows, never the protective "
               "earth; mains wiring is for licensed people";
    return "fundamental with odd multiples: a ground loop, or a pair that is not balanced or not twisted along mains "
           "wiring";
}
