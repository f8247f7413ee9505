/* SPDX-License-Identifier: MIT
 * Fractional-octave filter bank, streaming. Stage s runs at rate / 2^s; a band runs on the slowest stage that holds it.
 * All bands of a stage share the zeros (1 - z^-2)^order, so each band is left with its poles; four bands go together:
 * the three one-third octaves of a stage and the octave that ends where they do. The bands of stage 0, half of all the
 * work, go eight together in single precision. */
#include "dsp/bank.h"
#include "base/alloc.h"
#include "dsp/bank_run.h"

#include <math.h>
#include <string.h>

enum {
    OCTAVE_FIRST = -6, /* 16 Hz */
    OCTAVE_LAST = 4,   /* 16 kHz */
    MAX_BANDS = LT_THIRDS + OCTAVE_LAST - OCTAVE_FIRST + 1,
    HEAD = 32, /* samples kept from the last hop: the decimator needs 30, the zeros 8 */
    HOP_MULTIPLE = 1 << (LTP_BANK_STAGES - 1),
    MAX_GROUPS = MAX_BANDS / LTP_LANES + 2 * LTP_BANK_STAGES + 1
};

static const double highest_edge = 0.47; /* of the rate: above, the converter's own filter would be measured */
/* Of a decimated rate. Below 0.3, aliases are at least 80 dB down; with 0.285 all bands of a decimated stage do with
 * three pole pairs. */
static const double decimated_edge = 0.285;
static const double hop_s = 0.01;

typedef struct {
    lt_band band;
    ltp_band_filter filter;
    int stage;
    double gain; /* power, brings the mid-band response to 1 */
    double delay_s;
} bank_band;

struct lt_bank {
    double rate_hz;
    size_t hop;
    size_t band_count, third_count, group_count;
    int stages;                 /* in use */
    bank_band bands[MAX_BANDS]; /* one-third octaves, then octaves */
    ltp_top_group *top;         /* bands of stage 0, inside group_memory */
    ltp_band_group *groups;     /* [MAX_GROUPS], inside group_memory: all others */
    char *group_memory;
    double taps[LTP_HALF_TAPS];
    double *stage[LTP_BANK_STAGES]; /* [HEAD + hop / 2^s] each, in one piece of memory */
    double *even, *odd;             /* [HEAD / 2 + hop / 2] scratch */
    double *zeros[2];               /* [hop] scratch: of order 3, of order 4 */
    float *top_zeros;               /* [2 hop] scratch: the same for stage 0 */
    double *memory;
};

/* ---- creation ---- */

static double stage_rate_hz(const lt_bank *b, int stage)
{
    return b->rate_hz / (double)(1 << stage);
}

static int stage_for(const lt_bank *b, const lt_band *band)
{
    int stage = 0;
    while (stage + 1 < LTP_BANK_STAGES && band->upper_hz <= decimated_edge * stage_rate_hz(b, stage + 1))
        stage++;
    return stage;
}

double ltp_bank_power(const lt_bank *b, size_t i, double hz)
{
    const bank_band *band = &b->bands[i];
    double power = band->gain;
    for (int s = 0; s < band->stage; s++) {
        power *= ltp_half_power(b->taps, hz, stage_rate_hz(b, s));
        const double next = stage_rate_hz(b, s + 1);
        hz = fmin(hz, next - hz); /* what lies above half the new rate folds down */
    }
    return power * ltp_band_power(&band->filter, hz, stage_rate_hz(b, band->stage));
}

static void add_band(lt_bank *b, const lt_band *band)
{
    const size_t i = b->band_count++;
    bank_band *n = &b->bands[i];
    n->band = *band;
    n->stage = stage_for(b, band);
    n->filter = ltp_band_design(band, stage_rate_hz(b, n->stage));
    n->gain = 1.0;
    n->gain = 1.0 / ltp_bank_power(b, i, band->exact_hz);
    n->delay_s = ltp_band_delay_s(&n->filter, band->exact_hz, stage_rate_hz(b, n->stage));
    for (int s = 0; s < n->stage; s++)
        n->delay_s += LTP_HALF_DELAY / stage_rate_hz(b, s);
    b->stages = n->stage + 1 > b->stages ? n->stage + 1 : b->stages;
}

static void put_in_group(lt_bank *b, size_t i, ltp_band_group *g)
{
    const ltp_band_filter *f = &b->bands[i].filter;
    for (int k = 0; k < f->order; k++) {
        g->a1[k][g->count] = f->a1[k];
        g->a2[k][g->count] = f->a2[k];
        g->b1[k][g->count] = f->a1[k] * f->a1[k] - f->a2[k];
        g->b2[k][g->count] = f->a1[k] * f->a2[k];
    }
    g->band[g->count++] = i;
}

