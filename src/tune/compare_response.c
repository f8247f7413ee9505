/* SPDX-License-Identifier: MIT
 * Differences of swept paths between two visits, one-third octave by one-third octave, and how much of each means
 * something. dB. */
#include "tune/compare.h"

#include <lanetune/dsp.h>

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Doubts, ours: a band above 20 dB of SNR is right within 0.2 dB (response.h), and ten times the noise is ten times the
 * doubt in amplitude. A microphone put back by hand stands a few centimetres elsewhere; a coupling is fixed by the
 * housing, and only the air and a gasket's temperature move it; a car never stops at the same place. */
static const double snr_doubt_db = 0.2, snr_reference_db = 20.0, smallest_doubt_db = 0.05, worst_doubt_db = 30.0;
static const double place_low_db = 1.0, place_high_db = 2.0, place_high_from_hz = 2000.0;
static const double housing_doubt_db = 0.5, car_doubt_db = 2.0;
static const double worst_snr_db = 6.0; /* a band with less is not counted in level, bass and treble */
static const double settings_seen_db = 1.5;

static const struct {
    lt_path path;
    bool microphone;
} paths[LT_COMPARE_PATH_COUNT] = {{LT_PATH_OUTBOUND, true},
                                  {LT_PATH_INBOUND, true},
                                  {LT_PATH_LANE_COUPLING, false},
                                  {LT_PATH_COUNTER_COUPLING, false},
                                  {LT_PATH_LOOP, false}};

const char *lt_compare_path_name(lt_compare_path p)
{
    return (unsigned)p < LT_COMPARE_PATH_COUNT ? lt_path_name(paths[p].path) : "unknown";
}

static const lt_response *response_of(const lt_tune_recordings *r, lt_compare_path p)
{
    switch (p) {
    case LT_COMPARE_OUTBOUND:
        return r->outbound;
    case LT_COMPARE_INBOUND:
        return r->inbound;
    case LT_COMPARE_LANE_COUPLING:
        return r->lane_coupling;
    case LT_COMPARE_COUNTER_COUPLING:
        return r->counter_coupling;
    case LT_COMPARE_LOOP:
        return r->loop;
    case LT_COMPARE_PATH_COUNT:
        break;
    }
    return NULL;
}

double ltp_compare_outbound_change_db(const ltp_compare *c)
{
    return c->after->lane->outbound.recorded_db - c->before->lane->outbound.recorded_db;
}

double ltp_compare_inbound_change_db(const ltp_compare *c)
{
    return c->after->lane->inbound.recorded_db - c->before->lane->inbound.recorded_db;
}

void ltp_compare_one_sided(ltp_compare *c, const char *what, const char *condition, bool before, bool after)
{
    if (before == after)
        return;
    const char *date = before ? c->after->date : c->before->date;
    lt_notes_add(&c->out->notes, "one-visit-only", "%s%s%s was not recorded in the visit %s, so it is not compared.",
                 what, condition[0] != '\0' ? ", condition " : "", condition,
                 date != NULL ? date
                 : before     ? "after"
                              : "before");
}

/* ---- one band ---- */

static double noise_doubt(double snr_db)
{
    if (isnan(snr_db))
        return 0.5;
    return fmin(worst_doubt_db, fmax(smallest_doubt_db, snr_doubt_db * pow(10.0, (snr_reference_db - snr_db) / 20.0)));
}

static double place_doubt(const lt_compare_response *r, double hz)
{
    double d = housing_doubt_db;
    if (paths[r->path].microphone)
        d = hz < place_high_from_hz ? place_low_db : place_high_db;
    return r->condition[0] != '\0' ? hypot(d, car_doubt_db) : d;
}

static const lt_response_band *band_of(const lt_response *r, int index)
{
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.index == index)
            return &r->bands[i];
    return NULL;
}

