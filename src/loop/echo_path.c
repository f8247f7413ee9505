/* SPDX-License-Identifier: MIT
 * From two recordings to an echo path and what it means. Frames of the analysis rate; dB where named. */
#include "base/alloc.h"
#include "loop/echo_internal.h"

#include <math.h>
#include <string.h>

static const double before_s = 0.1;       /* of the path before its strongest part */
static const double after_s = 0.6;        /* ... and after it */
static const double after_share = 0.08;   /* ... of a short recording, which holds no more */
static const double longest_path_s = 1.6; /* ... where it goes on and on */
static const double acausal_s = 0.02; /* before the sent signal: nothing can come from there, so it shows the noise */
static const double near_s = 0.4;     /* strongest part up to here: the path is taken from the sent signal on */
static const double certain = 0.7;    /* of the regularised solution: the band in which it is believed */
static const double short_s = 8.0, shortest_s = 4.5;
static const double quiet_dbfs = -60.0;       /* no line level: an unplugged or wrong channel (ours) */
static const double seen_below_rest_db = 5.0; /* an echo so far below the rest of the return is found all the same */
static const double masked_loss_db = 30.0;    /* an echo that is weaker than this is acceptable in an analogue lane */
static const double clear_noise = 8.0;        /* strongest arrival re the noise */
static const double inaudible_telr_db = 65.0; /* the E-model's own "no echo" */

lt_echo_options lt_echo_default_options(void)
{
    return (lt_echo_options){.speaker_to_microphone_m = 0.3, .temperature_c = 20.0};
}

static lt_status check_options(const lt_echo_options *o, lt_error *err)
{
    if (!(o->speaker_to_microphone_m > 0.0 && o->speaker_to_microphone_m <= 20.0))
        return ltp_fail(err, LT_E_ARG, "speaker to microphone %g m: must be over 0 and at most 20",
                        o->speaker_to_microphone_m);
    if (!(o->temperature_c >= -60.0 && o->temperature_c <= 80.0))
        return ltp_fail(err, LT_E_ARG, "temperature %g C: must be -60 to 80", o->temperature_c);
    return LT_OK;
}

lt_status ltp_echo_create(lt_echo **out, lt_error *err)
{
    lt_echo *e = ltp_alloc(1, sizeof *e);
    *out = e;
    if (e == NULL)
        return ltp_fail_nomem(err, "an echo");
    e->delay_ms = e->echo_loss_db = e->tail_ms = e->coherence = e->snr_db = NAN;
    e->drift_ppm = e->repeat_ms = e->repeat_db = e->double_talk_percent = e->from_hz = e->to_hz = NAN;
    lt_talker_echo_rate(NAN, NAN, &e->talker);
    return LT_OK;
}

void lt_echo_free(lt_echo *e)
{
    if (e == NULL)
        return;
    lt_ir_free(e->ir);
    ltp_free(e);
}

/* ---- the path ---- */

static void known_band(const ltp_echo_fit *f, double rate_hz, double *from_hz, double *to_hz)
{
    const double bin_hz = rate_hz / 2.0 / (double)(f->bins - 1);
    size_t best = (size_t)(1000.0 / bin_hz);
    for (size_t i = (size_t)(400.0 / bin_hz); (double)i * bin_hz < 2500.0 && i < f->bins; i++)
        best = f->certainty[i] > f->certainty[best] ? i : best;
    size_t low = best, high = best;
    /* A single weak bin does not end the band: it must stay weak over three. */
    for (size_t miss = 0, i = best; i-- > 1 && miss < 3;) {
        miss = f->certainty[i] >= certain ? 0 : miss + 1;
        low = miss == 0 ? i : low;
    }
    for (size_t miss = 0, i = best; i < f->bins - 1 && miss < 3; i++) {
        miss = f->certainty[i] >= certain ? 0 : miss + 1;
        high = miss == 0 ? i : high;
    }
    *from_hz = fmax((double)low * bin_hz, 150.0);
    *to_hz = fmin((double)high * bin_hz, 0.47 * rate_hz);
}

static lt_status path_of(const ltp_echo_fit *f, double rate_hz, lt_ir **out, lt_error *err)
{
    const lt_signal s = {.samples = f->h, .count = f->taps, .rate_hz = rate_hz};
    const lt_status st = lt_ir_from_signal(&s, out, err);
    if (st != LT_OK)
        return st;
    (*out)->origin_frames = -f->first;
    known_band(f, rate_hz, &(*out)->from_hz, &(*out)->to_hz);
    return LT_OK;
}

