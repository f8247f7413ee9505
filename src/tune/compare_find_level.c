/* SPDX-License-Identifier: MIT
 * Levels and shapes that changed, and which part that points to. Paths share parts: outbound and lane coupling share
 * everything from the outbound line to the cone; lane coupling, talk test and lane noise share the lane microphone and
 * the inbound line; inbound and counter coupling share the counter's speaker. What changes alike in two paths lies in
 * what they share. Probabilities are ours. */
#include "tune/compare.h"

#include <math.h>
#include <string.h>

static const double sure_times = 1.5;     /* a change counts from this many times its doubt ... */
static const double level_from_db = 1.0;  /* ... and from here */
static const double shape_from_db = 2.5;  /* bass or treble re the middle */
static const double alike_db = 2.0;       /* two paths changed by the same */
static const double alike_share = 0.35;   /* ... or by this share of it */
static const double single_band_db = 1.8; /* one band of a coupling, that no hand moves */
static const double uneven_db = 2.0;      /* a band this far beyond the mean is a story of its own */
static const double band_from_db = 3.0;   /* single bands */

typedef struct {
    const lt_compare_response *out, *coupling;
    const char *condition;
    double gain_db; /* change of microphone and inbound line, from talk test and noise; NaN = no evidence */
    bool gain_is_sure;
} lane_side;

static bool counts(double change_db, double doubt_db, double from_db)
{
    return lt_is_known(change_db) && fabs(change_db) > fmax(from_db, sure_times * doubt_db);
}

static bool alike(double a_db, double b_db)
{
    return lt_is_known(a_db) && lt_is_known(b_db) && a_db * b_db > 0.0 &&
           fabs(a_db - b_db) <= fmax(alike_db, alike_share * fabs(a_db));
}

static bool stayed(double change_db, double other_db)
{
    return lt_is_known(change_db) && fabs(change_db) < 0.4 * fabs(other_db);
}

static lt_finding *add(ltp_compare *c, lt_finding_code code, const lt_compare_response *r, double change_db,
                       bool loss_is_bad, double probability)
{
    const bool worse = loss_is_bad ? change_db < 0.0 : change_db > 0.0;
    return ltp_compare_add(c, &(ltp_finding_head){.code = code,
                                                  .kind = worse ? LT_FINDING_WORSE : LT_FINDING_BETTER,
                                                  .path = lt_compare_path_name(r->path),
                                                  .condition = r->condition,
                                                  .unit = "dB",
                                                  .change = change_db,
                                                  .probability = probability,
                                                  .over_limit = worse && fabs(change_db) >= c->opt->worse_db});
}

/* ---- from the outbound line to the ear ---- */

static void outbound_level(ltp_compare *c, const lane_side *s)
{
    const double d = s->out->level_db;
    const double coupling = s->coupling != NULL ? s->coupling->level_db : (double)NAN;
    const bool shared = alike(d, coupling), alone = stayed(coupling, d);
    if (!s->out->calibrated && !shared)
        return; /* without a calibration the level as a whole says nothing */
    lt_finding *f = add(c, LT_FINDING_OUTBOUND_LEVEL, s->out, d, true, shared ? 0.9 : 0.6);
    if (lt_is_known(coupling))
        ltp_compare_say(
            f->evidence,
            "Outbound %+.1f dB (doubt %.1f dB) from 400 Hz to 2 kHz, treble %+.1f dB beside that; lane coupling "
            "%+.1f dB.",
            d, s->out->level_doubt_db, lt_is_known(s->out->treble_db) ? s->out->treble_db : 0.0, coupling);
    else
        ltp_compare_say(f->evidence,
                        "Outbound %+.1f dB (doubt %.1f dB) from 400 Hz to 2 kHz; no lane coupling to compare.", d,
                        s->out->level_doubt_db);
    const lt_before_after thd = s->out->thd_percent;
    if (d < 0.0 && thd.after > 2.0 * thd.before && thd.after > 5.0) {
        f->probability = 0.8;
        ltp_compare_say(f->cause,
                        "The amplifier or the speaker limits at the level of the sweep: distortion rose to %.0f %% "
                        "(it was %.1f %%). The loss is that of the loud parts.",
                        thd.after, thd.before);
        ltp_compare_say(f->next_step,
                        "Repeat the sweep 10 dB quieter: if the level is as before, check the amplifier's "
                        "supply and setting, and what loads its output.");
    } else if (d < 0.0 && shared) {
        ltp_compare_say(f->cause, "Level lost between the outbound line and the cone, heard in both paths: adjuster, "
                                  "transformer tap, corroded splice or connection, or one of two speakers.");
        ltp_compare_say(f->next_step, "Check the adjuster, then the voltage at the speaker's terminals with the same "
                                      "sweep: too low there is line, tap or amplifier; right there is the speaker.");
    } else if (d < 0.0 && alone) {
        ltp_compare_say(f->cause,
                        "The lane microphone hears the speaker as before, so the speaker is well: the measuring "
                        "microphone stood elsewhere, or something covers the front.");
        ltp_compare_say(f->next_step,
                        "Look for ice, dirt or a sign before the grille; repeat the outbound recording at "
                        "the marked place.");
    } else if (d < 0.0) {
        ltp_compare_say(f->cause,
                        "Adjuster, transformer tap, connection or speaker; or the microphone stood elsewhere.");
        ltp_compare_say(f->next_step, "Record lane-coupling too: if it fell alike, the loss lies before the cone.");
    } else {
        ltp_compare_say(f->cause, shared
                                      ? "More gain between the outbound line and the cone: adjuster, tap or a repair."
                                      : "More gain on the outbound side, or the microphone stood nearer.");
        ltp_compare_say(f->next_step,
                        "If nobody turned it up on purpose, enter the setting in visit.yaml and run tune.");
    }
}

