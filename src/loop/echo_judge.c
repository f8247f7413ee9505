/* SPDX-License-Identifier: MIT
 * Which part is to blame: the finding from arrivals, flatness and repeats. The rules are those of the trade put into
 * numbers of our own; where two causes fit, the finding says so and names the second one. ms, dB. */
#include "loop/echo_internal.h"

#include <math.h>

static const double near_zero_ms = 0.35;  /* electrical: nothing acoustic is that near, unless measured otherwise */
static const double ripple_flat_db = 2.5; /* one-third octaves about a straight line: a wire */
static const double spread_flat = 0.25;   /* early energy outside the first pulse: a wire has none */
static const double direct_most_ms = 6.0; /* 2 m: farther apart are no speaker and microphone of one lane */
static const double processing_ms = 24.0; /* later than any single surface of a lane sends the first sound back */
static const double reflection_most_ms = 60.0; /* 20 m of path */
static const double reflection_after_ms = 1.5; /* nearer copies are the housing */
static const double strong_db = -13.0;         /* a copy that is weaker, re the first arrival, is no cause by itself */
static const double doubtful_db = -15.0;
static const double ahead_ms = -0.15; /* on one clock nothing comes back before it was sent */
static const double louder_db = 3.0;
static const double same_db = 0.5, same_snr_db = 40.0;
static const double offset_ms = 1000.0; /* no processing in a lane takes longer: the recorders started apart */

/* Repeats: the next step must agree with the mean within this, and with its place within that. */
static const double step_within_db = 4.0;
static const double place_within_ms = 0.3;
static const double place_within = 0.012;

/* Index of the arrival nearest to `at`, if near enough. */
static bool arrival_at(const ltp_echo_reading *r, double at, double within, size_t *index)
{
    bool found = false;
    for (size_t i = 0; i < r->count; i++)
        if (fabs(r->at[i] - at) <= within && (!found || r->level[i] > r->level[*index])) {
            *index = i;
            found = true;
        }
    return found;
}

/* How many repeats of distance `d` follow the first arrival, each lower than the one before by about the same step. */
static size_t count_repeats(const ltp_echo_reading *r, double d, double *ratio, bool *complete)
{
    const double rate = r->ir->rate_hz;
    const double floor_db = r->floor_db + 2.0;
    double last_db = 0.0, last = r->at[0], sum_db = 0.0;
    size_t n = 0;
    *complete = true;
    for (size_t k = 1; k < LT_ECHO_ARRIVALS_MAX; k++) {
        size_t i = 0;
        const double expected_db = n > 0 ? last_db + sum_db / (double)n : (double)NAN;
        const double end = (double)r->ir->count - (double)r->ir->origin_frames;
        if (!arrival_at(r, last + d, place_within_ms * 1e-3 * rate + place_within * d, &i)) {
            const bool hidden = n > 0 && (expected_db < floor_db || last + 1.1 * d > end);
            *complete = hidden;
            break;
        }
        const double level_db = lt_db_from_amplitude(r->level[i] / r->level[0]);
        const double step = level_db - last_db;
        if (step > 0.5 || (n > 0 && fabs(level_db - expected_db) > step_within_db))
            break;
        sum_db += step;
        last_db = level_db;
        last = r->at[i];
        n++;
    }
    *ratio = n > 0 ? lt_amplitude_from_db(sum_db / (double)n) : 0.0;
    return n;
}

bool ltp_echo_repeats(const ltp_echo_reading *r, double *distance, double *ratio)
{
    const double rate = r->ir->rate_hz;
    size_t best = 0;
    for (size_t j = 1; j < r->count; j++) {
        const double d = r->at[j] - r->at[0];
        double this_ratio = 0.0;
        bool complete = false;
        if (d < 1.2e-3 * rate)
            continue;
        const size_t n = count_repeats(r, d, &this_ratio, &complete);
        /* Three steps make a row; two, where noise hides the third. Nearer than 4 ms a housing can look like one. */
        const bool close = d < 4e-3 * rate;
        const bool enough = n >= 4 || (n >= 3 && complete && this_ratio >= 0.2 && !close) ||
                            (n == 2 && complete && this_ratio >= 0.3 && d > 6e-3 * rate);
        if (enough && n > best) {
            best = n;
            *distance = d;
            *ratio = this_ratio;
        }
    }
    return best > 0;
}

