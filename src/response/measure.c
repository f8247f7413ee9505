/* SPDX-License-Identifier: MIT
 * The whole way from recordings to a response: find, correct the clock, deconvolve, average, evaluate. */
#include "base/alloc.h"
#include "response/evaluate.h"
#include "response/interface.h"
#include "response/ir.h"
#include "response/takes.h"

#include <math.h>

static const double drift_note_ppm = 200.0;
static const double drift_estimate_least_ppm = 2.0;
static const double band_snr_least_db = 10.0;
enum { BANDS_LEAST = 3 };

lt_response_options lt_response_default_options(void)
{
    return (lt_response_options){.post_s = 0.5, .pre_s = 0.15};
}

static lt_status check_options(const lt_response_options *o, lt_error *err)
{
    if (!(o->post_s >= 0.05 && o->post_s <= 5.0))
        return ltp_fail(err, LT_E_ARG, "response length %g s is out of range; it must be 0.05 to 5 s", o->post_s);
    if (!(o->pre_s >= 0.01 && o->pre_s <= 0.5))
        return ltp_fail(err, LT_E_ARG, "time before the direct arrival %g s is out of range; it must be 0.01 to 0.5 s",
                        o->pre_s);
    return LT_OK;
}

/* Impulse response on whole frames from the stimulus' own start. base = stimulus time (frames) of the window's first
 * sample. */
static lt_status make_ir(const ltp_takes *t, ltp_average *a, double base, lt_ir **out, lt_error *err)
{
    const ltp_kernel *k = t->kernel;
    double *h = ltp_alloc(a->n, sizeof *h);
    if (h == NULL)
        return ltp_fail_nomem(err, "an impulse response");
    ltp_shift_apply(a->response, a->n, base - floor(base));
    lt_rfft_inverse(t->fft, a->response, h);
    const lt_signal s = {h, t->layout.response.count, k->rate_hz};
    const lt_status st = lt_ir_from_signal(&s, out, err);
    ltp_free(h);
    if (st == LT_OK) {
        (*out)->origin_frames = -(ptrdiff_t)floor(base);
        (*out)->from_hz = k->from_hz;
        (*out)->to_hz = k->to_hz;
    }
    return st;
}

static void fill_distortion(lt_response *r, const ltp_average *a, const ltp_takes *t)
{
    size_t noisy_count = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        bool noisy = false;
        r->bands[i].thd_percent = ltp_thd_percent(a, t->kernel, r->bands[i].band.exact_hz, &noisy);
        noisy_count += noisy ? 1 : 0;
    }
    if (noisy_count > 0)
        lt_notes_add(&r->notes, "thd-noise",
                     "in %zu bands noise hides the harmonic distortion or part of it; its figures there are uncertain "
                     "or missing",
                     noisy_count);
}

static void note_drift(lt_response *r, const ltp_takes *t)
{
    if (t->estimated && !isnan(r->drift_ppm))
        lt_notes_add(&r->notes, "drift-estimated",
                     "no two markers: the clock drift is told from the response itself, to about %.0f ppm",
                     fmax(drift_estimate_least_ppm, 1e6 * t->drift_sigma));
    if (isnan(r->drift_ppm))
        lt_notes_add(
            &r->notes, "drift-unknown",
            "the clock drift between player and recorder cannot be told from this recording; the delay may be off "
            "by some tenths of a millisecond, and the polarity may be wrong");
    else if (fabs(r->drift_ppm) > drift_note_ppm)
        lt_notes_add(&r->notes, "drift", "the clocks of player and recorder differ by %.0f ppm, more than is usual",
                     r->drift_ppm);
}

/* An octave at least has to stand out: less is no response that anybody could use, and what a wrong sweep leaves. */
static lt_status accept(const lt_response *r, lt_error *err)
{
    size_t clear = 0;
    for (size_t i = 0; i < r->band_count; i++)
        clear += r->bands[i].snr_db >= band_snr_least_db;
    if (clear >= BANDS_LEAST)
        return LT_OK;
    return ltp_fail(err, LT_E_SNR,
                    "the noise is too high: only %zu bands stand %.0f dB out of it; play louder, or use a longer sweep",
                    clear, band_snr_least_db);
}

static lt_status conclude(ltp_takes *t, ltp_average *a, const lt_interface *interface, lt_response *r, lt_error *err)
{
    const ltp_take *first = &t->items[0];
    const ltp_kernel *k = t->kernel;
    const double sweep_s = (double)t->structure.sweeps[first->sweep].first / k->rate_hz;
    const double base = (first->zero_s - sweep_s * (1.0 + first->drift)) * k->rate_hz + first->centre +
                        (double)t->layout.response.first;
    r->rate_hz = k->rate_hz;
    r->from_hz = k->from_hz;
    r->to_hz = k->to_hz;
    r->drift_ppm = t->drift * 1e6;
    r->repeats = (unsigned)t->count;
    lt_status st = interface != NULL ? ltp_interface_remove(interface, k->rate_hz, a, &r->notes, err) : LT_OK;
    if (st == LT_OK)
        st = make_ir(t, a, base, &r->ir, err);
    if (st == LT_OK)
        st = ltp_evaluate(r, a->noise, err);
    if (st == LT_OK)
        st = accept(r, err);
    if (st == LT_OK) {
        fill_distortion(r, a, t);
        note_drift(r, t);
        r->ir->from_hz = k->level_from_hz; /* a margin may not be made of the ripple on the flanks */
        r->ir->to_hz = k->level_to_hz;
    }
    return st;
}

lt_status lt_response_measure(const lt_signal *const *recordings, const char *const *names, size_t count,
                              const lt_signal *stimulus, const lt_response_options *opt, lt_response **out,
                              lt_error *err)
{
    *out = NULL;
    const lt_response_options defaults = lt_response_default_options();
    const lt_response_options *o = opt != NULL ? opt : &defaults;
    lt_status st = check_options(o, err);
    if (st == LT_OK && count == 0)
        st = ltp_fail(err, LT_E_ARG, "there is no recording to measure");
    if (st != LT_OK)
        return st;
    lt_response *r = ltp_alloc(1, sizeof *r);
    if (r == NULL)
        return ltp_fail_nomem(err, "a response");
    ltp_takes t = {.recordings = recordings, .names = names, .recording_count = count, .stimulus = stimulus};
    ltp_average a = {0};
    st = ltp_takes_collect(&t, o, &r->notes, err);
    if (st == LT_OK)
        st = ltp_average_make(t.items, t.count, &t.layout, t.kernel, t.fft, names, &a, &r->notes, err);
    if (st == LT_OK)
        st = conclude(&t, &a, o->interface, r, err);
    ltp_average_clear(&a);
    ltp_takes_clear(&t);
    if (st == LT_OK)
        *out = r;
    else
        lt_response_free(r);
    return st;
}