static void outbound_treble(ltp_compare *c, const lane_side *s)
{
    const double d = s->out->treble_db, coupling = s->coupling != NULL ? s->coupling->treble_db : (double)NAN;
    const bool shared = alike(d, coupling);
    lt_finding *f = add(c, LT_FINDING_OUTBOUND_TREBLE, s->out, d, true,
                        shared                  ? 0.85
                        : lt_is_known(coupling) ? 0.5
                                                : 0.6);
    if (lt_is_known(coupling))
        ltp_compare_say(f->evidence,
                        "Outbound 2.5 to 8 kHz %+.1f dB re the middle (doubt %.1f dB); the same of the lane coupling "
                        "%+.1f dB; middle %+.1f dB.",
                        d, s->out->treble_doubt_db, coupling, s->out->level_db);
    else
        ltp_compare_say(f->evidence, "Outbound 2.5 to 8 kHz %+.1f dB re the middle (doubt %.1f dB); middle %+.1f dB.",
                        d, s->out->treble_doubt_db, s->out->level_db);
    if (d > 0.0) {
        ltp_compare_say(f->cause,
                        "More treble: a new speaker or grille, foam removed, or the microphone nearer its axis.");
        ltp_compare_say(f->next_step, "Nothing, if the front was worked on; else repeat at the marked place.");
        return;
    }
    ltp_compare_say(f->cause,
                    shared ? "Treble lost before the lane microphone too: a wet or dirty cone, a soaked foam "
                             "grille, or a speaker that was replaced by another type."
                    : lt_is_known(coupling)
                        ? "Treble lost towards the ear alone: a cover, sign or foam before the grille, or the "
                          "measuring microphone off the axis."
                        : "A wet or dirty cone, a soaked or clogged foam grille, or the microphone off the axis.");
    ltp_compare_say(f->next_step,
                    "Take the grille off, look for water and dirt, dry or change foam and cone, and repeat "
                    "the outbound sweep with the grille off and on.");
}

static void outbound_bass(ltp_compare *c, const lane_side *s)
{
    const double d = s->out->bass_db, coupling = s->coupling != NULL ? s->coupling->bass_db : (double)NAN;
    lt_finding *f = add(c, LT_FINDING_OUTBOUND_BASS, s->out, d, true, alike(d, coupling) ? 0.7 : 0.45);
    f->over_limit = false; /* bass carries little of speech */
    ltp_compare_say(f->evidence, "Outbound 100 to 315 Hz %+.1f dB re the middle (doubt %.1f dB).", d,
                    s->out->bass_doubt_db);
    ltp_compare_say(f->cause,
                    d < 0.0 ? "A leak in the speaker's chamber (gasket, loose screws, cable hole), or a torn cone."
                            : "A chamber that closes better, or low-frequency noise in one of the recordings.");
    ltp_compare_say(f->next_step, d < 0.0
                                      ? "Tighten the panel, look at gasket and cable entry, press on the panel while "
                                        "the sweep plays."
                                      : "Nothing, if the housing was worked on.");
}

/* ---- lane microphone and acoustic coupling ---- */