/* Weight of a level at a delay in the ear of the talker: the weighting of G.131. */
static double heard_db(double level_db, double delay_ms)
{
    return level_db - lt_talker_echo_weighted_db(0.0, fmax(delay_ms, 0.0) / 2.0);
}

/* The later arrival that is heard most; false without one. */
static bool loudest_later(const lt_echo *e, size_t *index)
{
    bool found = false;
    double best = 0.0;
    for (size_t i = 1; i < e->arrival_count; i++) {
        const double excess = e->arrivals[i].delay_ms - e->arrivals[0].delay_ms;
        const double heard = heard_db(e->arrivals[i].level_db, e->arrivals[i].delay_ms);
        if (excess >= reflection_after_ms && (!found || heard > best)) {
            *index = i;
            best = heard;
            found = true;
        }
    }
    return found;
}

static void decide(lt_echo *e, lt_echo_finding finding, double confidence)
{
    e->finding = finding;
    e->rival = LT_ECHO_NONE;
    e->confidence = fmin(fmax(confidence, 0.05), 0.98);
}

static void doubt(lt_echo *e, lt_echo_finding likely, lt_echo_finding rival)
{
    e->finding = LT_ECHO_UNCLEAR;
    e->rival = rival;
    e->confidence = 0.4;
    lt_notes_add(&e->evidence, "two-causes", "%s and %s both fit what was recorded", lt_echo_finding_name(likely),
                 lt_echo_finding_name(rival));
}

/* Is the delay that of the path, or of two recorders that started apart? */
static bool delay_is_known(const lt_echo_options *o, const lt_echo *e)
{
    if (o->one_clock)
        return true;
    return e->delay_ms > -0.1 && e->delay_ms < offset_ms;
}

/* The return runs ahead of what was sent: the two have been mixed up. Where it is louder, perhaps. */
static bool judge_swapped(const lt_echo_options *o, lt_echo *e)
{
    const bool ahead = o->one_clock && e->delay_ms < ahead_ms;
    const bool louder = e->echo_loss_db < -louder_db;
    if (ahead) {
        lt_notes_add(&e->notes, "swapped",
                     "the return is %.2f ms ahead of what was sent: sent and returned are most likely swapped",
                     -e->delay_ms);
        decide(e, LT_ECHO_UNCLEAR, 0.2);
        return true;
    }
    if (louder)
        lt_notes_add(&e->notes, "louder-return",
                     "the return holds the sent signal %.0f dB louder than it was sent: are the two swapped, or were "
                     "they recorded at different gains?",
                     -e->echo_loss_db);
    else if (fabs(e->echo_loss_db) < same_db && fabs(e->delay_ms) < 0.1 && e->snr_db > same_snr_db)
        lt_notes_add(&e->notes, "same-signal",
                     "sent and returned are the same signal: check that they are the two lines of one lane");
    return false;
}

static void judge_first(const ltp_echo_reading *r, const lt_echo_options *o, lt_echo *e)
{
    const double expected_ms = o->speaker_to_microphone_m / lt_speed_of_sound_m_s(o->temperature_c) * 1e3;
    const double most_ms = o->distance_known ? fmax(1.6 * expected_ms + 0.8, 2.0) : direct_most_ms;
    const double near_ms = o->distance_known ? fmin(0.55 * expected_ms, 0.6) : near_zero_ms;
    const bool wire = r->ripple_db < ripple_flat_db && r->spread < spread_flat;
    const double d = e->delay_ms;
    lt_notes_add(&e->evidence, "first-arrival",
                 "first arrival %.2f ms after the sent signal; sound takes %.2f ms over %.2f m", d, expected_ms,
                 o->speaker_to_microphone_m);
    lt_notes_add(&e->evidence, "colour", "one-third octaves within %.1f dB of a line of %.1f dB an octave: %s",
                 r->ripple_db, r->tilt_db, wire ? "as a wire" : "as a loudspeaker and its housing");
    if (d < near_ms && wire)
        decide(e, LT_ECHO_CROSSTALK, 0.95 - 0.4 * d / near_ms - 0.1 * r->ripple_db / ripple_flat_db);
    else if (d < near_ms)
        doubt(e, LT_ECHO_ACOUSTIC, LT_ECHO_CROSSTALK);
    else if (d <= most_ms)
        decide(e, LT_ECHO_ACOUSTIC, wire ? 0.7 : 0.9);
    else if (d < processing_ms)
        doubt(e, LT_ECHO_PROCESSING, LT_ECHO_REFLECTION);
    else
        decide(e, LT_ECHO_PROCESSING, d > 40.0 ? 0.95 : 0.75);
}