/* A first estimate over all that is possible, a second one over where the path was found: fewer taps, less noise. */
static lt_status estimate(const ltp_echo_pair *p, const ltp_echo_lag *lag, ltp_echo_fit *fit, lt_ir **ir,
                          ltp_echo_reading *r, lt_error *err)
{
    const double rate = p->rate_hz;
    const bool near = lag->lag > -acausal_s * rate && lag->lag < near_s * rate;
    ptrdiff_t first = (ptrdiff_t)floor(near ? -acausal_s * rate : lag->lag - before_s * rate);
    const double after = fmin(after_s * rate, after_share * (double)p->sent->count);
    size_t taps = (size_t)((ptrdiff_t)(lag->lag + after) - first);
    const size_t most = p->sent->count / 3;
    bool longer = false, fine = false;
    for (int round = 0; round < 3; round++) {
        taps = taps > most ? most : taps;
        lt_ir_free(*ir);
        *ir = NULL;
        ltp_echo_fit_clear(fit);
        const size_t late = (size_t)fmax(lag->lag - (double)first, 0.0);
        lt_status st = ltp_echo_fit_make(p, first, taps, late < taps ? late : 0, !fine, fit, err);
        if (st == LT_OK)
            st = path_of(fit, rate, ir, err);
        if (st == LT_OK)
            st = ltp_echo_read(*ir, r, err);
        if (st != LT_OK || r->count == 0 || fine || !lt_is_known(r->tail_frames))
            return st;
        const double last = fmax(r->tail_frames, r->at[r->count - 1] - r->at[0]);
        if (!longer && taps < most && r->at[0] + last > 0.7 * (double)taps + (double)first) { /* a loop goes on */
            longer = true;
            taps = (size_t)((ptrdiff_t)(lag->lag + longest_path_s * rate) - first);
            continue;
        }
        const ptrdiff_t from = (ptrdiff_t)floor(r->at[0] - 0.02 * rate);
        const ptrdiff_t to = (ptrdiff_t)ceil(r->at[0] + 1.5 * last + 0.05 * rate);
        if (to - from < (ptrdiff_t)taps) {
            first = from;
            taps = (size_t)(to - from);
        }
        fine = true;
    }
    return LT_OK;
}

/* G.122 over the part of 300 to 3400 Hz that is known, of the path without the noise around it. */
static lt_status rate_loss(const ltp_echo_reading *r, lt_echo *e, lt_error *err)
{
    lt_ir part = *r->ir;
    const double rate = part.rate_hz;
    const double at = r->at[0] + (double)part.origin_frames;
    const double tail = lt_is_known(r->tail_frames) ? r->tail_frames : 0.1 * rate;
    const ptrdiff_t from = (ptrdiff_t)fmax(at - 0.004 * rate, 0.0);
    ptrdiff_t to = (ptrdiff_t)(at + 1.3 * tail + 0.01 * rate);
    to = to > (ptrdiff_t)part.count ? (ptrdiff_t)part.count : to;
    part.samples += from;
    part.count = (size_t)(to - from);
    part.origin_frames -= from;
    const double low = fmax(300.0, e->from_hz);
    const double high = fmin(3400.0, e->to_hz);
    if (!(high > 4.0 * low) || part.count == 0) {
        lt_notes_add(&e->notes, "band-too-narrow",
                     "the path is known from %.0f to %.0f Hz only: not enough for an echo loss (300 to 3400 Hz)",
                     e->from_hz, e->to_hz);
        return LT_OK;
    }
    if (low > 330.0 || high < 3100.0)
        lt_notes_add(&e->notes, "band-edge", "the echo loss is from %.0f to %.0f Hz, not from 300 to 3400 Hz", low,
                     high);
    const lt_status st = ltp_echo_loss_between(&part, low, high, &e->echo_loss_db, err);
    if (st == LT_OK && lt_is_known(e->echo_loss_db)) { /* take off what noise of this length would hold */
        const double power = lt_power_from_db(-e->echo_loss_db);
        const double noise = r->noise_rms * r->noise_rms * (double)part.count;
        if (noise < 0.7 * power)
            e->echo_loss_db = -lt_db_from_power(power - noise);
    }
    return st;
}

