/* SPDX-License-Identifier: MIT
 * Polarity, delay, distortion, hum, noise, talk test, and the figures that follow: margin, intelligibility, echo. */
#include "tune/compare.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

/* ---- polarity, delay, distortion ---- */

static bool flipped(const lt_compare_response *r)
{
    return r != NULL && r->polarity_before * r->polarity_after == -1;
}

static bool kept(const lt_compare_response *r)
{
    return r != NULL && r->polarity_before * r->polarity_after == 1;
}

static void polarity(ltp_compare *c, const lt_compare_response *r)
{
    const lt_compare_response *out = ltp_compare_find(c->out, LT_COMPARE_OUTBOUND, r->condition);
    const lt_compare_response *coupling = ltp_compare_find(c->out, LT_COMPARE_LANE_COUPLING, r->condition);
    const bool is_coupling = r->path == LT_COMPARE_LANE_COUPLING;
    if (is_coupling && flipped(out))
        return; /* told with the outbound path */
    const bool both = r->path == LT_COMPARE_OUTBOUND && flipped(coupling);
    const double snr = fmin(r->snr_db.before, r->snr_db.after);
    double probability = both ? 0.95 : (r->path == LT_COMPARE_OUTBOUND && kept(coupling)) ? 0.4 : 0.75;
    if (snr < 15.0)
        probability -= 0.25;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_POLARITY,
                                                           .kind = LT_FINDING_WORSE,
                                                           .path = lt_compare_path_name(r->path),
                                                           .condition = r->condition,
                                                           .change = NAN,
                                                           .probability = probability,
                                                           .over_limit = probability >= 0.6});
    ltp_compare_say(f->evidence, "The first swing of %s was %s and is %s%s; signal to noise %.0f and %.0f dB.",
                    lt_compare_path_name(r->path), r->polarity_before > 0 ? "positive" : "negative",
                    r->polarity_after > 0 ? "positive" : "negative",
                    both                                               ? ", and so is that of the lane coupling"
                    : r->path == LT_COMPARE_OUTBOUND && kept(coupling) ? ", that of the lane coupling is as before"
                                                                       : "",
                    r->snr_db.before, r->snr_db.after);
    ltp_compare_say(f->cause,
                    both ? "The pair to the lane speaker is reversed, at the speaker, a splice, the transformer "
                           "or the amplifier."
                    : is_coupling && kept(out) ? "The lane microphone's pair is reversed; the speaker's is as before."
                    : r->path == LT_COMPARE_OUTBOUND && kept(coupling)
                        ? "The measuring chain is reversed, or the first arrival changed; the lane is not."
                        : "A pair in this path is reversed.");
    ltp_compare_say(f->next_step,
                    "Compare the colours at each splice with the last visit's notes and turn the pair back; "
                    "with two speakers both must move together. Margin and ring frequency move with it.");
}

static void delay(ltp_compare *c, const lt_compare_response *r)
{
    const double d = r->delay_ms.after - r->delay_ms.before;
    if (!r->delay_known || !(fabs(d) > 1.0) || r->path == LT_COMPARE_OUTBOUND)
        return;
    const bool coupling = r->path == LT_COMPARE_LANE_COUPLING;
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_DELAY,
                                                           .kind = d > 0.0 ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = lt_compare_path_name(r->path),
                                                           .condition = r->condition,
                                                           .unit = "ms",
                                                           .change = d,
                                                           .probability = fabs(d) > 3.0 ? 0.85 : 0.6,
                                                           .over_limit = d > 10.0});
    ltp_compare_say(f->evidence, "Delay of %s %.2f ms, was %.2f ms.", lt_compare_path_name(r->path), r->delay_ms.after,
                    r->delay_ms.before);
    ltp_compare_say(f->cause,
                    fabs(d) > 3.0 ? "%s processing in the line: another hub, a digital adapter, a changed "
                                    "profile of the equipment, or another interface for the recording."
                                  : "%s path: parts were moved, or the recording interface differs.",
                    d > 0.0 ? (fabs(d) > 3.0 ? "More" : "A longer") : (fabs(d) > 3.0 ? "Less" : "A shorter"));
    ltp_compare_say(f->next_step, coupling
                                      ? "Measure the interface alone (output wired to input); if its delay is as "
                                        "before, ask what was changed in the hub. Echo tolerance falls with delay."
                                      : "Measure the interface alone; if its delay is as before, look at the hub.");
}

