/* SPDX-License-Identifier: MIT
 * Which part of a recording is STIPA: at what speed the modulations run, from where to where they stay in step, and
 * what an event on the way spoils. */
#include "base/alloc.h"
#include "speech/sti_tables.h"
#include "speech/stipa.h"

#include <math.h>
#include <string.h>

static const double segment_s = 8.0; /* of the search for the speed: the powers of segments are added */
static const double widest = 0.12;   /* speeds looked for: 44.1 for 48 kHz is 0.08 off */
static const double window_s = 3.0;  /* of the search for the part */
static const double window_step_s = 0.1;
static const double in_step = 0.5;      /* of the typical agreement of neighbouring windows */
static const double event_level = 2.0;  /* intensity against the typical one */
static const double event_weight = 0.2; /* weight of the bands where it is louder */
static const double gate_step_s = 0.2;
static const double gate_low = 0.2, gate_high = 6.0; /* intensity of short pieces */
static const double edge_s = 0.3;
static const double softest = 0.3; /* windows are divided by their level, but by no less than this */

static double line_hz(size_t line)
{
    return ltp_sti_rows[line / LT_STIPA_MODULATIONS].stipa_hz[line % LT_STIPA_MODULATIONS];
}

/* |sum (u - 1) exp(-j w t)|^2 over frames [from, to), by a rotating phasor. weight: of each frame. */
static double power_at(const double *u, const double *weight, size_t from, size_t to, double hz)
{
    const double step = 2.0 * LT_PI * hz * LTP_STIPA_FRAME_S;
    const lt_complex turn = {cos(step), -sin(step)};
    lt_complex phasor = {1.0, 0.0};
    lt_complex sum = {0};
    for (size_t j = from; j < to; j++) {
        const double x = weight[j] * (u[j] - 1.0);
        sum.re += x * phasor.re;
        sum.im += x * phasor.im;
        phasor = lt_complex_multiply(phasor, turn);
    }
    return lt_complex_power(sum);
}

/* ---- speed ---- */

typedef struct {
    const ltp_stipa_envelope *e;
    double *weight[LT_STI_BANDS];       /* [frames]: less where a band is much louder than usual */
    double background[LTP_STIPA_LINES]; /* power beside the lines of a band, mean of a segment */
    size_t segment;                     /* frames */
} search;

/* Power of a band at one frequency, mean over segments. */
static double mean_power(const search *s, size_t band, double hz)
{
    double sum = 0.0;
    size_t count = 0;
    for (size_t from = 0; from == 0 || from + s->segment / 2 <= s->e->frames; from += s->segment, count++) {
        const size_t to = from + s->segment < s->e->frames ? from + s->segment : s->e->frames;
        sum += power_at(s->e->u[band], s->weight[band], from, to, hz);
    }
    return sum / (double)count;
}

/* Median over places beside both lines of a band: the fluctuation that is no modulation of ours. */
static void measure_background(search *s)
{
    enum { BESIDE = 8, STEPS = 2 };
    double power[LT_STIPA_MODULATIONS * BESIDE];
    for (size_t band = 0; band < LT_STI_BANDS; band++) {
        size_t n = 0;
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++)
            for (int p = 0; p < BESIDE; p++) {
                const double offset_hz = 0.27 + 0.13 * (p / STEPS);
                const double hz = ltp_sti_rows[band].stipa_hz[i] + (p % STEPS == 0 ? offset_hz : -offset_hz);
                power[n++] = mean_power(s, band, fabs(hz));
            }
        const double beside = fmax(1e-9, lt_median(power, n));
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++)
            s->background[band * LT_STIPA_MODULATIONS + i] = beside;
    }
}

/* Mean power of the lines at this speed over their surroundings. */
static double strength(const search *s, double speed)
{
    double sum = 0.0;
    for (size_t line = 0; line < LTP_STIPA_LINES; line++)
        sum += mean_power(s, line / LT_STIPA_MODULATIONS, speed * line_hz(line)) / s->background[line];
    return sum / LTP_STIPA_LINES;
}

/* The best speed within `range` of `about`. fineness: step in cycles of the fastest line over a segment. */
static double best_speed(const search *s, double about, double range, double fineness, double *best)
{
    const size_t length = s->segment < s->e->frames ? s->segment : s->e->frames;
    const double step = fineness / (12.5 * (double)length * LTP_STIPA_FRAME_S);
    double speed = about;
    *best = 0.0;
    for (double offset = -range; offset <= range; offset += step) {
        const double now = strength(s, about + offset);
        if (now > *best) {
            *best = now;
            speed = about + offset;
        }
    }
    return speed;
}

