/* SPDX-License-Identifier: MIT
 * The interface's own frequency response, measured with an output wired to an input, and its removal from a response
 * that was measured through the same two converters. Only the shape is removed: the gain at 1 kHz (loopback_db) and the
 * round trip in whole frames are taken off elsewhere. H / D with the inverse of D held where D says nothing. */
#include "response/interface.h"
#include "base/alloc.h"
#include "response/bands.h"

#include <math.h>

static const double snr_speech_db = 40.0; /* in the speech bands: noise then costs less than 0.1 dB */
static const double snr_least_db = 20.0;  /* at the edges; beyond the first band with less, nothing is known */
static const double speech_from_hz = 155.0, speech_to_hz = 8100.0;
static const double worth_least_db = 0.1;   /* a flatter interface is left alone */
static const double boost_most_db = 20.0;   /* of the inverse */
static const double fade_octaves = 1.0 / 6; /* beyond its band the inverse goes over into 1 */
static const double before_s = 0.15, after_s = 0.15;

struct lt_interface {
    lt_ir *ir;
    double gain;         /* at 1 kHz, linear */
    double delay_frames; /* whole */
    double from_hz, to_hz;
    double most_db;
};

/* The band in which the loopback says something, outwards from 1 kHz. */
static lt_status useful_band(const lt_response *r, double *from_hz, double *to_hz, lt_error *err)
{
    size_t first = 0, last = r->band_count;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_response_band *b = &r->bands[i];
        const bool speech = b->band.nominal_hz > speech_from_hz && b->band.nominal_hz < speech_to_hz;
        const bool unknown = !lt_is_known(b->snr_db); /* no noise was seen at all */
        if (speech && !unknown && b->snr_db < snr_speech_db)
            return ltp_fail(err, LT_E_SNR,
                            "the loopback stands only %.0f dB above the noise at %.0f Hz and %.0f dB are needed to "
                            "remove the interface's response; play it louder",
                            b->snr_db, b->band.nominal_hz, snr_speech_db);
        if (unknown || b->snr_db >= snr_least_db)
            continue;
        if (b->band.nominal_hz < speech_from_hz)
            first = i + 1;
        else if (last == r->band_count)
            last = i;
    }
    *from_hz = fmax(*from_hz, first < r->band_count ? r->bands[first].band.lower_hz : *from_hz);
    *to_hz = fmin(*to_hz, last < r->band_count ? r->bands[last].band.lower_hz : *to_hz);
    return LT_OK;
}

/* The part around the direct arrival: the rest is noise. */
static lt_status cut(const lt_response *r, lt_ir **out, lt_error *err)
{
    const lt_ir *ir = r->ir;
    const double at = r->delay_ms * 1e-3 * r->rate_hz + (double)ir->origin_frames;
    const double first = fmax(0.0, floor(at - before_s * r->rate_hz));
    const double last = fmin((double)ir->count, ceil(at + after_s * r->rate_hz));
    if (!(first < last))
        return ltp_fail(err, LT_E_ARG, "the loopback has no direct arrival");
    const lt_signal s = {ir->samples + (size_t)first, (size_t)(last - first), ir->rate_hz};
    const lt_status st = lt_ir_from_signal(&s, out, err);
    if (st == LT_OK)
        (*out)->origin_frames = ir->origin_frames - (ptrdiff_t)first;
    return st;
}

lt_status lt_interface_create(const lt_response *loopback, lt_interface **out, lt_error *err)
{
    const double level_db = lt_response_band_level(loopback, 0); /* 1 kHz */
    *out = NULL;
    if (!isfinite(level_db) || !isfinite(loopback->delay_ms))
        return ltp_fail(err, LT_E_ARG, "the loopback has no level at 1 kHz");
    double from_hz = loopback->ir->from_hz, to_hz = loopback->ir->to_hz;
    lt_status st = useful_band(loopback, &from_hz, &to_hz, err);
    if (st != LT_OK)
        return st;
    lt_interface *f = ltp_alloc(1, sizeof *f);
    if (f == NULL)
        return ltp_fail_nomem(err, "the response of the interface");
    st = cut(loopback, &f->ir, err);
    if (st != LT_OK) {
        lt_interface_free(f);
        return st;
    }
    f->gain = lt_amplitude_from_db(level_db);
    f->delay_frames = round(loopback->delay_ms * 1e-3 * loopback->rate_hz);
    f->from_hz = from_hz;
    f->to_hz = to_hz;
    for (size_t i = 0; i < loopback->band_count; i++)
        if (loopback->bands[i].band.exact_hz > from_hz && loopback->bands[i].band.exact_hz < to_hz)
            f->most_db = fmax(f->most_db, fabs(loopback->bands[i].level_db - level_db));
    *out = f;
    return LT_OK;
}

void lt_interface_free(lt_interface *f)
{
    if (f == NULL)
        return;
    lt_ir_free(f->ir);
    ltp_free(f);
}

double lt_interface_most_db(const lt_interface *f)
{
    return f->most_db;
}

/* 1 inside the band, 0 a sixth of an octave outside. */
static double inside(const lt_interface *f, double hz)
{
    if (!(hz > 0.0))
        return 0.0;
    const double below = log2(f->from_hz / hz), above = log2(hz / f->to_hz);
    return 1.0 - lt_fade(fmax(below, above) / fade_octaves);
}

/* What a response is multiplied by at hz; d = the interface there. */
static lt_complex inverse(const lt_interface *f, lt_complex d, double hz)
{
    const double least = lt_power_from_db(-boost_most_db), part = inside(f, hz);
    const double turn = 2.0 * LT_PI * fmod(hz * f->delay_frames / f->ir->rate_hz, 1.0);
    lt_complex x = ltp_product(d, (lt_complex){cos(turn), sin(turn)});
    x.re /= f->gain;
    x.im /= f->gain;
    const double power = fmax(lt_complex_power(x), least);
    return (lt_complex){part * x.re / power + (1.0 - part), -part * x.im / power};
}

lt_status ltp_interface_remove(const lt_interface *f, double rate_hz, ltp_average *a, lt_notes *notes, lt_error *err)
{
    if (fabs(f->ir->rate_hz - rate_hz) > 0.5 || a->n < f->ir->count) {
        lt_notes_add(notes, "interface-kept",
                     "the response of the interface is known at %.0f Hz only and was not taken off", f->ir->rate_hz);
        return LT_OK;
    }
    if (f->most_db < worth_least_db)
        return LT_OK;
    lt_complex *d = ltp_alloc(a->bins, sizeof *d);
    lt_status st =
        d == NULL ? ltp_fail_nomem(err, "the response of the interface") : lt_ir_spectrum(f->ir, a->n, d, err);
    const double bin_hz = rate_hz / (double)a->n;
    for (size_t k = 0; st == LT_OK && k < a->bins; k++)
        a->response[k] = ltp_product(a->response[k], inverse(f, d[k], (double)k * bin_hz));
    for (size_t g = 0; st == LT_OK && g < a->grid_count; g++) {
        const double hz = ltp_grid_band(g).exact_hz;
        const double bin = fmin(round(hz / bin_hz), (double)(a->bins - 1));
        a->noise[g] *= lt_complex_power(inverse(f, d[(size_t)bin], hz));
    }
    ltp_free(d);
    if (st == LT_OK)
        lt_notes_add(notes, "interface-removed",
                     "the interface's own frequency response, up to %.1f dB off its level at 1 kHz, was taken off",
                     f->most_db);
    return st;
}