static void microphone(ltp_compare *c, const lane_side *s, double x_db)
{
    lt_finding *f = add(c, LT_FINDING_MICROPHONE_LEVEL, s->coupling, x_db, true, s->gain_is_sure ? 0.85 : 0.65);
    ltp_compare_say(
        f->evidence,
        "Lane coupling %+.1f dB, outbound %+.1f dB, talk test and noise on the line %+.1f dB: the difference "
        "is on the microphone's side.",
        s->coupling->level_db, s->out != NULL ? s->out->level_db : 0.0, s->gain_db);
    ltp_compare_say(f->cause, x_db < 0.0
                                  ? "The lane microphone or its line lost level: a blocked, wet or iced port, a "
                                    "failing capsule, its supply, a splice, or an adjuster."
                                  : "More gain from the lane microphone to the line: adjuster, or a new microphone.");
    ltp_compare_say(f->next_step, x_db < 0.0
                                      ? "Clean and dry the port, measure the microphone's supply at its terminals, "
                                        "then talk at the port and compare the line level before and after the hub."
                                      : "Enter the new setting in visit.yaml and run tune: the margin moved too.");
}

static void coupling(ltp_compare *c, const lane_side *s, double x_db)
{
    const bool gain_known = lt_is_known(s->gain_db);
    lt_finding *f = add(c, LT_FINDING_LANE_COUPLING, s->coupling, x_db, false, gain_known ? 0.85 : 0.6);
    if (gain_known)
        ltp_compare_say(f->evidence,
                        "Lane coupling %+.1f dB (doubt %.1f dB), outbound %+.1f dB, talk test and noise on the line "
                        "%+.1f dB: neither speaker nor microphone explains it.",
                        s->coupling->level_db, s->coupling->level_doubt_db, s->out != NULL ? s->out->level_db : 0.0,
                        s->gain_db);
    else
        ltp_compare_say(f->evidence,
                        "Lane coupling %+.1f dB (doubt %.1f dB), outbound %+.1f dB; no talk test or noise.",
                        s->coupling->level_db, s->coupling->level_doubt_db, s->out != NULL ? s->out->level_db : 0.0);
    if (x_db > 0.0) {
        ltp_compare_say(f->cause,
                        "More of the lane speaker reaches the lane microphone: a hardened or missing gasket, foam "
                        "behind the speaker gone, a loose panel, or a reflecting surface that is new.");
        ltp_compare_say(f->next_step,
                        "Press on the panel and around both openings while the sweep plays; renew gasket and "
                        "foam between speaker and microphone chamber; repeat lane-coupling.");
    } else {
        ltp_compare_say(f->cause, gain_known
                                      ? "Less of the lane speaker reaches the lane microphone: gasket, foam or panel "
                                        "were improved."
                                      : "Better isolation, or a lane microphone that lost level.");
        ltp_compare_say(f->next_step, gain_known ? "Nothing; there may be room for more gain: run tune."
                                                 : "Record a talk-test: if it fell too, it is the microphone.");
    }
}

/* Where outbound moved, the coupling moves with it; only the rest is the coupling's own. */
static double own_part(const lane_side *s, const lt_compare_band *b)
{
    for (size_t i = 0; s->out != NULL && i < s->out->band_count; i++) {
        const lt_compare_band *o = &s->out->bands[i];
        const double rest = b->difference_db - o->difference_db;
        if (fabs(o->hz - b->hz) < 0.01 && o->changed && fabs(rest) < fabs(b->difference_db))
            return rest;
    }
    return b->difference_db;
}

/* A leak or a new reflection raises some bands and lowers others: the howl follows the highest rise. */
static void find_extremes(const lane_side *s, const lt_compare_band **rise, const lt_compare_band **fall)
{
    *rise = *fall = NULL;
    for (size_t i = 0; i < s->coupling->band_count; i++) {
        const lt_compare_band *b = &s->coupling->bands[i];
        const double own = own_part(s, b);
        if (b->snr_db.before < 10.0 || b->snr_db.after < 10.0 || !counts(own, b->doubt_db, single_band_db))
            continue;
        if (own > 0.0 && (*rise == NULL || own > own_part(s, *rise)))
            *rise = b;
        if (own < 0.0 && (*fall == NULL || own < own_part(s, *fall)))
            *fall = b;
    }
}

