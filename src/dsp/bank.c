/* SPDX-License-Identifier: MIT
 * One-third-octave filter bank, streaming. Stage s runs at rate / 2^s; a band runs on the slowest stage that holds it.
 * All bands of a stage share the zeros (1 - z^-2)^order, so each band is left with its poles; two bands go together. */
#include "dsp/bank.h"
#include "base/alloc.h"
#include "dsp/bank_design.h"

#include <math.h>
#include <string.h>

enum {
    MAX_BANDS = LT_THIRDS,
    HEAD = 32, /* samples kept from the last hop: the decimator needs 30, the zeros 8 */
    HOP_MULTIPLE = 1 << (LTP_BANK_STAGES - 1),
    MAX_GROUPS = MAX_BANDS / 2 + LTP_BANK_STAGES
};

static const double highest_edge = 0.47;  /* of the rate: above, the converter's own filter would be measured */
static const double decimated_edge = 0.3; /* of a decimated rate: below, aliases are at least 80 dB down */
static const double hop_s = 0.01;

typedef double pair __attribute__((vector_size(16)));

typedef struct {
    pair a1[LTP_BAND_MAX_ORDER], a2[LTP_BAND_MAX_ORDER];
    pair y1[LTP_BAND_MAX_ORDER], y2[LTP_BAND_MAX_ORDER]; /* last outputs of each pole pair */
    int order, stage;
    size_t first, count; /* bands first and, if count is 2, first + 1 */
} band_group;

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
    size_t band_count, group_count;
    int stages; /* in use */
    bank_band bands[MAX_BANDS];
    band_group groups[MAX_GROUPS];
    double taps[LTP_HALF_TAPS];
    double *stage[LTP_BANK_STAGES]; /* [HEAD + hop / 2^s] each, in one piece of memory */
    double *even;                   /* [HEAD / 2 + hop / 2] scratch */
    double *zeros;                  /* [hop] scratch */
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

static void put_in_group(lt_bank *b, size_t i)
{
    const bank_band *band = &b->bands[i];
    band_group *g = b->group_count == 0 ? NULL : &b->groups[b->group_count - 1];
    if (g == NULL || g->count == 2 || g->stage != band->stage || g->order != band->filter.order) {
        g = &b->groups[b->group_count++];
        *g = (band_group){.order = band->filter.order, .stage = band->stage, .first = i};
    }
    for (int k = 0; k < g->order; k++) {
        g->a1[k][g->count] = band->filter.a1[k];
        g->a2[k][g->count] = band->filter.a2[k];
    }
    g->count++;
}

static bool allocate_stages(lt_bank *b)
{
    size_t total = HEAD / 2 + b->hop / 2 + b->hop;
    for (int s = 0; s < LTP_BANK_STAGES; s++)
        total += HEAD + (b->hop >> s);
    b->memory = ltp_alloc(total, sizeof *b->memory);
    double *next = b->memory;
    if (next == NULL)
        return false;
    for (int s = 0; s < LTP_BANK_STAGES; s++) {
        b->stage[s] = next;
        next += HEAD + (b->hop >> s);
    }
    b->even = next;
    b->zeros = next + HEAD / 2 + b->hop / 2;
    return true;
}

lt_status lt_bank_create(double rate_hz, int first, int last, lt_bank **out, lt_error *err)
{
    *out = NULL;
    if (!(rate_hz >= 4000.0 && rate_hz <= 400000.0))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz: band levels need 4000 to 400000 Hz", rate_hz);
    if (first < LT_THIRD_FIRST || last > LT_THIRD_LAST || first > last)
        return ltp_fail(err, LT_E_ARG, "third-octave bands %d to %d: must rise, from %d to %d", first, last,
                        (int)LT_THIRD_FIRST, (int)LT_THIRD_LAST);
    if (lt_third_octave(first).upper_hz > highest_edge * rate_hz)
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz is too low for the band at %g Hz", rate_hz,
                        lt_third_octave(first).nominal_hz);
    lt_bank *b = ltp_alloc(1, sizeof *b);
    if (b == NULL)
        return ltp_fail_nomem(err, "a filter bank");
    b->rate_hz = rate_hz;
    b->hop = (size_t)fmax(1.0, round(hop_s * rate_hz / HOP_MULTIPLE)) * HOP_MULTIPLE;
    ltp_half_design(b->taps);
    for (int index = first; index <= last; index++) {
        const lt_band band = lt_third_octave(index);
        if (band.upper_hz <= highest_edge * rate_hz)
            add_band(b, &band);
    }
    for (size_t i = 0; i < b->band_count; i++)
        put_in_group(b, i);
    if (!allocate_stages(b)) {
        lt_bank_free(b);
        return ltp_fail_nomem(err, "a filter bank");
    }
    *out = b;
    return LT_OK;
}

void lt_bank_free(lt_bank *b)
{
    if (b == NULL)
        return;
    ltp_free(b->memory);
    ltp_free(b);
}