static lt_status list_bands(const lt_ir *ir, const ltp_echo_fit *f, lt_echo *e, lt_error *err)
{
    lt_band bands[LT_ECHO_BANDS_MAX];
    double level[LT_ECHO_BANDS_MAX];
    size_t n = 0;
    for (int b = LT_THIRD_SPEECH_FIRST; b <= LT_THIRD_16_KHZ && n < LT_ECHO_BANDS_MAX; b++) {
        const lt_band band = lt_third_octave(b);
        if (band.lower_hz >= 0.97 * ir->from_hz && band.upper_hz <= 1.03 * ir->to_hz)
            bands[n++] = band;
    }
    if (n == 0)
        return LT_OK;
    const lt_status st = lt_ir_band_levels(ir, bands, n, level, err);
    for (size_t b = 0; b < n && st == LT_OK; b++) {
        lt_echo_band *out = &e->bands[e->band_count++];
        *out = (lt_echo_band){.band = bands[b], .level_db = level[b], .coherence = NAN};
        if (f == NULL)
            continue;
        const double bin_hz = ir->rate_hz / 2.0 / (double)(f->bins - 1);
        double echo = 0.0, rest = 0.0;
        for (size_t i = 0; i < f->bins; i++)
            if ((double)i * bin_hz >= bands[b].lower_hz - 0.5 * bin_hz &&
                (double)i * bin_hz < bands[b].upper_hz + 0.5 * bin_hz) {
                echo += f->echo_psd[i];
                rest += f->noise_psd[i];
            }
        out->coherence = echo + rest > 0.0 ? echo / (echo + rest) : 0.0;
    }
    return st;
}

/* Echo against the rest, and the share of double-talk, where something is sent. */
static void describe_segments(const ltp_echo_fit *f, double *scratch, lt_echo *e)
{
    double mean = 0.0;
    for (size_t s = 0; s < f->segments; s++)
        mean += f->echo[s] / (double)f->segments;
    size_t n = 0;
    double echo = 0.0, weight = 0.0, rest = 0.0;
    for (size_t s = 0; s < f->segments; s++)
        if (f->echo[s] > 0.1 * mean) {
            scratch[n++] = f->residual[s];
            echo += f->weight[s] * f->echo[s];
            rest += f->weight[s] * f->residual[s];
            weight += f->weight[s];
        }
    if (n < 5 || !(weight > 0.0))
        return;
    const double quiet = lt_quantile(scratch, n, 0.25);
    size_t talk = 0;
    for (size_t s = 0; s < f->segments; s++)
        talk += f->echo[s] > 0.1 * mean && f->residual[s] > 10.0 * quiet && f->residual[s] > 0.25 * f->echo[s];
    e->double_talk_percent = 100.0 * (double)talk / (double)n;
    e->snr_db = lt_db_from_power(echo / (rest + 1e-300));
    e->coherence = echo / (echo + rest);
    e->level_change_db = f->gain_spread_db;
}

static void fill(const ltp_echo_reading *r, const lt_echo_options *o, lt_echo *e)
{
    const double rate = r->ir->rate_hz;
    const double c = lt_speed_of_sound_m_s(o->temperature_c);
    e->delay_ms = r->at[0] / rate * 1e3;
    e->tail_ms = r->tail_frames / rate * 1e3;
    e->polarity = r->polarity;
    e->arrival_count = r->count;
    for (size_t i = 0; i < r->count; i++)
        e->arrivals[i] = (lt_echo_arrival){.delay_ms = r->at[i] / rate * 1e3,
                                           .level_db = lt_db_from_amplitude(r->level[i] / r->level[0]),
                                           .path_m = (r->at[i] - r->at[0]) / rate * c};
    double distance = 0.0, ratio = 0.0;
    if (ltp_echo_repeats(r, &distance, &ratio)) {
        e->repeat_ms = distance / rate * 1e3;
        e->repeat_db = lt_db_from_amplitude(ratio);
    }
}

/* No echo: nothing of the path is kept, so that nobody takes noise for a result. */
static void say_none(lt_echo *e, const char *why)
{
    lt_ir_free(e->ir);
    e->ir = NULL;
    e->finding = LT_ECHO_NONE;
    e->delay_ms = e->echo_loss_db = e->tail_ms = e->repeat_ms = e->repeat_db = NAN;
    e->arrival_count = e->band_count = 0;
    lt_talker_echo_rate(NAN, NAN, &e->talker);
    e->talker.r_with = e->talker.r_without;
    e->talker.mos_with = e->talker.mos_without;
    e->talker.verdict = LT_ECHO_ACCEPTABLE;
    e->double_talk_type = "1";
    lt_notes_add(&e->evidence, "no-echo", "%s", why);
}