static void coupling_bands(ltp_compare *c, const lane_side *s)
{
    const lt_compare_band *rise = NULL, *fall = NULL;
    find_extremes(s, &rise, &fall);
    if (rise == NULL && fall == NULL)
        return;
    const lt_compare_band *b = rise != NULL ? rise : fall;
    lt_finding *f = add(c, LT_FINDING_LANE_COUPLING, s->coupling, own_part(s, b), false, 0.6);
    ltp_compare_say(f->evidence, "Lane coupling %+.1f dB at %.0f Hz (doubt %.1f dB)%s; as a whole %+.1f dB.",
                    own_part(s, b), b->hz, b->doubt_db, rise != NULL && fall != NULL ? ", lower in other bands" : "",
                    s->coupling->level_db);
    ltp_compare_say(f->cause, rise != NULL
                                  ? "A second way from the lane speaker to the lane microphone: a leak inside the "
                                    "housing (gasket, foam), a loose panel, or a surface that reflects."
                                  : "A way from speaker to microphone was closed, or a reflecting surface is gone.");
    ltp_compare_say(f->next_step, rise != NULL
                                      ? "Press on the panel and around both openings while the sweep plays, look at "
                                        "gasket and foam, then repeat lane-coupling."
                                      : "Nothing, if the housing was worked on.");
}

static void coupling_side(ltp_compare *c, const lane_side *s)
{
    const lt_compare_response *k = s->coupling;
    if (k == NULL)
        return;
    const bool out_moved = s->out != NULL && counts(s->out->level_db, s->out->level_doubt_db, level_from_db);
    const bool out_shared = out_moved && alike(s->out->level_db, k->level_db);
    double x = k->level_db;
    if (out_moved && (out_shared || !stayed(k->level_db, s->out->level_db)))
        x -= s->out->level_db; /* what the speaker's side does not explain */
    const double doubt = out_moved ? hypot(k->level_doubt_db, s->out->level_doubt_db) : k->level_doubt_db;
    if (counts(x, doubt, out_moved ? alike_db : level_from_db)) {
        const bool same_sign = lt_is_known(s->gain_db) && s->gain_db * x > 0.0;
        const lt_compare_band *rise = NULL, *fall = NULL;
        find_extremes(s, &rise, &fall);
        if (same_sign && fabs(s->gain_db) > 0.5 * fabs(x) && fabs(x) > 1.5)
            microphone(c, s, x);
        else if (rise != NULL && own_part(s, rise) > fmax(x, 0.0) + uneven_db)
            coupling_bands(c, s);
        else
            coupling(c, s, x);
    } else if (!counts(k->treble_db, k->treble_doubt_db, shape_from_db)) {
        coupling_bands(c, s);
    }
    const double t = k->treble_db, out_t = s->out != NULL ? s->out->treble_db : (double)NAN;
    if (!counts(t, k->treble_doubt_db, shape_from_db) || alike(t, out_t) || t + k->level_db > -shape_from_db)
        return;
    lt_finding *f = add(c, LT_FINDING_MICROPHONE_TREBLE, k, t, true, lt_is_known(out_t) ? 0.65 : 0.4);
    ltp_compare_say(
        f->evidence, "Lane coupling 2.5 to 8 kHz %+.1f dB re the middle (doubt %.1f dB), outbound %s%+.1f dB.", t,
        k->treble_doubt_db, lt_is_known(out_t) ? "" : "not known, counted as ", lt_is_known(out_t) ? out_t : 0.0);
    ltp_compare_say(f->cause,
                    "The lane microphone lost treble (wet foam, dirt in its port), or its seal to the panel changed.");
    ltp_compare_say(f->next_step,
                    "Clean or change the foam of the microphone's port and repeat lane-coupling and talk-test.");
}

/* ---- counter ---- */