/* Not more than eight bands end between 0.1425 (half of decimated_edge) and 0.47 of the rate. */
static void put_in_top(lt_bank *b, size_t i)
{
    const ltp_band_filter *f = &b->bands[i].filter;
    ltp_top_group *g = b->top;
    for (int k = 0; k < f->order; k++) {
        g->a1[k][g->count] = (float)f->a1[k];
        g->a2[k][g->count] = (float)f->a2[k];
        g->b1[k][g->count] = (float)(f->a1[k] * f->a1[k] - f->a2[k]);
        g->b2[k][g->count] = (float)(f->a1[k] * f->a2[k]);
    }
    g->takes_three[g->count] = f->order == 3 ? -1 : 0;
    g->band[g->count++] = i;
}

/* Bands of one stage and one order go together, four by four. Groups are sorted by stage, then by order. */
static void make_groups(lt_bank *b)
{
    for (size_t i = 0; i < b->band_count; i++)
        if (b->bands[i].stage == 0)
            put_in_top(b, i);
    for (int stage = 1; stage < b->stages; stage++)
        for (int order = 3; order <= LTP_BAND_MAX_ORDER; order++) {
            ltp_band_group *g = NULL;
            for (size_t i = 0; i < b->band_count; i++) {
                if (b->bands[i].stage != stage || b->bands[i].filter.order != order)
                    continue;
                if (g == NULL || g->count == LTP_LANES) {
                    g = &b->groups[b->group_count++];
                    *g = (ltp_band_group){.order = order, .stage = stage};
                }
                put_in_group(b, i, g);
            }
        }
}

static bool allocate(lt_bank *b)
{
    size_t total = HEAD + b->hop + 2 * b->hop;
    for (int s = 0; s < LTP_BANK_STAGES; s++)
        total += HEAD + (b->hop >> s);
    b->memory = ltp_alloc(total, sizeof *b->memory);
    double *next = b->memory;
    const uintptr_t grain = _Alignof(ltp_band_group);
    b->group_memory = ltp_alloc(1, MAX_GROUPS * sizeof *b->groups + sizeof *b->top + grain);
    b->top_zeros = ltp_alloc(2 * b->hop, sizeof *b->top_zeros);
    if (next == NULL || b->group_memory == NULL || b->top_zeros == NULL)
        return false;
    b->top = (ltp_top_group *)(void *)(b->group_memory + (grain - (uintptr_t)b->group_memory % grain));
    b->groups = (ltp_band_group *)(void *)(b->top + 1);
    for (int s = 0; s < LTP_BANK_STAGES; s++) {
        b->stage[s] = next;
        next += HEAD + (b->hop >> s);
    }
    b->even = next;
    b->odd = b->even + HEAD / 2 + b->hop / 2;
    b->zeros[0] = b->odd + HEAD / 2 + b->hop / 2;
    b->zeros[1] = b->zeros[0] + b->hop;
    return true;
}

static lt_status check_bands(double rate_hz, const lt_bank_bands *w, lt_error *err)
{
    if (!(rate_hz >= 4000.0 && rate_hz <= 400000.0))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz: band levels need 4000 to 400000 Hz", rate_hz);
    if (w->first < LT_THIRD_FIRST || w->last > LT_THIRD_LAST || w->first > w->last)
        return ltp_fail(err, LT_E_ARG, "third-octave bands %d to %d: must rise, from %d to %d", w->first, w->last,
                        (int)LT_THIRD_FIRST, (int)LT_THIRD_LAST);
    if (w->octaves &&
        (w->octave_first < OCTAVE_FIRST || w->octave_last > OCTAVE_LAST || w->octave_first > w->octave_last))
        return ltp_fail(err, LT_E_ARG, "octave bands %d to %d: must rise, from %d to %d", w->octave_first,
                        w->octave_last, (int)OCTAVE_FIRST, (int)OCTAVE_LAST);
    if (lt_third_octave(w->first).upper_hz > highest_edge * rate_hz)
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz is too low for the band at %g Hz", rate_hz,
                        lt_third_octave(w->first).nominal_hz);
    return LT_OK;
}

lt_status lt_bank_create_bands(double rate_hz, const lt_bank_bands *wanted, lt_bank **out, lt_error *err)
{
    *out = NULL;
    const lt_status status = check_bands(rate_hz, wanted, err);
    if (status != LT_OK)
        return status;
    lt_bank *b = ltp_alloc(1, sizeof *b);
    if (b == NULL)
        return ltp_fail_nomem(err, "a filter bank");
    b->rate_hz = rate_hz;
    b->hop = (size_t)fmax(1.0, round(hop_s * rate_hz / HOP_MULTIPLE)) * HOP_MULTIPLE;
    ltp_half_design(b->taps);
    for (int index = wanted->first; index <= wanted->last; index++) {
        const lt_band band = lt_third_octave(index);
        if (band.upper_hz <= highest_edge * rate_hz)
            add_band(b, &band);
    }
    b->third_count = b->band_count;
    for (int index = wanted->octave_first; wanted->octaves && index <= wanted->octave_last; index++) {
        const lt_band band = lt_octave(index);
        if (band.upper_hz <= highest_edge * rate_hz)
            add_band(b, &band);
    }
    if (!allocate(b)) {
        lt_bank_free(b);
        return ltp_fail_nomem(err, "a filter bank");
    }
    make_groups(b);
    *out = b;
    return LT_OK;
}

