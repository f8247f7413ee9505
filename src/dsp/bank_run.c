/* SPDX-License-Identifier: MIT
 * The inner loops of the filter bank. A recursion cannot start a sample before the last one is done, so speed comes
 * from running four bands in the lanes of a vector, and from taking two samples a step. */
#include "dsp/bank_run.h"
#include "base/vector.h"

#include <string.h>

/* Two samples a step. With y1, y2 the last two outputs of a pole pair,
 *   y[n]     = x[n] - a1 y1 - a2 y2
 *   y[n + 1] = x[n + 1] - a1 x[n] + (a1^2 - a2) y1 + a1 a2 y2
 * both need only what is known before the step, so the wait for one product and one sum comes once in two samples. */
typedef struct {
    ltp_vector y1[LTP_BAND_MAX_ORDER], y2[LTP_BAND_MAX_ORDER];
    ltp_vector total;
} running;

LTP_INLINE void step_two(running *r, const ltp_band_group *g, const double *x, const int order)
{
    ltp_vector first = {x[0], x[0], x[0], x[0]};
    ltp_vector second = {x[1], x[1], x[1], x[1]};
    for (int k = 0; k < order; k++) {
        const ltp_quad *a1 = (const ltp_quad *)g->a1[k];
        const ltp_quad *a2 = (const ltp_quad *)g->a2[k];
        const ltp_quad *b1 = (const ltp_quad *)g->b1[k];
        const ltp_quad *b2 = (const ltp_quad *)g->b2[k];
        const ltp_vector y = (first - *a2 * r->y2[k]) - *a1 * r->y1[k];
        second = ((second - *a1 * first) + *b2 * r->y2[k]) + *b1 * r->y1[k];
        first = y;
        r->y2[k] = first;
        r->y1[k] = second;
    }
    r->total += first * first + second * second;
}

LTP_INLINE void step_one(running *r, const ltp_band_group *g, double x, const int order)
{
    ltp_vector y = {x, x, x, x};
    for (int k = 0; k < order; k++) {
        y = (y - *(const ltp_quad *)g->a2[k] * r->y2[k]) - *(const ltp_quad *)g->a1[k] * r->y1[k];
        r->y2[k] = r->y1[k];
        r->y1[k] = y;
    }
    r->total += y * y;
}

/* States that have died away would turn into denormal numbers, which are slow; 1e-120 is 2400 dB down. */
LTP_INLINE void store(const running *r, ltp_band_group *g, const int order)
{
    const ltp_vector tiny = {1e-120, 1e-120, 1e-120, 1e-120};
    for (int k = 0; k < order; k++) {
        const ltp_vector y1 = r->y1[k];
        const ltp_vector y2 = r->y2[k];
        const ltp_mask alive = (y1 >= tiny) | (-y1 >= tiny) | (y2 >= tiny) | (-y2 >= tiny);
        *(ltp_quad *)g->y1[k] = (ltp_vector)(alive & (ltp_mask)y1);
        *(ltp_quad *)g->y2[k] = (ltp_vector)(alive & (ltp_mask)y2);
    }
    *(ltp_quad *)g->total = r->total;
}

LTP_INLINE void run(ltp_band_group *g, const double *x, size_t count, const int order)
{
    running r;
    for (int k = 0; k < order; k++) {
        r.y1[k] = *(const ltp_quad *)g->y1[k];
        r.y2[k] = *(const ltp_quad *)g->y2[k];
    }
    r.total = (ltp_vector){0.0, 0.0, 0.0, 0.0};
    size_t i = 0;
    for (; i + 2 <= count; i += 2)
        step_two(&r, g, x + i, order);
    if (i < count)
        step_one(&r, g, x[i], order);
    store(&r, g, order);
}

LTP_WIDE void ltp_poles_run(ltp_band_group *g, const double *x, size_t count)
{
    if (g->order == 3)
        run(g, x, count, 3);
    else
        run(g, x, count, 4);
}

/* ---- the full rate: eight bands in single precision ---- */

typedef struct {
    ltp_octet y1[LTP_BAND_MAX_ORDER], y2[LTP_BAND_MAX_ORDER];
    ltp_octet total;
} running_top;

LTP_INLINE void choose(const ltp_octet_mask *takes_three, float three, float four, ltp_octet *out)
{
    const ltp_octet a = {three, three, three, three, three, three, three, three};
    const ltp_octet b = {four, four, four, four, four, four, four, four};
    *out = (ltp_octet)((*takes_three & (ltp_octet_mask)a) | (~*takes_three & (ltp_octet_mask)b));
}

