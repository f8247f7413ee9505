/* SPDX-License-Identifier: MIT
 * Stimuli with a known formula: the exponential sweep with its markers, and the tone. Full scale = 1.0.
 * Source: Farina, AES 108th Convention (2000), preprint 5093: f(t) = f1 (f2/f1)^(t/T). */
#include "base/alloc.h"
#include <lanetune/response.h>

#include <math.h>

/* The sweep begins and ends outside from_hz .. to_hz, and is faded there, so that the band itself is at full level. */
static const double start_ratio = 1.45; /* from_hz / first frequency */
static const double full_ratio = 1.13;  /* from_hz / frequency where the fade-in ends: below the band's lower edge */
static const double end_ratio = 1.06;   /* last frequency / to_hz */
static const double highest_of_rate = 0.49; /* ... but below Nyquist */

/* The marker: short, in the middle of what any intercom passes, with enough bandwidth to be timed to a microsecond. */
static const double marker_s = 0.15;
static const double marker_from_hz = 500.0;
static const double marker_to_hz = 8000.0;
static const double marker_to_of_rate = 0.4;
static const double marker_fade = 0.1; /* of its length, at each end */

static const double tone_fade_s = 0.02;

lt_sweep_options lt_sweep_default_options(void)
{
    return (lt_sweep_options){.rate_hz = 48000.0,
                              .from_hz = 50.0,
                              .to_hz = 18000.0,
                              .seconds = 10.0,
                              .peak_dbfs = -6.0,
                              .lead_s = 0.5,
                              .tail_s = 1.0,
                              .gap_s = 1.0,
                              .repeats = 1,
                              .markers = true};
}

static size_t frames_of(double seconds, double rate_hz)
{
    return (size_t)llround(seconds * rate_hz);
}

typedef struct {
    double first_hz, last_hz;
    double fade_in_s, fade_out_s;
} chirp_shape;

static void write_chirp(double *x, size_t count, double rate_hz, double peak, const chirp_shape *c)
{
    const double seconds = (double)count / rate_hz;
    const double growth_s = seconds / log(c->last_hz / c->first_hz);
    const double turns = 2.0 * LT_PI * c->first_hz * growth_s;
    for (size_t i = 0; i < count; i++) {
        const double t = (double)i / rate_hz;
        const double fade = lt_fade(t / c->fade_in_s) * lt_fade((seconds - t) / c->fade_out_s);
        x[i] = peak * fade * sin(turns * expm1(t / growth_s));
    }
}

static chirp_shape sweep_shape(const lt_sweep_options *o)
{
    chirp_shape c = {.first_hz = o->from_hz / start_ratio,
                     .last_hz = fmin(o->to_hz * end_ratio, highest_of_rate * o->rate_hz)};
    const double growth_s = o->seconds / log(c.last_hz / c.first_hz);
    c.fade_in_s = growth_s * log(start_ratio / full_ratio);
    c.fade_out_s = growth_s * log(c.last_hz / o->to_hz);
    return c;
}

static chirp_shape marker_shape(double rate_hz)
{
    return (chirp_shape){.first_hz = marker_from_hz,
                         .last_hz = fmin(marker_to_hz, marker_to_of_rate * rate_hz),
                         .fade_in_s = marker_fade * marker_s,
                         .fade_out_s = marker_fade * marker_s};
}

static lt_status out_of_range(lt_error *err, const char *name, double value, double lowest, double highest,
                              const char *unit)
{
    return ltp_fail(err, LT_E_ARG, "%s %g %s is out of range; it must be %g to %g %s", name, value, unit, lowest,
                    highest, unit);
}