static lt_status weigh(const ltp_stipa_envelope *e, search *s, lt_error *err)
{
    const size_t half = (size_t)lround(0.5 * window_s / LTP_STIPA_FRAME_S / 2.0);
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        s->weight[k] = ltp_alloc(e->frames + 1, sizeof *s->weight[k]);
        if (s->weight[k] == NULL)
            return ltp_fail_nomem(err, "a STIPA measurement");
        double sum = 0.0;
        size_t from = 0, to = 0;
        for (size_t j = 0; j < e->frames; j++) { /* moving mean */
            for (; to < e->frames && to <= j + half; to++)
                sum += e->u[k][to];
            for (; from + half < j; from++)
                sum -= e->u[k][from];
            const double mean = sum / (double)(to - from);
            s->weight[k][j] = mean > 1.5 ? 1.5 / mean * 1.5 / mean : 1.0;
        }
    }
    return LT_OK;
}

static void find_speed(search *s, ltp_stipa_part *out)
{
    double best = 0.0;
    s->segment = (size_t)lround(segment_s / LTP_STIPA_FRAME_S);
    measure_background(s);
    const double coarse = best_speed(s, 1.0, widest, 0.25, &out->certainty);
    out->speed = best_speed(s, coarse, 0.003, 0.02, &best);
}

/* With what is used known: all of it in phase. */
static void refine_speed(search *s, ltp_stipa_part *out)
{
    double best = 0.0;
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        for (size_t j = 0; j < s->e->frames; j++)
            if (!out->used[j])
                s->weight[k][j] = 0.0;
    s->segment = s->e->frames;
    out->speed = best_speed(s, out->speed, 0.0006, 0.02, &best);
}

/* ---- windows ---- */

typedef struct {
    lt_complex line[LTP_STIPA_LINES]; /* over the window's own level */
    double mean[LT_STI_BANDS];
    double score; /* how well it goes on from the window before or into the next one; 1 is typical */
    bool good;
} window;

static void fit_window(const ltp_stipa_envelope *e, double speed, size_t from, size_t to, window *w)
{
    *w = (window){0};
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        ltp_stipa_fit fit;
        if (!(e->median[k] > 0.0) || !ltp_stipa_fit_band(e, k, speed, from, to, NULL, false, &fit))
            continue;
        w->mean[k] = fit.mean;
        for (size_t i = 0; i < LT_STIPA_MODULATIONS; i++) {
            const double level = fmax(softest, fit.mean);
            w->line[k * LT_STIPA_MODULATIONS + i] = (lt_complex){fit.line[i].re / level, fit.line[i].im / level};
        }
    }
}

/* Re sum of a conj(b) over the lines: both strong, and in phase. */
static double agreement(const search *s, const window *a, const window *b)
{
    double sum = 0.0;
    for (size_t line = 0; line < LTP_STIPA_LINES; line++)
        sum += (a->line[line].re * b->line[line].re + a->line[line].im * b->line[line].im) / s->background[line];
    return sum;
}

/* Bands that are much louder or softer than usual here, by the weight they have in the index. */
static double unusual_weight(const window *w, const double usual[LT_STI_BANDS])
{
    double weight = 0.0;
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        const double ratio = usual[k] > 0.0 ? w->mean[k] / usual[k] : 1.0;
        if (ratio > event_level || ratio < 1.0 / event_level)
            weight += ltp_sti_rows[k].alpha[LT_STI_MALE];
    }
    return weight;
}

static void usual_levels(const window *w, size_t count, double *scratch, double usual[LT_STI_BANDS])
{
    for (size_t k = 0; k < LT_STI_BANDS; k++) {
        size_t n = 0;
        for (size_t i = 0; i < count; i++)
            if (w[i].score >= in_step)
                scratch[n++] = w[i].mean[k];
        usual[k] = n > 0 ? lt_median(scratch, n) : 0.0;
    }
}

/* Against the neighbours that do not overlap: after a jump in time, windows agree with those behind it. */
static void score_windows(const search *s, window *w, size_t count, size_t apart, double *scratch)
{
    for (size_t i = 0; i < count; i++) {
        const double before = i >= apart ? agreement(s, &w[i], &w[i - apart]) : 0.0;
        const double after = i + apart < count ? agreement(s, &w[i], &w[i + apart]) : 0.0;
        scratch[i] = w[i].score = fmax(before, after);
    }
    const double typical = lt_quantile(scratch, count, 0.8);
    for (size_t i = 0; i < count; i++)
        w[i].score = typical > 0.0 ? w[i].score / typical : 0.0;
}