/* Everything that follows from the path. */
static lt_status conclude(const ltp_echo_reading *r, const ltp_echo_fit *f, const lt_echo_options *o, lt_echo *e,
                          lt_error *err)
{
    fill(r, o, e);
    e->from_hz = r->ir->from_hz;
    e->to_hz = r->ir->to_hz;
    lt_status st = rate_loss(r, e, err);
    if (st == LT_OK)
        st = list_bands(r->ir, f, e, err);
    if (st != LT_OK)
        return st;
    if (10.0 + e->echo_loss_db >= inaudible_telr_db) {
        lt_notes_add(&e->notes, "trace", "a trace of the sent signal comes back %.0f dB down after %.2f ms: inaudible",
                     e->echo_loss_db, e->delay_ms);
        e->confidence = 0.9;
        say_none(e, "what comes back is too weak to be heard at any delay (TELR 65 dB and more)");
        ltp_echo_advise(r, o, e);
        return LT_OK;
    }
    ltp_echo_judge(r, o, e);
    const bool known = e->delay_ms >= -0.1 && !lt_notes_has(&e->notes, "recorder-offset");
    lt_talker_echo_rate(e->echo_loss_db, known ? fmax(e->delay_ms, 0.0) / 2.0 : (double)NAN, &e->talker);
    e->double_talk_type = lt_double_talk_type(e->echo_loss_db);
    ltp_echo_advise(r, o, e);
    return LT_OK;
}

/* ---- from speech ---- */

static void say_doubts(const lt_echo_options *o, lt_echo *e)
{
    if (e->seconds < short_s)
        lt_notes_add(&e->notes, "short", "only %.1f s of speech: 20 s make the path certain", e->seconds);
    if (e->snr_db < 6.0)
        lt_notes_add(&e->notes, "low-snr", "the echo is only %.0f dB above everything else in the return", e->snr_db);
    if (e->level_change_db > 1.5)
        lt_notes_add(&e->notes, "level-changes",
                     "the path's level changed by about %.0f dB during the recording; figures are of its median",
                     e->level_change_db);
    if (!o->one_clock && fabs(e->drift_ppm) > 0.0)
        lt_notes_add(&e->notes, "drift", "clock drift of %.1f ppm between the two recordings was removed",
                     e->drift_ppm);
}

/* "None" holds only for an echo that would have been seen beside everything else in the return. */
static void say_masked(const ltp_echo_pair *p, lt_echo *e)
{
    const double seen_db =
        lt_dbfs_from_rms(lt_signal_rms(p->sent)) - lt_dbfs_from_rms(lt_signal_rms(p->returned)) + seen_below_rest_db;
    if (!(seen_db < masked_loss_db))
        return;
    e->confidence = fmin(e->confidence, 0.4);
    lt_notes_add(&e->notes, "masked",
                 "so much else is in the return that an echo more than %.0f dB down could hide in it; record 30 s of "
                 "speech with nobody talking at the other end and little noise there",
                 fmax(seen_db, 0.0));
}

lt_status ltp_echo_from_speech(ltp_echo_pair *p, const lt_echo_options *o, lt_echo *e, lt_error *err)
{
    ltp_echo_lag lag = {0};
    ltp_echo_fit fit = {0};
    ltp_echo_reading r = {0};
    double *scratch = NULL;
    lt_status st = ltp_echo_align(p, o, &lag, e, err);
    if (st != LT_OK)
        goto done;
    const double sent_db = lt_dbfs_from_rms(lt_signal_rms(p->sent));
    if (sent_db < quiet_dbfs)
        lt_notes_add(&e->notes, "quiet-sent", "the sent recording lies at %.0f dBFS only: check its cable and channel",
                     sent_db);
    if (!(lag.contrast >= LTP_ECHO_CONTRAST_LEAST)) {
        e->confidence = sent_db < quiet_dbfs ? 0.2 : fmin(0.95, 0.6 + e->seconds / 60.0);
        say_none(e, "nothing in the return follows what was sent, at any delay");
        say_masked(p, e);
        e->drift_ppm = NAN;
        ltp_echo_advise(&r, o, e);
        goto done;
    }
    st = estimate(p, &lag, &fit, &e->ir, &r, err);
    if (st != LT_OK)
        goto done;
    scratch = ltp_alloc(fit.segments, sizeof *scratch);
    if (scratch == NULL) {
        st = ltp_fail_nomem(err, "an echo");
        goto done;
    }
    describe_segments(&fit, scratch, e);
    double top = 0.0;
    for (size_t i = 0; i < r.count; i++)
        top = fmax(top, r.level[i]);
    if (r.count == 0 || top < clear_noise / 5.0 * r.level[0] * lt_amplitude_from_db(r.floor_db)) {
        e->confidence = 0.7;
        say_none(e, "no arrival stands out of the noise of the estimate");
        if (e->seconds < shortest_s) { /* something does follow what was sent, and this is too little to tell what */
            e->finding = LT_ECHO_UNCLEAR;
            e->confidence = 0.2;
            e->double_talk_type = NULL;
            lt_talker_echo_rate(NAN, NAN, &e->talker);
            say_doubts(o, e);
        } else {
            say_masked(p, e);
        }
        ltp_echo_advise(&r, o, e);
        goto done;
    }
    st = conclude(&r, &fit, o, e, err);
    say_doubts(o, e);
done:
    ltp_echo_fit_clear(&fit);
    ltp_free(scratch);
    return st;
}