static void counter_side(ltp_compare *c)
{
    const lt_compare_response *in = ltp_compare_find(c->out, LT_COMPARE_INBOUND, "");
    const lt_compare_response *k = ltp_compare_find(c->out, LT_COMPARE_COUNTER_COUPLING, "");
    const double shared_db = k != NULL ? k->level_db : (double)NAN;
    const bool in_moved = in != NULL && in->calibrated && counts(in->level_db, in->level_doubt_db, level_from_db);
    if (in_moved) {
        const bool shared = alike(in->level_db, shared_db);
        lt_finding *f = add(c, LT_FINDING_INBOUND_LEVEL, in, in->level_db, true, shared ? 0.85 : 0.6);
        ltp_compare_say(f->evidence, "Inbound to the operator's ear %+.1f dB (doubt %.1f dB)%s.", in->level_db,
                        in->level_doubt_db, shared ? "; the counter coupling changed alike" : "");
        ltp_compare_say(f->cause, in->level_db < 0.0
                                      ? "Counter speaker or earpiece, its volume, or its connection."
                                      : "The counter's volume was turned up, or the microphone stood nearer.");
        ltp_compare_say(f->next_step, "Compare the operator's volume with the last visit; swap headset or handset with "
                                      "that of another lane and repeat.");
    }
    if (in != NULL && counts(in->treble_db, in->treble_doubt_db, shape_from_db)) {
        lt_finding *f = add(c, LT_FINDING_INBOUND_TREBLE, in, in->treble_db, true, 0.6);
        ltp_compare_say(f->evidence, "Inbound 2.5 to 8 kHz %+.1f dB re the middle (doubt %.1f dB).", in->treble_db,
                        in->treble_doubt_db);
        ltp_compare_say(f->cause,
                        "Counter speaker covered or worn, an ear cushion changed, or the microphone off its place.");
        ltp_compare_say(f->next_step, "Look at speaker opening and ear cushion; repeat at the same place.");
    }
    if (k == NULL)
        return;
    const double x = in_moved && alike(in->level_db, k->level_db) ? k->level_db - in->level_db : k->level_db;
    if (!counts(x, k->level_doubt_db, in_moved ? alike_db : level_from_db))
        return;
    lt_finding *f = add(c, LT_FINDING_COUNTER_COUPLING, k, x, false, in != NULL ? 0.7 : 0.5);
    ltp_compare_say(f->evidence, "Counter coupling %+.1f dB (doubt %.1f dB), inbound %+.1f dB.", k->level_db,
                    k->level_doubt_db, in != NULL ? in->level_db : 0.0);
    ltp_compare_say(f->cause,
                    x > 0.0 ? "Counter microphone and speaker are nearer, louder, or a wall reflects between them."
                            : "Counter microphone and speaker are further apart or quieter.");
    ltp_compare_say(f->next_step, x > 0.0 ? "Move the counter speaker away from the microphone or turn it down; repeat "
                                            "counter-coupling."
                                          : "Nothing.");
}

/* ---- some bands ---- */

static bool has_finding(const ltp_compare *c, const char *path)
{
    for (size_t i = 0; i < c->out->finding_count; i++)
        if (strcmp(c->out->findings[i].path, path) == 0)
            return true;
    return false;
}

static bool band_counts(const lt_compare_band *b)
{
    return fabs(b->difference_db) > fmax(band_from_db, sure_times * b->doubt_db) && !(b->snr_db.before < 10.0) &&
           !(b->snr_db.after < 10.0);
}

/* The largest change of two neighbouring bands or more, where the path as a whole stayed as it was. */
static void some_bands(ltp_compare *c, const lt_compare_response *r)
{
    size_t first = 0, last = 0;
    double largest = 0.0;
    for (size_t i = 0; i < r->band_count;) {
        size_t k = i;
        double sum = 0.0;
        while (k < r->band_count && band_counts(&r->bands[k]) &&
               r->bands[k].difference_db * r->bands[i].difference_db > 0.0)
            sum += r->bands[k++].difference_db;
        if (k > i + 1 && fabs(sum) > fabs(largest)) {
            largest = sum;
            first = i;
            last = k - 1;
        }
        i = k > i ? k : i + 1;
    }
    if (last == first || has_finding(c, lt_compare_path_name(r->path)))
        return;
    const double mean = largest / (double)(last - first + 1);
    const bool is_coupling = r->path != LT_COMPARE_OUTBOUND && r->path != LT_COMPARE_INBOUND;
    lt_finding *f = add(c, LT_FINDING_BANDS, r, mean, !is_coupling, 0.5);
    ltp_compare_say(f->evidence, "%s %+.1f dB from %.0f to %.0f Hz, the rest as before.", lt_compare_path_name(r->path),
                    mean, r->bands[first].hz, r->bands[last].hz);
    ltp_compare_say(f->cause,
                    "A resonance or a reflection that is new or gone: a loose part, a panel, a sign or a car.");
    ltp_compare_say(f->next_step,
                    "Look for what was mounted or moved since; press on panel and housing while the sweep "
                    "plays; repeat the sweep.");
}

/* ---- all ---- */