/* A later copy that counts for more than the first arrival. */
static bool judge_later(lt_echo *e)
{
    size_t i = 0;
    if (!loudest_later(e, &i))
        return false;
    const lt_echo_arrival *a = &e->arrivals[i];
    const double excess = a->delay_ms - e->arrivals[0].delay_ms;
    const double first = heard_db(0.0, e->delay_ms);
    const double later = heard_db(a->level_db, a->delay_ms);
    if (later < first || a->level_db < doubtful_db)
        return false;
    lt_notes_add(&e->evidence, "later-arrival",
                 "a copy %.1f ms later at %.1f dB (a path %.1f m longer) is heard more than the first arrival", excess,
                 a->level_db, a->path_m);
    const lt_echo_finding first_cause = e->finding;
    if (excess > reflection_most_ms)
        decide(e, LT_ECHO_PROCESSING, 0.8);
    else if (a->level_db < strong_db && first_cause != LT_ECHO_UNCLEAR)
        doubt(e, first_cause, LT_ECHO_REFLECTION);
    else
        decide(e, LT_ECHO_REFLECTION, 0.6 + 0.03 * (later - first));
    return true;
}

/* Crosstalk and a speaker near by at once: the first arrival is the wire, a stronger one follows. */
static void judge_mixture(lt_echo *e)
{
    if (e->finding != LT_ECHO_CROSSTALK)
        return;
    for (size_t i = 1; i < e->arrival_count; i++) {
        const double delay = e->arrivals[i].delay_ms;
        if (delay > direct_most_ms || e->arrivals[i].level_db < -6.0)
            continue;
        if (e->arrivals[i].level_db > 3.0)
            decide(e, LT_ECHO_ACOUSTIC, 0.7);
        else
            doubt(e, LT_ECHO_CROSSTALK, LT_ECHO_ACOUSTIC);
        lt_notes_add(&e->evidence, "mixture", "behind the first arrival another one after %.2f ms at %+.1f dB", delay,
                     e->arrivals[i].level_db);
        return;
    }
}

void ltp_echo_judge(const ltp_echo_reading *r, const lt_echo_options *o, lt_echo *e)
{
    if (judge_swapped(o, e))
        return;
    const bool ringing = r->peak_over_db > 14.0 && e->tail_ms > 120.0;
    if (lt_is_known(e->repeat_ms)) {
        decide(e, LT_ECHO_NEAR_HOWL, 0.75 + 0.2 * lt_amplitude_from_db(e->repeat_db));
        lt_notes_add(&e->evidence, "repeats", "evenly spaced repeats every %.2f ms, each %.1f dB below the one before",
                     e->repeat_ms, -e->repeat_db);
        return;
    }
    if (ringing) {
        decide(e, LT_ECHO_NEAR_HOWL, 0.6);
        lt_notes_add(&e->evidence, "ringing", "the path rings at %.0f Hz, %.0f dB over its other bands, for %.0f ms",
                     r->peak_hz, r->peak_over_db, e->tail_ms);
        return;
    }
    if (!delay_is_known(o, e)) {
        lt_notes_add(&e->notes, "recorder-offset",
                     "a delay of %.1f ms is that of two recorders started apart: record both on one recorder",
                     e->delay_ms);
        decide(e, LT_ECHO_UNCLEAR, 0.3);
        if (!judge_later(e))
            doubt(e, LT_ECHO_ACOUSTIC, LT_ECHO_PROCESSING);
        return;
    }
    judge_first(r, o, e);
    if (!judge_later(e))
        judge_mixture(e);
}