lt_status lt_bank_create(double rate_hz, int first, int last, lt_bank **out, lt_error *err)
{
    return lt_bank_create_bands(rate_hz, &(lt_bank_bands){.first = first, .last = last}, out, err);
}

void lt_bank_free(lt_bank *b)
{
    if (b == NULL)
        return;
    ltp_free(b->memory);
    ltp_free(b->group_memory);
    ltp_free(b->top_zeros);
    ltp_free(b);
}

void lt_bank_reset(lt_bank *b)
{
    for (int s = 0; s < LTP_BANK_STAGES; s++)
        memset(b->stage[s], 0, (HEAD + (b->hop >> s)) * sizeof *b->stage[s]);
    memset(b->top->y1, 0, sizeof b->top->y1);
    memset(b->top->y2, 0, sizeof b->top->y2);
    for (size_t i = 0; i < b->group_count; i++) {
        memset(b->groups[i].y1, 0, sizeof b->groups[i].y1);
        memset(b->groups[i].y2, 0, sizeof b->groups[i].y2);
    }
}

size_t lt_bank_band_count(const lt_bank *b)
{
    return b->band_count;
}

size_t lt_bank_third_count(const lt_bank *b)
{
    return b->third_count;
}

lt_band lt_bank_band(const lt_bank *b, size_t i)
{
    return b->bands[i].band;
}

size_t lt_bank_hop_frames(const lt_bank *b)
{
    return b->hop;
}

double lt_bank_delay_s(const lt_bank *b, size_t i)
{
    return b->bands[i].delay_s;
}

/* ---- one hop ---- */

const double *ltp_bank_half(const lt_bank *b)
{
    return b->stages > 1 ? b->stage[1] + HEAD : NULL;
}

bool ltp_bank_at_rest(const lt_bank *b)
{
    for (int k = 0; k < LTP_BAND_MAX_ORDER; k++)
        for (size_t lane = 0; lane < LTP_TOP_LANES; lane++)
            if (fabsf(b->top->y1[k][lane]) > 0.0F || fabsf(b->top->y2[k][lane]) > 0.0F)
                return false;
    for (size_t i = 0; i < b->group_count; i++)
        for (int k = 0; k < b->groups[i].order; k++)
            for (size_t lane = 0; lane < LTP_LANES; lane++)
                if (fabs(b->groups[i].y1[k][lane]) > 0.0 || fabs(b->groups[i].y2[k][lane]) > 0.0)
                    return false;
    return true;
}

static void run_top(lt_bank *b)
{
    if (b->top->count == 0)
        return;
    ltp_top_zeros_run(b->stage[0] + HEAD, b->hop, b->top_zeros, b->top_zeros + b->hop);
    ltp_top_run(b->top, b->top_zeros, b->top_zeros + b->hop, b->hop);
}

/* All groups of a decimated stage; returns the first group of the next stage. */
static size_t run_stage(lt_bank *b, size_t first, int stage)
{
    const size_t count = b->hop >> stage;
    size_t end = first;
    while (end < b->group_count && b->groups[end].stage == stage)
        end++;
    if (end == first)
        return end;
    const double *x = b->stage[stage] + HEAD;
    if (b->groups[first].order == 3)
        ltp_zeros_run(x, count, 3, b->zeros[0]);
    if (b->groups[end - 1].order == 4)
        ltp_zeros_run(x, count, 4, b->zeros[1]);
    for (size_t i = first; i < end; i++)
        ltp_poles_run(&b->groups[i], b->zeros[b->groups[i].order - 3], count);
    return end;
}

void lt_bank_hop(lt_bank *b, const double *x, double *mean_square)
{
    size_t group = 0;
    for (int s = 0; s < b->stages; s++) {
        const size_t count = b->hop >> s;
        double *buffer = b->stage[s];
        memmove(buffer, buffer + count, HEAD * sizeof *buffer);
        if (s == 0)
            memcpy(buffer + HEAD, x, count * sizeof *buffer);
        else
            ltp_halve_run(b->taps, b->stage[s - 1] + HEAD, 2 * count, b->even, b->odd, buffer + HEAD);
        if (s == 0)
            run_top(b);
        else
            group = run_stage(b, group, s);
    }
    for (size_t lane = 0; lane < b->top->count; lane++) {
        const size_t i = b->top->band[lane];
        mean_square[i] = (double)b->top->total[lane] * b->bands[i].gain / (double)b->hop;
    }
    for (size_t i = 0; i < b->group_count; i++) {
        const ltp_band_group *g = &b->groups[i];
        for (size_t lane = 0; lane < g->count; lane++) {
            const bank_band *band = &b->bands[g->band[lane]];
            mean_square[g->band[lane]] = g->total[lane] * band->gain / (double)(b->hop >> band->stage);
        }
    }
}