static void distortion(ltp_compare *c, const lt_compare_response *r)
{
    const double b = r->thd_percent.before, a = r->thd_percent.after;
    if (!lt_is_known(b) || !lt_is_known(a))
        return;
    const bool rose = a > 2.0 * b && a - b > 1.5, fell = b > 2.0 * a && b - a > 1.5;
    if (!rose && !fell)
        return;
    const lt_compare_response *out = ltp_compare_find(c->out, LT_COMPARE_OUTBOUND, r->condition);
    if (r->path == LT_COMPARE_LANE_COUPLING && out != NULL && out->thd_percent.after > 2.0 * out->thd_percent.before)
        return; /* the speaker's, told with the outbound path */
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_DISTORTION,
                                                           .kind = rose ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = lt_compare_path_name(r->path),
                                                           .condition = r->condition,
                                                           .unit = "%",
                                                           .change = a - b,
                                                           .probability = 0.65,
                                                           .over_limit = rose && a > 5.0});
    ltp_compare_say(f->evidence, "Harmonics 2 to 5, median 400 Hz to 2 kHz: %.1f %%, was %.1f %%.", a, b);
    ltp_compare_say(f->cause,
                    rose ? "An amplifier that clips (set higher, low supply), a rubbing coil or torn cone; or the "
                           "sweep was played louder than last time."
                         : "Cone, coil or amplifier were repaired, or the sweep was played more quietly.");
    ltp_compare_say(f->next_step,
                    rose ? "Repeat 6 dB quieter: distortion that goes is an amplifier at its end; one that "
                           "stays is the speaker."
                         : "Nothing.");
}

/* ---- noise ---- */

/* Words for wet weather, as a visit's notes may have them. */
static bool is_wet(const char *weather)
{
    static const char *const words[] = {"rain", "wet", "storm", "snow", "thaw", "flood", "shower", "drizzle", "sleet"};
    char low[128] = "";
    for (size_t i = 0; weather != NULL && weather[i] != '\0' && i + 1 < sizeof low; i++) {
        low[i] = (char)tolower((unsigned char)weather[i]);
        low[i + 1] = '\0';
    }
    for (size_t i = 0; i < sizeof words / sizeof *words; i++)
        if (strstr(low, words[i]) != NULL)
            return true;
    return false;
}

/* A hum of this level would drown in the noise of the other visit, bands of 50 to 400 Hz. */
static bool drowns(const lt_compare_noise *n, double hum_db, bool in_after)
{
    double loudest = -(double)INFINITY;
    for (size_t i = 0; i < n->band_count; i++)
        if (n->bands[i].hz < 410.0)
            loudest = fmax(loudest, in_after ? n->bands[i].leq_db.after : n->bands[i].leq_db.before);
    return hum_db < loudest - 6.0;
}

static void hum(ltp_compare *c, const lt_compare_noise *n)
{
    const double b = n->hum_db.before, a = n->hum_db.after;
    const bool had = lt_is_known(b), has = lt_is_known(a);
    if (had == has && (!had || fabs(a - b) < 6.0))
        return;
    if (had != has && drowns(n, has ? a : b, had))
        return;
    const bool worse = has && (!had || a > b);
    const bool line = n->kind == LT_COMPARE_NOISE_MIC, wet = is_wet(c->after->weather);
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_HUM,
                                                           .kind = worse ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = lt_compare_noise_kind_name(n->kind),
                                                           .condition = n->condition,
                                                           .unit = "dB",
                                                           .change = had && has ? a - b : (double)NAN,
                                                           .probability = line ? (wet ? 0.85 : 0.75) : 0.6,
                                                           .over_limit = worse && (!had || a - b >= c->opt->worse_db)});
    const char *unit = line ? "dBFS on the line" : "dB SPL";
    if (had && has)
        ltp_compare_say(f->evidence, "Hum of %.0f Hz mains %.1f %s, was %.1f.", n->mains_hz, a, unit, b);
    else if (has)
        ltp_compare_say(f->evidence, "Hum of %.0f Hz mains at %.1f %s; there was none. Noise as a whole %+.1f dB.",
                        n->mains_hz, a, unit, n->difference_db);
    else
        ltp_compare_say(f->evidence, "Hum of %.0f Hz mains was at %.1f %s; there is none now.", n->mains_hz, b, unit);
    if (!worse) {
        ltp_compare_say(f->cause, "A ground or shield was put right, or a source of hum was off during this visit.");
        ltp_compare_say(f->next_step, "Nothing.");
    } else if (line) {
        ltp_compare_say(f->cause,
                        "%s the shield or the pair of the lane microphone: a shield open or grounded at both ends, "
                        "water in a splice or conduit, or mains run beside it.",
                        wet ? "Since the wet weather, hum gets into" : "Hum gets into");
        ltp_compare_say(f->next_step,
                        "Lift the pair's shield at one end, never a protective earth, then unplug the lane's "
                        "microphone at the hub: hum that stays is in the hub or its supply. Dry and re-terminate "
                        "splices. Mains wiring is for licensed people.");
    } else {
        ltp_compare_say(f->cause,
                        "Mains hum that is heard in the air: a lamp, sign or transformer nearby, or the speaker "
                        "itself humming.");
        ltp_compare_say(f->next_step,
                        "Record the noise once more with the intercom off: hum that goes is the intercom's. "
                        "Mains work is for licensed people.");
    }
}

