/* SPDX-License-Identifier: MIT
 * Active speech level, ITU-T P.56 method B: two smoothings of the rectified signal, fifteen thresholds an octave of
 * amplitude apart, hangover, and the level that stands 15.9 dB above its threshold. Full scale = 1.0. */
#include "simulate/model.h"

#include <math.h>

enum { THRESHOLDS = 15 };
static const double envelope_s = 0.03;
static const double hangover_s = 0.2;
static const double margin_db = 15.9;

typedef struct {
    double sum; /* of squares */
    uint64_t active[THRESHOLDS];
} counts;

static double threshold_at(int j) /* 2^-15 ... 2^-1 */
{
    return ldexp(1.0, j - THRESHOLDS);
}

static void count_activity(const lt_signal *s, double scale, counts *c)
{
    const double g = exp(-1.0 / (s->rate_hz * envelope_s));
    const uint64_t hangover = (uint64_t)(hangover_s * s->rate_hz + 0.5);
    uint64_t left[THRESHOLDS] = {0};
    double thresholds[THRESHOLDS];
    for (int j = 0; j < THRESHOLDS; j++)
        thresholds[j] = threshold_at(j);
    double p = 0.0;
    double q = 0.0;
    for (size_t i = 0; i < s->count; i++) {
        const double x = scale * s->samples[i];
        c->sum += x * x;
        p = g * p + (1.0 - g) * fabs(x);
        q = g * q + (1.0 - g) * p;
        for (int j = 0; j < THRESHOLDS; j++) {
            if (q >= thresholds[j])
                left[j] = hangover + 1;
            if (left[j] > 0) {
                left[j]--;
                c->active[j]++;
            }
        }
    }
}

/* Linear in dB between the two thresholds where level - threshold passes the margin; dBov. */
static double interpolate_level(const counts *c)
{
    double level_before = NAN;
    double excess_before = NAN;
    for (int j = 0; j < THRESHOLDS && c->active[j] > 0; j++) {
        const double level_db = lt_db_from_power(c->sum / (double)c->active[j]);
        const double excess_db = level_db - lt_db_from_amplitude(threshold_at(j)) - margin_db;
        if (excess_db <= 0.0)
            return j == 0 ? level_db
                          : level_before + excess_before / (excess_before - excess_db) * (level_db - level_before);
        level_before = level_db;
        excess_before = excess_db;
    }
    return level_before;
}

double ltp_active_level_db(const lt_signal *s)
{
    const double rms = lt_signal_rms(s);
    if (!(rms > 0.0) || !isfinite(rms))
        return (double)-INFINITY;
    const double scale = lt_amplitude_from_db(-26.0) / rms; /* thresholds are absolute: bring any scale among them */
    counts c = {0};
    count_activity(s, scale, &c);
    return lt_dbfs_from_dbov(interpolate_level(&c)) - lt_db_from_amplitude(scale);
}