void lt_bank_reset(lt_bank *b)
{
    for (int s = 0; s < LTP_BANK_STAGES; s++)
        memset(b->stage[s], 0, (HEAD + (b->hop >> s)) * sizeof *b->stage[s]);
    for (size_t i = 0; i < b->group_count; i++) {
        memset(b->groups[i].y1, 0, sizeof b->groups[i].y1);
        memset(b->groups[i].y2, 0, sizeof b->groups[i].y2);
    }
}

size_t lt_bank_band_count(const lt_bank *b)
{
    return b->band_count;
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

/* x[count] with HEAD older samples before it -> out[count / 2]. The even samples are laid side by side first. */
static void halve(const double *restrict taps, const double *restrict x, size_t count, double *restrict even,
                  double *restrict out)
{
    enum { BACK = LTP_HALF_DELAY };
    const size_t n = count / 2;
    for (size_t m = 0; m < n + BACK; m++)
        even[m] = x[2 * (ptrdiff_t)m - 2 * BACK];
    for (size_t m = 0; m < n; m++) {
        double sum = 0.5 * x[2 * (ptrdiff_t)m - BACK];
        for (size_t k = 0; k < LTP_HALF_TAPS; k++)
            sum += taps[k] * (even[m + BACK - k] + even[m + k]);
        out[m] = sum;
    }
}

/* (1 - z^-2)^order, the zeros of all bands of a stage. */
static void apply_zeros(const double *restrict x, size_t count, int order, double *restrict out)
{
    const ptrdiff_t n = (ptrdiff_t)count;
    if (order == 3)
        for (ptrdiff_t i = 0; i < n; i++)
            out[i] = (x[i] - x[i - 6]) - 3.0 * (x[i - 2] - x[i - 4]);
    else
        for (ptrdiff_t i = 0; i < n; i++)
            out[i] = (x[i] + x[i - 8]) - 4.0 * (x[i - 2] + x[i - 6]) + 6.0 * x[i - 4];
}

static inline pair run_poles(band_group *g, const double *x, size_t count, const int order)
{
    pair a1[LTP_BAND_MAX_ORDER];
    pair a2[LTP_BAND_MAX_ORDER];
    pair y1[LTP_BAND_MAX_ORDER];
    pair y2[LTP_BAND_MAX_ORDER];
    for (int k = 0; k < order; k++) {
        a1[k] = g->a1[k];
        a2[k] = g->a2[k];
        y1[k] = g->y1[k];
        y2[k] = g->y2[k];
    }
    pair total = {0.0, 0.0};
    for (size_t i = 0; i < count; i++) {
        pair y = {x[i], x[i]};
        for (int k = 0; k < order; k++) {
            y = (y - a2[k] * y2[k]) - a1[k] * y1[k]; /* only the last product waits for the sample before */
            y2[k] = y1[k];
            y1[k] = y;
        }
        total += y * y;
    }
    for (int k = 0; k < order; k++) {
        g->y1[k] = y1[k];
        g->y2[k] = y2[k];
    }
    return total;
}

/* States that have died away would turn into denormal numbers, which are slow; 1e-120 is 2400 dB down. */
static void clear_dead_states(band_group *g)
{
    for (int k = 0; k < g->order; k++)
        for (size_t lane = 0; lane < 2; lane++)
            if (fabs(g->y1[k][lane]) < 1e-120 && fabs(g->y2[k][lane]) < 1e-120)
                g->y1[k][lane] = g->y2[k][lane] = 0.0;
}

bool ltp_bank_at_rest(const lt_bank *b)
{
    for (size_t i = 0; i < b->group_count; i++)
        for (int k = 0; k < b->groups[i].order; k++)
            for (size_t lane = 0; lane < 2; lane++)
                if (fabs(b->groups[i].y1[k][lane]) > 0.0 || fabs(b->groups[i].y2[k][lane]) > 0.0)
                    return false;
    return true;
}

void lt_bank_hop(lt_bank *b, const double *x, double *mean_square)
{
    for (int s = 0; s < b->stages; s++) {
        const size_t count = b->hop >> s;
        double *buffer = b->stage[s];
        memmove(buffer, buffer + count, HEAD * sizeof *buffer);
        if (s == 0)
            memcpy(buffer + HEAD, x, count * sizeof *buffer);
        else
            halve(b->taps, b->stage[s - 1] + HEAD, 2 * count, b->even, buffer + HEAD);
    }
    int stage = -1;
    int order = 0;
    for (size_t i = 0; i < b->group_count; i++) {
        band_group *g = &b->groups[i];
        const size_t count = b->hop >> g->stage;
        if (g->stage != stage || g->order != order) {
            stage = g->stage;
            order = g->order;
            apply_zeros(b->stage[stage] + HEAD, count, order, b->zeros);
        }
        const pair total = order == 3 ? run_poles(g, b->zeros, count, 3) : run_poles(g, b->zeros, count, 4);
        clear_dead_states(g);
        for (size_t lane = 0; lane < g->count; lane++)
            mean_square[g->first + lane] = total[lane] * b->bands[g->first + lane].gain / (double)count;
    }
}