/* Talk test and noise tell the gain from the lane microphone to the line; noise is compared with that at the ear. */
static void inbound_gain(const ltp_compare *c, lane_side *s)
{
    const lt_compare_talk *t = ltp_compare_find_talk(c->out, s->condition);
    const lt_compare_noise *mic = ltp_compare_find_noise(c->out, LT_COMPARE_NOISE_MIC, s->condition);
    const lt_compare_noise *ear = ltp_compare_find_noise(c->out, LT_COMPARE_NOISE_EAR, s->condition);
    const double talk = t != NULL ? t->difference_db : (double)NAN;
    double noise = NAN; /* hum or hiss of the line would pretend gain: only a noise that both share counts */
    if (mic != NULL && ear != NULL && ear->calibrated && !(mic->hum_db.after > mic->laeq_db.after + 20.0))
        noise = mic->difference_db - ear->difference_db;
    s->gain_db = !lt_is_known(talk) ? noise : !lt_is_known(noise) ? talk : (talk + noise) / 2.0;
    if (lt_is_known(talk) && lt_is_known(noise) && fabs(talk - noise) > 4.0)
        s->gain_db = fabs(talk) < fabs(noise) ? talk : noise; /* the two disagree: the smaller claim */
    s->gain_is_sure = lt_is_known(talk) && lt_is_known(noise) && fabs(talk - noise) <= 4.0;
}

static bool is_news(const ltp_compare *c, lt_finding_code code)
{
    for (size_t i = 0; i < c->out->finding_count; i++)
        if (c->out->findings[i].code == code)
            return false;
    return true;
}

/* A setting that was turned, and a level that did not follow. */
static void setting_without_effect(ltp_compare *c, const lt_compare_response *r)
{
    lt_finding *f = ltp_compare_add(c, &(ltp_finding_head){.code = LT_FINDING_SETTING_WITHOUT_EFFECT,
                                                           .kind = LT_FINDING_NOTE,
                                                           .path = lt_compare_path_name(r->path),
                                                           .condition = r->condition,
                                                           .unit = "dB",
                                                           .change = r->level_db,
                                                           .probability = 0.6});
    ltp_compare_say(f->evidence, "The setting changed by %+.1f dB, the level as recorded by %+.1f dB.", r->settings_db,
                    r->level_db + r->settings_db);
    ltp_compare_say(f->cause, "The adjuster acts before the point where the sweep was fed in, or it was not turned, or "
                              "the same gain was lost elsewhere.");
    ltp_compare_say(f->next_step, "Turn the adjuster by one step while the sweep plays: does the level follow?");
}

static bool ignores_setting(const lt_compare_response *r)
{
    return fabs(r->settings_db) >= 2.0 && fabs(r->level_db + r->settings_db) < 0.3 * fabs(r->settings_db);
}

static void lane_condition(ltp_compare *c, const char *condition)
{
    lane_side s = {.out = ltp_compare_find(c->out, LT_COMPARE_OUTBOUND, condition),
                   .coupling = ltp_compare_find(c->out, LT_COMPARE_LANE_COUPLING, condition),
                   .condition = condition};
    inbound_gain(c, &s);
    const lt_compare_response *o = s.out;
    if (o != NULL && ignores_setting(o)) {
        if (is_news(c, LT_FINDING_SETTING_WITHOUT_EFFECT))
            setting_without_effect(c, o);
    } else if (o != NULL && counts(o->level_db, o->level_doubt_db, level_from_db) &&
               is_news(c, LT_FINDING_OUTBOUND_LEVEL)) {
        outbound_level(c, &s);
    }
    if (o != NULL && counts(o->treble_db, o->treble_doubt_db, shape_from_db) && is_news(c, LT_FINDING_OUTBOUND_TREBLE))
        outbound_treble(c, &s);
    if (o != NULL && counts(o->bass_db, o->bass_doubt_db, shape_from_db + 0.5) && is_news(c, LT_FINDING_OUTBOUND_BASS))
        outbound_bass(c, &s);
    if (is_news(c, LT_FINDING_LANE_COUPLING) && is_news(c, LT_FINDING_MICROPHONE_LEVEL))
        coupling_side(c, &s);
}

void ltp_compare_find_levels(ltp_compare *c)
{
    lane_condition(c, "");
    for (size_t i = 0; i < c->out->response_count; i++)
        if (c->out->responses[i].condition[0] != '\0')
            lane_condition(c, c->out->responses[i].condition);
    counter_side(c);
    for (size_t i = 0; i < c->out->response_count; i++)
        if (c->out->responses[i].path != LT_COMPARE_LANE_COUPLING) /* told above, without the outbound part */
            some_bands(c, &c->out->responses[i]);
}
