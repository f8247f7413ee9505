/* SPDX-License-Identifier: MIT
 * Crackle of a loose contact: clicks, much shorter than any sound of speech, with nothing like them just before or
 * after.
 *
 * The signal passes a high-pass (second order, at a quarter of the rate or 4 kHz). Sub-blocks of a quarter millisecond
 * keep their peak. A click stands out over every sub-block of the 16 ms before it and of the 16 ms after it, the first
 * 3 ms excepted: pulses of a voice or a buzz come more often than that, bursts of consonants last longer. */
#include "base/alloc.h"
#include "level/faults.h"

#include <string.h>

enum { BLOCKS = 160, SIDE = 64, SKIRT = 2, AFTER = 12 };
static const double block_s = 0.00025;
static const double corner_hz = 4000.0, corner_of_rate = 0.25;
static const double ratio_least = 5.0; /* 14 dB */
static const double ratio_strong = 16.0;
static const double least = 0.0015; /* of full scale */
static const double edge = 5.6;     /* 15 dB */
static const double refractory_s = 0.004;
static const double company_s = 3.0; /* clicks closer than that belong together */
enum { COMPANY = 3, MANY = 12, KEPT = 256 };
static const double kin = 0.1; /* a click 20 dB weaker than the usual ones is another matter: a lip, a consonant */
static const double frame_multiple_s = 0.12, frame_tolerance_s = 0.0006; /* 26 frames of a mobile phone */

struct ltp_click {
    double rate_hz;
    lt_biquad high;
    lt_biquad_state state;
    size_t block, in_block;
    double peak, whole;
    double ring[BLOCKS];       /* peaks after the high-pass */
    double whole_ring[BLOCKS]; /* peaks of the signal itself */
    size_t blocks;
    uint64_t frames;
    double last_s;

    size_t count, strong;
    size_t kept;
    double time_s[KEPT], peak_of[KEPT]; /* the clicks, until some have company */
    double first_of_many_s;             /* NaN: none of those before the kept ones had company */
    double first_any_s, previous_s;
    double loudest, ratio_most;
    size_t regular; /* intervals that are whole multiples of 120 ms */
};

void ltp_click_free(ltp_click *d)
{
    ltp_free(d);
}

lt_status ltp_click_create(double rate_hz, ltp_click **out, lt_error *err)
{
    *out = NULL;
    ltp_click *d = ltp_alloc(1, sizeof *d);
    if (d == NULL)
        return ltp_fail_nomem(err, "the search for crackle");
    d->rate_hz = rate_hz;
    d->high = lt_biquad_highpass(fmin(corner_hz, corner_of_rate * rate_hz), 0.7071, rate_hz);
    d->block = (size_t)fmax(1.0, round(block_s * rate_hz));
    d->first_any_s = d->first_of_many_s = NAN;
    d->last_s = d->previous_s = -1e9;
    *out = d;
    return LT_OK;
}

static double at(const ltp_click *d, size_t ago)
{
    return d->ring[(d->blocks - 1 - ago) % BLOCKS];
}

/* The first of the kept clicks that has company of its kind; NaN. */
static double first_of_many(const ltp_click *d)
{
    double sorted[KEPT], t[KEPT];
    size_t count = 0;
    if (d->kept < COMPANY)
        return NAN;
    memcpy(sorted, d->peak_of, d->kept * sizeof *sorted);
    const double usual = lt_median(sorted, d->kept);
    for (size_t i = 0; i < d->kept; i++)
        if (d->peak_of[i] >= kin * usual)
            t[count++] = d->time_s[i];
    for (size_t i = 0; i + COMPANY <= count; i++)
        if (t[i + COMPANY - 1] - t[i] <= company_s)
            return t[i];
    return NAN;
}

/* Isolated clicks may fill the table for hours before a contact begins to crackle: the older half of them goes. */
static void keep(ltp_click *d, double t, double peak)
{
    if (d->kept == KEPT) {
        d->first_of_many_s = first_of_many(d);
        d->kept = isnan(d->first_of_many_s) ? KEPT / 2 : 0;
        memmove(d->time_s, d->time_s + KEPT - d->kept, d->kept * sizeof *d->time_s);
        memmove(d->peak_of, d->peak_of + KEPT - d->kept, d->kept * sizeof *d->peak_of);
    }
    d->time_s[d->kept] = t;
    d->peak_of[d->kept++] = peak;
}