static void noise(ltp_compare *c, const lt_compare_noise *n)
{
    const double d = n->difference_db;
    if (!n->calibrated || !lt_is_known(d) || fabs(d) <= n->doubt_db)
        return;
    const lt_compare_noise *ear = ltp_compare_find_noise(c->out, LT_COMPARE_NOISE_EAR, n->condition);
    const bool line = n->kind == LT_COMPARE_NOISE_MIC;
    const double beyond = line && ear != NULL ? d - ear->difference_db : d;
    for (size_t i = 0; i < c->out->finding_count && line; i++)
        if (c->out->findings[i].code == LT_FINDING_MICROPHONE_LEVEL && c->out->findings[i].change * d > 0.0)
            return; /* that is the microphone's level, told already */
    if (line && ear != NULL && fabs(beyond) <= n->doubt_db)
        return; /* the noise of the lane itself, told with the ear's */
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_NOISE,
                                                           .kind = d > 0.0 ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                           .path = lt_compare_noise_kind_name(n->kind),
                                                           .condition = n->condition,
                                                           .unit = "dB",
                                                           .change = d,
                                                           .probability = line ? 0.7 : 0.6,
                                                           .over_limit = d >= fmax(c->opt->worse_db, n->doubt_db)});
    ltp_compare_say(f->evidence, "%s %.1f dB(A), was %.1f (doubt %.0f dB)%s.", lt_compare_noise_kind_name(n->kind),
                    n->laeq_db.after, n->laeq_db.before, n->doubt_db,
                    line && ear != NULL ? "; the noise in the lane explains less" : "");
    if (line) {
        ltp_compare_say(f->cause,
                        d > 0.0 ? "Noise of the line itself: microphone supply, corroded splice, preamplifier, "
                                  "or water and wind at the microphone's port."
                                : "Less noise on the line than the lane has: quieter electronics, or less level.");
        ltp_compare_say(f->next_step, d > 0.0
                                          ? "Short the microphone at its terminals: noise that stays is electrical."
                                          : "Compare with the talk test: if it fell too, the microphone lost level.");
    } else {
        ltp_compare_say(f->cause, "The %s is %s (fan, truck idling, works), or weather.",
                        n->kind == LT_COMPARE_NOISE_COUNTER ? "counter" : "lane",
                        d > 0.0 ? "louder than it was: another hour, a new source"
                                : "quieter than it was: another hour, a source that is gone");
        ltp_compare_say(f->next_step, "Record the noise again at the busy hour before settings are changed for it.");
    }
}

static void talk(ltp_compare *c, const lt_compare_talk *t)
{
    if (!lt_is_known(t->difference_db) || fabs(t->difference_db) <= t->doubt_db)
        return;
    for (size_t i = 0; i < c->out->finding_count; i++)
        if (c->out->findings[i].code == LT_FINDING_MICROPHONE_LEVEL)
            return;
    const bool coupling = ltp_compare_find(c->out, LT_COMPARE_LANE_COUPLING, t->condition) != NULL;
    lt_finding *f =
        ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_TALK_TEST,
                                               .kind = t->difference_db < 0.0 ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                               .path = lt_path_name(LT_PATH_TALK_TEST),
                                               .condition = t->condition,
                                               .unit = "dB",
                                               .change = t->difference_db,
                                               .probability = coupling ? 0.7 : 0.4,
                                               .over_limit = t->difference_db < 0.0 && !coupling &&
                                                             -t->difference_db >= c->opt->worse_db});
    ltp_compare_say(f->evidence, "Active speech level on the line %.1f dBFS, was %.1f (doubt %.0f dB).",
                    t->active_level_db.after, t->active_level_db.before, t->doubt_db);
    ltp_compare_say(f->cause, coupling
                                  ? "The lane coupling does not show it, so the microphone is well: another talker, or "
                                    "another distance."
                                  : "The lane microphone or its line; or another talker or distance.");
    ltp_compare_say(f->next_step,
                    "Repeat the talk test with the same voice at the same place, or record lane-coupling.");
}

void ltp_compare_find_others(ltp_compare *c)
{
    for (size_t i = 0; i < c->out->response_count; i++) {
        const lt_compare_response *r = &c->out->responses[i];
        if (flipped(r))
            polarity(c, r);
        delay(c, r);
        distortion(c, r);
    }
    for (size_t i = 0; i < c->out->noise_count; i++) {
        hum(c, &c->out->noises[i]);
        noise(c, &c->out->noises[i]);
    }
    for (size_t i = 0; i < c->out->talk_count; i++)
        talk(c, &c->out->talks[i]);
}