LTP_INLINE void step_two_top(running_top *r, const ltp_top_group *g, const ltp_octet_mask *takes_three,
                             const float *three, const float *four)
{
    ltp_octet first, second;
    choose(takes_three, three[0], four[0], &first);
    choose(takes_three, three[1], four[1], &second);
    for (int k = 0; k < LTP_BAND_MAX_ORDER; k++) {
        const ltp_octet_at *a1 = (const ltp_octet_at *)g->a1[k];
        const ltp_octet_at *a2 = (const ltp_octet_at *)g->a2[k];
        const ltp_octet_at *b1 = (const ltp_octet_at *)g->b1[k];
        const ltp_octet_at *b2 = (const ltp_octet_at *)g->b2[k];
        const ltp_octet y = (first - *a2 * r->y2[k]) - *a1 * r->y1[k];
        second = ((second - *a1 * first) + *b2 * r->y2[k]) + *b1 * r->y1[k];
        first = y;
        r->y2[k] = first;
        r->y1[k] = second;
    }
    r->total += first * first + second * second;
}

/* As store(); 1e-25 is 500 dB down, and far above the denormal numbers of a float. */
LTP_INLINE void store_top(const running_top *r, ltp_top_group *g)
{
    for (int k = 0; k < LTP_BAND_MAX_ORDER; k++)
        for (int lane = 0; lane < LTP_TOP_LANES; lane++) {
            const float y1 = r->y1[k][lane];
            const float y2 = r->y2[k][lane];
            const bool alive = y1 >= 1e-25F || y1 <= -1e-25F || y2 >= 1e-25F || y2 <= -1e-25F;
            g->y1[k][lane] = alive ? y1 : 0.0F;
            g->y2[k][lane] = alive ? y2 : 0.0F;
        }
    *(ltp_octet_at *)g->total = r->total;
}

/* count is even: a hop is a multiple of 32 frames. */
LTP_WIDE void ltp_top_run(ltp_top_group *g, const float *three, const float *four, size_t count)
{
    running_top r;
    ltp_octet_mask takes_three;
    memcpy(&takes_three, g->takes_three, sizeof takes_three);
    for (int k = 0; k < LTP_BAND_MAX_ORDER; k++) {
        r.y1[k] = *(const ltp_octet_at *)g->y1[k];
        r.y2[k] = *(const ltp_octet_at *)g->y2[k];
    }
    r.total = (ltp_octet){0.0F};
    for (size_t i = 0; i + 2 <= count; i += 2)
        step_two_top(&r, g, &takes_three, three + i, four + i);
    store_top(&r, g);
}

LTP_WIDE void ltp_top_zeros_run(const double *restrict x, size_t count, float *restrict three, float *restrict four)
{
    const ptrdiff_t n = (ptrdiff_t)count;
    for (ptrdiff_t i = 0; i < n; i++) {
        three[i] = (float)((x[i] - x[i - 6]) - 3.0 * (x[i - 2] - x[i - 4]));
        four[i] = (float)((x[i] + x[i - 8]) - 4.0 * (x[i - 2] + x[i - 6]) + 6.0 * x[i - 4]);
    }
}

LTP_WIDE void ltp_zeros_run(const double *restrict x, size_t count, int order, double *restrict out)
{
    const ptrdiff_t n = (ptrdiff_t)count;
    if (order == 3)
        for (ptrdiff_t i = 0; i < n; i++)
            out[i] = (x[i] - x[i - 6]) - 3.0 * (x[i - 2] - x[i - 4]);
    else
        for (ptrdiff_t i = 0; i < n; i++)
            out[i] = (x[i] + x[i - 8]) - 4.0 * (x[i - 2] + x[i - 6]) + 6.0 * x[i - 4];
}

/* Even and odd samples are laid side by side first, so that the sums run over neighbours. */
LTP_WIDE void ltp_halve_run(const double *restrict taps, const double *restrict x, size_t count, double *restrict even,
                            double *restrict odd, double *restrict out)
{
    enum { BACK = LTP_HALF_DELAY };
    const size_t n = count / 2;
    const double *first = x - 2 * BACK;
    for (size_t m = 0; m < n + BACK; m++)
        even[m] = first[2 * m];
    for (size_t m = 0; m < n; m++)
        odd[m] = first[2 * m + BACK];
    for (size_t m = 0; m < n; m++) {
        double sum = 0.5 * odd[m];
        for (size_t k = 0; k < LTP_HALF_TAPS; k++)
            sum += taps[k] * (even[m + BACK - k] + even[m + k]);
        out[m] = sum;
    }
}