static void fill_bands(lt_compare_response *out, const lt_response *before, const lt_response *after, double offset_b,
                       double offset_a)
{
    for (size_t i = 0; i < before->band_count && out->band_count < LT_RESPONSE_BANDS_MAX; i++) {
        const lt_response_band *b = &before->bands[i], *a = band_of(after, b->band.index);
        if (a == NULL)
            continue;
        lt_compare_band *o = &out->bands[out->band_count++];
        *o = (lt_compare_band){.hz = b->band.nominal_hz,
                               .before_db = b->level_db + offset_b,
                               .after_db = a->level_db + offset_a,
                               .snr_db = {b->snr_db, a->snr_db},
                               .thd_percent = {b->thd_percent, a->thd_percent}};
        o->difference_db = o->after_db - o->before_db;
        o->doubt_db = hypot(hypot(noise_doubt(b->snr_db), noise_doubt(a->snr_db)), place_doubt(out, o->hz));
        o->changed = fabs(o->difference_db) > o->doubt_db;
    }
}

/* ---- level, bass, treble ---- */

/* Mean difference over bands with enough SNR. Noise averages out over the bands, the microphone's place does not. */
static double mean_between(const lt_compare_response *r, double from_hz, double to_hz, size_t at_least,
                           double *doubt_db)
{
    double sum = 0.0, noise = 0.0, place = 0.0;
    size_t count = 0;
    for (size_t i = 0; i < r->band_count; i++) {
        const lt_compare_band *b = &r->bands[i];
        if (b->hz < from_hz || b->hz > to_hz || b->snr_db.before < worst_snr_db || b->snr_db.after < worst_snr_db ||
            !lt_is_known(b->difference_db))
            continue;
        sum += b->difference_db;
        noise += pow(noise_doubt(b->snr_db.before), 2.0) + pow(noise_doubt(b->snr_db.after), 2.0);
        place += place_doubt(r, b->hz);
        count++;
    }
    *doubt_db = NAN;
    if (count < at_least)
        return NAN;
    *doubt_db = hypot(sqrt(noise) / (double)count, place / (double)count);
    return sum / (double)count;
}

static void fill_shape(lt_compare_response *r)
{
    r->level_db = mean_between(r, 390.0, 2100.0, 4, &r->level_doubt_db);
    r->bass_db = mean_between(r, 95.0, 330.0, 2, &r->bass_doubt_db) - r->level_db;
    r->treble_db = mean_between(r, 2400.0, 8500.0, 3, &r->treble_doubt_db) - r->level_db;
    r->bass_doubt_db = hypot(r->bass_doubt_db, r->level_doubt_db);
    r->treble_doubt_db = hypot(r->treble_doubt_db, r->level_doubt_db);
}

static double median_thd(const lt_response *r)
{
    double x[LT_RESPONSE_BANDS_MAX];
    size_t count = 0;
    for (size_t i = 0; i < r->band_count; i++)
        if (r->bands[i].band.nominal_hz > 390.0 && r->bands[i].band.nominal_hz < 2100.0 &&
            lt_is_known(r->bands[i].thd_percent))
            x[count++] = r->bands[i].thd_percent;
    return count >= 3 ? lt_median(x, count) : (double)NAN;
}

/* ---- settings ---- */

/* A gain that was turned between the visits is no change of the lane. Where the adjuster sits is not known: outbound
 * and inbound follow their own, as the totals of tune assume; a coupling follows one, both or none, and what lies
 * nearest to the measured change is taken. */
static double settings_part(const ltp_compare *c, lt_compare_path p, double level_db)
{
    const double d_out = ltp_compare_outbound_change_db(c), d_in = ltp_compare_inbound_change_db(c);
    if (p == LT_COMPARE_OUTBOUND)
        return d_out;
    if (p == LT_COMPARE_INBOUND)
        return d_in;
    if (p == LT_COMPARE_LOOP || isnan(level_db))
        return d_out + d_in;
    const double parts[] = {d_out + d_in, d_out, d_in, 0.0};
    double best = parts[0];
    for (size_t i = 1; i < 4; i++)
        if (fabs(level_db - parts[i]) < fabs(level_db - best) - settings_seen_db)
            best = parts[i];
    return best;
}

