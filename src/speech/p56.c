/* SPDX-License-Identifier: MIT
 * Active speech level, ITU-T P.56 method B. Full scale = 1; dBov inside, dBFS in the result.
 *
 * The thresholds are the fifteen of the 16-bit method, 2^-15 .. 2^-1 of full scale. A recording so quiet or so loud
 * that the answer lies outside them is answered by more thresholds of the same spacing, so that scaling a recording by
 * a power of two moves its level and nothing else. Between thresholds the level is interpolated linearly in dB. */
#include "speech/p56.h"
#include "base/alloc.h"
#include <lanetune/speech.h>

#include <math.h>

enum {
    LOWEST = -200, /* exponents of the thresholds that are counted */
    HIGHEST = 40,
    THRESHOLDS = HIGHEST - LOWEST + 1,
    STANDARD_LOWEST = -15,
    STANDARD_HIGHEST = -1
};
static const double time_constant_s = 0.03;
static const double hangover_s = 0.2;
static const double margin_db = 15.9;
static const double lowest_rate_hz = 600.0;

ltp_p56_envelope ltp_p56_envelope_at(double rate_hz)
{
    return (ltp_p56_envelope){.g = exp(-1.0 / (rate_hz * time_constant_s))};
}

size_t ltp_p56_hangover_frames(double rate_hz)
{
    return (size_t)lround(hangover_s * rate_hz);
}

/* How long each threshold counts as active. Only the samples at which the envelope crosses a threshold cost work. */
typedef struct {
    size_t hangover;
    int top; /* index of the highest threshold that the envelope reaches, -1 = none */
    size_t active[THRESHOLDS];
    size_t since[THRESHOLDS]; /* start of the present activity */
    size_t ended[THRESHOLDS]; /* end of the last one, without its hangover */
    bool was_active[THRESHOLDS];
} activity_counter;

static size_t hangover_part(const activity_counter *c, int j, size_t now)
{
    if (!c->was_active[j])
        return 0;
    const size_t gap = now - c->ended[j];
    return gap < c->hangover ? gap : c->hangover;
}

static void move_top(activity_counter *c, int top, size_t now)
{
    for (; c->top > top; c->top--) {
        c->active[c->top] += now - c->since[c->top];
        c->ended[c->top] = now;
        c->was_active[c->top] = true;
    }
    for (; c->top < top; c->top++) {
        c->active[c->top + 1] += hangover_part(c, c->top + 1, now);
        c->since[c->top + 1] = now;
    }
}

static int index_below(double envelope)
{
    if (!(envelope > 0.0))
        return -1;
    if (envelope >= ldexp(1.0, HIGHEST)) /* infinite too */
        return THRESHOLDS - 1;
    const int exponent = ilogb(envelope);
    return exponent < LOWEST ? -1 : exponent - LOWEST;
}

/* Returns the sum of squares. */
static double count_activity(const lt_signal *s, activity_counter *c)
{
    ltp_p56_envelope envelope = ltp_p56_envelope_at(s->rate_hz);
    double sum = 0.0;
    double from = 0.0;
    double to = 0.0;
    c->hangover = ltp_p56_hangover_frames(s->rate_hz);
    c->top = -1;
    for (size_t n = 0; n < s->count; n++) {
        sum += s->samples[n] * s->samples[n];
        const double q = ltp_p56_next(&envelope, s->samples[n]);
        if (q >= from && q < to)
            continue;
        move_top(c, index_below(q), n);
        from = c->top < 0 ? 0.0 : ldexp(1.0, c->top + LOWEST);
        to = ldexp(1.0, c->top + 1 + LOWEST);
    }
    for (int j = 0; j < THRESHOLDS; j++)
        c->active[j] += j <= c->top ? s->count - c->since[j] : hangover_part(c, j, s->count);
    return sum;
}

/* Activity level A - C of threshold j, dB; -(double)INFINITY where nothing reaches it. */
static double distance_db(const activity_counter *c, double sum, int j)
{
    if (c->active[j] == 0)
        return -(double)INFINITY;
    return lt_db_from_power(sum / (double)c->active[j]) - lt_db_from_amplitude(ldexp(1.0, j + LOWEST));
}

/* The threshold just below the crossing of A - C with the margin: searched upwards as the standard's tool does, and
 * downwards where already the lowest standard threshold lies above it. -1: silence. */
static int find_crossing(const activity_counter *c, double sum)
{
    int j = STANDARD_LOWEST - LOWEST;
    while (j >= 0 && !(distance_db(c, sum, j) > margin_db))
        j--;
    while (j >= 0 && j + 1 < THRESHOLDS && distance_db(c, sum, j + 1) > margin_db)
        j++;
    return j;
}

static double active_level_dbov(const activity_counter *c, double sum, int j)
{
    const double here_db = lt_db_from_power(sum / (double)c->active[j]);
    if (j + 1 >= THRESHOLDS || c->active[j + 1] == 0)
        return here_db; /* a click: its envelope never comes within the margin */
    const double next_db = lt_db_from_power(sum / (double)c->active[j + 1]);
    const double from_db = distance_db(c, sum, j);
    const double to_db = distance_db(c, sum, j + 1);
    return here_db + (margin_db - from_db) / (to_db - from_db) * (next_db - here_db);
}

static double threshold_of(const activity_counter *c, int j, double level_dbov)
{
    if (j + 1 >= THRESHOLDS || c->active[j + 1] == 0)
        return ldexp(1.0, j + LOWEST);
    return lt_amplitude_from_db(level_dbov - margin_db);
}

lt_status lt_active_level_measure(const lt_signal *s, lt_active_level *out, lt_error *err)
{
    *out = (lt_active_level){-(double)INFINITY, -(double)INFINITY, 0.0, 0.0};
    if (s->count == 0)
        return ltp_fail(err, LT_E_ARG, "the recording is empty: no speech level");
    if (!(s->rate_hz >= lowest_rate_hz))
        return ltp_fail(err, LT_E_ARG, "sample rate %g Hz: a speech level needs at least %g Hz", s->rate_hz,
                        lowest_rate_hz);
    activity_counter *counter = ltp_alloc(1, sizeof *counter);
    if (counter == NULL)
        return ltp_fail_nomem(err, "a speech level");
    lt_status status = LT_OK;
    const double sum = count_activity(s, counter);
    const int j = find_crossing(counter, sum);
    if (!isfinite(sum)) {
        status = ltp_fail(err, LT_E_ARG, "the recording holds samples that are no finite number");
    } else if (j >= 0 && sum > 0.0) {
        const double mean_square = sum / (double)s->count;
        const double level_dbov = active_level_dbov(counter, sum, j);
        out->long_term_level_db = lt_dbfs_from_mean_square(mean_square);
        out->active_level_db = lt_dbfs_from_dbov(level_dbov);
        out->activity_percent = 100.0 * mean_square / lt_power_from_db(level_dbov);
        out->threshold = threshold_of(counter, j, level_dbov);
    }
    ltp_free(counter);
    return status;
}