static void add_click(ltp_click *d, double t, double peak, double ratio)
{
    const double interval = t - d->previous_s;
    const double periods = round(interval / frame_multiple_s);
    if (interval < 5.0 && periods >= 1.0 && fabs(interval - periods * frame_multiple_s) < frame_tolerance_s)
        d->regular++;
    d->previous_s = t;
    if (isnan(d->first_of_many_s))
        keep(d, t, peak);
    d->count++;
    d->strong += ratio >= ratio_strong;
    d->loudest = fmax(d->loudest, peak);
    d->ratio_most = fmax(d->ratio_most, ratio);
    d->first_any_s = isnan(d->first_any_s) ? t : d->first_any_s;
}

/* A beep or a dropout begins or ends: one side is quiet, and the edge is no higher than the sound on the other. */
static bool is_edge(const ltp_click *d, size_t middle, double here)
{
    double older = 1e-9, newer = 1e-9;
    for (size_t i = SKIRT + 1; i <= SIDE; i++)
        older = fmax(older, d->whole_ring[(d->blocks - 1 - (middle + i)) % BLOCKS]);
    for (size_t i = AFTER + 1; i <= middle; i++)
        newer = fmax(newer, d->whole_ring[(d->blocks - 1 - (middle - i)) % BLOCKS]);
    return fmax(older, newer) > edge * fmin(older, newer) && here < fmax(older, newer);
}

/* The sub-block SIDE ago has all its neighbours now. */
static void look(ltp_click *d)
{
    const size_t middle = SIDE + AFTER;
    const double here = at(d, middle);
    if (here < least)
        return;
    double around = 0.0, top = 0.0;
    for (size_t i = 1; i <= SIDE; i++) {
        if (i > SKIRT)
            around = fmax(around, at(d, middle + i));
        else
            top = fmax(top, at(d, middle + i));
    }
    for (size_t i = 1; i <= middle; i++) {
        if (i > AFTER)
            around = fmax(around, at(d, middle - i));
        else
            top = fmax(top, at(d, middle - i));
    }
    const double floor_level = fmax(around, least / ratio_strong);
    const double t = ((double)d->frames - ((double)middle + 0.5) * (double)d->block) / d->rate_hz;
    if (here < top || here < ratio_least * floor_level || t - d->last_s < refractory_s || is_edge(d, middle, here))
        return;
    d->last_s = t;
    add_click(d, t, here, here / floor_level);
}

void ltp_click_push(ltp_click *d, const double *x, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        double y;
        lt_biquad_run(&d->high, &d->state, x + i, &y, 1);
        y = fabs(y);
        d->whole = fabs(x[i]) > d->whole ? fabs(x[i]) : d->whole;
        d->peak = y > d->peak ? y : d->peak;
        d->frames++;
        if (++d->in_block < d->block)
            continue;
        d->whole_ring[d->blocks % BLOCKS] = d->whole;
        d->ring[d->blocks++ % BLOCKS] = d->peak;
        d->whole = 0.0;
        d->peak = 0.0;
        d->in_block = 0;
        if (d->blocks >= 2 * SIDE + AFTER + 1)
            look(d);
    }
}

void ltp_click_finish(ltp_click *d, const ltp_scan_end *end)
{
    const double first_s = isnan(d->first_of_many_s) ? first_of_many(d) : d->first_of_many_s;
    if (isnan(first_s))
        return;
    if (d->count >= 5 && 10 * d->regular >= 7 * (d->count - 1)) {
        lt_faults_add(end->out, LT_FAULT_BURST_BUZZ, LT_SEVERITY_WARNING, end->channel, d->first_any_s,
                      "%zu pulses that are whole multiples of 120 ms apart (8.3 Hz), as a mobile phone sends while it "
                      "is idle in a call: likely a phone close to an unshielded wire or an unbalanced pair",
                      d->count);
        return;
    }
    const bool grave = d->strong >= MANY;
    lt_faults_add(
        end->out, LT_FAULT_CRACKLE, grave ? LT_SEVERITY_ERROR : LT_SEVERITY_WARNING, end->channel, first_s,
        "%zu clicks shorter than 3 ms, up to %.0f dB above what surrounds them, %.1f a minute: likely a loose "
        "terminal or plug, a corroded splice, a worn control, or a headset cord about to break",
        d->count, lt_db_from_amplitude(d->ratio_most), 60.0 * (double)d->count / fmax(end->seconds, 1.0));
}