static void take_settings_out(const ltp_compare *c, lt_compare_response *r)
{
    r->settings_db = settings_part(c, r->path, r->level_db);
    if (isnan(r->settings_db) || fabs(r->settings_db) < 1e-9) {
        r->settings_db = 0.0;
        return;
    }
    for (size_t i = 0; i < r->band_count; i++) {
        lt_compare_band *b = &r->bands[i];
        b->after_db -= r->settings_db;
        b->difference_db -= r->settings_db;
        b->changed = fabs(b->difference_db) > b->doubt_db;
    }
    r->level_db -= r->settings_db;
}

/* ---- one path ---- */

/* Up to 50 ms nobody presses two buttons: the recorder began with the playback (the rule of the survey). */
static bool began_together(double delay_ms)
{
    return delay_ms >= -1.0 && delay_ms <= 50.0;
}

static void compare_path(ltp_compare *c, lt_compare_path p, const lt_tune_recordings *rb, const lt_tune_recordings *ra)
{
    const lt_response *b = response_of(rb, p), *a = response_of(ra, p);
    if (c->out->response_count >= LT_COMPARE_RESPONSES_MAX) {
        lt_notes_add(&c->out->notes, "too-many-conditions", "%s, condition %s, is left out: too many conditions.",
                     lt_compare_path_name((lt_compare_path)p), rb->name);
        return;
    }
    lt_compare_response *r = &c->out->responses[c->out->response_count++];
    *r = (lt_compare_response){.path = p,
                               .calibrated = true,
                               .delay_ms = {b->delay_ms, a->delay_ms},
                               .snr_db = {b->snr_db, a->snr_db},
                               .thd_percent = {median_thd(b), median_thd(a)},
                               .polarity_before = b->polarity,
                               .polarity_after = a->polarity};
    (void)snprintf(r->condition, sizeof r->condition, "%s", rb->name);
    double offset_b = -c->before->lane->loopback_db, offset_a = -c->after->lane->loopback_db;
    if (paths[p].microphone) {
        r->calibrated = lt_is_known(c->before->lane->mic_cal_db) && lt_is_known(c->after->lane->mic_cal_db);
        offset_b = r->calibrated ? c->before->lane->mic_cal_db : 0.0;
        offset_a = r->calibrated ? c->after->lane->mic_cal_db : 0.0;
    }
    r->delay_known = p == LT_COMPARE_LANE_COUPLING ? rb->delay_known && ra->delay_known
                                                   : began_together(b->delay_ms) && began_together(a->delay_ms);
    fill_bands(r, b, a, offset_b, offset_a);
    fill_shape(r);
    take_settings_out(c, r);
}

/* A condition that has no file of its own shows the plain one: that is no second measurement. */
static bool is_own(const lt_tune_lane *l, const lt_tune_recordings *r, lt_compare_path p)
{
    for (const lt_tune_recordings *first = l->recordings; first != r; first++)
        if (response_of(first, p) == response_of(r, p))
            return false;
    return response_of(r, p) != NULL;
}

const lt_tune_recordings *ltp_compare_condition(const lt_tune_lane *l, const char *name)
{
    for (size_t i = 0; i < l->condition_count; i++)
        if (strcmp(l->recordings[i].name, name) == 0)
            return &l->recordings[i];
    return NULL;
}

void ltp_compare_responses(ltp_compare *c)
{
    const lt_tune_lane *lb = c->before->lane, *la = c->after->lane;
    for (int p = 0; p < LT_COMPARE_PATH_COUNT; p++) {
        for (size_t i = 0; i < lb->condition_count; i++) {
            const lt_tune_recordings *b = &lb->recordings[i], *a = ltp_compare_condition(la, b->name);
            const bool has_b = is_own(lb, b, (lt_compare_path)p);
            const bool has_a = a != NULL && is_own(la, a, (lt_compare_path)p);
            if (has_b && has_a)
                compare_path(c, (lt_compare_path)p, b, a);
            else
                ltp_compare_one_sided(c, lt_compare_path_name((lt_compare_path)p), b->name, has_b, has_a);
        }
        for (size_t i = 0; i < la->condition_count; i++) {
            const lt_tune_recordings *a = &la->recordings[i];
            if (ltp_compare_condition(lb, a->name) == NULL)
                ltp_compare_one_sided(c, lt_compare_path_name((lt_compare_path)p), a->name, false,
                                      is_own(la, a, (lt_compare_path)p));
        }
    }
}