static void judge_windows(window *w, size_t count, const double usual[LT_STI_BANDS])
{
    for (size_t i = 0; i < count; i++)
        w[i].good = w[i].score >= in_step && unusual_weight(&w[i], usual) <= event_weight;
}

/* Short silences and bangs, which a window of seconds does not show. */
static void gate(const ltp_stipa_envelope *e, bool *used, const double usual[LT_STI_BANDS])
{
    const size_t step = (size_t)lround(gate_step_s / LTP_STIPA_FRAME_S);
    for (size_t at = 0; at < e->frames; at += step) {
        const size_t end = at + step < e->frames ? at + step : e->frames;
        double sum = 0.0, weights = 0.0;
        for (size_t k = 0; k < LT_STI_BANDS; k++) {
            if (!(usual[k] > 0.0))
                continue;
            sum += ltp_sti_rows[k].alpha[LT_STI_MALE] * lt_mean(e->u[k] + at, end - at) / usual[k];
            weights += ltp_sti_rows[k].alpha[LT_STI_MALE];
        }
        if (weights > 0.0 && (sum < gate_low * weights || sum > gate_high * weights))
            memset(used + at, 0, (end - at) * sizeof *used);
    }
}

/* Frames near a bad window's middle are not used; neither is what lies just inside such a border. */
static void mark(const ltp_stipa_envelope *e, const window *w, size_t count, size_t step, size_t half, bool *used)
{
    const size_t edge = (size_t)lround(edge_s / LTP_STIPA_FRAME_S);
    memset(used, 1, e->frames * sizeof *used);
    for (size_t i = 0; i < count; i++) {
        if (w[i].good)
            continue;
        const size_t middle = i * step + half;
        const size_t from = i == 0 ? 0 : middle > step / 2 + edge ? middle - step / 2 - edge : 0;
        const size_t to = i + 1 == count ? e->frames : middle + step / 2 + 1 + edge;
        for (size_t j = from; j < to && j < e->frames; j++)
            used[j] = false;
    }
}

static void summarise(const ltp_stipa_envelope *e, ltp_stipa_part *out)
{
    size_t first = e->frames, last = 0;
    out->used_frames = 0;
    for (size_t j = 0; j < e->frames; j++) {
        if (!out->used[j])
            continue;
        first = first < j ? first : j;
        last = j;
        out->used_frames++;
    }
    const size_t span = out->used_frames > 0 ? last - first + 1 : 0;
    out->spoiled_s = (double)(span - out->used_frames) * LTP_STIPA_FRAME_S;
}

static lt_status find_part(search *s, ltp_stipa_part *out, lt_error *err)
{
    const ltp_stipa_envelope *e = s->e;
    const size_t step = (size_t)lround(window_step_s / LTP_STIPA_FRAME_S);
    const size_t half = (size_t)lround(0.5 * window_s / LTP_STIPA_FRAME_S);
    const size_t count = e->frames > 2 * half ? (e->frames - 2 * half) / step + 1 : 0;
    window *w = ltp_alloc(count + 1, sizeof *w);
    double *scratch = ltp_alloc(count + 1, sizeof *scratch);
    lt_status status = LT_OK;
    if (w == NULL || scratch == NULL)
        status = ltp_fail_nomem(err, "a STIPA measurement");
    if (status == LT_OK && count > 0) {
        double usual[LT_STI_BANDS];
        for (size_t i = 0; i < count; i++)
            fit_window(e, out->speed, i * step, i * step + 2 * half, &w[i]);
        score_windows(s, w, count, 2 * half / step, scratch);
        usual_levels(w, count, scratch, usual);
        judge_windows(w, count, usual);
        mark(e, w, count, step, half, out->used);
        gate(e, out->used, usual);
        summarise(e, out);
    }
    ltp_free(w);
    ltp_free(scratch);
    return status;
}

lt_status ltp_stipa_find(const ltp_stipa_envelope *e, ltp_stipa_part *out, lt_error *err)
{
    search s = {.e = e};
    *out = (ltp_stipa_part){.speed = 1.0};
    out->used = ltp_alloc(e->frames + 1, sizeof *out->used);
    lt_status status = out->used != NULL ? weigh(e, &s, err) : ltp_fail_nomem(err, "a STIPA measurement");
    if (status == LT_OK) {
        find_speed(&s, out);
        status = find_part(&s, out, err);
        refine_speed(&s, out);
    }
    for (size_t k = 0; k < LT_STI_BANDS; k++)
        ltp_free(s.weight[k]);
    if (status != LT_OK) {
        ltp_free(out->used);
        out->used = NULL;
    }
    return status;
}
