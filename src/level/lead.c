/* SPDX-License-Identifier: MIT
 * The made-up past of a recording: its mirror image in time, which has the same spectrum and level. The mirror alone
 * has a kink where it meets the recording; of a strong 20 Hz it makes a click that A-weighting would let through, while
 * the 20 Hz themselves are 50 dB down. So the last tenth of a second before the recording comes from linear prediction
 * backwards, driven by the mirrored prediction errors: it meets the recording smoothly and is as loud as it. */
#include "level/lead.h"
#include "base/alloc.h"
#include <lanetune/dsp.h>

#include <math.h>

enum { ORDER = 16 };
static const double fade_s = 0.1;
static const double least_residual = 1e-18; /* of the power: what is left is rounding */

struct ltp_lead {
    size_t most, fade;
    double *ahead, *behind; /* [most] prediction errors */
};

lt_status ltp_lead_create(size_t most, double rate_hz, ltp_lead **out, lt_error *err)
{
    *out = NULL;
    ltp_lead *l = ltp_alloc(1, sizeof *l);
    if (l != NULL) {
        l->most = most;
        l->fade = (size_t)ceil(fade_s * rate_hz);
        l->ahead = ltp_alloc(most, sizeof *l->ahead);
        l->behind = ltp_alloc(most, sizeof *l->behind);
    }
    if (l == NULL || l->ahead == NULL || l->behind == NULL) {
        ltp_lead_free(l);
        return ltp_fail_nomem(err, "a level meter");
    }
    *out = l;
    return LT_OK;
}

void ltp_lead_free(ltp_lead *l)
{
    if (l == NULL)
        return;
    ltp_free(l->ahead);
    ltp_free(l->behind);
    ltp_free(l);
}

/* Coefficients of x[n] = sum a[k] x[n + 1 + k] + error, by Burg's method (1967), which never gives a growing answer.
 * Leaves the error of x[n] in behind[n + order]. Returns the order. */
static size_t predict(ltp_lead *l, const double *x, size_t count, double a[ORDER])
{
    double power = 0.0;
    for (size_t i = 0; i < count; i++) {
        l->ahead[i] = l->behind[i] = x[i];
        power += x[i] * x[i];
    }
    const double least = power * least_residual;
    size_t order = 0;
    while (order < ORDER && order + 2 < count) {
        double cross = 0.0;
        double both = 0.0;
        for (size_t i = order + 1; i < count; i++) {
            cross += l->ahead[i] * l->behind[i - 1];
            both += l->ahead[i] * l->ahead[i] + l->behind[i - 1] * l->behind[i - 1];
        }
        if (!(both > least))
            break;
        const double reflection = 2.0 * cross / both;
        for (size_t i = count - 1; i > order; i--) {
            const double forward = l->ahead[i];
            l->ahead[i] = forward - reflection * l->behind[i - 1];
            l->behind[i] = l->behind[i - 1] - reflection * forward;
        }
        double next[ORDER];
        for (size_t k = 0; k < order; k++)
            next[k] = a[k] - reflection * a[order - 1 - k];
        for (size_t k = 0; k < order; k++)
            a[k] = next[k];
        a[order++] = reflection;
    }
    return order;
}

void ltp_lead_make(ltp_lead *l, const double *x, size_t count, double *lead, size_t wanted)
{
    double a[ORDER] = {0.0};
    if (wanted == 0)
        return;
    for (size_t i = 1; i <= wanted; i++)
        lead[wanted - i] = x[i];
    const size_t order = predict(l, x, count, a);
    const size_t fade = l->fade < wanted ? l->fade : wanted;
    double *past = l->ahead; /* past[i]: the (i + 1)-th frame before the recording */
    for (size_t i = 0; i < fade; i++) {
        const size_t error = i + 1 + order;
        double sum = error < count ? l->behind[error] : 0.0;
        for (size_t k = 0; k < order; k++)
            sum += a[k] * (k < i ? past[i - 1 - k] : x[k - i]);
        past[i] = sum;
        /* The two are alike in power and strangers in phase: their powers fade, smoothly at both ends. */
        const double turn = 0.5 * LT_PI * lt_fade((double)i / (double)fade);
        lead[wanted - 1 - i] = sum * cos(turn) + lead[wanted - 1 - i] * sin(turn);
    }
}