static lt_status check_sweep(const lt_sweep_options *o, lt_error *err)
{
    static const double top_of_rate = 0.46;
    if (!(o->rate_hz >= 8000.0 && o->rate_hz <= 192000.0))
        return out_of_range(err, "sample rate", o->rate_hz, 8000.0, 192000.0, "Hz");
    const double top_hz = top_of_rate * o->rate_hz;
    const struct {
        const char *name;
        double value, lowest, highest;
        const char *unit;
    } rows[] = {
        {"sweep end", o->to_hz, 10.0, top_hz, "Hz"},     {"sweep start", o->from_hz, 10.0, top_hz, "Hz"},
        {"sweep length", o->seconds, 0.2, 120.0, "s"},   {"peak level", o->peak_dbfs, -60.0, 0.0, "dBFS"},
        {"lead silence", o->lead_s, 0.0, 10.0, "s"},     {"tail silence", o->tail_s, 0.0, 10.0, "s"},
        {"gap after a sweep", o->gap_s, 0.1, 10.0, "s"}, {"number of repeats", o->repeats, 1.0, 64.0, "sweeps"},
    };
    for (size_t i = 0; i < LTP_COUNT(rows); i++)
        if (!(rows[i].value >= rows[i].lowest && rows[i].value <= rows[i].highest))
            return out_of_range(err, rows[i].name, rows[i].value, rows[i].lowest, rows[i].highest, rows[i].unit);
    if (!(o->from_hz < o->to_hz))
        return ltp_fail(err, LT_E_ARG, "the sweep starts at %g Hz and ends at %g Hz; it must end above its start",
                        o->from_hz, o->to_hz);
    return LT_OK;
}

lt_status lt_sweep_create(const lt_sweep_options *opt, lt_signal **out, lt_error *err)
{
    *out = NULL;
    lt_status st = check_sweep(opt, err);
    if (st != LT_OK)
        return st;
    const double rate_hz = opt->rate_hz;
    const size_t lead = frames_of(opt->lead_s, rate_hz);
    const size_t gap = frames_of(opt->gap_s, rate_hz);
    const size_t sweep = frames_of(opt->seconds, rate_hz);
    const size_t marker = opt->markers ? frames_of(marker_s, rate_hz) : 0;
    const size_t ends = opt->markers ? 2 * marker + gap : 0;
    const size_t total = lead + ends + opt->repeats * (sweep + gap) + frames_of(opt->tail_s, rate_hz);
    lt_signal *s = NULL;
    st = lt_signal_create(total, rate_hz, &s, err);
    if (st != LT_OK)
        return st;
    const double peak = lt_amplitude_from_db(opt->peak_dbfs);
    const chirp_shape m = marker_shape(rate_hz);
    const chirp_shape c = sweep_shape(opt);
    size_t at = lead;
    if (opt->markers) {
        write_chirp(s->samples + at, marker, rate_hz, peak, &m);
        at += marker + gap;
    }
    for (unsigned i = 0; i < opt->repeats; i++, at += sweep + gap)
        write_chirp(s->samples + at, sweep, rate_hz, peak, &c);
    if (opt->markers)
        write_chirp(s->samples + at, marker, rate_hz, peak, &m);
    *out = s;
    return LT_OK;
}

lt_status lt_tone_create(const lt_tone_options *opt, lt_signal **out, lt_error *err)
{
    *out = NULL;
    if (!(opt->rate_hz >= 8000.0 && opt->rate_hz <= 192000.0))
        return out_of_range(err, "sample rate", opt->rate_hz, 8000.0, 192000.0, "Hz");
    if (!(opt->hz > 0.0 && opt->hz < 0.5 * opt->rate_hz))
        return out_of_range(err, "tone", opt->hz, 0.0, 0.5 * opt->rate_hz, "Hz");
    if (!(opt->seconds > 0.0 && opt->seconds <= 3600.0))
        return out_of_range(err, "tone length", opt->seconds, 0.0, 3600.0, "s");
    if (!(opt->rms_dbfs <= 0.0) || isinf(opt->rms_dbfs))
        return ltp_fail(err, LT_E_ARG, "tone level %g dBFS: must be at most 0 dBFS, or it would clip", opt->rms_dbfs);
    const lt_status st = lt_signal_create(frames_of(opt->seconds, opt->rate_hz), opt->rate_hz, out, err);
    if (st != LT_OK)
        return st;
    double *x = (*out)->samples;
    const double peak = lt_amplitude_from_db(opt->rms_dbfs); /* 0 dBFS = a full-scale sine */
    for (size_t i = 0; i < (*out)->count; i++) {
        const double t = (double)i / opt->rate_hz;
        const double fade = lt_fade(t / tone_fade_s) * lt_fade((opt->seconds - t) / tone_fade_s);
        x[i] = peak * fade * sin(2.0 * LT_PI * fmod(opt->hz * t, 1.0));
    }
    return LT_OK;
}