/* ---- from a stimulus ---- */

static lt_status from_stimulus(const lt_signal *sent, const lt_signal *returned, const lt_echo_options *o, lt_echo *e,
                               lt_error *err)
{
    lt_response_options ro = lt_response_default_options();
    ro.post_s = 1.0;
    lt_response *m = NULL;
    ltp_echo_reading r = {0};
    lt_error inner = {0};
    e->source = LT_ECHO_FROM_STIMULUS;
    lt_status st = lt_response_measure(&returned, NULL, 1, sent, &ro, &m, &inner);
    if (st == LT_E_SNR) {
        e->confidence = 0.8;
        say_none(e, "the stimulus does not stand out of the noise of the return");
        ltp_echo_advise(&r, o, e);
        return LT_OK;
    }
    if (st != LT_OK)
        return ltp_fail(err, st, "%s", inner.what);
    lt_notes_append(&e->notes, &m->notes);
    e->drift_ppm = m->drift_ppm;
    e->snr_db = m->snr_db;
    e->seconds = (double)sent->count / sent->rate_hz;
    e->ir = m->ir;
    m->ir = NULL;
    st = ltp_echo_read(e->ir, &r, err);
    if (st == LT_OK && r.count == 0) {
        say_none(e, "no arrival stands out of the noise");
        ltp_echo_advise(&r, o, e);
    } else if (st == LT_OK) {
        st = conclude(&r, NULL, o, e, err);
    }
    lt_response_free(m);
    return st;
}

/* A sweep or a tone: in nearly every active 20 ms the peak is that of a sine of this RMS. Speech and noise are not. */
static bool is_sweep(const lt_signal *s)
{
    const size_t frame = (size_t)(0.02 * s->rate_hz);
    const double least = 0.03 * lt_signal_peak(s);
    size_t active = 0, sines = 0;
    for (size_t at = 0; frame > 8 && at + frame <= s->count; at += frame) {
        double sum = 0.0, top = 0.0;
        for (size_t i = at; i < at + frame; i++) {
            sum += s->samples[i] * s->samples[i];
            top = fmax(top, fabs(s->samples[i]));
        }
        const double crest = top / sqrt(sum / (double)frame + 1e-300);
        active += top > least;
        sines += top > least && crest > 1.3 && crest < 1.53;
    }
    return (double)active * 0.02 > 0.1 && (double)sines > 0.75 * (double)active;
}

lt_status lt_echo_measure(const lt_signal *sent, const lt_signal *returned, const lt_echo_options *opt, lt_echo **out,
                          lt_error *err)
{
    *out = NULL;
    const lt_echo_options o = opt != NULL ? *opt : lt_echo_default_options();
    ltp_echo_pair p = {0};
    lt_echo *e = NULL;
    lt_status st = check_options(&o, err);
    if (st == LT_OK)
        st = ltp_echo_prepare(sent, returned, &p, err);
    if (st == LT_OK)
        st = ltp_echo_create(&e, err);
    if (st == LT_OK)
        st = o.stimulus || is_sweep(sent) ? from_stimulus(sent, returned, &o, e, err)
                                          : ltp_echo_from_speech(&p, &o, e, err);
    ltp_echo_pair_clear(&p);
    if (st != LT_OK) {
        lt_echo_free(e);
        return st;
    }
    *out = e;
    return LT_OK;
}
